"""One fix: from the lock-in's harmonics and the state of the load to a record and its maps.

correction -> motion -> specimen and bad pixels -> stress-sum map -> tip -> closure -> row. Keeps the last tip as hint for
the next, and the slip of the specimen since the start.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calibration.profile import CameraProfile, bad_pixel_mask, covers, response
from edge import adiabatic, aliases, contact, motion, region, second_look, shared_noise, tip, wake_1f
from edge.conduction import Flow
from edge.correct import Corrected, correct, delayed, far_field_delay, phase_ramp, scale_sd
from edge.first_tip import TURN_SD_DEG, search, turned
from edge.growing_tip import sharpened, smear
from edge.handbook import ZERO_C_K
from edge.load_knots import LoadState
from edge.lockin import Harmonics
from edge.path import CrackPath
from edge.record import Row
from edge.rig import Rig
from edge.second_look import Look, Still
from edge.shared_noise import Shared
from edge.tip_flags import tip_flags

SLIDING, SURE = 2.0, 5.0  # deviations
PLACED_PX = 0.007  # of the tip, without any noise: pixels are points here, and series end somewhere (simulated)
# of the far field off 180 degrees, K is then 1.5 % too small, and between the halves of the image: heat that flows far turns less
OTHER_PHASE_RAD, OTHER_RAMP_RAD = np.deg2rad(10.0), np.deg2rad(15.0)  # (common practice, no source)
NOISY = 1.5  # times the profile's netd_K (common practice, no source)
COLLISION = 1.5  # variance of a harmonic over that of a well-posed fit beyond which it is withheld


@dataclass
class Fix:
    """What the maps give: a row with its columns (as far as determined; the others, and its number, are the loop's), flags,
    and the arrays for maps-<seq>.npz."""

    row: Row = field(default_factory=lambda: Row(seq=0))
    flags: list[str] = field(default_factory=list)
    maps: dict[str, Any] = field(default_factory=dict)


class Fixer:
    """Turns harmonics into fixes for one rig and camera profile."""

    def __init__(self, rig: Rig, profile: CameraProfile | None, shape: tuple[int, int]):
        self.first_rig = self.rig = rig
        self.shape = shape
        self.calibrated = profile is not None
        self.profile = profile or CameraProfile(tau_s=0.0)
        self.load_from_frames = rig.load.source == "frames"
        if self.load_from_frames:  # the phase then already has the camera's delay in it
            self.profile = replace(self.profile, frame_delay_s=None)
        counts_per_K = self.profile.counts_per_K or rig.camera.counts_per_K
        assert counts_per_K is not None  # the rig file's door has seen to it
        self.counts_per_K = counts_per_K
        self.specimen = region.specimen(rig, shape)
        self.known_bad = bad_pixel_mask(self.profile) if profile is not None else None
        self.last: tip.TipFit | None = None
        self.slip = motion.Slip()
        self.path = CrackPath(rig.specimen.notch_mm, rig.view.growth_angle_deg)
        self.spoiled: set[int] = set()
        self.flow: Flow | None = None

    def recall(self, rows: Sequence[Row]) -> None:
        """The way the crack took in the rows of an earlier run, and the slip."""
        datum, mm = self.first_rig.view.datum_px, self.first_rig.view.mm_per_px
        for r in rows:
            if r.tip_row_px is None or r.tip_col_px is None:
                continue
            place = complex(r.tip_col_px - datum[1], datum[0] - r.tip_row_px) * mm
            self.path.extend(place, (r.tip_sd_px or 0.0) * mm)
            self.path.detour_mm(place)
            if r is rows[-1] and r.crack_mm is not None:
                self.slip.recall(r, (self.path.length_mm(place) - r.crack_mm) / mm, self.path.angle_deg())

    def standing_flags(self) -> list[str]:
        """What is said in every row of this camera."""
        flags = []
        if not self.calibrated:
            flags.append("uncalibrated")
        else:
            if "readout_s" in self.profile.missing:
                flags.append("readout_assumed")
            if any("_sd" in name for name in self.profile.missing):
                flags.append("sd_assumed")
        if self.load_from_frames:
            flags.append("load_from_frames")
        if self.rig.camera.zero_K is None:
            flags.append("no_temperature")
        return flags

    def fix(
        self,
        harmonics: Harmonics,
        load: LoadState,
        frame_rate_hz: float,
        shared_counts: float = 0.0,
        rate: tuple[float, float] | None = None,
    ) -> Fix:
        """The fix for the present estimate. shared_counts: noise that all pixels of a frame have in common; rate: of growth, mm
        a cycle, as far as known, and its deviation."""
        fix = Fix(flags=self.standing_flags())
        if self.load_from_frames:  # what the frames' mean says of the load's h2 has gone through the detector
            at_f, at_2f = (complex(response(self.profile, k * load.frequency_hz)) for k in (1, 2))
            load = replace(load, h2=load.h2 * at_f**2 / (abs(at_f) * at_2f))
        self.spoiled = self._collisions(harmonics, load.frequency_hz, frame_rate_hz, fix)
        bad = self._bad(harmonics, fix)
        self._follow_slip(harmonics, bad, fix)
        usable = self.specimen & ~bad
        corrected = self._correct(harmonics, load.frequency_hz, usable, fix)
        noise_K = float(np.median(harmonics.noise[usable])) / self.counts_per_K if usable.any() else float("nan")
        if noise_K > NOISY * (self.profile.netd_K or np.inf) and "noisy" not in fix.flags:
            fix.flags.append("noisy")
        sd_K = noise_K * harmonics.amplitude_sd / corrected.gain
        fix.row.noise_K = float(sd_K[0]) if 1 not in self.spoiled else None
        second = len(corrected.maps) > 1 and 2 not in self.spoiled
        frame_share = shared_counts / (noise_K * self.counts_per_K) if noise_K > 0 else 0.0
        # at 1f the field itself bends from patch to patch
        shared = shared_noise.measure(corrected.maps[1], usable, float(sd_K[1]), frame_share) if second else Shared()
        sd_K = shared.patches * sd_K
        corrected, usable = self._still(harmonics, corrected, usable, bad, sd_K, fix)
        if load.clipped:
            fix.flags.append("clipped")
        found, usable = self._tip(harmonics, corrected, load, usable, float(sd_K[0]), shared, fix)
        if self.flow is not None and self.flow.phase_rad:
            more_s = -self.flow.phase_rad / (2 * np.pi * load.frequency_hz)
            corrected = delayed(corrected, load.frequency_hz, more_s)
        still: Still | None = None
        if found is not None and second:
            per_K = fix.maps["stress_per_K"]
            still = second_look.hold_still(self.rig, corrected.maps, per_K, sd_K, usable, found, load, shared, self.flow)
            found, corrected, usable = still.found, replace(corrected, maps=still.maps), still.usable
            if still.swings.clear:
                fix.row.motion_px = still.swings.size_px
                fix.flags += ["motion"] * ("motion" not in fix.flags)
        first_K = corrected.maps[0]
        if found is not None and rate is not None:
            smeared = smear(rate, harmonics.age_sd / frame_rate_hz * load.frequency_hz)
            around = float(sd_K[0]), fix.maps["stress_per_K"], usable, found, load.frequency_hz, self.flow
            fix.flags += ["fast_growth"] * smeared.too_much(found)
            found, first_K = sharpened(self.rig, first_K, *around, smeared)
        seen: Look | None = None
        if still is not None and found is not None:
            third = len(still.maps) > 2 and 3 not in self.spoiled
            seen = second_look.look(self.rig, still, sd_K, load, third)
            two, per_K = (np.stack([first_K, seen.h2]), sd_K), fix.maps["stress_per_K"]
            found = wake_1f.without_contact(self.rig, *two, per_K, usable, found, load.frequency_hz, self.flow, seen.closure)
        if found is not None:
            self._tip_values(self._widened(found, corrected, usable, sd_K, shared, fix), corrected, load.ratio, fix)
            fix.flags += tip_flags(self.rig, found, load, bad, usable, self.specimen, self.flow)
        if seen is not None:
            self._closure(seen, fix)
        self.last = found
        self._keep_maps(harmonics, corrected, usable, found, fix)
        return fix

    def _collisions(self, harmonics: Harmonics, frequency_hz: float, frame_rate_hz: float, fix: Fix) -> set[int]:
        """Harmonics that can't be told from something else: by the arithmetic of aliases, and by the regression itself."""
        window_s = min(self.rig.lockin.memory_s, harmonics.periods / frame_rate_hz)
        met = aliases.collisions(frequency_hz, frame_rate_hz, window_s, self.rig.lockin.mains_hz)
        fix.flags += met.flags
        blurred = {k for k, i in enumerate(harmonics.inflation, 1) if i > COLLISION}
        fix.flags += [f"collision_{k}f" for k in sorted(blurred - met.spoiled)]
        return blurred | met.spoiled

    def _bad(self, harmonics: Harmonics, fix: Fix) -> np.ndarray:
        bad = region.bad_pixels(harmonics.mean, harmonics.noise)
        wanders = region.wandering(harmonics.maps[-1], harmonics.noise, bad)
        fix.flags += ["noisy"] * bool(wanders.any())
        bad &= ~wanders
        if self.known_bad is not None and self.known_bad.shape == bad.shape:
            bad |= self.known_bad
        saturated = region.at_an_end(harmonics.mean)
        if not self.spoiled and np.count_nonzero(saturated & ~bad) > 0.001 * bad.size:  # the mean may have folded, too
            fix.flags.append("saturated")
        return bad | saturated

    def _follow_slip(self, harmonics: Harmonics, bad: np.ndarray, fix: Fix) -> None:
        """The datum goes with the specimen: crack sizes are counted from where it is now."""
        self.slip.follow(harmonics.mean / self.counts_per_K, bad)
        right, down = self.slip.shift_px
        fix.row.slip_px = float(np.hypot(right, down)) if self.slip.seen else None
        datum = self.first_rig.view.datum_px
        view = replace(self.first_rig.view, datum_px=(datum[0] + down, datum[1] + right))
        self.rig = replace(self.first_rig, view=view)
        self.specimen = region.specimen(self.rig, self.shape)

    def _correct(self, harmonics: Harmonics, frequency_hz: float, usable: np.ndarray, fix: Fix) -> Corrected:
        orders = range(1, len(harmonics.maps) + 1)
        if self.calibrated and not all(covers(self.profile, k * frequency_hz) for k in orders):
            fix.flags.append("uncalibrated")
        corrected = correct(harmonics.maps, frequency_hz, self.profile, self.counts_per_K)
        noise = float(np.median(harmonics.noise)) * harmonics.amplitude_sd[0] / self.counts_per_K / corrected.gain[0]
        delay = far_field_delay(corrected.maps[0], noise, frequency_hz, usable)
        if delay is not None and self.profile.frame_delay_s is None:
            fix.flags.append("delay_far_field")
            corrected = correct(harmonics.maps, frequency_hz, self.profile, self.counts_per_K, delay[0])
        elif delay is not None and 1 not in self.spoiled:
            off_rad, sd_rad = (2 * np.pi * frequency_hz * seconds for seconds in delay)
            if abs(off_rad) > max(OTHER_PHASE_RAD, SURE * float(np.hypot(sd_rad, corrected.phase_sd_rad[0]))):
                fix.flags.append("delay_disagrees")
        ramp = phase_ramp(corrected.maps[0], noise, usable) if 1 not in self.spoiled else None
        if self.calibrated and ramp is not None:
            of_profile = np.pi * frequency_hz * self.profile.readout_sd_s
            if abs(ramp[0]) > max(OTHER_RAMP_RAD, SURE * float(np.hypot(ramp[1], of_profile))):
                fix.flags.append("readout_disagrees")
        return corrected

    def _still(
        self,
        harmonics: Harmonics,
        corrected: Corrected,
        usable: np.ndarray,
        bad: np.ndarray,
        sd_K: np.ndarray,
        fix: Fix,
    ) -> tuple[Corrected, np.ndarray]:
        """Maps as of a specimen that does not move with the load, and the pixels that can be trusted after that."""
        mean_K = harmonics.mean / self.counts_per_K
        moves = motion.measure(mean_K, corrected.maps, bad, sd_K)
        if moves is None:
            return corrected, usable
        fix.row.motion_px = moves.size_px
        fix.flags.append("motion")
        per_K, level = self._stress_per_K(harmonics.mean, usable)
        still = region.silent(-2 * corrected.maps[0].real * per_K, 2 * float(sd_K[0]) * level, usable)  # no specimen: its edge is a step
        maps = motion.compensate(corrected.maps, mean_K, moves, usable & ~still)
        return replace(corrected, maps=maps), usable & ~moves.unsure & ~still

    def _absolute_K(self, mean_counts: np.ndarray) -> np.ndarray | float:
        camera, s = self.rig.camera, self.rig.specimen
        if camera.zero_K is not None:
            return np.maximum(mean_counts / self.counts_per_K + camera.zero_K, 1.0)
        return (s.temperature_C or 0.0) + ZERO_C_K

    def _stress_per_K(self, mean_counts: np.ndarray, usable: np.ndarray) -> tuple[np.ndarray | float, float]:
        """Stress sum over temperature, MPa/K, of every pixel and its median."""
        per_K = 1 / (self.rig.specimen.thermoelastic_constant_per_MPa * self._absolute_K(mean_counts))
        return per_K, float(np.median(np.broadcast_to(per_K, self.shape)[usable])) if usable.any() else 1.0

    def _tip(
        self, harmonics: Harmonics, corrected: Corrected, load: LoadState, usable: np.ndarray, sd_K: float, shared: Shared, fix: Fix
    ) -> tuple[tip.TipFit | None, np.ndarray]:
        """The tip, and `usable` without what does not answer to the load."""
        if 1 in self.spoiled:
            return None, usable
        per_K, level = self._stress_per_K(harmonics.mean, usable)
        stress = -2 * corrected.maps[0] * per_K
        fix.maps["stress_per_K"] = level
        sd = 2 * sd_K * level
        if not sd > 0:  # nothing usable in view, or nothing in it ever changes
            fix.flags.append("no_tip")
            return None, usable
        usable = usable & ~region.silent(stress.real, sd, usable)
        turn = np.exp(-1j * self.flow.phase_rad) if self.flow is not None else 1.0
        found = self._search(stress * turn, sd, usable, load.frequency_hz)
        with_heat = self.flow is not None and self.flow.share > 0
        if found is not None:
            wide = shared_noise.widened(found, stress.real, sd, usable, shared, self.rig.view.mm_per_px, self.flow)
            found = found if tip.acceptable(wide, usable, self.rig.view.mm_per_px) else None
        if found is not None:
            found, self.flow = adiabatic.refine(self.rig, stress, sd, usable, found, load.frequency_hz, self.flow)
            if self.flow is not None and self.flow.share:
                fix.flags.append("conduction")
                if not self.path.seen and not with_heat:  # heat bends the field as another direction does
                    found, self.flow = self._turned_anew(stress, sd, usable, found, load.frequency_hz, self.flow)
        if found is None:
            fix.flags.append("no_tip")
        return found, usable

    def _search(self, stress: np.ndarray, sd: float, usable: np.ndarray, frequency_hz: float) -> tip.TipFit | None:
        """From the last tip, or anywhere; in the direction of the path, or while that is not known in the best one."""
        real, angle, last = stress.real, self.path.angle_deg(), self.last
        at = self.rig, real, sd, usable
        found = last and tip.refine(*at, (last.row_px, last.col_px), angle, frequency_hz, last.K_I, self.flow)
        if found is None or not tip.acceptable(found, usable, self.rig.view.mm_per_px):
            self.flow = None
            found, most = search(*at, angle, frequency_hz)
            if found is None and most is not None:
                hot = adiabatic.hidden(self.rig, stress, sd, usable, most, frequency_hz)
                found, self.flow = hot if hot is not None else (None, None)
        if found is not None and not self.path.seen:
            found = turned(*at, found, frequency_hz, self.flow)
        return found

    def _turned_anew(
        self, stress: np.ndarray, sd: float, usable: np.ndarray, found: tip.TipFit, frequency_hz: float, flow: Flow
    ) -> tuple[tip.TipFit, Flow | None]:
        """`found` in the direction that fits best with the flow of heat."""
        best = turned(self.rig, (stress * np.exp(-1j * flow.phase_rad)).real, sd, usable, found, frequency_hz, flow)
        return (found, flow) if best is found else adiabatic.refine(self.rig, stress, sd, usable, best, frequency_hz, flow)

    def _widened(
        self, found: tip.TipFit, corrected: Corrected, usable: np.ndarray, sd_K: np.ndarray, shared: Shared, fix: Fix
    ) -> tip.TipFit:
        """With what noise that pixels share adds to the deviations."""
        stress, sd = -2 * corrected.maps[0].real * fix.maps["stress_per_K"], 2 * float(sd_K[0]) * fix.maps["stress_per_K"]
        return shared_noise.widened(found, stress, sd, usable, shared, self.rig.view.mm_per_px, self.flow)

    def _tip_values(self, found: tip.TipFit, corrected: Corrected, load_ratio: float, fix: Fix) -> None:
        s, mm = self.rig.specimen, self.rig.view.mm_per_px
        sd = found.sd
        sd[:2] = np.hypot(sd[:2], PLACED_PX * mm)
        if not self.path.seen and abs(found.K_II) > SLIDING * sd[3]:
            # K_I + i K_II turns by half the angle that the direction is off: all of a small K_II may be that
            half_turn = min(np.deg2rad(TURN_SD_DEG) / 2, abs(found.K_II) / found.K_I)
            sd[2:4] = np.hypot(sd[2:4], half_turn * np.abs([found.K_II, found.K_I]))
        # these errors are common to the whole map: they enlarge K and T, not the place of the tip
        K_sd, stress_sd = scale_sd(self.rig, float(corrected.gain_sd[0]))
        datum = self.rig.view.datum_px
        place = complex(found.col_px - datum[1], datum[0] - found.row_px) * mm
        self.path.extend(place, float(sd[0]))
        crack_mm = self.path.length_mm(place)
        slip_mm = float(np.hypot(*self.slip.sd_px)) * mm
        crack_sd = float(np.linalg.norm([sd[0], crack_mm * self.rig.view.mm_per_px_sd / mm, slip_mm, self.path.detour_mm(place)]))
        irwin = contact.irwin_tip(crack_mm, found.K_I, float(sd[2]), load_ratio, s.yield_strength_MPa)
        row = fix.row
        row.tip_row_px, row.tip_col_px = found.row_px, found.col_px
        row.tip_sd_px = float(np.sqrt((sd[0] ** 2 + sd[1] ** 2) / 2)) / mm
        row.crack_mm, row.crack_sd_mm = crack_mm, crack_sd
        row.dKI_MPa_sqrt_m, row.dKI_sd = found.K_I, float(np.hypot(sd[2], K_sd * found.K_I))
        row.dKII_MPa_sqrt_m, row.dKII_sd = found.K_II, float(np.hypot(sd[3], K_sd * found.K_II))
        row.T_MPa, row.T_sd = found.T_MPa, float(np.hypot(sd[4], stress_sd * found.T_MPa))
        row.r2 = found.r2
        if irwin is not None:
            row.irwin_mm, fix.maps["irwin_sd_mm"] = irwin

    def _closure(self, seen: Look, fix: Fix) -> None:
        fix.flags += seen.flags
        view = self.rig.view
        seen.closure.fill(fix.row, view.mm_per_px_sd / view.mm_per_px)
        fix.maps["h2"] = seen.h2.astype(np.complex64)
        fix.maps |= seen.closure.deviations()
        fix.maps |= contact.for_maps(seen.path, seen.closure.contact_length_mm, seen.closure.contact_sd_mm)

    def _keep_maps(
        self, harmonics: Harmonics, corrected: Corrected, usable: np.ndarray, found: tip.TipFit | None, fix: Fix
    ) -> None:
        maps = corrected.maps.astype(np.complex64)
        fix.maps |= {
            "h1": maps[0],
            "h2": fix.maps.get("h2", maps[1] if len(maps) > 1 else np.full(self.shape, np.nan, np.complex64)),
            "mean": (harmonics.mean / self.counts_per_K + (self.rig.camera.zero_K or 0.0)).astype(np.float32),
            "noise": (harmonics.noise / self.counts_per_K).astype(np.float32),
            "mask": usable,
            "mm_per_px": self.rig.view.mm_per_px,
            "frame_delay_s": corrected.frame_delay_s,
        }
        if len(maps) > 2:
            fix.maps["h3"] = maps[2]
        if found is not None:
            fix.maps |= found.arrays()
