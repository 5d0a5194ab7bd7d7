"""The one pass over the pixels that a few frames together cost. Its plain twin stands in tests/plain.py.

The sums are several times as many bytes as a frame, and fetching them from memory is what a frame costs. So frames wait
until there are `GROUP` of them, and each sum is fetched and stored once for all.
"""

import functools

import numpy as np
from numba.extending import register_jitable

from edge.compiled import Kernel, ready

GROUP = 8  # frames a pass
BLOCK = 256  # pixels a turn: what is touched of them (some 20 kB) stays in the first-level cache of small boards too


@register_jitable
def common(x, decays, n, trend, normal, normal_w2):
    """What the sums take for all pixels alike, from the `n` frames of a group: x (GROUP, P) float64 regressors, time the
    second; decays (GROUP,) float64, of all before a frame; trend: counts a second that all pixels drift by. Adds to normal
    and normal_w2 (P, P) float64, the sums of w x x' and w^2 x x'. Returns shifts (GROUP,) float32, the drift at each frame;
    regressors (GROUP, P) and weights (GROUP,) float32, weighted, 0 where there is no frame; the decay of what came before."""
    shifts, weights = np.empty(GROUP, np.float32), np.empty(GROUP, np.float32)
    regressors = np.empty(x.shape, np.float32)
    fade = 1.0  # of what came before a frame
    for f in range(GROUP - 1, -1, -1):
        weights[f] = fade if f < n else 0.0
        shifts[f] = trend * x[f, 1]
        for j in range(x.shape[1]):
            regressors[f, j] = fade * x[f, j] if f < n else 0.0
        if f < n:
            fade *= decays[f]
    rounded = np.float64(np.float32(fade))  # as the sums of the pixels have it, for the normal matrix too
    normal *= rounded
    normal_w2 *= rounded**2
    fade = 1.0
    for f in range(n - 1, -1, -1):
        for j in range(x.shape[1]):
            for k in range(x.shape[1]):
                normal[j, k] += fade * x[f, j] * x[f, k]
                normal_w2[j, k] += fade**2 * x[f, j] * x[f, k]
        fade *= decays[f]
    return shifts, regressors, weights, rounded


def accumulate(planes, energy, base, f0, f1, f2, f3, f4, f5, f6, f7, x, decays, n, trend, normal, normal_w2):
    """planes[j] = decay planes[j] + sum_f regressors[f, j] y_f and energy = decay energy + sum_f weights[f] y_f^2, with
    y_f = frame f - base - shifts[f], of the first `n` frames; the rest as in `common`. Returns the decay.

    planes (P, N) float32, energy (N,) float64, base (N,) float32, frames f0 ... f7 (N,) uint16: a tuple of them would take
    more of numba's memory. Sums are changed in place. Python takes seconds for what `kernel` makes of it in microseconds.
    """
    shifts, regressors, weights, fade = common(x, decays, n, trend, normal, normal_w2)
    decay = np.float32(fade)
    y = np.empty(GROUP * BLOCK, np.float32)  # deviations, of one frame after the other
    w0, w1, w2, w3, w4, w5, w6, w7 = (
        weights[0], weights[1], weights[2], weights[3], weights[4], weights[5], weights[6], weights[7],
    )  # fmt: skip
    for start in range(0, base.size, BLOCK):
        m = min(BLOCK, base.size - start)
        part = slice(start, start + m)
        level = base[part]
        c0, c1, c2, c3, c4, c5, c6, c7 = f0[part], f1[part], f2[part], f3[part], f4[part], f5[part], f6[part], f7[part]
        for i in range(m):
            y[i] = np.float32(c0[i]) - level[i] - shifts[0]
            y[i + BLOCK] = np.float32(c1[i]) - level[i] - shifts[1]
            y[i + 2 * BLOCK] = np.float32(c2[i]) - level[i] - shifts[2]
            y[i + 3 * BLOCK] = np.float32(c3[i]) - level[i] - shifts[3]
            y[i + 4 * BLOCK] = np.float32(c4[i]) - level[i] - shifts[4]
            y[i + 5 * BLOCK] = np.float32(c5[i]) - level[i] - shifts[5]
            y[i + 6 * BLOCK] = np.float32(c6[i]) - level[i] - shifts[6]
            y[i + 7 * BLOCK] = np.float32(c7[i]) - level[i] - shifts[7]
        total = energy[part]
        for i in range(m):
            y0, y1, y2, y3 = y[i], y[i + BLOCK], y[i + 2 * BLOCK], y[i + 3 * BLOCK]
            y4, y5, y6, y7 = y[i + 4 * BLOCK], y[i + 5 * BLOCK], y[i + 6 * BLOCK], y[i + 7 * BLOCK]
            squares = (w0 * y0 * y0 + w1 * y1 * y1 + w2 * y2 * y2 + w3 * y3 * y3) + (
                w4 * y4 * y4 + w5 * y5 * y5 + w6 * y6 * y6 + w7 * y7 * y7
            )
            total[i] = decay * total[i] + squares
        for j in range(planes.shape[0]):
            plane, r = planes[j, part], regressors[:, j]
            x0, x1, x2, x3, x4, x5, x6, x7 = r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7]
            for i in range(m):
                first = x0 * y[i] + x1 * y[i + BLOCK] + x2 * y[i + 2 * BLOCK] + x3 * y[i + 3 * BLOCK]
                second = x4 * y[i + 4 * BLOCK] + x5 * y[i + 5 * BLOCK] + x6 * y[i + 6 * BLOCK] + x7 * y[i + 7 * BLOCK]
                plane[i] = decay * plane[i] + (first + second)
    return fade


@functools.cache
def kernel() -> Kernel:
    """`accumulate`, compiled and ready."""
    # contract: a fused multiply-add is as good; nsz: so is +0 for -0. Nothing that would assume NaN away
    return ready(accumulate, {"contract", "nsz"}, _once)


def cache_folder() -> str | None:
    """Where the kernel in use is kept for the next start; None where it is not."""
    stats = getattr(kernel(), "stats", None)
    return stats.cache_path if stats is not None else None


def _once(compiled: Kernel) -> None:
    row, square, pixel = np.zeros((GROUP, 2)), np.zeros((2, 2)), np.zeros(1, np.uint16)
    sums = np.zeros((2, 1), np.float32), np.zeros(1), np.zeros(1, np.float32)
    compiled(*sums, *(pixel,) * GROUP, row, row[:, 0].copy(), 0, 0.0, square, square)
