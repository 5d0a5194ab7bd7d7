"""The live load: lines, clocks and edges by themselves, then the whole source over pseudo-terminals."""

import contextlib
import heapq
import logging
import math
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from links import Cable

from calibration.door import InputError
from edge.phase import LoadPhase
from edge.rig import Load
from edge.sources import capture
from edge.sources.edge_wave import PER_CYCLE, EdgeWave
from edge.sources.far_clock import FarClock
from edge.sources.load_lines import LONGEST_LINE, LoadLines
from edge.sources.serial_load import MOST_HELD, SerialLoad

SKETCH = Path(__file__).parents[1] / "hw_notes" / "load_board" / "load_board.ino"
TURN = 2 * math.pi
HZ = 7.0


def load_at(time_s: float | np.ndarray) -> np.ndarray:
    """Invented load in the board's unit."""
    return 100 + 80 * np.sin(TURN * HZ * np.asarray(time_s))


def checked(text: str) -> bytes:
    check = 0
    for byte in text.encode():
        check ^= byte
    return f"{text}*{check:02X}\r\n".encode()


# --- lines


LINES = [  # line, is it good, slots it takes
    (b"12.5", True, 1),
    (b" -12.5e-3 \r", True, 1),
    (b".5", True, 1),
    (b"7.", True, 1),
    (b"", False, 0),
    (b"# a comment", False, 0),
    (b"?17....", False, 0),
    (b"1_000", False, 1),
    (b"nan", False, 1),
    (b"inf", False, 1),
    (b"1e999", False, 1),
    (b"9e99", False, 1),
    (b"12.5.1", False, 1),
    (b"12,5", False, 1),  # a decimal comma looks like a time
    (b"1,2,3", False, 1),
    (b"\xff\x00\x13", False, 1),
    (b"edge", False, 1),  # among values: damage
    (b"12.5*00", False, 1),
    (b"12.5*1F", False, 1),
    (checked("12.5").strip(), False, 1),  # right, but the lines before had no check: damage until there are more
]


@pytest.mark.parametrize("line, good, slots", LINES)
def test_a_line_is_a_sample_or_is_counted_as_damaged(line, good, slots):
    lines = LoadLines()
    lines.feed(b"half a li\n1.0\n")
    piece = lines.feed(line + b"\n3.25\n")
    assert len(piece.slot) == good + 1 and piece.value[-1] == 3.25
    assert piece.slot[-1] == 2 + slots, "the sample after it keeps its place"
    assert lines.bad == slots - good


@pytest.mark.parametrize(
    "text, timed, edges, value",
    [
        ("4.5", False, False, [4.5]),
        ("103.025,4.5", True, False, [4.5]),
        ("edge", False, True, []),
        ("103.025,edge", True, True, []),
    ],
)
def test_all_four_forms_are_read_with_and_without_check(text, timed, edges, value):
    for line in (text.encode() + b"\n", checked(text)):
        piece = LoadLines()
        piece.feed(b"\n")
        got = piece.feed(line)
        assert (got.timed, got.edges, got.value) == (timed, edges, value)
        assert got.far_s == ([103.025] if timed else [])


def test_the_check_is_the_one_of_nmea_0183():
    # a sentence printed in many receivers' manuals (from memory): $GPGLL,4916.45,N,12311.12,W,225444,A,*1D
    assert checked("GPGLL,4916.45,N,12311.12,W,225444,A,").strip().endswith(b"*1D"), "these tests make it as printed"
    lines = LoadLines()
    lines.feed(b"\n")
    assert lines.feed(checked("12.5")).value == [12.5]


def test_a_changed_digit_is_noticed_where_there_is_a_check():
    whole = checked("103.025132,20480")
    for place in range(len(whole) - 2):
        for other in b"0123456789.,*x":
            if whole[place] == other:
                continue
            lines = LoadLines()
            lines.feed(b"\n" + checked("103.021132,20470"))
            damaged = whole[:place] + bytes([other]) + whole[place + 1 :]
            piece = lines.feed(damaged)
            assert not piece.slot or float(piece.value[0]) == 20480 and piece.far_s[0] == 103.025132, damaged


def test_the_first_line_may_be_half_a_line_and_is_left_out():
    lines = LoadLines()
    assert lines.feed(b"2.5\n12.5\n").value == [12.5]
    lines.reset()
    assert lines.feed(b"13.").value == [] and lines.feed(b"5\n14.5\n").value == [14.5]


def test_another_form_is_believed_after_twenty_lines_in_a_row():
    lines = LoadLines()
    lines.feed(b"\n" + b"1.5\n" * 10)
    assert lines.feed(b"3.0,1.5\n" * 19 + b"1.5\n").value == [1.5]
    got = [lines.feed(b"3.0,1.5\n").timed for _ in range(20)]
    assert got == [False] * 19 + [True]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.binary(max_size=200), st.sampled_from([b"1.5\n", b"2.0,1.5\n", b"edge\n", b"?1\n", b"#?\n"])))
)
def test_no_bytes_upset_the_lines_or_make_them_grow(pieces):
    lines = LoadLines()
    for data in pieces:
        piece = lines.feed(data)
        assert len(piece.far_s) == (len(piece.slot) if piece.timed else 0)
        assert len(piece.value) == (0 if piece.edges else len(piece.slot))
        assert len(lines._rest) <= LONGEST_LINE
    cut_elsewhere = LoadLines()
    for byte in b"".join(pieces):
        cut_elsewhere.feed(bytes([byte]))
    assert cut_elsewhere.good == lines.good


# --- the far end's clock


def arrivals(rng, rate_hz: float, seconds: float, skew: float, jitter_s: float, batch_s: float = 0.0):
    """Far times (s), true times and arrivals of samples: exponential delays in order, or fetched every batch_s."""
    true = np.arange(0.0, seconds, 1 / rate_hz) + 5000.0
    far = (true - 4000.0) * (1 + skew)
    arrival = np.maximum.accumulate(true + 0.0007 + rng.exponential(jitter_s, true.size))
    if batch_s:
        arrival = np.ceil(arrival / batch_s) * batch_s
    return far, true + 0.0007, arrival


# rate, skew, jitter, batch; allowed: constant error and deviation from it after 5 s (ms), step (ppm). The constant part
# belongs to the wire (and to frame_delay_s): an adapter that hands over every 16 ms shows no sample earlier than 0.3 ms
# after its moment here. In the third case each line waits for those before it, 3 ms on average at one a millisecond, so
# that hardly any comes early: what can be known from the arrivals is so much less.
CLOCKS = [
    (50.0, 5e-3, 0.001, 0.0, 0.05, 0.15, 5.0),
    (250.0, -5e-3, 0.001, 0.0, 0.02, 0.08, 2.0),
    (1000.0, 1e-4, 0.003, 0.0, 0.2, 0.4, 15.0),
    (2000.0, -3e-3, 0.001, 0.0, 0.01, 0.04, 1.0),
    (1000.0, 2e-3, 0.0005, 0.016, 0.35, 0.05, 1.0),
]


@pytest.mark.parametrize("lost", [0.05, 0.08, 0.1])
@pytest.mark.parametrize("seed", range(4))
def test_a_count_of_samples_is_right_again_soon_after_many_were_lost(lost, seed):
    """Two hundred a second; for twelve seconds some are lost, which the count does not know of."""
    rng, clock, number, off_s = np.random.default_rng(seed), FarClock(step_s=None), 0, []
    for t in np.arange(0, 42, 1 / 200):
        if 10 <= t < 22 and rng.random() < lost:
            continue
        number += 1
        clock.add(float(number), t + 0.0002 + rng.exponential(0.001))
        if t > 32:
            off_s.append(clock.at(float(number)) - t)
    assert clock.trusted and np.abs(off_s).max() < 0.02



@pytest.mark.parametrize("count", [False, True], ids=["time", "count"])
@pytest.mark.parametrize("rate, skew, jitter, batch, constant_ms, deviation_ms, ppm", CLOCKS)
def test_the_clock_finds_the_lower_envelope_of_the_arrivals(
    rate, skew, jitter, batch, constant_ms, deviation_ms, ppm, count
):
    far, true, arrival = arrivals(np.random.default_rng(1), rate, 30.0, skew, jitter, batch)
    if count:
        far = np.arange(far.size, dtype=float)
    clock = FarClock(step_s=None if count else 1.0)
    error = np.full(far.size, np.nan)
    last = np.flatnonzero(np.append(np.diff(arrival) > 0, True))
    first = 0
    for i in last:
        clock.add(far[i], arrival[i])
        if clock.trusted:
            error[first : i + 1] = clock.at(far[first : i + 1]) - true[first : i + 1]
        first = i + 1
    start = int(5 * rate)
    assert np.isfinite(error[start:]).all()
    constant_s = np.median(error[start:])
    assert abs(constant_s) < 1e-3 * constant_ms
    assert np.abs(error[start:] - constant_s).max() < 1e-3 * deviation_ms
    assert np.nanmax(np.abs(error)) < 0.003, "not even while it settles"
    assert clock.step_s == pytest.approx(np.diff(true).mean() / np.diff(far).mean(), rel=1e-6 * ppm)


def test_a_stalled_reader_does_not_move_the_clock():
    far, true, arrival = arrivals(np.random.default_rng(2), 500.0, 40.0, 1e-3, 0.001)
    stall = (true > 5020) & (true < 5030)
    arrival[stall] = 5030.0
    arrival = np.maximum.accumulate(arrival)
    clock = FarClock()
    for i in np.flatnonzero(np.append(np.diff(arrival) > 0, True)):
        clock.add(far[i], arrival[i])
        if true[i] > 5005 and not stall[i]:
            assert abs(clock.at(far[i]) - true[i]) < 4e-4, true[i]


@pytest.mark.parametrize("seconds", [1.9, 4.9])
def test_seconds_in_which_all_is_late_do_not_move_the_clock(seconds):
    far, true, arrival = arrivals(np.random.default_rng(2), 500.0, 40.0, 1e-3, 0.001)
    late = (true > 5020) & (true < 5020 + seconds)
    arrival[late] += 0.15
    arrival = np.maximum.accumulate(arrival)
    clock = FarClock()
    for i in range(far.size):
        clock.add(far[i], arrival[i])
        if true[i] > 5005:
            assert abs(clock.at(far[i]) - true[i]) < 4e-4, true[i]


@pytest.mark.parametrize("jump_s", [-1000.0, -0.5, 3.0])
def test_a_clock_that_was_set_is_not_believed_until_it_is_found_again(jump_s):
    far, true, arrival = arrivals(np.random.default_rng(3), 500.0, 40.0, 0.0, 0.001)
    far[true > 5020] += jump_s
    clock, blind_s = FarClock(), 0.0
    for i in range(far.size):
        clock.add(far[i], arrival[i])
        if clock.trusted and true[i] > 5005:
            assert abs(clock.at(far[i]) - true[i]) < 1e-3
        blind_s += (not clock.trusted) / 500.0
    assert blind_s < 2.0


def test_single_damaged_stamps_do_not_pull_the_envelope_down():
    rng = np.random.default_rng(4)
    far, true, arrival = arrivals(rng, 250.0, 60.0, 1e-3, 0.001)
    clock = FarClock()
    for i in range(far.size):
        clock.add(far[i] + (0.015 if rng.random() < 0.01 else 0.0), arrival[i])
        if true[i] > 5010:
            assert abs(clock.at(far[i]) - true[i]) < 4e-4


def test_a_clock_in_another_unit_is_found_out():
    for unit in (1e3, 0.0):
        far, _, arrival = arrivals(np.random.default_rng(5), 100.0, 12.0, 0.0, 0.001)
        clock = FarClock()
        for i in range(far.size):
            clock.add(far[i] * unit, arrival[i])
        assert clock.wrong_unit(arrival[-1])


def test_a_clock_that_counts_in_the_right_unit_again_is_believed_soon():
    far, _, arrival = arrivals(np.random.default_rng(5), 100.0, 20.0, 0.0, 0.001)
    clock, wrong = FarClock(), []
    for i in range(far.size):
        clock.add(far[i] * (1e3 if i < 1200 else 1.0), arrival[i])
        wrong.append(clock.wrong_unit(arrival[i]))
    assert all(wrong[500:1200]) and not any(wrong[1200 + 550 :])


# --- edges


@pytest.mark.parametrize("first, then", [("{t:.4f},edge", "edge"), ("edge", "{t:.4f},edge")], ids=["untimed", "timed"])
def test_no_cycle_is_lost_where_edges_go_over_to_another_form(first, then):
    lines, edges, phase = LoadLines(), EdgeWave(HZ), LoadPhase(HZ)
    lines.feed(b"half a line\n")
    for i in range(100):
        t = 3.0 + i / HZ
        piece = lines.feed(((first if i < 50 else then).format(t=t) + "\n").encode())
        phase.feed(*edges.add(np.full(len(piece.slot), t)))
    assert phase.cycles_at(t) == pytest.approx(99, abs=0.6)


@pytest.mark.parametrize("silent_s, held", [(0.3, False), (1.5, False), (3.0, False), (60.0, True)])
def test_the_count_of_edges_goes_on_where_their_board_begins_anew(monkeypatch, silent_s, held):
    """As it does with samples: the load ran before and after, so it did meanwhile; but not for longer than boards take."""
    monkeypatch.setattr("edge.sources.serial_load.LoadBoard", lambda load: None)
    monkeypatch.setattr("edge.sources.serial_load.Capture", lambda *_: SimpleNamespace(start=lambda **_: None))
    load = Load(source="serial", port="/dev/null", frequency_hz=HZ)
    source, phase = SerialLoad(load), LoadPhase(HZ)
    source.lines.feed(b"half a line\n")
    for t in np.arange(1.0, 45.0 + silent_s, 1 / HZ):
        if not 20 <= t < 20 + silent_s:
            line = f"{t + 100 if t < 20 else t - 20:.6f},edge\n"
            phase.feed(*source._take(source.lines.feed(line.encode()), t + 0.001))
    until_s = 43.5 + silent_s
    assert phase.cycles_at(until_s) == pytest.approx((until_s - 1 - silent_s * held) * HZ, abs=15 if held else 1.1)
    assert ("cycles_estimated" in phase.remarks) != held


def test_edges_become_whole_cycles_of_a_sine():
    wave = EdgeWave(7.0)
    t, s = wave.add(np.arange(11) / 7.1)
    assert t.size == 10 * PER_CYCLE and np.all(np.diff(t) > 0)
    np.testing.assert_allclose(s, np.sin(TURN * 7.1 * t), atol=1e-9)


EDGE_FAULTS = [  # what happens to 100 regular edges at 10 Hz, cycles expected, bounces, missed
    ("nothing", lambda e: e, 99, 0, 0),
    ("bounce", lambda e: np.sort(np.r_[e, e[10:60:10] + 0.002]), 99, 5, 0),
    ("one missed", lambda e: np.delete(e, 50), 99, 0, 1),
    ("three missed", lambda e: np.delete(e, [50, 51, 52]), 99, 0, 3),
    ("pause of 33.37 s", lambda e: np.r_[e[:50], e[50:] + 33.37], 98, 0, 0),
    ("twice as fast", lambda e: np.r_[e[:50], e[50] + np.arange(50) * 0.05], 99, 0, 0),
    ("half as fast", lambda e: np.r_[e[:50], e[50] + np.arange(50) * 0.2], 100, 0, 1),  # the first is taken for a hole
    ("a fifth, all along", lambda e: e * 5, 98, 0, 0),
]


@pytest.mark.parametrize(
    "change, cycles, bounces, missed", [c[1:] for c in EDGE_FAULTS], ids=[c[0] for c in EDGE_FAULTS]
)
def test_edges_are_counted_through_faults(change, cycles, bounces, missed):
    wave = EdgeWave(10.0)
    _, sine = wave.add(change(np.arange(100) * 0.1 + 77.0))
    crests = np.count_nonzero(sine > 1 - 1e-9)  # one a cycle; none while the load stands
    assert (crests, wave.bounces, wave.missed) == (cycles, bounces, missed)


# --- over the wire


class Board(threading.Thread):
    """Invented load boards at the far ends of cables: each sends its lines some delay after their moments."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.halt = threading.Event()
        self._due: list[tuple[float, int, Cable, bytes]] = []  # a heap
        self._boards: list[Far] = []
        self._sent = 0
        self.held_up_s = 0.0  # the latest that a line was sent: this program had no turn

    def add(self, cable: Cable, line: Callable[[float], bytes], rate_hz: float, **keys: Any) -> "Board":
        os.set_blocking(cable.far, False)  # a port that nobody reads takes no more
        self._boards.append(Far(cable, line, 1 / rate_hz, time.monotonic(), **keys))
        return self

    def begin(self) -> "Board":
        self.start()
        return self

    def run(self) -> None:
        while not self.halt.is_set():
            now_s = time.monotonic()
            if self._due:
                self.held_up_s = max(self.held_up_s, now_s - self._due[0][0])
            for board in self._boards:
                while board.next_s <= now_s + 0.02:
                    self._send(board.next_s + board.delay(), board.cable, board.line(board.next_s))
                    board.next_s += board.step_s
                for answer in board.answers():
                    self._send(now_s + 2 * (board.latency_s or 0.0), board.cable, answer)  # there and back
            while self._due and self._due[0][0] <= now_s:
                _, _, cable, data = heapq.heappop(self._due)
                with contextlib.suppress(OSError):  # unplugged
                    cable.write(data)
            time.sleep(max(0.0, min(0.001, self._due[0][0] - time.monotonic() if self._due else 1.0)))

    def _send(self, due_s: float, cable: Cable, data: bytes) -> None:
        self._sent += 1
        heapq.heappush(self._due, (due_s, self._sent, cable, data))

    def stop(self) -> None:
        self.halt.set()
        self.join()


@dataclass
class Far:
    """One board. Delays are drawn for each line, so lines may overtake each other unless `delay` is short."""

    cable: Cable
    line: Callable[[float], bytes]
    step_s: float
    next_s: float
    delay: Callable[[], float] = lambda: 0.0
    latency_s: float | None = None  # sends questions back after twice that
    heard: bytes = b""

    def answers(self) -> list[bytes]:
        if self.latency_s is None:
            return []
        *lines, self.heard = (self.heard + self.cable.read()).split(b"\n")
        return [line.strip() + b"\r\n" for line in lines]


def timed(t: float) -> bytes:
    return b"%.6f,%.3f\n" % (t - 1000, load_at(t))


@pytest.fixture
def cable(tmp_path):
    cable = Cable(tmp_path / "port")
    yield cable
    with contextlib.suppress(OSError):
        cable.unplug()


def serial_load(cable: Cable, **keys: Any) -> SerialLoad:
    return SerialLoad(Load(source="serial", frequency_hz=HZ, port=str(cable.port), **{"baud": 3_000_000, **keys}))


def gather(source: SerialLoad, seconds: float, pause_s: float = 0.02) -> tuple[np.ndarray, np.ndarray]:
    end_s, parts = time.monotonic() + seconds, []
    while time.monotonic() < end_s:
        parts.append(source.read(0.0))
        time.sleep(pause_s)
    t, p = (np.concatenate(column) for column in zip(*parts))
    return t, p


def wait_for(condition: Callable[[], object], seconds: float = 8.0) -> None:
    end_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end_s, "did not happen"
        time.sleep(0.01)


def phase_error_deg(t: np.ndarray, p: np.ndarray) -> float:
    """Of the fitted fundamental, against the invented load."""
    x = np.stack([np.ones_like(t), np.sin(TURN * HZ * t), np.cos(TURN * HZ * t)], 1)
    _, s, c = np.linalg.lstsq(x, p, rcond=None)[0]
    return math.degrees(math.atan2(c, s))


@dataclass
class Listened:
    source: SerialLoad
    time_s: np.ndarray
    load_kN: np.ndarray

    def since(self, seconds: float) -> tuple[np.ndarray, np.ndarray]:
        late = self.time_s > self.time_s[0] + seconds
        return self.time_s[late], self.load_kN[late]


SHIM = r"""
#pragma once
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <ctime>
#include <poll.h>
#include <unistd.h>
enum { A0 = 0, INPUT_PULLUP = 2, FALLING = 2 };
static const double TURN = 6.283185307179586;
static uint64_t host_us() { timespec t; clock_gettime(CLOCK_MONOTONIC, &t); return t.tv_sec * 1000000ull + t.tv_nsec / 1000; }
static uint32_t micros() { return (uint32_t)(host_us() + 0xFFFFFFFFull - host_us0); }
static int analogRead(int) { return (int)std::lround(512 + 400 * std::sin(TURN * 7.0 * host_us() * 1e-6)); }
static void pinMode(int, int) {}
static int digitalPinToInterrupt(int pin) { return pin; }
static void attachInterrupt(int, void (*)(), int) {}
struct Port {
  void begin(uint32_t) {}
  void println(const char *s) { char b[80]; int n = snprintf(b, sizeof b, "%s\r\n", s); if (write(1, b, n) != n) _exit(0); }
  int available() { pollfd p = {0, POLLIN, 0}; return poll(&p, 1, 0) > 0 && (p.revents & POLLIN); }
  int read() { char c; return ::read(0, &c, 1) == 1 ? c : -1; }
};
static Port Serial;
"""


def compile_sketch(folder: Path) -> Path:
    """The reference board's sketch as a program for this computer; its microsecond counter wraps after 1.5 s."""
    shim = SHIM.replace(
        "static uint32_t micros", "static const uint64_t host_us0 = host_us() + 1500000;\nstatic uint32_t micros"
    )
    (folder / "Arduino.h").write_text(shim)
    source = SKETCH.read_text() + "\nint main() { setup(); for (;;) { loop(); usleep(100); } }\n"
    (folder / "board.cpp").write_text(source)
    subprocess.run(
        ["g++", "-O1", "-Wall", "-Wextra", "-Werror", "-Wno-unused-function", "-Wno-format-truncation", "-I.", "board.cpp",
         "-o", "board"], cwd=folder, check=True, timeout=60,
    )  # fmt: skip
    return folder / "board"


RESET_AFTER_S = 1.0


def boards(rng: np.random.Generator, begin_s: float) -> dict[str, tuple[dict, dict]]:
    """Name -> the board's line, rate and delay, and the rig file's keys."""

    def exponential(mean_s: float) -> Callable[[], float]:
        return lambda: float(rng.exponential(mean_s))

    def damaged(t: float) -> bytes:
        kind = rng.random()
        if kind < 0.02:
            return timed(t)[: int(rng.integers(len(timed(t))))]  # half a line runs into the next
        return (rng.bytes(int(rng.integers(1, 100))) if kind < 0.04 else b"") + timed(t)

    def offering(t: float) -> bytes:
        return checked(f"{t - 1000:.6f},{load_at(t):.3f}") + (b"#?\r\n" if t % 0.5 < 0.004 else b"")

    reset_s = begin_s + RESET_AFTER_S
    return {
        "timed": (
            {"line": lambda t: checked(f"{(t - 1000) * 1.004:.6f},{load_at(t):.3f}"), "rate_hz": 250.0, "delay": exponential(0.001)},
            {"scale_kN_per_unit": 0.1, "offset_kN": -1.0},
        ),
        "counted": ({"line": lambda t: b"%.3f\n" % load_at(t), "rate_hz": 200.0, "delay": exponential(0.001)}, {}),
        "damaged": ({"line": damaged, "rate_hz": 250.0}, {}),
        "latency": ({"line": offering, "rate_hz": 250.0, "delay": lambda: 0.02, "latency_s": 0.02}, {}),
        "reset": ({"line": lambda t: b"%.6f,%.3f\n" % (t - (1000 if t < reset_s else reset_s), load_at(t)), "rate_hz": 200.0}, {}),
        "edges": (
            {"line": lambda t: b"%.6f,edge\n" % (round(t * 9) / 9 - 1000), "rate_hz": 9.0},
            {"nominal_range_kN": 6.0, "offset_kN": 4.0},
        ),
    }  # fmt: skip


HELD_UP_S, TIMES = 0.02, 5  # lines of real boards are not that late; and how often they are listened to, if these are


@pytest.fixture(scope="module")
def listened(tmp_path_factory):
    """Six invented boards and the reference sketch at once, listened to together; anew where the machine held the boards up."""
    for _ in range(TIMES):
        far = Board()
        got = listened_to(tmp_path_factory.mktemp("boards"), far)
        if far.held_up_s < HELD_UP_S:
            break
    return got


def listened_to(folder: Path, far: Board) -> dict[str, Listened]:
    program = compile_sketch(folder) if shutil.which("g++") else None
    cables, sources = [], {}
    for name, (board, keys) in boards(np.random.default_rng(6), time.monotonic()).items():
        cables.append(Cable(folder / name))
        sources[name] = serial_load(cables[-1], **keys)
        far.add(cables[-1], **board)
    assert not sources["latency"].latency_measured
    if program:
        cables.append(Cable(folder / "sketch"))
        sources["sketch"] = serial_load(cables[-1], baud=115200)
        running = subprocess.Popen([str(program)], stdin=cables[-1].far, stdout=cables[-1].far)
    far.begin()
    parts: dict[str, list] = {name: [] for name in sources}
    end_s = time.monotonic() + 4.5
    while time.monotonic() < end_s:
        for name, source in sources.items():
            parts[name].append(source.read(0.0))
        asleep_s = time.monotonic()
        time.sleep(0.02)
        far.held_up_s = max(far.held_up_s, time.monotonic() - asleep_s - 0.02)  # so were those who listen
    far.stop()
    if program:
        running.kill()
        running.wait()
    unasked = b"".join(cable.read() for name, cable in zip(sources, cables) if name not in ("latency", "sketch"))
    got = {n: Listened(sources[n], *(np.concatenate(c) for c in zip(*parts[n]))) for n in sources}
    assert {n: s.source.state for n, s in got.items()} == dict.fromkeys(got, "ok")
    assert unasked == b"", "a board that does not offer it is never sent anything"
    for source, cable in zip(sources.values(), cables):
        source.close()
        cable.unplug()
    return got


def test_timed_samples_arrive_on_the_monotonic_clock_whatever_the_boards_clock_says(listened):
    heard = listened["timed"]
    assert not heard.source.nominal and heard.source.lines.bad == 0
    t, p = heard.since(2.5)  # it may take that long to settle
    assert t.size > 350
    error_s = (p - 0.1 * load_at(t) + 1.0) / (0.1 * 80 * TURN * HZ)  # how far a sample is beside the wave
    assert np.abs(error_s).max() < 2e-3
    assert abs(phase_error_deg(t, p)) < 2.0, "0.8 ms; a busy machine runs this"


def test_samples_without_time_are_given_a_steady_clock(listened):
    t, p = listened["counted"].since(2.5)
    assert np.std(np.diff(t)) < 2e-4, "the arrivals themselves spread by more than 1 ms"
    assert abs(phase_error_deg(t, p)) < 2.0


def test_the_latency_of_the_wire_is_measured_and_taken_off(listened):
    source = listened["latency"].source
    assert source.latency_measured
    assert source.latency_s == pytest.approx(0.02, abs=2e-3)
    assert abs(source.latency_s - 0.02) < 2 * source.latency_sd_s
    t, p = listened["latency"].since(3.5)
    assert abs(phase_error_deg(t, p)) < 5.0, "2 ms; without the measurement it would be 50 degrees"


def test_where_the_latency_is_not_measured_the_lines_own_bits_are_taken_off(listened):
    source = listened["damaged"].source
    assert not source.latency_measured
    assert source.latency_s == pytest.approx(10 * len(timed(time.monotonic())) / 3_000_000, rel=0.2)


def test_garbage_and_half_lines_cost_no_cycle(listened):
    heard, phase = listened["damaged"], LoadPhase(HZ)
    assert heard.source.lines.bad > 10 and heard.time_s.size > 1000
    assert np.all(np.abs(heard.load_kN) < 1000)
    phase.feed(heard.time_s, heard.load_kN)
    end_s = phase.knots[-1].time_s
    assert phase.cycles_at(end_s) == pytest.approx(HZ * (end_s - heard.time_s[0]), abs=1.1)


def test_a_board_that_is_reset_behind_an_open_port_is_understood_again(listened):
    assert 0 < listened["reset"].source.impossible < 250
    t, p = listened["reset"].since(
        RESET_AFTER_S + 2.9
    )  # half a second to believe it, half to find the clock, then to settle
    assert t.size > 50 and abs(phase_error_deg(t, p)) < 3.0


def test_an_edge_a_cycle_gives_phase_frequency_and_count(listened):
    heard, phase = listened["edges"], LoadPhase(HZ)
    assert heard.source.nominal and heard.source.edges.missed == heard.source.edges.bounces == 0
    phase.feed(heard.time_s, heard.load_kN)
    state = phase.state(-np.inf, np.inf)
    assert state is not None and state.frequency_hz == pytest.approx(9.0, rel=2e-3)
    assert state.range_kN == pytest.approx(6.0, rel=1e-3) and state.ratio == pytest.approx(1 / 7, abs=2e-3)
    middle_s = phase.knots[-2].time_s
    assert phase.cycles_at(middle_s) == pytest.approx(9.0 * (middle_s - heard.time_s[0]), abs=1.1)
    # the sender is up to half a cycle late or early for its edges, so the constant part of their time is not judged
    turns = np.array([phase.at(k.time_s) / TURN - 9.0 * k.time_s for k in list(phase.knots)[:-1]]) % 1
    assert np.std((turns - turns[0] + 0.5) % 1) < 0.02


def test_the_reference_sketch_is_understood_latency_and_wrap_included(listened):
    if "sketch" not in listened:
        pytest.skip("no C++ compiler here")
    source, t = listened["sketch"].source, listened["sketch"].time_s
    assert source.lines.bad == 0 and source.impossible == 0 and source.latency_measured
    assert 0 < source.latency_s < 3e-3
    assert source.lines.good - t.size < 10 and t.size > 1000
    t, p = listened["sketch"].since(1.0)
    assert np.max(np.diff(t)) < 0.2, "the counter wrapped meanwhile"
    x = np.stack([np.ones_like(t), np.sin(TURN * HZ * t), np.cos(TURN * HZ * t)], 1)
    mean, s, c = np.linalg.lstsq(x, p, rcond=None)[0]
    assert (mean, math.hypot(s, c)) == pytest.approx((8 * 512, 8 * 400), rel=0.01)
    error_s = math.radians(phase_error_deg(*listened["sketch"].since(2.5))) / (TURN * HZ)
    assert abs(error_s) < 3 * source.latency_sd_s + 4e-4, "what the round trips leave open, and the clock's own"


# --- faults


def test_a_port_that_is_pulled_out_is_waited_for_and_taken_up_again(cable, caplog, monkeypatch):
    monkeypatch.setattr(capture, "FIRST_WAIT_S", 0.1)
    monkeypatch.setattr(capture, "LONGEST_WAIT_S", 0.2)
    monkeypatch.setattr("edge.sources.serial_load.JUDGE_EVERY_S", 0.8)  # more than once while it is out
    for _ in range(TIMES):
        caplog.clear()
        t, p, held_up_s = pulled_out_and_in(cable, caplog)
        if held_up_s < HELD_UP_S:
            break
    settled = t > t[-1] - 0.6
    assert settled.sum() > 200 and abs(phase_error_deg(t[settled], p[settled])) < 4.0


def pulled_out_and_in(cable, caplog) -> tuple[np.ndarray, np.ndarray, float]:
    with serial_load(cable) as source, caplog.at_level(logging.WARNING):
        board = Board().add(cable, timed, 500.0).begin()
        gather(source, 0.3)
        assert source.state == "ok"
        cable.unplug()
        board.stop()
        wait_for(lambda: source.state == "waiting")
        before = time.process_time()
        gather(source, 1.8, pause_s=0.2)
        assert time.process_time() - before < 0.1, "no busy loop"
        assert len(caplog.records) == 1 and str(cable.port) in caplog.text
        cable.plug()
        board = Board().add(cable, lambda t: b"%.6f,%.3f\n" % (t - 3000, load_at(t)), 500.0).begin()  # begun anew
        wait_for(lambda: source.state == "ok")
        t, p = gather(source, 2.0)
        board.stop()
        assert len(caplog.records) == 2 and "works again" in caplog.text and source.losses == 1
        assert source.impossible == 0, "the new connection is not judged by the old one's clock"
    return t, p, board.held_up_s


@pytest.mark.parametrize(
    "data, word",
    [(b"\xfe\x81\x07\xf8" * 40, "baud"), (b"hello\n" * 40, "baud")],
    ids=["another baud rate", "another device"],
)
def test_what_is_no_load_board_is_named_in_one_line(cable, caplog, monkeypatch, data, word):
    monkeypatch.setattr("edge.sources.serial_load.JUDGE_EVERY_S", 0.2)
    with serial_load(cable) as source, caplog.at_level(logging.WARNING):
        for _ in range(15):
            cable.write(data)
            assert source.read(0.0)[0].size == 0
            time.sleep(0.03)
        assert source.state == "waiting" and word in source.fault
        assert len(caplog.records) == 1 and word in caplog.text


def test_columns_that_change_places_for_a_while_give_no_false_load(cable):
    """A time taken for a load would be an overload; a load taken for a time rises and falls."""
    with serial_load(cable) as source:
        got: dict[int, list[np.ndarray]] = {part: [np.empty(0)] for part in range(3)}
        for t in np.arange(0.0, 30.0, 1 / 241.3):
            part = int(t > 4.0) + int(t > 16.0)
            first, second = (load_at(t), t + 7000) if part == 1 else (t + 7000, load_at(t))
            got[part].append(source._take(source.lines.feed(b"%.6f,%.6f\n" % (first, second)), t)[1])
        loads = {part: np.concatenate(values) for part, values in got.items()}
    assert source.impossible > 2500
    assert loads[0].size > 900 and loads[2].size > 3200 and max(loads[0].max(), loads[2].max()) < 200
    assert loads[1].size == 0


def test_a_time_in_milliseconds_is_named_in_one_line(cable, caplog, monkeypatch):
    monkeypatch.setattr("edge.sources.serial_load.JUDGE_EVERY_S", 0.2)
    with serial_load(cable) as source, caplog.at_level(logging.WARNING):
        board = Board().add(cable, lambda t: b"%.3f,%.3f\n" % (1000 * t, load_at(t)), 250.0).begin()
        wait_for(lambda: source.read(0.0) and "seconds" in (source.fault or ""))
        board.stop()
        assert sum("seconds" in record.getMessage() for record in caplog.records) <= 1


def test_a_silent_board_is_a_state_and_does_not_spin(cable, caplog, monkeypatch):
    monkeypatch.setattr(capture, "SILENT_S", 0.3)
    with serial_load(cable) as source, caplog.at_level(logging.WARNING):
        before = time.process_time()
        wait_for(lambda: source.state == "waiting")
        gather(source, 0.5, pause_s=0.2)
        assert time.process_time() - before < 0.1
        assert len(caplog.records) == 1 and "silent" in caplog.text


def test_a_dead_port_is_opened_again_without_more_log_lines(cable, caplog, monkeypatch):
    monkeypatch.setattr(capture, "SILENT_S", 0.2)
    monkeypatch.setattr(capture, "REOPEN_S", 0.4)
    monkeypatch.setattr(capture, "FIRST_WAIT_S", 0.1)
    monkeypatch.setattr(capture, "LONGEST_WAIT_S", 0.2)
    with serial_load(cable) as source, caplog.at_level(logging.WARNING):
        wait_for(lambda: source.losses >= 2)
        assert len(caplog.records) <= 2, "silent, then lost; each kind once"


def test_a_loop_that_is_busy_loses_nothing_and_fills_no_memory(cable):
    with serial_load(cable) as source:
        board = Board().add(cable, timed, 500.0).begin()
        gather(source, 0.8)
        begin_s = time.monotonic()
        time.sleep(0.6)  # nobody reads
        t, p = source.read(0.0)
        assert t.size == pytest.approx(500 * (time.monotonic() - begin_s), abs=30) and source.dropped == 0
        assert np.max(np.diff(t)) < 0.1
        source._capture.room_bytes = 10_000
        time.sleep(0.4)
        board.stop()
        assert source.dropped > 0 and source._capture._queued_bytes <= 10_000


def test_a_port_that_is_not_there_is_the_users_mistake(tmp_path):
    path = tmp_path / "ttyUSB9"
    with pytest.raises(InputError, match=r"\[load\] port .*ttyUSB9.*No such file.*/dev/ttyUSB0") as e:
        SerialLoad(Load(source="serial", frequency_hz=HZ, port=str(path)))
    assert "\n" not in str(e.value)
    path.write_text("a file")
    with pytest.raises(InputError, match="port"):
        SerialLoad(Load(source="serial", frequency_hz=HZ, port=str(path)))


def test_a_port_in_use_by_another_is_the_users_mistake(cable):
    with serial_load(cable), pytest.raises(InputError, match="port"):
        serial_load(cable)


PIECES = st.one_of(
    st.binary(max_size=300),
    st.sampled_from([b"\n", b"#?\n", b"?1\n", b"edge\n", b"1,edge\n", b"1.5\n", b"9e11,1\n", b"-5,1\n", b"0,0*00\n"]),
    st.builds(lambda t, v: b"%r,%r\n" % (t, v), st.floats(), st.floats()),
)


def test_no_bytes_on_the_wire_upset_the_source_or_make_it_grow(cable):
    with serial_load(cable) as source:

        @settings(max_examples=40, deadline=None, database=None)
        @given(st.lists(PIECES, max_size=12))
        def fuzz(pieces):
            for piece in pieces:
                cable.write(piece)
            t, p = source.read(0.0)
            assert t.shape == p.shape and np.isfinite(t).all() and np.isfinite(p).all()

        fuzz()
        for _ in range(40):
            cable.write(os.urandom(4000))
            source.read(0.0)
        time.sleep(0.1)
        source.read(0.0)
        assert len(source._held) <= MOST_HELD and len(source.lines._rest) <= LONGEST_LINE
        assert len(source._timed._block) < 2000 and len(source._counted._block) < 2000
        assert source._capture._queued_bytes == 0
        board = Board().add(cable, timed, 500.0).begin()
        gather(source, 1.5)
        t, p = gather(source, 0.7)
        board.stop()
        assert t.size > 250 and abs(phase_error_deg(t, p)) < 4.0, "and it still works"


@pytest.mark.parametrize("then_hz", [0.7, 1.5, 2.5, 4.0])
def test_edges_of_a_load_that_is_many_times_slower_from_one_moment_on_are_counted_again(then_hz):
    edges = EdgeWave(10.0)
    before, after = np.arange(0.0, 30.0, 1 / 20), 30.0 + np.arange(0.0, 100.0, 1 / then_hz)
    for edge_s in before:
        edges.add(np.array([edge_s]))
    samples = [edges.add(np.array([edge_s]))[0].size for edge_s in after]
    assert sum(n > 0 for n in samples) >= after.size - 4


@pytest.mark.parametrize("stop_s", [5.0, 25.0, 600.0])
def test_cycles_of_a_machine_that_stopped_are_not_made_up_from_edges_on_an_open_port(stop_s):
    edges, phase = EdgeWave(HZ), LoadPhase(HZ)
    before = np.arange(70) / HZ
    for at_s in np.concatenate([before, before[-1] + stop_s + np.arange(70) / HZ]):
        phase.feed(*edges.add(np.array([at_s])))
    phase.feed(*edges.add(before[-1] + stop_s + np.arange(70, 100) / HZ))
    end_s = before[-1] + stop_s + 80 / HZ
    assert phase.cycles_at(end_s) == pytest.approx(69 + 80, abs=2)
    assert "cycles_estimated" not in phase.take_remarks(end_s) and any(k.trouble == "paused" for k in phase.knots)
