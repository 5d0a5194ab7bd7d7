"""Between a camera and the queue: the crop, the size, and whether the counts are raw.

A camera that shows a picture instead of measuring gives itself away: values of 8 bits, or an image stretched anew in
each frame so that its coldest and hottest pixels reach both ends of the scale (automatic gain; common practice, no
source). Harmonics of such counts are no temperatures, so they are refused, with the remedy.
"""

import numpy as np

from edge.rig import Camera
from edge.sources.base import Frame

JUDGED = 6  # different images after each connection, held back until they are judged
MOST_HELD = 24  # a camera that shows a shutter or the same image for longer is let through
TOPS = tuple(2**bits - 1 for bits in (10, 12, 14, 16))
NEAR_END = 0.1  # of the scale
GAIN_OFF = "switch automatic gain and picture enhancement off in the camera, so that it delivers raw counts"


class Gate:
    """`take` gives the frames to pass on; `complaint` says why there are none, in one line with the remedy."""

    def __init__(self, camera: Camera):
        self.camera = camera
        self.reset()

    def reset(self) -> None:
        """After each connection: another camera may be there."""
        self.complaint: str | None = None
        self.settled = False
        self._held: list[Frame] = []
        self._different = 0

    def take(self, number: int, time_s: float, image: np.ndarray) -> list[Frame]:
        """image: (rows, columns) uint16 before the crop."""
        counts = self._crop(image)
        if counts is None:
            return []
        if self.settled:
            return [Frame(number, time_s, counts)]
        if not self._held or not np.array_equal(counts, self._held[-1].counts):
            self._different += int(np.ptp(counts) > 1)
        self._held.append(Frame(number, time_s, counts))
        if self._different < JUDGED and len(self._held) < MOST_HELD:
            return []
        held, self._held, self._different = self._held, [], 0
        self.complaint = not_raw([f.counts for f in held])
        self.settled = self.complaint is None
        return held if self.settled else []

    def refuse(self, why: str) -> None:
        """What came is of no use; judged afresh from the next frame on."""
        self.complaint, self.settled = why, False
        self._held, self._different = [], 0

    def _crop(self, image: np.ndarray) -> np.ndarray | None:
        c = self.camera
        top, left, rows, columns = c.crop_px or (0, 0, *image.shape)
        if (rows, columns) != (c.rows, c.columns) or top + rows > image.shape[0] or left + columns > image.shape[1]:
            self.refuse_size(image.shape[0], image.shape[1])
            return None
        return np.array(image[top : top + rows, left : left + columns])

    def refuse_size(self, rows: int, columns: int) -> None:
        c, size = self.camera, f"images have {rows} rows and {columns} columns"
        if c.crop_px:
            self.refuse(f"{size}, too few for [camera] crop_px = {list(c.crop_px)}; correct crop_px")
        else:
            self.refuse(
                f"{size}, [camera] has rows = {c.rows}, columns = {c.columns}; correct these, or give crop_px where "
                f"the image carries telemetry rows or two images"
            )


def not_raw(images: list[np.ndarray]) -> str | None:
    """Why `images` (uint16, of one size) are no raw counts, or None."""
    stack = np.stack(images)
    low, high = int(stack.min()), int(stack.max())
    if high - low < 2:
        return None  # a closed shutter tells nothing
    if high < 256 or not (stack & 255).any():
        return "delivers 8-bit values in 16-bit words; set the camera to raw 16-bit output"
    if low >= 0x8000 and high < 0x8100:  # colour bytes of 128 above brightness bytes: gray, as video packs it
        return "delivers an 8-bit picture here; set the camera to raw 16-bit output, or crop_px to its raw image"
    if high in TOPS and len(images) >= JUDGED and fills_the_scale(stack, high):
        return f"stretches each image to 0..{high}, which is automatic gain; {GAIN_OFF}"
    return None


def fills_the_scale(stack: np.ndarray, top: int) -> bool:
    """Does each image reach 0 and `top`, and are these the ends of its scene rather than dead pixels far from it?"""
    at_end = (stack == 0) | (stack == top)
    if not ((stack == 0).any((1, 2)) & (stack == top).any((1, 2))).all():
        return False
    scene = stack[:, ~at_end.all(0)].astype(float)  # pixels at an end in all images may be dead or saturated
    near = NEAR_END * top
    return bool(scene.size and (scene.min(1) <= near).all() and (scene.max(1) >= top - near).all())
