"""Retardation after an overload (or the opposite after an underload): delay cycles and affected length.

The cycles a crack needs are compared with those the Paris line says it would have needed: N(a) = N0 + s B(a) + D(a),
B(a) the integral of da/(C dK^m) and D(a) the cycles lost. D is nil up to the overload's crack size, rises while growth
is slowed and then stays. Its rise is described by dD/dB = g0 y^q (1 + c y), y the part of the affected length that is
left: q = 0 is a constant slow-down that ends at once, q = 1 one that fades linearly, c one that is stronger at the
beginning. The form is a description, not a model of retardation (no source).

Two things make fixes stray from N(a): the deviation of each crack size, and the material, whose growth scatters from
place to place. The latter adds up along the crack (a random walk), so neighbouring fixes stray together; without it the
deviations would be too small by half where the scatter of the Paris line is a few per cent.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Array = np.ndarray
SHAPES = tuple((q, 0.0) for q in (0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9)) + tuple(
    (1.0, c) for c in (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 10.0, 50.0))       # (q, c)
Q, C = np.array(SHAPES).T[:, :, None]     # (shapes, 1) each
LENGTHS = 24                 # first over all that is possible, then over what is likely
LIKELY = 30.0                # chi-square beyond the least of which a length is not likely
FEWEST_AFTER = 4
MOST_FIXES = 300             # on either side of the event; more are averaged, as their covariance is a full matrix
SIGNIFICANT_SD = 3.0
LAST_BEFORE = 8
SCALE_SD = 0.05              # how far the base rate of one stretch of a test may be off the Paris line, relative
FLAT = 0.1                   # of the base slowness: less, and the straight-line weights would mean nothing


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


@dataclass(frozen=True)
class Fitted:
    """Pairs of affected length and shape: arrays (pairs,). slope: dN/da of each pair's model at the fixes (pairs, fixes).
    """
    chi2: Array
    lost: Array
    lost_sd: Array
    delay: Array
    delay_sd: Array
    length_mm: Array
    slope: Array


@dataclass(frozen=True)
class Passage:
    """Fixes from the event's cycle on and the base course on a fine grid of crack sizes, B = 0 at the event."""
    cycles: Array
    crack_mm: Array
    sd_mm: Array
    grid_mm: Array
    grid_B: Array
    slowness: Array          # dB/da
    start_mm: float
    start_sd_mm: float


def undisturbed_cycles(crack_mm: Array, base_rate: Array, points: int = 2000) -> tuple[Array, Array]:
    """(a, B(a)) on a fine grid: cycles from the first crack size at the base rate (mm/cycle, at ascending crack_mm).

    ln(1/rate) runs straight between the given sizes; trapezoids.
    """
    fine = np.linspace(crack_mm[0], crack_mm[-1], points)
    slowness = np.exp(np.interp(fine, crack_mm, -np.log(base_rate)))
    return fine, np.concatenate([[0.0], np.cumsum(np.diff(fine) * (slowness[1:] + slowness[:-1]) / 2)])


def find_delay(cycles: Array, crack_mm: Array, crack_sd_mm: Array, base: tuple[Array, Array], event_cycles: float,
               event_sd_cycles: float = 0.0, base_relative_sd: float = 0.0, walk: float = 0.0) -> Delay | None:
    """Delay after the event from fixes before and after it; None if there are too few of them.

    Arrays (fixes,), in order of cycles, up to the next event; base: (a, B(a)) of `undisturbed_cycles`, wide enough for
    every fix; base_relative_sd: deviation of the base rate as a whole, which the undisturbed cycles share; walk:
    relative deviation of the cycles over one mm of growth from the material's scatter, times sqrt(mm). For each
    affected length and shape on a grid the rest is linear. Values and deviations are means over the grid weighted by
    exp(-chi2/2), which is widened if the fixes scatter more than they say.
    """
    before, after = cycles <= event_cycles, cycles > event_cycles
    if before.sum() < 2 or after.sum() < FEWEST_AFTER:
        return None
    sides = [_thinned(cycles[side], crack_mm[side], crack_sd_mm[side]) for side in (before, after)]
    cycles, crack_mm, crack_sd_mm = (np.concatenate(both) for both in zip(*sides))
    passage = _passage(cycles, crack_mm, crack_sd_mm, base, event_cycles, event_sd_cycles, walk)
    longest = float(crack_mm.max()) - passage.start_mm
    shortest = 4 * float(base[0][1] - base[0][0])  # of the base course's grid there is nothing between
    if longest <= shortest:
        return None
    coarse = longest / LENGTHS
    lengths = np.linspace(max(coarse, shortest), longest, LENGTHS)
    lower = np.linalg.cholesky(np.diag(crack_sd_mm**2))
    found = _fits(passage, lower, lengths)
    if walk > 0:
        likeliest = found.slope[np.argmin(found.chi2)]
        lower = np.linalg.cholesky(_covariance_mm2(passage, likeliest, walk))
        found = _fits(passage, lower, lengths)
    freedom = max(1, len(cycles) - 5)
    least = float(found.chi2.min())
    likely = found.length_mm[found.chi2 < least + LIKELY * max(1.0, least / freedom)]
    edges = max(likely.min() - coarse, shortest), min(likely.max() + coarse, longest)
    lengths = np.linspace(*edges, LENGTHS)
    found = _fits(passage, lower, lengths)
    least = float(found.chi2.min())
    excess = max(1.0, least / freedom)
    weight = np.exp(-(found.chi2 - least) / 2 / excess)
    weight /= weight.sum()

    def mean(value: Array) -> float:
        return float(weight @ value)

    def spread(value: Array, own_sd: Array | float = 0.0, more: float = 0.0) -> float:
        own = mean(np.square(own_sd) + 0 * value)
        return float(np.sqrt(weight @ (value - mean(value)) ** 2 + excess * own + more**2))

    step_mm = float(lengths[1] - lengths[0])
    undisturbed_sd = base_relative_sd * mean(found.delay - found.lost)
    return Delay(passage.start_mm, mean(found.delay), spread(found.delay, found.delay_sd, event_sd_cycles),
                 mean(found.lost), spread(found.lost, found.lost_sd, float(np.hypot(event_sd_cycles, undisturbed_sd))),
                 mean(found.length_mm),
                 spread(found.length_mm, more=float(np.hypot(step_mm / np.sqrt(12), passage.start_sd_mm))))


def _thinned(*columns: Array) -> list[Array]:
    """cycles, crack_mm, crack_sd_mm (fixes,), neighbours averaged so that at most MOST_FIXES are left."""
    if len(columns[0]) <= MOST_FIXES:
        return list(columns)
    edges = np.linspace(0, len(columns[0]), MOST_FIXES + 1).astype(int)[:-1]
    weight = columns[2] ** -2
    total = np.add.reduceat(weight, edges)
    return [*(np.add.reduceat(weight * c, edges) / total for c in columns[:2]), total**-0.5]


def _passage(cycles: Array, crack_mm: Array, sd_mm: Array, base: tuple[Array, Array], event_cycles: float,
            event_sd_cycles: float, walk: float) -> Passage:
    """Where the crack was at the event: the base course through the last fixes before it, the nearest the most."""
    last = np.flatnonzero(cycles <= event_cycles)[-LAST_BEFORE:]
    grid_mm, grid_B = base
    ahead = np.interp(crack_mm[last], grid_mm, grid_B) + event_cycles - cycles[last]   # B at the event, by each
    slowness = np.gradient(grid_B, grid_mm)
    there = np.interp(crack_mm[last], grid_mm, slowness)
    to_go = np.maximum(np.interp(ahead, grid_B, grid_mm) - crack_mm[last], 0.0)
    variance = sd_mm[last] ** 2 + walk**2 * to_go
    start_B = float(np.average(ahead, weights=1 / (variance * there**2)))   # N = N0 + B just before the event
    start_mm = float(np.interp(start_B, grid_B, grid_mm))
    rate_mm = float(np.interp(start_B + 1, grid_B, grid_mm) - start_mm)   # in one cycle
    start_sd_mm = float(np.hypot(1 / np.sqrt(np.sum(1 / variance)), event_sd_cycles * rate_mm))
    return Passage(cycles - event_cycles, crack_mm, sd_mm, grid_mm, grid_B - start_B, slowness, start_mm,
                   start_sd_mm)


def _covariance_mm2(passage: Passage, slope: Array, walk: float) -> Array:
    """Of the crack sizes at given cycles: own deviations, and the random walk of the cycles over their slope."""
    order = np.argsort(passage.crack_mm)
    size, steps = passage.crack_mm[order], np.interp(passage.crack_mm[order], passage.crack_mm[order], slope[order])
    walked = walk**2 * np.concatenate([[0.0], np.cumsum(np.diff(size) * (steps[1:] ** 2 + steps[:-1] ** 2) / 2)])
    variance = np.empty(len(size))
    variance[order] = walked
    return np.diag(passage.sd_mm**2) + np.minimum.outer(variance, variance) / np.outer(slope, slope)


def _fits(passage: Passage, lower: Array, lengths_mm: Array) -> Fitted:
    whitener = np.linalg.inv(lower)
    by_length = [_fit(passage, whitener, float(length)) for length in lengths_mm]
    return Fitted(**{name: np.concatenate([getattr(f, name) for f in by_length])
                     for name in Fitted.__dataclass_fields__})


def _rise(passage: Passage, length_mm: float) -> tuple[Array, Array]:
    """Share of the lost cycles up to each crack size of the grid for one affected length, and its slope (1/mm):
    (shapes, grid)."""
    away_mm = passage.grid_mm - passage.start_mm
    affected = slice(*np.searchsorted(away_mm, [0.0, length_mm]))
    left = 1 - away_mm[affected] / length_mm
    slope = np.zeros((len(SHAPES), len(away_mm)))
    slope[:, affected] = passage.slowness[affected] * left ** Q * (1 + C * left)
    rise = np.zeros_like(slope)
    np.cumsum((slope[:, 1:] + slope[:, :-1]) * ((away_mm[1] - away_mm[0]) / 2), axis=1, out=rise[:, 1:])
    total = rise[:, -1:].copy()
    rise /= total
    slope /= total
    return rise, slope


def _fit(passage: Passage, whitener: Array, length_mm: float) -> Fitted:
    """Offset, base scale and lost cycles for one affected length and every shape; whitener @ deviations in mm has unit
    covariance."""
    grid_mm, grid_B = passage.grid_mm, passage.grid_B
    rise, rise_slope = _rise(passage, length_mm)
    below = np.clip(np.searchsorted(grid_mm, passage.crack_mm) - 1, 0, len(grid_mm) - 2)
    above = np.clip((passage.crack_mm - grid_mm[below]) / (grid_mm[below + 1] - grid_mm[below]), 0, 1)

    def at(values: Array) -> Array:   # (..., grid) -> (..., fixes)
        return values[..., below] * (1 - above) + values[..., below + 1] * above

    rise_at = at(rise)
    design = np.stack([np.ones_like(rise_at), np.broadcast_to(at(grid_B), rise_at.shape), rise_at], axis=2)
    prior, expected = np.diag([0, SCALE_SD**-2, 0]), np.array([0, 1.0, 0])
    base_slope, extra_slope = at(passage.slowness), at(rise_slope)
    solved = np.broadcast_to(expected, (len(SHAPES), 3))
    for _ in range(3):   # deviations in cycles are those in mm times dN/da, and dN/da is part of the solution
        slope = np.maximum(solved[:, 1:2] * base_slope + solved[:, 2:] * extra_slope, FLAT * base_slope)
        white, target = whitener @ (design / slope[:, :, None]), (passage.cycles / slope) @ whitener.T
        covariance = np.linalg.inv(white.swapaxes(1, 2) @ white + prior)
        solved = np.einsum("sij,sj->si", covariance, np.einsum("sfi,sf->si", white, target) + prior @ expected)
    offset, scale, lost = solved.T
    model = lost[:, None] * rise
    model += offset[:, None] + scale[:, None] * grid_B
    np.maximum.accumulate(model, axis=1, out=model)
    reached_mm = np.stack([np.interp(passage.cycles, cycles, grid_mm) for cycles in model])
    residual = (passage.crack_mm - reached_mm) @ whitener.T
    chi2 = np.sum(residual**2, axis=1) + ((scale - 1) / SCALE_SD) ** 2
    steep = lost * rise_slope.max(axis=1) * passage.start_sd_mm   # a start misplaced by its deviation
    ending = np.array([0.0, float(np.interp(passage.start_mm + length_mm, grid_mm, grid_B)), 1.0])
    return Fitted(chi2, lost, np.hypot(np.sqrt(covariance[:, 2, 2]), steep), solved @ ending,
                  np.hypot(np.sqrt(ending @ covariance @ ending), steep), np.full(len(SHAPES), length_mm), slope)
