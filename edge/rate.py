"""Growth rate while the test runs, the cycles left to a given crack size, and the request to stop there.

The rate is the slope of a straight line, weighted by crack_sd_mm, through the last fixes over which the crack has grown
by the increment that the standard asks for: 0.25 mm or ten times the precision (ASTM E647, from memory). So it belongs
to the middle of that stretch. The deviation of the scale is alike in all fixes: it is in the rate's, not in the weights.
A stretch never straddles an overload, an underload or a step of the load. A fix belongs to the cycles that its frames
are on the mean half a memory behind it, and less while the memory fills: taken for its last frame's, fixes of the first
memory would tell half the rate.

The cycles to the target follow from the rate and the handbook's dK as rate ~ dK^m with the exponent m of the rates so
far, once they determine it; until then from the rate as it is (flag constant_rate). Either way growth is taken to stay
on its present course: while an overload slows it, too many cycles are told. Their relative deviation is at least that
of the rate. No part of this protects anything: bolotip is no safety device.
"""

from collections import deque
from collections.abc import Sequence

import numpy as np

from edge import handbook
from edge.growth_points import (
    FALL_MM,
    SMALLEST_STEP_MM,
    STEP_OVER_PRECISION,
    UNUSABLE,
    mean_age_cycles,
    noise_inflation,
    own_sd_mm,
    seen_over_s,
)
from edge.record import Row, StopRequest
from edge.rig import Records, Specimen, View

KEPT = 4000  # fixes
RECALLED = 2000  # rows after a restart
FEWEST_FIXES = 3
LONGER = 1.3  # from one trial stretch to the next
FEWEST_RATES = 5  # for an exponent
MOST_RATES = 200
EXPONENT_SD = 0.4  # larger: not determined
BACK = 0.85  # of the course before: growth has got over the overload
STOP_FIXES = 2  # in a row beyond the limit, as a single one may be astray
EVENTS = frozenset({"overload", "underload", "load_step"})

Array = np.ndarray


class GrowthWatch:
    """Fixes go in with `follow`, which fills the row's growth columns."""

    def __init__(
        self, specimen: Specimen, view: View, memory_s: float, target_mm: float | None = None, frame_rate_hz: float = np.inf
    ):
        """frame_rate_hz: of the rows' frames, by which their mean age is told; without it they have none."""
        self.specimen, self.view, self.memory_s, self.target_mm = specimen, view, memory_s, target_mm
        self.frame_rate_hz = frame_rate_hz
        self.table = np.empty((KEPT, 4))  # fixes, as of Stretch
        self.fixes = 0  # of them
        self.since_cycles = 0.0  # where the next stretch for the exponent begins
        self.rates: deque[tuple[float, float, float]] = deque(maxlen=MOST_RATES)  # ln dK, ln rate, its deviation
        self.disturbed = False  # by an event, and not yet back on course
        self.load: tuple[float, float] | None = None  # range and ratio as last known
        self.rate: tuple[float, float] | None = None  # mm a cycle, and its deviation, as of the last fix

    def recall(self, rows: Sequence[Row]) -> None:
        """The rows of the run before a restart, or enough of them."""
        step = 1 + len(rows) // RECALLED
        over_s = seen_over_s(rows, self.memory_s, self.frame_rate_hz)
        for number, row in enumerate(rows):
            if number % step == 0 or EVENTS & set(row.flags):
                self.follow(row, float(over_s[number]))

    def follow(self, row: Row, over_s: float | None = None) -> list[str]:
        """Fill rate_mm_per_cycle, rate_sd and cycles_to_target of `row`, whose flags must be complete; more flags. over_s: time
        over which its frames were taken, lost ones and copies included; by their number without it."""
        if EVENTS & set(row.flags):
            self.begin_anew()
        own_mm = own_sd_mm(row, self.view)
        if row.crack_mm is None or own_mm is None or row.cycles is None:
            return []
        if "resumed" in row.flags and self.fixes and row.crack_mm < self.table[self.fixes - 1, 1] - FALL_MM:
            self.begin_anew()
        age_cycles = mean_age_cycles(row, (row.frames or 0) / self.frame_rate_hz if over_s is None else over_s)
        if not UNUSABLE & set(row.flags):
            self._remember((row.cycles - age_cycles, row.crack_mm, max(own_mm, 1e-6), row.elapsed_s or 0.0))
        stretch, self.rate = self._last_stretch(), None
        if stretch is None:
            return ["no_rate"]
        of_scale = stretch.rate * self.view.mm_per_px_sd / self.view.mm_per_px
        self.rate = row.rate_mm_per_cycle, row.rate_sd = stretch.rate, float(np.hypot(stretch.rate_sd, of_scale))
        range_kN, ratio = self._load_of(row)
        if stretch.first_cycles >= self.since_cycles:
            self._keep(stretch, range_kN, ratio)
            self.since_cycles = row.cycles - age_cycles
        if self.target_mm is None:
            return []
        m = self.exponent()
        cycles = None if m is None else self._by_exponent(stretch, row.crack_mm, range_kN, ratio, m)
        constant = max(0.0, self.target_mm - row.crack_mm) / stretch.rate
        row.cycles_to_target = round(constant if cycles is None else cycles)
        return ["constant_rate"] if cycles is None else []

    def _load_of(self, row: Row) -> tuple[float, float]:
        """Range, kN, and ratio of the load, as last known; (1, 0) while they never were: all rates of an exponent are over one."""
        if row.load_range_kN:
            if self.load is None:
                self.rates.clear()
                self.disturbed = False
            self.load = row.load_range_kN, row.load_ratio or 0.0
        return self.load or (1.0, 0.0)

    def _remember(self, fix: tuple[float, ...]) -> None:
        if self.fixes == KEPT:  # growth is slow: the older fixes further apart will do
            kept = np.concatenate([self.table[: KEPT // 2 : 2], self.table[KEPT // 2 :]])
            self.fixes = len(kept)
            self.table[: self.fixes] = kept
        self.table[self.fixes] = fix
        self.fixes += 1

    def begin_anew(self) -> None:
        """Something has changed the growth: what went before belongs to another stretch."""
        self.fixes, self.rate = 0, None
        self.since_cycles, self.disturbed = 0.0, bool(self.rates)

    def _last_stretch(self) -> "Stretch | None":
        """The shortest one over which the crack has grown enough."""
        table = self.table[: self.fixes]
        inflation = noise_inflation(table[-100:, 3], self.memory_s)
        count = float(FEWEST_FIXES)
        while count < len(table) * LONGER:
            stretch = Stretch(table[-int(np.ceil(count)) :], inflation)
            if stretch.wide_enough:
                return stretch
            count *= LONGER
        return None

    def _dK(self, crack_mm: Array, range_kN: float, ratio: float) -> Array:
        return handbook.tensile_dK_MPa_sqrt_m(self.specimen, range_kN, ratio, crack_mm)

    def _keep(self, stretch: "Stretch", range_kN: float, ratio: float) -> None:
        """A rate for the exponent: next to, not overlapping with, the one before, and not of disturbed growth."""
        log_dK = float(np.log(self._dK(np.array([stretch.crack_mm]), range_kN, ratio)[0]))
        if not np.isfinite(log_dK):
            return
        log_rate, sd = float(np.log(stretch.rate)), stretch.rate_sd / stretch.rate
        if self.disturbed:
            x, y, _ = np.array(self.rates).T
            line = np.polyfit(x, y, 1) if self.exponent() is not None else np.array([0.0, y[-1]])
            if log_rate < np.polyval(line, log_dK) + np.log(BACK):
                return
        self.disturbed = False
        self.rates.append((log_dK, log_rate, sd))

    def exponent(self) -> float | None:
        """m of rate ~ dK^m from the rates so far, weighted least squares; None if they do not determine it."""
        if len(self.rates) < FEWEST_RATES:
            return None
        x, y, sd = np.array(self.rates).T
        (m, offset), covariance = np.polyfit(x, y, 1, w=1 / sd, cov="unscaled")
        excess = max(1.0, float(np.sum(((y - offset - m * x) / sd) ** 2)) / (len(x) - 2))
        return float(m) if np.sqrt(covariance[0, 0] * excess) < EXPONENT_SD and m > 0 else None

    def _by_exponent(
        self, stretch: "Stretch", crack_mm: float, range_kN: float, ratio: float, m: float
    ) -> float | None:
        """Integral of da/rate from here to the target, trapezoids; None where the handbook gives no dK."""
        assert self.target_mm is not None
        sizes = np.linspace(crack_mm, max(crack_mm, self.target_mm), 200)
        at_rate = self._dK(np.array([stretch.crack_mm]), range_kN, ratio)[0]
        slowness = (self._dK(sizes, range_kN, ratio) / at_rate) ** -m / stretch.rate
        cycles = float(np.sum(np.diff(sizes) * (slowness[1:] + slowness[:-1]) / 2))
        return cycles if np.isfinite(cycles) else None


class Stretch:
    """Straight line a(N) through fixes: table (n, 4) of cycles, crack_mm, crack_sd_mm, elapsed_s; n >= 3.

    inflation: of the variance of means, as neighbouring fixes share frames. The deviation is widened where the fixes
    scatter more than they say.
    """

    def __init__(self, table: Array, inflation: float):
        cycles, crack, sd, _ = table.T
        weight = sd**-2
        n0, self.crack_mm = (float(np.average(v, weights=weight)) for v in (cycles, crack))
        self.first_cycles = float(cycles[0])
        x = cycles - n0
        spread = float(weight @ x**2)
        self.rate = float(weight @ (x * (crack - self.crack_mm))) / spread if spread else 0.0
        residual = crack - self.crack_mm - self.rate * x
        excess = max(1.0, float(weight @ residual**2) / max(1, len(x) - 2))
        grown = min(inflation, len(x)) * excess
        self.rate_sd = float(np.sqrt(grown / spread)) if spread else float("inf")
        growth = self.rate * float(cycles[-1] - cycles[0])
        # of the two sizes whose difference the growth would be: 2 precision^2 = its variance; that of the mean is 2.4 times less
        precision = self.rate_sd * float(cycles[-1] - cycles[0]) / 2**0.5
        self.wide_enough = growth >= max(SMALLEST_STEP_MM, STEP_OVER_PRECISION * precision)


class StopAt:
    """Watches for the crack size or rate at which a stop is to be asked for. Off unless the rig file names one."""

    def __init__(self, records: Records):
        self.crack_mm, self.rate = records.stop_at_crack_mm, records.stop_at_rate_mm_per_cycle
        self.beyond = 0  # fixes in a row

    def see(self, row: Row) -> StopRequest | None:
        """The request that belongs to `row`; once made it stands, with each row that has a crack size."""
        if row.crack_mm is None or UNUSABLE & set(row.flags):
            return None
        large = self.crack_mm is not None and row.crack_mm >= self.crack_mm
        fast = self.rate is not None and row.rate_mm_per_cycle is not None and row.rate_mm_per_cycle >= self.rate
        self.beyond = self.beyond + 1 if large or fast or self.beyond >= STOP_FIXES else 0
        return StopRequest(row.seq, row.crack_mm, row.cycles or 0) if self.beyond >= STOP_FIXES else None
