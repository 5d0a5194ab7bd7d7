"""`bolotip calibrate`: runs the lock-in on recordings, hands arrays to calibration/, writes the camera profile."""

import argparse
import dataclasses
import datetime
from collections.abc import Callable
from pathlib import Path

import numpy as np

from calibration import gain, pictures, pixels, scale, step, sweep
from calibration.door import InputError
from calibration.far_field import Run, far_field
from calibration.profile import CameraProfile, bad_pixel_mask, load_profile, response_sd, save_profile
from calibration.step_model import switch_edges
from edge.correct import correct, far_field_delay
from edge.handbook import ZERO_C_K
from edge.plausible import HOTTEST_C
from edge.region import along
from edge.rig import LEAST_WIDTH_PX, Rig
from edge.sources.recording import RecordedLoad
from edge.terminal import Progress
from edge.whole_recording import Measured, Recorded, measure, open_recording

MOST_VALUES = 40_000_000  # counts held in memory by step and pixels
ASSUMED = CameraProfile(tau_s=0.010, tau_sd_s=0.003, missing=("readout_s", "readout_sd_s"))
ASSUMED_NOTE = "tau_s assumed, not measured"  # 7 to 12 ms say makers' notes; 6 to 15 ms occur
SURFACE_SD_K = 1.0  # of the surface temperature as typed in (common practice, no source)
PLAUSIBLE_K0_PER_MPA = 1e-7, 1e-4  # as at the rig file's door


def main(args: argparse.Namespace) -> int:
    """`bolotip calibrate KIND`."""
    if not args.profile.parent.is_dir():
        raise InputError(f"{args.profile}: there is no folder {args.profile.parent}; make it first")
    if args.picture is not None and (args.picture.suffix.lower() != ".png" or not args.picture.parent.is_dir()):
        raise InputError(f"--picture: is {args.picture}, may be a name that ends in .png, in a folder that exists")
    if args.kind == "gain" and args.temperatures is None and len(args.recordings) > 1:
        raise InputError(f"gain: {len(args.recordings)} recordings, may be one of a bar; plates come with --temperatures")
    for number, path in enumerate(args.recordings):
        if path.resolve() in (other.resolve() for other in args.recordings[:number]):
            raise InputError(f"{path}: is named twice, and would count as two measurements; name each recording once")
    KINDS[args.kind](args, [open_recording(path) for path in args.recordings])
    return 0


def run_sweep(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    profile = existing(args.profile, recordings)
    usable = usable_pixels(recordings[0], profile, args.region)
    runs = []
    for rec in recordings:
        m = measured(rec)
        usable = usable & (m.harmonics.noise > 0) & (m.harmonics.noise < 4 * np.median(m.harmonics.noise))
        runs.append(first_harmonic(rec, m))
    found = sweep.fit(runs, usable)
    finish(args, recordings, found.text(), found.into(profile or ASSUMED), lambda path: pictures.sweep(path, found))


def measured(rec: Recorded) -> Measured:
    """The recording through the lock-in, with the time that is left."""
    progress = Progress(rec.name)
    try:
        return measure(rec, progress=progress)
    finally:
        progress.clear()


def first_harmonic(rec: Recorded, m: Measured) -> Run:
    """What `sweep` needs of a recording; counts, as the camera saw it."""
    unit = float(m.harmonics.amplitude_sd[0])
    return Run(
        name=rec.name,
        frequency_hz=m.frequency_hz,
        h1=m.harmonics.maps[0],
        sd=m.harmonics.noise * unit,
        range_kN=m.range_kN,
        range_sd=m.range_sd,
        timing_sd_s=rec.timing_sd_s,
        shared_sd=m.shared_counts * unit,
        inflation=max(float(m.harmonics.inflation[0]), unit**2 * m.harmonics.frames / 2),
    )


def run_step(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    rec = recordings[0]
    profile = existing(args.profile, recordings)
    pixels.refuse_processed(rec.some(40), rec.name)
    frames = rec.frames(MOST_VALUES // (rec.rig.camera.rows * rec.rig.camera.columns))
    edges, edge_sd_s = np.empty(0), 0.0
    load = rec.rig.load
    if load.source == "recording" and load.path is not None and load.path.is_file():
        time_s, value = RecordedLoad(load.path, 1.0, 0.0).read(np.inf)
        edges = switch_edges(time_s, value)
        edge_sd_s = float(np.median(np.diff(time_s)) / np.sqrt(12)) if edges.size else 0.0
    usable = usable_pixels(rec, profile, args.region) & (np.ptp(frames, axis=0) > 0)
    found = step.fit(frames, rec.time_s[: len(frames)], usable, edges, edge_sd_s, rec.timing_sd_s)
    finish(args, recordings, found.text(), found.into(profile or ASSUMED), lambda path: pictures.step(path, found))


def run_pixels(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    import cv2

    rec = recordings[0]
    profile = existing(args.profile, recordings) or ASSUMED
    pixels.refuse_processed(rec.some(40), rec.name)
    frames = rec.frames(max(200, MOST_VALUES // (rec.rig.camera.rows * rec.rig.camera.columns)))
    rate = 1 / ((rec.time_s[-1] - rec.time_s[0]) / (rec.number[-1] - rec.number[0]))
    found = pixels.find(frames, rec.number[: len(frames)], rate)
    counts_per_K = profile.counts_per_K or rec.rig.camera.counts_per_K
    png = args.profile.with_name(f"{args.profile.stem}-bad-pixels.png")
    n = 1
    while png.exists():  # an earlier profile goes on naming its own
        n += 1
        png = args.profile.with_name(f"{args.profile.stem}-bad-pixels-{n}.png")
    try:
        png.write_bytes(cv2.imencode(".png", np.where(found.bad > 0, 255, 0).astype(np.uint8))[1].tobytes())
    except OSError as e:
        raise InputError(f"{png}: cannot be written ({e.strerror}); check folder, room and rights") from None
    new = dataclasses.replace(profile, bad_pixels=png)
    if counts_per_K:
        new = dataclasses.replace(new, netd_K=found.netd_counts / counts_per_K)
    text = found.text(counts_per_K, rec.rig.load.frequency_hz)
    finish(args, recordings, text, new, lambda path: pictures.pixels(path, found))


def run_gain(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    profile = existing(args.profile, recordings)
    if args.temperatures is not None:
        _counts_per_K(args, recordings, profile)
    else:
        _kelvin_per_MPa(args, recordings, profile)


def _counts_per_K(args: argparse.Namespace, recordings: list[Recorded], profile: CameraProfile | None) -> None:
    """From plates of known temperatures."""
    if not all(t <= HOTTEST_C for t in args.temperatures):
        said = " ".join(f"{t:g}" for t in args.temperatures)
        raise InputError(f"--temperatures: are {said}, may be up to {HOTTEST_C:g} °C; if they are kelvin, take 273.15 off")
    levels = []
    for rec in recordings:
        some = rec.some(100)
        pixels.refuse_processed(some, rec.name)
        levels.append(some.mean(axis=0))
    usable = usable_pixels(recordings[0], profile, args.region)
    plates = gain.counts_per_kelvin(levels, args.temperatures, args.temperature_sd, usable)
    new = dataclasses.replace(profile or ASSUMED, counts_per_K=plates.counts_per_K)
    before = (profile or ASSUMED).counts_per_K or recordings[0].rig.camera.counts_per_K
    if new.netd_K and before:  # it was measured in counts
        new = dataclasses.replace(new, netd_K=new.netd_K * before / plates.counts_per_K)
    finish(args, recordings, plates.text(), new, lambda path: pictures.counts(path, plates))


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
    c = correct(m.harmonics.maps, m.frequency_hz, profile, counts_per_K)
    sd = m.harmonics.noise * m.harmonics.amplitude_sd[0] / c.gain[0] / counts_per_K
    run = dataclasses.replace(first_harmonic(rec, m), h1=c.maps[0], sd=sd)
    usable = usable_pixels(rec, profile, args.region)
    usable = usable if args.region is not None else far_field([run], usable)
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


def run_scale(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    rec, rig = recordings[0], recordings[0].rig
    profile = existing(args.profile, recordings)
    image = rec.some(50).mean(axis=0)
    near, (low, high) = pixels.neighbours(image), np.percentile(image, [1, 99])
    image = np.where(usable_pixels(rec, profile, None) & (np.abs(image - near) < high - low), image, near)
    if args.mark:
        marks = np.array(args.mark)
        for row, column in marks[:, :2]:
            if not (-0.5 <= row <= image.shape[0] - 0.5 and -0.5 <= column <= image.shape[1] - 0.5):
                raise InputError(
                    f"scale: mark at row {row:g}, column {column:g} is not in the picture of {image.shape[0]} rows and "
                    f"{image.shape[1]} columns; look for exchanged numbers"
                )
        found = scale.from_marks(marks[:, :2], marks[:, 2:])
        if rig.specimen.width_mm / found.mm_per_px < LEAST_WIDTH_PX:  # False without a width
            raise InputError(
                f"scale: the marks make {found.mm_per_px:.3g} mm per pixel, so that width_mm = {rig.specimen.width_mm:g} spans "
                f"{rig.specimen.width_mm / found.mm_per_px:.1f} px, may be {LEAST_WIDTH_PX} px or more; look for exchanged "
                f"numbers: --mark ROW COL X_MM Y_MM"
            )
    else:
        width = rig.specimen.width_mm
        if not np.isfinite(width):
            raise InputError(f"{rig.path} [specimen] width_mm: is missing, needed to go by the edges; or give --mark")
        found = scale.from_edges(image, width, rig.specimen.notch_mm, rig.view.growth_angle_deg)
    finish(args, recordings, found.text(), None, lambda path: pictures.scale(path, found, image))


KINDS: dict[str, Callable[[argparse.Namespace, list[Recorded]], None]] = {
    "sweep": run_sweep,
    "step": run_step,
    "pixels": run_pixels,
    "gain": run_gain,
    "scale": run_scale,
}


def existing(path: Path, recordings: list[Recorded]) -> CameraProfile | None:
    """The profile so far, or None. InputError where cameras differ."""
    sizes = {(r.rig.camera.rows, r.rig.camera.columns) for r in recordings}
    profile = load_profile(path) if path.exists() else None
    if profile is not None and profile.rows and profile.columns:
        sizes.add((profile.rows, profile.columns))
    if len(sizes) > 1:
        listed = " and ".join(f"{r} x {c}" for r, c in sorted(sizes))
        raise InputError(
            f"{path}: rows x columns of profile and recordings are {listed}, may be one size; one profile a camera"
        )
    return profile


def usable_pixels(rec: Recorded, profile: CameraProfile | None, region: list[int] | None) -> np.ndarray:
    """(rows, columns) bool: within the region, and not bad."""
    shape = (rec.rig.camera.rows, rec.rig.camera.columns)
    usable = np.ones(shape, bool)
    if region is not None:
        row, column, rows, columns = region
        inside = 0 <= row < shape[0] and 0 <= column < shape[1] and rows > 0 and columns > 0
        if not inside or row + rows > shape[0] or column + columns > shape[1]:
            raise InputError(
                f"--region: is {' '.join(map(str, region))}, may be first row, first column, rows and columns within "
                f"{shape[0]} x {shape[1]}"
            )
        usable[:] = False
        usable[row : row + rows, column : column + columns] = True
    bad = bad_pixel_mask(profile) if profile is not None else None
    return usable & ~bad if bad is not None else usable


def finish(
    args: argparse.Namespace,
    recordings: list[Recorded],
    text: list[str],
    new: CameraProfile | None,
    draw: Callable[[Path], None],
) -> None:
    """Write the profile where it changes (`new`), print, draw. Written first: the reader of what is printed may leave."""
    assumed = False
    if new is not None:
        new, assumed = _signed(args, recordings, new)
        save_profile(args.profile, new)
    print("\n".join(text))
    picture = args.picture or args.profile.with_name(f"{args.profile.stem}-{args.kind}.png")
    try:
        draw(picture)
        print(f"\npicture: {picture}")
    except ModuleNotFoundError:
        if args.picture is not None:
            raise
        print("\nno picture: matplotlib is not installed (pip install 'bolotip[report]')")
    except OSError as e:
        if isinstance(e, BrokenPipeError):
            raise
        raise InputError(f"{picture}: cannot be written ({e.strerror}); check folder, room and rights") from None
    if new is None:
        print("copy the lines above into the rig file; the camera profile stays as it is")
        return
    if assumed:
        print("the lag is not measured yet: tau 10 +- 3 ms is assumed (makers' notes); calibrate a sweep or a step")
    print(f"profile: {args.profile}")


def _signed(args: argparse.Namespace, recordings: list[Recorded], new: CameraProfile) -> tuple[CameraProfile, bool]:
    """With whose and what of it is; whether its lag is assumed. made_on dates the lag, not later small additions."""
    rig = recordings[0].rig
    lag = args.kind in ("sweep", "step")
    before = [m for m in new.made_from if not m.startswith(args.kind + " ") and not (lag and m == ASSUMED_NOTE)]
    assumed = new.tau_sd_s == ASSUMED.tau_sd_s and not lag and not new.made_from
    if assumed:
        before = [ASSUMED_NOTE]
    made = [f"{args.kind} {rec.name}" for rec in recordings]
    today = datetime.date.today()
    new = dataclasses.replace(
        new,
        rows=rig.camera.rows,
        columns=rig.camera.columns,
        lens=rig.camera.lens or new.lens,
        made_on=today if lag or new.made_on is None else new.made_on,
        made_from=(*before, *made),
    )
    return new, assumed
