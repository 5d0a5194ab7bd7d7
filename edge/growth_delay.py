"""Retardation after an overload (or the opposite after an underload): delay cycles and affected length.

The cycles a crack needs are compared with those the Paris line says it would have needed: N(a) = N0 + s B(a) + D(a),
B(a) the integral of da/(C dK^m) and D(a) the cycles lost. D is nil up to the overload's crack size, rises while growth
is slowed and then stays. Its rise is described by dD/dB = g0 y^q (1 + c y), y the part of the affected length that is
left: q = 0 is a constant slow-down that ends at once, q = 1 one that fades linearly, c one that is stronger at the
beginning. The form is a description, not a model of retardation (no source).
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Array = np.ndarray
SHAPES = ((0, 0), (0.3, 0), (0.6, 0), (1, 0), (1, 0.5), (1, 1), (1, 2), (1, 4), (1, 10), (1, 50))   # (q, c)
LENGTHS = 60
FEWEST_AFTER = 4
SIGNIFICANT_SD = 3.0
LAST_BEFORE = 8
SCALE_SD = 0.05              # how far the base rate of one stretch of a test may be off the Paris line, relative


@dataclass(frozen=True)
class Delay:
    """What one event did. Negative lost cycles: growth was hastened.

    `delay_cycles`: from the event until the growth rate is back on its course; `lost_cycles`: how many of them more
    than without the event; `affected_mm`: the crack growth during the delay cycles.
    """
    crack_mm: float
    delay_cycles: float
    delay_sd_cycles: float
    lost_cycles: float
    lost_sd_cycles: float
    affected_mm: float
    affected_sd_mm: float

    @property
    def significant(self) -> bool:
        return abs(self.lost_cycles) > SIGNIFICANT_SD * self.lost_sd_cycles


def undisturbed_cycles(crack_mm: Array, base_rate: Array, points: int = 2000) -> tuple[Array, Array]:
    """(a, B(a)) on a fine grid: cycles from the first crack size at the base rate (mm/cycle, at ascending crack_mm).

    ln(1/rate) runs straight between the given sizes; trapezoids.
    """
    fine = np.linspace(crack_mm[0], crack_mm[-1], points)
    slowness = np.exp(np.interp(fine, crack_mm, -np.log(base_rate)))
    return fine, np.concatenate([[0.0], np.cumsum(np.diff(fine) * (slowness[1:] + slowness[:-1]) / 2)])


def find_delay(cycles: Array, crack_mm: Array, crack_sd_mm: Array, base: tuple[Array, Array], event_cycles: float,
               event_sd_cycles: float = 0.0, base_relative_sd: float = 0.0) -> Delay | None:
    """Delay after the event from fixes before and after it; None if there are too few of them.

    Arrays (fixes,), in order of cycles, up to the next event; base: (a, B(a)) of `undisturbed_cycles`, wide enough for
    every fix; base_relative_sd: deviation of the base rate as a whole, which the undisturbed cycles share. For each
    affected length and shape on a grid the rest is linear; errors are those of the crack size. Values and deviations
    are means over the grid weighted by exp(-chi2/2), which is widened if the fixes scatter more than they say.
    """
    before, after = cycles <= event_cycles, cycles > event_cycles
    if before.sum() < 2 or after.sum() < FEWEST_AFTER:
        return None
    last = np.flatnonzero(before)[-LAST_BEFORE:]
    undisturbed = np.interp(crack_mm[last], *base)
    start_B = float(undisturbed.mean() + event_cycles - cycles[last].mean())   # N = N0 + B just before the event
    start_mm = float(np.interp(start_B, base[1], base[0]))
    rate_mm = float(np.interp(start_B + 1, base[1], base[0]) - start_mm)   # in one cycle
    start_sd_mm = float(np.hypot(np.sqrt(np.sum(crack_sd_mm[last] ** 2)) / len(last), event_sd_cycles * rate_mm))
    lengths = (float(crack_mm.max()) - start_mm) * np.linspace(1 / LENGTHS, 1, LENGTHS)
    if lengths[-1] <= 0:
        return None
    found = [_fit(cycles - event_cycles, crack_mm, crack_sd_mm, base[0], base[1] - start_B, start_mm, start_sd_mm,
                  length, shape)
             for length in lengths for shape in SHAPES]
    chi2, lost, lost_sd, delay = (np.array(column) for column in zip(*found))
    length = np.repeat(lengths, len(SHAPES))
    excess = max(1.0, chi2.min() / max(1, len(cycles) - 5))
    weight = np.exp(-(chi2 - chi2.min()) / 2 / excess)
    weight /= weight.sum()

    def mean(value: Array) -> float:
        return float(weight @ value)

    def spread(value: Array) -> float:
        return float(np.sqrt(max(0.0, weight @ (value - mean(value)) ** 2)))

    within = np.sqrt(mean(lost_sd**2) * excess + event_sd_cycles**2)
    base_sd = base_relative_sd * mean(delay - lost)
    return Delay(start_mm, mean(delay), float(np.hypot(spread(delay), within)), mean(lost),
                 float(np.sqrt(spread(lost) ** 2 + within**2 + base_sd**2)), mean(length),
                 float(np.sqrt(spread(length) ** 2 + lengths[0] ** 2 / 12 + start_sd_mm**2)))


def _fit(cycles: Array, crack_mm: Array, sd_mm: Array, grid_mm: Array, grid_B: Array, start_mm: float,
         start_sd_mm: float, length_mm: float, shape: tuple[float, float]) -> tuple[float, float, float, float]:
    """(chi2, lost cycles, deviation, delay cycles) for one affected length and shape; cycles and B from the event."""
    step_B, middle_mm = np.diff(grid_B), (grid_mm[1:] + grid_mm[:-1]) / 2
    left = 1 - (middle_mm - start_mm) / length_mm
    slowed = np.where((left > 0) & (left <= 1), np.abs(left) ** shape[0] * (1 + shape[1] * left), 0)
    rise = np.concatenate([[0.0], np.cumsum(step_B * slowed)])
    rise /= rise[-1]
    slowness, rise_slope = np.gradient(grid_B, grid_mm), np.gradient(rise, grid_mm)
    B, target = np.interp(crack_mm, grid_mm, grid_B), cycles
    design = np.stack([np.ones(len(cycles)), B, np.interp(crack_mm, grid_mm, rise)], axis=1)
    prior, expected = np.diag([0, SCALE_SD**-2, 0]), np.array([0, 1.0, 0])
    solved = expected
    for _ in range(3):   # the weights are deviations in cycles, sd dN/da, and dN/da is part of the solution
        slope = np.maximum(solved[1] * slowness + solved[2] * rise_slope, 0.1 * slowness)
        weight = (sd_mm * np.interp(crack_mm, grid_mm, slope)) ** -2.0
        normal = design.T * weight @ design + prior
        solved = np.linalg.solve(normal, design.T @ (weight * target) + prior @ expected)
    model = np.maximum.accumulate(solved[0] + solved[1] * grid_B + solved[2] * rise)
    residual = (crack_mm - np.interp(cycles, model, grid_mm)) / sd_mm
    chi2 = float(residual @ residual + ((solved[1] - 1) / SCALE_SD) ** 2)
    end_B = float(np.interp(start_mm + length_mm, grid_mm, grid_B))
    steep = solved[2] * float(rise_slope.max()) * start_sd_mm   # a start misplaced by its deviation
    lost_sd = float(np.hypot(np.sqrt(np.linalg.inv(normal)[2, 2]), steep))
    return chi2, float(solved[2]), lost_sd, float(solved[1] * end_B + solved[2])
