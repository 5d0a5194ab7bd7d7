"""What a command says to readers who pause, are gone, or were never there."""

import contextlib
import io
import os
import subprocess
import sys
from pathlib import Path

from edge import spoken

ROOT = Path(__file__).parents[1]


def lines(printer: spoken.Printer, numbers: range) -> None:
    for n in numbers:
        printer(f"row {n:090d}")


def test_a_reader_who_pauses_holds_up_nothing_and_gets_the_lines_later(monkeypatch):
    reader, writer = os.pipe()
    with open(writer, "w") as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        printer = spoken.Printer()
        lines(printer, range(1000))  # 95 kB into a pipe of 64 kB
        got = b""
        while printer.waiting:
            got += os.read(reader, 4096)
            printer.go_on()
        os.set_blocking(reader, False)
        while piece := read_some(reader):
            got += piece
    assert [int(line.split()[1]) for line in got.splitlines()] == list(range(1000))
    os.close(reader)


def read_some(fd: int) -> bytes:
    try:
        return os.read(fd, 65536)
    except BlockingIOError:
        return b""


def test_of_the_lines_that_wait_for_ever_the_newest_are_kept_and_the_end_is_not_held_up(monkeypatch):
    monkeypatch.setattr(spoken, "LAST_WORDS_S", 0.05)
    reader, writer = os.pipe()
    stream = os.fdopen(writer, "w")
    monkeypatch.setattr(sys, "stdout", stream)
    printer = spoken.Printer()
    lines(printer, range(3000))
    printer.end()
    assert len(printer.waiting) == spoken.MOST_LINES and str(printer.waiting[-1]).endswith("2999")
    os.close(reader)


def test_a_reader_who_is_gone_is_told_once_and_a_stream_that_is_no_file_has_room(monkeypatch, caplog):
    reader, writer = os.pipe()
    os.close(reader)
    monkeypatch.setattr(sys, "stdout", open(writer, "w"))
    printer = spoken.Printer()
    lines(printer, range(3))
    assert len(caplog.records) == 1 and not printer.reader
    assert spoken.has_room(io.StringIO())


def test_a_command_works_without_standard_streams(tmp_path):
    arguments = ["plan", str(ROOT / "tests" / "rigs" / "valid" / "every-key.toml")]
    program = f"import sys; sys.path.insert(0, {str(ROOT)!r}); from edge.cli import main; sys.exit(main({arguments}))"
    for closed in (">&-", "2>&-", ">&- 2>&-"):
        command = f"{sys.executable} -c \"$0\" {closed}"
        assert subprocess.run(["bash", "-c", command, program], cwd=tmp_path).returncode == 0


def test_of_more_lines_than_a_log_should_have_the_number_is_told(monkeypatch):
    now_s, said = [0.0], []
    monkeypatch.setattr(spoken.time, "monotonic", lambda: now_s[0])
    say = spoken.FewLines(said.append, 3, 60.0, "of them")
    for now_s[0] in range(0, 130, 10):
        say(f"at {now_s[0]} s")
    assert said == ["at 0 s", "at 10 s", "at 20 s", "3 more of them", "at 60 s", "at 70 s", "at 80 s", "3 more of them", "at 120 s"]


def test_a_log_on_a_full_disk_goes_on_when_there_is_room_again(tmp_path, monkeypatch):
    printer = spoken.Printer("stderr")
    full = open("/dev/full", "w")
    monkeypatch.setattr(sys, "stderr", full)
    printer("lost")
    with contextlib.suppress(OSError):  # it tries once more
        full.close()
    with open(tmp_path / "log", "w") as log:
        monkeypatch.setattr(sys, "stderr", log)
        printer("kept")
    assert (tmp_path / "log").read_text() == "kept\n"
