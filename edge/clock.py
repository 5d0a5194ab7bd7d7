"""Frame clock: regular exposure times from late, jittered arrivals.

A camera exposes on a regular grid t0 + n T; a frame's arrival is that instant plus a delay that is never negative and
differs from frame to frame. The lower envelope of the arrivals is the grid (up to the constant part of the delay, which
belongs to the camera profile as `frame_delay_s`). A two-state Kalman filter (grid offset, period) is fed with the
smallest lateness of each block of frames. Numbering looks a few frames ahead: frames come in order, so a frame's slot
can't be later than that of any follower less the frames between.
"""

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

GUARD = 0.25  # of a period: how early a frame may seem to be before it is given the slot before
PERIOD_SD = 0.005  # relative: how far the real frame rate may be from the nominal one at the start
PERIOD_WALK = 1e-6  # relative, per square root of a frame: how fast the period may wander
LARGEST_BLOCK = 32
HEAP = 0.4  # of a period: frames that follow each other faster were waiting somewhere
LONG_GAP_S = 10.0  # a camera silent for longer has not lost frames, it was away
SILENCE = 2.5  # periods without a frame, after which that is looked for


@dataclass(frozen=True)
class Slot:
    """Place of one frame on the grid: number (losses leave gaps), time in seconds, lateness of its arrival in seconds;
    `sure` is False where the arrival contradicts the grid (a stalled reader), and the frame should not be used."""

    number: int
    time_s: float
    late_s: float
    sure: bool


class FrameClock:
    """Arrivals go in with `push`, frames come out in the same order with `pop`, `lookahead` frames later."""

    def __init__(self, frame_rate_hz: float, lookahead: int = 8):
        self.lookahead = lookahead
        self.waiting: deque[float] = deque()
        self.offset_s = 0.0  # time of slot `number`
        self.period_s = 1.0 / frame_rate_hz
        self.covariance = 0.0, 0.0, 0.0  # offset, both, period; plain numbers: it moves once a frame
        self.number = -1  # slot of the last frame handed out; -1 before the first
        self.block: list[float] = []
        self.block_size = 4
        self.spread_s = 0.002  # typical lateness above the envelope
        self.last_arrival_s = math.inf
        self.heap = False
        self.doubtful = 0  # frames in a row that contradict the grid

    @property
    def frame_rate_hz(self) -> float:
        return 1.0 / self.period_s

    def lost(self, missing: int) -> int:
        """How many of the frames that are missing in a row count as lost."""
        return max(0, missing) if missing * self.period_s < LONG_GAP_S else 0

    def push(self, arrival_s: float) -> None:
        self.waiting.append(arrival_s)

    def pop(self, flush: bool = False) -> Slot | None:
        """The oldest waiting frame's slot, or None while too few followers are known (`flush`: take what there is)."""
        if not self.waiting or (len(self.waiting) <= self.lookahead and not flush):
            return None
        if self.number < 0 or self._lost_the_grid(self.waiting[0]):
            self._find_grid(np.array(self.waiting))
        self._advance(self._step() if self.number >= 0 else 0)
        arrival_s = self.waiting.popleft()
        late_s = arrival_s - self.offset_s
        believable = -GUARD * self.period_s < late_s < self.period_s * (1 + GUARD) + 6 * self.spread_s
        in_heap = self._in_heap(arrival_s)
        sure = bool(believable and not in_heap)
        self.doubtful = 0 if sure else self.doubtful + 1
        if sure:
            self.block.append(late_s)
        if len(self.block) >= self.block_size:
            self._correct()
        return Slot(self.number, self.offset_s, late_s, sure)

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
        if self.doubtful > 2 * self.lookahead:
            return True
        slots = (arrival_s - self.offset_s) / self.period_s
        if slots <= 50:
            return False
        walk = (PERIOD_WALK * self.period_s) ** 2 * slots**3 / 3
        return math.sqrt(self.covariance[0] + slots**2 * self.covariance[2] + walk) > 0.15 * self.period_s

    def _find_grid(self, arrivals: np.ndarray) -> None:
        start = float(np.min(arrivals - np.arange(arrivals.size) * self.period_s))
        if self.number >= 0:  # keep numbers running over the gap; the next frame is one step on
            step = max(1, round((start - self.offset_s) / self.period_s))
            self.number += step - 1
            start -= self.period_s
        period_variance = self.covariance[2] or (PERIOD_SD * self.period_s) ** 2
        self.offset_s = start
        self.covariance = max(self.spread_s, 1e-4) ** 2, 0.0, period_variance
        self.block, self.block_size, self.doubtful = [], 4, 0

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
        """Kalman update with the block's smallest lateness, which stands for the middle of the block."""
        late, n = self.block, len(self.block)
        surprise = min(late)
        self.spread_s = 0.9 * self.spread_s + 0.1 * (sum(late) / n - surprise)
        sd = max(2e-5, 2 * self.spread_s / n)
        back = (n - 1) / 2
        c00, c01, c11 = self.covariance
        to_offset, to_period = c00 - back * c01, c01 - back * c11  # covariance times (1, -back)
        variance = to_offset - back * to_period + sd**2
        innovation_sd = math.sqrt(variance)
        if surprise > 6 * innovation_sd + self.spread_s and n == LARGEST_BLOCK:
            surprise = 6 * innovation_sd  # a whole block late: a stall, not the grid; follow it slowly
        self.offset_s += to_offset / variance * surprise
        self.period_s += to_period / variance * surprise
        self.covariance = (
            c00 - to_offset**2 / variance,
            c01 - to_offset * to_period / variance,
            c11 - to_period**2 / variance,
        )
        self.block, self.block_size = [], min(LARGEST_BLOCK, self.block_size * 2)
