"""Load cycles one by one: their number, peak and valley, and which of them stand out of the cycles around them.

A cycle begins where the load rises through its middle, so that it holds first its peak, then its valley. The levels for
that come from the last window of load that was a clean wave; they are not the middle of whatever arrives, so noise of a
load that stands still is no cycle, and an overload does not move them.

Each cycle is compared with the median of the cycles before it (up to HISTORY of them; their scatter from the median
absolute deviation). A short block of cycles beyond that is an overload or underload, a lasting change a load step. The
limits are common practice, no source; they are widened by the scatter and by what sampling leaves open: with n samples
a cycle the largest of them lies up to (1 - cos(pi/n))/2 of the range below the peak.
"""

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from calibration.robust import MAD_TO_SD

HYSTERESIS = 0.3  # of the amplitude, on both sides of the middle
HISTORY = 64  # cycles that a cycle is compared with, at most
FEWEST = 16  # and at least
STANDS_OUT = 0.15  # of the range beyond the median peak or valley: overload or underload
QUIET = 4  # ordinary cycles that end an overload
BLOCK = 32  # cycles; what stands out for longer is another load
STEP = 0.02  # of the range: a lasting change of peak, valley or range that is another load
STEP_CYCLES = 16  # over which it must last
SURE = 8.0  # deviations
MOST_OPEN = 60_000  # samples kept of a cycle that does not end
KEPT_EVENTS = 1000

Array = np.ndarray


@dataclass(frozen=True)
class LoadEvent:
    """kind: overload, underload or load_step. cycles: number of complete cycles before the (first) one that stands out;
    time_s: its beginning; count: how many stand out (0: a step, for good). peak_kN, valley_kN: of the cycle that stands
    out most, or the medians after a step."""

    kind: str
    cycles: int
    time_s: float
    count: int
    peak_kN: float
    valley_kN: float


class CycleCounter:
    """Samples go in with `add`, in order and each once; `cycles` counts, `take_events` hands out what stood out."""

    def __init__(self) -> None:
        self.cycles = 0
        self.levels: tuple[float, float] | None = None  # kN: below the first is low, above the second high
        self.open_s, self.open_kN = np.empty(0), np.empty(0)  # samples of the cycle under way
        self.state = 0  # at their beginning: 1 high, -1 low, 0 not known yet
        self.counted = False  # whether they begin with a crossing
        self.judge = Judge()

    def set_levels(self, mean_kN: float, amplitude_kN: float) -> None:
        """Where the load crosses, from a clean stretch of it."""
        self.levels = mean_kN - HYSTERESIS * amplitude_kN, mean_kN + HYSTERESIS * amplitude_kN

    def add(self, time_s: Array, load_kN: Array) -> None:
        """New samples (n,). Before the first levels they wait."""
        t, p = np.concatenate([self.open_s, time_s]), np.concatenate([self.open_kN, load_kN])
        starts = np.empty(0, int)
        if self.levels is not None and t.size:
            high = p > self.levels[1]
            known = np.flatnonzero(high | (p < self.levels[0]))
            state = high[known]
            starts = known[1:][state[1:] & ~state[:-1]]
            if known.size and state[0] and self.state < 0:
                starts = np.concatenate([known[:1], starts])
        if starts.size:
            self._close(t, p, starts)
            t, p = t[starts[-1] :], p[starts[-1] :]
            self.state, self.counted = 1, True
        elif t.size > MOST_OPEN:
            drop = t.size - MOST_OPEN // 2
            if self.levels is not None and (gone := known[known < drop]).size:
                self.state = 1 if high[gone[-1]] else -1
            t, p = t[drop:], p[drop:]
        self.open_s, self.open_kN = t, p

    def _close(self, t: Array, p: Array, starts: Array) -> None:
        """Count the crossings at `starts` and judge the cycles that end there."""
        edges = np.concatenate([[0], starts]) if self.counted else starts
        first = self.cycles + (0 if self.counted else 1)
        self.cycles += starts.size
        n = edges.size - 1
        if n > 0:
            cycles = np.empty((5, n))
            cycles[NUMBER], cycles[TIME] = np.arange(first, first + n), t[edges[:-1]]
            cycles[PEAK] = np.maximum.reduceat(p, edges)[:-1]
            cycles[VALLEY] = np.minimum.reduceat(p, edges)[:-1]
            cycles[RANGE] = cycles[PEAK] - cycles[VALLEY]
            self.judge.see(cycles, float(median(np.diff(edges))))

    def take_events(self, until_s: float = np.inf) -> list[LoadEvent]:
        """Events that began by `until_s` and were not handed out before, in order of their beginning."""
        if not self.judge.events:
            return []
        ready = [e for e in self.judge.events if e.time_s <= until_s]
        for event in ready:
            self.judge.events.remove(event)
        return sorted(ready, key=lambda e: e.time_s)


NUMBER, TIME, PEAK, VALLEY, RANGE = range(5)  # rows of a table of cycles
EXTREMES = slice(PEAK, RANGE + 1)


class Judge:
    """Compares cycles with those before them. Tables of cycles are (5, n): number, time, peak, valley, range.

    What stands out is rare, and the scatter, which costs the most, can only excuse it: so it is asked last.
    """

    def __init__(self) -> None:
        self.before = np.empty((5, 0))  # ordinary cycles
        self.block: list[Array] = []  # cycles that stand out, and ordinary ones among and just after them, (5,) each
        self.quiet = 0  # ordinary ones at the end of it
        self.samples = np.inf  # a cycle
        self.events: deque[LoadEvent] = deque(maxlen=KEPT_EVENTS)

    def see(self, cycles: Array, samples_per_cycle: float) -> None:
        """New complete cycles (5, n), n > 0."""
        self.samples = samples_per_cycle
        while n := cycles.shape[1]:
            beyond = np.asarray(self._beyond(cycles).any(axis=0))
            if not self.block:  # ordinary ones a stretch at a time: each is to be compared with those just before it
                ordinary = int(beyond.argmax()) if beyond.any() else n
                ordinary = min(ordinary, FEWEST)
                if ordinary:
                    self._remember(cycles[:, :ordinary])
                    cycles = cycles[:, ordinary:]
                    continue
            self.block.append(cycles[:, 0])
            self.quiet = 0 if beyond[0] else self.quiet + 1
            cycles = cycles[:, 1:]
            if self.quiet >= QUIET:
                self._end_block()
            elif len(self.block) >= BLOCK + QUIET:
                self._another_load(np.array(self.block).T)
                self.block = []

    def _beyond(self, cycles: Array) -> Array:
        """(2, n) bool: peak too high, valley too low against the cycles before."""
        if self.before.shape[1] < FEWEST:
            return np.zeros((2, cycles.shape[1]), bool)
        before = self.before[EXTREMES]
        middle = median(before)
        excess = np.stack([cycles[PEAK] - middle[0], middle[1] - cycles[VALLEY]])
        limits = self._limits(middle, STANDS_OUT)
        if (excess > limits).any():
            limits = self._limits(middle, STANDS_OUT, SURE * scatter(before, middle)[:2, None])
        return np.asarray(excess > limits)

    def _limits(self, middle: Array, share: float, noise: Array | float = 0.0) -> Array:
        """By how much an extreme or the range may differ from the medians `middle` (3,) before it means something, kN."""
        unseen = (1 - math.cos(math.pi / max(self.samples, 2.0))) / 2
        return np.maximum(share * middle[2], noise) + unseen * middle[2]

    def _remember(self, cycles: Array) -> None:
        """Ordinary cycles (5, n), n <= FEWEST: part of what later ones are compared with."""
        self.before = np.concatenate([self.before, cycles], axis=1)[:, -HISTORY - STEP_CYCLES :]
        if self.before.shape[1] < FEWEST + STEP_CYCLES:
            return
        old, new = self.before[EXTREMES, :-STEP_CYCLES], self.before[EXTREMES, -STEP_CYCLES:]
        was, now = median(old), median(new)
        moved = np.abs(now - was)
        if (moved > self._limits(was, STEP)).any():
            # deviation of a median of n: 1.25 sd/sqrt(n) (normal noise, any textbook)
            deviations = SURE * 1.25 * math.sqrt(1 / old.shape[1] + 1 / new.shape[1])
            if (moved > self._limits(was, STEP, deviations * scatter(old, was))).any():
                self._another_load(self.before[:, self._step_at(was, now) :])

    def _step_at(self, was: Array, now: Array) -> int:
        """Where in `before` the load changed: after the last cycle that is nearer to the old medians, some strays aside."""
        three = self.before[EXTREMES]
        nearer_old = np.abs(three - was[:, None]).sum(0) < np.abs(three - now[:, None]).sum(0)
        old = np.flatnonzero(nearer_old[: -STEP_CYCLES // 2])
        return int(old[-1]) + 1 if old.size else 0

    def _another_load(self, since: Array) -> None:
        """The cycles `since` are the first of another load."""
        peak, valley = median(since[[PEAK, VALLEY]]).tolist()
        self.events.append(LoadEvent("load_step", int(since[NUMBER, 0]), float(since[TIME, 0]), 0, peak, valley))
        self.before = since

    def _end_block(self) -> None:
        """The load is as before again: what stood out was an overload, an underload or both."""
        block, self.block = np.array(self.block).T, []
        beyond = self._beyond(block)
        for kind, chosen, most in (
            ("overload", block[:, beyond[0]], lambda b: np.argmax(b[PEAK])),
            ("underload", block[:, beyond[1]], lambda b: np.argmin(b[VALLEY])),
        ):
            if chosen.size:
                number, time_s = int(chosen[NUMBER, 0]), float(chosen[TIME, 0])
                peak, valley = chosen[[PEAK, VALLEY], most(chosen)].tolist()
                self.events.append(LoadEvent(kind, number, time_s, chosen.shape[1], peak, valley))
        self._remember(block[:, ~beyond.any(axis=0)][:, -FEWEST:])


def median(table: Array) -> Array:
    """Along the last axis; many times faster than numpy's own on a few numbers."""
    ranked, n = np.sort(table), table.shape[-1]
    return np.asarray((ranked[..., (n - 1) // 2] + ranked[..., n // 2]) / 2)


def scatter(table: Array, middle: Array) -> Array:
    """Standard deviation of the rows of a table around their medians, from the median absolute deviation."""
    return MAD_TO_SD * median(np.abs(table - middle[:, None]))
