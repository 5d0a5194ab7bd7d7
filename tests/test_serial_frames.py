"""Frames over a serial port: the framing as the note describes it, damage, clocks, and the source over pseudo-terminals."""

import contextlib
import logging
import os
import re
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from links import Cable

from calibration.door import InputError
from edge.rig import Camera
from edge.sources import capture
from edge.sources.serial_frames import HEADER, MOST_UNTIMED, SYNC, FrameDecoder, SerialFrames

NOTE = (Path(__file__).parents[1] / "hw_notes" / "serial_frames.md").read_text()
ROWS, COLUMNS = 12, 16


def sender() -> Callable[..., bytes]:
    """`frame_bytes` as printed in the note."""
    found = re.findall(r"```python\n(.*?)```", NOTE, re.S)
    assert len(found) == 1
    names: dict[str, Any] = {}
    exec(found[0], names)
    return names["frame_bytes"]


frame_bytes = sender()


def image(n: int, rows: int = ROWS, columns: int = COLUMNS) -> np.ndarray:
    """Invented counts around 29,500."""
    return np.random.default_rng(n).integers(29_000, 30_000, (rows, columns)).astype(np.uint16)


def message(n: int, **keys: Any) -> bytes:
    return frame_bytes(image(n).tolist(), n, **keys)


# --- the framing


def test_the_frame_printed_in_the_note_is_read():
    """Its checksums were made bit by bit from the polynomial 0xEDB88320, without zlib."""
    printed = re.search(r"automatic gain off:\n\n```\n([0-9A-F \n]+)```", NOTE)
    assert printed is not None
    golden = bytes.fromhex(printed[1])
    assert golden == frame_bytes([[1, 2, 3], [4, 5, 6]], 7, 1_000_002)
    (frame,) = FrameDecoder(100).feed(golden)
    assert (frame.sequence, frame.far_s, frame.automatic_gain) == (7, 1.000002, False)
    assert frame.counts.dtype == np.uint16 and frame.counts.tolist() == [[1, 2, 3], [4, 5, 6]]
    assert zlib.crc32(b"123456789") == 0xCBF43926, "the check value in the note"


def test_any_flipped_bit_is_noticed_and_costs_that_frame_only():
    one = frame_bytes([[1000, 2, 3], [4, 5, 6]], 7, 1_000_002)
    after = frame_bytes([[9, 8, 7], [6, 5, 4]], 8, 1_000_003)
    for bit in range(8 * len(one)):
        damaged = bytearray(one)
        damaged[bit // 8] ^= 1 << bit % 8
        frames = FrameDecoder(100).feed(bytes(damaged) + after + after)
        assert [f.sequence for f in frames] == [8, 8], bit


@pytest.mark.parametrize("cut", [1, 3, 31, 32, 33, 200, 10_000])
def test_frames_may_be_cut_anywhere(cut):
    stream = b"noise" + b"".join(message(n) for n in range(5)) + SYNC[:2]
    decoder, frames = FrameDecoder(1000), []
    for i in range(0, len(stream), cut):
        frames += decoder.feed(stream[i : i + cut])
    assert [f.sequence for f in frames] == [0, 1, 2, 3, 4] and decoder.noise_bytes == 5
    for n, frame in enumerate(frames):
        np.testing.assert_array_equal(frame.counts, image(n))


@pytest.mark.parametrize("lost", [slice(2, 3), slice(20, 40), slice(100, 250), slice(-3, None)])
def test_lost_bytes_cost_one_frame(lost):
    middle = bytearray(message(1))
    del middle[lost]
    frames = FrameDecoder(1000).feed(message(0) + bytes(middle) + message(2) + message(3))
    assert [f.sequence for f in frames] == [0, 2, 3]


def test_a_sync_within_the_counts_does_no_harm():
    counts = np.frombuffer(SYNC * (ROWS * COLUMNS // 2), "<u2").reshape(ROWS, COLUMNS)
    whole = frame_bytes(counts.tolist(), 1)
    (frame,) = FrameDecoder(1000).feed(whole)
    np.testing.assert_array_equal(frame.counts, counts)
    frames = FrameDecoder(1000).feed(whole[:40] + whole[41:] + whole)
    assert len(frames) == 1


def test_a_frame_that_is_too_large_is_passed_over_without_being_held():
    decoder = FrameDecoder(1000)
    big = frame_bytes(image(0, 60, 80).tolist(), 0)
    for i in range(0, len(big), 100):
        assert decoder.feed(big[i : i + 100]) == []
        assert len(decoder._buffer) < 200
    assert decoder.other_size == (60, 80)
    assert len(decoder.feed(message(1))) == 1


def forged_header(rows: int, columns: int, good_check: bool) -> bytes:
    head = HEADER.pack(SYNC, 1, 0, rows, columns, 0, 1, 2 * rows * columns, 0, 0)[:-4]
    return head + (zlib.crc32(head) ^ (not good_check)).to_bytes(4, "little")


def test_a_damaged_header_never_makes_the_receiver_wait_for_its_frame():
    frames = FrameDecoder(1000).feed(forged_header(4096, 4096, False) + forged_header(20, 20, False) + message(1))
    assert len(frames) == 1


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.binary(max_size=200),
            st.just(SYNC),
            st.integers(0, 9).map(message),
            st.integers(0, 300).map(lambda n: message(1)[:n]),
            st.builds(  # headers with a good checksum and whatever inside
                lambda v, fl, r, c, q, n, t: (
                    (h := HEADER.pack(SYNC, v, fl, r, c, 0, q, n, t, 0)[:-4]) + zlib.crc32(h).to_bytes(4, "little")
                ),
                *(st.integers(0, m) for m in (2, 255, 65535, 65535, 2**32 - 1, 2**32 - 1, 2**64 - 1)),
            ),
        ),
        max_size=12,
    )
)
def test_no_bytes_upset_the_decoder_or_make_it_grow(pieces):
    decoder = FrameDecoder(1000)
    for data in pieces:
        for frame in decoder.feed(data):
            assert frame.counts.dtype == np.uint16 and frame.counts.ndim == 2
        assert len(decoder._buffer) <= HEADER.size + 1000 + 4


# --- over the wire


class Module(threading.Thread):
    """An invented thermal module: sends `messages` at their pace, then stops."""

    def __init__(
        self, cable: Cable, messages: Iterator[bytes], rate_hz: float, delay: Callable[[], float] = lambda: 0.0
    ):
        super().__init__(daemon=True)
        self.cable, self.messages, self.step_s, self.delay = cable, messages, 1 / rate_hz, delay
        self.halt = threading.Event()
        self.at_s = time.monotonic() + 0.2  # the moment of the frame that is made next; the port is open by then
        os.set_blocking(cable.far, False)  # a port that nobody reads takes no more

    def begin(self) -> "Module":
        self.start()
        return self

    def run(self) -> None:
        for data in self.messages:
            time.sleep(max(0.0, self.at_s + self.delay() - time.monotonic()))
            if self.halt.is_set():
                return
            with contextlib.suppress(OSError):  # unplugged
                self.cable.write(data)
            self.at_s += self.step_s

    def stop(self) -> None:
        self.halt.set()
        self.join()


@pytest.fixture
def cable(tmp_path):
    cable = Cable(tmp_path / "port")
    yield cable
    with contextlib.suppress(OSError):
        cable.unplug()


def camera(cable: Cable, **keys: Any) -> Camera:
    values = {"rows": ROWS, "columns": COLUMNS, "frame_rate_hz": 25.0, **keys}
    return Camera(source="serial", port=str(cable.port), baud=3_000_000, **values)


def collect(frames: SerialFrames, seconds: float) -> list:
    end_s, got = time.monotonic() + seconds, []
    while time.monotonic() < end_s:
        if (frame := frames.read(0.05)) is not None:
            got.append(frame)
    return got


def wait_for(condition: Callable[[], object], seconds: float = 8.0) -> None:
    end_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end_s, "did not happen"
        time.sleep(0.01)


def endless(first: int = 0, **keys: Any) -> Iterator[bytes]:
    n = first
    while True:
        yield message(n % 2**32, **keys)
        n += 1


def test_frames_arrive_whole_in_order_and_losses_leave_gaps_in_the_numbers(cable):
    start = 2**32 - 10  # the sequence wraps
    numbers = [n for n in range(start, start + 40) if n % 7]
    Module(cable, (b"noise" + frame_bytes(image(n).tolist(), n % 2**32) for n in numbers), 100.0).begin()
    with SerialFrames(camera(cable)) as frames:
        got = collect(frames, 0.65)
        assert frames.lost == (numbers[-1] - numbers[0] + 1) - len(numbers) and frames.noise_bytes >= 5 * 30
    assert [f.number for f in got] == [n - numbers[0] for n in numbers]
    for n, frame in zip(numbers, got):
        np.testing.assert_array_equal(frame.counts, image(n))
    assert np.all(np.diff([f.time_s for f in got]) >= 0), "two may arrive at once"


def test_the_modules_stamps_are_put_on_the_monotonic_clock(cable):
    sent: list[float] = []

    def messages() -> Iterator[bytes]:
        for n in range(999):
            sent.append(module.at_s)
            yield message(n, time_us=int((sent[-1] - 500) * 1.003e6))

    module = Module(cable, messages(), 100.0, lambda: 0.008 * (len(sent) % 2))
    module.start()
    with SerialFrames(camera(cable)) as frames:
        got = collect(frames, 2.2)
        assert frames.state == "ok"
    module.stop()
    error = np.array([f.time_s - sent[f.number] for f in got if f.number >= 160])  # 1.6 s to settle
    assert error.size > 50
    assert np.ptp(error) < 2e-3, "every other one arrives 8 ms late"


def test_a_module_with_another_unit_of_time_is_refused_at_the_start(cable):
    module = Module(cable, (message(n, time_us=int(time.monotonic() * 1e3)) for n in range(2000)), 50.0).begin()
    with pytest.raises(InputError, match="another unit than microseconds.*clear the time flag"):
        SerialFrames(camera(cable))
    module.stop()


REFUSED = [  # what the module sends, words of the one line
    (lambda n: frame_bytes(image(n, 24, 32).tolist(), n), ["24 rows and 32 columns", "rows = 12", "columns = 16"]),
    (lambda n: frame_bytes(image(n, 200, 200).tolist(), n), ["200 rows", "crop_px"]),
    (lambda n: message(n, automatic_gain=True), ["automatic gain is on", "switch automatic gain"]),
    (lambda n: frame_bytes((image(n) % 256).tolist(), n), ["8-bit values", "raw 16-bit"]),
    (lambda n: frame_bytes((image(n) % 256 * 256).tolist(), n), ["8-bit values", "raw 16-bit"]),
]


@pytest.mark.parametrize("make, words", REFUSED, ids=["size", "much larger", "gain flag", "8 bits", "8 bits, shifted"])
def test_what_cannot_be_measured_is_refused_at_the_start_in_one_line(cable, make, words):
    module = Module(cable, (make(n) for n in range(1000)), 100.0).begin()
    with pytest.raises(InputError) as e:
        SerialFrames(camera(cable))
    module.stop()
    assert all(word in str(e.value) for word in ["[camera] port", *words]) and "\n" not in str(e.value)


def test_the_crop_takes_the_raw_part_of_a_larger_image(cable):
    module = Module(cable, (frame_bytes(image(n, 16, 20).tolist(), n) for n in range(1000)), 100.0).begin()
    with SerialFrames(camera(cable, crop_px=(3, 2, ROWS, COLUMNS))) as frames:
        frame = frames.read(1.0)
        np.testing.assert_array_equal(frame.counts, image(frame.number, 16, 20)[3:15, 2:18])
        assert frame.counts.flags.c_contiguous
    module.stop()


def test_a_port_that_is_not_there_is_the_users_mistake(tmp_path):
    values = {"rows": 12, "columns": 16, "frame_rate_hz": 25.0, "baud": 115200}
    with pytest.raises(InputError, match=r"\[camera\] port .*ttyACM9.*No such file.*/dev/ttyACM0"):
        SerialFrames(Camera(source="serial", port=str(tmp_path / "ttyACM9"), **values))


def test_a_module_that_is_not_there_yet_is_waited_for_where_that_is_asked_for(cable, caplog, monkeypatch):
    monkeypatch.setattr(capture, "FIRST_WAIT_S", 0.1)
    cable.unplug()
    with caplog.at_level(logging.WARNING), SerialFrames(camera(cable), wait=True) as frames:
        wait_for(lambda: frames.state == "waiting")
        assert frames.read(0.05) is None and len(caplog.records) == 1 and "No such file" in caplog.text
        cable.plug()
        module = Module(cable, endless(), 100.0).begin()
        assert len(collect(frames, 0.7)) > 10 and frames.state == "ok" and len(caplog.records) == 2
        module.stop()


# --- faults


def test_a_module_that_is_pulled_out_comes_back_as_it_was_or_as_another(cable, caplog, monkeypatch):
    monkeypatch.setattr(capture, "FIRST_WAIT_S", 0.1)
    monkeypatch.setattr(capture, "LONGEST_WAIT_S", 0.2)
    module = Module(cable, endless(), 100.0).begin()
    with SerialFrames(camera(cable)) as frames, caplog.at_level(logging.WARNING):
        before = collect(frames, 0.3)
        cable.unplug()
        module.stop()
        wait_for(lambda: frames.state == "waiting")
        used_s = time.process_time()
        before += collect(frames, 0.6)
        assert time.process_time() - used_s < 0.1, "no busy loop"
        assert len(caplog.records) == 1 and "waiting for it" in caplog.text

        cable.plug()
        module = Module(cable, (frame_bytes(image(n, 24, 32).tolist(), n) for n in range(9999)), 100.0).begin()
        wait_for(lambda: "24 rows" in (frames.fault or ""))
        assert collect(frames, 0.3) == [] and frames.state == "waiting", "of another size none passes"
        assert len(caplog.records) == 2 and "correct these" in caplog.text, "one line with the remedy"
        module.stop()

        module = Module(cable, endless(5), 100.0).begin()
        after = collect(frames, 0.6)
        module.stop()
        assert frames.state == "ok" and len(after) > 10 and len(caplog.records) == 3
        cable.unplug()
        wait_for(lambda: len(caplog.records) == 4)  # a later loss is told again
        numbers = [f.number for f in before + after]
        assert np.all(np.diff(numbers) > 0) and after[0].counts.shape == (ROWS, COLUMNS)


def test_a_frame_cut_off_by_the_loss_of_the_port_is_not_waited_for(cable, monkeypatch):
    monkeypatch.setattr(capture, "FIRST_WAIT_S", 0.1)
    module = Module(cable, endless(), 100.0).begin()
    with SerialFrames(camera(cable)) as frames:
        module.stop()
        cable.write(forged_header(4096, 4096, True))
        wait_for(lambda: "4096 rows" in (frames.fault or ""))
        cable.unplug()
        wait_for(lambda: frames.losses == 1)
        cable.plug()
        module = Module(cable, endless(), 100.0).begin()
        wait_for(lambda: frames.state == "ok", 3.0)
        module.stop()


def test_garbage_between_and_within_frames_costs_what_it_hits(cable):
    rng = np.random.default_rng(3)

    def messages() -> Iterator[bytes]:
        for n in range(100):
            whole = bytearray(message(n))
            if n % 10 == 5:
                whole[int(rng.integers(len(whole)))] ^= 0xFF
            elif n % 10 == 8:
                del whole[: int(rng.integers(1, len(whole)))]
            yield rng.bytes(int(rng.integers(0, 30))) + bytes(whole)

    Module(cable, messages(), 200.0).begin()
    with SerialFrames(camera(cable)) as frames:
        got = collect(frames, 0.9)
    assert [f.number for f in got] == [n for n in range(100) if n % 10 not in (5, 8)][: len(got)] and len(got) >= 79


def test_a_busy_loop_finds_the_newest_frames_and_no_more_than_fit(cable, monkeypatch):
    monkeypatch.setattr(capture, "FRAME_ROOM_BYTES", 20 * 2 * ROWS * COLUMNS)
    module = Module(cable, endless(), 200.0).begin()
    with SerialFrames(camera(cable)) as frames:
        time.sleep(0.6)
        module.stop()
        time.sleep(0.1)
        got = collect(frames, 0.2)
        assert len(got) == 20 and frames.dropped == got[0].number > 50
        assert np.all(np.diff([f.number for f in got]) == 1)


def test_no_bytes_on_the_wire_upset_the_source_and_it_goes_on_afterwards(cable):
    module = Module(cable, endless(), 200.0).begin()
    with SerialFrames(camera(cable)) as frames:
        collect(frames, 0.1)
        module.stop()

        @settings(max_examples=25, deadline=None, database=None)
        @given(
            st.lists(st.one_of(st.binary(max_size=400), st.integers(0, 300).map(lambda n: message(1)[:n])), max_size=8)
        )
        def fuzz(pieces):
            for piece in pieces:
                cable.write(piece)
            frames.read(0.0)

        fuzz()
        module = Module(cable, endless(100, time_us=77), 200.0).begin()  # a clock that stands still
        collect(frames, 0.5)
        module.stop()
        assert len(frames._device._untimed) <= MOST_UNTIMED
        module = Module(cable, endless(5000), 200.0).begin()
        assert len(collect(frames, 0.5)) > 50 and frames.state == "ok"
        module.stop()
