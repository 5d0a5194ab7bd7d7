"""What a camera makes of the far field at each load frequency: gain, phase, and the phase's slope over the rows.

The far field's own map S is real (adiabatic) and common to all recordings of one specimen under one load range, so it is
never asked for: it and the recordings' answers are the leading singular pair of the pixels' stacked harmonics.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.door import InputError

FEWEST_PIXELS = 50
STANDS_OUT = 10.0  # mean signal power of a pixel over its noise's
STEEP = 1.6  # times the median amplitude: nearer to the tip than that heat flows


@dataclass(frozen=True)
class Run:
    """One recording through the lock-in. h1, sd (rows, columns): first harmonic in counts as the camera saw it, and the
    deviation of one of its components. range_sd is relative; shared_sd (counts) is common to all pixels."""

    name: str
    frequency_hz: float
    h1: np.ndarray
    sd: np.ndarray
    range_kN: float
    range_sd: float
    timing_sd_s: float
    shared_sd: float
    inflation: float


@dataclass(frozen=True)
class Answer:
    """First step, one value a recording: log gain (common offset free), phase at mean_row, its slope over the rows."""

    log_gain: np.ndarray
    gain_sd: np.ndarray
    phase: np.ndarray
    phase_sd: np.ndarray
    slope: np.ndarray
    slope_sd: np.ndarray
    mean_row: float  # over the number of rows


def far_field(runs: Sequence[Run], usable: np.ndarray) -> np.ndarray:
    """Pixels (rows, columns) bool whose signal stands out in the sum over the recordings, without those of steep fields
    (around the tip, where heat flows) and without the seam to the background."""
    power = np.sum([np.abs(run.h1) ** 2 / np.maximum(run.sd, 1e-12) ** 2 for run in runs], axis=0)
    strong = usable & np.isfinite(power) & (power > STANDS_OUT * len(runs))
    if np.count_nonzero(strong) < FEWEST_PIXELS:
        raise InputError(
            f"{runs[0].name}: {np.count_nonzero(strong)} pixels show the load, may be {FEWEST_PIXELS} or more; raise the load range, "
            f"paint the specimen matt black, look closer or record longer"
        )
    size = np.sqrt(np.mean([np.abs(run.h1) ** 2 for run in runs], axis=0))
    strong &= size < STEEP * np.median(size[strong])
    inner = strong.copy()
    for axis in (0, 1):
        for step in (-1, 1):
            inner &= np.roll(strong | ~usable, step, axis)
    return inner if np.count_nonzero(inner) >= FEWEST_PIXELS else strong


def answers(runs: Sequence[Run], region: np.ndarray) -> Answer:
    """Gain, phase and phase slope of each recording from the pixels of `region`, see `Answer`.

    The stacked real and imaginary parts of one pixel are S_pixel times one vector common to all; with noise of equal
    size its best estimate is the leading eigenvector of their covariance (maximum likelihood of a rank-one model).
    """
    rows = region.shape[0]
    row = np.nonzero(region)[0] / rows
    load = np.array([run.range_kN for run in runs])
    to_one_load = (load.mean() / load)[:, None]
    h = np.stack([run.h1[region] for run in runs]) * to_one_load
    sd = np.stack([run.sd[region] for run in runs]) * to_one_load
    typical = np.median(sd, axis=1)
    w = 2 * np.pi * np.array([run.frequency_hz for run in runs])

    def leading(slope: np.ndarray) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
        level = h * np.exp(-1j * slope[:, None] * row)
        y = np.concatenate([level.real, level.imag]) / np.tile(typical, 2)[:, None]
        values, vectors = np.linalg.eigh(y @ y.T)
        v = vectors[:, -1]
        common = v @ y
        if common.sum() < 0:  # the far field as a whole is pulled when the load is
            v, common = -v, -common
        half = len(v) // 2
        return values[-1], (v[:half] + 1j * v[half:]) * typical, common, level

    trials = np.arange(-0.04, 0.08, 0.4 / w.max())
    slope = -w * max(trials, key=lambda r: leading(-w * r)[0])
    for _ in range(4):
        _, m, s, level = leading(slope)
        weight = s**2 / np.sum(s**2)
        mean_row = float(weight @ row)
        arm = row - mean_row
        slope = slope + ((m.conj()[:, None] * level).imag * s * arm).sum(1) / (np.abs(m) ** 2 * np.sum((s * arm) ** 2))
    _, m, s, level = leading(slope)
    phase = np.angle(-m * np.exp(1j * slope * mean_row))  # adiabatic tension is at 180 degrees
    blur = 1 + s.size / np.sum(s**2)  # the common map is known no better than its pixels
    own = np.sqrt(np.sum(s**2 * sd**2, axis=1) * blur) / np.sum(s**2) / np.abs(m)
    shared_sd = np.array([run.shared_sd for run in runs]) * to_one_load[:, 0]
    shared = shared_sd * s.sum() / np.sum(s**2) / np.abs(m)
    timing = w * np.array([run.timing_sd_s for run in runs])
    # what all pixels of an image share is turned by the slope that was taken out, and so has one itself
    turned = np.abs(np.sum(np.exp(-1j * slope[:, None] * row) * s * arm, axis=1))
    in_slope = shared_sd * turned / np.sum((s * arm) ** 2) / np.abs(m)
    slope_sd = np.sqrt(np.sum((s * arm * sd) ** 2, axis=1) * blur) / np.sum((s * arm) ** 2) / np.abs(m)
    return Answer(
        log_gain=np.log(np.abs(m)),
        gain_sd=np.sqrt(own**2 + shared**2 + np.array([run.range_sd for run in runs]) ** 2),
        phase=phase,
        phase_sd=np.sqrt(own**2 + shared**2 + timing**2),
        slope=slope,
        slope_sd=np.hypot(slope_sd, in_slope),
        mean_row=mean_row,
    )
