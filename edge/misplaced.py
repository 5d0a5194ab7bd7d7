"""Frames that show another moment than their time says.

A copy whose original was lost on the way comes with the time of a new frame, and nothing before it is like it. Its content
gives it away: the mean over the view follows the load as a few harmonics, and what the last frames say of those foretells
the next. A frame far off that is left out; when the next one is off as well, it is the view that has changed (a shutter
event, another load). A few frames then say the new offset; where that does not help, the harmonics are learnt anew too.
"""

import math
from operator import mul

import numpy as np

from calibration.robust import MAD_TO_SD
from edge.cycles import median

ROWS = 8  # of a frame, evenly spread: the mean of 8 x 160 pixels has a 35th of one pixel's noise
FRAMES = 200
FEWEST, EVERY = 25, 25  # frames before the first foretelling; and from one to the next
NEW_OFFSET = 5  # frames that say it: a copy among them does no harm
CLEAR = 6.0  # deviations, and
SHARE = 0.2  # of the mean's amplitude: less harms no estimate
OUTLIER = 4.0  # deviations, in the learning
WANDER_RAD, KNOWN_RAD = math.radians(30.0), 0.05  # change of the mean's phase that costs 1 % of an amplitude; its deviation, at most
SINGULAR = 1e-10  # of the normal matrix: harmonics that fold together are shared out between their columns


def seen_rows(rows: int) -> slice:
    """Those of a frame's rows that stand for it."""
    step = max(1, rows // ROWS)
    return slice(step // 2, None, step)


class Outlook:
    """What the mean over the view will be, from its last values and their load phases."""

    def __init__(self, shape: tuple[int, int], harmonics: int):
        self.rows, self.harmonics = seen_rows(shape[0]), harmonics
        self.pixels = len(range(shape[0])[self.rows]) * shape[1]
        # of the last frames in any order: offset, time, sines and cosines; mean
        self.regressors, self.means = np.empty((FRAMES, 2 + 2 * harmonics)), np.empty(FRAMES)
        turns = np.arange(1, harmonics + 1)[:, None] * np.linspace(0, 2 * np.pi, 12, endpoint=False)
        self.phases_around = np.concatenate([np.ones((2, 12)), np.sin(turns), np.cos(turns)])
        self.sd = 0.0  # of the means around what was foretold, counts: the camera's own, whatever the load does
        self.reset()

    def reset(self, same_load: bool = False) -> None:
        """Forget everything, as with another load; or the offset and the frames only, as after a jump of the offsets."""
        if not same_load:
            self.phases: list[tuple[float, float]] = []  # when, s, and phase of the mean's first harmonic, rad
            self.coefficients: list[float] = []
        self.seen = 0
        self.jumps: list[float] = []  # of the first frames, from what was foretold before
        self.was_off = self.spoilt = False  # spoilt: among the frames of the first learning was one that should not have been
        self.origin_s = 0.0  # of the times, the first frame's

    def level(self, counts: np.ndarray) -> float:
        """Mean over some rows of a frame (rows, columns)."""
        return float(np.add.reduce(counts[self.rows], axis=None, dtype=np.uint32)) / self.pixels  # 15 rows of 4096 fit

    def misplaced(self, mean: float, time_s: float, phase_rad: float) -> bool:
        """Whether a frame of that `level`, time and load phase is far off what was foretold; or, as now learnt, one before it was."""
        if not self.seen:
            self.origin_s = time_s
        turns = [k * phase_rad for k in range(1, self.harmonics + 1)]
        x = [1.0, time_s - self.origin_s, *map(math.sin, turns), *map(math.cos, turns)]
        off = self._off(mean, x)
        if off and self.was_off:
            known = self.seen > FEWEST + NEW_OFFSET
            self.reset(same_load=True)
            self.coefficients = self.coefficients if known else []  # else a new offset has not helped
            self.origin_s, x[1] = time_s, 0.0
            off = self._off(mean, x)
        self.was_off = off
        self.spoilt = False
        place = self.seen % FRAMES
        self.regressors[place], self.means[place] = x, mean
        self.seen += 1
        if self.seen >= FEWEST and self.seen % EVERY == 0:
            self._learn(x[1])
        return off or self.spoilt

    def _off(self, mean: float, x: list[float]) -> bool:
        """Whether a mean is far from what the harmonics foretell; the first after a jump of the offsets say by how much."""
        if not self.coefficients:
            return False
        rest = mean - sum(map(mul, self.coefficients, x))
        if self.seen >= NEW_OFFSET:
            return abs(rest) > self.limit
        self.jumps.append(rest)
        if len(self.jumps) == NEW_OFFSET:
            self.coefficients[0] += float(median(np.array(self.jumps)))
        return False

    def shared(self, noise: float) -> float:
        """Noise that all pixels of a frame have in common, counts, where that of a pixel is `noise`."""
        return math.sqrt(max(0.0, self.sd**2 - noise**2 / self.pixels))

    def _learn(self, now_s: float) -> None:
        """now_s: of the last frame, from the origin."""
        n = min(self.seen, FRAMES)
        x, y = self.regressors[:n].T.copy(), self.means[:n]
        x[1] -= now_s
        span_s = max(float(np.abs(x[1]).max()), 1e-9)
        x[1] /= span_s
        good = np.ones(n, bool)
        for _ in range(2):  # the second time without what the first left far off
            seen = x[:, good]
            sizes, vectors = np.linalg.eigh(seen @ seen.T)
            kept = sizes > SINGULAR * sizes[-1]
            inverse = (vectors[:, kept] / sizes[kept]) @ vectors[:, kept].T
            b = inverse @ (seen @ y[good])
            rest = np.abs(y - b @ x)
            sd = MAD_TO_SD * float(median(rest)) * math.sqrt(n / (n - b.size))
            near = rest < OUTLIER * max(sd, 1e-9)
            if near.all():
                break
            good = near
            if np.count_nonzero(good) < FEWEST // 2:
                return
        ahead = self.phases_around.copy()
        ahead[1] = EVERY / n  # the frames come evenly, and go on as far
        doubt = float(np.einsum("in,ij,jn->n", ahead, inverse, ahead).max())  # variance of what is foretold over a frame's
        b[1] /= span_s
        b[0] -= b[1] * now_s  # the slope counts from the origin again
        self.sd = sd
        amplitude = math.hypot(b[2], b[2 + self.harmonics])
        self.limit = max(CLEAR * sd * math.sqrt(1 + doubt), SHARE * amplitude)
        self.spoilt = not self.coefficients and bool((rest > self.limit).any())
        self.coefficients = b.tolist()
        component_sd = sd * math.sqrt((inverse[2, 2] + inverse[2 + self.harmonics, 2 + self.harmonics]) / 2)
        if kept.all() and amplitude * KNOWN_RAD > component_sd:
            self.phases.append((self.origin_s + now_s, math.atan2(b[2 + self.harmonics], b[2])))

    def wanders(self, memory_s: float) -> bool:
        """Whether the frames' phase against the load has changed within the memory: they are not on one clock, or not as many
        as their times say."""
        since_s = self.phases[-1][0] - memory_s if self.phases else 0.0
        self.phases = [p for p in self.phases if p[0] >= since_s]
        rad = np.unwrap([rad for _, rad in self.phases])
        return rad.size > 1 and float(np.ptp(rad)) > WANDER_RAD
