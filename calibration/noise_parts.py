"""What the noise of a still scene is made of: of each pixel, of a row, of a column, of the scene itself."""

import numpy as np

APART_PX = 5  # neither smoothing nor the noise of rows and columns reaches so far
FEWEST_OF_A_LINE = 10  # pixels


def copies(stack: np.ndarray) -> np.ndarray:
    """Which of the frames (n, rows, columns) are copies of the one before, (n,) bool."""
    return np.array([False] + [np.array_equal(a, b) for a, b in zip(stack[1:], stack)])


def residuals(
    new: np.ndarray, shared: np.ndarray, stretch: np.ndarray, time_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Frames less each pixel's mean in its stretch and straight drift, and less the image mean's own way; mean image;
    drift of the image mean with its deviation."""
    residual = new.astype(np.float32)
    residual -= (shared - shared.mean()).astype(np.float32)[:, None, None]
    mean = residual.mean(axis=0)
    for s in np.unique(stretch):
        residual[stretch == s] -= residual[stretch == s].mean(axis=0)
    t = (time_s - time_s.mean()).astype(np.float32)
    residual -= t[:, None, None] * (np.tensordot(t, residual, 1) / (t @ t))
    longest = stretch == np.bincount(stretch).argmax()
    fit, covariance = np.polyfit(time_s[longest] - time_s[longest].mean(), shared[longest], 1, cov=True)
    return residual, mean, float(fit[0]), float(np.sqrt(covariance[0, 0]))


def changes_together(residual: np.ndarray, decent: np.ndarray) -> float:
    """Correlation of pixels so far apart, along rows and columns, that neither the camera's smoothing nor its row and
    column noise reach: what is left is the scene."""
    a, b = residual[:, :-APART_PX, :-APART_PX], residual[:, APART_PX:, APART_PX:]
    both = decent[:-APART_PX, :-APART_PX] & decent[APART_PX:, APART_PX:]
    if not both.any():
        return 0.0
    pairs = a[:, both], b[:, both]
    return float(np.mean(pairs[0] * pairs[1]) / np.sqrt(np.mean(pairs[0] ** 2) * np.mean(pairs[1] ** 2)))


def lines_noise(residual: np.ndarray, good: np.ndarray, typical: float, axis: int) -> float:
    """Deviation of what the pixels of a row (axis 2) or a column (axis 1) share in a frame, counts, beyond what the noise
    `typical` of each pixel makes of their means; by medians, so that a few restless lines do not count."""
    count = good.sum(axis=axis - 1)
    long = count >= FEWEST_OF_A_LINE
    if not long.any():
        return 0.0
    means = np.einsum("nij,ij->ni" if axis == 2 else "nij,ij->nj", residual, good.astype(np.float32))[:, long] / count[long]
    return float(np.sqrt(max(0.0, float(np.median(means.var(axis=0) - typical**2 / count[long])))))
