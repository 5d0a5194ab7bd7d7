"""Sources that do what they seldom do: lines too long, times that jump, cells too many, silences that are none."""

from types import SimpleNamespace

import numpy as np
import pytest
from live_bench import frame_bytes

import edge
from calibration.door import InputError
from edge import cut_short
from edge.phase import LoadPhase
from edge.rig import Camera, Load
from edge.sources.csv_columns import CsvColumns
from edge.sources.load_lines import LoadLines
from edge.sources.recording import RecordedLoad
from edge.sources.serial_frames import SerialDevice
from edge.sources.serial_load import Bytes, SerialLoad
from edge.sources.uvc import UvcDevice

HZ = 7.0


def test_the_end_of_a_line_that_was_too_long_is_no_sample_and_the_line_before_it_is():
    lines = LoadLines()
    lines.feed(b"half\n1.0\n")
    assert lines.feed(b"2.0\n" + b"x" * 70).value == [2.0]
    assert lines.feed(b"99.5\n3.0\n").value == [3.0]


def chunk_rows(path):
    return len(next(CsvColumns(path, ("time_s", "load_kN")).chunks()))


def test_a_damaged_time_at_the_end_of_a_chunk_costs_its_sample_and_no_others(tmp_path):
    t, path = np.arange(0, 30, 0.004), tmp_path / "load.csv"

    def write():
        path.write_text("time_s,load_kN\n" + "".join(f"{a:.6f},{np.sin(a):.5f}\n" for a in t))

    write()
    last = chunk_rows(path) - 1
    t[last] += 800_000
    write()
    while chunk_rows(path) - 1 != last:  # the damaged row is longer
        t[last], last = t[last] - 800_000, chunk_rows(path) - 1
        t[last] += 800_000
        write()
    load = RecordedLoad(path, 1.0, 0.0)
    assert sum(load.read(until_s)[0].size for until_s in np.arange(0, 31, 0.5)) == t.size - 1


@pytest.mark.parametrize("lost", [False, True], ids=["the machine stands", "the board was away"])
def test_a_port_opened_anew_after_a_silence_counts_no_cycles_of_a_load_that_stood(monkeypatch, lost):
    """Bare edges; a port that is silent for 30 s is closed and opened again, without having been lost."""
    pieces: list[Bytes] = []
    capture = SimpleNamespace(start=lambda **_: None, get_all=lambda: [pieces.pop()] if pieces else [], fault=None, say=print)
    monkeypatch.setattr("edge.sources.serial_load.LoadBoard", lambda load: SimpleNamespace(pause_s=0.0, port=None))
    monkeypatch.setattr("edge.sources.serial_load.Capture", lambda *_: capture)
    source, phase, sent = SerialLoad(Load(source="serial", port="/dev/null", frequency_hz=HZ)), LoadPhase(HZ), 0
    for t in np.arange(1.0, 20.0, 1 / HZ):
        again, sent = t > 10, sent + 1
        begins = t == 1.0 or 10 < t < 10 + 1 / HZ
        pieces.append(Bytes(1 + again, int(again and lost), t + 3.0 * again, b"half\nedge\n" if begins else b"edge\n"))
        phase.feed(*source.read(0.0))
    assert (phase.cycles_at(t + 3.0) - sent > 10) == lost


def test_one_bad_stamp_of_the_driver_does_not_move_the_times_after_it():
    device = UvcDevice(Camera("uvc", 4, 4, 30.0, device="/dev/null"), None)
    off = []
    for i in range(200):
        stamp_s = 100 + i / 30
        off.append(device._time(stamp_s + 0.045 + 0.0005 * (i % 3), 0.0 if i == 50 else stamp_s) - stamp_s)
    assert np.abs(off).max() < 0.002


@pytest.mark.parametrize("jump_s", [-0.2, -0.1])
def test_frames_of_a_module_whose_clock_is_set_back_a_little_get_no_wrong_times(jump_s):
    rng, queue, got = np.random.default_rng(0), [], []
    device = SerialDevice(Camera("serial", 8, 8, 25.0, port="/dev/null", baud=115200))
    device.port = SimpleNamespace(read=lambda: queue.pop(0))
    for i in range(1000):
        counts = rng.integers(8000, 9000, (8, 8)).astype(np.uint16)
        data = frame_bytes(counts, i, i / 25 + 5 + (jump_s if i > 500 else 0))
        queue.append((1000 + i / 25 + 0.01 + rng.exponential(0.001), data))
        got += [(f.number, f.time_s) for f in device.read()]
    number, time_s = np.array(got).T
    assert number.size > 900 and np.abs(time_s - (1000 + number / 25 + 0.01)).max() < 0.005


def test_a_wrong_frame_rate_given_by_hand_is_refused():
    rng = np.random.default_rng(0)
    t, frames = np.arange(100) / 25, rng.integers(8000, 9000, (100, 4, 4)).astype(np.uint16)
    at = np.arange(0, 4.2, 0.002)
    for rate in (5.0, 300.0):
        with pytest.raises(InputError, match=r"lock_in: times are 0.04 apart, frame_rate_hz"):
            edge.lock_in(frames, t, at, np.sin(2 * np.pi * HZ * at), HZ, frame_rate_hz=rate)


def test_a_table_with_carriage_returns_alone_is_read(tmp_path):
    path = tmp_path / "frames.csv"
    path.write_bytes(b"frame,time_s\r" + b"\r".join(b"%d,%.3f" % (i, i / 25) for i in range(50)) + b"\r")
    assert cut_short._rows(path) == 50
    assert cut_short._ends(path, "time_s") == pytest.approx((0.0, 49 / 25))


def test_rows_with_too_many_cells_are_named(tmp_path):
    path = tmp_path / "load.csv"
    path.write_text("time_s,load_kN\n1.000,5.1\n1.004,51.008,5.3\n1.012,5.4\n")
    with pytest.raises(InputError, match=r"row 3: is '1.004,51.008,5.3', may have 2 cells"):
        list(CsvColumns(path, ("time_s", "load_kN")).chunks())
