"""Another device's clock, or its count of samples, on this computer's monotonic clock.

What is stamped `far` at the far end arrives at offset + step far + a delay that is never below the wire's shortest. The
lower envelope of the arrivals is the line offset + step far, shortest delay included. As in the frame clock, a Kalman
filter with the two states is fed with the earliest arrival of each block. The idea of the lower envelope: S. B. Moon,
P. Skelly, D. Towsley, Estimation and removal of clock skew from network delay measurements, IEEE INFOCOM 1999 (from
memory); blocks and gates are our own.
"""

from collections import deque
from typing import TypeVar

import numpy as np

Far = TypeVar("Far", float, np.ndarray)
STEP_SD = 0.005  # relative, of a device's second: ceramic resonators are good to half a per cent (from memory)
STEP_WALK = 2e-6  # relative, per square root of a second: a resonator that warms up
FINEST_S = 5e-5  # deviation of the earliest of many arrivals, at best
ASTRAY_S = 0.25  # an arrival this far off the line is no ordinary delay
ASTRAY_FOR_S = 0.5  # after which the line is looked for anew
BLOCKS_S = (0.5, 1.0)  # the first block and the longest
FEWEST = 8  # arrivals for a straight line through them
COUNT_BLOCK_S = 1.0  # the first block where the step is not known
RESTARTS, RESTARTS_WITHIN_S = 3, 10.0  # a line lost so often is no clock that counts in the unit it should
LATELY_S = 4.0  # and loses it again within that
LATE_BLOCKS = 5  # in a row with nothing but late arrivals are not yet believed
OUTLIERS = 0.05  # of a block; more stamps that seem early than this are not damaged ones


class FarClock:
    """`add` for each arrival, `at` for times. Until `trusted`, what has arrived should wait.

    step_s: seconds of one unit of the far clock; None: not known (a count of samples), found from the first block.
    """

    def __init__(self, step_s: float | None = 1.0):
        self._nominal_s = step_s
        self.restarts = 0  # how often the far end has begun anew while it was watched
        self._restarts_s: deque[float] = deque(maxlen=RESTARTS)
        self.forget()

    def wrong_unit(self, now_s: float) -> bool:
        """The far clock does not run in the unit it should, or does not run."""
        restarts_s = self._restarts_s
        often = len(restarts_s) == RESTARTS and now_s - restarts_s[0] < RESTARTS_WITHIN_S
        return often and now_s - restarts_s[-1] < LATELY_S

    def forget(self) -> None:
        """The far end has begun anew."""
        self.trusted = False
        self.step_s = self._nominal_s or 0.0
        self._ready = False
        self._block: list[tuple[float, float]] = []
        self._block_s = BLOCKS_S[0] if self._nominal_s else COUNT_BLOCK_S
        self._far = self._offset_s = 0.0  # the line goes through this point
        self._covariance = np.zeros((2, 2))
        self._spread_s = 0.001  # typical delay above the envelope
        self._doubts = 0  # blocks in a row that contradict the line
        self._astray_since_s: float | None = None

    def restart(self, now_s: float) -> None:
        """The far clock was set while it was watched."""
        self.forget()
        self.restarts += 1
        self._restarts_s.append(now_s)

    def at(self, far: Far) -> Far:
        """Monotonic time (s) at which what was stamped `far` would have arrived by the shortest delay."""
        return self._offset_s + self.step_s * (far - self._far)

    def add(self, far: float, arrival_s: float) -> None:
        """The newest stamp of a piece that arrived at `arrival_s`; stamps must rise."""
        self._block.append((far, arrival_s))
        if self._ready:
            self._watch(self.at(far), arrival_s)
        if arrival_s - self._block[0][1] < self._block_s:
            return
        if self._ready:
            if self._astray_since_s is None:
                self._correct()
        elif len(self._block) >= (2 if self._nominal_s else FEWEST):
            self._find()

    def _watch(self, expected_s: float, arrival_s: float) -> None:
        """A clock that was set, or a pause in a count of samples, shows at once: nothing is given out meanwhile."""
        if abs(arrival_s - expected_s) < ASTRAY_S:
            self._astray_since_s, self.trusted = None, True
        elif self._astray_since_s is None:
            self._astray_since_s, self.trusted = arrival_s, False
        elif arrival_s - self._astray_since_s > ASTRAY_FOR_S:
            since_s = self._astray_since_s
            pieces = [p for p in self._block if p[1] >= since_s]
            self.restart(arrival_s)
            self._block = pieces

    def _find(self) -> None:
        far, arrival = np.array(self._block).T
        x = far - far.mean()
        slope_s = float(x @ arrival / (x @ x)) if x.any() else 0.0
        residual = arrival - arrival.mean() - slope_s * x
        step_sd = 3 * float(np.sqrt(residual @ residual / max(1, far.size - 2) / max(x @ x, 1e-300)))
        if self._nominal_s is None:
            self.step_s = slope_s
        elif far.size < FEWEST:
            self.step_s, step_sd = self._nominal_s, STEP_SD * self._nominal_s
        elif not 0.5 < slope_s / self._nominal_s < 2:  # a heap that waited in the port's buffer, or another unit
            self.restart(float(arrival[-1]))
            return
        else:  # between the nominal step and the straight line through the block, as their deviations say
            weight = 1 / (1 + (step_sd / (STEP_SD * self._nominal_s)) ** 2)
            self.step_s = self._nominal_s + weight * (slope_s - self._nominal_s)
            step_sd = float(np.sqrt(weight)) * step_sd
        late = arrival - self.step_s * (far - far[-1])
        earliest = earliest_of(late)
        self._far, self._offset_s = float(far[earliest]), float(arrival[earliest])
        self._spread_s = float(np.median(late) - late[earliest])
        self._covariance = np.diag([earliest_sd(self._spread_s, far, step_sd) ** 2, step_sd**2])
        self._ready = self.trusted = True
        self._next_block()

    def _next_block(self) -> None:
        self._block, self._block_s = [], min(2 * self._block_s, BLOCKS_S[1])

    def _correct(self) -> None:
        """Kalman update with the block's earliest arrival."""
        far, arrival = np.array(self._block).T
        late = arrival - self.at(far)
        earliest = earliest_of(late)
        surprise_s, spread_s = float(late[earliest]), float(np.median(late) - late[earliest])
        self._spread_s = 0.9 * self._spread_s + 0.1 * spread_s
        ahead = float(far[earliest]) - self._far
        move = np.array([[1.0, ahead], [0.0, 1.0]])
        self._offset_s, self._far = self._offset_s + self.step_s * ahead, float(far[earliest])
        self._covariance = move @ self._covariance @ move.T
        self._covariance[1, 1] += (STEP_WALK * self.step_s) ** 2 * abs(ahead * self.step_s)
        variance = (
            float(self._covariance[0, 0]) + earliest_sd(spread_s, far, float(np.sqrt(self._covariance[1, 1]))) ** 2
        )
        if abs(surprise_s) > 6 * np.sqrt(variance) + self._spread_s:
            late = surprise_s > 0 and self._nominal_s is not None  # samples that were lost make a count late for good
            if self._doubts < (LATE_BLOCKS if late else 1):  # a reader that stalls, or comes too seldom, looks like this
                self._doubts += 1
                self._next_block()
                return
            if surprise_s < 0 and self._nominal_s is None:  # losses make a count late; it seems early where its step is wrong
                self.forget()
                return
            self._covariance[0, 0] += surprise_s**2
            variance += surprise_s**2
        self._doubts = 0
        gain = self._covariance[:, 0] / variance
        self._offset_s += gain[0] * surprise_s
        self.step_s += gain[1] * surprise_s
        self._covariance = self._covariance - np.outer(gain, self._covariance[0])
        self._next_block()


def earliest_sd(spread_s: float, far: np.ndarray, step_sd: float) -> float:
    """Deviation of a block's earliest arrival from the line, with the median spread_s later: twice that of exponential
    delays. While the step is uncertain by step_sd, the earliest may be one that only stands at the better end."""
    return float(np.hypot(max(FINEST_S, 3 * spread_s / far.size), 0.5 * step_sd * np.ptp(far)))


def earliest_of(late_s: np.ndarray) -> int:
    """Where the smallest of a block's latenesses is, damaged stamps aside: few, and far below what is common."""
    low, middle = np.percentile(late_s, [10, 50])
    damaged = late_s < low - 3 * max(middle - low, FINEST_S)
    if damaged.mean() < OUTLIERS:
        late_s = np.where(damaged, np.inf, late_s)
    return int(np.argmin(late_s))
