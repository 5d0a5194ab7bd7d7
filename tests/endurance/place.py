"""Where the trials happen: small mounted cards, child processes, recordings that are quick to run. All data are invented."""

from __future__ import annotations

import contextlib
import datetime
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from links import mounted
from recordings import toml

from edge.bench_camera import BenchCamera
from edge.record import read_records
from edge.rig import load_rig
from edge.sources.simulated import bench_from_rig

ROOT = Path(__file__).parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}"}
LOAD_HZ, RATE_HZ = 7, 25  # come round every second


@dataclass
class Outcome:
    """A row of the table. good: None where it could not be tried on this machine."""

    fault: str
    how: str
    result: str
    good: bool | None

    @property
    def verdict(self) -> str:
        return {True: "holds", False: "DOES NOT HOLD", None: "not tried"}[self.good]


def tmpfs(folder: Path, size: str) -> contextlib.AbstractContextManager[Path]:
    return mounted(folder, "-t", "tmpfs", "-o", f"size={size}", "tmpfs")


def ext4_image(path: Path, megabytes: int) -> Path:
    """A file that holds an empty ext4 file system with a journal."""
    path.write_bytes(bytes(megabytes * 1_000_000))
    if subprocess.run(["mkfs.ext4", "-q", "-F", str(path)], capture_output=True).returncode:
        pytest.skip("no mkfs.ext4 here")
    return path


def fill_up(path: Path) -> None:
    """Write a file until no byte is left."""
    with path.open("wb", buffering=0) as f:
        for size in (65536, 512, 1):
            with contextlib.suppress(OSError):
                while True:
                    f.write(bytes(size))


def bolotip(*arguments: object, **settings) -> subprocess.Popen:
    """The command as a child process; stdout and stderr are pipes, as text."""
    return subprocess.Popen(
        [sys.executable, "-c", "import sys; from edge.cli import main; sys.exit(main())", *map(str, arguments)],
        env=ENVIRONMENT,
        text=True,
        **({"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | settings),
    )


def wait_for(condition: Callable[[], bool], timeout_s: float = 20.0) -> bool:
    end_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.01)
    return True


def rows_on(folder: Path) -> int:
    path = folder / "records.csv"
    try:
        return max(0, path.read_bytes().count(b"\n") - 1)
    except OSError:
        return 0


def whole_and_in_order(folder: Path, first: int = 0) -> tuple[bool, int]:
    """Whether the records are valid and number first, first + 1, ...; and how many there are."""
    found = read_records(folder)
    seqs = [r.seq for r in found.rows]
    return seqs == list(range(first, first + len(seqs))) and not found.bad and found.torn is None, len(seqs)


def tables(rows: int = 24, columns: int = 32) -> dict[str, dict]:
    """The rig of an invented recording of a small camera."""
    return {
        "specimen": {"geometry": "MT", "width_mm": 60.0, "thickness_mm": 4.0, "notch_mm": 6.0, "material": "mild steel"},
        "load": {"source": "recording", "path": "load.csv", "frequency_hz": float(LOAD_HZ)},
        "camera": {"source": "recording", "path": "frames.npy", "times": "frames.csv", "rows": rows, "columns": columns}
        | {"frame_rate_hz": float(RATE_HZ), "counts_per_K": 100.0, "zero_K": 0.0, "profile": "camera.toml"},
        "view": {"mm_per_px": 24.0 / columns, "datum_px": [rows / 2, 0.1 * columns]},
        "lockin": {"memory_s": 10.0},
        "records": {"every_s": 2.0, "maps_every_s": 100.0, "folder": "out"},
    }


def images(rig_path: Path, count: int) -> np.ndarray:
    """`count` images (n, rows, columns) of the rig's simulated bench at the load phases of frames 0, 1, ...; no drift."""
    rig = load_rig(rig_path, check_files=False)
    bench = bench_from_rig(rig, camera={"drift_K_per_h": 0.0, "arrival_jitter_s": 0.0})
    camera = BenchCamera(bench.bench.camera, bench.wave, bench.bench.rows, bench.bench.columns, seed=3)
    camera.look(bench.scene(bench.truth(0.0)), 0.0)
    return np.stack([camera.shoot(i).counts for i in range(count)])


def write_rig(folder: Path, changes: dict[str, dict] | None = None, rows: int = 24, columns: int = 32) -> Path:
    """rig.toml and camera.toml in `folder`."""
    made = tables(rows, columns)
    for name, keys in (changes or {}).items():
        made[name] = {**made[name], **keys}
    profile = {"tau_s": 0.010, "readout_s": 0.012, "frame_delay_s": 0.005, "counts_per_K": 100.0, "netd_K": 0.05}
    profile |= {"tau_sd_s": 1e-4, "readout_sd_s": 1e-4, "frame_delay_sd_s": 1e-4, "made_on": str(datetime.date.today())}
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "camera.toml").write_text(toml(profile))
    (folder / "rig.toml").write_text(toml(made))
    return folder / "rig.toml"


def recording(folder: Path, seconds: int, changes: dict[str, dict] | None = None) -> Path:
    """A recording folder of a small camera; the rig file's path. 200 images, over and over in another order."""
    rig = write_rig(folder, changes)
    bank = images(rig, 8 * RATE_HZ)
    chance = np.random.default_rng(1)
    n = seconds * RATE_HZ
    stack = np.lib.format.open_memmap(folder / "frames.npy", "w+", np.uint16, (n, *bank.shape[1:]))
    for start in range(0, n, RATE_HZ):
        stack[start : start + RATE_HZ] = bank[RATE_HZ * chance.integers(0, 8, RATE_HZ) + np.arange(RATE_HZ)]
    stack.flush()
    arrival = np.arange(n) / RATE_HZ + 0.005 + 0.002 * np.abs(chance.standard_normal(n))
    np.savetxt(folder / "frames.csv", np.column_stack([np.arange(n), arrival]), ["%d", "%.6f"], ",", header="frame,time_s", comments="")
    t = np.arange(seconds * 100) / 100
    load = np.column_stack([t, 4.8 + 4.2 * np.sin(2 * np.pi * LOAD_HZ * t)])
    np.savetxt(folder / "load.csv", load, ["%.3f", "%.4f"], ",", header="time_s,load_kN", comments="")
    return rig


def chance(seed: int) -> random.Random:
    return random.Random(seed)
