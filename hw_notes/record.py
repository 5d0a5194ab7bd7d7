"""Record what a rig's sources give, as a folder that calibrations and runs can read again.

    python hw_notes/record.py RIG.toml FOLDER --seconds 60

Writes FOLDER/frames.npy, frames.csv, load.csv (none where the rig has no load signal) and rig.toml. Frames go to the disk
as they come: 60 s of 160 x 120 pixels at 25 frames/s are 58 MB. Ctrl-C or SIGTERM ends
it early and keeps what came so far.
"""

import argparse
import json
import shutil
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

from calibration.door import InputError, read_toml
from edge.rig import load_rig
from edge.sources.base import EndOfSource
from edge.sources.opening import open_sources

NAMES = ("frames.npy", "frames.csv", "load.csv", "rig.toml")
LONGEST_S = 86400.0
SILENT_S = 10.0  # how much longer a camera is waited for
SPARE = 1.2  # room for a camera that is faster than its nominal rate


def record(rig_path: Path, folder: Path, seconds: float, stop: threading.Event) -> int:
    """Records for `seconds`, or until `stop`; returns the number of frames. InputError: a folder that has any of NAMES already,
    a source that won't open, not one frame."""
    if not 0 < seconds <= LONGEST_S:
        raise InputError(f"--seconds: is {seconds:g}, may be above 0 and up to {LONGEST_S:g}")
    rig = load_rig(rig_path, check_files=False)
    document = read_toml(rig_path)
    for name in NAMES:
        if (folder / name).exists():
            raise InputError(f"{folder / name}: is there already; name a new folder")
    most = int(SPARE * seconds * rig.camera.frame_rate_hz) + 10
    shape = (most, rig.camera.rows, rig.camera.columns)
    count, start, begun_s = 0, None, time.monotonic()
    frames, load = open_sources(rig)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise InputError(f"{folder}: no folder can be made there ({e.strerror}); name another") from None
    needed, free = 4 * int(np.prod(shape)), shutil.disk_usage(folder).free  # frames stand twice for a moment
    if needed > free:
        raise InputError(f"{folder}: {needed / 1e6:.0f} MB are needed, {free / 1e6:.0f} MB free; record elsewhere, or fewer --seconds")
    raw = np.lib.format.open_memmap(folder / "frames.part.npy", mode="w+", dtype=np.uint16, shape=shape)
    with frames, load, open(folder / "frames.csv", "w") as times, open(folder / "load.csv", "w") as samples:
        times.write("frame,time_s\n")
        samples.write("time_s,load_kN\n")
        try:
            while count < most and not stop.is_set():
                frame = frames.read(timeout_s=1.0)
                if frame is None:
                    if time.monotonic() - begun_s > seconds + SILENT_S:  # the camera has fallen silent
                        break
                    continue
                start = frame.time_s if start is None else start
                samples.writelines(f"{t:.6f},{p:.6g}\n" for t, p in zip(*load.read(frame.time_s)))
                if frame.time_s - start > seconds:
                    break
                raw[count] = frame.counts
                times.write(f"{count},{frame.time_s:.6f}\n")
                count += 1
        except EndOfSource:
            pass
    if not count:
        for name in ("frames.part.npy", "frames.csv", "load.csv"):
            (folder / name).unlink()
        raise InputError(f"{folder}: no frame came before the end; nothing is recorded")
    np.save(folder / "frames.npy", raw[:count])
    (folder / "frames.part.npy").unlink()
    has_load = len((folder / "load.csv").read_text().splitlines()) > 1
    if not has_load:
        (folder / "load.csv").unlink()
    (folder / "rig.toml").write_text(as_recording(document, rig_path.parent, has_load))
    return count


def as_recording(document: dict[str, dict[str, Any]], home: Path, has_load: bool) -> str:
    """The rig file's text with recordings for its sources; load samples are in kN already."""
    camera, load = document["camera"], document["load"]
    for key in ("device", "port", "baud", "crop_px"):
        camera.pop(key, None)
    camera.update(source="recording", path="frames.npy", times="frames.csv")
    for key in ("port", "baud", "path", "scale_kN_per_unit", "offset_kN"):
        load.pop(key, None)
    load.update({"source": "recording", "path": "load.csv"} if has_load else {"source": "frames"})
    if "profile" in camera:
        camera["profile"] = str((home / Path(camera["profile"]).expanduser()).resolve())
    lines = []
    for name, keys in document.items():
        lines += [f"[{name}]", *(f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in keys.items()), ""]
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description="Record what a rig's sources give.")
    parser.add_argument("rig", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, default=60.0)
    args = parser.parse_args()
    stop = threading.Event()
    for ending in (signal.SIGINT, signal.SIGTERM):
        signal.signal(ending, lambda *_: stop.set())  # no exception: frames and their times stay together
    try:
        print(f"{args.folder}: {record(args.rig, args.folder, args.seconds, stop)} frames")
    except InputError as e:
        print(e, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
