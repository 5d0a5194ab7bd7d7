"""Frames that show another moment than their time says.

A copy whose original was lost on the way comes with the time of a new frame, and nothing before it is like it. Its content
gives it away: the mean over the view follows the load as a few harmonics, and what the last frames say of those foretells
the next. A frame far off that is left out; when the next one is off as well, it is the view that has changed (a shutter
event, another load), and the harmonics are learnt anew.
"""

import math
from collections import deque
from operator import mul

import numpy as np

PIXELS = 600  # of a frame, evenly spread: their mean has a 25th of one pixel's noise
FRAMES = 200
FEWEST, EVERY = 60, 25  # frames before the first foretelling; and from one to the next
CLEAR = 6.0  # deviations, and
SHARE = 0.2  # of the mean's amplitude: less harms no estimate
OUTLIER = 4.0  # deviations, in the learning


class Outlook:
    """What the mean over the view will be, from its last values and their load phases."""

    def __init__(self, shape: tuple[int, int], harmonics: int):
        self.step = max(1, math.isqrt(shape[0] * shape[1] // PIXELS))
        self.harmonics = harmonics
        self.reset()

    def reset(self) -> None:
        """Forget everything, as after a jump of the offsets or with another load."""
        self.seen: deque[tuple[list[float], float]] = deque(maxlen=FRAMES)  # regressors, mean
        self.coefficients: list[float] = []
        self.limit, self.unlearnt, self.was_off = math.inf, 0, False
        self.origin_s = 0.0  # near the last frames, so that offset and slope stay apart after days

    def misplaced(self, counts: np.ndarray, time_s: float, phase_rad: float) -> bool:
        """Whether a frame (rows, columns) of that time and load phase is far off what was foretold."""
        if not self.seen:
            self.origin_s = time_s
        mean = float(counts[:: self.step, :: self.step].mean())
        waves = [f(k * phase_rad) for k in range(1, self.harmonics + 1) for f in (math.sin, math.cos)]
        x = [1.0, time_s - self.origin_s, *waves]
        off = bool(self.coefficients) and abs(mean - sum(map(mul, self.coefficients, x))) > self.limit
        if off and self.was_off:
            self.reset()
            off = False
        self.was_off = off
        self.seen.append((x, mean))
        self.unlearnt += 1
        if self.unlearnt >= EVERY and len(self.seen) >= FEWEST:
            self._learn()
        return off

    def _learn(self) -> None:
        self.unlearnt = 0
        x, y = np.array([s[0] for s in self.seen]), np.array([s[1] for s in self.seen])
        x[:, 1] -= x[-1, 1]
        good = np.ones(y.size, bool)
        for _ in range(2):  # the second time without what the first left far off
            b = np.linalg.lstsq(x[good], y[good], rcond=None)[0]
            rest = np.abs(y - x @ b)
            sd = 1.4826 * float(np.median(rest))
            good = rest < OUTLIER * max(sd, 1e-9)
            if np.count_nonzero(good) < FEWEST // 2:
                return
        b[0] -= b[1] * self.seen[-1][0][1]  # the slope counts from the origin again
        self.coefficients = b.tolist()
        self.limit = max(CLEAR * sd, SHARE * math.hypot(b[2], b[3]))
