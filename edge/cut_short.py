"""Recordings whose files do not reach as far as each other: cut short, or still being copied.

Looked at before the start and without reading a file whole into numbers: lines are counted, times taken from the first
rows and the last.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from calibration.door import InputError, counted
from edge.rig import Rig
from edge.sources.csv_columns import CsvColumns

CYCLES = 3.0  # of the load or,
SLACK_S = 1.0  # where that is longer, so much at the end may lack its load: whoever stops two recorders by hand needs it
BLOCK = 1 << 20  # bytes, read at a time
TAIL = 4096  # bytes, in which the last whole rows stand


def frame_times(path: Path, frames: int, name: str, frame_rate_hz: float) -> float:
    """The last frame's time, s. InputError where rows end before the `frames` of the file `name` do."""
    rows, (first_s, last_s) = _rows(path), _ends(path, "time_s")
    if rows < frames:
        raise InputError(
            f"{path}: has {counted(rows, 'row')} for {counted(frames, 'frame')} in {name}; one row a frame is needed: ends at "
            f"{last_s:.6g} s, the frames go on to {first_s + (frames - 1) / frame_rate_hz:.6g} s; still being copied, or cut short?"
        )
    return last_s


def load(rig: Rig, path: Path, frames_end_s: float) -> Iterator[str]:
    """Whether the load samples in `path` end before the frames do."""
    last_s = _ends(path, "time_s")[1]
    if last_s < frames_end_s - max(SLACK_S, CYCLES / rig.load.frequency_hz):
        yield f"{path}: ends at {last_s:.6g} s, the frames go on to {frames_end_s:.6g} s; still being copied, or cut short?"


def _rows(path: Path) -> int:
    """Lines below the header; blank ones at the end are none."""
    lines, open_line = 0, False
    blank_since = 0
    with open(path, encoding="latin-1") as file:  # text: of whatever line ends
        while block := file.read(BLOCK):
            kept = block.rstrip()
            if kept:
                lines += blank_since + kept.count("\n")
                blank_since, open_line = 0, True
            blank_since += block[len(kept) :].count("\n")
    return lines + open_line - 1


def _ends(path: Path, name: str) -> tuple[float, float]:
    """First time and the latest of the last rows; what cannot be read there is the reader's to refuse."""
    first = next(CsvColumns(path, (name,), TAIL).chunks(), np.empty((0, 1)))
    with open(path, "rb") as file:
        head = file.read(TAIL).splitlines()[0]  # as of text files: of whatever line ends
        header = [cell.strip().strip(b'"') for cell in head.removeprefix(b"\xef\xbb\xbf").split(b",")]
        at = header.index(name.encode())
        file.seek(0, 2)
        file.seek(max(len(head), file.tell() - TAIL))
        lines = re.split(rb"\r\n?|\n", file.read())
    whole = lines if len(lines) < 3 else lines[1:-1]  # the outer two may be torn
    times = [float(first.max())] if first.size else []
    for line in whole:
        cells = line.split(b",")
        try:
            times.append(float(cells[at]))
        except (ValueError, IndexError):
            continue
    return (float(first[0, 0]) if first.size else 0.0), max(times, default=0.0)
