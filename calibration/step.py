"""Lag, readout and delay from a plate that a cover bares at once: a step of temperature, seen below the frame period.

One pixel has one or two frames inside the step. What makes it fine is that rows and columns meet the step at different
moments, and that the next frame sees the same pixels one known frame period later. The model stands in step_model.

The cover is drawn sideways, so that its edge stands along the columns. An edge out of square adds to the rows' delay in
proportion to its crossing time: steps in opposite directions separate the two, a single step leaves that doubt in the
deviation. An edge out of focus makes each pixel's step gradual: that is fitted too where a sharp one does not fit.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.door import InputError
from calibration.least_squares import Solution, chance_of_more, solve
from calibration.profile import CameraProfile, direction
from calibration.step_model import (
    COMMON,
    LEAST_STEP,
    OWN,
    QUIET_FRAMES,
    Blocks,
    age,
    blocks,
    find,
    frame_noise,
    image_means,
    left,
    own,
    shared_noise,
)

SLOWEST_CROSSING_S = 0.25  # the levels are taken from LONGEST_S after the first pixel's step, when the last one's has to be over too
SLOWEST_S = 0.1  # a microbolometer's time constant is some 10 ms
WEAKEST_TAU = 0.02  # relative deviation beyond which there is no result
WEAKEST_DELAY_S = 0.25e-3  # beyond it there is no delay: the loop finds it better in the far field of a specimen
OUT_OF_SQUARE = 0.035  # rad, standard deviation: a cover held by hand against a stop (common practice, no source)
COMMON_SCALE, OWN_SCALE = (1e-3, 1e-3, 0.02, 2e-3), (1e-3, 2e-3, 2e-3)
REJECTED = 0.001


@dataclass(frozen=True)
class One:
    """One step: index of the first frame that shows it, its moment in frame times (row 0, middle column), how long the
    cover's edge took from the first to the last column (negative: the other way), and its size in counts."""

    frame: int
    time_s: float
    time_sd_s: float
    crossing_s: float
    size: float


@dataclass(frozen=True)
class Step:
    """Result. Arrays for the picture: age of each block's value (s), what was left of the step, its deviation, model."""

    tau_s: float
    tau_sd_s: float
    readout_s: float
    readout_sd_s: float
    frame_delay_s: float | None
    frame_delay_sd_s: float
    weak_delay_sd_s: float | None  # of a delay that was seen, but too badly to be told
    steps: tuple[One, ...]
    softness_s: float | None  # time the edge took over one pixel, where a sharp edge did not fit
    regions_tau_s: np.ndarray  # (3, 3), NaN where a region can't tell
    regions_sd_s: np.ndarray
    chi2: float
    dof: int
    age_s: np.ndarray
    left: np.ndarray
    left_sd: np.ndarray
    model: np.ndarray

    def into(self, profile: CameraProfile) -> CameraProfile:
        """`profile` with this lag and readout, and with the delay where it was measured."""
        new = dataclasses.replace(
            profile,
            tau_s=self.tau_s,
            tau_sd_s=self.tau_sd_s,
            readout_s=self.readout_s,
            readout_sd_s=self.readout_sd_s,
            response=(),
            missing=tuple(k for k in profile.missing if k == "frame_delay_sd_s" and self.frame_delay_s is None),
        )
        if self.frame_delay_s is None:
            return new
        return dataclasses.replace(new, frame_delay_s=self.frame_delay_s, frame_delay_sd_s=self.frame_delay_sd_s)

    def text(self) -> list[str]:
        """What was found, one line each, with standard deviations."""
        out = [
            f"step of {s.size:.0f} counts in frame {s.frame}: at {s.time_s:.4f} +- {s.time_sd_s:.1g} s, crossing the "
            f"image in {1e3 * abs(s.crossing_s):.1f} ms"
            for s in self.steps
        ]
        out += [
            f"tau         {1e3 * self.tau_s:8.3f} +- {1e3 * self.tau_sd_s:.3f} ms",
            f"readout     {1e3 * self.readout_s:8.3f} +- {1e3 * self.readout_sd_s:.3f} ms, {direction(self.readout_s, self.readout_sd_s)}",
        ]
        if self.weak_delay_sd_s is not None:
            sd, may = 1e3 * self.weak_delay_sd_s, 1e3 * WEAKEST_DELAY_S
            out.append(f"frame delay: left out, as known to {sd:.2f} ms only (may be {may:g}); take several strokes")
        elif self.frame_delay_s is None:
            out.append("frame delay: not measured, as load.csv carries no edge of a switch at the cover")
        else:
            out.append(f"frame delay {1e3 * self.frame_delay_s:8.3f} +- {1e3 * self.frame_delay_sd_s:.3f} ms")
        known = 1e3 * self.regions_tau_s[np.isfinite(self.regions_tau_s)]
        if known.size > 1:
            each = 1e3 * np.nanmedian(self.regions_sd_s)
            out.append(
                f"tau by region ({known.size} of 9): {known.min():.2f} to {known.max():.2f} ms, each +- {each:.2g} ms"
            )
        if self.softness_s is not None:
            soft = 1e3 * self.softness_s
            out.append(f"the cover's edge was soft: it took {soft:.1f} ms over each pixel; bring it into focus")
        chance = chance_of_more(self.chi2, self.dof)
        out.append(f"chi-square {self.chi2:.0f} for {self.dof} degrees of freedom: chance {chance:.2g}")
        if chance < REJECTED:
            out.append("a first-order lag fits badly (deviations were widened): try a sweep, which can give a table")
        return out


def fit(
    frames: Sequence[np.ndarray] | np.ndarray,
    time_s: np.ndarray,
    usable: np.ndarray,
    edges_s: Sequence[float] | np.ndarray = (),
    edge_sd_s: float = 0.0,
    clock_sd_s: float = 0.0,
) -> Step:
    """tau, readout and, with `edges_s` (times of a switch at the cover, and their deviation), frame delay. clock_sd_s: of the
    frames' clock against the switch's, common to all steps.

    frames (n, rows, columns) uint16, time_s (n,) on the clock's grid, usable (rows, columns) bool.
    InputError: no step, too little room around it, tau not determinable.
    """
    stack = np.asarray(frames)
    level, noise = image_means(stack, usable), frame_noise(stack, usable)
    found = find(level, noise)
    if not found:
        raise InputError(
            f"step: no step of more than {LEAST_STEP * noise:.0f} counts with {QUIET_FRAMES} quiet frames before and "
            f"after; draw the cover in one go, 2 s after the start, from a plate 10 K or more from room temperature"
        )
    shared = shared_noise(level, noise, found, int(np.count_nonzero(usable)))
    parts = [blocks(stack, time_s, usable, k, found, noise, shared) for k in found]
    solution, soft = _fit_all(parts)
    tau = float(solution.x[0])
    chance = chance_of_more(solution.chi2, solution.dof)
    trust = 1.0 if chance >= REJECTED else float(np.sqrt(solution.chi2 / solution.dof))
    trust *= _walled_in(parts, solution)
    sd = solution.sd * trust
    _accept(tau, float(sd[0]), max(abs(float(solution.x[each][1])) for each in own(len(found))))
    steps = tuple(
        One(k, solution.x[at][0], sd[at][0], solution.x[at][1], level[k + 5] - level[k - 2])
        for k, at in zip(found, own(len(found)))
    )
    at = [each.start for each in own(len(found))]
    moments = solution.covariance[np.ix_(at, at)] * trust**2
    delay, delay_sd = _delay(steps, moments, np.asarray(edges_s, float), edge_sd_s, clock_sd_s)
    weak = delay is not None and delay_sd > WEAKEST_DELAY_S
    regions, regions_sd = _regions(stack, time_s, usable, found, (noise, shared), solution, trust)
    if chance < REJECTED:
        _accept_regions(tau, regions, regions_sd)
    every = range(len(parts))
    return Step(
        tau_s=tau,
        tau_sd_s=float(sd[0]),
        readout_s=float(solution.x[1]),
        readout_sd_s=float(sd[1]),
        frame_delay_s=None if weak else delay,
        frame_delay_sd_s=0.0 if weak else delay_sd,
        weak_delay_sd_s=delay_sd if weak else None,
        steps=steps,
        softness_s=float(abs(solution.x[3])) if soft else None,
        regions_tau_s=regions,
        regions_sd_s=regions_sd,
        chi2=solution.chi2,
        dof=solution.dof,
        age_s=np.concatenate([age(parts[i], solution.x, i).ravel() for i in every]),
        left=np.concatenate([d.left.ravel() for d in parts]),
        left_sd=np.concatenate([d.sd.ravel() for d in parts]),
        model=np.concatenate([left(parts[i], solution.x, i).ravel() for i in every]),
    )


def _accept(tau_s: float, sd_s: float, crossing_s: float) -> None:
    """InputError where that is no tau of a camera, or hardly known, or the cover was too slow for it."""
    if crossing_s > SLOWEST_CROSSING_S:
        raise InputError(
            f"step: the cover took {1e3 * crossing_s:.1f} ms to cross the image, may be up to {1e3 * SLOWEST_CROSSING_S:.0f} ms; draw it "
            f"in one go, faster"
        )
    if tau_s > SLOWEST_S:
        raise InputError(
            f"step: the picture takes {1e3 * tau_s:.3g} ms to change, a camera up to {1e3 * SLOWEST_S:g} ms: the cover moved slowly or "
            f"out of focus; draw it in one go, close to the plate"
        )
    if tau_s <= 0 or sd_s > WEAKEST_TAU * tau_s:
        raise InputError(
            f"step: tau is {1e3 * tau_s:.2g} +- {1e3 * sd_s:.2g} ms, may be known to {100 * WEAKEST_TAU:.0f} % or better; "
            f"use a plate further from room temperature, or several steps in one recording"
        )


def _accept_regions(tau_s: float, regions_s: np.ndarray, sd_s: np.ndarray) -> None:
    """InputError where tau differs from region to region: of a model that does not fit, the sign that the profile would be wrong."""
    told = np.isfinite(regions_s)
    known = regions_s[told]
    if known.size > 2 and known.var() - np.mean(sd_s[told] ** 2) > (WEAKEST_TAU * tau_s) ** 2:
        raise InputError(
            f"step: a first-order lag does not fit, and tau is {1e3 * known.min():.2f} to {1e3 * known.max():.2f} ms by region of the "
            f"image, may be alike to {100 * WEAKEST_TAU:.0f} %; switch filters in the camera off (calibrate pixels finds them), draw the "
            f"cover faster and nearer to the plate, or calibrate a sweep, which can give a table"
        )


def _fit_all(parts: list[Blocks]) -> tuple[Solution, bool]:
    """All steps together, each from its own best start; with a soft edge where a sharp one does not fit and it helps."""
    starts = [_coarse(d) for d in parts]
    common = [np.median([s[0] for s in starts]), np.median([s[1] for s in starts]), 0, 0]
    sharp = _solve(parts, np.concatenate([common, *(s[2:] for s in starts)]), soft=False)
    if chance_of_more(sharp.chi2, sharp.dof) >= REJECTED:
        return sharp, False
    x = sharp.x.copy()
    x[3] = 0.005
    soft = _solve(parts, x, soft=True)
    return (soft, True) if soft.chi2 < sharp.chi2 - 25 else (sharp, False)


def _solve(parts: list[Blocks], x: np.ndarray, soft: bool, held: int = 0, free: int | None = None) -> Solution:
    """Least squares from `x`. `soft` frees the softness, `held` keeps the first so many, `free` frees no more than so
    many parameters."""
    which = np.array([i for i in range(held, x.size if free is None else free) if soft or i != 3])
    scale = np.array(COMMON_SCALE + OWN_SCALE * len(parts))

    def residual(p: np.ndarray) -> np.ndarray:
        full = x.copy()
        full[which] = p
        misfit = [d.whitened(left(d, full, i)).ravel() for i, d in enumerate(parts)]
        return np.concatenate([*misfit, [full[2] / OUT_OF_SQUARE]])

    found = solve(residual, x[which], scale[which])
    full, covariance = x.copy(), np.zeros((x.size, x.size))
    full[which] = found.x
    covariance[np.ix_(which, which)] = found.covariance
    counted = sum(int(np.isfinite(d.sd).sum()) for d in parts)
    return Solution(full, covariance, found.chi2, counted - which.size + 1)


def _walled_in(parts: list[Blocks], best: Solution) -> float:
    """How many times wider than its curvature says the valley around tau is, on the wider side: where a row sits just at
    the moment of its step, one side is a wall. From the sum of squares with tau held a few deviations away."""
    widest = 1.0
    for side in (-1, 1):
        away, rise = 2 * best.sd[0], 0.0
        while rise < 9 and 1e-3 < best.x[0] + side * away < 2 * best.x[0]:
            # the frame that shows most stays as it is if all of its ages change in step with tau: a start off the wall
            ratio = 1 + side * away / best.x[0]
            x = best.x.copy()
            x[:2] *= ratio
            for d, at in zip(parts, own(len(parts))):
                x[at] = (x[at] - (d.time_s[2], 0, 0)) * ratio + (d.time_s[2], 0, 0)
            rise = _solve(parts, x, soft=best.x[3] != 0, held=1).chi2 - best.chi2
            widest, away = max(widest, away / np.sqrt(max(rise, 1.0)) / best.sd[0]), 2 * away
    return float(widest)


def _coarse(d: Blocks) -> np.ndarray:
    """tau, readout and the step's own parameters: the best of a grid of starts on thinned blocks, refined."""
    down, right = max(1, d.row.size // 6), max(1, d.column.size // 4)
    value, row, column = d.left[:, ::down, ::right], d.row[::down, None], d.column[::right]
    weight = np.where(np.isfinite(d.sd[:, ::down, ::right]), 1.0, 0.0)
    period = float(np.median(np.diff(d.time_s)))
    moments = d.time_s[2] + period * np.arange(-1.6, 1.61, 0.1)
    tried = []
    for tau in (0.006, 0.010, 0.015):
        for readout in np.arange(-0.04, 0.041, 0.005):
            for crossing in (-0.12, -0.08, -0.04, -0.02, 0.0, 0.02, 0.04, 0.08, 0.12):
                lead = d.time_s[:, None, None] - readout * row - crossing * column
                since = np.maximum(lead[None] - moments[:, None, None, None], 0)
                cost = np.sum(weight * (value - np.exp(-since / tau)) ** 2, axis=(1, 2, 3))
                i = int(np.argmin(cost))
                tried.append((float(cost[i]), (tau, readout, 0.0, 0.0, float(moments[i]), crossing, 0.0)))
    tried.sort()
    refined = [_solve([d], np.array(x), soft=False) for _, x in tried[:5]]
    best = min(refined, key=lambda s: s.chi2).x
    return np.concatenate([best[:2], best[COMMON : COMMON + OWN]])


def _delay(
    steps: tuple[One, ...], moments: np.ndarray, edges: np.ndarray, edge_sd_s: float, clock_sd_s: float
) -> tuple[float | None, float]:
    """Moment of the step in frame times less that of the nearest edge of the switch, mean over the steps. moments (n, n):
    covariance of theirs; they share tau and readout, so many steps make the mean better by far less than their root."""
    pairs = [(i, s.time_s - edges[np.argmin(np.abs(edges - s.time_s))]) for i, s in enumerate(steps) if edges.size]
    near = [(i, lead) for i, lead in pairs if abs(lead) < 0.5]
    if not near:
        return None, 0.0
    which, leads = [i for i, _ in near], [lead for _, lead in near]
    variance = moments[np.ix_(which, which)].mean() + edge_sd_s**2 / len(near) + clock_sd_s**2
    return float(np.mean(leads)), float(np.sqrt(variance))


def _regions(
    stack: np.ndarray,
    time_s: np.ndarray,
    usable: np.ndarray,
    found: list[int],
    noise: tuple[float, float],
    whole: Solution,
    trust: float,
) -> tuple[np.ndarray, np.ndarray]:
    """tau of each of 3 x 3 regions, the steps' moments held as found: (3, 3) and deviations; NaN where not to be told.
    What the moments leave in doubt is common to all regions and as large as in the whole image's tau: it is in the
    deviations, so that each holds its own truth; between regions the values differ less than that."""
    rows, columns = stack.shape[1:]
    tau, sd = np.full((3, 3), np.nan), np.full((3, 3), np.nan)
    for i in range(3):
        for j in range(3):
            window = (rows * i // 3, rows * (i + 1) // 3, columns * j // 3, columns * (j + 1) // 3)
            if np.count_nonzero(usable[window[0] : window[1], window[2] : window[3]]) < 20:
                continue
            parts = [blocks(stack, time_s, usable, k, found, *noise, (40, 40), window) for k in found]
            alone = _solve(parts, whole.x, soft=True, free=1)
            if alone.sd[0] * trust < 0.1 * alone.x[0]:
                tau[i, j], sd[i, j] = alone.x[0], np.hypot(alone.sd[0], whole.sd[0]) * trust
    return tau, sd
