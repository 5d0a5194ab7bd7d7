"""What the loop sees of a camera and of a load cell: two small interfaces on one monotonic clock.

A source is opened by its constructor, read in turn, and closed; it is a context manager. Errors a source may raise:
EndOfSource (a recording has ended) and calibration.door.InputError (it cannot be opened: the user's to mend). A live
source that is lost waits for its device and says so by `fault`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np


class EndOfSource(Exception):
    """There will be no more frames."""


@dataclass
class Frame:
    """One image as it arrived. counts: uint16 (rows, columns); time_s: arrival on the monotonic clock."""

    number: int
    time_s: float
    counts: np.ndarray


class Source:
    """What cameras and load cells have in common. live: its times are those of this computer's monotonic clock.

    fault: why nothing comes from it at the moment, in one line; None while something does.
    """

    live: bool = False

    @property
    def fault(self) -> str | None:
        return None

    @property
    def state(self) -> str:
        """ "ok" or "waiting"."""
        return "ok" if self.fault is None else "waiting"


class FrameSource(Source, ABC):
    """Frames in the order of their arrival."""

    @abstractmethod
    def read(self, timeout_s: float) -> Frame | None:
        """The next frame, or None where none came within `timeout_s`. Raises EndOfSource."""

    @property
    def losses(self) -> int:
        """How often a live camera was lost."""
        return 0

    @property
    def share(self) -> float | None:
        """Share of the whole that has been read, from 0 to 1; None where no end is known."""
        return None

    def close(self) -> None:  # noqa: B027 (nothing to close is the usual case)
        """Give the device back; may be called twice."""

    def __enter__(self) -> FrameSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class LoadSource(Source, ABC):
    """Load samples in the order of their arrival. `ended` turns True once no more samples will come; `nominal`: phase and
    frequency are measured, range and ratio are not."""

    ended: bool = False
    nominal: bool = False

    @abstractmethod
    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        """New samples: time_s and load_kN, both (n,), n may be 0. A recording gives those up to `until_s` on the
        frames' clock, a live source all that arrived so far."""

    def close(self) -> None:  # noqa: B027
        """Give the device back; may be called twice."""

    def __enter__(self) -> LoadSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
