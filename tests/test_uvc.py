"""USB cameras: opencv's own capture of 16-bit files in the camera's place, and a thin seam for what no file can do."""

import logging
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from calibration.door import InputError
from edge.rig import Camera
from edge.sources import capture
from edge.sources.gate import JUDGED, not_raw
from edge.sources.uvc import UvcFrames, as_counts, open_capture

ROWS, COLUMNS = 24, 32


def images(count: int, rows: int = ROWS, columns: int = COLUMNS, seed: int = 0, level: int = 29_000) -> np.ndarray:
    """Invented counts: a gradient, noise, and dead pixels at both ends of the scale."""
    rng = np.random.default_rng(seed)
    scene = level + 10 * np.arange(columns) + 20 * np.arange(rows)[:, None]
    stack = (scene + rng.normal(0, 5, (count, rows, columns))).astype(np.uint16)
    stack[:, 3, 4], stack[:, 5, 6] = 0, 16383
    return stack


def write_video(path: Path, stack: np.ndarray) -> Path:
    """A 16-bit FFV1 file; under another name first, so that it appears at once, as a device does."""
    depth = [cv2.VIDEOWRITER_PROP_DEPTH, cv2.CV_16U, cv2.VIDEOWRITER_PROP_IS_COLOR, 0]
    new = path.with_name("new.mkv")
    size = stack.shape[2], stack.shape[1]
    writer = cv2.VideoWriter(str(new), cv2.CAP_FFMPEG, cv2.VideoWriter.fourcc(*"FFV1"), 25.0, size, depth)
    for one in stack:
        writer.write(one)
    writer.release()
    os.replace(new, path)
    return path


def camera(path: Path | str, **keys: Any) -> Camera:
    return Camera(source="uvc", device=str(path), **{"rows": ROWS, "columns": COLUMNS, "frame_rate_hz": 25.0, **keys})


def collect(frames: UvcFrames, count: int, timeout_s: float = 3.0) -> list:
    end_s, got = time.monotonic() + timeout_s, []
    while len(got) < count and time.monotonic() < end_s:
        if (frame := frames.read(0.05)) is not None:
            got.append(frame)
    return got


def wait_for(condition: Callable[[], object], seconds: float = 8.0) -> None:
    end_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end_s, "did not happen"
        time.sleep(0.01)


class Paced:
    """A real cv2.VideoCapture that hands over a frame every 5 ms, with driver stamps if asked for, and can be unplugged."""

    def __init__(
        self, real: Any, stamp: Callable[[], float] | None = None, change: Callable[[np.ndarray], Any] = lambda im: im
    ):
        self.real, self.stamp, self.change = real, stamp, change
        self.unplugged = self.released = False
        self.stamps: list[float] = []

    def isOpened(self) -> bool:
        return self.real.isOpened()

    def grab(self) -> bool:
        time.sleep(0.005)
        return not self.unplugged and self.real.grab()

    def retrieve(self) -> tuple[bool, Any]:
        ok, image = self.real.retrieve()
        return ok, self.change(image) if ok else image

    def get(self, what: int) -> float:
        if what != cv2.CAP_PROP_POS_MSEC or self.stamp is None:
            return self.real.get(what)
        self.stamps.append(self.stamp())
        return 1000 * self.stamps[-1]

    def release(self) -> None:
        self.released = True
        self.real.release()


def paced(**keys: Any) -> tuple[Callable[[int | str], Paced], list[Paced]]:
    made: list[Paced] = []

    def open_it(device: int | str) -> Paced:
        made.append(Paced(open_capture(device), **keys))
        return made[-1]

    return open_it, made


def test_every_count_of_a_16_bit_file_comes_through_opencvs_capture(tmp_path):
    stack = images(40)
    stack[7] = np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS) * 85  # all parts of the scale
    with UvcFrames(camera(write_video(tmp_path / "video.mkv", stack))) as frames:
        got = collect(frames, 40)
    assert [f.number for f in got] == list(range(40))
    np.testing.assert_array_equal(np.stack([f.counts for f in got]), stack)
    assert got[0].counts.dtype == np.uint16
    now_s = time.monotonic()
    assert all(now_s - 5 < f.time_s <= now_s for f in got) and np.all(np.diff([f.time_s for f in got]) > 0)


def test_telemetry_rows_and_second_images_are_cropped_away(tmp_path):
    stack = images(20, rows=2 * ROWS + 2)
    path = write_video(tmp_path / "video.mkv", stack)
    with UvcFrames(camera(path, crop_px=(ROWS + 2, 0, ROWS, COLUMNS))) as frames:
        got = collect(frames, 20)
    np.testing.assert_array_equal(np.stack([f.counts for f in got]), stack[:, ROWS + 2 :])


def test_raw_words_that_call_themselves_yuyv_are_read_where_a_crop_is_given():
    words = images(1)[0]
    packed = words.view(np.uint8).reshape(ROWS, COLUMNS, 2)
    np.testing.assert_array_equal(as_counts(packed, cropped=True), words)
    assert as_counts(packed, cropped=False) is None
    assert as_counts(np.zeros((ROWS, COLUMNS, 3), np.uint8), cropped=True) is None


# --- refused


REFUSED = [  # how each image is changed on its way, words of the one line
    ("8 bits", lambda im: (im >> 8).astype(np.uint8), ["8-bit images", "uint8", "24x32", "raw output"]),
    ("colours", lambda im: np.zeros((ROWS, COLUMNS, 3), np.uint8), ["8-bit images", "24x32x3"]),
    ("compressed", lambda im: np.zeros((1, 977), np.uint8), ["8-bit images", "1x977"]),
    ("8 in 16 bits", lambda im: im & 255, ["8-bit values", "raw 16-bit"]),
    ("8 in 16 bits, high", lambda im: im << 8, ["8-bit values", "raw 16-bit"]),
    ("stretched", lambda im: stretched(im, 16383), ["automatic gain", "0..16383", "switch automatic gain"]),
    ("stretched with tails", lambda im: stretched(im, 65535, 2.0), ["automatic gain", "0..65535"]),
    ("size", lambda im: im[:-1], ["23 rows and 32 columns", "rows = 24", "crop_px"]),
]


def stretched(im: np.ndarray, top: int, tail_percent: float = 0.0) -> np.ndarray:
    """Automatic gain as cameras do it: coldest to 0, hottest to the top; the dead pixels stay out of it."""
    live = im[8:]
    low, high = np.percentile(live, [tail_percent, 100 - tail_percent])
    return np.clip((im - low) / (high - low) * top, 0, top).round().astype(np.uint16)


@pytest.mark.parametrize("change, words", [r[1:] for r in REFUSED], ids=[r[0] for r in REFUSED])
def test_what_is_no_raw_count_is_refused_at_the_start_in_one_line(tmp_path, change, words):
    path = write_video(tmp_path / "video.mkv", images(30))
    open_it, made = paced(change=change)
    with pytest.raises(InputError) as e:
        UvcFrames(camera(path), open_it)
    assert all(w in str(e.value) for w in ["[camera] device", *words]) and "\n" not in str(e.value)
    assert all(m.released for m in made)


def test_opencvs_default_of_8_bits_would_be_refused(tmp_path):
    path = write_video(tmp_path / "video.mkv", images(10))
    with pytest.raises(InputError, match="8-bit images"):
        UvcFrames(camera(path), lambda device: cv2.VideoCapture(device))


def lamp() -> np.ndarray:
    """A lamp that saturates, with a blurred edge, and a dead pixel at 0."""
    stack = images(JUDGED, level=7000)
    glow = 12_000 * np.exp(-(((np.arange(COLUMNS) - 25) / 4.0) ** 2))
    return np.where(stack == 0, 0, np.minimum(stack + glow, 16383)).astype(np.uint16)


FINE = {
    "raw counts with dead pixels at both ends": images(JUDGED, level=7000),
    "a shutter": np.full((JUDGED, ROWS, COLUMNS), 30000, np.uint16),
    "nothing at all": np.zeros((JUDGED, ROWS, COLUMNS), np.uint16),
    "a saturating lamp and a dead pixel": lamp(),
    "a sky below the scale and a dead pixel at its top": np.where(
        images(JUDGED, level=7000) == 16383, 16383, np.maximum(images(JUDGED, level=7000), 7100) - 7100
    ).astype(np.uint16),
}


@pytest.mark.parametrize("stack", FINE.values(), ids=FINE.keys())
def test_raw_counts_are_not_taken_for_automatic_gain(stack):
    assert not_raw(list(stack)) is None


@pytest.mark.parametrize("seed", range(20))
def test_each_stretched_image_is_seen_through_also_where_the_scene_stands_still(seed):
    stack = np.stack([stretched(im, 16383) for im in images(JUDGED, seed=seed)])
    assert "automatic gain" in (not_raw(list(stack)) or "")


def test_gray_video_beside_the_raw_image_is_known_by_its_colour_bytes():
    assert "crop_px" in not_raw(list(images(JUDGED) % 256 | 0x8000))


def test_a_camera_that_is_not_there_is_the_users_mistake(tmp_path):
    not_video = tmp_path / "video.mkv"
    not_video.write_bytes(b"no video")
    cases: list[tuple[Any, str]] = [
        (77, "/dev/video77 is not there"),
        ("77", "/dev/video77"),
        ("/dev/video77", "is not there"),
    ]
    for device, words in [*cases, (str(not_video), "cannot be opened as a camera")]:
        with pytest.raises(InputError, match=words) as e:
            UvcFrames(Camera(source="uvc", device=device, rows=ROWS, columns=COLUMNS, frame_rate_hz=25.0))
        assert "ls /dev/video*" in str(e.value) and "\n" not in str(e.value)


# --- time


def test_stamps_of_the_driver_are_used_where_they_are_of_the_monotonic_clock(tmp_path):
    path = write_video(tmp_path / "video.mkv", images(30))
    open_it, made = paced(stamp=lambda: time.monotonic() - 0.012)
    with UvcFrames(camera(path), open_it) as frames:
        got = collect(frames, 30)
    assert [f.time_s for f in got] == pytest.approx(made[0].stamps[:30], abs=1e-9)


STAMPS = {
    "none": lambda: 0.0,
    "the calendar's": lambda: time.time(),
    "of a clock that began elsewhere": lambda: time.monotonic() - 3600,
    "in the future": lambda: time.monotonic() + 0.5,
}


@pytest.mark.parametrize("stamp", STAMPS.values(), ids=STAMPS.keys())
def test_other_stamps_give_way_to_the_arrival(tmp_path, stamp):
    path = write_video(tmp_path / "video.mkv", images(12))
    open_it, _ = paced(stamp=stamp)
    begin_s = time.monotonic()
    with UvcFrames(camera(path), open_it) as frames:
        got = collect(frames, 12)
    assert len(got) == 12 and all(begin_s < f.time_s < time.monotonic() for f in got)


# --- faults


def test_a_camera_that_is_pulled_out_is_waited_for_and_taken_up_again(tmp_path, caplog, monkeypatch):
    monkeypatch.setattr(capture, "FIRST_WAIT_S", 0.1)
    monkeypatch.setattr(capture, "LONGEST_WAIT_S", 0.2)
    path = write_video(tmp_path / "video.mkv", images(200))
    open_it, made = paced()
    with UvcFrames(camera(path), open_it) as frames, caplog.at_level(logging.WARNING):
        before = collect(frames, 20)
        path.rename(tmp_path / "unplugged.mkv")
        made[0].unplugged = True
        wait_for(lambda: frames.state == "waiting")
        used_s, opened = time.process_time(), len(made)
        before += collect(frames, 999, timeout_s=0.6)
        assert time.process_time() - used_s < 0.1 and len(made) == opened == 1, "no busy loop, no half-open camera"
        assert made[0].released and len(caplog.records) == 1 and "waiting for it" in caplog.text

        write_video(path, images(200, rows=ROWS + 8))  # another camera
        wait_for(lambda: "32 rows" in (frames.fault or ""))
        assert collect(frames, 1, timeout_s=0.2) == [] and frames.state == "waiting"
        assert len(caplog.records) == 2 and "correct these" in caplog.text

        write_video(path, images(200, seed=5))
        made[-1].unplugged = True
        after = collect(frames, 20)
        assert len(after) == 20 and frames.state == "ok" and "works again" in caplog.text
        np.testing.assert_array_equal(after[0].counts, images(200, seed=5)[0])
        assert np.all(np.diff([f.number for f in before + after]) > 0)


def test_automatic_gain_after_a_reconnection_lets_no_frame_pass(tmp_path, caplog, monkeypatch):
    monkeypatch.setattr(capture, "FIRST_WAIT_S", 0.1)
    monkeypatch.setattr(capture, "LONGEST_WAIT_S", 0.2)
    path = write_video(tmp_path / "video.mkv", images(60))
    made: list[Paced] = []

    def open_it(device: int | str) -> Paced:
        change = (lambda im: im) if not made else (lambda im: stretched(im, 16383))
        made.append(Paced(open_capture(device), change=change))
        return made[-1]

    with UvcFrames(camera(path), open_it) as frames, caplog.at_level(logging.WARNING):
        assert len(collect(frames, 10)) == 10
        wait_for(lambda: "automatic gain" in (frames.fault or ""))
        collect(frames, 999, timeout_s=0.05)
        assert collect(frames, 1, timeout_s=0.3) == [] and frames.state == "waiting"
        assert caplog.text.count("automatic gain") == 2, "once as the fault, once in its remedy"


def test_an_error_of_this_program_is_not_swallowed_by_the_thread(tmp_path):
    path = write_video(tmp_path / "video.mkv", images(30))
    calls = []

    def change(im):
        calls.append(1)
        return im if len(calls) < 10 else None

    open_it, _ = paced(change=change)
    with UvcFrames(camera(path), open_it) as frames, pytest.raises(AttributeError):
        collect(frames, 30)
