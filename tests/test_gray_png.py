"""Pictures of bad pixels read without OpenCV, against OpenCV, and by each way a line may be filtered."""

import struct
import zlib

import cv2
import numpy as np
import pytest

from calibration.gray_png import SIGNATURE, read

IMAGE = np.random.default_rng(4).integers(0, 256, (23, 31)).astype(np.uint8)


def chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def picture(lines: bytes, kind=(8, 0, 0, 0, 0), shape=IMAGE.shape, pieces: int = 1) -> bytes:
    packed = zlib.compress(lines)
    cut = -(-len(packed) // pieces)
    data = b"".join(chunk(b"IDAT", packed[i : i + cut]) for i in range(0, len(packed), cut))
    return SIGNATURE + chunk(b"IHDR", struct.pack(">IIBBBBB", shape[1], shape[0], *kind)) + data + chunk(b"IEND", b"")


def filtered(image: np.ndarray, ways) -> bytes:
    """Pixel by pixel, as the standard's table has it."""
    out = bytearray()
    for row, way in enumerate(ways):
        out.append(way)
        for column in range(image.shape[1]):
            a = int(image[row, column - 1]) if column else 0
            b = int(image[row - 1, column]) if row else 0
            c = int(image[row - 1, column - 1]) if row and column else 0
            p = a + b - c
            near = a if abs(p - a) <= abs(p - b) and abs(p - a) <= abs(p - c) else b if abs(p - b) <= abs(p - c) else c
            out.append((int(image[row, column]) - (0, a, b, (a + b) // 2, near)[way]) % 256)
    return bytes(out)


@pytest.mark.parametrize("image", [IMAGE, np.where(IMAGE > 250, 255, 0).astype(np.uint8), IMAGE[:1, :1]])
def test_what_opencv_writes_is_read(image):
    for level in (0, 3, 9):
        written = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, level])[1].tobytes()
        assert np.array_equal(read(written), image)


@pytest.mark.parametrize("pieces", [1, 5])
def test_every_filter_is_undone_as_opencv_does(pieces):
    ways = [4, 3, 2, 1, 0, *(i % 5 for i in range(len(IMAGE) - 5))]
    data = picture(filtered(IMAGE, ways), pieces=pieces)
    assert np.array_equal(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE), IMAGE)
    assert np.array_equal(read(data), IMAGE)


def test_other_pictures_and_damaged_ones_are_left_to_a_library():
    good = picture(filtered(IMAGE, [0] * len(IMAGE)))
    assert read(good) is not None
    for other in (np.stack([IMAGE] * 3, axis=2), IMAGE.astype(np.uint16)):
        assert read(cv2.imencode(".png", other)[1].tobytes()) is None
    assert read(cv2.imencode(".bmp", IMAGE)[1].tobytes()) is None and read(b"") is None and read(SIGNATURE) is None
    assert read(picture(filtered(IMAGE, [0] * len(IMAGE)), kind=(8, 0, 0, 0, 1))) is None  # interlaced
    assert read(picture(filtered(IMAGE, [0] * len(IMAGE)), shape=(24, 31))) is None  # a line is missing
    assert read(picture(b"\5" + filtered(IMAGE, [0] * len(IMAGE))[1:])) is None  # no such filter
    assert read(SIGNATURE + chunk(b"IHDR", struct.pack(">IIBBBBB", 31, 23, 8, 0, 0, 0, 0)) + chunk(b"IDAT", b"no zlib")) is None
    for at in range(len(good)):
        damaged = bytearray(good)
        damaged[at] ^= 0x10
        found = read(bytes(damaged))
        assert found is None or np.array_equal(found, IMAGE)
        found = read(good[:at])
        assert found is None or np.array_equal(found, IMAGE)
