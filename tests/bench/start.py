"""Start: until the first frames are in the sums; --help."""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from bench.common import Line, recording

ROOT = Path(__file__).resolve().parents[2]
MOST_START_S, MOST_HELP_S = 1.5, 0.3
# `bolotip run`, which says when the first group of frames has gone through the kernel
UNTIL_FIRST = """
import os, sys
import edge.lockin
real = edge.lockin.LockIn.take_in
def first(self):
    real(self)
    print("in", flush=True)
    os._exit(0)
edge.lockin.LockIn.take_in = first
from edge.cli import main
sys.exit(main(["run", sys.argv[1], "--out", sys.argv[2]]))
"""


def seconds(command: list[str], rounds: int) -> tuple[float, float]:
    """Median wall time and processor time of the command."""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    wall, processor = [], []
    for _ in range(rounds):
        start, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, env=env, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        wall.append(time.monotonic() - start)
        processor.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(wall), statistics.median(processor)


def measure(rounds: int = 7) -> Iterator[Line]:
    with tempfile.TemporaryDirectory() as folder:
        rig = recording(Path(folder), (192, 256), 20)
        command = [sys.executable, "-c", UNTIL_FIRST, str(rig), str(Path(folder) / "out")]
        seconds(command, 1)  # the kernel's cache is warm then
        first_s, first_cpu_s = seconds(command, rounds)
    help_s, help_cpu_s = seconds([sys.executable, "-m", "edge.cli", "--help"], rounds)
    yield Line(
        "`bolotip run`, kernel cache warm, until the first frames are in the sums",
        f"{first_s:.2f} s ({first_cpu_s:.2f} s of processor)",
        f"< {MOST_START_S:g} s",
        first_s < MOST_START_S,
    )
    yield Line("`bolotip --help`", f"{help_s:.2f} s ({help_cpu_s:.2f} s of processor)", f"< {MOST_HELP_S:g} s", help_s < MOST_HELP_S)
