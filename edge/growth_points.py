"""From records to crack-growth points: folders joined, bad fixes set aside, neighbours averaged to wide enough steps.

Fixes come far more often than a crack grows by the increment the standard asks for, so fixes are averaged until the
step is the larger of 0.25 mm and ten times the precision of the averages (ASTM E647, from memory). Averaging looks at
the crack's monotone (isotonic) course, not at single noisy fixes, for where to cut.
"""
from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from calibration.door import counted
from calibration.robust import robust_sd
from edge.record import Row, as_array
from edge.rig import View

Array = np.ndarray
SMALLEST_STEP_MM = 0.25
STEP_OVER_PRECISION = 10.0
RESOLUTION_MM = 0.10          # E647's least resolution of a crack size: the deviation of a fix that has none
UNUSABLE = {"no_tip", "tip_weak", "no_load", "collision_1f"}
FALL_MM = 1.0                 # no crack gets shorter; a remounted camera may shift its zero by tenths of a millimetre
SEVERAL = 5                   # fixes whose median tells the size of the crack
OUTLIER_SD = 6.0
STEP_OF_LOAD, STEP_OF_RATIO = 0.02, 0.02  # relative change of the load range, and change of R, that count as another load
FALL_SD = 6.0                 # deviations from one fix to the next by which no noise makes a crack shorter
RESTLESS = 1.3                # of the deviations told: more is no chance
ROUNDED = 0.1                 # of the variance that a record's crack_sd_mm of two digits tells


def own_sd_mm(row: Row, view: View | None) -> float | None:
    """The row's crack_sd_mm without the scale's own deviation, which is the same in all fixes and so no noise of a rate.
    Where little but it is left in a record's two digits, the tip's own deviation stands for the rest."""
    if view is None or not view.mm_per_px_sd or row.crack_mm is None or row.crack_sd_mm is None:
        return row.crack_sd_mm
    own, tip = row.crack_sd_mm**2 - (row.crack_mm * view.mm_per_px_sd / view.mm_per_px) ** 2, (row.tip_sd_px or 0.0) * view.mm_per_px
    return max(own**0.5, tip) if own > ROUNDED * row.crack_sd_mm**2 else tip or row.crack_sd_mm


@dataclass(frozen=True)
class Fixes:
    """Usable fixes in order of cycles; arrays of one length, NaN where not determined. Units as in the records.

    `along_mm`, `across_mm`: the tip along and across the nominal growth direction from the datum.
    """
    cycles: Array
    crack_mm: Array
    crack_sd_mm: Array
    dK_MPa_sqrt_m: Array
    dK_sd: Array
    load_range_kN: Array
    load_ratio: Array
    opening_fraction: Array
    opening_sd: Array
    along_mm: Array
    across_mm: Array

    def __len__(self) -> int:
        return len(self.cycles)

    def where(self, chosen: Array) -> Fixes:
        return Fixes(*(getattr(self, f.name)[chosen] for f in fields(Fixes)))


@dataclass(frozen=True)
class Points:
    """Averages of neighbouring fixes: as Fixes, with the number of fixes in each and the step they were made for."""
    at: Fixes
    count: Array
    step_mm: float


Placed = tuple[Row, int]      # a row and the number of the folder it came from


def join(folders: Sequence[Sequence[Row]]) -> tuple[list[Placed], list[str]]:
    """Rows of one test from several folders or restarts, each once, in order of cycles; and notes on what was done.

    Equal rows (card and serial link, or a copied folder) count once. A run that is later in time but whose count
    begins below the end of the runs before it counted anew: it is moved on by their last count, with a note.
    Runs whose times overlap counted the same test together and are merged.
    """
    notes: list[str] = []
    runs = [[(r, k) for r in rows if r.cycles is not None] for k, rows in enumerate(folders)]
    joined: list[Placed] = []
    seen: set[tuple[object, ...]] = set()
    twice = 0
    for run in sorted((r for r in runs if r), key=lambda run: run[0][0].time_utc or ""):
        new = []
        for placed in run:  # a file that was put together by hand may hold its own rows twice
            known = len(seen)
            seen.add((placed[0].seq, placed[0].time_utc, placed[0].cycles, placed[0].crack_mm))
            new += [placed] * (len(seen) - known)
        twice += len(run) - len(new)
        for part in _pieces(new):
            end = max((_cycles(p) for p in joined), default=0)
            later = max((r.time_utc or "" for r, _ in joined), default="") < (part[0][0].time_utc or "")
            if joined and later and _cycles(part[0]) < end:
                notes.append(f"the cycle count began anew at {part[0][0].time_utc}: moved on by {end} cycles")
                part = [(replace(r, cycles=_cycles((r, k)) + end), k) for r, k in part]
            joined += part
    if twice:
        notes.append(f"counted once: {counted(twice, 'row')} that stood there twice")
    return sorted(joined, key=_cycles), notes


def _cycles(placed: Placed) -> int:
    return placed[0].cycles or 0


def moves(folders: Sequence[Sequence[Row]], joined: Sequence[Placed]) -> list[set[int]]:
    """By how many cycles `join` has moved the rows of each folder on, also of those that stood in another one too."""
    was = [{(r.seq, r.time_utc, r.crack_mm): r.cycles for r in rows if r.cycles is not None} for rows in folders]
    by: dict[tuple[object, ...], int] = {}
    for placed in joined:
        row, k = placed
        key = row.seq, row.time_utc, row.crack_mm
        by[*key, was[k][key]] = _cycles(placed) - was[k][key]
    return [{by[*key, cycles] for key, cycles in known.items()} for known in was]


def _pieces(run: Sequence[Placed]) -> list[list[Placed]]:
    """Cut where the cycle count falls back: a restart that lost it."""
    pieces: list[list[Placed]] = []
    for placed in run:
        if pieces and _cycles(placed) >= _cycles(pieces[-1][-1]):
            pieces[-1].append(placed)
        else:
            pieces.append([placed])
    return pieces


def shortening(crack_mm: Array) -> tuple[int, float]:
    """By how much the crack (n,) gets shorter than it has been, mm, and the fix at which it does so most."""
    if len(crack_mm) <= SEVERAL:
        return 0, 0.0
    size_mm = np.median(np.lib.stride_tricks.sliding_window_view(crack_mm, SEVERAL), axis=1)
    fall_mm = np.maximum.accumulate(size_mm) - size_mm
    worst = int(np.argmax(fall_mm))
    return worst + SEVERAL // 2, float(fall_mm[worst])


@dataclass(frozen=True)
class Fall:
    """The crack was measured shorter by `mm` at `cycles`, and up to `until_cycles` no longer than before."""
    cycles: float
    until_cycles: float
    mm: float


def falls(fixes: Fixes) -> list[Fall]:
    """Where the crack gets shorter from one fix to the next beyond all noise: the camera or the zero has moved."""
    step = np.diff(fixes.crack_mm)
    sd = np.maximum(np.hypot(fixes.crack_sd_mm[1:], fixes.crack_sd_mm[:-1]), robust_sd(step) if len(step) else 0.0)
    found: list[Fall] = []
    for i in np.flatnonzero(step < -FALL_SD * sd):
        if found and fixes.cycles[i] < found[-1].until_cycles:
            continue
        longer = np.flatnonzero(fixes.crack_mm[i + 1:] >= fixes.crack_mm[i])
        until = fixes.cycles[i + 1 + longer[0]] if len(longer) else fixes.cycles[-1]
        found.append(Fall(float(fixes.cycles[i]), float(until), float(-step[i])))
    return found


def noise_inflation(elapsed_s: Array, memory_s: float) -> float:
    """How much larger the variance of a mean of many fixes is than if each had its own noise.

    Neighbouring fixes share frames: the lock-in forgets as exp(-2t/memory), so their noise correlates by
    rho = exp(-2 dt/memory) and the variance of a mean grows by (1 + rho)/(1 - rho) (first-order autoregression, any
    textbook of time series).
    """
    steps = np.diff(elapsed_s[np.isfinite(elapsed_s)])
    steps = steps[steps > 0]
    if not len(steps):
        return 1.0
    rho = np.exp(-2 * np.median(steps) / memory_s)
    return float((1 + rho) / (1 - rho))


def seen_over_s(rows: Sequence[Row], memory_s: float, frame_rate_hz: float) -> Array:
    """Over how many seconds the frames of each row were taken: a memory, and less while that fills after a start or a step of
    the load, where the places of the fixes go half as fast as the tip. The effective number of frames tells how full it is
    (edge/rate.py), beside that of the rows that have a full one: frames may be lost or copies, or come at another rate."""
    full = [r.frames for r in rows if r.frames and "settling" not in r.flags]
    per_s = float(np.median(full)) / memory_s if full else frame_rate_hz
    return np.array([(r.frames or 0) / per_s for r in rows])


def mean_age_cycles(row: Row, over_s: float) -> float:
    """By how many cycles the frames of a row are on the mean older than it: of weights that are alike and of those that fade
    half the effective number."""
    return 0.5 * over_s * (row.load_frequency_hz or 0.0)


def usable_fixes(rows: Sequence[Row], places_mm: Sequence[tuple[float, float]] | None = None, ages_cycles: Array | float = 0.0
                 ) -> tuple[Fixes, list[str]]:
    """Fixes with a crack size, outliers set aside; and notes on what was left out. `places_mm`: along, across a row; `ages_cycles`
    (rows,): mean age of its frames."""
    if not rows:
        return Fixes(*(np.empty(0) for _ in fields(Fixes))), []
    table = as_array(rows)
    places = np.asarray(places_mm if places_mm is not None else np.full((len(rows), 2), np.nan), float).reshape(-1, 2)
    flagged = np.array([bool(UNUSABLE & set(r.flags)) for r in rows])
    fixes = Fixes(table["cycles"] - ages_cycles, table["crack_mm"], table["crack_sd_mm"], table["dKI_MPa_sqrt_m"], table["dKI_sd"],
                  table["load_range_kN"], table["load_ratio"], table["opening_fraction"], table["opening_sd"],
                  places[:, 0], places[:, 1])
    for value, sd in ((fixes.dK_MPa_sqrt_m, fixes.dK_sd), (fixes.opening_fraction, fixes.opening_sd)):
        value[~np.isfinite(sd)] = np.nan  # how much it weighs in a line is not known
    fixes.dK_MPa_sqrt_m[fixes.dK_MPa_sqrt_m <= 0] = np.nan  # has no logarithm
    usable = np.isfinite(fixes.crack_mm) & ~flagged
    notes = [_unusable(rows, usable)] if not usable.all() else []
    fixes = fixes.where(usable)
    known = np.isfinite(fixes.crack_sd_mm) & (fixes.crack_sd_mm > 0)
    typical = float(np.median(fixes.crack_sd_mm[known])) if known.any() else RESOLUTION_MM
    fixes.crack_sd_mm[~known] = typical
    restless = restlessness(fixes.crack_mm, fixes.crack_sd_mm)
    if restless > RESTLESS:
        notes.append(f"neighbouring fixes scatter {restless:.1f} times as much as their crack_sd_mm says: it is widened by that")
        fixes.crack_sd_mm[:] *= restless
    outlying = _outliers(fixes.crack_mm, fixes.crack_sd_mm)
    if outlying.any():
        cycles = ", ".join(f"{c:.0f}" for c in fixes.cycles[outlying][:5])
        notes.append(f"left out: {counted(int(outlying.sum()), 'fix', 'fixes')} {OUTLIER_SD:g} deviations and more off the neighbours "
                     f"(cycles {cycles}{' ...' if outlying.sum() > 5 else ''})")
    return fixes.where(~outlying), notes


def restlessness(crack_mm: Array, sd_mm: Array) -> float:
    """By how much neighbouring fixes scatter beyond their deviations; 1 where growth from one to the next is no less than these."""
    if len(crack_mm) < 20 or (crack_mm.max() - crack_mm.min()) / len(crack_mm) > 2 * np.median(sd_mm):
        return 1.0
    bend, var = np.diff(crack_mm, 2), sd_mm**2
    return float(robust_sd(bend / np.sqrt(var[:-2] + 4 * var[1:-1] + var[2:])))


def _unusable(rows: Sequence[Row], usable: Array) -> str:
    why = Counter(" ".join(f for f in r.flags if f in UNUSABLE) or "no size" for r, ok in zip(rows, usable) if not ok)
    told = ", ".join(f"{word} {count}" for word, count in why.most_common())
    return f"left out: {counted(int(np.sum(~usable)), 'row')} without a usable tip ({told})"


def _outliers(crack_mm: Array, sd_mm: Array) -> Array:
    """Fixes far off the running median of five: for a growing crack the median is the middle one, whatever the rate.

    Beside an outlier the median moves to a neighbour, so the growth within the window's middle three is allowed for.
    """
    if len(crack_mm) < 5:
        return np.zeros(len(crack_mm), bool)
    window = np.sort(np.lib.stride_tricks.sliding_window_view(crack_mm, 5), axis=1)
    outlying = np.zeros(len(crack_mm), bool)
    allowed = OUTLIER_SD * sd_mm[2:-2] + window[:, 3] - window[:, 1]
    outlying[2:-2] = np.abs(crack_mm[2:-2] - window[:, 2]) > allowed
    return outlying


def isotonic(y: Array, weight: Array) -> Array:
    """The nearest non-decreasing course: pool adjacent violators (Ayer et al., Ann. Math. Stat. 26 (1955) 641)."""
    level: list[float] = []
    mass: list[float] = []
    length: list[int] = []
    for value, w in zip(y, weight):
        level.append(float(value))
        mass.append(float(w))
        length.append(1)
        while len(level) > 1 and level[-2] > level[-1]:
            total = mass[-2] + mass[-1]
            level[-2:] = [(mass[-2] * level[-2] + mass[-1] * level[-1]) / total]
            mass[-2:] = [total]
            length[-2:] = [length[-2] + length[-1]]
    return np.repeat(level, length)


def average(fixes: Fixes, inflation: float = 1.0, event_cycles: Sequence[float] = ()) -> Points:
    """Points at least the minimum increment apart: the step grows until it is ten times the averages' precision."""
    step = SMALLEST_STEP_MM
    while True:
        points = _average_by(step, fixes, inflation, event_cycles)
        if not len(points.at) or STEP_OVER_PRECISION * float(np.median(points.at.crack_sd_mm)) <= step:
            return points
        step *= 1.1


def _average_by(step_mm: float, fixes: Fixes, inflation: float, event_cycles: Sequence[float]) -> Points:
    course = isotonic(fixes.crack_mm, fixes.crack_sd_mm**-2) if len(fixes) else fixes.crack_mm
    epoch = np.searchsorted(np.sort(np.asarray(event_cycles, float)), fixes.cycles)
    groups: list[list[int]] = []
    for i in range(len(fixes)):
        within = bool(groups) and course[i] - course[groups[-1][0]] < step_mm * (1 - 1e-9)
        if within and _together(fixes, epoch, groups[-1], i):
            groups[-1].append(i)
        else:
            groups.append([i])
    k = 1
    while k < len(groups):
        near = course[groups[k]].mean() - course[groups[k - 1]].mean() < step_mm * (1 - 1e-9)
        if near and _together(fixes, epoch, groups[k - 1], groups[k][0]):
            groups[k - 1] += groups.pop(k)
        else:
            k += 1
    columns = [_means(fixes.where(np.array(group)), inflation) for group in groups]
    at = Fixes(*(np.array(c, float) for c in zip(*columns))) if columns else fixes
    return Points(at, np.array([len(g) for g in groups], int), step_mm)


def _together(fixes: Fixes, epoch: Array, group: Sequence[int], i: int) -> bool:
    """Whether fix i may be averaged with the group: no event between them, same load."""
    first = group[0]
    other_load = abs(fixes.load_range_kN[i] - fixes.load_range_kN[first]) > STEP_OF_LOAD * fixes.load_range_kN[first]
    other_ratio = abs(fixes.load_ratio[i] - fixes.load_ratio[first]) > STEP_OF_RATIO
    return bool(epoch[i] == epoch[first] and not other_load and not other_ratio)


def _means(one: Fixes, inflation: float) -> list[float]:
    """Means over the fixes, all with the weights of the crack size, so that they belong together."""
    means = []
    for f in fields(Fixes):
        value = getattr(one, f.name)
        known = np.isfinite(value)
        if not known.any():
            means.append(np.nan)
            continue
        weight = one.crack_sd_mm[known] ** -2
        weight = weight / weight.sum()
        if "_sd" in f.name:
            grown = min(inflation, float(known.sum()))   # never worse than a single fix
            means.append(float(np.sqrt(grown * np.sum((weight * value[known]) ** 2))))
        else:
            means.append(float(np.sum(weight * value[known])))
    return means
