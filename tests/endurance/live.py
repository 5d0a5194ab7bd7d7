"""Trials of the live sources: `bolotip run` on pseudo-terminals, in real time, with an invented camera and load board."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
import zlib
from pathlib import Path

import numpy as np
from links import Cable

from edge.record import Row, read_records
from edge.sources.serial_frames import HEADER, SYNC, VERSION
from endurance.place import (
    ENVIRONMENT,
    LOAD_HZ,
    RATE_HZ,
    Outcome,
    images,
    rows_on,
    wait_for,
    whole_and_in_order,
    write_rig,
)

LOAD_RATE_HZ = 200
DELAY_S = 0.005  # from exposure to time stamp, as in the profile
OUTAGE_S = 10.0


class Bench(threading.Thread):
    """Sends frames and load lines as they fall due; what a wire does not take is lost, as on a real one."""

    def __init__(self, place: Path, bank: np.ndarray):
        super().__init__(daemon=True)
        self.camera, self.load = Cable(place / "camera"), Cable(place / "load")
        self.bank, self.other = bank, np.zeros((1, 48, 64), np.uint16)
        self.frames_on = self.load_on = True
        self.other_size = False
        self.garbled = 0.0  # share of messages that are damaged, and of places between them with noise
        self.held: list[tuple[Cable, bytes]] | None = None  # a stalled link: what waits
        self.random = random.Random(4)
        self.start_s = time.monotonic()
        self.ended = threading.Event()

    def run(self) -> None:
        frame = sample = 0
        while not self.ended.wait(0.004):
            now_s = time.monotonic() - self.start_s
            while frame / RATE_HZ + DELAY_S <= now_s:
                if self.frames_on:
                    self._send(self.camera, self._frame(frame))
                frame += 1
            while sample / LOAD_RATE_HZ <= now_s:
                if self.load_on:
                    self._send(self.load, self._line(sample / LOAD_RATE_HZ))
                sample += 1

    def _frame(self, n: int) -> bytes:
        counts = self.other[0] if self.other_size else self.bank[self.random.randrange(len(self.bank) // RATE_HZ) * RATE_HZ + n % RATE_HZ]
        payload = counts.astype("<u2").tobytes()
        head = HEADER.pack(SYNC, VERSION, 1, *counts.shape, 0, n, len(payload), round(1e6 * (n / RATE_HZ + DELAY_S)), 0)[:-4]
        head += zlib.crc32(head).to_bytes(4, "little")
        return head + payload + zlib.crc32(head + payload).to_bytes(4, "little")

    @staticmethod
    def _line(t: float) -> bytes:
        body = b"%.4f,%.4f" % (t, 4.8 + 4.2 * np.sin(2 * np.pi * LOAD_HZ * t))
        total = 0
        for byte in body:
            total ^= byte
        return body + b"*%02X\r\n" % total

    def _send(self, cable: Cable, data: bytes) -> None:
        if self.garbled and self.random.random() < self.garbled:
            damaged = bytearray(data)
            kind = self.random.randrange(3)
            if kind == 0:
                del damaged[self.random.randrange(len(damaged)) :]  # half a line
            elif kind == 1:
                damaged[self.random.randrange(len(damaged))] ^= 1 << self.random.randrange(8)
            else:
                damaged += self.random.randbytes(self.random.randrange(1, 300))
            data = bytes(damaged)
        if self.held is not None:
            self.held.append((cable, data))
        else:
            self._write(cable, data)

    @staticmethod
    def _write(cable: Cable, data: bytes) -> None:
        with contextlib.suppress(OSError):
            os.set_blocking(cable.far, False)
            os.write(cable.far, data)

    def let_go(self) -> None:
        """Everything that was held back, at once."""
        held, self.held = self.held or [], None
        for cable, data in held:
            self._write(cable, data)

    def pull(self, cable: Cable) -> None:
        self.frames_on &= cable is not self.camera
        self.load_on &= cable is not self.load
        time.sleep(0.02)
        cable.unplug()

    def put_back(self, cable: Cable) -> None:
        cable.plug()
        self.frames_on |= cable is self.camera
        self.load_on |= cable is self.load


LAUNCHER = """
import sys, time
from pathlib import Path
offset, true = Path(sys.argv.pop(1)), time.time
time.time = lambda: true() + float(offset.read_text() or 0)
from edge.cli import main
sys.exit(main())
"""


class Run:
    """A bench and the program on it."""

    def __init__(self, place: Path):
        self.place, self.out, self.offset = place, place / "out", place / "offset"
        self.offset.write_text("0")
        changes = {
            "load": {"source": "serial", "path": None, "port": str(place / "load")},
            "camera": {"source": "serial", "path": None, "times": None, "port": str(place / "camera")},
        }
        self.rig = write_rig(place, changes)
        self.bench = Bench(place, images(self.rig, 8 * RATE_HZ))
        self.bench.start()
        self.log = (place / "log").open("w+")
        self.begin()

    def begin(self) -> None:
        command = [sys.executable, "-c", LAUNCHER, str(self.offset), "run", str(self.rig)]
        self.program = subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.DEVNULL, stderr=self.log)

    def __enter__(self) -> Run:
        return self

    def __exit__(self, *_: object) -> None:
        if self.program.poll() is None:
            self.program.kill()
            self.program.wait()
        self.bench.ended.set()
        self.bench.join()
        self.log.close()

    def rows(self) -> list[Row]:
        return read_records(self.out).rows if rows_on(self.out) else []

    def measures(self, timeout_s: float = 60.0) -> bool:
        """Wait until the newest row has a tip and no settling."""

        def good() -> bool:
            rows = self.rows()
            return bool(rows) and rows[-1].crack_mm is not None and "settling" not in rows[-1].flags

        return wait_for(good, timeout_s)

    def more_rows(self, count: int, timeout_s: float = 60.0) -> bool:
        before = rows_on(self.out)
        return wait_for(lambda: rows_on(self.out) >= before + count, timeout_s)

    def cpu_s(self) -> float:
        fields = Path(f"/proc/{self.program.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def memory_MB(self) -> float:
        """Median of two seconds: a fix takes some 15 MB for a moment."""
        from soak import resident_MB

        seen = []
        for _ in range(20):
            seen.append(resident_MB(self.program.pid, own_only=True))
            time.sleep(0.1)
        return float(np.median(seen))

    def end(self) -> tuple[list[Row], str, int]:
        """SIGTERM; rows, log and exit code."""
        self.program.send_signal(signal.SIGTERM)
        code = self.program.wait(30)
        self.log.seek(0)
        return self.rows(), self.log.read(), code


def cycles_off(rows: list[Row]) -> float:
    """Cycles counted from the first settled row to the last, less those of the load. nan: from one row to the next they
    went back."""
    rows = [r for r in rows if r.cycles is not None and r.elapsed_s is not None]
    first, last = rows[3], rows[-1]
    for a, b in zip(rows, rows[1:]):
        if b.cycles < a.cycles:
            print(f"cycles go back: {a.seq} {a.elapsed_s} {a.cycles}, then {b.seq} {b.elapsed_s} {b.cycles}", file=sys.stderr)
            return float("nan")
    return last.cycles - first.cycles - LOAD_HZ * (last.elapsed_s - first.elapsed_s)


def how_often(rows: list[Row], flag: str) -> int:
    return sum(flag in r.flags for r in rows)


def fault(
    place: Path, begin, end, name: str, how: str, flag: str, allowed: float = 2.0, lines: int = 4, estimated: bool = False
) -> Outcome:
    """Measure, `begin(run)` the fault, wait OUTAGE_S, `end(run)` it, wait until it measures again, and compare."""
    with Run(place) as run:
        if not run.measures():
            return Outcome(name, how, "it did not come to measure: " + run.log.name, False)
        run.more_rows(2)
        memory_MB, before = run.memory_MB(), rows_on(run.out)
        begin(run)
        cpu_s = run.cpu_s()
        time.sleep(OUTAGE_S)
        cpu_s = run.cpu_s() - cpu_s
        during = rows_on(run.out) - before
        end(run)
        run.more_rows(3)
        back = run.measures(60.0)
        run.more_rows(2)
        memory_MB = run.memory_MB() - memory_MB
        rows, log, code = run.end()
        whole, count = whole_and_in_order(run.out)
    off = cycles_off(rows)
    said = [line for line in log.splitlines() if line.strip()]
    result = (
        f"{during} rows during the fault, {how_often(rows, flag)} flagged {flag}"
        + (f", {how_often(rows, 'cycles_estimated')} cycles_estimated" if estimated else "")
        + f"; {'measured again' if back else 'DID NOT MEASURE AGAIN'}; cycles {off:+.1f} of {rows[-1].cycles}; processor "
        f"{100 * cpu_s / OUTAGE_S:.0f} % meanwhile, memory {memory_MB:+.1f} MB, {len(said)} log lines; {count} rows"
        f"{'' if whole else ' NOT whole and in order'}, exit {code}"
    )
    good = back and whole and code == 0 and abs(off) <= allowed and how_often(rows, flag) > 0 and memory_MB < 5
    good &= len(said) <= lines and cpu_s < 0.5 * OUTAGE_S and "Traceback" not in log
    if estimated:
        good &= how_often(rows, "cycles_estimated") > 0
    if not good:
        print("\n".join(said[-12:]), file=sys.stderr)
    return Outcome(name, how, result, bool(good))


def camera_pulled_out(place: Path) -> Outcome:
    how = f"pty of the frames closed for {OUTAGE_S:.0f} s and opened anew under its name"
    return fault(
        place,
        lambda r: r.bench.pull(r.bench.camera),
        lambda r: r.bench.put_back(r.bench.camera),
        "camera pulled out",
        how,
        "waiting_frames",
    )


def load_pulled_out(place: Path) -> Outcome:
    return fault(
        place,
        lambda r: r.bench.pull(r.bench.load),
        lambda r: r.bench.put_back(r.bench.load),
        "load board pulled out",
        f"pty of the load closed for {OUTAGE_S:.0f} s and opened anew; the load runs on",
        "waiting_load",
        estimated=True,
    )


def both_pulled_out(place: Path) -> Outcome:
    def begin(run: Run) -> None:
        run.bench.pull(run.bench.camera)
        run.bench.pull(run.bench.load)

    def end(run: Run) -> None:
        run.bench.put_back(run.bench.load)
        run.bench.put_back(run.bench.camera)

    how = f"both ptys closed for {OUTAGE_S:.0f} s and opened anew; the load runs on"
    return fault(place, begin, end, "camera and load board pulled out", how, "waiting_frames", lines=8, estimated=True)


def camera_silent(place: Path) -> Outcome:
    def set_on(on: bool):
        def call(run: Run) -> None:
            run.bench.frames_on = on

        return call

    return fault(
        place, set_on(False), set_on(True), "camera silent", f"no frame for {OUTAGE_S:.0f} s, port open", "waiting_frames"
    )


def garbage(place: Path) -> Outcome:
    def garble(share: float):
        def call(run: Run) -> None:
            run.bench.garbled = share

        return call

    how = f"for {OUTAGE_S:.0f} s one in ten frames and load lines is cut short, has a flipped bit, or is followed by noise"
    return fault(place, garble(0.1), garble(0.0), "garbage and half lines on both wires", how, "lost")


def links_stall(place: Path) -> Outcome:
    def begin(run: Run) -> None:
        run.bench.held = []

    how = f"both links hold everything back for {OUTAGE_S:.0f} s, then deliver what their buffers hold at once"
    return fault(place, begin, lambda r: r.bench.let_go(), "links stall", how, "waiting_frames", allowed=3, lines=8)


def program_stalls(place: Path) -> Outcome:
    how = f"SIGSTOP to the program for {OUTAGE_S:.0f} s, then SIGCONT; what the ports cannot hold is lost"
    return fault(
        place,
        lambda r: r.program.send_signal(signal.SIGSTOP),
        lambda r: r.program.send_signal(signal.SIGCONT),
        "board stalls",
        how,
        "frames_gap",
        allowed=3,
        lines=8,
    )


def other_camera(place: Path) -> Outcome:
    def begin(run: Run) -> None:
        run.bench.pull(run.bench.camera)
        run.bench.other_size = True
        run.bench.put_back(run.bench.camera)

    def end(run: Run) -> None:
        run.bench.pull(run.bench.camera)
        run.bench.other_size = False
        run.bench.put_back(run.bench.camera)

    how = f"pty closed, for {OUTAGE_S:.0f} s frames of 48 × 64 instead of 24 × 32 on a new one, then the first camera again"
    return fault(place, begin, end, "camera replaced by another size", how, "waiting_frames", lines=6)


def clock_stepped(place: Path) -> Outcome:
    name = "calendar clock stepped by hours"
    how = "the program's own time.time() moved by +5 h, then by -9 h, while it runs (the machine's clock is shared and was left alone)"
    with Run(place) as run:
        if not run.measures():
            return Outcome(name, how, "it did not come to measure", False)
        for hours in (5, -4):
            run.offset.write_text(str(3600 * hours))
            run.more_rows(3)
        rows, log, code = run.end()
        whole, count = whole_and_in_order(run.out)
    off, steps = cycles_off(rows), np.diff([r.elapsed_s for r in rows])
    flagged = how_often(rows, "clock_step")
    result = f"{flagged} rows flagged clock_step; cycles {off:+.1f}, rows {steps[2:-1].min():.2f} to {steps[2:-1].max():.2f} s apart"
    good = code == 0 and whole and flagged == 2 and abs(off) <= 2 and steps.max() < 3.5 and "Traceback" not in log
    return Outcome(name, how, result + f"; {count} rows, exit {code}", bool(good))


def killed_and_restarted(place: Path) -> Outcome:
    name = "program killed, load runs on"
    how = "SIGKILL while it measures, started again 15 s later"
    with Run(place) as run:
        if not run.measures():
            return Outcome(name, how, "it did not come to measure", False)
        run.more_rows(2)
        run.program.kill()
        run.program.wait()
        before = len(run.rows())
        time.sleep(15.0)
        run.begin()
        run.more_rows(3)
        back = run.measures()
        rows, log, code = run.end()
        whole, count = whole_and_in_order(run.out)
    off, first = cycles_off(rows), rows[before]
    result = (
        f"goes on with seq {first.seq}, flags {' '.join(f for f in first.flags if f in ('resumed', 'cycles_estimated'))}; cycles "
        f"{off:+.1f} of {rows[-1].cycles} ({LOAD_HZ} a second; time_utc has whole seconds); {count} rows, exit {code}"
    )
    estimated = how_often(rows[before:], "cycles_estimated")
    good = back and whole and code == 0 and abs(off) <= 1.5 * LOAD_HZ and "resumed" in first.flags and estimated > 0
    return Outcome(name, how, result, bool(good and "Traceback" not in log))


def trials() -> list:
    return [
        camera_pulled_out,
        load_pulled_out,
        both_pulled_out,
        camera_silent,
        garbage,
        links_stall,
        program_stalls,
        other_camera,
        clock_stepped,
        killed_and_restarted,
    ]
