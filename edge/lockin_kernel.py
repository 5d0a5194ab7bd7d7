"""The one pass over the pixels that a few frames together cost. Its plain twin stands in tests/plain.py.

The sums are several times as many bytes as a frame, and fetching them from memory is what a frame costs. So frames wait
until there are `GROUP` of them, and each sum is fetched and stored once for all.
"""

import functools

import numpy as np

from edge.compiled import Kernel, ready

GROUP = 4  # frames a pass
BLOCK = 512  # pixels a turn: what is touched of them (some 20 kB) stays in the first-level cache of small boards too


def accumulate(planes, energy, base, frames, shifts, regressors, weights, decay, deviations):
    """planes[j] = decay planes[j] + sum_f regressors[f, j] y_f and energy = decay energy + sum_f weights[f] y_f^2, with
    y_f = frames[f] - base - shifts[f].

    planes (P, N) float32, energy (N,) float64, base (N,) float32, frames (GROUP, N) uint16, shifts (GROUP,) float32,
    regressors (GROUP, P) float32, already weighted, weights (GROUP,) float32: 0 with regressors 0 where there is no frame;
    decay float32; deviations (GROUP, BLOCK) float32, a place to work. planes and energy are changed in place.
    Python takes seconds for what `kernel` makes of it in microseconds.
    """
    n_planes, n_pixels = planes.shape
    y0, y1, y2, y3 = deviations[0], deviations[1], deviations[2], deviations[3]
    w0, w1, w2, w3 = weights[0], weights[1], weights[2], weights[3]
    for start in range(0, n_pixels, BLOCK):
        n = min(BLOCK, n_pixels - start)
        level = base[start : start + n]
        for f in range(GROUP):
            counts, y, shift = frames[f, start : start + n], deviations[f], shifts[f]
            for i in range(n):
                y[i] = np.float32(counts[i]) - level[i] - shift
        total = energy[start : start + n]
        for i in range(n):
            total[i] = decay * total[i] + (w0 * y0[i] * y0[i] + w1 * y1[i] * y1[i] + w2 * y2[i] * y2[i] + w3 * y3[i] * y3[i])
        for j in range(n_planes):
            plane = planes[j, start : start + n]
            x0, x1, x2, x3 = regressors[0, j], regressors[1, j], regressors[2, j], regressors[3, j]
            for i in range(n):
                plane[i] = decay * plane[i] + (x0 * y0[i] + x1 * y1[i] + x2 * y2[i] + x3 * y3[i])


def common(x, decays, n, trend, shifts, regressors, weights, normal, normal_w2):
    """What `accumulate` takes for all pixels alike, from the `n` frames of a group: x (GROUP, P) float64 regressors as they
    are, time the second; decays (GROUP,) float64, of all before a frame; trend: counts a second that all pixels drift by.
    Fills shifts, regressors and weights, adds to normal and normal_w2 (P, P) float64, the sums of w x x' and w^2 x x',
    and returns the decay of what came before the group."""
    fade = 1.0  # of what came before a frame
    for f in range(GROUP - 1, -1, -1):
        weights[f] = fade if f < n else 0.0  # places without a frame have no weight
        shifts[f] = trend * x[f, 1]
        for j in range(x.shape[1]):
            regressors[f, j] = fade * x[f, j] if f < n else 0.0
        if f < n:
            fade *= decays[f]
    rounded = np.float64(np.float32(fade))  # as `accumulate` has it, for the normal matrix too
    normal *= rounded
    normal_w2 *= rounded**2
    fade = 1.0
    for f in range(n - 1, -1, -1):
        for j in range(x.shape[1]):
            for k in range(x.shape[1]):
                normal[j, k] += fade * x[f, j] * x[f, k]
                normal_w2[j, k] += fade**2 * x[f, j] * x[f, k]
        fade *= decays[f]
    return rounded


@functools.cache
def kernel() -> Kernel:
    """`accumulate`, compiled and ready."""
    # contract: a fused multiply-add is as good; nsz: so is +0 for -0. Nothing that would assume NaN away
    return ready(accumulate, {"contract", "nsz"}, _once)


@functools.cache
def common_kernel() -> Kernel:
    """`common`, compiled and ready."""
    return ready(common, {"contract", "nsz"}, _common_once)


def cache_folder() -> str | None:
    """Where the kernel in use is kept for the next start; None where it is not."""
    stats = getattr(kernel(), "stats", None)
    return stats.cache_path if stats is not None else None


def _once(compiled: Kernel) -> None:
    one = np.zeros((GROUP, 1), np.float32)
    compiled(one, np.zeros(1), one[0], one.astype(np.uint16), one[:, 0], one, one[:, 0], np.float32(1), one)


def _common_once(compiled: Kernel) -> None:
    x, square = np.zeros((GROUP, 2)), np.zeros((2, 2))
    compiled(x, x[:, 0].copy(), 0, 0.0, np.zeros(GROUP, np.float32), x.astype(np.float32), np.zeros(GROUP, np.float32), square, square)
