"""Service manager, log and status page: with a real datagram socket, a real process and a folder that is really full."""

import dataclasses
import io
import json
import logging
import os
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
import recordings
from links import invented_row, mounted
from test_loop import SMALL, STEEL_AT_7_HZ

from edge.cli import make_parser
from edge.record import read_records
from edge.service import ServiceManager, log_handler
from edge.status import KEPT, StatusPage
from edge.status_picture import HEIGHT, WIDTH, Part, draw

ROOT = Path(__file__).parent.parent
OK = [Part("camera", "ok"), Part("load", "ok"), Part("card", "ok")]


@pytest.fixture
def manager_socket(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(str(tmp_path / "notify"))
        s.settimeout(5.0)
        yield s


def short_recording(folder: Path) -> recordings.Recording:
    """Eight seconds, four rows."""
    rig = {"records": {"every_s": 2.0}, "lockin": {"memory_s": 5.0}}
    return recordings.write(folder, SMALL, rig=rig, **{**STEEL_AT_7_HZ, "frames": 200})


def messages(s: socket.socket) -> list[str]:
    s.setblocking(False)
    got = []
    while True:
        try:
            got.append(s.recv(4096).decode())
        except BlockingIOError:
            return got


@pytest.fixture(scope="module")
def watched_run(tmp_path_factory):
    """A run under a manager, whose output nobody reads after its first line: folder, messages, exit code, errors."""
    folder = tmp_path_factory.mktemp("watched")
    made = short_recording(folder)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(str(folder / "notify"))
        s.settimeout(30.0)
        environment = {**os.environ, "NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "300000"}
        environment.pop("WATCHDOG_PID", None)
        command = [sys.executable, "-m", "edge.cli", "run", str(made.rig)]
        pipe = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        process = subprocess.Popen(command, cwd=ROOT, env=environment, text=True, **pipe)
        got = [s.recv(4096).decode()]
        process.stdout.readline()
        process.stdout.close()
        while got[-1] != "STOPPING=1":
            got.append(s.recv(4096).decode())
        errors = process.stderr.read()
        return folder, got, process.wait(timeout=30), errors


def test_a_run_tells_the_manager_that_it_is_ready_alive_and_stopping(watched_run):
    _, got, code, _ = watched_run
    assert code == 0 and got[0] == "READY=1" and got.count("READY=1") == 1 and got.count("WATCHDOG=1") >= 2
    assert all(m in ("READY=1", "WATCHDOG=1", "STOPPING=1") or m.startswith("STATUS=") for m in got)


def test_a_run_goes_on_when_nobody_reads_its_output_any_more(watched_run):
    folder, _, code, errors = watched_run
    assert code == 0 and "nobody reads" in errors and "Traceback" not in errors
    assert len(read_records(folder / "out").rows) == 4


def test_the_watchdog_is_fed_three_times_a_period_and_no_oftener(manager_socket, tmp_path, monkeypatch):
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    now = [0.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    manager = ServiceManager()
    for _ in range(1000):
        manager.alive("row 1")
        now[0] += 0.1
    assert messages(manager_socket).count("WATCHDOG=1") == 10


@pytest.mark.parametrize(
    "usec, pid, fed", [("", None, False), ("abc", None, False), ("0", None, False), ("1000", "1", False), ("1000", None, True)]
)
def test_a_watchdog_that_is_not_there_or_another_process_s_is_not_fed(manager_socket, tmp_path, monkeypatch, usec, pid, fed):
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", usec)
    monkeypatch.setenv("WATCHDOG_PID", pid or str(os.getpid()))
    ServiceManager().alive()
    assert (messages(manager_socket) == ["WATCHDOG=1"]) == fed


def test_an_abstract_socket_is_understood(monkeypatch):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(f"\0bolotip-test-{os.getpid()}")
        monkeypatch.setenv("NOTIFY_SOCKET", f"@bolotip-test-{os.getpid()}")
        ServiceManager().ready()
        assert messages(s) == ["READY=1"]


@pytest.mark.parametrize("address", ["", "/nowhere/notify"])
def test_without_a_manager_nothing_happens(address, monkeypatch):
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    ServiceManager().ready()
    ServiceManager().alive("x")


UNIT = ROOT / "hw_notes" / "bolotip.service"


def test_the_unit_s_command_line_is_one_that_bolotip_takes():
    (command,) = [line for line in UNIT.read_text().splitlines() if line.startswith("ExecStart=")]
    program, *arguments = command.removeprefix("ExecStart=").split()
    assert program.endswith("/bin/bolotip")
    parsed = make_parser().parse_args(arguments)
    assert parsed.wait and parsed.rig.is_absolute() and parsed.out.is_absolute()
    assert str(parsed.status) == "/run/bolotip", "its RuntimeDirectory"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path):
    unit = tmp_path / "bolotip.service"
    unit.write_text(UNIT.read_text().replace("/opt/bolotip/bin/bolotip", "/bin/true"))
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, timeout=30)
    assert (done.returncode, [line for line in done.stderr.splitlines() if "bolotip.service" in line]) == (0, [])


# --- the log


def warning(text: str) -> logging.LogRecord:
    return logging.LogRecord("bolotip", logging.WARNING, "", 0, text, (), None)


def test_in_a_file_a_line_has_its_time_once(monkeypatch):
    monkeypatch.setattr(sys, "stderr", stream := io.StringIO())
    log_handler().emit(warning("[load] port /dev/ttyUSB0: hung up"))
    stamp, text = stream.getvalue().rstrip("\n").split(" ", 1)
    assert time.strptime(stamp, "%Y-%m-%dT%H:%M:%SZ") and text == "[load] port /dev/ttyUSB0: hung up"


def test_in_the_journal_a_line_has_its_level_and_no_time(monkeypatch):
    here, there = socket.socketpair()  # the journal's end of stderr is a socket
    with here, there, os.fdopen(os.dup(here.fileno()), "w", buffering=1) as stream:
        status = os.fstat(stream.fileno())
        monkeypatch.setenv("JOURNAL_STREAM", f"{status.st_dev}:{status.st_ino}")
        monkeypatch.setattr(sys, "stderr", stream)
        log_handler().emit(warning("hung up"))
        there.settimeout(5.0)
        assert there.recv(100) == b"<4>hung up\n"


# --- the status page


def page(folder: Path) -> StatusPage:
    return StatusPage(folder, "rig.toml", lambda: "2031-05-06T07:08:09Z")


def test_a_number_that_is_none_is_left_out_of_the_status(tmp_path):
    status = page(tmp_path)
    status.see(dataclasses.replace(invented_row(7), noise_K=float("nan")))
    status.refresh(OK)

    def none(text: str) -> None:
        raise AssertionError(f"{text} is not JSON (RFC 8259)")

    last = json.loads((tmp_path / "status.json").read_text(), parse_constant=none)["last"]
    assert "noise_K" not in last and last["crack_mm"] == 12.9876


def test_status_tells_the_last_row_its_flags_in_words_and_who_waits(tmp_path):
    status = page(tmp_path / "status")
    status.see(invented_row(7))
    status.refresh([*OK, Part("link", "waiting", "No such file", {"waiting_rows": 3})])
    document = json.loads((tmp_path / "status" / "status.json").read_text())
    assert document["written_utc"] == "2031-05-06T07:08:09Z"
    assert document["last"]["seq"] == 7 and document["last"]["crack_mm"] == 12.9876
    assert "settling" in document["flags"] and document["flags"]["settling"].startswith("The lock-in")
    assert document["parts"][3] == {"name": "link", "state": "waiting", "fault": "No such file", "counts": {"waiting_rows": 3}}
    image = cv2.imread(str(tmp_path / "status" / "status.png"))
    assert image.shape == (HEIGHT, WIDTH, 3)
    assert sorted(p.name for p in (tmp_path / "status").iterdir()) == ["status.json", "status.png"]


def test_status_is_refreshed_by_news_soon_and_else_every_ten_seconds(tmp_path, monkeypatch):
    now, written = [0.0], []
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    status = page(tmp_path)
    status._write = lambda name, data: written.append((now[0], name))  # type: ignore[method-assign]
    for tenth in range(300):
        now[0] = tenth / 10
        if tenth == 130:
            status.see(invented_row(1))
        parts = OK if tenth < 250 else [Part("camera", "waiting"), *OK[1:]]
        status.refresh(parts)
    assert [t for t, name in written if name == "status.json"] == [0.0, 10.0, 13.0, 23.0, 25.0]


def test_a_full_or_missing_status_folder_costs_one_log_line_and_nothing_else(tmp_path, caplog):
    folder = tmp_path / "status"
    folder.write_text("a file in its place")
    status = page(folder)
    for _ in range(3):
        status.see(invented_row(1))
        status.refresh(OK, at_once=True)
    assert len(caplog.records) == 1 and "goes on without" in caplog.text
    folder.unlink()
    status.refresh(OK, at_once=True)
    assert len(caplog.records) == 2 and "works again" in caplog.text and (folder / "status.png").exists()


def test_a_full_file_system_leaves_the_status_before_it_whole(tmp_path, caplog):
    with mounted(tmp_path / "status", "-t", "tmpfs", "-o", "size=64k", "none") as folder:
        status = page(folder)
        status.see(invented_row(1))
        status.refresh(OK, at_once=True)
        before = (folder / "status.json").read_text()
        with pytest.raises(OSError):
            (folder / "filler").write_bytes(bytes(100_000))
        status.see(invented_row(2))
        status.refresh(OK, at_once=True)
        assert (folder / "status.json").read_text() == before and len(caplog.records) == 1
        assert not list(folder.glob(".*"))


def test_the_history_stays_bounded_and_spans_the_whole_test(tmp_path):
    status = page(tmp_path)
    for seq in range(5 * KEPT):
        status.see(invented_row(seq))
    cycles = [h[0] for h in status.history]
    assert len(cycles) <= KEPT and cycles[0] == 0 and cycles[-1] == 70 * (5 * KEPT - 1) and cycles == sorted(cycles)


PICTURES = {
    "nothing yet": (None, []),
    "one fix": (invented_row(1), [(70.0, 12.9, 0.01)]),
    "fixes without growth": (invented_row(1), [(70.0 * i, 12.9, 0.0) for i in range(50)]),
}


@pytest.mark.parametrize("row, history", PICTURES.values(), ids=PICTURES.keys())
def test_a_picture_can_be_drawn_of_whatever_there_is(row, history):
    image = cv2.imdecode(np.frombuffer(draw("rig.toml", "2031-05-06T07:08:09Z", row, history, OK), np.uint8), 1)
    assert image.shape == (HEIGHT, WIDTH, 3) and (image < 128).any()
