"""Places in a stress-sum map that look like a crack tip, with no hint where it is.

A bank of correlation filters gives, for every pixel at once, the least-squares mode-I amplitude in a small ring and its t
value.
"""

import numpy as np

from edge import williams
from edge.surroundings import correlations

RING_PX = (24, 12, 6)  # outer radii of the filters


def candidates(
    stress: np.ndarray, sd: float, usable: np.ndarray, angle_deg: float, least_t: float
) -> list[tuple[float, float, float]]:
    """(t value, row, column) of the places that look most like a tip, best first, in a map stress (rows, columns) MPa with
    deviation sd; usable (rows, columns) bool; t above least_t."""
    found = []
    for ring in RING_PX:
        t, factor = t_map(stress, sd, usable, angle_deg, ring)
        for _ in range(4):
            i, j = np.unravel_index(int(np.argmax(t)), t.shape)
            if t[i, j] < least_t:
                break
            found.append((float(t[i, j]), (i + 0.5) * factor - 0.5, (j + 0.5) * factor - 0.5))
            t[max(0, i - 4) : i + 5, max(0, j - 4) : j + 5] = -1
    return sorted(found, reverse=True)


def _thinned(image: np.ndarray, factor: int) -> np.ndarray:
    """Means of squares of `factor` pixels; what is left over at the ends is left out."""
    rows, columns = image.shape[0] // factor, image.shape[1] // factor
    squares = image[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
    return np.asarray(squares.mean(axis=(1, 3), dtype=np.float32))


def t_map(stress: np.ndarray, sd: float, usable: np.ndarray, angle_deg: float, ring_px: int) -> tuple[np.ndarray, int]:
    """t value of the mode-I term at each pixel of a map thinned by the returned factor: rings of `ring_px`, the smooth terms
    taken out first. The design is the same everywhere, so each coefficient is a correlation with one orthonormal column."""
    factor = max(1, ring_px // 8)
    cover, thin = _thinned(usable, factor), _thinned(np.where(usable, stress, 0), factor)
    thin = np.where(cover > 0.3, thin / np.maximum(cover, 0.3), 0)
    radius = ring_px // factor
    grid = np.arange(-radius, radius + 1)
    z = williams.to_crack(grid[:, None], grid[None, :], (0.0, 0.0), angle_deg, 1.0)
    inside = (np.abs(z) > 1.5) & (np.abs(z) <= radius + 0.3) & (np.abs(np.angle(z)) < np.deg2rad(140))
    zi = z[inside]
    smooth = [zi.real**0, zi.real, zi.imag, (zi**2).real, (zi**2).imag]  # n = 2, 4, 6: no crack
    crack = [(zi**0.5).real, -(zi**0.5).imag, -(zi**-0.5).imag, (zi**-0.5).real]
    q, _ = np.linalg.qr(np.stack(smooth + crack, 1))
    if q[:, -1] @ (zi**-0.5).real < 0:
        q[:, -1] = -q[:, -1]
    patterns = np.zeros((q.shape[1], *z.shape))
    patterns[:, inside] = q.T
    explained = np.zeros(thin.shape)
    for last in correlations(thin, patterns):  # after the loop: the crack's own
        explained += last**2
    ring = inside[None].astype(float)
    (energy,), (holes,) = correlations(thin**2, ring), correlations(cover < 0.3, ring)
    n = int(inside.sum())
    variance = np.maximum((energy - explained) / (n - q.shape[1]), (sd / factor) ** 2)
    t = last / np.sqrt(variance)
    t[holes > 0.03 * n] = -1
    t[:radius], t[-radius:], t[:, :radius], t[:, -radius:] = -1, -1, -1, -1
    return t, factor
