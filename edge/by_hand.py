"""The steps of a measurement one at a time, for a notebook or a script: `from edge import lock_in, to_kelvin, fit_tip`.

hw_notes/python_use.md has an example that the tests run. The loop takes more care (motion, slip, bad pixels, restarts);
here the caller decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from calibration.door import InputError
from calibration.profile import CameraProfile, load_profile
from edge import adiabatic, first_tip, region, tip
from edge.correct import correct, far_field_delay
from edge.handbook import ZERO_C_K
from edge.maps import read_maps
from edge.materials import MATERIALS, find
from edge.record import as_array, read_records
from edge.rig import PRESET_KEYS, Camera, Fit, Load, LockIn, Records, Rig, Specimen, View, load_rig
from edge.sources.base import LoadSource
from edge.whole_recording import FEWEST_FRAMES, Measured, check_period, frame_grid
from edge.whole_recording import lock_in as all_frames

__all__ = ["fit_tip", "load_profile", "load_rig", "lock_in", "plate", "read_maps", "records", "to_kelvin"]


@dataclass(frozen=True)
class Kelvin:
    """Harmonics of the surface temperature. h (H, rows, columns) complex, K: T_k(t) = |h| sin(k phi + arg h); sd_K (H,):
    typical deviation of their real and imaginary parts; mean_K (rows, columns), above the temperature of count 0;
    frequency_hz of the load; frame_delay_s as used."""

    h: np.ndarray
    sd_K: np.ndarray
    mean_K: np.ndarray
    frequency_hz: float
    frame_delay_s: float


class _Samples(LoadSource):
    """Load samples that are all there."""

    def __init__(self, time_s: np.ndarray, load_kN: np.ndarray):
        order = np.argsort(time_s, kind="stable")
        self.time_s, self.load_kN, self.next = time_s[order], load_kN[order], 0

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        first, self.next = self.next, int(np.searchsorted(self.time_s, until_s, side="right"))
        self.ended = self.next == self.time_s.size
        return self.time_s[first : self.next], self.load_kN[first : self.next]


def lock_in(
    frames: Sequence[np.ndarray] | np.ndarray,
    time_s: ArrayLike,
    load_time_s: ArrayLike,
    load_kN: ArrayLike,
    frequency_hz: float,
    harmonics: int = 2,
    frame_rate_hz: float | None = None,
) -> Measured:
    """Harmonics of the load phase in a stack of frames, by least squares over all of them (see edge/lockin.py).

    frames: counts, (n, rows, columns) or a sequence of n images, uint16. time_s (n,): when each was exposed; with
    frame_rate_hz they are taken as arrivals, late and jittered, and the camera's grid below them is found first.
    load_time_s, load_kN (m,): samples on the same clock, 20 or more a cycle, over all frames. frequency_hz: nominal load
    frequency, right within a factor of two; it is measured. Returns `.harmonics` (maps in counts, mean, noise of a frame,
    see `edge.lockin.Harmonics`), `.frequency_hz`, `.range_kN`, `.range_sd` (relative).
    InputError: arrays that do not belong together, or fewer than 50 frames during which the load ran.
    """
    at, when, load = (np.asarray(a, float) for a in (time_s, load_time_s, load_kN))
    if not all(np.isfinite(a).all() for a in (at, when, load)):
        raise InputError("lock_in: a time or a load is no finite number; leave those frames and samples out")
    least_s = np.min(np.diff(at), initial=np.inf)
    rises = least_s >= 0 if frame_rate_hz is not None else least_s > 0  # a stalled reader finds several at once
    if at.ndim != 1 or len(frames) != at.size or at.size < FEWEST_FRAMES or not rises:
        raise InputError(
            f"lock_in: {at.size} times for {len(frames)} frames, may be one rising time a frame, {FEWEST_FRAMES} or more"
        )
    if when.shape != load.shape or when.ndim != 1:
        raise InputError(f"lock_in: load_time_s is {when.shape}, load_kN {load.shape}, may be one dimension, one length")
    for name, hz in (("frequency_hz", frequency_hz), ("frame_rate_hz", frame_rate_hz)):
        if hz is not None and not 0 < hz < np.inf:
            raise InputError(f"lock_in: {name} is {hz}, may be above 0")
    if harmonics < 1:
        raise InputError(f"lock_in: harmonics is {harmonics}, may be 1 or more")
    if frames[0].ndim != 2 or frames[0].dtype != np.uint16:
        raise InputError(f"lock_in: frames are {frames[0].dtype} of {frames[0].shape}, may be uint16 (rows, columns)")
    if frame_rate_hz is not None:
        check_period(at, frame_rate_hz, "lock_in", "frame_rate_hz")
        number, at = frame_grid(at, frame_rate_hz)
    else:
        number = np.round((at - at[0]) / np.median(np.diff(at))).astype(int)
    found = all_frames(lambda i: np.asarray(frames[i]), number, at, _Samples(when, load), frequency_hz, harmonics)
    if found is None:
        raise InputError(
            f"lock_in: fewer than {FEWEST_FRAMES} frames during which the load ran at about {frequency_hz:g} Hz; check "
            f"frequency_hz, and that frames and load are on one clock"
        )
    return found


def to_kelvin(measured: Measured, profile: CameraProfile, counts_per_K: float | None = None) -> Kelvin:
    """Detector lag, row readout and frame delay divided out (edge/correct.py). Where the profile has no frame_delay_s, it
    is taken from the far field, whose first harmonic must be at 180 degrees. InputError: counts_per_K nowhere."""
    per_K = counts_per_K or profile.counts_per_K
    if per_K is None:
        raise InputError("to_kelvin: the profile has no counts_per_K; give it: to_kelvin(measured, profile, 100.0)")
    h, hz = measured.harmonics, measured.frequency_hz
    corrected = correct(h.maps, hz, profile, per_K)
    sd_K = float(np.median(h.noise)) * h.amplitude_sd / per_K / corrected.gain
    if profile.frame_delay_s is None:
        delay = far_field_delay(corrected.maps[0], float(sd_K[0]), hz, np.ones(h.mean.shape, bool))
        corrected = corrected if delay is None else correct(h.maps, hz, profile, per_K, delay[0])
    return Kelvin(corrected.maps, sd_K, h.mean / per_K, hz, corrected.frame_delay_s)


def plate(
    mm_per_px: float,
    datum_px: tuple[float, float] = (0.0, 0.0),
    growth_angle_deg: float = 0.0,
    material: str = "mild steel",
    temperature_C: float = 22.0,
) -> Rig:
    """A rig of a wide plate, for `fit_tip` where there is no rig file: crack sizes run from datum_px (row, column) along
    growth_angle_deg (0 right, 90 up). InputError: no such material."""
    preset = find(material)
    if preset is None:
        raise InputError(f'plate: material is "{material}", may be {", ".join(m.name for m in MATERIALS)}')
    if not 0 < mm_per_px < np.inf:
        raise InputError(f"plate: mm_per_px is {mm_per_px}, may be above 0")
    constants = {key: getattr(preset, key) for key in PRESET_KEYS}
    here = Path()
    return Rig(
        specimen=Specimen(geometry="plate", material=preset.name, temperature_C=temperature_C, **constants),
        load=Load("frames", 1.0),  # source and camera are not used by a fit
        camera=Camera("recording", 0, 0, 1.0),  # maps of any size
        view=View(mm_per_px, datum_px, growth_angle_deg),
        lockin=LockIn(),
        fit=Fit(),
        records=Records(),
        folder=here,
        path=here,
    )


def fit_tip(
    h1: np.ndarray,
    sd_K: float,
    frequency_hz: float,
    rig: Rig,
    near: tuple[float, float] | None = None,
    usable: np.ndarray | None = None,
    surface_K: float | np.ndarray | None = None,
) -> tip.TipFit | None:
    """The crack tip in a map of the first harmonic, or None where there is none.

    h1 (rows, columns) complex, K, tension at 180 degrees; sd_K: deviation of its real and imaginary parts. rig: from
    `load_rig` or `plate`. near (row, column): start there, else the whole view is searched. usable (rows, columns) bool:
    pixels to use. surface_K: absolute temperature, one or (rows, columns), `mean_K` of `to_kelvin` plus the rig's zero_K;
    default the rig's temperature_C. Stress sums are
    -2 Re h1 / (K0 T) (Kelvin's law); a Williams series is fitted around the searched tip (edge/williams.py), with the heat
    that flows there (edge/conduction.py). Returns `edge.tip.TipFit`: row_px, col_px, crack_mm, K_I, K_II (MPa sqrt(m)),
    T_MPa, all ranges, and `.sd` of [along, across (mm), K_I, K_II, T].
    """
    size = (rig.camera.rows, rig.camera.columns) if rig.camera.rows else h1.shape
    shapes = [np.shape(a) for a in (h1, usable, surface_K) if np.ndim(a)]  # type: ignore[arg-type]
    if h1.ndim != 2 or any(shape != size for shape in shapes):
        raise InputError(f"fit_tip: maps are {' and '.join(map(str, shapes))}, may be one size (rows, columns), the rig's {size}")
    if surface_K is None and rig.specimen.temperature_C is None:
        raise InputError(
            f"{rig.path} [specimen] temperature_C: is missing; give it there, or surface_K (mean_K + zero_K) to fit_tip"
        )
    kelvin = (rig.specimen.temperature_C or 0.0) + ZERO_C_K if surface_K is None else surface_K
    per_K = 1 / (rig.specimen.thermoelastic_constant_per_MPa * np.maximum(kelvin, 1.0))  # a dead pixel may be at 0 K
    stress, sd = -2 * h1 * per_K, 2 * sd_K * float(np.nanmedian(per_K))
    chosen = region.specimen(rig, (h1.shape[0], h1.shape[1])) & np.isfinite(stress)
    chosen = chosen if usable is None else chosen & (np.asarray(usable) != 0)
    chosen &= ~region.silent(stress.real, sd, chosen)
    angle = rig.view.growth_angle_deg
    if near is None:
        found, most = first_tip.search(rig, stress.real, sd, chosen, angle, frequency_hz)
    else:
        most = tip.refine(rig, stress.real, sd, chosen, near, angle, frequency_hz)
        found = most if most is not None and tip.acceptable(most, chosen, rig.view.mm_per_px) else None
    if found is None:
        hot = adiabatic.hidden(rig, stress, sd, chosen, most, frequency_hz) if most is not None else None
        return None if hot is None else hot[0]
    return adiabatic.refine(rig, stress, sd, chosen, found, frequency_hz)[0]


def records(folder: Path | str) -> np.ndarray:
    """The valid rows of an output folder (or of a records.csv) as a structured array (rows,): one field a column, named
    as there, float64 with NaN for what is empty; time_utc and flags are text. Damaged rows are left out.
    InputError: no records there."""
    return as_array(read_records(folder).rows)
