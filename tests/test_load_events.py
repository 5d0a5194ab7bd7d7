"""Overloads, steps and stop requests through the whole loop, on the simulated bench (invented data), and their files."""

import csv
import os
import subprocess

import numpy as np
import pytest
from links import Cable
from test_sinks import mounted

from edge.growth_events import Event, read_events, refined
from edge.record import Row, decode_stop, read_records
from edge.rig import load_rig
from edge.run import run_sources
from edge.sinks import base
from edge.sinks.card import CardSink
from edge.sinks.events import EventFile, keep_rig_copy
from edge.sources.base import LoadSource
from edge.sources.simulated import bench_from_rig

RIG = """[specimen]
geometry = "MT"
width_mm = 60.0
thickness_mm = 4.0
notch_mm = 6.0
material = "mild steel"
[load]
source = "simulated"
frequency_hz = 7.0
[camera]
source = "simulated"
rows = 60
columns = 80
frame_rate_hz = 25.0
counts_per_K = 100.0
zero_K = 0.0
[view]
mm_per_px = 0.25
datum_px = [30.0, 0.0]
[lockin]
memory_s = 8.0
[records]
every_s = 8.0
"""


@pytest.fixture
def rig(tmp_path):
    (tmp_path / "rig.toml").write_text(RIG)
    return load_rig(tmp_path / "rig.toml")


def run(rig, bench, out):
    run_sources(rig, bench.frames, bench.load, out)
    return read_records(out).rows


def test_an_overload_is_flagged_and_logged_with_its_cycle_and_peak(rig, tmp_path):
    bench = bench_from_rig(rig, law={"overload_cycle": 140, "overload_ratio": 1.6}, duration_s=34.0)
    rows = run(rig, bench, tmp_path / "out")
    assert [r.seq for r in rows if "overload" in r.flags] == [2]  # at 20 s, told in the row of 24 s
    assert [r.seq for r in rows if "load_uneven" in r.flags] == [2]
    assert not any("paused" in r.flags or "load_step" in r.flags for r in rows)
    (event,) = csv.DictReader((tmp_path / "out" / "events.csv").open())
    peak_kN = bench.wave.mean_kN + bench.wave.amplitude_kN
    assert (event["kind"], event["cycles"]) == ("overload", "140")
    assert float(event["elapsed_s"]) == pytest.approx(20.0, abs=0.2)
    assert float(event["peak_kN"]) == pytest.approx(1.6 * peak_kN, rel=0.01)
    assert float(event["valley_kN"]) == pytest.approx(bench.wave.mean_kN - bench.wave.amplitude_kN, rel=0.1)
    assert [(e.kind, e.cycles) for e in read_events(tmp_path / "out" / "events.csv")] == [("overload", 140.0)]


def test_growth_takes_the_exact_cycle_of_an_event_that_was_told_a_row_later():
    told = Event("overload", 2000.0, 1000.0)
    for cycles, taken in ((1500.0, True), (998.0, True), (900.0, False), (2001.0, False)):
        exact = Event("overload", cycles, cycles)
        assert refined([told], [Event("underload", 1500.0, 1500.0), exact]) == [exact if taken else told]


def test_a_restart_goes_on_with_the_cycle_count_in_events_too(rig, tmp_path):
    for _ in range(2):
        bench = bench_from_rig(rig, law={"overload_cycle": 140}, duration_s=26.0)
        rows = run(rig, bench, tmp_path / "out")
    first, second = read_events(tmp_path / "out" / "events.csv")
    ends = [r.cycles for r in rows if r.elapsed_s < 27][-1]
    assert (first.cycles, second.cycles) == (140, ends + 140)


class Shed(LoadSource):
    """The bench's load, less by a tenth from cycle 100 on."""

    def __init__(self, bench):
        self.of = bench.load
        self.at_s = 100 / bench.wave.frequency_hz
        self.ended = False

    def read(self, until_s):
        time_s, load_kN = self.of.read(until_s)
        self.ended = self.of.ended
        return time_s, np.where(time_s < self.at_s, load_kN, 0.9 * load_kN)


def test_a_step_of_the_load_begins_a_new_estimate(rig, tmp_path):
    bench = bench_from_rig(rig, duration_s=34.0)
    run_sources(rig, bench.frames, Shed(bench), tmp_path / "out")
    rows = read_records(tmp_path / "out").rows
    stepped = next(r for r in rows if "load_step" in r.flags)
    assert stepped.seq == 1 and "overload" not in stepped.flags  # at 14.3 s, told in the row of 16 s
    assert "settling" in stepped.flags and stepped.frames < 60
    whole = 2 * bench.wave.amplitude_kN
    assert [r.load_range_kN / whole for r in rows] == pytest.approx([1.0, 0.9, 0.9, 0.9, 0.9], rel=0.002)
    (event,) = csv.DictReader((tmp_path / "out" / "events.csv").open())
    assert event["kind"] == "load_step" and int(event["cycles"]) == pytest.approx(100, abs=1)


def test_a_plain_run_has_a_copy_of_its_rig_file_and_no_events(rig, tmp_path):
    bench = bench_from_rig(rig, wave={"walk": 0.002, "h2": 0.05}, duration_s=20.0)
    run(rig, bench, tmp_path / "out")
    assert sorted(p.name for p in (tmp_path / "out").iterdir() if p.suffix in (".toml", ".csv")) == [
        "records.csv",
        "rig.toml",
    ]
    assert (tmp_path / "out" / "rig.toml").read_text() == RIG


def test_a_stop_request_goes_out_on_the_link_and_stands_in_the_rows(tmp_path):
    cable = Cable(tmp_path / "port")
    asked = f'serial_port = "{cable.port}"\nstop_at_crack_mm = 7.5\ntarget_crack_mm = 12.0\n'
    (tmp_path / "rig.toml").write_text(RIG + asked)
    rig = load_rig(tmp_path / "rig.toml")
    bench = bench_from_rig(rig, law={"C_effective": 5e-6}, duration_s=34.0)
    rows = run(rig, bench, tmp_path / "out")
    beyond = [r.seq for r in rows if r.crack_mm and r.crack_mm >= 7.5]
    assert beyond[0] > 0 and [r.seq for r in rows if "stop_request" in r.flags] == beyond[1:]
    sent = [line for line in cable.read(1.0).decode().splitlines() if line.startswith("STOP")]
    requests = [decode_stop(line) for line in sent]
    assert [r.seq for r in requests] == beyond[1:]
    assert requests[0].crack_mm == rows[beyond[1]].crack_mm and requests[0].cycles == rows[beyond[1]].cycles
    cable.unplug()


def test_growth_columns_are_filled_while_running(tmp_path):
    (tmp_path / "rig.toml").write_text(RIG + "target_crack_mm = 12.0\n")
    rig = load_rig(tmp_path / "rig.toml")
    bench = bench_from_rig(rig, law={"C_effective": 5e-6}, duration_s=50.0)
    rows = run(rig, bench, tmp_path / "out")
    last = rows[-1]
    assert "no_rate" in rows[0].flags and rows[0].rate_mm_per_cycle is None
    assert last.rate_mm_per_cycle == pytest.approx(bench.truth(40.0).rate_mm_per_cycle, rel=0.15)
    assert "constant_rate" in last.flags
    assert last.cycles_to_target == pytest.approx((12.0 - last.crack_mm) / last.rate_mm_per_cycle, rel=0.01)


# the files


def test_events_are_appended_and_a_torn_line_is_taken_off(tmp_path, caplog):
    for number in (1, 2):
        file = EventFile(tmp_path)
        file.write_event("overload", 100 * number, 12.345, 15.0, 1.0)
        file.close()
        with (tmp_path / "events.csv").open("a") as f:
            f.write("underload,4")
    file = EventFile(tmp_path)
    file.write_event("underload", 456, 99.0, 10.0, -2.0)
    file.close()
    assert [(e.kind, e.cycles) for e in read_events(tmp_path / "events.csv")] == [
        ("overload", 100),
        ("overload", 200),
        ("underload", 456),
    ]
    assert caplog.text.count("torn") == 2


def test_an_event_file_that_was_never_needed_is_not_made(tmp_path):
    EventFile(tmp_path).close()
    assert list(tmp_path.iterdir()) == []


def test_events_wait_while_the_card_is_full(tmp_path, caplog):
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=16k", "tmpfs") as folder:
        (folder / "ballast").write_bytes(b"x" * 4096 * 3)
        file = EventFile(folder)
        file.longest_wait_s = file._first_wait_s = file._wait_s = 0.0
        with (folder / "more").open("wb") as more:
            more.write(b"x" * os.statvfs(folder).f_bavail * 4096)
        file.write_event("overload", 100, 1.0, 15.0, 1.0)
        assert file.waiting_rows == 1 and file.state == "waiting"
        (folder / "ballast").unlink()
        file.write_event("overload", 200, 2.0, 15.0, 1.0)
        assert file.waiting_rows == 0
        file.close()
        assert [e.cycles for e in read_events(folder / "events.csv")] == [100, 200]


def test_events_go_on_in_the_file_that_an_editor_put_in_its_place(tmp_path):
    file = EventFile(tmp_path)
    file._first_wait_s = file._wait_s = 0.0
    file.write_event("overload", 100, 1.0, 15.0, 1.0)
    (tmp_path / "edited").write_text((tmp_path / "events.csv").read_text() + "underload,150,1.5,10,-2\n")
    (tmp_path / "edited").replace(tmp_path / "events.csv")
    file.write_event("overload", 200, 2.0, 15.0, 1.0)
    file.close()
    assert [e.cycles for e in read_events(tmp_path / "events.csv")] == [100, 150, 200]


def test_events_wait_with_the_records_while_the_card_is_out_and_do_not_hold_it(tmp_path, monkeypatch):
    monkeypatch.setattr(base, "FIRST_WAIT_S", 0.0)
    image, place = tmp_path / "card.img", tmp_path / "card"
    image.write_bytes(b"\0" * 2_000_000)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
    with mounted(place, "-o", "loop", str(image)), CardSink(place) as card:
        events = EventFile(place, card.see_that_it_is_mounted)
        card.write_row(Row(0))
        events.write_event("overload", 1, 1.0, 5.0, 1.0)
        card._disconnect()
        card._connected = False
        subprocess.run(["umount", str(place)], check=True)  # possible: no file is held open
        events.write_event("overload", 2, 2.0, 5.0, 1.0)
        assert events.waiting_rows == 1 and not list(place.iterdir())
        subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True)
        events.pump()
        assert [e.cycles for e in read_events(place / "events.csv")] == [1, 2]


def test_the_copy_of_the_rig_file_is_made_when_the_card_has_room_again(rig, tmp_path, monkeypatch):
    monkeypatch.setattr(base, "FIRST_WAIT_S", 0.0)
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=256k", "tmpfs") as folder:
        ballast = folder / "ballast"
        ballast.write_bytes(b"x" * os.statvfs(folder).f_bavail * 4096)
        bench = bench_from_rig(rig, duration_s=13.0)
        run_sources(rig, bench.frames, bench.load, folder, lambda row: ballast.unlink(missing_ok=True))
        assert (folder / "rig.toml").read_text() == RIG
        assert [r.seq for r in read_records(folder).rows] == list(range(len(read_records(folder).rows)))


def test_the_copy_of_the_rig_file_leaves_another_one_alone(tmp_path, caplog):
    out = tmp_path / "out"
    out.mkdir()
    mine = tmp_path / "rig.toml"
    for text, name in (("a", "rig.toml"), ("a", "rig.toml"), ("b", "rig-2.toml"), ("c", "rig-3.toml"), ("b", "rig-2.toml")):
        mine.write_text(text)
        assert keep_rig_copy(mine, out) == out / name
    assert {p.name: p.read_text() for p in out.iterdir()} == {"rig.toml": "a", "rig-2.toml": "b", "rig-3.toml": "c"}
    assert "stays; this run's is rig-2.toml" in caplog.text


def test_a_copy_that_cannot_be_written_is_no_reason_not_to_measure(tmp_path, caplog):
    (tmp_path / "rig.toml").write_text("a")
    assert keep_rig_copy(tmp_path / "rig.toml", tmp_path / "nowhere") is None
    assert "no copy of the rig file kept" in caplog.text
