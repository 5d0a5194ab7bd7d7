"""The loop on live sources: first on an invented clock, then over two pseudo-terminals as a process of its own."""

import json
import math
import os
import re
import signal
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from live_bench import LiveBench

from edge import loop as loop_module
from edge.clock import LOOKAHEAD
from edge.cycles import LoadEvent
from edge.loop import Loop
from edge.phase import LoadPhase
from edge.record import Row, read_records
from edge.rig import load_rig
from edge.sinks.card import CardSink
from edge.sources.base import Frame, FrameSource, LoadSource
from edge.sources.frames_load import FramesLoad
from edge.sources.simulated import bench_from_rig
from edge.totals import CUT, FORM, Calendar, Totals, utc_of

HZ = 7.0
NEVER = (math.inf, math.inf)
RIG = """[specimen]
geometry = "MT"
width_mm = 60.0
thickness_mm = 4.0
notch_mm = 6.0
material = "mild steel"
temperature_C = 22.0
[load]
source = "serial"
port = "/dev/null"
frequency_hz = {hz}
[camera]
source = "serial"
port = "/dev/null"
rows = 16
columns = 20
frame_rate_hz = {rate}
counts_per_K = 100.0
zero_K = 0.0
[view]
mm_per_px = 0.5
datum_px = [8.0, 2.0]
[lockin]
memory_s = {memory}
[records]
every_s = 5.0
"""


class Now:
    """The monotonic clock of these tests."""

    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        return self.s


class LiveFrames(FrameSource):
    """A simulated camera on that clock, unplugged during `away`."""

    live = True

    def __init__(self, now: Now, inner: FrameSource, away: tuple[float, float]):
        self.now, self.inner, self.away = now, inner, away
        self.next: Frame | None = None

    @property
    def fault(self) -> str | None:
        return "hung up" if self.away[0] <= self.now.s < self.away[1] else None

    def read(self, timeout_s: float) -> Frame | None:
        while True:
            self.next = self.next or self.inner.read(0.0)
            assert self.next is not None
            if self.next.time_s > self.now.s + timeout_s:
                self.now.s += timeout_s
                return None
            frame, self.next = self.next, None
            if not self.away[0] <= frame.time_s < self.away[1]:
                self.now.s = max(self.now.s, frame.time_s)
                return frame


class LiveLoad(LoadSource):
    """A simulated load cell on that clock, its samples 20 ms late, its wire pulled out during `away`."""

    live = True

    def __init__(self, now: Now, inner: LoadSource, away: tuple[float, float], nominal: bool = False):
        self.now, self.inner, self.away, self.nominal = now, inner, away, nominal

    @property
    def fault(self) -> str | None:
        return "hung up" if self.away[0] <= self.now.s < self.away[1] else None

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        t, p = self.inner.read(self.now.s - 0.02)
        there = (t < self.away[0]) | (t >= self.away[1])
        return t[there], p[there]


class Trial:
    """A run of the loop for `seconds` of the invented clock."""

    def __init__(self, tmp_path: Path, monkeypatch, hz: float = HZ, rate: float = 10.0, memory: float = 10.0, wave=None,
                 no_frames=NEVER, no_load=NEVER, nominal=False, range_kN=None):  # fmt: skip
        tmp_path.mkdir(exist_ok=True)
        self.now = Now()
        monkeypatch.setattr(time, "monotonic", self.now)
        path = tmp_path / "rig.toml"
        path.write_text(RIG.format(hz=hz, rate=rate, memory=memory))
        self.rig = load_rig(path)
        self.rig = replace(self.rig, load=replace(self.rig.load, nominal_range_kN=range_kN))
        inner = bench_from_rig(self.rig, wave=wave, duration_s=150.0, law={"C_effective": 1e-12})
        self.wave, self.rows = inner.wave, list[Row]()
        self.card = CardSink(tmp_path / "out")
        self.card.open()
        frames, load = LiveFrames(self.now, inner.frames, no_frames), LiveLoad(self.now, inner.load, no_load, nominal)
        self.loop = Loop(self.rig, None, frames, load, self.card, tell=self.rows.append)

    def run(self, seconds: float) -> "Trial":
        def attend(loop: Loop) -> None:
            loop.stop = self.now.s >= seconds
            self.most_pending = max(self.most_pending, len(loop.pending))

        self.most_pending = 0
        self.loop.attend = attend
        self.loop.run()
        self.card.close()
        return self

    def true_cycles(self, row: Row) -> float:
        """Load cycles from the first frame's time to the row."""
        assert self.loop.start_s is not None and row.elapsed_s is not None
        return float(self.wave.phase(self.loop.start_s + row.elapsed_s) - self.wave.phase(0.0)) / (2 * np.pi)

    def between(self, from_s: float, to_s: float) -> list[Row]:
        return [r for r in self.rows if from_s < r.elapsed_s <= to_s]


def test_cycles_are_counted_and_rows_written_while_the_camera_is_away(tmp_path, monkeypatch):
    trial = Trial(tmp_path, monkeypatch, no_frames=(22.0, 57.0)).run(80.0)
    assert np.diff([r.elapsed_s for r in trial.rows[:-1]]) == pytest.approx(5.0, abs=0.5)
    for row in trial.rows:
        assert row.cycles == pytest.approx(trial.true_cycles(row), abs=1.1)
    away = trial.between(27.0, 55.0)
    assert len(away) >= 5
    for row in away:
        assert row.noise_K is None and row.frames is None and {"waiting_frames", "no_tip"} <= set(row.flags)
        assert row.load_range_kN == pytest.approx(2 * trial.wave.amplitude_kN, rel=0.01)
        assert row.lost == 0, "a camera that is away loses nothing"
    assert all("waiting_frames" not in r.flags and r.noise_K for r in [*trial.between(5.0, 20.0), *trial.between(66.0, 79.0)])


def test_a_load_wire_that_was_out_leaves_the_count_as_the_machine_ran_on(tmp_path, monkeypatch):
    trial = Trial(tmp_path, monkeypatch, no_load=(22.0, 57.0)).run(80.0)
    count = [r.cycles for r in trial.rows if r.elapsed_s < 53.0]
    assert [r.cycles for r in trial.rows] == sorted(r.cycles for r in trial.rows)
    away = trial.between(27.0, 53.0)
    assert len(away) >= 5 and max(count) - away[0].cycles < HZ, "nobody knows meanwhile"
    assert all("waiting_load" in r.flags and r.load_frequency_hz is None for r in away[2:])
    told = next(i for i, r in enumerate(trial.rows) if "cycles_estimated" in r.flags)
    after = trial.rows[told:]
    assert len(after) >= 5
    assert [r.cycles for r in after] == pytest.approx([trial.true_cycles(r) for r in after], abs=1.6)
    assert after[-1].noise_K is not None and "waiting_load" not in after[-1].flags


@pytest.mark.parametrize("no_frames", [NEVER, (22.0, 57.0)])
def test_each_row_with_cycles_that_nobody_counted_says_so(tmp_path, monkeypatch, no_frames):
    """So that growth rates of their time can be told apart, and a run that ends there has told of them."""
    trial = Trial(tmp_path, monkeypatch, no_frames=no_frames, no_load=(22.0, 57.0)).run(80.0)
    steps = list(zip(trial.rows, trial.rows[1:]))
    first = next(i for i, (a, b) in enumerate(steps) if b.cycles - a.cycles > HZ * (b.elapsed_s - a.elapsed_s) + 2)
    estimated = [b for a, b in steps[first:] if trial.loop.start_s + a.elapsed_s < 57.0]
    assert estimated and [r for r in trial.rows if "cycles_estimated" in r.flags] == estimated


def test_a_machine_found_standing_after_the_wire_was_out_had_stopped_nobody_knows_when(tmp_path, monkeypatch):
    stopped = {"pause_from_s": 40.0, "pause_to_s": 70.0}
    trial = Trial(tmp_path, monkeypatch, no_load=(22.0, 57.0), wave=stopped).run(90.0)
    assert not any("cycles_estimated" in r.flags for r in trial.rows)
    seen = trial.rows[-1].cycles
    assert seen == pytest.approx(trial.true_cycles(trial.rows[-1]) - HZ * (40.0 - 22.0), abs=2.1)


class Hum(LoadSource):
    """What a wire picks up beside a machine that stands: mains, and the converter's noise."""

    def __init__(self) -> None:
        self.next = 0

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        first, self.next = self.next, max(self.next, int(until_s * 250.0))
        t = np.arange(first, self.next) / 250.0
        return t, 0.02 * np.sin(2 * np.pi * 50.0 * t) + 0.003 * np.random.default_rng(first).standard_normal(t.size)


def test_mains_hum_on_the_wire_before_the_machine_starts_is_no_load(tmp_path, monkeypatch):
    trial = Trial(tmp_path, monkeypatch, hz=20.0)
    trial.loop.load.inner = Hum()
    trial.run(20.0)
    assert len(trial.rows) >= 4
    for row in trial.rows:
        assert row.cycles == 0 and row.load_range_kN is None and "no_load" in row.flags


@pytest.mark.parametrize("nominal_hz, mains_hz", [(48.0, 50.0), (20.0, 0.0), (20.0, 60.0)])
def test_a_load_at_the_frequency_of_the_mains_is_one_where_it_is_meant_or_no_mains_are_there(nominal_hz, mains_hz):
    phase, t = LoadPhase(nominal_hz, mains_hz=mains_hz), np.arange(0.0, 10.0, 1e-3)
    phase.feed(t, 5.0 + 4.0 * np.sin(2 * np.pi * 50.0 * t))
    assert phase.state(2.0, 9.0).frequency_hz == pytest.approx(50.0, rel=1e-3)


@pytest.mark.parametrize("sync_s", [4.0, 9.0])
def test_a_card_that_takes_seconds_for_a_row_is_no_silent_camera(tmp_path, monkeypatch, sync_s):
    trial = Trial(tmp_path, monkeypatch)
    sync = os.fsync

    def slow(fd: int) -> None:
        trial.now.s += sync_s * (trial.loop.start_s is not None)
        sync(fd)

    monkeypatch.setattr(os, "fsync", slow)
    trial.run(60.0)
    assert len(trial.rows) >= 5 and not any("waiting_frames" in r.flags for r in trial.rows)
    assert trial.rows[-1].noise_K is not None


def test_with_both_away_time_and_rows_go_on(tmp_path, monkeypatch):
    trial = Trial(tmp_path, monkeypatch, no_load=(12.0, 40.0), no_frames=(12.0, 40.0)).run(60.0)
    assert len(trial.rows) == 12 and all(np.diff([r.elapsed_s for r in trial.rows]) > 0)
    assert all({"waiting_load", "waiting_frames"} <= set(r.flags) for r in trial.between(17.0, 39.0))
    assert trial.rows[-1].cycles == pytest.approx(trial.true_cycles(trial.rows[-1]), abs=1.6)


def test_a_camera_that_never_comes_leaves_a_count_of_cycles(tmp_path, monkeypatch):
    trial = Trial(tmp_path, monkeypatch, no_frames=(0.0, 1e9)).run(40.0)
    assert len(trial.rows) >= 7 and all("waiting_frames" in r.flags for r in trial.rows)
    assert trial.rows[-1].cycles == pytest.approx(trial.true_cycles(trial.rows[-1]), abs=1.1)
    assert len(read_records(tmp_path / "out").rows) == len(trial.rows)


def test_frames_wait_for_a_slow_load_as_long_as_its_phase_needs(tmp_path, monkeypatch):
    """0.2 Hz: a window of 20 s, and as many frames wait as come in it."""
    trial = Trial(tmp_path, monkeypatch, hz=0.2, memory=60.0).run(120.0)
    assert 150 < trial.most_pending < (2 * 20.0 + 2.0) * 10.0 + 10
    assert trial.rows[-1].load_frequency_hz == pytest.approx(0.2, rel=1e-3)
    error = [trial.loop.phase.at(k.time_s) - trial.wave.phase(k.time_s) for k in trial.loop.phase.knots if k.good]
    assert np.std(np.exp(1j * np.array(error))) < 0.02


def test_waiting_frames_are_bounded_in_memory(tmp_path, monkeypatch):
    monkeypatch.setattr(loop_module, "PENDING_BYTES", 50 * 2 * 16 * 20)
    trial = Trial(tmp_path, monkeypatch, hz=0.2, memory=60.0).run(60.0)
    assert 50 <= trial.most_pending <= 52 + LOOKAHEAD


@pytest.mark.parametrize("range_kN", [None, 6.5])
def test_one_edge_a_cycle_tells_no_range_and_no_ratio(tmp_path, monkeypatch, range_kN):
    trial = Trial(tmp_path, monkeypatch, nominal=True, range_kN=range_kN).run(20.0)
    row = trial.rows[-2]
    assert row.load_range_kN == range_kN and row.load_ratio is None and row.load_h2 is None
    assert "load_from_edges" in row.flags and row.load_frequency_hz == pytest.approx(HZ, rel=1e-3)


def test_a_calendar_set_by_hours_moves_the_label_only(tmp_path, monkeypatch):
    trial = Trial(tmp_path, monkeypatch)
    step = [0.0]
    trial.loop.calendar = Calendar(lambda: 2e9 + trial.now.s + step[0])
    tell = trial.loop.tell

    def set_it(row: Row) -> None:
        tell(row)
        step[0] = {3: 5 * 3600.0, 6: -2 * 3600.0}.get(row.seq, step[0])

    trial.loop.tell = set_it
    trial.run(50.0)
    assert [r.seq for r in trial.rows if "clock_step" in r.flags] == [4, 7]
    assert np.diff([r.elapsed_s for r in trial.rows[:-1]]) == pytest.approx(5.0, abs=0.1)
    at = [datetime.strptime(r.time_utc, FORM).timestamp() for r in trial.rows]
    assert at[4] - at[3] == pytest.approx(5 * 3600 + 5, abs=1.1) and at[7] - at[6] == pytest.approx(-7 * 3600 + 5, abs=1.1)


@pytest.mark.parametrize("busy", [False, True], ids=["at once", "after a fix"])
def test_a_camera_that_was_lost_for_a_moment_is_on_a_new_grid_however_late_its_frames_are_looked_at(tmp_path, monkeypatch, busy):
    """Lost for less than a second and back half a period off the old grid."""
    trial, anew = Trial(tmp_path, monkeypatch), []
    loop, period_s = trial.loop, 0.1
    monkeypatch.setattr(loop.clock, "begin_anew", lambda: anew.append(trial.now.s))
    images = iter(np.random.default_rng(0).integers(0, 60000, (100, *loop.lockin.shape), dtype=np.uint16))
    arrivals = [*np.arange(0, 5, period_s), *np.arange(5.75, 7, period_s)]
    trial.now.s = 20.0 if busy else 0.0
    for number, arrival_s in enumerate(arrivals):
        trial.now.s = max(trial.now.s, arrival_s)
        monkeypatch.setattr(type(loop.frames), "losses", int(arrival_s > 5.5), raising=False)
        loop.take(Frame(number, arrival_s, next(images)))
    assert len(anew) == 1


def test_a_run_that_is_ended_says_so_in_its_last_row(tmp_path, monkeypatch):
    trial = Trial(tmp_path, monkeypatch).run(12.0)
    assert ["ended" in r.flags for r in trial.rows] == [False] * (len(trial.rows) - 1) + [True]


# --- over restarts

LAST_UTC_S = 1_900_000_000


def last_row(*flags: str, hz: float | None = HZ) -> Row:
    utc = datetime.fromtimestamp(LAST_UTC_S, UTC).strftime(FORM)
    return Row(seq=41, time_utc=utc, elapsed_s=1000.0, cycles=7000, load_frequency_hz=hz, flags=flags)


RESTARTS = [  # rows before, seconds away, load seen first (Hz), cycles and running time to go on from
    ("power cut, the machine ran on", [last_row()], 600.0, 7.0, 7000 + 4200, 1600.0),
    ("power cut, the machine stands", [last_row()], 600.0, None, 7000, 1600.0),
    ("power cut, another frequency", [last_row()], 600.0, 9.0, 7000, 1600.0),
    ("a weekend", [last_row()], 60 * 3600.0, 7.0, 7000 + 7 * 216_000, 217_000.0),
    ("restart of the service", [last_row("ended")], 5.0, 7.0, 7000 + 35, 1005.0),
    ("ended on purpose, begun anew next day", [last_row("ended")], 86400.0, 7.0, 7000, 87400.0),
    ("calendar behind", [last_row()], -3600.0, 7.0, 7000, 1000.0),
    ("calendar far ahead", [last_row()], 40 * 86400.0, 7.0, 7000, 1000.0),
    ("the wire was out at the end", [last_row(), last_row(hz=None)], 100.0, 7.0, 7000 + 700, 1100.0),
    ("the load stood still at the end", [last_row(), last_row("paused"), last_row("paused", "ended")], 60.0, 7.0, 7000, 1060.0),
    ("it stood still, then the wire was out", [last_row(), last_row("paused", hz=None), last_row(hz=None)], 60.0, 7.0, 7000, 1060.0),
    ("a pause that was over", [last_row("paused"), last_row()], 600.0, 7.0, 7000 + 4200, 1600.0),
    ("a load was never seen", [last_row(hz=None)], 100.0, 7.0, 7000, 1100.0),
    ("the wire was out, its frequency told on", [replace(last_row(), time_utc="2030-03-17T17:46:30Z", elapsed_s=990.0, cycles=6900),
     last_row("waiting_load")], 100.0, 7.0, 6900 + 770, 1100.0),
    ("ended on purpose, begun anew next day without its wire, power cut", [
        replace(last_row("ended"), elapsed_s=900.0 - 86400.0), replace(last_row(hz=None), elapsed_s=900.0), last_row(hz=None),
    ], 60.0, 7.0, 7000, 1060.0),
    ("the wire was out and the calendar set by days meanwhile", [
        replace(last_row(), time_utc="2030-03-14T17:46:30Z", elapsed_s=990.0, cycles=6930), last_row("clock_step", hz=None),
    ], 60.0, 7.0, 6930 + 490, 1060.0),
]


@pytest.mark.parametrize("rows, away_s, hz, cycles, elapsed_s", [r[1:] for r in RESTARTS], ids=[r[0] for r in RESTARTS])
def test_after_a_restart_the_count_goes_on_as_far_as_can_be_known(rows, away_s, hz, cycles, elapsed_s):
    totals = Totals(rows, live=True, utc_s=LAST_UTC_S + CUT + away_s)
    assert totals.seq == 42 and totals.elapsed_s == elapsed_s
    assert totals.settle(hz) == (cycles > 7000)
    assert totals.cycles == cycles
    assert not totals.settle(7.0), "once"


@pytest.mark.parametrize("until_s", [30.0, 60.0], ids=["soon", "when its frequency is no longer told"])
def test_a_pause_of_the_load_that_a_restart_falls_into_adds_no_cycles(tmp_path, monkeypatch, until_s):
    trial = Trial(tmp_path, monkeypatch, wave={"pause_from_s": 15.0, "pause_to_s": 1000.0}).run(until_s)
    rows = read_records(tmp_path / "out").rows
    assert "paused" in rows[-2].flags and rows[-1].cycles == pytest.approx(trial.true_cycles(rows[-1]), abs=1.6)
    totals = Totals(rows, live=True, utc_s=utc_of(rows[-1]) + CUT + 300.0)
    assert not totals.settle(HZ) and totals.cycles == rows[-1].cycles
    assert totals.elapsed_s == rows[-1].elapsed_s + 300.0


@pytest.mark.parametrize("after_s", [-2.5, 3.0], ids=["the camera was opened first, then kernels were loaded", "the camera is slow"])
def test_running_time_goes_on_to_the_first_frame_whenever_it_comes(after_s):
    totals = Totals([last_row()], live=True, utc_s=LAST_UTC_S + CUT + 600.0)
    totals.begin(totals.made_s + after_s)
    assert totals.elapsed_s == pytest.approx(1600.0 + after_s)
    for made in (Totals([last_row()], live=False), Totals([])):
        before = made.elapsed_s
        made.begin(3.0)  # a recording's own clock
        assert made.elapsed_s == before


@pytest.mark.parametrize("first_s", [-1.0, 0.1, 1.7])
def test_no_cycle_is_lost_at_a_restart_whenever_the_first_sample_comes(first_s):
    off, rng = [], np.random.default_rng(0)
    for _ in range(20):
        away_s, start = rng.uniform(599.5, 600.5), rng.random()  # time_utc has whole seconds
        totals, phase = Totals([last_row()], live=True, utc_s=LAST_UTC_S + CUT + 600.0), LoadPhase(HZ)
        t = np.arange(first_s, first_s + 6.0, 0.004)
        phase.feed(totals.made_s + t, np.sin(2 * np.pi * (start + HZ * (away_s + t))))
        assert totals.settle(HZ, phase.first_count())
        told = totals.cycles + int(phase.cycles_at(totals.made_s + t[-1]))
        off.append(told - int(7000 + start + HZ * (away_s + t[-1])))
    assert abs(np.mean(off)) < 3 * np.std(off) / np.sqrt(20) and max(np.abs(off)) <= HZ / 2 + 1.5


def test_a_load_event_soon_after_a_restart_has_the_cycles_of_the_time_away(tmp_path, monkeypatch):
    trial = Trial(tmp_path, monkeypatch)
    trial.loop.totals = Totals([last_row()], live=True, utc_s=LAST_UTC_S + CUT + 600.0)
    event = LoadEvent("overload", 20, 3.0, 1, 9.0, 1.0)
    monkeypatch.setattr(trial.loop.phase.counter, "take_events", lambda until_s: [event] if 3.0 <= until_s < 3.05 else [])
    trial.run(4.0)
    told = (tmp_path / "out" / "events.csv").read_text().splitlines()[-1]
    assert "overload" in told and re.search(r"\b112\d\d\b", told), "7000 before, 4200 away, 20 of this run"
    assert "cycles_estimated" in trial.rows[0].flags


def test_a_live_camera_goes_on_by_the_calendar_where_the_load_comes_from_its_frames(tmp_path, monkeypatch):
    before = Trial(tmp_path, monkeypatch).run(12.0).rows[-1]
    utc_s = time.time
    monkeypatch.setattr(time, "time", lambda: utc_s() + 300.0)
    card = CardSink(tmp_path / "out")
    card.open()
    again = Trial(tmp_path / "other", monkeypatch)
    loop = Loop(again.rig, None, again.loop.frames, FramesLoad(), card)
    assert loop.totals.elapsed_s == pytest.approx(before.elapsed_s + 300, abs=5)
    assert loop.totals.settle(HZ) and loop.totals.cycles == pytest.approx(before.cycles + 300 * HZ, abs=5 * HZ)


def test_a_recording_does_not_go_on_by_the_calendar():
    totals = Totals([last_row()], live=False, utc_s=LAST_UTC_S + 600)
    assert (totals.elapsed_s, totals.settle(7.0), totals.cycles) == (1000.0, False, 7000)
    assert (Totals([]).seq, Totals([]).cycles, Totals([]).elapsed_s) == (0, 0, 0.0)


# --- the whole program on two serial wires


def wait_for_row(folder: Path, condition, seconds: float = 40.0) -> list[Row]:
    end_s = time.monotonic() + seconds
    while True:
        rows = read_records(folder).rows if (folder / "records.csv").exists() else []
        if any(condition(r) for r in rows):
            return rows
        assert time.monotonic() < end_s, f"did not come; last row: {rows[-1] if rows else None}"
        time.sleep(0.05)


@pytest.fixture
def running():
    """A function that takes a process which must not outlive the test."""
    processes = []
    yield lambda process: processes.append(process) or process
    for process in processes:
        process.kill()
        process.wait()


def test_the_whole_program_on_two_serial_wires_one_of_them_pulled_out(tmp_path, running):
    """Tip, dK and cycles against the truth of the bench; the camera's cable out for three seconds."""
    with LiveBench(tmp_path) as live:
        process = running(live.run("--status", str(tmp_path / "status")))
        out = tmp_path / "out"
        seen = wait_for_row(out, lambda r: r.crack_mm is not None and "settling" not in r.flags)[-1].seq
        live.unplug(live.camera)
        lost_at = wait_for_row(out, lambda r: r.seq > seen and r.frames is None)[-1].seq
        live.plug(live.camera)
        wait_for_row(out, lambda r: r.seq > lost_at and r.frames and r.crack_mm is not None and "settling" not in r.flags)
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=20)
    assert process.returncode == 0
    said = [line.split(" ", 1)[1] for line in errors.splitlines()]
    port = f"[camera] port {tmp_path / 'camera'}: "
    assert [line for line in said if "[camera]" in line] == [f"{port}hung up; waiting for it", f"{port}works again"]
    stored = read_records(out)
    assert stored.bad == [] and stored.torn is None and "ended" in stored.rows[-1].flags
    truth = live.bench.truth(1.0)
    assert not any("no_load" in r.flags for r in stored.rows if r.crack_mm is not None)
    fixes = [r for r in stored.rows if r.crack_mm is not None and "settling" not in r.flags]
    for row in fixes:
        assert abs(row.crack_mm - truth.crack_mm) < 4 * row.crack_sd_mm
        assert abs(row.dKI_MPa_sqrt_m - truth.delta_K_MPa_sqrt_m) < 4 * row.dKI_sd
    before = [r for r in fixes if r.seq < lost_at][-1]
    assert fixes[-1].seq > lost_at
    assert before.crack_sd_mm < 0.05 and before.dKI_sd < 0.05 * truth.delta_K_MPa_sqrt_m
    assert before.load_range_kN == pytest.approx(2 * live.bench.wave.amplitude_kN, rel=0.02)
    counted = [r.cycles - HZ * r.elapsed_s for r in stored.rows if r.seq >= fixes[0].seq and "load_uneven" not in r.flags]
    assert len(counted) > 6
    told = [(r.seq, r.elapsed_s, r.cycles, r.flags) for r in stored.rows]
    # rounded down to whole cycles, and counted as far as samples have come: a busy machine hands them out a tenth of a second late
    assert max(counted) - min(counted) < 1 + 0.1 * HZ, f"cycles go on exactly, camera or not: {told}"
    assert any("waiting_frames" in r.flags for r in stored.rows)
    document = json.loads((tmp_path / "status" / "status.json").read_text())
    assert document["last"]["seq"] == stored.rows[-1].seq and document["parts"][0]["name"] == "camera"
    assert cv2.imread(str(tmp_path / "status" / "status.png")).shape == (320, 480, 3)
