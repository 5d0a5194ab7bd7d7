"""The desk end of the link: over pty cables, with noise, half lines, flipped bits, lost ports and restarts."""

import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from links import Cable, invented_row, mounted

from calibration.door import GoneError, InputError
from edge import receive
from edge.record import LONGEST_ROW_BYTES, StopRequest, crc32_text, encode_row, header_line, read_records
from edge.sinks.wire import WireSink

ROOT = Path(__file__).parents[1]
HEADER = header_line().encode() + b"\n"


def row_bytes(n: int) -> bytes:
    return encode_row(invented_row(n)).encode() + b"\n"


def rows(*numbers: int) -> bytes:
    return b"".join(map(row_bytes, numbers))


def stored(folder: Path) -> list[int]:
    found = read_records(folder)
    assert not found.bad and found.torn is None
    return [row.seq for row in found.rows]


def take(folder: Path, *pieces: bytes) -> receive.Desk:
    with receive.Desk(folder) as desk:
        for piece in pieces:
            desk.take(piece)
    return desk


def tally(desk: receive.Desk) -> tuple[int, int, int, int]:
    return desk.counts.stored, desk.counts.lost, desk.counts.corrupt, desk.counts.duplicates


# --- what arrives


def test_rows_cut_anywhere_are_stored_as_they_were_sent(tmp_path):
    text = b"\n" + HEADER + rows(*range(5)) + HEADER + rows(5)
    desk = take(tmp_path, *(text[i : i + 7] for i in range(0, len(text), 7)))
    assert tally(desk) == (6, 0, 0, 0)
    assert (tmp_path / "records.csv").read_bytes() == HEADER + rows(*range(6))


def test_carriage_returns_that_something_on_the_way_adds_do_no_harm(tmp_path, capsys):
    stop = StopRequest(2, 7.5, 100).encode().encode() + b"\n"
    desk = take(tmp_path, (b"\n" + HEADER + rows(0, 1, 2) + stop + rows(3)).replace(b"\n", b"\r\n"))
    assert tally(desk) == (4, 0, 0, 0) and "stop request: crack 7.5" in capsys.readouterr().out
    assert (tmp_path / "records.csv").read_bytes() == HEADER + rows(*range(4))


def test_a_stop_request_is_told_and_not_stored(tmp_path, capsys):
    line = StopRequest(2, 12.9876, 140).encode().encode() + b"\n"
    desk = take(tmp_path, HEADER + rows(1, 2) + line + rows(3) + line.replace(b"12.", b"13.") + line)
    assert tally(desk) == (3, 0, 1, 0) and stored(tmp_path) == [1, 2, 3]
    out, err = capsys.readouterr()
    assert out.count("stop request: crack 12.988 mm at cycle 140 (seq 2)") == 2
    assert err.count("it is no safety device") == 1 and "stop request: crc32 is" in err


def test_a_listener_who_comes_late_misses_only_what_was_sent_before(tmp_path, capsys):
    desk = take(tmp_path, row_bytes(7)[100:] + rows(8, 9))
    assert tally(desk) == (2, 0, 1, 0) and stored(tmp_path) == [8, 9]
    assert "line 1 of the link, before the first row" in capsys.readouterr().err


def test_a_flipped_bit_anywhere_in_a_row_is_caught_and_the_row_named(tmp_path, capsys):
    chance = random.Random(5)
    for place in chance.sample(range(len(row_bytes(41)) - 1), 40):
        damaged = bytearray(row_bytes(41))
        damaged[place] ^= 1 << chance.randrange(8)
        folder = tmp_path / str(place)
        desk = take(folder, HEADER + rows(40) + damaged + rows(42))
        assert tally(desk) == (2, 1, 1, 0) and stored(folder) == [40, 42]
        said = capsys.readouterr().err
        assert "line 3 of the link, after seq 40: " in said and "seq 41 to 41 did not come" in said
        assert (folder / "receive.log").read_text() == said
    assert "crc32 is" in said and "; it says it is seq 41" in said


def test_lost_rows_are_counted_and_named(tmp_path, capsys):
    desk = take(tmp_path, HEADER + rows(3, 4, 9, 10, 12))
    assert tally(desk) == (5, 5, 0, 0)
    said = capsys.readouterr().err
    assert "seq 5 to 8 did not come" in said and "seq 11 to 11 did not come" in said


def test_rows_sent_twice_are_stored_once(tmp_path):
    desk = take(tmp_path, HEADER + rows(0, 1, 2, 1, 2, 3))
    assert tally(desk) == (4, 0, 0, 2) and stored(tmp_path) == [0, 1, 2, 3]


def test_a_sender_that_counts_from_the_start_again_is_not_taken_for_a_repeat(tmp_path, capsys):
    anew = encode_row(invented_row(0)).replace("2031-", "2032-").rpartition(",")[0]
    late = rows(2)  # once more out of a queue that was filled before
    desk = take(tmp_path, HEADER + rows(0, 1, 2) + f"{anew},{crc32_text(anew.encode())}\n".encode() + late)
    assert tally(desk) == (4, 0, 0, 1) and stored(tmp_path) == [0, 1, 2, 0]
    assert "seq goes back from 2 to 0" in capsys.readouterr().err


def test_a_sender_with_more_columns_begins_a_new_file(tmp_path):
    body = encode_row(invented_row(2)).rpartition(",")[0] + ",44"
    wide = HEADER.replace(b",crc32", b",humidity,crc32") + f"{body},{crc32_text(body.encode())}\n".encode()
    take(tmp_path, HEADER + rows(0, 1) + wide)
    assert (tmp_path / "records-1.csv").read_bytes() == HEADER + rows(0, 1)
    assert read_records(tmp_path).rows[0].extra == (("humidity", "44"),)
    desk = take(tmp_path, rows(3), wide.replace(b",44,", b",45,"))  # other columns than the stored header; damaged
    assert tally(desk) == (0, 0, 2, 0)


def test_a_restart_goes_on_and_counts_what_was_missed_meanwhile(tmp_path):
    take(tmp_path, HEADER + rows(0, 1, 2))
    desk = take(tmp_path, rows(1, 2, 3, 6))
    assert tally(desk) == (2, 2, 0, 2) and stored(tmp_path) == [0, 1, 2, 3, 6]


def test_damage_in_the_stored_file_is_named_by_row_at_the_start(tmp_path, capsys):
    take(tmp_path, HEADER + rows(0, 1, 2, 3))
    path = tmp_path / "records.csv"
    path.write_bytes(path.read_bytes().replace(b"1,2031", b"1,2035")[:-9])
    take(tmp_path, rows(3))
    said = capsys.readouterr().err
    assert "row 3: crc32 is" in said and "row 5: the row was torn" in said
    assert [row.seq for row in read_records(tmp_path).rows] == [0, 2, 3]


def test_a_day_of_noise_writes_less_than_two_megabytes_of_log(tmp_path, monkeypatch, capsys):
    """An hour of it, a message a second."""
    now_s = [0.0]
    monkeypatch.setattr("edge.receive.time.monotonic", lambda: now_s[0])
    notes = receive.Notes(tmp_path / receive.LOG_NAME)
    for now_s[0] in range(3600):
        notes.say("row 12345: crc32 is 9d3c1f02, may be 0a0b0c0d")
    log = (tmp_path / receive.LOG_NAME).read_text()
    assert 24 * len(log) < 2_000_000 and log == capsys.readouterr().err
    assert f"{600 - receive.NOTES} more messages were held back\n" in log


def test_noise_is_bounded_in_memory_and_in_messages(tmp_path, capsys):
    chance = random.Random(6)
    with receive.Desk(tmp_path) as desk:
        desk.take(HEADER)
        for n in range(200):
            for _ in range(2):
                desk.take(bytes(chance.choices(b"\x00\xffabc,", k=5000)))
                assert len(desk._unfinished) <= LONGEST_ROW_BYTES
            desk.take(b"the end of the noise\n" + rows(n))
    assert tally(desk) == (200, 0, 200, 0)
    assert len(capsys.readouterr().err.splitlines()) <= 2 * receive.NOTES  # ten minutes may end meanwhile


@settings(max_examples=100, deadline=None)
@given(st.lists(st.binary(max_size=30) | st.sampled_from([b"\n", b",", b"seq,", HEADER, HEADER[:50], rows(0)[:90]])))
def test_no_noise_is_stored_or_stops_the_receiver(pieces):
    with tempfile.TemporaryDirectory() as folder:
        desk = take(Path(folder), HEADER, *pieces, b"\n", rows(1), rows(2))
        assert desk.counts.stored == 2 and stored(Path(folder)) == [1, 2]


def test_a_restart_on_a_long_file_holds_no_more_of_it_than_it_needs(tmp_path):
    take(tmp_path, HEADER)
    with (tmp_path / "records.csv").open("ab") as f:
        f.write(rows(*range(8000)))
    tracemalloc.start()
    desk = take(tmp_path, rows(7999, 5600, 8000))
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert tally(desk) == (1, 0, 0, 2) and peak_bytes < 5e6


# --- over a cable


@pytest.fixture
def cable(tmp_path):
    return Cable(tmp_path / "port")


def heeding_hang_ups() -> None:
    """Although these tests may run under nohup."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


@pytest.fixture
def start(request):
    """Starts `bolotip receive` with the given arguments and waits until it listens; ends it with the test."""

    def start(*arguments: object, listening: Path | None = None, **streams: object) -> subprocess.Popen:
        command = subprocess.Popen(
            [sys.executable, "-c", "import sys; from edge.cli import main; sys.exit(main())", "receive"]
            + [str(a) for a in arguments],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "preexec_fn": heeding_hang_ups, **streams},
            text=True,
        )
        request.addfinalizer(command.kill)
        if listening:
            wait_for(lambda: count(listening) > 0)
        return command

    return start


def wait_for(condition, timeout_s: float = 10.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "did not happen in time"
        time.sleep(0.02)


def count(folder: Path) -> int:
    path = folder / "records.csv"
    return path.read_bytes().count(b"\n") if path.exists() else 0


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_the_command_stores_what_the_sink_sends_and_ends_in_order(tmp_path, cable, start, number):
    sender = Cable(tmp_path / "sender")
    command = start(cable.port, tmp_path / "desk", listening=tmp_path / "desk")
    with WireSink(str(sender.port)) as wire:
        for n in range(60):
            wire.write_row(invented_row(n))
            cable.write(sender.read_to(n))
    wait_for(lambda: count(tmp_path / "desk") == 61)
    command.send_signal(number)
    out, err = command.communicate(timeout=5)
    assert command.returncode == 0 and err == ""
    assert out.splitlines()[-1] == ("60 rows stored, 0 lost, 0 corrupt lines, 0 sent twice, port reopened 0 times")
    assert out.splitlines()[1] == "seq 0  crack 12.988 mm  delay_far_field settling"
    assert stored(tmp_path / "desk") == list(range(60))


@pytest.mark.parametrize("streams", [("stdout",), ("stdout", "stderr")], ids=" and ".join)
@pytest.mark.parametrize("gone", [True, False], ids=["reader gone", "disk full"])
def test_rows_are_stored_although_nobody_can_be_told_of_them(tmp_path, cable, start, streams, gone):
    reader, writer = os.pipe()
    with open("/dev/full", "w") as full:
        command = start(cable.port, tmp_path / "desk", listening=tmp_path / "desk", **dict.fromkeys(streams, writer if gone else full))
    os.close(writer)
    os.close(reader)
    cable.write(HEADER + rows(0, 1) + b"noise\n" + rows(2))
    wait_for(lambda: count(tmp_path / "desk") == 4)
    command.terminate()
    command.communicate(timeout=5)
    assert command.returncode == 0 and stored(tmp_path / "desk") == [0, 1, 2]


def test_nohup_is_obeyed(tmp_path, cable, start):
    ignoring = {"preexec_fn": lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN)}
    command = start(cable.port, tmp_path / "desk", listening=tmp_path / "desk", **ignoring)
    command.send_signal(signal.SIGHUP)
    cable.write(HEADER + rows(0))
    wait_for(lambda: count(tmp_path / "desk") == 2)
    command.terminate()
    assert command.wait(5) == 0


def test_rows_that_never_reached_the_card_are_told_and_no_success(tmp_path, cable, capsys):
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=4k", "tmpfs") as folder:
        thread, result = run_in_thread(str(cable.port), folder, seconds=1.0)
        wait_for(lambda: count(folder) == 1)
        cable.write(HEADER + rows(*range(20)))  # 6 kB, into one block
        thread.join()
        on_card = len(stored(folder))
    assert result == [3] and 0 < on_card < 20
    assert f"{on_card} rows stored" in (said := capsys.readouterr().out) and said.endswith(f", {20 - on_card} not written\n")


def test_rows_that_wait_for_room_when_the_sender_changes_its_columns_are_not_told_as_stored(tmp_path):
    body = encode_row(invented_row(20)).rpartition(",")[0] + ",44"
    wide = HEADER.replace(b",crc32", b",humidity,crc32") + f"{body},{crc32_text(body.encode())}\n".encode()
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=4k", "tmpfs") as folder, receive.Desk(folder) as desk:
        desk.take(HEADER + rows(*range(20)))
        waiting = desk.unwritten
        assert waiting > 0
        desk.take(wide)
        assert desk.unwritten >= waiting + 1


def test_a_receiver_killed_in_mid_row_goes_on_where_it_was(tmp_path, cable, start):
    first = start(cable.port, tmp_path / "desk", listening=tmp_path / "desk")
    cable.write(HEADER + rows(0, 1) + row_bytes(2)[:100])
    wait_for(lambda: count(tmp_path / "desk") == 3)
    first.kill()
    first.communicate()
    second = start(cable.port, tmp_path / "desk", "--seconds", "2.5")
    assert second.stdout.readline() == "listening on " + str(cable.port) + "\n"
    cable.write(row_bytes(2)[100:] + rows(3))
    out, _ = second.communicate(timeout=10)
    assert second.returncode == 0 and "1 row stored, 1 lost, 1 corrupt line," in out
    assert stored(tmp_path / "desk") == [0, 1, 3]


def test_a_port_that_is_missing_at_the_start_is_one_line_and_exit_2(tmp_path, start):
    command = start(tmp_path / "nothing", tmp_path / "desk")
    out, err = command.communicate(timeout=10)
    assert command.returncode == 2 and out == ""
    assert err.count("\n") == 1 and "nothing" in err and "Traceback" not in err
    assert not (tmp_path / "desk").exists()


def run_in_thread(*arguments: object, **settings: object) -> tuple[threading.Thread, list[object]]:
    result: list[object] = []

    def target() -> None:
        try:
            result.append(receive.main(*arguments, **settings))
        except Exception as e:
            result.append(e)

    thread = threading.Thread(target=target, daemon=True)
    thread.start()
    return thread, result


def test_a_port_that_comes_back_is_taken_up_again(tmp_path, cable, capsys):
    thread, result = run_in_thread(str(cable.port), tmp_path / "desk", seconds=2.5)
    wait_for(lambda: count(tmp_path / "desk") == 1)
    cable.write(HEADER + rows(0, 1) + row_bytes(2)[:50])
    wait_for(lambda: count(tmp_path / "desk") == 3)
    time.sleep(0.1)
    cable.unplug()
    time.sleep(0.5)
    cable.plug()
    wait_for(lambda: "is back" in (tmp_path / "desk" / "receive.log").read_text())
    cable.write(rows(2, 3))
    thread.join()
    said = capsys.readouterr()
    assert result == [0] and stored(tmp_path / "desk") == [0, 1, 2, 3]
    assert "4 rows stored, 0 lost, 1 corrupt line, 0 sent twice, port reopened 1 time\n" in said.out
    assert said.err.count("went away") == 1 and said.err.count("is back") == 1


def test_a_port_that_does_not_come_back_is_gone_for_good(tmp_path, cable, capsys):
    thread, result = run_in_thread(str(cable.port), tmp_path / "desk", gone_after_s=0.6)
    wait_for(lambda: count(tmp_path / "desk") == 1)
    cable.write(HEADER + rows(0))
    wait_for(lambda: count(tmp_path / "desk") == 2)
    cable.unplug()
    thread.join(10)
    assert isinstance(result[0], GoneError) and "gone for 0.6 s" in str(result[0])
    assert "1 row stored" in capsys.readouterr().out and stored(tmp_path / "desk") == [0]


def test_the_pauses_between_attempts_to_reopen_a_port_grow_to_a_limit(cable):
    with receive.Link(str(cable.port), 115200, gone_after_s=60.0) as link:
        cable.unplug()
        pauses_s = []
        for _ in range(8):
            with pytest.raises(OSError):
                link.read()
            pauses_s.append(link.wait_s)
        assert pauses_s == [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0, 5.0]
        cable.plug()
        assert link.read() == b"" and link.wait_s == 0.1


def test_two_receivers_do_not_share_a_port(tmp_path, cable):
    thread, result = run_in_thread(str(cable.port), tmp_path / "one", seconds=1.0)
    wait_for(lambda: count(tmp_path / "one") == 1)
    with pytest.raises(InputError, match="in use by another program"):
        receive.main(str(cable.port), tmp_path / "two")
    thread.join()
    assert result == [0]
