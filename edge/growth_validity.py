"""Which growth rates count: the standard's checks, one word each. Clauses: ASTM E647 (from memory) unless said.

SENT is no specimen of that standard: it gets the C(T) rules by analogy (common practice, no source).
"""
from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from edge import handbook
from edge.growth_fit import Rates
from edge.growth_points import SMALLEST_STEP_MM, STEP_OF_LOAD, STEP_OF_RATIO, STEP_OVER_PRECISION, Fixes
from edge.rig import Specimen

Array = np.ndarray

INVALID: dict[str, str] = {
    "retarded": "growth slowed or hastened by an overload or underload, or a window that straddles one",
    "precrack": "first point of the window not yet max(0.1 B, notch_width_mm where it is given, 1 mm) out of the notch",
    "size": "crack size outside the range of the handbook solution",
    "ligament": "ligament too small to stay mostly elastic at maximum load",
    "increment_small": "crack grew by less than the larger of 0.25 mm and ten times the precision",
    "plane": "crack plane more than 20 degrees off the plane of symmetry over 0.1 W",
    "gradient": "dK falls faster than (1/K) dK/da = -0.08 per mm",
    "load_step": "load range changed by more than 2 %, or R by more than 0.02, within the window (common practice, no source)",
    "shorter": "crack measured shorter there than before: the camera or the zero has moved",
    "cycles_estimated": "cycles within the window were taken from time and frequency, not counted",
    "no_rate": "rate zero or negative, or two points at one cycle count",
}
REMARKS: dict[str, str] = {
    "increment_large": "interval wider than recommended for this crack size: a curved course is smoothed; left out of "
                       "polynomial fits",
    "plane_10_20": "crack plane 10 to 20 degrees off the plane of symmetry over 0.1 W",
    "threshold": "rate below 1e-7 mm/cycle: near the threshold, left out of the Paris fit",
}
BY_HAND = ("To be checked by hand, since one camera cannot see it (ASTM E647, from memory): crack sizes on front and back within "
           "0.25 B of each other; of M(T), both cracks within 0.025 W; the crack front straight enough on the broken specimen.")
GRADIENT_LIMIT_PER_MM = -0.08
THRESHOLD_MM_PER_CYCLE = 1e-7


def kept_out(method: str, invalid: Iterable[str], remarks: Iterable[str]) -> list[str]:
    """The words that keep a rate of the method out of its Paris line."""
    wide = "increment_large" if method == "polynomial" else ""
    return [*invalid, *(word for word in remarks if word in ("threshold", wide))]


def relative_to_window(condition: Array, window: Array) -> Array:
    """For each rate whether `condition` (points,) holds anywhere in its window."""
    return np.array([bool(np.any(condition[a:b + 1])) for a, b in window], bool)


def spread(value: Array, window: Array) -> Array:
    """For each rate how far apart the known values (points,) in its window are."""
    return np.array([np.fmax.reduce(value[a:b + 1]) - np.fmin.reduce(value[a:b + 1]) for a, b in window])


def largest_interval_mm(geometry: str, crack_mm: Array, width_mm: float) -> Array:
    """Recommended largest interval. C(T): 0.04 W to a/W = 0.40, 0.02 W to 0.60, 0.01 W above; M(T): 0.03 W for
    2a/W < 0.60, 0.02 W above."""
    alpha = handbook.relative_size(geometry, crack_mm, width_mm)
    if geometry == "MT":
        return np.where(alpha < 0.60, 0.03, 0.02) * width_mm
    return np.select([alpha <= 0.40, alpha <= 0.60], [0.04, 0.02], 0.01) * width_mm


def least_ligament_mm(max_K_MPa_sqrt_m: Array | float, yield_MPa: float) -> Array | float:
    """Of C(T) and ESE(T): (4/pi)(Kmax/yield)^2."""
    return 4 / np.pi * (max_K_MPa_sqrt_m / yield_MPa) ** 2 * 1e3


def ligament_too_small(specimen: Specimen, crack_mm: Array, max_kN: Array, max_K_MPa_sqrt_m: Array) -> Array:
    """C(T), ESE(T): W - a < `least_ligament_mm`; M(T): W - 2a < 1.25 Pmax/(B yield). Unknown counts as large enough.
    """
    if specimen.geometry == "MT":
        needed_mm = 1.25 * 1e3 * max_kN / (specimen.thickness_mm * specimen.yield_strength_MPa)
        return specimen.width_mm - 2 * crack_mm < needed_mm
    return specimen.width_mm - crack_mm < least_ligament_mm(max_K_MPa_sqrt_m, specimen.yield_strength_MPa)


def plane_angle_deg(along_mm: Array, across_mm: Array, width_mm: float) -> Array:
    """Direction of the crack path against the nominal one at each point, over 0.1 W: a straight line through the tip
    positions within 0.05 W. NaN where the positions there span less than 0.05 W."""
    angle = np.full(len(along_mm), np.nan)
    for i in np.flatnonzero(np.isfinite(along_mm)):
        near = np.abs(along_mm - along_mm[i]) <= 0.05 * width_mm * (1 + 1e-9)
        x, y = along_mm[near], across_mm[near]
        if len(x) > 1 and np.ptp(x) >= 0.05 * width_mm:
            angle[i] = np.degrees(np.arctan(np.polyfit(x - x.mean(), y, 1)[0]))
    return angle


def gradient_per_mm(points: Fixes, window: Array, specimen: Specimen | None) -> tuple[Array, Array]:
    """(1/K) dK/da and its deviation for each window, of the measured dK; of the handbook's where one in it is missing: the two
    may differ by the calibration, which would look like a slope."""
    slope, sd = _log_slope(points, window, points.dK_MPa_sqrt_m, points.dK_sd)
    if specimen is None:
        return slope, sd
    book = handbook.tensile_dK_MPa_sqrt_m(specimen, points.load_range_kN, points.load_ratio, points.crack_mm)
    by_book = _log_slope(points, window, book, np.zeros(len(points)))
    known = np.isfinite(slope)
    return np.where(known, slope, by_book[0]), np.where(known, sd, by_book[1])


def _log_slope(points: Fixes, window: Array, dK: Array, dK_sd: Array) -> tuple[Array, Array]:
    """Slope of ln dK over a and its deviation for each window, straight line by least squares."""
    log_dK, log_sd = np.log(dK), dK_sd / dK
    slope, sd = np.full(len(window), np.nan), np.full(len(window), np.nan)
    for k, (a, b) in enumerate(window):
        x = points.crack_mm[a:b + 1] - points.crack_mm[a:b + 1].mean()
        if x @ x > 0:
            slope[k] = x @ log_dK[a:b + 1] / (x @ x)
            sd[k] = np.sqrt(x**2 @ log_sd[a:b + 1] ** 2) / (x @ x)
    return slope, sd


def judge(rates: Rates, points: Fixes, specimen: Specimen | None, dK: Array, angle_deg: Array, retarded: Array,
          shorter: Array, estimated: Array) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
    """Words of INVALID and of REMARKS for each rate.

    dK: (rates,) in MPa sqrt(m); angle_deg: (points,); retarded, shorter, estimated: (rates,) as found before. Without a
    specimen (no rig file) only what needs no dimensions is checked.
    """
    first, last = rates.window.T
    step = np.diff(points.crack_mm)
    precision = np.maximum(points.crack_sd_mm[1:], points.crack_sd_mm[:-1])
    step_sd = np.hypot(points.crack_sd_mm[1:], points.crack_sd_mm[:-1])
    # by more than its deviation, since a step of just the minimum is measured too small every other time
    small = step + step_sd < np.maximum(SMALLEST_STEP_MM, STEP_OVER_PRECISION * precision)
    inner = np.stack([first, last - 1], axis=1)
    middle = (first + last) // 2
    load = spread(points.load_range_kN, rates.window)
    least = np.array([np.fmin.reduce(points.load_range_kN[a:b + 1]) for a, b in rates.window])
    ratio_step = spread(points.load_ratio, rates.window)
    standing = np.diff(points.cycles) <= 0
    standing[1:] |= standing[:-1]  # where the count goes on it may have to catch up
    slope, slope_sd = gradient_per_mm(points, rates.window, specimen)
    bad = {
        "retarded": retarded,
        "shorter": shorter,
        "cycles_estimated": estimated,
        "increment_small": relative_to_window(small, inner),
        "gradient": slope + 2 * slope_sd < GRADIENT_LIMIT_PER_MM,   # beyond doubt: the slope of a window is noisy
        "load_step": (load > STEP_OF_LOAD * least) | (ratio_step > STEP_OF_RATIO),
        "no_rate": ~(rates.rate > 0) | ~np.isfinite(rates.rate) | relative_to_window(standing, inner),
        "plane": np.abs(angle_deg[middle]) > 20,
    }
    remarks = {
        "plane_10_20": (np.abs(angle_deg[middle]) >= 10) & (np.abs(angle_deg[middle]) <= 20),
        "threshold": rates.rate < THRESHOLD_MM_PER_CYCLE,
    }
    if specimen is not None and specimen.geometry != "plate":
        crack, ratio = rates.crack_mm, points.load_ratio[middle]
        ratio = np.where(np.isfinite(ratio), ratio, 0.0)  # the least that K at maximum load can be
        unit = handbook.specimen_K_MPa_sqrt_m(specimen, 1.0, crack)
        out = max(0.1 * specimen.thickness_mm, specimen.notch_width_mm or 0.0, 1.0)
        wide = step > largest_interval_mm(specimen.geometry, (points.crack_mm[1:] + points.crack_mm[:-1]) / 2,
                                          specimen.width_mm)
        bad |= {
            "size": np.isnan(unit),
            "precrack": points.crack_mm[first] < specimen.notch_mm + out,
            "ligament": ligament_too_small(specimen, crack, handbook.maximum(points.load_range_kN[middle], ratio),
                                           handbook.maximum_K(dK, ratio)),
        }
        remarks["increment_large"] = relative_to_window(wide, inner)
    return _words(bad, len(rates.rate)), _words(remarks, len(rates.rate))


def _words(found: dict[str, Array], n: int) -> list[tuple[str, ...]]:
    return [tuple(word for word, there in found.items() if there[k]) for k in range(n)]
