"""Frame clock: regular exposure times from late, jittered arrivals.

A camera exposes on a regular grid t0 + n T; a frame's arrival is that instant plus a delay that is never negative and
differs from frame to frame. The lower envelope of the arrivals is the grid (up to the constant part of the delay, which
belongs to the camera profile as `frame_delay_s`). At the start frames wait until enough of them have come to find the
grid by; then a two-state Kalman filter (grid offset, period) is fed with the second smallest lateness of each block of
frames, as the smallest may be that of a frame counted a slot too far: a very late one whose follower was lost. Numbering
looks a few frames ahead: frames come in order, so a frame's slot can't be later than that of any follower less the frames
between.
"""

import itertools
import math
from collections import deque
from typing import NamedTuple

import numpy as np

GUARD = 0.25  # of a period: how early a frame may seem to be before it is given the slot before
EARLY = 0.1  # of a period: a frame that seems earlier was given the slot after its own
PERIOD_SD = 0.005  # relative: how far the real frame rate is from the nominal one, as a rule
GUESSES = 1 + 0.015 * np.arange(-3, 4)  # of the nominal period, where the search for the real one begins
OTHER, FARTHEST = 0.05, 16.0  # relative, and times, up or down: arrivals that are so far apart are a guess of the period too
WILD, WILD_BLOCKS = 0.15, 2  # of a period: a mean lateness above it that is not the usual one, and blocks of that in a row
CHANGED = 1e-3  # relative: a period found again that is another one
SOON = 400  # frames: a grid lost again before that was not the right one
STEPS = 3  # blocks in a row that are far off the same way: no change of the delays alone
SHOWN = 128  # last arrivals that tell whether the camera has gone over to another rate
PERIOD_WALK = 1e-6  # relative, per square root of a frame: how fast the period may wander
LOOKAHEAD = 8  # frames
FEWEST, MORE, MOST_WAITING = 24, 8, 96  # frames that wait until the grid is found: it is tried with 24, 32 ... 96 of them
PLACED_S = 8e-4  # deviation of the times, now and in the next block, at which it is: 6 degrees at 20 Hz
FIRST = 9  # frames that the search for it begins with
STRAY = 48  # frames with one among them that may have been given a wrong slot
SHARPNESS = 0.5  # of the edge of the latenesses against an exponential one: 0.5 in even ones, 0.64 in half of normal ones
MISSING = 0.5  # log-likelihood of a slot without a frame, against one with
EXACT_S = 1e-7  # no arrival is known better
BLOCK = 32  # frames whose smallest latenesses are one measurement
RANKS, STEADY = (1, 6), 20  # of them, between which they tell how dense latenesses are at the edge; and blocks that say it
HEAP = 0.4  # of a period: frames that follow each other faster were waiting somewhere
FIRST_GAP = 12  # periods, between the first frames
LONG_GAP_S = 10.0  # a camera silent for longer has not lost frames, it was away
SILENCE = 2.5  # periods without a frame, after which that is looked for


class Slot(NamedTuple):
    """Place of one frame on the grid: number (losses leave gaps), time in seconds, lateness of its arrival in seconds;
    `sure` is False where the arrival contradicts the grid (a stalled reader), and the frame should not be used."""

    number: int
    time_s: float
    late_s: float
    sure: bool


class FrameClock:
    """Arrivals go in with `push`, frames come out in the same order with `pop`, LOOKAHEAD frames later."""

    def __init__(self, frame_rate_hz: float, most_waiting: int = MOST_WAITING):
        self.most_waiting = most_waiting
        self.waiting: deque[float] = deque()
        self.offset_s = 0.0  # time of slot `number`
        self.period_s = 1.0 / frame_rate_hz
        self.covariance = 0.0, 0.0, 0.0  # offset, both, period; plain numbers: it moves once a frame
        self.number = -1  # slot of the last frame handed out; -1 before the first
        self.block: list[float] = []
        self.known = 0  # frames to come that the grid was found by: they tell nothing new
        self.spread_s = 0.002  # typical lateness above the envelope
        self.blocks, self.step_up_s = 0, 0.0  # from one of a block's smallest latenesses to the next, typically, by so many blocks
        self.last_arrival_s = -math.inf
        self.heap = False
        self.doubtful = 0  # frames in a row that contradict the grid
        self.intervals: deque[float] = deque(maxlen=SHOWN)  # between the last arrivals
        self.another_rate = False  # they are not of this period
        self.kept_for = 0  # frames since the grid was found
        self.wild = 0  # blocks in a row whose latenesses differ far more than before
        self.steps = 0  # blocks in a row that stood far off the grid, below 0 where too early
        self.step_s = 0.0  # how far the last of them did
        self.changes = 0  # times that the camera has gone over to another rate

    @property
    def frame_rate_hz(self) -> float:
        return 1.0 / self.period_s

    def lost(self, missing: int) -> int:
        """How many of the frames that are missing in a row count as lost."""
        return max(0, missing) if missing * self.period_s < LONG_GAP_S else 0

    def push(self, arrival_s: float) -> None:
        if self.waiting:
            self.intervals.append(arrival_s - self.waiting[-1])
        self.waiting.append(arrival_s)

    def begin_anew(self) -> None:
        """The camera was away: its frames to come are on a grid of their own. Those before should be out by now."""
        self.another_rate = self.number >= 0

    def pop(self, flush: bool = False) -> Slot | None:
        """The oldest waiting frame's slot, or None while too few followers are known (`flush`: take what there is)."""
        if not self.waiting or (len(self.waiting) <= LOOKAHEAD and not flush):
            return None
        if self.number < 0 and self._before_a_gap():
            return Slot(0, self.waiting.popleft(), 0.0, False)
        if self.number < 0 or self._lost_the_grid(self.waiting[0]):
            if not self._find_grid(np.array(self.waiting), flush):
                return None
        self._advance(self._step() if self.number >= 0 else 0)
        arrival_s = self.waiting.popleft()
        late_s = arrival_s - self.offset_s
        believable = -EARLY * self.period_s < late_s < self.period_s * (1 + GUARD) + 6 * self.spread_s
        in_heap = self._in_heap(arrival_s)
        sure = bool(believable and not in_heap)
        self.doubtful = 0 if sure else self.doubtful + 1
        self.kept_for += 1
        if self.known:
            self.known -= 1
        elif sure:
            self.block.append(late_s)
        if len(self.block) >= BLOCK:
            self._correct()
        return Slot(self.number, self.offset_s, arrival_s - self.offset_s, sure)

    def _before_a_gap(self) -> bool:
        """Whether the first frame of all came long before a later one: it says nothing of the grid of those."""
        followers = itertools.islice(self.waiting, 1, None)
        return any(b - a > FIRST_GAP * self.period_s for a, b in zip(self.waiting, followers))

    def _step(self) -> int:
        """Slots of the oldest waiting frame after `number`: at most that of any follower less the frames between."""
        offset_s, period_s = self.offset_s, self.period_s
        if (self.waiting[0] - offset_s) / period_s + GUARD < 2:  # its own arrival leaves no other
            return 1
        return max(1, min(math.floor((t - offset_s) / period_s + GUARD) - i for i, t in enumerate(self.waiting)))

    def _in_heap(self, arrival_s: float) -> bool:
        """Whether the frame belongs to those that a stalled reader found waiting: after a long silence, several at once.
        They may be old ones out of a full buffer, with the newer ones lost, so their places can't be told."""
        since = arrival_s - self.last_arrival_s
        until_next = self.waiting[0] - arrival_s if self.waiting else math.inf
        close = HEAP * self.period_s
        self.heap = (self.heap and since < close) or (since > SILENCE * self.period_s and until_next < close)
        self.last_arrival_s = arrival_s
        return self.heap

    def _lost_the_grid(self, arrival_s: float) -> bool:
        """After a long gap, or a run of contradictions, the phase of the grid is looked for anew."""
        if self.doubtful > 2 * LOOKAHEAD or self.another_rate:
            return True
        slots = (arrival_s - self.offset_s) / self.period_s
        if slots <= 50:
            return False
        walk = (PERIOD_WALK * self.period_s) ** 2 * slots**3 / 3
        return math.sqrt(self.covariance[0] + slots**2 * self.covariance[2] + walk) > 0.15 * self.period_s

    def _find_grid(self, arrivals: np.ndarray, flush: bool) -> bool:
        """From the frames that wait; False while more of them would help, unless `flush`."""
        enough = flush or arrivals.size >= self.most_waiting
        if not enough and (arrivals.size < FEWEST or arrivals.size % MORE):
            return False
        if self.number < 0:
            grid, changed = first_grid(arrivals, self.period_s), False
        else:
            grid, changed = self._grid_again(arrivals)
        after = arrivals.size + BLOCK  # by then the next measurement comes
        variance, both, of_period = grid.covariance
        unsure_s2 = max(variance, variance + after * (2 * both + after * of_period))
        if unsure_s2 > PLACED_S**2 and not enough:
            return False
        start = grid.offset_s
        if self.number >= 0:  # keep numbers running over the gap; the next frame is one step on
            step = max(1, round((start - self.offset_s) / self.period_s))
            self.number += step - 1
            start -= grid.period_s
        self.offset_s, self.period_s, self.covariance, self.spread_s = start, *grid[1:]
        self.block, self.doubtful, self.known = [], 0, arrivals.size
        self.blocks, self.step_up_s = 0, 0.0
        self.another_rate, self.wild, self.kept_for = False, 0, 0
        self.intervals.clear()
        self.changes += changed
        return True

    def _grid_again(self, arrivals: np.ndarray) -> "tuple[Grid, bool]":
        """The grid after it was lost, with the period as it was, or another where that fits far better; whether it does."""
        grid = fit_grid(arrivals, self.period_s, math.sqrt(self.covariance[2]))
        again_soon = self.kept_for < SOON
        if grid.late_s < 2 * self.spread_s + WILD / 2 * self.period_s and not again_soon:
            return grid, False
        other = first_grid(arrivals, self.period_s)
        off, sd = abs(other.period_s / self.period_s - 1), math.sqrt(other.covariance[2]) / self.period_s
        changed = (other.late_s < grid.late_s / 2 or again_soon) and off > max(CHANGED, 4 * sd)
        return (other, True) if changed else (grid, False)

    def _advance(self, slots: int) -> None:
        if self.number < 0:
            self.number = 0
            return
        self.number += slots
        self.offset_s += slots * self.period_s
        c00, c01, c11 = self.covariance
        walk = slots * (PERIOD_WALK * self.period_s) ** 2
        moved = c01 + slots * c11
        self.covariance = c00 + slots * (c01 + moved), moved, c11 + walk

    def _correct(self) -> None:
        """Kalman update with the block's second smallest lateness, which stands for the middle of the block."""
        late, n = sorted(self.block), len(self.block)
        lowest, (low, high) = late[1], RANKS
        spread_s = sum(late) / n - lowest
        wild = spread_s > max(4 * self.spread_s, WILD * self.period_s)  # as where the camera goes at another rate
        self.wild = self.wild + 1 if wild else 0
        if not wild:
            self.spread_s = 0.9 * self.spread_s + 0.1 * spread_s
            self.blocks = min(self.blocks + 1, STEADY)
            self.step_up_s += ((late[high] - late[low]) / (high - low) - self.step_up_s) / self.blocks
        surprise = lowest - 2 * (self.step_up_s or self.spread_s / n)  # the second lies that far above the envelope
        sd = max(EXACT_S, 2 * self.spread_s / n)
        back = (n - 1) / 2
        c00, c01, c11 = self.covariance
        to_offset, to_period = c00 - back * c01, c01 - back * c11  # covariance times (1, -back)
        variance = to_offset - back * to_period + sd**2
        innovation_sd = math.sqrt(variance)
        if abs(surprise) > 6 * innovation_sd + self.spread_s:
            # the delays have changed, as with a computer that gets busy or is idle again: the offset goes along, late ones
            # slowly as they may be a stall; only what grows from block to block is another period
            sign = 1 if surprise > 0 else -1
            self.steps = self.steps + sign if self.steps * sign > 0 else sign
            growth_s, self.step_s = surprise - self.step_s, surprise
            if abs(self.steps) < STEPS:
                surprise = min(surprise, 6 * innovation_sd)
                c00 += surprise**2
            else:
                of_period = (growth_s / n) ** 2
                c00, c01, c11 = c00 + surprise**2 + n**2 * of_period, c01 + n * of_period, c11 + of_period
            to_offset, to_period = c00 - back * c01, c01 - back * c11
            variance = to_offset - back * to_period + sd**2
        else:
            self.steps = 0
        self.offset_s += to_offset / variance * surprise
        self.period_s += to_period / variance * surprise
        self.covariance = (
            c00 - to_offset**2 / variance,
            c01 - to_offset * to_period / variance,
            c11 - to_period**2 / variance,
        )
        self.block = []
        self._heed_intervals()

    def _heed_intervals(self) -> None:
        """Whether the arrivals have come at another rate for a while. Losses hardly move the median, jitter by less than
        6 of its deviations (that of a median: 0.93 of the quartiles' distance over sqrt(n), normal noise, any textbook)."""
        n = len(self.intervals)
        if self.wild >= WILD_BLOCKS:
            self.another_rate = True
        if self.another_rate or n < SHOWN // 2:
            return
        ranked = sorted(self.intervals)
        shown_s, apart_s = ranked[n // 2], ranked[3 * n // 4] - ranked[n // 4]
        off_s = abs(shown_s - self.period_s)
        self.another_rate = off_s > max(OTHER * self.period_s, 6 * apart_s / math.sqrt(n)) and (
            1 / FARTHEST < shown_s / self.period_s < FARTHEST
        )


class Grid(NamedTuple):
    """offset_s: time of the first frame's slot; covariance: of offset, both, period; late_s: mean lateness of arrivals."""

    offset_s: float
    period_s: float
    covariance: tuple[float, float, float]
    late_s: float


def shown_period(arrivals: np.ndarray, period_s: float) -> float:
    """What the arrivals (n,), s, say by themselves of the period, where that is clearly not `period_s`; else this."""
    shown_s = float(np.median(np.diff(arrivals))) if arrivals.size > 1 else period_s
    other = abs(shown_s / period_s - 1) > OTHER and 1 / FARTHEST < shown_s / period_s < FARTHEST
    return shown_s if other else period_s


def first_grid(arrivals: np.ndarray, period_s: float) -> Grid:
    """The grid from the arrivals (n,), s, of a camera whose period is known as users know it: 9 frames/s may be 8.6, and
    30 may be 25."""
    about = dict.fromkeys((period_s, shown_period(arrivals, period_s)))
    grids = [fit_grid(arrivals, middle_s * guess, PERIOD_SD * middle_s) for middle_s in about for guess in GUESSES]

    def score(grid: Grid) -> float:  # as in `likely_grid`, but far from the nominal period is not out of the question
        missing = max(0.0, (arrivals[-1] - arrivals[0]) / grid.period_s + 1 - arrivals.size)  # every third slot fits as well
        off = (grid.period_s / period_s - 1) / PERIOD_SD
        return float(-SHARPNESS * arrivals.size * math.log(grid.late_s + EXACT_S) - math.log1p(off**2) - MISSING * missing)

    return max(grids, key=score)


def fit_grid(arrivals: np.ndarray, period_s: float, period_sd_s: float) -> Grid:
    """The grid from the arrivals (n,), s, of frames in order, with frames missing among them, and from what is known of
    the period. Begins with few frames: over many an error of the period would add up to a slot."""
    size = FIRST
    offset_s = float(np.min(arrivals[:size] - np.arange(arrivals[:size].size) * period_s))
    grid = Grid(offset_s, period_s, (0.0, 0.0, 0.0), 0.0)
    while True:
        some = arrivals[:size]
        order = np.arange(some.size)
        # not more slots than a follower leaves room for
        ahead = np.floor((some - grid.offset_s) / grid.period_s + GUARD) - order
        numbers = order + np.minimum.accumulate(ahead[::-1])[::-1]
        grid = likely_grid(some, numbers - numbers[0], period_s, period_sd_s)
        if size >= arrivals.size:
            return grid
        size *= 2


def likely_grid(arrivals: np.ndarray, numbers: np.ndarray, period_s: float, period_sd_s: float) -> Grid:
    """The grid for frames whose slots are known. Lateness has an edge at zero, about as an exponential one has: so for each
    of many periods the likeliest offset is just below all arrivals, and the mean lateness left says how likely the period
    is (profile likelihood of a shifted exponential, any textbook)."""
    n = arrivals.size
    rank = n // STRAY  # a frame counted a slot too far stands below the others
    middle, sd = period_s, period_sd_s
    for _ in range(3):  # each time closer around the likeliest periods
        periods = middle + 5 * sd * np.linspace(-1, 1, 101)
        left = arrivals - numbers * periods[:, None]
        lowest = np.partition(left, rank, axis=1)[:, rank]
        late = np.maximum(left.mean(1) - lowest, 0.0)  # below it only where one frame stands far in front of all others
        log = -SHARPNESS * n * np.log(late + EXACT_S) - 0.5 * ((periods - period_s) / period_sd_s) ** 2
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        middle = float(weight @ periods)
        sd = math.sqrt(float(weight @ (periods - middle) ** 2) + (sd / 10) ** 2 / 12)
    offsets = lowest - late * (rank + 1) / n  # the lowest of n lie that far above the edge
    offset_s, late_s = float(weight @ offsets), float(weight @ late)
    off = offsets - offset_s
    covariance = float(weight @ off**2) + (late_s / (SHARPNESS * n)) ** 2, float(weight @ (off * (periods - middle))), sd**2
    return Grid(offset_s, middle, covariance, late_s)
