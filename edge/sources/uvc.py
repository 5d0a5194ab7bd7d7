"""Frames of a USB camera (UVC) through opencv's V4L2 capture: 16-bit gray, nothing converted.

Driver time: V4L2 stamps each buffer with the monotonic clock; such stamps are used as they are, else the arrival.
"""

import os
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from edge.rig import Camera
from edge.sources.base import Frame
from edge.sources.capture import CapturedFrames, Device
from edge.sources.gate import Gate

OLDEST_STAMP_S = 1.0  # of a first frame: a stamp that is older is of another clock


def open_capture(device: int | str) -> Any:
    """The seam: all that was never run on a real camera is here and in what opencv does. A cv2.VideoCapture."""
    import cv2

    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # its message at each vain attempt fills the log
    camera = isinstance(device, int) or device.startswith("/dev/")
    capture = cv2.VideoCapture(device, cv2.CAP_V4L2 if camera else cv2.CAP_FFMPEG)
    if camera:
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"Y16 "))
    capture.set(cv2.CAP_PROP_CONVERT_RGB, 0)
    return capture


def as_counts(image: np.ndarray, cropped: bool) -> np.ndarray | None:
    """`image` as uint16 (rows, columns), or None where it has 8 bits.

    Some cameras pack raw 16-bit words into a stream that calls itself YUYV, mostly below a picture: two bytes a pixel
    are taken as one word, but only where a crop says that somebody has looked at what is there.
    """
    if image.dtype == np.uint16 and image.ndim == 2:
        return image
    if image.dtype == np.uint8 and image.ndim == 3 and image.shape[2] == 2 and cropped:
        return np.ascontiguousarray(image).view("<u2")[..., 0]
    return None


class UvcDevice(Device[Frame]):
    """One cv2.VideoCapture as the capture thread sees it."""

    def __init__(self, camera: Camera, open_device: Callable[[int | str], Any]):
        device = camera.device
        self.device = int(device) if isinstance(device, str) and device.isdecimal() else device
        self.name = f"[camera] device {self.device}"
        self.remedy = "give the number or the name of a camera (ls /dev/video* /dev/v4l/by-id, group video, not in use)"
        self._open, self._cropped = open_device, camera.crop_px is not None
        self._gate = Gate(camera)
        self._capture: Any = None
        self._number = 0  # of the next frame
        self._stamped: bool | None = None  # the driver's stamps are of the monotonic clock; None: not known yet
        self._last_s = -np.inf
        self._late_s = 0.0  # the arrival after the driver's stamp, of the last frame that had one

    @property
    def settled(self) -> bool:
        return self._gate.settled

    @property
    def complaint(self) -> str | None:
        return self._gate.complaint

    def connect(self) -> None:
        import cv2

        path = f"/dev/video{self.device}" if isinstance(self.device, int) else self.device
        if not os.path.exists(path):
            raise FileNotFoundError(2, f"{path} is not there")
        if not os.access(path, os.R_OK):
            raise PermissionError(13, f"{path} may not be read by this user")
        try:
            self._capture = self._open(self.device)
        except cv2.error as e:
            raise OSError(5, " ".join(str(e).split())[:120]) from None
        if not self._capture.isOpened():
            raise OSError(5, "cannot be opened as a camera")
        self._gate.reset()
        self._stamped, self._late_s = None, 0.0

    def read(self) -> list[Frame]:
        """The next frame; opencv waits for it as long as it likes (10 s on V4L2)."""
        import cv2

        try:
            if not self._capture.grab():
                raise OSError(5, "no frame came")
            arrival_s = time.monotonic()
            stamp_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000
            ok, image = self._capture.retrieve()
        except cv2.error as e:
            raise OSError(5, " ".join(str(e).split())[:120]) from None
        if not ok:
            raise OSError(5, "no frame came")
        time_s = self._time(arrival_s, stamp_s)
        number, self._number = self._number, self._number + 1
        counts = as_counts(image, self._cropped)
        if counts is None:
            self._gate.refuse(
                f"delivers 8-bit images ({image.dtype}, shape {'x'.join(map(str, image.shape))}), may be 16-bit gray "
                f"(Y16); set the camera to raw output, or give crop_px where raw words stand below a picture"
            )
            return []
        return self._gate.take(number, time_s, counts)

    def _time(self, arrival_s: float, stamp_s: float) -> float:
        if self._stamped is None:
            self._stamped = 0 < stamp_s <= arrival_s < stamp_s + OLDEST_STAMP_S
        if self._stamped and self._last_s < stamp_s <= arrival_s:
            self._late_s, self._last_s = arrival_s - stamp_s, stamp_s
        else:  # a single bad stamp: as late as the one before
            self._last_s = max(self._last_s, arrival_s - self._late_s)
        return self._last_s

    def disconnect(self) -> None:
        capture, self._capture = self._capture, None
        if capture is not None:
            capture.release()


class UvcFrames(CapturedFrames):
    """A live USB camera. InputError: no such camera, 8-bit output, automatic gain, another size than the rig file's."""

    def __init__(self, camera: Camera, open_device: Callable[[int | str], Any] = open_capture, wait: bool = False):
        super().__init__(UvcDevice(camera, open_device), wait)
