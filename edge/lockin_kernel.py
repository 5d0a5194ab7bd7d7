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


def accumulate(planes, energy, base, frames, x, decays, n, trend, normal, normal_w2):
    """planes[j] = decay planes[j] + sum_f regressors[f, j] y_f and energy = decay energy + sum_f weights[f] y_f^2, with
    y_f = frames[f] - base - shifts[f], of the first `n` frames; the rest as in `common`. Returns the decay.

    planes (P, N) float32, energy (N,) float64, base (N,) float32, frames: GROUP of (N,) uint16. Sums are changed in place.
    Python takes seconds for what `kernel` makes of it in microseconds.
    """
    shifts, regressors, weights, fade = common(x, decays, n, trend, normal, normal_w2)
    decay = np.float32(fade)
    deviations = np.empty((GROUP, BLOCK), np.float32)
    y0, y1, y2, y3, y4, y5, y6, y7 = (
        deviations[0], deviations[1], deviations[2], deviations[3], deviations[4], deviations[5], deviations[6], deviations[7],
    )  # fmt: skip
    w0, w1, w2, w3, w4, w5, w6, w7 = (
        weights[0], weights[1], weights[2], weights[3], weights[4], weights[5], weights[6], weights[7],
    )  # fmt: skip
    for start in range(0, base.size, BLOCK):
        m = min(BLOCK, base.size - start)
        part = slice(start, start + m)
        level = base[part]
        for f in range(GROUP):
            here, y, shift = frames[f][part], deviations[f], shifts[f]
            for i in range(m):
                y[i] = np.float32(here[i]) - level[i] - shift
        total = energy[part]
        for i in range(m):
            total[i] = decay * total[i] + (
                (w0 * y0[i] * y0[i] + w1 * y1[i] * y1[i] + w2 * y2[i] * y2[i] + w3 * y3[i] * y3[i])
                + (w4 * y4[i] * y4[i] + w5 * y5[i] * y5[i] + w6 * y6[i] * y6[i] + w7 * y7[i] * y7[i])
            )
        for j in range(planes.shape[0]):
            plane, r = planes[j, part], regressors[:, j]
            x0, x1, x2, x3, x4, x5, x6, x7 = r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7]
            for i in range(m):
                plane[i] = decay * plane[i] + (
                    (x0 * y0[i] + x1 * y1[i] + x2 * y2[i] + x3 * y3[i])
                    + (x4 * y4[i] + x5 * y5[i] + x6 * y6[i] + x7 * y7[i])
                )
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
    compiled(*sums, (pixel,) * GROUP, row, row[:, 0].copy(), 0, 0.0, square, square)
