"""Reads the pictures of bad pixels that `bolotip calibrate pixels` writes without OpenCV, which would take 26 MB of the loop's
memory for this alone. Format: Portable Network Graphics, ISO/IEC 15948 (from memory; the twin in the tests is OpenCV's)."""

import struct
import zlib

import numpy as np

SIGNATURE = b"\x89PNG\r\n\x1a\n"
PLAIN_GRAY = 8, 0, 0, 0, 0  # bits a pixel, colour type, compression, filter method, no interlacing
LARGEST_SIDE = 20000


def read(data: bytes) -> np.ndarray | None:
    """(rows, columns) uint8; None where it is no sound PNG of 8 bits gray, and a library should have a look."""
    chunks, at = [], len(SIGNATURE)
    while data.startswith(SIGNATURE) and len(data) >= at + 12:
        (size,) = struct.unpack_from(">I", data, at)
        name, content, check = data[at + 4 : at + 8], data[at + 8 : at + 8 + size], data[at + 8 + size : at + 12 + size]
        if len(check) < 4 or zlib.crc32(name + content) != int.from_bytes(check, "big"):
            return None
        chunks.append((name, content))
        at += 12 + size
    if not chunks or chunks[0][0] != b"IHDR" or len(chunks[0][1]) != 13:
        return None
    columns, rows, *kind = struct.unpack(">IIBBBBB", chunks[0][1])
    if tuple(kind) != PLAIN_GRAY or not (0 < rows <= LARGEST_SIDE and 0 < columns <= LARGEST_SIDE):
        return None
    try:
        packed = b"".join(content for name, content in chunks if name == b"IDAT")
        lines = zlib.decompressobj().decompress(packed, rows * (columns + 1))
    except zlib.error:
        return None
    if len(lines) < rows * (columns + 1):
        return None
    coded = np.frombuffer(lines, np.uint8).reshape(rows, columns + 1)
    image, above = np.empty((rows, columns), np.uint8), np.zeros(columns, np.uint8)
    for row, line in enumerate(coded):
        if line[0] > 4:
            return None
        above = image[row] = _plain(int(line[0]), line[1:], above)
    return image


def _plain(way: int, line: np.ndarray, above: np.ndarray) -> np.ndarray:
    """One line without its filter: what it adds to is 0 nothing, the pixel to the 1 left, 2 above, 3 the mean of both, or 4
    whichever of left, above and above left is nearest to left + above - above left."""
    if way < 3:
        return (line, np.cumsum(line, dtype=np.uint8), line + above)[way]
    out, left, corner = [], 0, 0
    for value, up in zip(line.tolist(), above.tolist()):
        guess = (left + up) // 2
        if way == 4:
            whole = left + up - corner
            guess = min((left, up, corner), key=lambda near: abs(whole - near))  # the first of equals, as the standard has it
        left, corner = (value + guess) % 256, up
        out.append(left)
    return np.array(out, np.uint8)
