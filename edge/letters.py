"""Words, lines and dots on a small picture without a graphics library, which would take more memory than all the rest of the loop's own.

The letters come ready-made as gray pictures (edge/letters.npz, by hw_notes/letters.py); the picture is packed as Portable
Network Graphics (ISO/IEC 15948, from memory; OpenCV reads it in the tests).
"""

import functools
import math
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.gray_png import SIGNATURE

SIZES = 11, 12, 14, 18  # pixels high in type
Image = np.ndarray  # (rows, columns, 3) uint8: red, green, blue
Colour = tuple[int, int, int]


@dataclass(frozen=True)
class Letters:
    """Of one size: cells (n, height, width) uint8, ink 255; left, advance (n,): pixels to the cell, to the next letter; base:
    row of the base line in a cell."""

    numbers: dict[str, int]
    cells: np.ndarray
    left: np.ndarray
    advance: np.ndarray
    base: int


@functools.cache
def letters(size: int) -> Letters:
    with np.load(Path(__file__).with_name("letters.npz")) as data:
        known = {letter: i for i, letter in enumerate(str(data["letters"]))}
        cells, left, advance = (data[f"{name}_{size}"] for name in ("cells", "left", "advance"))
        return Letters(known, cells, left.astype(int), advance.astype(float), int(data[f"base_{size}"]))


def width(words: str, size: int) -> int:
    """Pixels that they take."""
    of = letters(size)
    return math.ceil(sum(of.advance[of.numbers.get(letter, of.numbers["?"])] for letter in words))


def text(image: Image, at: tuple[int, int], words: str, size: int, colour: Colour) -> None:
    """Left end of the base line at (x, y). A letter that is not among them is a question mark; what lies outside is cut off."""
    of, x, y = letters(size), float(at[0]), at[1]
    for letter in words:
        i = of.numbers.get(letter, of.numbers["?"])
        blend(image, of.cells[i], y - of.base, round(x) + int(of.left[i]), colour)
        x += of.advance[i]


def blend(image: Image, ink: np.ndarray, top: int, left: int, colour: Colour) -> None:
    """Lay `ink` (rows, columns) uint8, 255 opaque, over the image."""
    rows, columns = ink.shape
    r0, c0 = max(0, -top), max(0, -left)
    r1, c1 = min(rows, image.shape[0] - top), min(columns, image.shape[1] - left)
    if r0 < r1 and c0 < c1:
        part = image[top + r0 : top + r1, left + c0 : left + c1]
        share = ink[r0:r1, c0:c1, None] / 255
        part[:] = np.rint(part + share * (np.array(colour) - part))


def bar(image: Image, left: int, top: int, right: int, bottom: int, colour: Colour) -> None:
    """All pixels from (left, top) to (right, bottom), these included: an upright or level line where they are one."""
    image[max(0, top) : bottom + 1, max(0, left) : right + 1] = colour


def dots(image: Image, x: np.ndarray, y: np.ndarray, radius: float, colour: Colour) -> None:
    """Dots with soft edges at whole pixels x, y (n,); none is drawn twice where they overlap."""
    reach = int(radius) + 1
    ink = np.zeros((image.shape[0] + 2 * reach, image.shape[1] + 2 * reach), np.uint8)
    seen = (x >= 0) & (x < image.shape[1]) & (y >= 0) & (y < image.shape[0])
    for down in range(-reach, reach + 1):
        for right in range(-reach, reach + 1):
            share = min(max(radius + 0.5 - math.hypot(right, down), 0.0), 1.0)
            at = y[seen] + reach + down, x[seen] + reach + right
            ink[at] = np.maximum(ink[at], round(255 * share))
    blend(image, ink, -reach, -reach, colour)


def packed(image: Image) -> bytes:
    """As PNG, 8 bits a colour."""
    rows, columns, _ = image.shape
    lines = np.zeros((rows, 1 + 3 * columns), np.uint8)  # each begins with the number of its filter, 0: none
    lines[:, 1:] = image.reshape(rows, -1)

    def chunk(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    head = struct.pack(">IIBBBBB", columns, rows, 8, 2, 0, 0, 0)
    return SIGNATURE + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(lines.tobytes(), 6)) + chunk(b"IEND", b"")
