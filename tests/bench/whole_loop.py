"""The whole loop from a recording: share of the bare kernel's frame rate, and what a 25 frames/s camera takes."""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from bench import kernel
from bench.common import Line, microseconds, paired, recording
from edge.lockin_kernel import GROUP
from edge.loop import Loop
from edge.record import Row
from edge.rig import Rig, load_rig
from edge.run import run_rig
from edge.sources.base import EndOfSource
from edge.sources.opening import open_sources

SHAPE, LARGE = (192, 256), (480, 640)
LEAST_SHARE, MOST_LOAD = 0.40, 0.03


def run(rig: Rig) -> tuple[float, float, int, int]:
    """Processor time of the frames and of the rows, s; frames; rows. What comes before the first frame is not in it."""
    in_rows, in_all, row, whole = [0.0], [0.0], Loop.write_row, Loop.run

    def timed(function: Callable[..., None], times: list[float]) -> Callable[..., None]:
        def call(*arguments: object, **more: object) -> None:
            start = time.process_time()
            function(*arguments, **more)
            times.append(time.process_time() - start)

        return call

    Loop.write_row, Loop.run = timed(row, in_rows), timed(whole, in_all)  # type: ignore[method-assign]
    rows: list[Row] = []
    try:
        with tempfile.TemporaryDirectory() as folder:
            loop = run_rig(rig, Path(folder) / "out", rows.append)
    finally:
        Loop.write_row, Loop.run = row, whole  # type: ignore[method-assign]
    assert all(r.crack_mm is not None for r in rows)
    return sum(in_all) - sum(in_rows), sum(in_rows), loop.frames.next, len(rows)  # type: ignore[attr-defined]


def reading(rig: Rig) -> float:
    """Processor time of reading a frame and nothing else, s."""
    frames, load = open_sources(rig)
    with frames, load, contextlib.suppress(EndOfSource):
        count, start = 0, time.process_time()
        while True:
            frames.read(0.0)
            count += 1
    return (time.process_time() - start) / count


def measure(rounds: int = 5) -> Iterator[Line]:
    bare = {name: form for name, form in kernel.forms(SHAPE).items() if name in ("kernel", "copy", "one frame")}
    with tempfile.TemporaryDirectory() as folder:
        rig = load_rig(recording(Path(folder), SHAPE, 60))
        run(rig)  # caches and tables
        share, allowed, plain, load, frame_s, fix_s, read_s, kernel_s, plain_s = [], [], [], [], [], [], [], [], []
        for _ in range(rounds):
            t = paired(bare, calls=50, rounds=3)
            frames_s, rows_s, count, rows = run(replace(rig, records=replace(rig.records, maps_every_s=60.0)))
            frame_s.append(frames_s / count)
            fix_s.append(rows_s / rows)
            read_s.append(reading(rig))
            kernel_s.append(float(np.median(t["kernel"])) / GROUP)
            share.append(kernel_s[-1] / frame_s[-1])
            allowed.append(kernel.MOST_COPIES * float(np.median(t["copy"])) / frame_s[-1])
            plain_s.append(float(np.median(t["one frame"])))
            plain.append(plain_s[-1] / frame_s[-1])
            load.append(25 * frame_s[-1] + fix_s[-1] / 10)
    yield Line(
        f"whole loop at 256×192, no fix: {microseconds(np.array(frame_s))} a frame; of the bare kernel's frame rate",
        f"{np.median(share):.0%}",
        f"≥ {LEAST_SHARE:.0%}",
        bool(np.median(share) >= LEAST_SHARE),
    )
    left = np.array(kernel_s) / LEAST_SHARE - np.array(kernel_s) - np.array(read_s)
    yield Line(
        f"… where reading frames and nothing else takes {microseconds(np.array(read_s))} beside the kernel's "
        f"{microseconds(np.array(kernel_s))}; what that leaves of the time asked, for all the rest",
        microseconds(left),
    )
    yield Line(
        f"… of the frame rate of the same kernel with one frame a pass ({microseconds(np.array(plain_s))})",
        f"{np.median(plain):.0%}",
    )
    yield Line("… of the frame rate of a kernel just as slow as allowed, 1.3 copies", f"{np.median(allowed):.0%}")
    yield Line(
        f"a 25 frames/s camera with a row every 10 s ({np.median(fix_s) * 1e3:.0f} ms each), of one core",
        f"{np.median(load):.1%}",
        f"< {MOST_LOAD:.0%}",
        bool(np.median(load) < MOST_LOAD),
    )
    with tempfile.TemporaryDirectory() as folder:
        rig = load_rig(recording(Path(folder), LARGE, 20))
        large = [(f / n, r / m) for f, r, n, m in (run(rig) for _ in range(3))]
    frame, fix = (float(np.median(part)) for part in zip(*large, strict=True))
    yield Line(
        f"… 640×480 at 60 frames/s ({frame * 1e6:.0f} µs a frame, {fix * 1e3:.0f} ms a row)", f"{60 * frame + fix / 10:.1%}"
    )
