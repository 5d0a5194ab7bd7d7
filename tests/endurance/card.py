"""Trials of the card: kills, power cuts, full and read-only cards, budget, write load."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from links import Cable, invented_row, mounted

from edge.record import BadRow, decode_row, encode_row, read_records
from edge.sinks.card import CardSink
from endurance.place import (
    ENVIRONMENT,
    LOAD_HZ,
    Outcome,
    bolotip,
    chance,
    ext4_image,
    fill_up,
    recording,
    rows_on,
    tmpfs,
    wait_for,
    whole_and_in_order,
)

WRITER = """
import sys
from links import invented_row
from edge.sinks.card import CardSink
with CardSink(sys.argv[1]) as card:
    seq = card.resume.seq + 1 if card.resume else 0
    while True:
        card.write_row(invented_row(seq))
        sys.stdout.write(f"{seq}\\n")
        sys.stdout.flush()
        seq += 1
"""


def writer(folder: Path) -> subprocess.Popen:
    """The real card sink in a process of its own, as many rows a second as go; it reports each row once synced."""
    command = [sys.executable, "-c", WRITER, str(folder)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, env=ENVIRONMENT, text=True)


def reported(text: str) -> list[int]:
    return [int(line) for line in text.split("\n")[:-1]]  # the last may be half a line


def kills_of_the_writer(place: Path, count: int) -> Outcome:
    random, folder = chance(20310506), place / "out"
    lost = torn = wrong_start = rows = 0
    for _ in range(count):
        process = writer(folder)
        first = process.stdout.readline()
        time.sleep(random.uniform(0, 0.03))
        process.kill()
        said = reported(first + process.stdout.read())
        process.wait()
        found = read_records(folder)
        torn += found.torn is not None
        seqs = [r.seq for r in found.rows]
        lost += max(0, said[-1] - seqs[-1]) + (seqs != list(range(len(seqs)))) + len(found.bad)
        wrong_start += said[0] != rows
        rows = len(seqs)
    set_aside = (folder / "records.torn").exists()
    return Outcome(
        "process killed while it writes rows",
        f"SIGKILL at {count} random instants, 0–30 ms after a row, of a process that writes rows to the card sink without pause",
        f"{rows} rows, {lost} reported rows lost, {wrong_start} restarts with a wrong number; {torn} torn rows"
        f"{', set aside' if set_aside else ''}",
        lost == 0 and wrong_start == 0 and rows > count,
    )


def kills_of_the_program(place: Path, count: int) -> Outcome:
    rig, random = recording(place / "recording", 2000), chance(7)
    out = place / "recording" / "out"
    lost = bad_start = 0
    before = 0
    rows_before: list = []

    def measures(process: subprocess.Popen, rows: int) -> bool:
        return wait_for(lambda: rows_on(out) > rows + 1 or process.poll() is not None, 60.0)

    for _ in range(count):
        process = bolotip("run", rig)
        if not measures(process, before) or process.poll() is not None:
            process.kill()
            said = process.communicate()[1].strip().splitlines()
            return Outcome("program killed while it measures", "SIGKILL", f"no rows came: {said[-1:]}", False)
        time.sleep(random.uniform(0, 0.5))
        process.kill()
        said = [int(line.split()[0]) for line in process.stdout.read().split("\n")[:-1]]
        process.communicate()
        found = read_records(out)
        seqs = [r.seq for r in found.rows]
        lost += max(0, said[-1] - seqs[-1]) + (seqs != list(range(len(seqs)))) + len(found.bad)
        new, last = found.rows[before:], rows_before[-1] if rows_before else None
        if last is not None:
            first = new[0]
            rise = (first.cycles - last.cycles, (first.elapsed_s - last.elapsed_s) * LOAD_HZ)
            bad_start += "resumed" not in first.flags or abs(rise[0] - rise[1]) > 2 or rise[0] <= 0
        rows_before, before = found.rows, len(found.rows)
    return Outcome(
        "program killed while it measures",
        f"SIGKILL at {count} random instants, 0–0.5 s after a row, of `bolotip run` on a recording played as fast as it goes",
        f"{before} rows, {lost} printed rows lost, {bad_start} restarts that did not go on with number, cycles and running time",
        lost == 0 and bad_start == 0,
    )


def power_cuts(place: Path, count: int) -> Outcome:
    """What was not synced is lost: the file system's image is copied while the writer is stopped."""
    random, image, copy = chance(3), ext4_image(place / "image", 16), place / "copy"
    lost = unreadable = rows = 0
    for _ in range(count):
        with mounted(place / "card", "-o", "loop", str(image)) as card:
            process = writer(card / "out")
            first = process.stdout.readline()
            time.sleep(random.uniform(0, 0.05))
            process.send_signal(signal.SIGSTOP)
            shutil.copyfile(image, copy)
            process.kill()
            said = reported(first + process.stdout.read())
            process.wait()
            subprocess.run(["umount", str(card)], check=True)
        shutil.copyfile(copy, image)
        with mounted(place / "card", "-o", "loop", str(image)) as card:
            try:
                found = read_records(card / "out")
            except Exception:
                unreadable += 1
                continue
            seqs = [r.seq for r in found.rows]
            lost += max(0, said[-1] - seqs[-1]) + (seqs != list(range(len(seqs)))) + len(found.bad)
            rows = len(seqs)
            subprocess.run(["umount", str(card)], check=True)
    return Outcome(
        "power cut",
        f"{count} times: an ext4 card (loop image) copied at a random instant with the writer stopped, so that what was not "
        f"synced is lost; journal replayed at the next mount",
        f"{rows} rows, {lost} reported rows lost, {unreadable} unreadable files",
        lost == 0 and unreadable == 0 and rows > count,
    )


def full_card(place: Path) -> Outcome:
    """The whole program on a card that fills up, with the serial link."""
    cable = Cable(place / "port")
    rig = recording(place / "recording", 1200, {"records": {"serial_port": str(cable.port)}})
    with tmpfs(place / "card", "8m") as card:
        out = card / "out"
        process = bolotip("run", rig, "--out", out, stdout=subprocess.DEVNULL)
        on_wire = b""

        def pump(until) -> None:
            nonlocal on_wire
            end_s = time.monotonic() + 60
            while not until() and process.poll() is None and time.monotonic() < end_s:
                on_wire += cable.read(0.02)

        def on_the_wire() -> int:
            return on_wire.count(b"Z,")

        pump(lambda: rows_on(out) > 20)
        fill_up(card / "filler")
        at_full = rows_on(out)
        pump(lambda: on_the_wire() > at_full + 40)
        on_card_while_full, on_wire_while_full = rows_on(out), on_the_wire()
        (card / "filler").unlink()
        pump(lambda: rows_on(out) > on_card_while_full + 1)
        pump(lambda: False)
        _, errors = process.communicate()
        good, rows = whole_and_in_order(out)
        flagged = sum("card_full" in r.flags for r in read_records(out).rows)
        said = errors.count("No space left on device")
    return Outcome(
        "card full",
        "`bolotip run` with out folder on a mounted tmpfs of 8 MB that another file fills up, and emptied later; link on a pty",
        f"while full {on_wire_while_full - at_full} more rows on the link, {on_card_while_full - at_full} on the card; in the end "
        f"all {rows} rows on the card{'' if good else ', NOT whole and in order'}, {flagged} flagged card_full, {said} log lines of it",
        good and process.returncode == 0 and on_wire_while_full - at_full >= 40 and flagged > 0 and said <= 3,
    )


def read_only_card(place: Path) -> Outcome:
    """ext4 turns read-only by itself after a fault."""
    image = ext4_image(place / "image", 16)
    arguments = ("-o", "loop,errors=remount-ro", str(image))
    cable = Cable(place / "port")
    rig = recording(place / "recording", 1200, {"records": {"serial_port": str(cable.port)}})
    with mounted(place / "card", *arguments) as card:
        out = card / "out"
        process = bolotip("run", rig, "--out", out, stdout=subprocess.DEVNULL)
        on_wire, state, before, at_abort = b"", 0, 0, 0
        end_s = time.monotonic() + 90
        while process.poll() is None and time.monotonic() < end_s:
            on_wire += cable.read(0.02)
            if state == 0 and rows_on(out) > 20:
                subprocess.run(["mount", "-o", "remount,abort", str(card)], check=True)
                state, at_abort = 1, rows_on(out)
            elif state == 1 and on_wire.count(b"Z,") > at_abort + 40:
                before = rows_on(out)
                subprocess.run(["umount", str(card)], check=True)
                subprocess.run(["mount", *arguments, str(card)], check=True)
                state = 2
        _, errors = process.communicate()
        good, rows = whole_and_in_order(out)
    return Outcome(
        "card read-only after a fault",
        "`bolotip run` on an ext4 loop image with errors=remount-ro, aborted while rows are written, later unmounted and mounted "
        "again while the program runs",
        f"{before - at_abort} rows reached the card in between, 40 more the link; in the end all {rows} on the card"
        f"{'' if good else ', NOT whole and in order'}; {errors.count('rows wait in memory')} log lines",
        good and state == 2 and process.returncode == 0 and rows > at_abort + 40,
    )


def torn_tail(place: Path) -> Outcome:
    """A file cut at every byte of its last row, or ended by what a power cut leaves."""
    with CardSink(place / "whole") as card:
        for n in range(3):
            card.write_row(invented_row(n))
    whole = card.path.read_bytes()
    start = whole[:-1].rfind(b"\n") + 1
    wrong = tried = 0
    tails = [whole[start:cut] for cut in range(start + 1, len(whole))]
    tails += [bytes(700), b"\xff" * 512, bytes(200) + b"\n", whole[start : start + 40] + b"\n" + whole[start + 40 :]]
    for tail in tails:
        folder = place / str(tried)
        folder.mkdir()
        (folder / "records.csv").write_bytes(whole[:start] + tail)
        with CardSink(folder) as card:
            card.write_row(invented_row(2))
        tried += 1
        aside = (folder / "records.torn").read_bytes().removesuffix(b"\n")
        wrong += (folder / "records.csv").read_bytes() != whole or aside != tail.removesuffix(b"\n") or card.resume.seq != 1
        shutil.rmtree(folder)
    return Outcome(
        "last row torn",
        f"records.csv ended after each byte of its last row, and by zeros, ones and a row broken in two: {tried} files",
        f"{tried - wrong} times the tail in records.torn, the rows before untouched, the count resumed",
        wrong == 0,
    )


def link_pulled_out(place: Path) -> Outcome:
    cable = Cable(place / "port")
    rig = recording(place / "recording", 1200, {"records": {"serial_port": str(cable.port)}})
    out, on_wire, state, pulled_s = place / "out", b"", 0, 0.0
    process = bolotip("run", rig, "--out", out, stdout=subprocess.DEVNULL)
    before = during = 0
    end_s = time.monotonic() + 500
    while process.poll() is None and time.monotonic() < end_s:
        if state != 1:
            on_wire += cable.read(0.02)
        if state == 0 and on_wire.count(b"Z,") > 50:
            cable.unplug()
            state, pulled_s, before = 1, time.monotonic(), rows_on(out)
        elif state == 1 and time.monotonic() > pulled_s + 3.0:
            during = rows_on(out) - before
            cable.plug()
            state = 2
    while data := cable.read(0.2):
        on_wire += data
    _, errors = process.communicate()
    good, rows = whole_and_in_order(out)
    seqs = []
    for line in on_wire.split(b"\n"):
        with contextlib.suppress(BadRow):
            seqs.append(decode_row(line.decode("utf-8", "replace")).seq)
    return Outcome(
        "serial link pulled out",
        "`bolotip run` with the link's pty closed for 3 s and opened anew under its name",
        f"{during} rows on the card meanwhile; all {rows} there in the end, {len(set(seqs))} came over the link, "
        f"{len(seqs) - len(set(seqs))} twice; {errors.count('rows wait in memory')} log line",
        good and state == 2 and during > 0 and process.returncode == 0 and len(set(seqs)) > rows - 60 and seqs[-1] == rows - 1,
    )


def budget(place: Path) -> Outcome:
    folder = place / "out"
    with CardSink(folder, budget_MB=3.0) as card:
        for n in range(1500):
            card.write_row(invented_row(n))
            if n % 10 == 0:
                card.write_maps(n, h1=np.zeros(24_000, np.complex64))
    size_MB = sum(p.stat().st_size for p in folder.iterdir()) / 1e6
    kept = sorted(int(p.stem[5:]) for p in folder.glob("maps-*.npz"))
    good, rows = whole_and_in_order(folder)
    return Outcome(
        "more maps than the card's budget",
        "1,500 rows and 150 maps of 0.19 MB with budget_MB = 3",
        f"{size_MB:.2f} MB on the card, {len(kept)} maps left, from row {kept[0]} to row {kept[-1]}; all {rows} rows there",
        good and rows == 1500 and size_MB <= 3.0 and kept[0] == 0 and kept[-1] == 1490,
    )


def write_load(place: Path) -> Outcome:
    """Bytes of records and what the file system makes of them."""
    rows_a_day, n = 8640, 400
    with mounted(place / "card", "-o", "loop,noatime", str(ext4_image(place / "image", 64))) as card:
        device = next(line.split()[0] for line in Path("/proc/mounts").read_text().splitlines() if line.split()[1] == str(card))
        counter = Path("/sys/block") / Path(device).name / "stat"
        with CardSink(card / "out") as sink:
            sink.write_row(invented_row(0))
            os.sync()
            before, size = int(counter.read_text().split()[6]), sink.path.stat().st_size
            for k in range(1, n + 1):
                sink.write_row(invented_row(k))
            after, grown = int(counter.read_text().split()[6]), sink.path.stat().st_size - size
        subprocess.run(["umount", str(card)], check=True)
    device_MB, data_MB = (after - before) * 512 / n * rows_a_day / 1e6, grown / n * rows_a_day / 1e6
    longest = len(encode_row(invented_row(1_000_000))) + 1
    return Outcome(
        "wear of the card",
        f"{n} full rows to an ext4 loop image, file size and the device's written sectors counted, scaled to 8,640 rows a day",
        f"{data_MB:.2f} MB of records a day (rows of {grown / n:.0f} bytes, at most {longest}); with whole blocks and the journal "
        f"{device_MB:.0f} MB a day reach the device",
        data_MB <= 5.0,
    )


def trials(kills: int, program_kills: int) -> list:
    return [
        lambda p: kills_of_the_writer(p, kills),
        lambda p: kills_of_the_program(p, program_kills),
        lambda p: power_cuts(p, max(5, kills // 25)),
        torn_tail,
        full_card,
        read_only_card,
        link_pulled_out,
        budget,
        write_load,
    ]

