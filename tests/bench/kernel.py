"""The lock-in kernel against a copy of its six float32 planes, what memory allows at best, and against NumPy."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import numba
import numpy as np

from bench.common import Line, microseconds, paired
from edge.lockin import LockIn
from edge.lockin_kernel import BLOCK, GROUP, kernel

SIZES = ((120, 160), (192, 256), (480, 640))
FEWEST_CALLS = 25  # in a row: after the other forms the sums come from memory once, in a run they are in the caches as far as they fit
MOST_COPIES, LEAST_GAIN = 1.3, 3.0


class InPlace:
    """What NumPy does fastest, a plane at a time and nothing new made."""

    def __init__(self, base: np.ndarray):
        self.base, self.planes = base, np.zeros((6, base.size), np.float32)
        self.energy, self.work = np.zeros(base.size, np.float32), np.empty(base.size, np.float32)

    def add(self, pixels: np.ndarray, x: np.ndarray, decay: np.float32) -> None:
        y = pixels - self.base
        self.planes *= decay
        for plane, factor in zip(self.planes, x, strict=True):
            np.multiply(y, factor, out=self.work)
            plane += self.work
        self.energy *= decay
        y *= y
        self.energy += y


class Textbook(InPlace):
    """The formulas as they stand."""

    def add(self, pixels: np.ndarray, x: np.ndarray, decay: np.float32) -> None:
        y = pixels - self.base
        self.planes = decay * self.planes + x[:, None] * y
        self.energy = decay * self.energy + y * y


@numba.njit(fastmath={"contract", "nsz"})
def one_frame(planes, energy, base, frame, x, decay):
    """The lock-in's kernel with one frame a pass: as many blocks, loops that the compiler makes vectors of."""
    y = np.empty(BLOCK, np.float32)
    for start in range(0, base.size, BLOCK):
        m = min(BLOCK, base.size - start)
        part = slice(start, start + m)
        here, level, total = frame[part], base[part], energy[part]
        for i in range(m):
            y[i] = np.float32(here[i]) - level[i]
        for i in range(m):
            total[i] = decay * total[i] + y[i] * y[i]
        for j in range(planes.shape[0]):
            plane, factor = planes[j, part], x[j]
            for i in range(m):
                plane[i] = decay * plane[i] + factor * y[i]


def forms(shape: tuple[int, int]) -> dict[str, Callable[[], None]]:
    """What is compared, for frames of `shape`; "kernel" and "whole" take in GROUP frames at a call, the others one."""
    rng = np.random.default_rng(1)
    n = shape[0] * shape[1]
    frames = (30000 + rng.integers(-200, 200, (GROUP, *shape))).astype(np.uint16)
    flat = frames.reshape(GROUP, n)
    x, decay = rng.standard_normal(6).astype(np.float32), np.float32(0.9987)
    many, decays, sums = np.tile(x.astype(float), (GROUP, 1)), np.full(GROUP, float(decay)), np.zeros((2, 6, 6))
    source, target = np.ones((6, n), np.float32), np.zeros((6, n), np.float32)
    lockin, number = LockIn(shape, 2, 1500), itertools.count()
    in_place, textbook = InPlace(flat[0].astype(np.float32)), Textbook(flat[0].astype(np.float32))
    run = kernel()
    alone = np.zeros((6, n), np.float32), np.zeros(n), flat[0].astype(np.float32)

    def take_in() -> None:
        run(lockin.planes, lockin.energy, lockin.base, *flat, many, decays, GROUP, 0.0, *sums)

    def whole() -> None:  # with phase, weights and normal matrix
        for frame in frames:
            i = next(number)
            lockin.add(frame, i / 25, 1.76 * i)

    return {
        "copy": lambda: np.copyto(target, source),
        "kernel": take_in,
        "whole": whole,
        "one frame": lambda: one_frame(*alone, flat[1], x, decay),
        "in place": lambda: in_place.add(flat[1], x, decay),
        "textbook": lambda: textbook.add(flat[1], x, decay),
    }


def measure(rounds: int = 9) -> Iterator[Line]:
    for shape in SIZES:
        t = paired(forms(shape), calls=max(FEWEST_CALLS, 2_000_000 // (shape[0] * shape[1])), rounds=rounds)
        frame_s, whole_s = t["kernel"] / GROUP, t["whole"] / GROUP
        copies = float(np.median(frame_s / t["copy"]))
        gain = float(np.median(np.minimum(t["in place"], t["textbook"]) / frame_s))
        size = f"{shape[1]}×{shape[0]}"
        yield Line(
            f"lock-in kernel, a frame of {size}, against a copy of its planes ({microseconds(t['copy'])})",
            f"{copies:.2f} × ({microseconds(frame_s)}; with phase, weights and normal matrix {microseconds(whole_s)})",
            f"≤ {MOST_COPIES:g} ×",
            copies <= MOST_COPIES,
        )
        yield Line(
            f"… against NumPy in place ({microseconds(t['in place'])}) and as in a textbook ({microseconds(t['textbook'])})",
            f"{gain:.1f} × faster than the better",
            f"≥ {LEAST_GAIN:g} ×",
            gain >= LEAST_GAIN,
        )
