"""Load source `frames`: no load signal, phase and frequency are taken from the frames themselves.

Where the specimen is stretched it cools, so the negative mean of a frame follows the load: one sample a frame, averaged
over so many pixels that it is far cleaner than any of them. It lags behind the load as the camera does; the far field,
whose first harmonic must be at 180 degrees, takes that lag out again. Range and ratio can't be known from it.
"""

import numpy as np

from edge.sources.base import Frame, LoadSource


class FramesLoad(LoadSource):
    """Samples from frames that the loop shows it. Values are counts, not kN."""

    def __init__(self) -> None:
        self._samples: list[tuple[float, float]] = []

    def see(self, frame: Frame, time_s: float) -> None:
        """Take a frame, exposed at time_s by the frame clock."""
        self._samples.append((time_s, -float(frame.counts.mean())))

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        pairs, self._samples = np.array(self._samples).reshape(-1, 2), []
        return pairs[:, 0], pairs[:, 1]
