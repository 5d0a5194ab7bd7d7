"""Recursive harmonic least squares: offset, linear drift and harmonics of the load phase at every pixel.

The regressors are common to all pixels, so the normal matrix is one small float64 array and each pixel keeps only its
right-hand side: one plane a regressor, and one for the energy. Frames weigh alike until the memory is full; from then on
older ones fade exponentially, at the rate at which the effective number of frames (sum w)^2 / sum w^2 settles at
`memory_frames` where none is lost. Lost frames and copies leave fewer of them, and the memory as long: it is counted in
frame periods, those without a frame too, but not in gaps, before a new baseline. On the way from equal to fading weights
the number passes through up to 4/3 of that, about half a memory later: memory_frames (1 + q)^2 / (1 + 3 q^2), q the weight
of a frame of the first memory. The result equals weighted batch least squares over the same frames.

Frames are gathered in groups of a few before they go into the sums (edge/lockin_kernel.py says why); every question
to the estimate takes in first what has been gathered.

A new baseline (shutter event, gap) takes offset and drift of the past out of the sums by the Schur complement of the
normal matrix, which is the same as giving each stretch of frames an offset and a drift of its own.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

PART = 16384  # pixels solved at a time: all at once, in float64, would take several times the memory of the sums


@dataclass(frozen=True)
class Harmonics:
    """maps (H, rows, columns) complex: h_k = A_k exp(i theta_k) in counts, T_k = A_k sin(k phi + theta_k), as seen by
    the camera; mean (rows, columns): counts, over the memory; noise (rows, columns): standard deviation of one frame, counts;
    amplitude_sd (H,): deviation of one component (real or imaginary part) of h_k per unit of noise;
    inflation (H,): that variance over the one of a well-posed fit, sqrt(2/frames)^2; frames: effective number; periods: that
    of frame periods, lost frames and copies included; age_sd: deviation of the frames' ages, in periods."""

    maps: np.ndarray
    mean: np.ndarray
    noise: np.ndarray
    amplitude_sd: np.ndarray
    inflation: np.ndarray
    frames: float
    periods: float
    age_sd: float


class LockIn:
    """State of the estimate for frames of `shape` (rows, columns)."""

    def __init__(self, shape: tuple[int, int], harmonics: int, memory_frames: float):
        self.shape, self.harmonics, self.memory_frames = shape, harmonics, float(memory_frames)
        self.size = 2 + 2 * harmonics
        # numba loads when the first estimate is made, not before
        from edge.lockin_kernel import GROUP, kernel

        n = shape[0] * shape[1]
        self.planes = np.zeros((self.size, n), np.float32)
        self.energy = np.zeros(n)  # float64: most of it is taken out again
        self.base = np.zeros(n, np.float32)
        self.frames = list[np.ndarray]()  # the group being gathered, and of each:
        self.decays, self.regressors = np.ones(GROUP), np.zeros((GROUP, self.size))  # decay of all before it, regressors
        self._group, self._accumulate = GROUP, kernel()
        self.reset()

    def reset(self) -> None:
        """Forget everything."""
        self.planes[:] = 0
        self.energy[:] = 0
        self.normal = np.zeros((self.size, self.size))
        self.normal_w2 = np.zeros(
            (self.size, self.size)
        )  # the same sums with squared weights: covariance of the result
        self.frames.clear()
        self.weight = self.weight_w2 = 0.0  # of all frames, the gathered ones too
        self.span = self.span_w2 = 0.0  # the same as if none had been lost
        self.ages = self.ages_2 = 0.0  # sums of weight times age, and its square, in periods
        self.spent = 0.0  # degrees of freedom taken by past baselines, weighted
        self.fresh = True  # the next frame gives the base
        self.origin_s = self.last_s = 0.0
        self.trend = 0.0  # counts a second that all pixels drift by, taken off at once so that sums stay small

    @property
    def effective_frames(self) -> float:
        return self.weight**2 / self.weight_w2 if self.weight_w2 else 0.0

    @property
    def effective_periods(self) -> float:
        return self.span**2 / self.span_w2 if self.span_w2 else 0.0

    def add(self, counts: np.ndarray, time_s: float, phase_rad: float, slots: int = 1) -> None:
        """One frame (rows, columns) uint16 at load phase `phase_rad`, `slots` frame periods after the last one. It is
        kept until its group is full, and must not be changed."""
        place, frame = len(self.frames), np.ascontiguousarray(counts).reshape(-1)
        if not frame.flags.writeable:  # as from bytes: another type to numba, which would compile anew for it
            frame = frame.copy()
        fade = 1.0
        if self.effective_periods >= self.memory_frames - 0.5:
            fade = (self.memory_frames - 1) / (self.memory_frames + 1)
        decay, counted = fade**slots, 1 if self.fresh else slots
        self.ages_2 = decay * (self.ages_2 + counted * (2 * self.ages + counted * self.weight))
        self.ages = decay * (self.ages + counted * self.weight)
        self.weight, self.weight_w2 = decay * self.weight + 1, decay**2 * self.weight_w2 + 1
        since = [fade**i for i in range(counted)]
        self.span, self.span_w2 = decay * self.span + sum(since), decay**2 * self.span_w2 + sum(f * f for f in since)
        if self.fresh:
            self.base[:] = frame
            self.origin_s, self.fresh = time_s, False
        self.last_s = time_s
        waves = [f(k * phase_rad) for k in range(1, self.harmonics + 1) for f in (math.sin, math.cos)]
        self.decays[place] = decay
        self.regressors[place] = 1.0, time_s - self.origin_s, *waves
        self.frames.append(frame)
        if place + 1 == self._group:
            self.take_in()

    def take_in(self) -> None:
        """Put the gathered frames into the sums."""
        n = len(self.frames)
        if not n:
            return
        frames = (*self.frames, *self.frames[:1] * (self._group - n))  # the places of missing ones have no weight
        common = self.regressors, self.decays, n, self.trend, self.normal, self.normal_w2
        self.spent *= self._accumulate(self.planes, self.energy, self.base, *frames, *common)
        self.frames.clear()

    def new_baseline(self) -> None:
        """Give the frames to come their own offset and drift."""
        self.take_in()
        a, b = self.normal[:2, :2], self.normal[:2, 2:]
        inverse = np.linalg.pinv(a, rcond=1e-9, hermitian=True)
        g = inverse @ b
        for part in self._parts():
            flat = self.planes[:2, part].astype(np.float64)
            self.planes[2:, part] -= (g.T @ flat).astype(np.float32)
            self.energy[part] -= np.einsum("in,ij,jn->n", flat, inverse, flat)
        self.spent += float(np.trace(inverse @ self.normal_w2[:2, :2]))
        w2 = self.normal_w2
        self.normal_w2[2:, 2:] += g.T @ w2[:2, :2] @ g - g.T @ w2[:2, 2:] - w2[2:, :2] @ g
        self.normal[2:, 2:] -= b.T @ g
        for matrix in (self.normal, self.normal_w2):
            matrix[:2, :], matrix[:, :2] = 0.0, 0.0
        self.planes[:2] = 0
        self.fresh = True

    def solve(self) -> Harmonics | None:
        """The estimate now, or None with too few frames. Moves the base to the present level, so that float32 sums stay
        small however far the camera drifts."""
        self.take_in()
        if self.weight - self.spent < self.size + 2:
            return None
        scale = 1 / np.sqrt(np.maximum(np.diag(self.normal), 1e-12))
        # harmonics that fold together leave the scaled normal matrix singular; pinv keeps the others whole
        inverse = (
            scale[:, None] * np.linalg.pinv(self.normal * scale[:, None] * scale, rcond=1e-10, hermitian=True) * scale
        )
        covariance = inverse @ self.normal_w2 @ inverse
        dof = self.weight - self.spent - float(np.trace(inverse @ self.normal_w2))
        variance = (np.diag(covariance)[2::2] + np.diag(covariance)[3::2]) / 2
        information = np.linalg.eigvalsh(self.normal * scale[:, None] * scale)[0]
        frames = self.effective_frames
        inflation = np.full(self.harmonics, np.inf) if information < 1e-9 else variance * frames / 2
        if information < 1e-9:
            inflation = self._inflation_one_by_one()
        maps = np.empty((self.harmonics, self.base.size), complex)
        offset, slope, noise = (np.empty(self.base.size) for _ in range(3))
        for part in self._parts():
            b = self.planes[:, part].astype(np.float64)
            x = inverse @ b
            offset[part], slope[part] = x[:2]
            maps[:, part] = x[2::2] + 1j * x[3::2]
            left = np.maximum(self.energy[part] - np.einsum("jn,jn->n", x, b), 0)
            noise[part] = np.sqrt(left / max(dof, 1e-9))
        middle_s = self.normal[0, 1] / max(self.normal[0, 0], 1e-12)
        mean = self.base + offset + (slope + self.trend) * middle_s
        self._rebase(offset + slope * (self.last_s - self.origin_s), float(np.median(slope)))
        return Harmonics(
            maps.reshape(self.harmonics, *self.shape),
            mean.reshape(self.shape),
            noise.reshape(self.shape),
            np.sqrt(variance),
            inflation,
            frames,
            self.effective_periods,
            math.sqrt(max(0.0, self.ages_2 / self.weight - (self.ages / self.weight) ** 2)),
        )

    def _parts(self) -> Iterator[slice]:
        return (slice(i, i + PART) for i in range(0, self.base.size, PART))

    def _inflation_one_by_one(self) -> np.ndarray:
        """Which harmonics a singular normal matrix can't tell from the rest: those it has no full information on."""
        scale = 1 / np.sqrt(np.maximum(np.diag(self.normal), 1e-12))
        values, vectors = np.linalg.eigh(self.normal * scale[:, None] * scale)
        lost = (vectors[:, values < 1e-9] ** 2).sum(1)
        lost = np.maximum(lost[2::2], lost[3::2])
        return np.where(lost > 1e-3, np.inf, 1.0)

    def _rebase(self, level: np.ndarray, slope: float) -> None:
        """Shift base by `level`, the time origin to now and the common trend by `slope`: exact algebra on the sums."""
        past_s = self.last_s - self.origin_s
        move = np.eye(self.size)
        move[1, 0] = -past_s
        for part in self._parts():
            self.planes[1, part] -= np.float32(past_s) * self.planes[0, part]
        self.normal = move @ self.normal @ move.T
        self.normal_w2 = move @ self.normal_w2 @ move.T
        self.origin_s = self.last_s
        n00, n01, n11 = self.normal[0, 0], self.normal[0, 1], self.normal[1, 1]
        for part in self._parts():
            up = level[part].astype(np.float32).astype(np.float64)
            sums = self.planes[:2, part].astype(np.float64)
            self.energy[part] += n00 * up**2 - 2 * up * (sums[0] - slope * n01) - slope * (2 * sums[1] - slope * n11)
            self.planes[:, part] -= (self.normal[:, :1] * up + self.normal[:, 1:2] * slope).astype(np.float32)
            self.base[part] += (up + self.trend * past_s).astype(np.float32)
        self.trend += slope
