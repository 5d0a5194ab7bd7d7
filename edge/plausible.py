"""Values that are allowed and yet hardly meant: wrong units, swapped numbers, two clocks. One line each, with the remedy.

`of_rig` looks at the rig file, `check_recording` at the first samples and the first image of a recording (and refuses
what cannot work), `Doubts` at the rows while they come. All limits are wide: common practice, no source.
"""

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from calibration.door import InputError
from edge import cut_short
from edge.aliases import collisions
from edge.cycles import HYSTERESIS
from edge.handbook import ZERO_C_K, specimen_K_MPa_sqrt_m, tensile_dK_MPa_sqrt_m
from edge.phase import FARTHEST
from edge.record import Row
from edge.rig import Rig
from edge.sources.csv_columns import CsvColumns
from edge.sources.recording import NpyStack, Part, TiffStack, open_stack

HOTTEST_C = 200.0  # a specimen or plate above it is rather one given in kelvin
COLDEST_K, WARMEST_K = 200.0, 500.0
OFF_ZERO_K = 3.0  # 1 % of the surface's absolute temperature, and of every stress
LEAST_NOTCH_MM = 0.05
COARSEST_MM = 1.0
TIPLESS_ROWS = 3  # settled and under load, after which it is said
K_RATIO = 1.6  # dK measured over handbook, either way
PLANE_DEG = 20.0  # ASTM E647 (from memory) calls a crack invalid that is so far out of its plane
FARTHEST_START_S = 3600.0  # between the first frame and the first load sample
SLOWEST = 3.0  # times the frame period between frame times, either way
LONGEST_STEP = 0.5 - math.asin(HYSTERESIS) / math.pi  # cycles; a crest or trough shorter than it shows in no sample
BACKWARDS = 0.2  # of the load samples: more are no samples that came late,
UNSTEADY = 0.2  # but the work of a clock that is unsteady by so much of a cycle, or rows in disorder
CLEAR_LINE = 0.5  # of the load's power, to speak of a frequency
OFF_NOMINAL = 0.2
FIRST = 80_000  # characters of a table, looked at before the start
FAR_RANGE = 20.0  # times the nominal range, either way
SETTLED_S = 5.0  # of a run: until then a live load may not have been found yet


def of_rig(rig: Rig, aliases: bool = True) -> list[str]:
    """What is doubtful about a rig file; `aliases`: at the frequency and frame rate that it names, too."""
    s, found = rig.specimen, []
    if s.temperature_C is not None and s.temperature_C > HOTTEST_C:
        in_C = s.temperature_C - ZERO_C_K
        found.append(f"[specimen] temperature_C: is {s.temperature_C:g}; if that is kelvin, write {in_C:.4g}")
    if 0 < s.notch_mm < LEAST_NOTCH_MM:
        found.append(f"[specimen] notch_mm: is {s.notch_mm:g}; if that is metres, write {1e3 * s.notch_mm:g}")
    mm = rig.view.mm_per_px
    if mm > COARSEST_MM:
        found.append(f"[view] mm_per_px: is {mm:g}; if that is pixels for one mm, write {1 / mm:.4g}")
    angle = rig.view.growth_angle_deg
    quarter = math.radians(90)
    if angle and abs(angle / quarter - round(angle / quarter)) < 1e-3 and abs(angle) < 7:
        meant = round(math.degrees(angle))
        found.append(f"[view] growth_angle_deg: is {angle:g}; if that is radians, write {meant}: angles are in degrees")
    if rig.lockin.harmonics == 1:
        found.append("[lockin] harmonics: is 1: the columns of contact and of the zone ahead stay empty; they need 2")
    if rig.load.nominal_range_kN is not None:
        found += gross(rig, rig.load.nominal_range_kN, "[load] nominal_range_kN")
    hz, rate = rig.load.frequency_hz, rig.camera.frame_rate_hz
    met = collisions(hz, rate, rig.lockin.memory_s, rig.lockin.mains_hz)
    if met.reasons and aliases:
        also = f" (and {len(met.reasons) - 1} more)" if len(met.reasons) > 1 else ""
        found.append(
            f"[load] frequency_hz: is {hz:g} at {rate:g} frames/s: {met.reasons[0]}{also}; take one that bolotip plan proposes"
        )
    return [f"{rig.path} {text}" for text in found]


def gross(rig: Rig, range_kN: float, key: str) -> Iterator[str]:
    """Whether a load range is beyond what the gross section can carry."""
    s = rig.specimen
    stress_MPa = 1e3 * range_kN / (s.width_mm * s.thickness_mm)
    if stress_MPa > s.yield_strength_MPa:  # False for a plate without size
        yield (
            f"{key}: {range_kN:.4g} kN over {s.width_mm:g} x {s.thickness_mm:g} mm is {stress_MPa:.3g} MPa, above the "
            f"yield strength of {s.yield_strength_MPa:g} MPa; if the load is in N, scale_kN_per_unit is 0.001"
        )


def load_range(rig: Rig, range_kN: float, key: str) -> list[str]:
    """Whether a measured range is beyond the gross section, or can hardly be what nominal_range_kN foresees, even at a low start."""
    nominal_kN = rig.load.nominal_range_kN
    found = list(gross(rig, range_kN, key))
    if not found and nominal_kN is not None and not 1 / FAR_RANGE < range_kN / nominal_kN < FAR_RANGE:
        found.append(f"{key}: {range_kN:.4g} kN is {range_kN / nominal_kN:.2g} times [load] nominal_range_kN; check scale_kN_per_unit")
    return found


def check_recording(rig: Rig) -> list[str]:
    """Doubts about a recording's first image, frame times and load samples. InputError: what can't give a phase."""
    found: list[str] = []
    c, p = rig.camera, rig.load
    first_s, end_s = 0.0, -math.inf
    if c.source == "recording" and c.path is not None:
        stack = open_stack(c.path, c.rows, c.columns, c.crop_px)
        if not stack.count:
            raise InputError(f"{c.path}: holds no frames; record again")
        found += _first_image(rig, stack)
        stack.close()
        end_s = (stack.count - 1) / c.frame_rate_hz
        if c.times is not None:
            first_s = _frame_times(rig, c.times)
            end_s = cut_short.frame_times(c.times, stack.count, c.path.name, c.frame_rate_hz)
    if p.source == "recording" and p.path is not None:
        found += _load_samples(rig, p.path, first_s)
        found += cut_short.load(rig, p.path, end_s)
    return found


def _first_image(rig: Rig, stack: NpyStack | TiffStack | Part) -> Iterator[str]:
    from calibration.profile import load_profile

    c = rig.camera
    per_K = (load_profile(c.profile).counts_per_K if c.profile else None) or c.counts_per_K
    if c.zero_K is None or not per_K:
        return
    level = float(np.median(stack.frame(0)))
    surface_K, off_K = level / per_K + c.zero_K, level / per_K - level / (c.counts_per_K or per_K)
    if not COLDEST_K < surface_K < WARMEST_K:
        yield (
            f"{rig.path} [camera] zero_K, counts_per_K: {c.zero_K:g} K and {per_K:g} counts/K make the first image "
            f"{surface_K:.4g} K; zero_K is the temperature of count 0 in kelvin (0 where counts are kelvin, 273.15 "
            f"where they are degrees Celsius), counts_per_K is counts for one kelvin, not kelvin for one count"
        )
    elif abs(off_K) > OFF_ZERO_K:
        yield (
            f"{rig.path} [camera] zero_K, counts_per_K: are {c.zero_K:g} K and {c.counts_per_K:g} counts/K, the profile's {per_K:g} "
            f"counts/K moves the surface by {off_K:+.1f} K; give both files one counts_per_K and the zero_K that belongs to it, or leave "
            f"zero_K out and give [specimen] temperature_C"
        )


def _frame_times(rig: Rig, path: Path) -> float:
    """The first frame's time, s."""
    times = next(CsvColumns(path, ("time_s",), FIRST).chunks(), np.empty((0, 1)))[:, 0]
    if not times.size:
        raise InputError(f"{path}: holds no times; one row a frame is needed, or leave [camera] times out")
    period_s = float(np.median(np.diff(times))) if times.size > 1 else 0.0
    nominal_s = 1 / rig.camera.frame_rate_hz
    if times.size > 1 and not 1 / SLOWEST < period_s / nominal_s < SLOWEST:
        raise InputError(
            f"{path}: times are {period_s:.4g} apart, [camera] frame_rate_hz = {rig.camera.frame_rate_hz:g} makes "
            f"{nominal_s:.4g} s; give times in seconds (not milliseconds), and the camera's true rate"
        )
    return float(times[0])


def _load_samples(rig: Rig, path: Path, first_frame_s: float) -> Iterator[str]:
    chunk = next(CsvColumns(path, ("time_s", "load_kN"), FIRST).chunks(), np.empty((0, 2)))
    if len(chunk) < 2:
        raise InputError(f"{path}: holds {len(chunk)} load samples; 20 or more a cycle are needed, over all frames")
    t, load = chunk.T
    if abs(t[0] - first_frame_s) > FARTHEST_START_S:
        raise InputError(
            f"{path}: row 2: load begins at {t[0]:.10g} s, the frames at {first_frame_s:.10g} s; both belong on one "
            f"clock, in seconds"
        )
    backwards, back_s = np.mean(np.diff(t) < 0), float(np.percentile(np.maximum.accumulate(t) - t, 99))
    if backwards > BACKWARDS and back_s * rig.load.frequency_hz > UNSTEADY:
        row = 3 + int(np.argmax(np.diff(t) < 0))
        raise InputError(f"{path}: row {row}: time goes back; sort the rows, and see that the columns are time_s,load_kN in this order")
    if backwards > BACKWARDS:
        yield f"{path}: an unsteady clock: times go back by up to {back_s:.2g} s in every fifth row or more; they are put in order"
    step_s, nominal_hz = float(np.median(np.diff(np.sort(t)))), rig.load.frequency_hz
    where = f"{rig.path} [load] frequency_hz: is {nominal_hz:g}"
    if step_s <= 0 or step_s * nominal_hz > 0.5:
        raise InputError(
            f"{where}, but samples in {path} are {step_s:.4g} s apart; 20 or more a cycle are needed: give hertz "
            f"(not cycles a minute), and times in seconds (not milliseconds)"
        )
    if step_s * nominal_hz > LONGEST_STEP:
        yield (
            f"{where}, but samples in {path} are {step_s:.4g} s apart: {1 / (step_s * nominal_hz):.2g} a cycle, too few to count "
            f"the cycles by; 20 or more are needed"
        )
    hz = _clear_frequency(t, load)
    if hz is None or abs(hz / nominal_hz - 1) < OFF_NOMINAL:
        return
    text = f"{where}, but the load in {path} swings at {hz:.4g} Hz; give that, in hertz (not a period, not cycles a minute)"
    if not 1 / FARTHEST < hz / nominal_hz < FARTHEST:
        raise InputError(text)
    yield text


def _clear_frequency(t: np.ndarray, load: np.ndarray) -> float | None:
    """Frequency of the line that holds most of the load's power, or None: a ramp, a hold, too few cycles."""
    n = t.size
    even = np.interp(np.linspace(t[0], t[-1], n), t, load)
    even -= np.polyval(np.polyfit(np.arange(n), even, 1), np.arange(n))
    power = np.abs(np.fft.rfft(even * np.hanning(n))) ** 2
    peak = int(np.argmax(power))
    if peak < 3 or power[peak - 2 : peak + 3].sum() < CLEAR_LINE * power.sum():
        return None
    near = np.arange(peak - 1, min(peak + 2, power.size))
    return float(near @ power[near] / power[near].sum() / (t[-1] - t[0]) * (n - 1) / n)


NO_TIP = (
    "no crack tip was found {}; check [view] mm_per_px, datum_px and growth_angle_deg, focus, paint and the load, and "
    "whether bolotip plan expects one to be seen"
)
OTHER_PROFILE = "; the profile's frame_delay_s disagrees with the image (delay_disagrees): another camera's profile?"


class Doubts:
    """Doubts about rows: `see` gives those that are new, so that each is said once a run."""

    def __init__(self, rig: Rig):
        self.rig, self.said, self.rows = rig, set[str](), 0
        where = {"recording": rig.load.path, "serial": rig.load.port}.get(rig.load.source, "the frames")
        self.no_load = (
            f"no cyclic load near [load] frequency_hz = {rig.load.frequency_hz:g} Hz was found in {where}; check the signal, "
            f"its times in seconds on the frames' clock, and that the machine runs"
        )
        # the wire or, with the load from frames, the camera is known to be dead: what is said of the load is said once only
        self.deaf = {"waiting_load", "waiting_frames"} if rig.load.source == "frames" else {"waiting_load"}
        self.without_load = self.without_tip = self.searched = self.tips = self.weak = 0
        self.other_delay = False

    def see(self, row: Row) -> list[str]:
        """Sentences, most often none."""
        self.rows += 1
        found = dict(self._image(row)) | dict(self._load(row)) | dict(self._tip(row))
        new = [f"row {row.seq}: {text}" for key, text in found.items() if key not in self.said]
        self.said |= found.keys()
        return new

    def at_end(self) -> list[str]:
        """What is to be said of the whole run."""
        if self.rows and self.without_load == self.rows and "no load" not in self.said:
            return [self.no_load]
        return [self._no_tip()] if self.searched and not self.tips and "no tip" not in self.said else []

    def _no_tip(self) -> str:
        return NO_TIP.format("any more" if self.tips else "so far") + (OTHER_PROFILE if self.other_delay else "")

    def _image(self, row: Row) -> Iterator[tuple[str, str]]:
        if "frozen" in row.flags and row.frames is None:
            yield "frozen", "the camera gives the same image again and again; look for a freeze setting, power and cable"
        self.tips += row.crack_mm is not None
        self.other_delay |= "delay_disagrees" in row.flags
        tipless = row.frames is not None and row.crack_mm is None and "collision_1f" not in row.flags
        self.searched += tipless
        self.without_tip = self.without_tip + 1 if tipless and "settling" not in row.flags else 0
        if self.without_tip == TIPLESS_ROWS:
            yield "no tip", self._no_tip()

    def _load(self, row: Row) -> Iterator[tuple[str, str]]:
        absent = row.load_frequency_hz is None and self.deaf.isdisjoint(row.flags)
        self.without_load = self.without_load + 1 if absent else 0
        if self.without_load >= 2 and (row.elapsed_s or 0.0) > SETTLED_S:
            yield "no load", self.no_load
        if row.load_ratio is not None and row.load_ratio > 1:
            yield (
                "compression",
                f"load_ratio is {row.load_ratio:g}: compression throughout; tension is positive, so turn the sign of [load] "
                f"scale_kN_per_unit if the specimen is pulled",
            )
        if row.load_range_kN is not None:
            for text in load_range(self.rig, row.load_range_kN, "load_range_kN"):
                yield "gross", text

    def _tip(self, row: Row) -> Iterator[tuple[str, str]]:
        if row.crack_mm is None or row.crack_sd_mm is None:
            return
        self.weak = self.weak + 1 if "tip_weak" in row.flags else 0
        if 0 < self.weak < TIPLESS_ROWS:  # one may be chance; tips that stay weak are mostly sought in a wrong place
            return
        s, view = self.rig.specimen, self.rig.view
        if row.crack_mm < s.notch_mm - 3 * row.crack_sd_mm - view.mm_per_px:
            yield (
                "notch",
                f"crack_mm is {row.crack_mm:.3g}, less than notch_mm = {s.notch_mm:g}; check [view] datum_px ([row, column]), "
                f"mm_per_px and growth_angle_deg, and [specimen] notch_mm (from the datum)",
            )
        if row.tip_row_px is not None and row.tip_col_px is not None:
            away = complex(row.tip_col_px - view.datum_px[1], view.datum_px[0] - row.tip_row_px)
            off = math.degrees(abs(np.angle(away * np.exp(-1j * math.radians(view.growth_angle_deg)))))
            if abs(away) > 10 and off > PLANE_DEG:
                yield (
                    "direction",
                    f"the tip lies {off:.0f} degrees off growth_angle_deg as seen from the datum; check [view] datum_px "
                    f"([row, column], in this order) and growth_angle_deg (0 right, 90 up)",
                )
        if not self.weak:
            yield from self._stress_intensity(row)

    def _stress_intensity(self, row: Row) -> Iterator[tuple[str, str]]:
        K, K_sd = row.dKI_MPa_sqrt_m, row.dKI_sd
        if K is None or K_sd is None or K_sd > 0.1 * K or row.load_range_kN is None or row.crack_mm is None:
            return
        book = float(tensile_dK_MPa_sqrt_m(self.rig.specimen, row.load_range_kN, row.load_ratio or 0.0, row.crack_mm))
        if not book > 0:
            return
        # a notch or crack that stays open below zero load shows the whole range
        most = K_RATIO * float(specimen_K_MPa_sqrt_m(self.rig.specimen, row.load_range_kN, row.crack_mm))
        if "gross" in self.said or any(True for _ in gross(self.rig, row.load_range_kN, "")):
            return  # the load has been doubted already
        if not book / K_RATIO <= K <= most:
            yield (
                "dK",
                f"dKI is {K:.3g} MPa sqrt(m), {K / book:.3g} of the handbook's for this load and crack; check units: [load] "
                f"scale_kN_per_unit (kN), [specimen] width_mm, thickness_mm, thermoelastic_constant_per_MPa, temperature_C, "
                f"[camera] counts_per_K, zero_K, [view] mm_per_px",
            )
