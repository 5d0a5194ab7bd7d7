"""Gaussian smoothing of a map in NumPy: OpenCV's would be the only use of a megabyte of its code."""

from __future__ import annotations

import numpy as np


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
