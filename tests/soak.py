"""Soak: days of frames through the real loop in accelerated time, with faults throughout. Not part of the suite.

    python tests/soak.py                                 10 million frames of 32 x 24
    python tests/soak.py --size 120 160 --frames 1e6     the larger camera
    python tests/soak.py ... --note hw_notes/endurance.md   puts the figures there

Frames come from a bank that the simulated bench made once (noise chosen anew for each frame), so that the loop and not
the bench is what takes the time; load, loop, lock-in, fits, card and wire are the real ones. The card is a small tmpfs
(root needed; else a folder), the wire a pty. Time runs as fast as the loop does. Everything shown is invented.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import logging
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(name, "1")
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

import numpy as np  # noqa: E402
from endurance.table import put_section, table  # noqa: E402
from links import Cable  # noqa: E402
from recordings import toml  # noqa: E402

from edge.bench_camera import BenchCamera  # noqa: E402
from edge.record import Row, read_records  # noqa: E402
from edge.rig import load_rig  # noqa: E402
from edge.run import run_sources  # noqa: E402
from edge.sources.base import EndOfSource, Frame, FrameSource, LoadSource  # noqa: E402
from edge.sources.simulated import bench_from_rig  # noqa: E402

RATE_HZ, LOAD_HZ, EVERY_S = 25, 7, 60.0
BINS = RATE_HZ  # load phases at which frames are exposed: 7 Hz and 25 Hz come round every second
LOAD_RATE_HZ = 200
BANK = {True: 4000, False: 1000}  # images, for small and for large frames
MEAN_KN, AMPLITUDE_KN = 4.8, 4.2
FULL_S = 1.5  # real time for which the card stays full
KEPT = ("elapsed_s", "cycles", "crack_mm", "crack_sd_mm", "dKI_MPa_sqrt_m", "dKI_sd", "T_MPa", "T_sd", "noise_K", "contact_length_mm")

# every so many seconds, from when, for how long; all whole seconds, so that load and frames stay in step
PAUSE = (3600, 1500, 20)  # the load stands still
AWAY = (3600, 2700, 30)  # the camera is silent, the load goes on
SHUTTER = (600, 300, 1)  # the image stands still, then has other offsets
STALL = (600, 410, 10)  # frames and their arrivals come all at once at the end
FULL_EVERY_S, FULL_FROM_S = 14400, 5000


def within(second: int, fault: tuple[int, int, int]) -> bool:
    every, start, length = fault
    return start <= second % every < start + length


def paused_s(time_s: np.ndarray | float) -> np.ndarray:
    """Seconds up to `time_s` in which the load stood still."""
    every, start, length = PAUSE
    whole, rest = np.divmod(np.asarray(time_s, float), every)
    return whole * length + np.clip(rest - start, 0, length)


class RecycledFrames(FrameSource):
    """`total` frame periods. Counts what it did to them: lost, copied."""

    def __init__(self, bank: np.ndarray, still: np.ndarray, total: int, seed: int, filler: Filler):
        self.bank, self.still, self.total, self.filler = bank, still, total, filler
        self.random = np.random.default_rng(seed)
        self.number = self.lost = self.copied = self.away = self.stalls = 0
        self.second = -1
        self.last, self.image = bank[0], (True, -1)
        self.late_s = np.zeros(BINS)
        self.choice = np.zeros(BINS, int)
        self.lose = np.zeros(BINS, bool)
        self.mode = ""

    def _next_second(self, second: int) -> None:
        before, self.second = self.mode, second
        self.mode = next((m for m, f in MODES.items() if within(second, f)), "")
        self.late_s = 0.002 * np.abs(self.random.standard_normal(BINS))
        self.lose = self.random.random(BINS) < 0.002
        images = len(self.still) if self.mode == "pause" else len(self.bank) // BINS
        self.choice = self.random.permutation(images)[:BINS]  # never the same image twice in a row
        if self.mode == "shutter" and before != "shutter":
            self.last = self.last.copy()
        if before == "shutter" and self.mode != "shutter":  # new offsets; what waits in the loop are copies of `last`
            step = self.random.integers(-3, 4, self.bank.shape[1:])
            middle = int(np.median(self.bank[0]))
            step -= np.sign(self.bank[0].astype(int) - middle) * (abs(self.bank[0].astype(int) - middle) > 3000)
            for images_ in (self.bank, self.still):
                images_ += step.astype(np.int16).view(np.uint16)
        if before == "stall" and self.mode != "stall":
            self.stalls += 1
        self.filler.at(second)

    def read(self, timeout_s: float) -> Frame | None:
        """EndOfSource after `total` periods."""
        while True:
            number = self.number
            if number >= self.total:
                raise EndOfSource
            self.number += 1
            second, i = divmod(number, RATE_HZ)
            if second != self.second:
                self._next_second(second)
            if self.mode == "away":
                self.away += 1
                continue
            if self.lose[i] and self.mode == "":
                self.lost += 1
                continue
            arrival = number / RATE_HZ + 0.005 + self.late_s[i]
            if self.mode == "stall":
                every, start, length = STALL
                arrival = second - (second % every) + start + length + 1e-4 * (number % (RATE_HZ * length))
            if self.mode == "shutter":
                self.copied += 1
                return Frame(number, arrival, self.last)
            image = (self.mode == "pause", self.choice[i] if self.mode == "pause" else self.choice[i] * BINS + i)
            self.copied += image == self.image  # by chance
            self.image, self.last = image, (self.still if image[0] else self.bank)[image[1]]
            return Frame(number, arrival, self.last)


MODES = {"pause": PAUSE, "away": AWAY, "shutter": SHUTTER, "stall": STALL}


class SteadyLoad(LoadSource):
    """The load in pieces of a second or more, as a wire brings it."""

    def __init__(self, seconds: float):
        self.seconds, self.next_s, self.random = int(seconds), 0, np.random.default_rng(7)

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        end = min(int(until_s), self.seconds)
        if end <= self.next_s:
            return np.empty(0), np.empty(0)
        t = np.arange(self.next_s * LOAD_RATE_HZ, end * LOAD_RATE_HZ) / LOAD_RATE_HZ
        self.next_s, self.ended = end, end >= self.seconds
        still = np.isin(t // 1, [s for s in range(int(t[0]), end) if within(s, PAUSE)])
        phase = 2 * np.pi * LOAD_HZ * t  # pauses last whole seconds, so whole cycles are left out
        return t, MEAN_KN + AMPLITUDE_KN * np.sin(phase) * ~still + 0.004 * self.random.standard_normal(t.size)


class Filler:
    """Fills the card now and then, and makes room again after FULL_S of real time."""

    def __init__(self, folder: Path, is_card: bool):
        self.path, self.is_card, self.times, self.full_since_s = folder / "filler", is_card, 0, 0.0

    def at(self, second: int) -> None:
        if self.is_card and second % FULL_EVERY_S == FULL_FROM_S and not self.full_since_s:
            self.times, self.full_since_s = self.times + 1, time.monotonic()
            with contextlib.suppress(OSError), self.path.open("wb", buffering=0) as f:
                for size in (65536, 512):
                    with contextlib.suppress(OSError):
                        while True:
                            f.write(bytes(size))
        elif self.full_since_s and time.monotonic() - self.full_since_s > FULL_S:
            self.path.unlink(missing_ok=True)
            self.full_since_s = 0.0


class Watch:
    """What is kept of each row, in room set aside beforehand; the resident memory beside it."""

    def __init__(self, rows: int, cable: Cable, frames: RecycledFrames, every: int = 200):
        self.rows, self.values = 0, np.full((rows + 10, len(KEPT)), np.nan)
        self.memory_MB = np.zeros((rows + 10, 2))  # resident, own
        self.cable, self.frames, self.every, self.wire_rows, self.start_s = cable, frames, every, 0, time.monotonic()
        self.lost = self.copies = 0
        self.flags: dict[str, int] = {}
        self.last: Row | None = None

    def tell(self, row: Row) -> None:
        self.values[self.rows] = [np.nan if (v := getattr(row, name)) is None else v for name in KEPT]
        self.memory_MB[self.rows] = resident_MB(), resident_MB(own_only=True)
        self.rows += 1
        self.lost += row.lost or 0
        self.copies += row.repeated or 0
        for flag in row.flags:
            self.flags[flag] = self.flags.get(flag, 0) + 1
        self.last = row
        while data := self.cable.read():
            self.wire_rows += data.count(b"Z,")  # once a row, in its time
        if self.rows % self.every == 0:
            done, spent = self.frames.number, time.monotonic() - self.start_s
            print(
                f"{done:>9d} frames, {done / spent:.0f}/s, {self.memory_MB[self.rows - 1].round(2)} MB, "
                f"crack {row.crack_mm} ± {row.crack_sd_mm} mm, cycles {row.cycles}",
                flush=True,
            )


def resident_MB(pid: int | str = "self", own_only: bool = False) -> float:
    """Resident memory. own_only: without files, and with what was swapped out (a machine short of memory takes back pages
    of libraries and brings them again, which is no growth of the program)."""
    with open(f"/proc/{pid}/status") as f:
        kB = {name: int(rest.split()[0]) for name, rest in (line.split(":") for line in f if line.endswith("kB\n"))}
    return (kB["RssAnon"] + kB["VmSwap"] if own_only else kB["VmRSS"]) * 1024 / 1e6


def rig_file(folder: Path, rows: int, columns: int, port: Path) -> Path:
    """A rig whose bench has its crack a third across the image."""
    mm_per_px = 24.0 / columns
    tables = {
        "specimen": {"geometry": "MT", "width_mm": 60.0, "thickness_mm": 4.0, "notch_mm": 6.0, "material": "mild steel"},
        "load": {"source": "simulated", "frequency_hz": float(LOAD_HZ)},
        "camera": {"source": "simulated", "rows": rows, "columns": columns, "frame_rate_hz": float(RATE_HZ)}
        | {"counts_per_K": 100.0, "zero_K": 0.0, "profile": "camera.toml"},
        "view": {"mm_per_px": mm_per_px, "datum_px": [rows / 2, 0.1 * columns]},
        "lockin": {"memory_s": 60.0, "harmonics": 2},
        "records": {"every_s": EVERY_S, "maps_every_s": 7200.0, "budget_MB": 3.0, "serial_port": str(port)},
    }
    profile = {"tau_s": 0.010, "readout_s": 0.012, "frame_delay_s": 0.005, "counts_per_K": 100.0, "netd_K": 0.05}
    profile |= {"tau_sd_s": 1e-4, "readout_sd_s": 1e-4, "frame_delay_sd_s": 1e-4}
    (folder / "camera.toml").write_text(toml(profile))
    (folder / "rig.toml").write_text(toml(tables))
    return folder / "rig.toml"


def make_bank(rig, images: int) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Images (n, rows, columns) at the load phases of frame numbers 0..n-1; some of the load at rest; true crack in mm
    and delta K. The crack does not grow."""
    bench = bench_from_rig(rig, camera={"drift_K_per_h": 0.0, "arrival_jitter_s": 0.0})
    truth = bench.truth(0.0)
    scene = bench.scene(truth)
    camera = BenchCamera(bench.bench.camera, bench.wave, bench.bench.rows, bench.bench.columns, seed=3)
    camera.look(scene, 0.0)
    bank = np.stack([camera.shoot(i).counts for i in range(images)])
    at_rest = dataclasses.replace(bench.wave, pause_from_s=0.0, pause_to_s=1e9)
    still_camera = BenchCamera(bench.bench.camera, at_rest, bench.bench.rows, bench.bench.columns, seed=3)
    still_camera.look(scene, 0.0)
    still = np.stack([still_camera.shoot(i).counts for i in range(100)])
    return bank, still, truth.crack_mm, truth.delta_K_MPa_sqrt_m


@contextlib.contextmanager
def small_card(folder: Path):
    """A mounted tmpfs of 12 MB where that is possible; tells which."""
    folder.mkdir()
    mounted = os.geteuid() == 0 and not subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(folder)], capture_output=True
    ).returncode
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(folder)], check=False)


def soak(rows: int, columns: int, total: int) -> tuple[list[tuple[str, str]], bool]:
    """Run; (what, figure) pairs, and whether all is as it should be."""
    with tempfile.TemporaryDirectory() as place, small_card(Path(place) / "card") as is_card:
        folder, cable = Path(place), Cable(Path(place) / "port")
        rig = load_rig(rig_file(folder, rows, columns, cable.port))
        bank, still, crack_mm, dK = make_bank(rig, BANK[rows * columns < 4000])
        frames = RecycledFrames(bank, still, total, 5, Filler(folder / "card", is_card))
        watch = Watch(int(total / RATE_HZ / EVERY_S) + 1, cable, frames)
        started, cpu = time.monotonic(), time.process_time()
        run_sources(rig, frames, SteadyLoad(total / RATE_HZ), folder / "card" / "out", watch.tell)
        wall, cpu = time.monotonic() - started, time.process_time() - cpu
        while data := cable.read():
            watch.wire_rows += data.count(b"Z,")
        stored = read_records(folder / "card" / "out")
        maps = len(list((folder / "card" / "out").glob("maps-*.npz")))
        seqs = [r.seq for r in stored.rows]
        whole = seqs == list(range(watch.rows)) and not stored.bad and stored.torn is None
        return judge(watch, frames, len(seqs), whole, maps, crack_mm, dK, wall, cpu, is_card)


def judge(watch, frames, seq, whole, maps, crack_mm, dK, wall, cpu, is_card) -> tuple[list[tuple[str, str]], bool]:
    n, v = watch.rows, watch.values[: watch.rows]
    tenth = max(3, n // 10)
    memory = watch.memory_MB[:n]
    drift, own = np.median(memory[-tenth:], axis=0) - np.median(memory[tenth : 2 * tenth], axis=0)
    span = float(np.ptp(memory[tenth:, 1]))
    done = frames.number  # fewer than asked for where it was ended by Ctrl-C or SIGTERM
    seconds = done / RATE_HZ
    true_cycles = LOAD_HZ * float(seconds - paused_s(seconds))
    counted = int(v[-1, KEPT.index("cycles")])
    good = [drift < 2.0, own < 2.0, whole, abs(counted - true_cycles) <= 2, watch.lost >= frames.lost, watch.copies == frames.copied]
    stalls = f"those of {frames.stalls} stalls of {STALL[2]} s are among them"
    part = "" if done == frames.total else f"; ended early, {frames.total:,} were asked for"
    size = f"{frames.bank.shape[1]} × {frames.bank.shape[2]} pixels"
    order = "all whole and in order" if whole else "NOT whole or in order"
    out = [
        ("frames", f"{done:,} of {size}, {seconds / 86400:.2f} days at {RATE_HZ} a second{part}"),
        ("took", f"{wall / 60:.1f} min; {cpu / 60:.1f} min of processor, {1e6 * cpu / done:.0f} µs a frame, fits and all"),
        ("resident memory", f"{memory[tenth, 0]:.1f} MB after a tenth, {memory[-1, 0]:.1f} MB at the end"),
        ("its drift", f"{drift:+.2f} MB from the second tenth to the last (limit 2); without files, with swap {own:+.2f} MB"),
        ("its span", f"{span:.2f} MB between lowest and highest since the first tenth, without files, with swap"),
        ("records", f"{n} rows; {seq} on the card, {order}; {watch.wire_rows} on the wire; {maps} maps left by the budget"),
        ("cycles", f"{counted:,} counted, {true_cycles:,.0f} true; {LOAD_HZ * float(paused_s(seconds)):,.0f} more without the pauses"),
        ("frames lost", f"{frames.lost} one by one, {watch.lost} counted ({stalls})"),
        ("shutter", f"{frames.copied} frozen frames, {watch.copies} counted as copies, new offsets after each event"),
        ("card full", f"{frames.filler.times} times" if is_card else "not tried: no card could be mounted"),
        ("camera away", f"{frames.away} frame periods in silences of {AWAY[2]} s"),
    ]
    for name, sd_name, unit, true in (
        ("crack_mm", "crack_sd_mm", "mm", crack_mm),
        ("dKI_MPa_sqrt_m", "dKI_sd", "MPa√m", dK),
        ("T_MPa", "T_sd", "MPa", None),
        ("noise_K", None, "K", None),
        ("contact_length_mm", None, "mm", None),
    ):
        column = v[:, KEPT.index(name)]
        start, end = column[2 : 2 + tenth], column[-tenth:]
        start, end = start[np.isfinite(start)], end[np.isfinite(end)]
        if min(start.size, end.size) < 3:
            good.append(abs(start.size - end.size) <= 4 * np.sqrt(start.size + end.size))  # of counts that are rare
            out.append((name, f"determined in {start.size} rows of the first tenth, {end.size} of the last"))
            continue
        change = float(end.mean() - start.mean())
        sd = float(np.hypot(start.std() / np.sqrt(len(start)), end.std() / np.sqrt(len(end))))
        good.append(abs(change) < 4 * sd + 1e-9)
        told = f", mean sd told {np.nanmean(v[:, KEPT.index(sd_name)]):.3g}, scatter {np.nanstd(column[2:]):.3g}" if sd_name else ""
        known = f", true {true:.4g}" if true is not None else ""
        means = f"first tenth {start.mean():.5g}, last tenth {end.mean():.5g} {unit}"
        out.append((name, f"{means}: change {change:+.2g} ± {sd:.1g}{known}{told}"))
    flags = ", ".join(f"{k} {c}" for k, c in sorted(watch.flags.items(), key=lambda i: -i[1]))
    return out + [("flags, and in how many rows", flags)], all(good)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, nargs=2, default=(24, 32), metavar=("ROWS", "COLUMNS"))
    parser.add_argument("--frames", type=float, default=1e7, metavar="N")
    parser.add_argument("--note", type=Path, metavar="FILE.md", help="put the figures into this note")
    a = parser.parse_args()
    logging.basicConfig(level=logging.ERROR)
    figures, good = soak(*a.size, int(a.frames))
    text = table(("figure", "value"), figures) + f"\nVerdict: {'as it should be' if good else 'NOT as it should be'}.\n"
    print(text)
    if a.note:
        put_section(a.note, f"Soak, {a.size[1]} × {a.size[0]}", text)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
