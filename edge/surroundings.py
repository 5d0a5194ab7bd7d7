"""What stands around each pixel of a map: masks that grow and open, correlations with a pattern.

OpenCV has all this; but its dilation and its large correlations are parts of it that nothing else here touches, and each
brings program into memory that stays there (`python tests/bench memory` shows what the loop may take).
"""

from collections.abc import Iterator

import numpy as np


def grown(mask: np.ndarray, width_px: int) -> np.ndarray:
    """Pixels with one of `mask` (rows, columns) in the square of odd width around them."""
    import cv2

    size = width_px, width_px
    return np.asarray(cv2.boxFilter(mask.astype(np.float32), -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT) > 0.5)


def opened(mask: np.ndarray, width_px: int) -> np.ndarray:
    """`mask` without what is narrower than a square of odd width; beyond the border it is taken to go on."""
    return grown(~grown(~mask, width_px), width_px)


def correlations(image: np.ndarray, patterns: np.ndarray) -> Iterator[np.ndarray]:
    """sum over (i, j) of pattern[i, j] image[row + i - r, column + j - r] for each of patterns (n, 2 r + 1, 2 r + 1), 0
    beyond the border; by Fourier transforms."""
    width = patterns.shape[1]
    shape = image.shape[0] + width - 1, image.shape[1] + width - 1
    transformed, r = np.fft.rfft2(image, shape), width // 2
    for pattern in patterns:
        whole = np.fft.irfft2(transformed * np.fft.rfft2(pattern[::-1, ::-1], shape), shape)
        yield whole[r : r + image.shape[0], r : r + image.shape[1]]
