"""Copies of an image among the frames: now and then one is nothing, the same number after each image is the camera's way (a
core of 9 images a second behind a stream of 27), and more than usual are an image that stood still, as in a shutter event."""

from collections import deque
from typing import NamedTuple

from edge.sources.base import Frame

FROZEN = 2  # copies in a row that make an image that stands still
KNOWN, FEWEST = 24, 8  # images that tell how many copies are usual; and the fewest of them


class Seen(NamedTuple):
    """A frame that came, whether it is a copy of the one before, and its mean level (0: a copy)."""

    frame: Frame
    copy: bool
    level: float


class Copies:
    """Frames are told with `copy` and `image`, in their order."""

    def __init__(self) -> None:
        self.in_a_row = 0
        self.usual: deque[int] = deque(maxlen=KNOWN)  # copies after each of the last images

    def copy(self) -> bool:
        """A copy came. Whether the image stands still."""
        self.in_a_row += 1
        return self._standing()

    def image(self) -> bool:
        """A new image came. Whether the one before it stood still, so that the camera may have other offsets now."""
        standing = self._standing()
        self.usual.append(self.in_a_row)
        self.in_a_row = 0
        return standing

    def _standing(self) -> bool:
        if self.in_a_row < FROZEN:
            return False
        return len(self.usual) < FEWEST or self.in_a_row > sorted(self.usual)[len(self.usual) // 2] + 1
