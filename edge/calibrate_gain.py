"""`bolotip calibrate gain`: kelvin per MPa from a bar's recording, counts per kelvin from those of plates."""

import argparse
import dataclasses

import numpy as np

from calibration import gain, pictures
from calibration.door import InputError
from calibration.far_field import far_field
from calibration.profile import CameraProfile, covers, response_sd
from edge.calibrate_shared import ASSUMED, ASSUMED_NOTE, existing, finish, first_harmonic, measured, usable_pixels
from edge.correct import correct, far_field_delay
from edge.handbook import ZERO_C_K
from edge.plausible import HOTTEST_C, OFF_ZERO_K
from edge.region import along
from edge.rig import Rig
from edge.whole_recording import Recorded, refuse_processed

CLEAR_POWER = 36.0  # signal over noise of the chosen pixels, in squares: below it the choice makes K0 too large by 0.5 % and more
SURFACE_SD_K = 1.0  # of the surface temperature as typed in (common practice, no source)
PLAUSIBLE_K0_PER_MPA = 1e-7, 1e-4  # as at the rig file's door


def run_gain(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    profile = existing(args.profile, recordings)
    if args.temperatures is not None:
        _counts_per_K(args, recordings, profile)
    else:
        _kelvin_per_MPa(args, recordings, profile)


def _counts_per_K(args: argparse.Namespace, recordings: list[Recorded], profile: CameraProfile | None) -> None:
    """From plates of known temperatures."""
    if not all(-ZERO_C_K < t <= HOTTEST_C for t in args.temperatures):
        said = " ".join(f"{t:g}" for t in args.temperatures)
        raise InputError(f"--temperatures: are {said}, may be above {-ZERO_C_K:g} up to {HOTTEST_C:g} °C; if in kelvin, take 273.15 off")
    levels = []
    for rec in recordings:
        refuse_processed(rec)
        levels.append(rec.some(100).mean(axis=0))
    usable = usable_pixels(recordings[0], profile, args.region)
    plates = gain.counts_per_kelvin(levels, args.temperatures, args.temperature_sd, usable)
    new = dataclasses.replace(profile or ASSUMED, counts_per_K=plates.counts_per_K)
    before = (profile or ASSUMED).counts_per_K or recordings[0].rig.camera.counts_per_K
    if new.netd_K and before:  # it was measured in counts
        new = dataclasses.replace(new, netd_K=new.netd_K * before / plates.counts_per_K)
    text, zero_K = plates.text(), recordings[0].rig.camera.zero_K
    if zero_K is not None and abs(zero_K - plates.zero_K) > OFF_ZERO_K:
        text.append(
            f"warning: with these counts per kelvin [camera] zero_K = {zero_K:g} makes the plates {zero_K - plates.zero_K:+.1f} K off, and "
            f"every stress with it: leave zero_K out of the rig file and give [specimen] temperature_C"
        )
    finish(args, recordings, text, new, lambda path: pictures.counts(path, plates))


def _kelvin_per_MPa(args: argparse.Namespace, recordings: list[Recorded], profile: CameraProfile | None) -> None:
    """From a bar of known nominal stress."""
    rec, rig = recordings[0], recordings[0].rig
    if profile is None or ASSUMED_NOTE in profile.made_from:
        raise InputError(
            f"{args.profile}: has no measured lag yet, needed to know what the camera leaves; calibrate a sweep first"
        )
    counts_per_K = profile.counts_per_K or rig.camera.counts_per_K
    if counts_per_K is None:
        raise InputError(
            f"{rig.path} [camera] counts_per_K: is missing, in {args.profile} too; measure it with --temperatures"
        )
    m = measured(rec)
    if not covers(profile, m.frequency_hz):
        low, high = profile.response[0].frequency_hz, profile.response[-1].frequency_hz
        raise InputError(
            f"{rec.name}: load frequency is {m.frequency_hz:.4g} Hz, may be within the profile's table, {low:g} to {high:g} Hz; record the "
            f"bar there, or calibrate a sweep that takes {m.frequency_hz:.3g} Hz in"
        )
    c = correct(m.harmonics.maps, m.frequency_hz, profile, counts_per_K)
    sd = m.harmonics.noise * m.harmonics.amplitude_sd[0] / c.gain[0] / counts_per_K
    run = dataclasses.replace(first_harmonic(rec, m), h1=c.maps[0], sd=sd)
    usable = usable_pixels(rec, profile, args.region)
    if args.region is None:
        usable = far_field([run], usable)
        power = float(np.median(np.abs(run.h1[usable]) ** 2 / run.sd[usable] ** 2))
        if power < CLEAR_POWER:  # nearer to far_field's threshold rather those are chosen whose noise adds to the signal
            raise InputError(
                f"{rec.name}: the load shows at {power**0.5:.1f} times the noise of a pixel, may be {CLEAR_POWER**0.5:.0f} or more to "
                f"choose the pixels by it; give --region, a higher load range or a longer recording"
            )
    stress = np.where(usable, _stress(args, rig, m.range_kN), np.nan)
    if profile.frame_delay_s is None:  # as the loop does with this profile
        found_delay = far_field_delay(c.maps[0], float(np.median(sd)), m.frequency_hz, stress > 0)
        c = correct(m.harmonics.maps, m.frequency_hz, profile, counts_per_K, found_delay[0] if found_delay else None)
    temperature = (rig.specimen.temperature_C or 0.0) + ZERO_C_K
    if rig.camera.zero_K is not None:
        temperature = rig.camera.zero_K + float(np.median(m.harmonics.mean[usable])) / counts_per_K
    known = {
        "stress": args.stress_sd / 100,
        "load range": m.range_sd,
        "camera's lag": response_sd(profile, m.frequency_hz)[0],
        "surface temperature": SURFACE_SD_K / temperature,
    }
    if args.bending_arm is None:  # in bending only the slope counts
        shared_K = m.shared_counts * float(m.harmonics.amplitude_sd[0]) / float(c.gain[0]) / counts_per_K
        known["noise common to all pixels"] = shared_K / float(np.median(np.abs(c.maps[0][usable])))
    found = gain.kelvin_per_MPa(c.maps[0], sd, stress, temperature, args.bending_arm is not None, known)
    low, high = PLAUSIBLE_K0_PER_MPA
    if not low < found.K0_per_MPa < high:
        raise InputError(
            f"{rec.name}: the thermoelastic constant comes out as {found.K0_per_MPa:.3g} per MPa, may be {low:g} to {high:g}; "
            "see that --stress-range is in MPa (peak to peak), and width_mm, thickness_mm and the load's scale are right"
        )
    text = found.text(rig.specimen.thermoelastic_constant_per_MPa)
    text += ["", "[specimen]", f"thermoelastic_constant_per_MPa = {found.K0_per_MPa:.5g}"]
    text += [f"thermoelastic_constant_sd_per_MPa = {found.K0_sd_per_MPa:.2g}"]
    finish(args, recordings, text, None, lambda path: pictures.gain(path, found))


def _stress(args: argparse.Namespace, rig: Rig, range_kN: float) -> np.ndarray:
    """Nominal stress range (MPa) at each pixel."""
    s, shape = rig.specimen, (rig.camera.rows, rig.camera.columns)
    if args.stress_range is not None:
        return np.full(shape, float(args.stress_range))
    if not (np.isfinite(s.width_mm) and np.isfinite(s.thickness_mm)):
        raise InputError(
            f"{rig.path} [specimen] width_mm, thickness_mm: are missing, needed for the stress; or give --stress-range"
        )
    if args.bending_arm is None:
        return np.full(shape, gain.tension_stress_MPa(range_kN, s.thickness_mm, s.width_mm))
    row, column = np.indices(shape)
    from_edge = along(rig, row, column, rig.view.growth_angle_deg)
    return gain.bending_stress_MPa(range_kN, args.bending_arm, s.thickness_mm, s.width_mm, s.width_mm / 2 - from_edge)
