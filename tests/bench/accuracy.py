"""Ten million frames through the lock-in, without loss of accuracy: compared with batch least squares in float64."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import plain

from bench.common import Line
from edge.lockin import LockIn

MEMORY, SHAPE, SOLVE_EVERY = 1500, (4, 4), 250
SEEN = 24 * MEMORY  # older frames weigh less than 1e-19
RATE_HZ, LOAD_HZ, NOISE = 25.0, 7.013, 5.0
MOST = 1e-3  # of one frame's noise; the estimate's own deviation is 0.037 of it


def frames(first: int, count: int, h: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Phases (n,) and invented counts (n, pixels): the level wanders by 4 K over a day, 100 counts to the kelvin."""
    number = first + np.arange(count)
    phase = 2 * np.pi * LOAD_HZ / RATE_HZ * number
    level = 30000 + 200 * np.sin(2 * np.pi * number / RATE_HZ / 86400)
    wave = sum((h[k] * np.exp(1j * (k + 1) * phase)[:, None]).imag for k in range(2))
    counts = level[:, None] + wave + NOISE * rng.standard_normal((count, h.shape[1]))
    return phase, np.rint(counts).astype(np.uint16)


def measure(most_frames: float = 1e7) -> Iterator[Line]:
    rng = np.random.default_rng(1)
    h = 10 * (rng.standard_normal((2, 16)) + 1j * rng.standard_normal((2, 16)))
    lockin = LockIn(SHAPE, 2, MEMORY)
    kept: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    done, stops = 0, [10**k for k in range(5, 8) if 10**k <= most_frames]
    chunk = 10_000
    for stop in stops:
        while done < stop:
            phase, counts = frames(done, chunk, h, rng)
            time_s = (done + np.arange(chunk)) / RATE_HZ
            for i in range(chunk):
                lockin.add(counts[i], time_s[i], phase[i])
                if i % SOLVE_EVERY == 0:
                    lockin.solve()
            done += chunk
            kept = [*kept, (time_s, phase, counts)][-(SEEN // chunk + 1) :]
        time_s, phase, counts = (np.concatenate(part) for part in zip(*kept, strict=True))
        weights = ((MEMORY - 1) / (MEMORY + 1)) ** np.arange(len(phase))[::-1]
        wanted = plain.batch_lockin(counts, time_s - time_s[-1], phase, 2, weights)
        found = lockin.solve()
        assert found is not None
        apart = float(np.max(np.abs(found.maps.reshape(2, -1) - wanted.maps) / wanted.noise))
        noise_apart = float(np.max(np.abs(found.noise.ravel() / wanted.noise - 1)))
        yield Line(
            f"lock-in after {done:,} frames, off batch least squares in float64: harmonics, of one frame's noise; noise",
            f"{apart:.1e}; {noise_apart:.1e}",
            f"≤ {MOST:g}",
            apart <= MOST and noise_apart <= MOST,
        )
