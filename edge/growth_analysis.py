"""From growth points to rates that count, Paris lines, delays and the check of the calibration; arrays only."""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from edge import handbook
from edge.growth_delay import Delay, find_delay, undisturbed_cycles
from edge.growth_events import Event
from edge.growth_fit import FEWEST_RATES, LN10, WINDOW, Line, Rates, paris, polynomial, secant
from edge.growth_points import Fall, Fixes, Points
from edge.growth_validity import gradient_per_mm, judge, kept_out, plane_angle_deg
from edge.rig import Specimen

Array = np.ndarray
KINDS = ("measured", "handbook", "effective")
ROUNDS = 5                    # of: Paris line without the retarded stretch, retarded stretch from the Paris line
SLOWED = 0.75                 # of the course so far: the first guess of what an event slowed


@dataclass(frozen=True)
class Course:
    """Rates of one method with everything known at them: arrays (rates,), NaN where not determined."""
    rates: Rates
    log10_dK: dict[str, Array]          # by kind
    covariance: dict[str, Array]        # of log10_dK, (rates, rates)
    opening_fraction: Array
    load_range_kN: Array
    load_ratio: Array
    angle_deg: Array
    gradient_per_mm: Array
    invalid: list[tuple[str, ...]]
    remarks: list[tuple[str, ...]]

    def dK(self, kind: str) -> Array:
        return 10 ** self.log10_dK[kind]

    def dK_sd(self, kind: str) -> Array:
        return self.dK(kind) * LN10 * np.sqrt(np.diag(self.covariance[kind]))

    def fits(self) -> Array:
        """Which rates a Paris line is drawn through."""
        return np.array([not kept_out(self.rates.method, i, r) for i, r in zip(self.invalid, self.remarks)], bool)

    def enough(self, kind: str) -> bool:
        """Whether there are rates enough for a Paris line over that dK."""
        return bool((self.fits() & np.isfinite(self.log10_dK[kind])).sum() >= FEWEST_RATES)


@dataclass(frozen=True)
class Calibration:
    """Measured over handbook dK: mean, drift per mm of crack, and how much the points scatter beyond their deviations.
    """
    ratio: float
    ratio_sd: float
    drift_per_mm: float
    drift_sd_per_mm: float
    scatter: float
    points: int


@dataclass(frozen=True)
class Analysis:
    courses: list[Course]                       # secant, polynomial (if there are seven points)
    lines: dict[tuple[str, str], Line]          # by (method, kind)
    delays: list[tuple[Event, Delay | None]]
    calibration: Calibration | None


def open_part(opening_fraction: Array) -> Array:
    """U, the part of the load range in which the crack is open, from the record's opening_fraction: the part of the
    load range below the opening load, (Pop - Pmin)/(Pmax - Pmin)."""
    return 1 - opening_fraction


def weighted(matrix: Array, value: Array) -> Array:
    """matrix (rates, points) times value (points,), column by column; what a rate does not use leaves it alone: 0 x NaN is 0."""
    return np.multiply(matrix, value, out=np.zeros_like(matrix), where=matrix != 0)


def at_rates(matrix: Array, value: Array) -> Array:
    """matrix @ value; NaN only for rates whose own points are NaN."""
    return weighted(matrix, value).sum(axis=1)


def handbook_dK(specimen: Specimen | None, crack_mm: Array, range_kN: Array, ratio: Array) -> Array:
    """dK of the handbook, of the tensile part of the range."""
    if specimen is None:
        return np.full(len(crack_mm), np.nan)
    return handbook.tensile_dK_MPa_sqrt_m(specimen, range_kN, ratio, crack_mm)


def analyse(fixes: Fixes, points: Points, events: Sequence[Event], specimen: Specimen | None, inflation: float = 1.0,
            falls: Sequence[Fall] = (), guessed: Sequence[tuple[float, float]] = (), common_dK: float = 0.0) -> Analysis:
    """Everything from the fixes and their averages. At least two points; inflation as of `noise_inflation`, falls as of `falls`,
    guessed as of `guesses`; common_dK: relative deviation that all measured dK share, not in theirs."""
    at = points.at
    rates = [secant(at.cycles, at.crack_mm, at.crack_sd_mm)]
    if len(at) >= WINDOW:
        rates.append(polynomial(at.cycles, at.crack_mm, at.crack_sd_mm))
    ends = {event: _first_end(rates[0], event) for event in events}
    delays: list[tuple[Event, Delay | None]] = []
    for _ in range(ROUNDS if events else 1):
        courses = [_course(r, at, specimen, ends, falls, guessed) for r in rates]
        lines = {(c.rates.method, kind): line for c in courses for kind in KINDS if (line := _line(c, kind, at))}
        delays = [(e, _delay(e, events, fixes, at, specimen, lines, inflation)) for e in events]
        now = {e: e.best_cycles + d.delay_cycles if d and d.significant else e.best_cycles for e, d in delays}
        if now == ends:
            break
        ends = now
    lines = {(method, kind): _displaced(line, 0.0 if kind == "handbook" else common_dK) for (method, kind), line in lines.items()}
    return Analysis(courses, lines, delays, _calibration(at, specimen, common_dK))


def _displaced(line: Line, common_dK: float) -> Line:
    """With what an error that all dK share does: it displaces log dK, so C by its m-th power; m and scatter stay."""
    return replace(line, covariance=line.covariance + np.diag([(line.m * common_dK / LN10) ** 2, 0.0]))


def _course(rates: Rates, at: Fixes, specimen: Specimen | None, ends: dict[Event, float],
            falls: Sequence[Fall], guessed: Sequence[tuple[float, float]]) -> Course:
    matrix = rates.size_matrix
    opening, load, ratio = (at_rates(matrix, v) for v in (at.opening_fraction, at.load_range_kN, at.load_ratio))
    with np.errstate(divide="ignore", invalid="ignore"):
        log_measured = np.log10(at.dK_MPa_sqrt_m)
        # U is of the whole load range, measured dK at R < 0 of its tensile part (edge.handbook.maximum_K)
        log_U = np.log10(open_part(at.opening_fraction) / handbook.tensile_range_kN(1.0, at.load_ratio))
        by_dK = weighted(matrix, at.dK_sd / at.dK_MPa_sqrt_m / LN10)
        by_U = weighted(matrix, at.opening_sd / open_part(at.opening_fraction) / LN10)
        measured = at_rates(matrix, log_measured)
        book = np.log10(handbook_dK(specimen, rates.crack_mm, load, ratio))
        step = 1e-3 * rates.crack_mm
        book_slope = (np.log10(handbook_dK(specimen, rates.crack_mm + step, load, ratio)) - book) / step
    by_size = book_slope[:, None] * matrix * at.crack_sd_mm
    base = np.where(np.isfinite(measured), measured, book)
    angle = plane_angle_deg(at.along_mm, at.across_mm, specimen.width_mm) if specimen else np.full(len(at), np.nan)
    retarded = np.zeros(len(rates.rate), bool)
    first, last = at.cycles[rates.window].T
    for event, end in ends.items():
        retarded |= (first < end) & (last > event.after_cycles)
        retarded |= (first <= event.best_cycles) & (last > event.best_cycles)
    shorter = np.zeros(len(rates.rate), bool)
    for fall in falls:
        shorter |= (first <= fall.until_cycles) & (last >= fall.cycles)
    estimated = np.zeros(len(rates.rate), bool)
    for before, then in guessed:
        estimated |= (first < then) & (last > before)
    invalid, remarks = judge(rates, at, specimen, 10**base, angle, retarded, shorter, estimated)
    return Course(
        rates, {"measured": measured, "handbook": book, "effective": measured + at_rates(matrix, log_U)},
        {"measured": by_dK @ by_dK.T, "handbook": by_size @ by_size.T, "effective": by_dK @ by_dK.T + by_U @ by_U.T},
        opening, load, ratio, angle[rates.window.sum(axis=1) // 2], gradient_per_mm(at, rates.window, specimen)[0], invalid,
        remarks)


def _line(course: Course, kind: str, at: Fixes) -> Line | None:
    try:
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            return paris(course.rates, course.log10_dK[kind], course.covariance[kind], at.crack_mm, at.crack_sd_mm,
                         course.fits())
    except np.linalg.LinAlgError:  # the search ran away: the rates hold no one line
        return None


def _first_end(rates: Rates, event: Event) -> float:
    """First guess of where an event's effect ends: the first rate after it that is back above three quarters of the
    mean of the last three before it; the event itself if none was lower."""
    before = rates.rate[rates.cycles <= event.after_cycles][-3:]
    after = rates.cycles > event.cycles
    if not len(before):
        return event.best_cycles
    slowed = rates.rate[after] < SLOWED * before.mean()
    if not slowed[:3].any():
        return event.best_cycles
    first = int(np.argmax(slowed))
    back = np.flatnonzero(~slowed[first:])
    return float(rates.cycles[after][first + back[0]] if len(back) else rates.cycles[-1])


def _delay(event: Event, events: Sequence[Event], fixes: Fixes, at: Fixes, specimen: Specimen | None,
           lines: dict[tuple[str, str], Line], inflation: float) -> Delay | None:
    """The delay after one event from the fixes between the events before and after it."""
    key = next((k for k in (("secant", "measured"), ("secant", "handbook")) if k in lines), None)
    if key is None:
        return None
    book = handbook_dK(specimen, at.crack_mm, at.load_range_kN, at.load_ratio)
    dK = at.dK_MPa_sqrt_m if key[1] == "measured" else book
    known = np.isfinite(dK)
    order = np.argsort(at.crack_mm[known])
    size, rate = at.crack_mm[known][order], lines[key].rate(dK[known][order])
    low, high = fixes.crack_mm.min() - 1, fixes.crack_mm.max() + 1     # held beyond the first and last point
    base = undisturbed_cycles(np.concatenate([[low], size, [high]]), np.concatenate([rate[:1], rate, rate[-1:]]))
    after = max((e.best_cycles for e in events if e.best_cycles < event.best_cycles), default=-np.inf)
    until = min((e.best_cycles for e in events if e.best_cycles > event.best_cycles), default=np.inf)
    one = fixes.where((fixes.cycles > after) & (fixes.cycles <= until))
    typical = lines[key].log10_rate_sd(dK[known]) * LN10
    # the line's scatter is that of one step between points; it grows with the square root of the length
    walk = lines[key].scatter * LN10 * float(np.sqrt(np.median(np.diff(at.crack_mm))))
    try:
        return find_delay(one.cycles, one.crack_mm, one.crack_sd_mm * np.sqrt(inflation), base, event.best_cycles,
                          event.sd_cycles, float(np.sqrt(np.mean(typical**2))), walk)
    except np.linalg.LinAlgError:  # fixes that determine no course
        return None


def _calibration(at: Fixes, specimen: Specimen | None, common_dK: float) -> Calibration | None:
    """Straight line through measured/handbook against crack size, weighted; widened by the scatter if that is larger.
    """
    ratio = at.dK_MPa_sqrt_m / handbook_dK(specimen, at.crack_mm, at.load_range_kN, at.load_ratio)
    sd = ratio * at.dK_sd / at.dK_MPa_sqrt_m
    known = np.isfinite(ratio) & np.isfinite(sd) & (sd > 0)
    if known.sum() < 3:
        return None
    weight = sd[known] ** -2
    x = at.crack_mm[known] - np.average(at.crack_mm[known], weights=weight)
    mean = float(np.average(ratio[known], weights=weight))
    drift = float(np.sum(weight * x * ratio[known]) / np.sum(weight * x**2))
    residual = ratio[known] - mean - drift * x
    scatter = float(np.sqrt(np.sum(weight * residual**2) / (known.sum() - 2)))
    grown = max(1.0, scatter)
    return Calibration(mean, float(np.hypot(grown / np.sqrt(weight.sum()), mean * common_dK)), drift,
                       grown / float(np.sqrt(np.sum(weight * x**2))), scatter, int(known.sum()))
