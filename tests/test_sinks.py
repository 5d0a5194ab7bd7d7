"""Card and wire with the real thing: small mounted cards that fill up or turn read-only, killed writers, pty cables."""

import contextlib
import errno
import fcntl
import logging
import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from links import Cable, invented_row, mounted

from calibration.door import InputError
from edge.record import COLUMNS, crc32_text, decode_row, encode_row, header_line, read_records
from edge.sinks.card import CardSink, thin_maps
from edge.sinks.wire import WireSink
from edge.spoken import LINES

ROOT = Path(__file__).parents[1]
KILLS = int(os.environ.get("BOLOTIP_KILLS", "20"))  # the long run takes 500


def seqs(folder: Path) -> list[int]:
    found = read_records(folder)
    assert not found.bad and found.torn is None
    return [row.seq for row in found.rows]


def fill(folder: Path, numbers: range, **settings: object) -> CardSink:
    with CardSink(folder, **settings) as card:
        for n in numbers:
            card.write_row(invented_row(n))
    return card


@contextlib.contextmanager
def fill_on(card: CardSink, numbers: range):
    with card:
        for n in numbers:
            card.write_row(invented_row(n))
        yield card


# --- the card in good order


def test_rows_are_on_the_card_and_synced_when_write_row_returns(tmp_path, monkeypatch):
    synced = []
    sync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: (synced.append(os.readlink(f"/proc/self/fd/{fd}")), sync(fd)))
    with CardSink(tmp_path / "new" / "out") as card:
        assert str(card.folder) in synced and str(card.folder.parent) in synced
        for n in range(3):
            synced.clear()
            card.write_row(invented_row(n))
            assert synced == [str(card.path)] and card.state == "ok"
            assert card.path.read_text().endswith(encode_row(invented_row(n)) + "\n")
    assert seqs(card.folder) == [0, 1, 2]


def test_a_restart_knows_the_last_row_even_where_the_rows_cannot_be_read_again(tmp_path):
    fill(tmp_path, range(4))
    with CardSink(tmp_path) as card:
        assert [r.seq for r in card.recalled(100)] == [0, 1, 2, 3]
        (tmp_path / "records.csv").write_bytes(b"\0" * 100)
        assert [r.seq for r in card.recalled(100)] == [3]
    assert CardSink(tmp_path / "new").recalled(100) == []


def test_a_restart_resumes_from_the_last_row_and_rewrites_nothing(tmp_path):
    fill(tmp_path, range(4))
    before = (tmp_path / "records.csv").read_bytes()
    card = fill(tmp_path, range(4, 6))
    assert (card.resume.seq, card.resume.cycles, card.resume.elapsed_s) == (3, 210, 30.0)
    assert (tmp_path / "records.csv").read_bytes().startswith(before) and seqs(tmp_path) == list(range(6))
    assert not (tmp_path / "records.torn").exists()


def test_a_new_folder_has_nothing_to_resume(tmp_path):
    assert fill(tmp_path, range(0)).resume is None
    assert (tmp_path / "records.csv").read_text() == header_line() + "\n"


# --- power cuts


def test_a_file_cut_anywhere_is_taken_up_again_and_the_rest_set_aside(tmp_path):
    whole = header_line() + "\n" + "".join(encode_row(invented_row(n)) + "\n" for n in range(3))
    for cut in {*range(0, len(whole) + 1, 13), *range(len(whole) - 12, len(whole) + 1)}:
        folder = tmp_path / f"cut-{cut}"
        folder.mkdir()
        (folder / "records.csv").write_text(whole[:cut])
        complete = max(0, whole[:cut].count("\n") - 1)
        card = fill(folder, range(7, 8))
        assert (card.resume.seq if card.resume else None) == (complete - 1 if complete else None)
        assert seqs(folder) == [*range(complete), 7]
        rest = whole[:cut].rpartition("\n")[2]
        torn = folder / "records.torn"
        assert (torn.read_text() if torn.exists() else "") == (rest + "\n" if rest else "")


@pytest.mark.parametrize(
    "rest", [b"\0" * 700, b"\0" * 200 + b"\n", b"3,2031-05-06T00:00:03Z,,,,12345678\n", b"\xff\xfe\n\n"]
)
def test_what_a_power_cut_left_after_the_last_valid_row_is_set_aside(tmp_path, rest, caplog):
    fill(tmp_path, range(3))
    with (tmp_path / "records.csv").open("ab") as f:
        f.write(rest)
    card = fill(tmp_path, range(3, 5))
    assert card.resume.seq == 2 and seqs(tmp_path) == list(range(5))
    assert (tmp_path / "records.torn").read_bytes().removesuffix(b"\n") == rest.removesuffix(b"\n")
    assert card.set_aside[0].line_number == 5 and "row 5" in caplog.text


def test_a_damaged_row_in_the_middle_stays_where_it_is_and_is_reported(tmp_path):
    fill(tmp_path, range(3))
    path = tmp_path / "records.csv"
    path.write_text(damaged := path.read_text().replace("1,2031", "1,2032", 1))
    card = fill(tmp_path, range(3, 4))
    assert [row.line_number for row in card.bad] == [3] and card.resume.seq == 2
    assert path.read_text().startswith(damaged)
    assert [row.seq for row in read_records(path).rows] == [0, 2, 3]


WRITER = """
import sys
from links import invented_row
from edge.sinks.card import CardSink
with CardSink(sys.argv[1]) as card:
    seq = card.resume.seq + 1 if card.resume else 0
    while True:
        card.write_row(invented_row(seq))
        print(seq, flush=True)
        seq += 1
"""


def test_a_writer_killed_at_random_instants_loses_no_row_it_had_reported(tmp_path):
    chance = random.Random(20310506)
    environment = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}"}
    reported = -1
    for _ in range(KILLS):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, env=environment, text=True
        )
        first = writer.stdout.readline()
        time.sleep(chance.uniform(0, 0.05))
        writer.kill()
        said = [int(line) for line in (first + writer.stdout.read()).split("\n")[:-1]]
        writer.wait()
        rows = [row.seq for row in read_records(tmp_path).rows]
        assert rows == list(range(len(rows))) and rows[-1] >= said[-1]  # at most one row more than was reported
        assert said[0] == reported + 1
        reported = rows[-1]
    assert reported >= KILLS


# --- files and folders that are something else


def test_a_file_with_other_columns_is_kept_and_still_resumed(tmp_path):
    kept = "humidity," + header_line() + "\n"
    body = "44," + encode_row(invented_row(8)).rpartition(",")[0]
    kept += f"{body},{crc32_text(body.encode())}\n"
    for number in (1, 2):
        (tmp_path / "records.csv").write_text(kept)
        assert fill(tmp_path, range(9, 10)).resume.seq == 8
        assert (tmp_path / f"records-{number}.csv").read_text() == kept and seqs(tmp_path) == [9]


def test_a_damaged_header_does_not_lose_the_count(tmp_path):
    fill(tmp_path, range(3))
    path = tmp_path / "records.csv"
    path.write_text(path.read_text().replace("crack_mm", "crack_lm", 1))
    assert fill(tmp_path, range(3, 4)).resume.seq == 2
    assert seqs(tmp_path) == [3] and [row.seq for row in read_records(tmp_path / "records-1.csv").rows] == [0, 1, 2]


def without_a_cell(line: str) -> str:
    body = line.rpartition(",")[0].replace("7.00012,", "", 1)
    return f"{body},{crc32_text(body.encode())}"


@pytest.mark.parametrize("header", ["", "\0" * 300 + "\n", "load_ratio,crack,crc32\n"], ids=["missing", "zeros", "another's"])
@pytest.mark.parametrize("rows", [1, 3])
def test_rows_whose_header_row_is_gone_are_still_counted_on_from(tmp_path, header, rows):
    fill(tmp_path, range(rows))
    path = tmp_path / "records.csv"
    path.write_text(kept := header + path.read_text().partition("\n")[2])
    card = fill(tmp_path, range(rows, rows + 1))
    assert card.resume.seq == rows - 1 and card.resume.cycles == 70 * (rows - 1)
    assert (tmp_path / "records-1.csv").read_text() == kept and seqs(tmp_path) == [rows]


def test_rows_of_other_columns_without_their_header_row_are_refused_in_one_line(tmp_path):
    path = tmp_path / "records.csv"
    path.write_text("".join(without_a_cell(encode_row(invented_row(n))) + "\n" for n in range(3)))
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"records.csv: row 1 .*; put back the header row, or give another folder$"):
        CardSink(tmp_path).open()
    assert path.read_bytes() == before


def test_a_folder_that_another_process_writes_to_is_refused(tmp_path, caplog):
    with CardSink(tmp_path) as first, pytest.raises(InputError, match="another process is writing records there"):
        first.write_row(invented_row(0))
        CardSink(tmp_path).open()
    assert caplog.text == "", "the refusal says it all"


def test_a_folder_that_cannot_be_one_is_refused_in_one_line(tmp_path):
    (tmp_path / "note").write_text("not a folder")
    for folder in (tmp_path / "note", tmp_path / "note" / "out"):
        with pytest.raises(InputError, match="cannot be written .*; give a folder") as caught:
            CardSink(folder).open()
        assert "\n" not in str(caught.value)


# --- full and read-only cards


def made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def test_rows_wait_while_the_card_is_full_and_are_written_when_room_returns(tmp_path, caplog):
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=64k", "tmpfs") as folder:
        with CardSink(folder, longest_wait_s=0.0) as card:
            card.write_row(invented_row(0))
            filler = folder / "filler"
            filler.write_bytes(bytes(44 * 1024))
            for n in range(1, 200):
                card.write_row(invented_row(n))
                rows = seqs(folder)  # valid at every moment, whatever part of a row had fitted
                assert rows == list(range(len(rows))) and len(rows) + card.waiting_rows == n + 1
            assert card.state == "waiting" and 10 < card.waiting_rows < 190
            assert caplog.text.count("No space left on device") == 1
            filler.unlink()
            card.write_row(invented_row(200))
            assert card.state == "ok" and card.dropped == 0
        assert seqs(folder) == list(range(201))


def test_memory_is_bounded_while_the_card_is_full_and_dropped_rows_are_counted(tmp_path, caplog):
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=4k", "tmpfs") as folder:
        (folder / "filler").write_bytes(bytes(4096))
        with CardSink(folder, queue_rows=10, longest_wait_s=0.0) as card:
            for n in range(25):
                card.write_row(invented_row(n))
            assert (card.waiting_rows, card.dropped, card.state) == (10, 15, "waiting")
            (folder / "filler").unlink()
            card.pump()
            assert seqs(folder) == [0, *range(16, 25)]
    assert "15 rows not written" in caplog.text


def test_a_vain_attempt_is_not_repeated_at_each_row(tmp_path):
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=4k", "tmpfs") as folder:
        (folder / "filler").write_bytes(bytes(4096))
        with CardSink(folder, longest_wait_s=60.0) as card:
            (folder / "filler").unlink()
            card.write_row(invented_row(0))
            assert card.state == "waiting"  # half a second has not passed yet
        assert seqs(folder) == [0]  # close tries once more


def test_rows_wait_while_the_card_is_read_only_after_a_fault_and_while_it_is_changed(tmp_path):
    image = tmp_path / "image"
    image.write_bytes(bytes(4_000_000))
    if subprocess.run(["mkfs.ext4", "-q", str(image)], capture_output=True).returncode:
        pytest.skip("no mkfs.ext4 here")
    arguments = ("-o", "loop,errors=remount-ro", str(image))
    with mounted(tmp_path / "card", *arguments) as folder, CardSink(folder, longest_wait_s=0.0) as card:
        card.write_row(invented_row(0))
        subprocess.run(["mount", "-o", "remount,abort", str(folder)], check=True)
        for n in (1, 2):
            card.write_row(invented_row(n))
        assert card.state == "waiting" and card.waiting_rows == 2 and seqs(folder) == [0]
        assert not card.write_maps(2, h1=np.zeros(3))
        subprocess.run(["umount", str(folder)], check=True)  # possible: no file is held open
        subprocess.run(["mount", *arguments, str(folder)], check=True)
        card.write_row(invented_row(3))
        assert card.state == "ok" and seqs(folder) == [0, 1, 2, 3]


def test_rows_do_not_go_into_the_empty_folder_that_a_card_leaves_when_it_is_pulled_out(tmp_path, caplog):
    arguments = ("-t", "tmpfs", "-o", "size=64k", "tmpfs")
    with mounted(tmp_path / "card", *arguments) as folder, CardSink(folder / "out", longest_wait_s=0.0) as card:
        card.write_row(invented_row(0))
        os.close(card._fd)  # as if the reader had lost it: a mounted card can only be taken away with its file closed
        card._fd = os.open(os.devnull, os.O_RDONLY)
        subprocess.run(["mount", "--move", str(folder), str(made(tmp_path / "aside"))], check=True)
        card.write_row(invented_row(1))
        card.write_row(invented_row(2))
        assert (card.state, card.waiting_rows) == ("waiting", 2) and not (folder / "out").exists()
        assert "the card is not mounted any more" in str(card.fault) and not card.write_maps(2, h1=np.zeros(3))
        subprocess.run(["mount", "--move", str(tmp_path / "aside"), str(folder)], check=True)
        card.write_row(invented_row(3))
        assert card.state == "ok" and seqs(folder / "out") == [0, 1, 2, 3]
        assert caplog.text.count("rows wait in memory") == 1


@pytest.mark.parametrize("at_start", [True, False], ids=["mounted at the start", "mounted later"])
def test_a_card_mounted_below_a_file_system_in_memory_is_missed_too(tmp_path, at_start):
    """As below /run/media: what it leaves is on neither its own nor the system's disk."""
    arguments = ("-t", "tmpfs", "-o", "size=64k", "tmpfs")
    with mounted(tmp_path / "run", *arguments) as memory, contextlib.ExitStack() as later:
        folder = memory / "card"
        if at_start:
            later.enter_context(mounted(folder, *arguments))
        with CardSink(folder, longest_wait_s=0.0) as card:
            if not at_start:
                later.enter_context(mounted(folder, *arguments))
            card.write_row(invented_row(0))
            card.pump()  # the file that was open at first is another by now
            assert seqs(folder) == [0]
            later.close()  # lazily unmounted, with its file open
            kept = sorted(p.name for p in folder.iterdir())
            for n in (1, 2):
                card.write_row(invented_row(n))
            assert card.waiting_rows == 2 and "not mounted any more" in str(card.fault)
            assert sorted(p.name for p in folder.iterdir()) == kept
            assert not at_start or kept == []
            with mounted(folder, *arguments):
                card.write_row(invented_row(3))
                assert card.state == "ok" and seqs(folder) == [1, 2, 3]


def test_a_restart_on_a_full_card_still_resumes(tmp_path):
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=16k", "tmpfs") as folder:
        fill(folder, range(5))
        with contextlib.suppress(OSError), (folder / "filler").open("wb", buffering=0) as f:
            while True:
                f.write(bytes(512))
        with CardSink(folder, longest_wait_s=0.0) as card:
            assert card.resume.seq == 4
            for n in range(5, 30):
                card.write_row(invented_row(n))
            assert card.state == "waiting"
            (folder / "filler").unlink()
        assert seqs(folder) == list(range(30))


@pytest.mark.parametrize("cut_fails", [False, True])
def test_a_row_whose_sync_failed_stands_in_the_file_once(tmp_path, monkeypatch, cut_fails):
    def fail(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with CardSink(tmp_path, longest_wait_s=0.0) as card:
        card.write_row(invented_row(0))
        with monkeypatch.context() as faulty:
            faulty.setattr(os, "fsync", fail)
            if cut_fails:
                faulty.setattr(os, "ftruncate", fail)
            card.write_row(invented_row(1))
            assert card.waiting_rows == 1 and seqs(tmp_path) == ([0, 1] if cut_fails else [0])
        card.write_row(invented_row(2))
        assert card.state == "ok"
    assert seqs(tmp_path) == [0, 1, 2]


CHANGES = {  # in place, under the open file: what is done to it, and the rows that are whole then
    "cut": (lambda f: f.truncate(f.seek(0, 2) - 60), [0, 1]),
    "appended to": (lambda f: (f.seek(0, 2), f.write(b"12,half a li")), [0, 1, 2]),
    "emptied": (lambda f: f.truncate(0), []),
}


@pytest.mark.parametrize("change, kept", CHANGES.values(), ids=CHANGES)
def test_a_file_that_somebody_changes_in_place_still_gets_whole_rows_only(tmp_path, change, kept, caplog):
    with fill_on(CardSink(tmp_path, longest_wait_s=0.0), range(3)) as card:
        with card.path.open("r+b") as f:
            change(f)
        for n in (3, 4):
            card.write_row(invented_row(n))
        assert card.state == "ok" and caplog.text.count("somebody else has changed records.csv") == 1
    assert seqs(tmp_path) == [*kept, 3, 4]
    assert fill(tmp_path, range(0)).resume.seq == 4


# --- maps


def test_maps_are_kept_whole_beside_the_rows(tmp_path):
    h1 = np.arange(6, dtype=np.complex64).reshape(2, 3)
    with CardSink(tmp_path) as card:
        assert card.write_maps(12, h1=h1, mask=h1.real > 2, crack_mm=None, seq=12)
    with np.load(tmp_path / "maps-000012.npz", allow_pickle=False) as maps:
        assert maps["h1"].dtype == np.complex64 and np.array_equal(maps["h1"], h1)
        assert np.isnan(maps["crack_mm"]) and maps["seq"] == 12 and maps["mask"].dtype == bool


def test_old_maps_are_thinned_to_the_budget_and_records_never(tmp_path):
    with CardSink(tmp_path, budget_MB=0.2) as card:
        for n in range(60):
            card.write_row(invented_row(n))
            assert card.write_maps(n, h1=np.zeros(1000, np.complex64))
    kept = sorted(int(p.stem[5:]) for p in tmp_path.glob("maps-*.npz"))
    assert sum(p.stat().st_size for p in tmp_path.iterdir()) <= 0.2e6
    assert kept[0] == 0 and kept[-1] == 59 and len(kept) >= 8
    gaps = np.diff(kept)
    assert gaps[-3:].max() == 1 and gaps[: len(gaps) // 2].mean() > 2 * gaps[len(gaps) // 2 :].mean()
    assert seqs(tmp_path) == list(range(60))


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4, 5, 9])
def test_first_and_last_map_stay_whatever_the_budget(tmp_path, count):
    names = [f"maps-{n:06d}.npz" for n in [*range(999_999 - count + 1, 999_999), 1_000_000][-count:]] if count else []
    for name in names:
        (tmp_path / name).write_bytes(bytes(100))
    thin_maps(tmp_path, 0)
    assert {p.name for p in tmp_path.iterdir()} == {*names[:1], *names[-1:]}


def test_maps_leave_room_for_records_and_nothing_half_written(tmp_path, caplog):
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=8m", "tmpfs") as folder, CardSink(folder) as card:
        written = [card.write_maps(n, h1=np.zeros(125_000, np.complex64)) for n in range(6)]
        assert written == [True, True, True, False, False, False]  # 8.4 MB less 5 MB for records
        assert caplog.text.count("nearly full") == 1
        card.write_row(invented_row(0))
        assert card.state == "ok" and not list(folder.glob("*.part"))


def test_maps_that_were_half_written_when_power_failed_are_removed(tmp_path):
    (tmp_path / "maps-000003.part").write_bytes(b"PK")
    fill(tmp_path, range(1))
    assert not list(tmp_path.glob("*.part"))


# --- the wire


@pytest.fixture
def cable(tmp_path):
    return Cable(tmp_path / "port")


def rows_in(text: bytes) -> list[int]:
    lines = [line for line in text.decode().split("\n") if line and line != header_line()]
    return [decode_row(line).seq for line in lines]


def test_the_link_carries_the_header_at_once_and_again_every_50_rows(cable):
    with WireSink(str(cable.port)) as wire:
        text = b""
        for n in range(120):
            wire.write_row(invented_row(n))
            text += cable.read_to(n)
        assert wire.state == "ok"
    lines = text.decode().split("\n")
    assert lines[0] == "" and lines[-1] == "" and text.endswith(encode_row(invented_row(119)).encode() + b"\n")
    assert [i for i, line in enumerate(lines[1:]) if line == ",".join(COLUMNS)] == [0, 51, 102]
    assert rows_in(text) == list(range(120))


def test_a_line_that_takes_nothing_holds_nothing_up(cable):
    longest_s = 0.0
    with WireSink(str(cable.port)) as wire:
        for n in range(400):  # 110 kB, of which the cable takes about 20 kB unread
            start_s = time.perf_counter()
            wire.write_row(invented_row(n))
            longest_s = max(longest_s, time.perf_counter() - start_s)
        assert longest_s < 0.2 and wire.state == "waiting" and wire.waiting_rows > 300
        text = cable.read_to(399, wire.pump)
        assert wire.state == "ok"
    assert rows_in(text) == list(range(400)) and wire.dropped == 0


def test_rows_wait_while_the_port_is_lost_and_follow_when_it_returns(cable, caplog):
    with WireSink(str(cable.port), longest_wait_s=0.0) as wire:
        for n in range(3):
            wire.write_row(invented_row(n))
        assert rows_in(cable.read_to(2)) == [0, 1, 2]
        cable.unplug()
        for n in range(3, 8):
            wire.write_row(invented_row(n))
        assert wire.state == "waiting" and wire.waiting_rows == 5
        assert len([r for r in caplog.records if r.levelno >= logging.WARNING]) == 1
        cable.plug()
        wire.write_row(invented_row(8))
        text = cable.read_to(8)
        assert text.startswith(b"\n" + header_line().encode()) and rows_in(text) == [3, 4, 5, 6, 7, 8]
        assert wire.state == "ok"


def test_a_row_that_was_half_sent_when_the_port_was_lost_is_sent_again_whole(cable):
    with WireSink(str(cable.port), longest_wait_s=0.0) as wire:
        n = 0
        while not wire.waiting_rows:  # the last row is part in the cable, part not
            wire.write_row(invented_row(n))
            n += 1
        cable.unplug()
        wire.pump()
        cable.plug()
        wire.pump()
        assert rows_in(cable.read_to(n - 1)) == [n - 1]


def test_the_first_row_waiting_is_not_dropped_while_it_is_half_sent(cable):
    with WireSink(str(cable.port), queue_rows=5) as wire:
        for n in range(200):
            wire.write_row(invented_row(n))
        assert wire.waiting_rows == 5 and wire.dropped > 100
        text = cable.read_to(199, wire.pump)
    sent = rows_in(text)
    assert sent == sorted(sent) and len(sent) == 200 - wire.dropped and sent[-4:] == [196, 197, 198, 199]


def test_a_port_that_is_missing_at_the_start_may_be_plugged_in_later(tmp_path, cable):
    cable.unplug()
    with WireSink(str(cable.port), longest_wait_s=0.0) as wire:
        assert wire.state == "waiting"
        wire.write_row(invented_row(0))
        cable.plug()
        wire.pump()
        assert rows_in(cable.read_to(0)) == [0]


def test_close_waits_a_moment_for_a_slow_line_and_no_longer(cable, caplog):
    with WireSink(str(cable.port)) as wire:
        for n in range(200):
            wire.write_row(invented_row(n))
        assert wire.waiting_rows > 100
        start_s = time.monotonic()
    assert 0.9 < time.monotonic() - start_s < 2.0 and " rows not written" in caplog.text


def test_a_baud_rate_that_no_port_has_is_refused(cable):
    with pytest.raises(InputError, match="baud -5 cannot be set"):
        WireSink(str(cable.port), baud=-5).open()


def test_a_records_file_that_another_has_taken_the_place_of_is_noticed_and_taken_up(tmp_path):
    """As an editor or a copying program does it; then the whole folder goes."""
    with CardSink(tmp_path / "out") as card:
        card.open()
        for seq in range(3):
            card.write_row(invented_row(seq))
        text = card.path.read_bytes()
        (tmp_path / "new").write_bytes(text)
        (tmp_path / "new").replace(card.path)
        for seq in range(3, 6):
            card.write_row(invented_row(seq))
        card._retry_at_s = 0.0
        card.pump()
        assert [r.seq for r in read_records(card.path).rows] == list(range(6))
        shutil.rmtree(tmp_path / "out")
        for seq in range(6, 9):
            card.write_row(invented_row(seq))
        card._retry_at_s = 0.0
        card.pump()
    assert {6, 7, 8} <= {r.seq for r in read_records(tmp_path / "out").rows}


def test_a_records_file_with_the_line_ends_of_another_system_is_gone_on_with(tmp_path):
    with CardSink(tmp_path) as card:
        card.open()
        for seq in range(3):
            card.write_row(invented_row(seq))
    card.path.write_bytes(card.path.read_bytes().replace(b"\n", b"\r\n"))
    with CardSink(tmp_path) as again:
        again.open()
        assert again.resume is not None and again.resume.seq == 2
        again.write_row(invented_row(3))
    assert [r.seq for r in read_records(again.path).rows] == [0, 1, 2, 3]


def test_a_port_that_is_lost_while_it_is_opened_is_waited_for_at_any_baud_rate(tmp_path, monkeypatch):
    """An unusual rate is set by a request of its own; what pyserial says where that fails is no OSError."""
    cable, real = Cable(tmp_path / "port"), fcntl.ioctl
    with WireSink(str(cable.port), 250_000, longest_wait_s=0.0) as wire:
        wire.write_row(invented_row(0))
        wire._let_go(OSError(errno.EIO, "unplugged"))

        def hung_up(fd, request, *more):
            if request in (0x802C542A, 0x402C542B):  # TCGETS2, TCSETS2
                raise OSError(errno.EIO, "Input/output error")
            return real(fd, request, *more)

        with monkeypatch.context() as lost:
            lost.setattr(fcntl, "ioctl", hung_up)
            wire.write_row(invented_row(1))
        assert wire.state == "waiting" and wire.fault.errno == errno.EIO
        wire.pump()
        assert wire.state == "ok" and cable.read_to(1)


def test_a_plug_that_comes_and_goes_does_not_fill_the_log(tmp_path, caplog):
    cable = Cable(tmp_path / "port")
    with WireSink(str(cable.port), longest_wait_s=0.0) as wire:
        for _ in range(100):
            wire._let_go(OSError(errno.EIO, "unplugged"))
            wire.pump()
    assert len(caplog.records) <= LINES
