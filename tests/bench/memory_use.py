"""Resident memory in steady state above a process that imports numpy, opencv and numba and runs one cached kernel."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from bench.common import Line, recording

ROOT = Path(__file__).resolve().parents[2]
MOST_MB = {(192, 256): 20.0, (480, 640): 60.0}
STATUS = """
import json, os, sys
def status():
    lines = dict(line.split(":", 1) for line in open("/proc/self/status"))
    return [int(lines[k].split()[0]) / 1024 for k in ("VmRSS", "VmHWM", "RssFile")] + [int(lines["Threads"])]
"""
FLOOR = STATUS + """
import numpy, cv2, numba
from numba import njit
@njit(cache=True)
def one(a):
    for i in range(a.size):
        a[i] += 1
one(numpy.zeros(8, numpy.float32))
print(json.dumps([status()]))
"""
LOOP = STATUS + """
from pathlib import Path
from edge.rig import load_rig
from edge.run import run_sources
from edge.sources.opening import open_sources
rig = load_rig(Path(sys.argv[1]))
frames, load = open_sources(rig)
seen, read = [], frames.read
def counted(timeout_s):
    frame = read(timeout_s)
    if frame is not None and frame.number % 100 == 60:  # well after a row
        seen.append(status())
    return frame
frames.read = counted
run_sources(rig, frames, load, Path(sys.argv[2]), status=Path(sys.argv[3]) if len(sys.argv) > 3 else None)
print(json.dumps(seen))
"""


def child(script: Path, *arguments: str) -> list[list[float]]:
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    env |= dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"), "1")
    done = subprocess.run([sys.executable, str(script), *arguments], env=env, check=True, capture_output=True, text=True)
    values: list[list[float]] = json.loads(done.stdout.splitlines()[-1])
    return values


def measure() -> Iterator[Line]:
    with tempfile.TemporaryDirectory() as folder:
        floor, loop = Path(folder) / "floor.py", Path(folder) / "loop.py"
        floor.write_text(FLOOR)
        loop.write_text(LOOP)
        child(floor)  # compiles; the next one loads it from the cache
        subprocess.run([sys.executable, "-m", "edge.cli", "warm-up"], cwd=ROOT, check=True, capture_output=True)
        floor_MB, _, floor_file_MB, _ = child(floor)[0]
        yield Line("memory of a process with numpy, opencv, numba and one cached kernel, the floor", f"{floor_MB:.0f} MB")

        def above(what: str, most: float, rig: Path, *status: str) -> Iterator[Line]:
            seen = child(loop, str(rig), tempfile.mkdtemp(dir=folder), *status)
            steady, _, of_files, threads = max(seen[len(seen) // 2 :])
            yield Line(
                f"{what} (highest ever: {seen[-1][1] - floor_MB:+.0f} MB)",
                f"{steady - floor_MB:+.1f} MB",
                f"≤ {most:g} MB, one thread",
                steady - floor_MB <= most and threads == 1,
            )
            yield Line("… of that pages of libraries' files, as program", f"{of_files - floor_file_MB:+.1f} MB")

        for shape, most in MOST_MB.items():
            size = f"{shape[1]}×{shape[0]}"
            rig = recording(Path(folder) / f"rec{shape[0]}", shape, 40)
            cv2.imwrite(str(rig.parent / "bad.png"), np.zeros(shape, np.uint8))
            with (rig.parent / "camera.toml").open("a") as profile:
                profile.write('bad_pixels = "bad.png"\n')
            yield from above(f"the loop at {size} above it, between fixes; OpenCV is not imported", most, rig)
            status = tempfile.mkdtemp(dir=folder)
            yield from above(f"… at {size} with a status page", most, rig, status)
