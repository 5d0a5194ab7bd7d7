"""The scatter of values of which some are astray: from the median of the absolute deviations, which they hardly move."""

import numpy as np

MAD_TO_SD = 1.4826  # standard deviation over median absolute deviation, normal noise (any textbook)


def robust_sd(values: np.ndarray) -> float:
    """Standard deviation of normal `values` (any shape) around their median."""
    return MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))
