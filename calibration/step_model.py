"""Frames around a step of temperature, what is left of the step in each block of pixels, and the model of it.

A pixel meets its step at a moment of its own, and from then on what is left of the step falls as

    u = (T1 - y)/(T1 - T0) = exp(-age/tau),    age = t - moment - readout r/rows - crossing(column, row)

t is the frame's place on the clock's grid, T0 and T1 the levels before and after (first-order lag, any textbook of
measurement); `crossing` is the way of the cover's edge over the image, with a speed that may change.
"""

from dataclasses import dataclass

import numpy as np

from calibration.door import InputError

LEAST_STEP = 20.0  # noise of one frame
LONGEST_S = 0.30  # after so long every microbolometer has settled (30 tau of a common one)
QUIET_FRAMES = 5  # at least, on either side
LEVEL_S = 2.0  # over which the levels are taken
QUIET_LEVELS = 40  # image means before a step that tell how restless they are
STILL_MOVING = 0.003  # of the step, from one frame to the next
MUCH_JUMP = 10.0  # times the median change of the image mean from frame to frame
MOST_STILL = 40  # frames of a still stretch that tell whether the gain wanders
BLOCKS = (120, 160)  # rows, columns of blocks that are averaged, at most: larger images lose nothing by it
COMMON, OWN = 4, 3  # parameters: tau, readout, out of square, softness; of each step moment, crossing, change of speed

Window = tuple[int, int, int, int]  # first row, row after the last, the same of columns


@dataclass(frozen=True)
class Blocks:
    """One step: frame times (f,), values and deviations (f, block rows, block columns), what one deviation of the noise that
    all pixels of a frame share adds to the values (block rows, block columns), places of the blocks' centres (row 0 to 1,
    column -1/2 to 1/2), rows over columns of the image."""

    time_s: np.ndarray
    left: np.ndarray
    sd: np.ndarray
    shared: np.ndarray
    row: np.ndarray
    column: np.ndarray
    aspect: float

    def whitened(self, model: np.ndarray) -> np.ndarray:
        """Values less the model (f, block rows, block columns) in units of their deviations, with the noise that a frame's
        blocks share weighed down: the square root of the inverse of 1 + g g', g what a deviation of it adds."""
        misfit, g = (self.left - model) / self.sd, self.shared / self.sd
        size2 = np.sum(g**2, axis=(1, 2), keepdims=True)
        part = np.sum(g * misfit, axis=(1, 2), keepdims=True) / np.maximum(size2, 1e-30)
        return np.asarray(misfit - g * part * (1 - 1 / np.sqrt(1 + size2)))


def image_means(stack: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """Mean of the usable pixels of each frame, (n,)."""
    return np.array([frame[usable].mean() for frame in stack])


def find(level: np.ndarray, noise: float) -> list[int]:
    """Indices of the frames in which steps begin, from the image mean (n,): a jump with quiet on both sides."""
    jump = np.abs(np.diff(level, prepend=level[0]))
    found, i = [], QUIET_FRAMES
    while i < level.size - QUIET_FRAMES:
        size = abs(level[i + 2] - level[i - 1])
        if size > LEAST_STEP * noise and jump[i] > STILL_MOVING * size:
            found.append(i)
            while i < level.size - 1 and jump[i + 1] > STILL_MOVING * abs(level[i] - level[found[-1] - 1]):
                i += 1
        i += 1
    return found


def still_parts(stack: np.ndarray) -> list[np.ndarray]:
    """Frames (n, rows, columns) of each stretch in which the scene stands still, not all of a long one. The stretches show
    different pictures (cover, plate, pixels whose gains differ), so no picture may be compared over a step."""
    level = stack.mean(axis=(1, 2), dtype=np.float64)
    jump = np.abs(np.diff(level, prepend=level[0]))
    moving = jump > max(STILL_MOVING * np.ptp(level), MUCH_JUMP * float(np.median(jump)))
    moving[:-1] |= moving[1:].copy()  # the frame before a jump may show the cover's edge already
    ends = np.flatnonzero(np.diff(moving, prepend=True, append=True))
    return [stack[a:b][:: max(1, (b - a) // MOST_STILL)] for a, b in zip(ends[::2], ends[1::2]) if b - a >= QUIET_FRAMES]


def frame_noise(stack: np.ndarray, usable: np.ndarray) -> float:
    """Deviation of one pixel in one frame, counts, from the differences of frames: median, so steps don't matter."""
    some = np.linspace(0, len(stack) - 2, min(40, len(stack) - 1)).astype(int)
    size = [np.std(stack[i + 1][usable].astype(float) - stack[i][usable]) for i in some]
    return max(float(np.median(size)) / np.sqrt(2), 0.29)  # no less than the rounding to whole counts


def shared_noise(level: np.ndarray, noise: float, found: list[int], pixels: int) -> float:
    """Deviation of what all pixels of a frame share, counts, from the image means (n,) in the quiet before each step."""
    jumps = np.concatenate([np.diff(level[max(0, k - QUIET_LEVELS) : k - 1]) for k in found])
    return float(np.sqrt(max(0.0, np.mean(jumps**2) / 2 - noise**2 / pixels)))


def levels(
    stack: np.ndarray, time_s: np.ndarray, k: int, found: list[int]
) -> tuple[np.ndarray, np.ndarray, float, int, int]:
    """T0 and T1 of each pixel (quiet frames on either side; T1 at frame k), the plate's own drift afterwards, as a share of
    the step a second, and how many frames."""
    i = np.arange(len(stack))
    quiet = np.ones(len(stack), bool)
    for other in found:
        quiet &= (i < other - 1) | (time_s > time_s[other] + LONGEST_S)
    before = i[quiet & (i < k) & (time_s > time_s[k] - LEVEL_S)]
    next_step = min((other for other in found if other > k), default=len(stack))
    after = i[quiet & (i > k) & (time_s < time_s[k] + LONGEST_S + LEVEL_S) & (i < next_step)]
    if min(len(before), len(after)) < QUIET_FRAMES:
        raise InputError(
            f"step: around frame {k} there are {len(before)} quiet frames before and {len(after)} after, may be "
            f"{QUIET_FRAMES} or more; leave 2 s between movements"
        )
    t0, t1 = stack[before].mean(axis=0), stack[after].mean(axis=0)
    mean = stack[after].reshape(len(after), -1).mean(axis=1)
    since = time_s[after] - time_s[k]
    rate = np.polyfit(since - since.mean(), mean, 1)[0] / (t1 - t0).mean()  # of the step, common to all pixels
    return t0, t1 - (t1 - t0) * rate * since.mean(), float(rate), len(before), len(after)


def blocks(
    stack: np.ndarray,
    time_s: np.ndarray,
    usable: np.ndarray,
    k: int,
    found: list[int],
    noise: float,
    shared: float,
    most: tuple[int, int] = BLOCKS,
    window: Window | None = None,
) -> Blocks:
    """What is left of the step in blocks of pixels (within `window`) in the frames around frame k."""
    rows, columns = stack.shape[1:]
    t0, t1, rate, n0, n1 = levels(stack, time_s, k, found)
    span = t1 - t0
    good = usable & (np.abs(span) > 0.3 * np.abs(np.median(span[usable])))
    use = np.arange(k - 2, min(len(stack), k + max(4, int(0.12 / np.median(np.diff(time_s))))))
    r0, r1, c0, c1 = window or (0, rows, 0, columns)
    row_edge = np.linspace(r0, r1, min(most[0], r1 - r0) + 1).astype(int)
    col_edge = np.linspace(c0, c1, min(most[1], c1 - c0) + 1).astype(int)

    def summed(image: np.ndarray) -> np.ndarray:
        part = np.add.reduceat(image[r0:r1], row_edge[:-1] - r0, axis=0)[:, c0:c1]
        return np.add.reduceat(part, col_edge[:-1] - c0, axis=1)

    weight = summed(np.where(good, span**2, 0))
    empty = weight <= 0
    weight[empty] = 1.0
    left = np.stack([summed(np.where(good, (t1 - stack[i]) * span, 0)) for i in use]) / weight
    left += rate * np.maximum(time_s[use] - time_s[k], 0)[:, None, None]  # T1 goes on drifting
    sd = noise / np.sqrt(weight) * np.sqrt(1 + left**2 / n0 + (1 - left) ** 2 / n1)
    return Blocks(
        time_s=time_s[use],
        left=np.where(empty, 0.0, left),
        sd=np.where(empty, np.inf, sd),
        shared=shared * summed(np.where(good, span, 0)) / weight,
        row=(row_edge[:-1] + row_edge[1:] - 1) / 2 / rows,
        column=(col_edge[:-1] + col_edge[1:] - 1) / 2 / columns - 0.5,
        aspect=rows / columns,
    )


def own(steps: int) -> list[slice]:
    """Where each step's own parameters stand."""
    return [slice(COMMON + OWN * i, COMMON + OWN * (i + 1)) for i in range(steps)]


def age(d: Blocks, x: np.ndarray, step: int) -> np.ndarray:
    """Time since the step reached each block: (f, block rows, block columns)."""
    _, readout, tilt, _ = x[:COMMON]
    moment, crossing, bow = x[own(step + 1)[step]]
    row = d.row[:, None]
    across = crossing * (d.column + tilt * d.aspect * (row - 0.5)) + bow * (d.column**2 - 1 / 12)
    return d.time_s[:, None, None] - moment - readout * row - across


def left(d: Blocks, x: np.ndarray, step: int) -> np.ndarray:
    """Model of the blocks: u of the age, or its mean over the time that a soft edge takes (integral in closed form)."""
    tau, half, since = max(x[0], 1e-5), abs(x[3]) / 2, age(d, x, step)
    if half == 0:
        return np.exp(-np.maximum(since, 0) / tau)

    def integral(a: np.ndarray) -> np.ndarray:
        return np.minimum(a, 0) - tau * np.expm1(-np.maximum(a, 0) / tau)

    return (integral(since + half) - integral(since - half)) / (2 * half)


def switch_edges(time_s: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Times at which a two-level signal changes sides, half way between samples; empty for any other signal."""
    if time_s.size < 10 or np.ptp(value) == 0:
        return np.empty(0)
    part = (value - value.min()) / np.ptp(value)
    if np.mean((part > 0.2) & (part < 0.8)) > 0.01:
        return np.empty(0)
    at = np.flatnonzero(np.diff(part > 0.5))
    return (time_s[at] + time_s[at + 1]) / 2
