"""What stands around each pixel of a map: sums, medians and smoothing, masks that grow and open, patches, correlations with a
pattern.

OpenCV has all this; but it is the loop's only use for it, and to import it takes 26 MB and what runs of it stays in memory
besides (`python tests/bench memory`): as much as all the rest of the loop. The twins in the tests are SciPy's and OpenCV's.
"""

from collections.abc import Iterator
from typing import Literal

import numpy as np

MEDIAN_PX = 5


def box_sums(image: np.ndarray, width_px: int, beyond: Literal["constant", "symmetric"] = "constant") -> np.ndarray:
    """Sums over the square of odd width around each pixel of `image` (rows, columns), in double precision or whole numbers;
    `beyond` the border: as numpy.pad calls it ("constant": zeros)."""
    total: np.ndarray = np.pad(image, width_px // 2, mode=beyond).astype(np.int64 if image.dtype.kind in "bu" else np.float64)
    for axis in (0, 1):
        total = np.cumsum(total, axis=axis).swapaxes(0, axis)
        total[width_px:] -= total[:-width_px].copy()
        total = total[width_px - 1 :].swapaxes(0, axis)
    return total


def smoothed(image: np.ndarray, sigma_px: float) -> np.ndarray:
    """Real or complex `image` (rows, columns) under a Gaussian of deviation sigma_px, mirrored at its edges; of the same type."""
    reach = round(4 * sigma_px)
    tap = np.exp(-0.5 * (np.arange(reach + 1) / sigma_px) ** 2)
    centre, *aside = (tap / (2 * tap.sum() - tap[0])).tolist()
    for axis in (0, 1):
        wide = np.pad(image, [(reach, reach) if axis == a else (0, 0) for a in (0, 1)], mode="symmetric").swapaxes(0, axis)
        many = len(wide) - 2 * reach
        total = centre * wide[reach : reach + many]
        for k, weight in enumerate(aside, 1):
            total += weight * (wide[reach - k : reach - k + many] + wide[reach + k : reach + k + many])
        image = total.swapaxes(0, axis)
    return image


def median_of_neighbours(image: np.ndarray, places: np.ndarray | None = None) -> np.ndarray:
    """Median of the 5 x 5 pixels around each pixel of `image` (rows, columns), or, in one row, around those of a mask `places`;
    the border's pixels go on beyond it."""
    wide = np.pad(image, MEDIAN_PX // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(wide, (MEDIAN_PX, MEDIAN_PX))

    def medians(some: np.ndarray) -> np.ndarray:
        return np.asarray(np.partition(some.reshape(-1, MEDIAN_PX**2), MEDIAN_PX**2 // 2)[:, MEDIAN_PX**2 // 2])

    if places is not None:
        return medians(windows[places])
    return np.stack([medians(line) for line in windows])  # all of them at once would take 25 images


def grown(mask: np.ndarray, width_px: int) -> np.ndarray:
    """Pixels with one of `mask` (rows, columns) in the square of odd width around them."""
    return box_sums(mask, width_px) > 0


def opened(mask: np.ndarray, width_px: int) -> np.ndarray:
    """`mask` without what is narrower than a square of odd width; beyond the border it is taken to go on."""
    return grown(~grown(~mask, width_px), width_px)


def patches(mask: np.ndarray) -> np.ndarray:
    """Pixels of `mask` (rows, columns) that hang together, corners too, get the same number, its patch's, from 1; others 0."""
    number = np.zeros(mask.shape, np.intp)
    number[mask] = np.arange(1, np.count_nonzero(mask) + 1)
    first = np.arange(number.max() + 1)  # of each pixel: one of its patch with a lower number, in the end the lowest
    beside = [(number[:, 1:], number[:, :-1]), (number[1:], number[:-1])]
    beside += [(number[1:, 1:], number[:-1, :-1]), (number[1:, :-1], number[:-1, 1:])]
    a, b = np.concatenate([np.stack([x, y])[:, (x > 0) & (y > 0)] for x, y in beside], axis=1)
    while np.any(first[a] != first[b]):
        np.minimum.at(first, np.maximum(first[a], first[b]), np.minimum(first[a], first[b]))
        while np.any(first[first] != first):
            first = first[first]
    return np.unique(first, return_inverse=True)[1].reshape(-1)[number]


def correlations(image: np.ndarray, patterns: np.ndarray) -> Iterator[np.ndarray]:
    """sum over (i, j) of pattern[i, j] image[row + i - r, column + j - r] for each of patterns (n, 2 r + 1, 2 r + 1), 0
    beyond the border; by Fourier transforms."""
    width = patterns.shape[1]
    shape = image.shape[0] + width - 1, image.shape[1] + width - 1
    transformed, r = np.fft.rfft2(image, shape), width // 2
    for pattern in patterns:
        whole = np.fft.irfft2(transformed * np.fft.rfft2(pattern[::-1, ::-1], shape), shape)
        yield whole[r : r + image.shape[0], r : r + image.shape[1]]
