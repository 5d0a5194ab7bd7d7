"""Recordings that several test modules share, made and run through the loop once a test run."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from edge.cli import ONE_THREAD

# As every command does; numpy and numba read these when they are imported. On busy cores
# two threads wait for each other longer than one computes.
for name in ONE_THREAD:
    os.environ.setdefault(name, "1")

import fem  # noqa: E402
import numpy as np  # noqa: E402
import plates  # noqa: E402
import pytest  # noqa: E402
import recordings  # noqa: E402

from edge.bench_field import Ahead, Contact  # noqa: E402
from edge.record import Row  # noqa: E402
from edge.rig import load_rig  # noqa: E402
from edge.run import run_rig  # noqa: E402


@dataclass
class Finished:
    """A recording with what made it, the rows of its run and the folder with records and maps."""

    made: recordings.Recording
    rows: list[Row]
    out: Path

    def maps(self, seq: int) -> dict[str, np.ndarray]:
        with np.load(self.out / f"maps-{seq:06d}.npz") as file:
            return dict(file)


@pytest.fixture(scope="session")
def run_recording(tmp_path_factory):
    """A function: write a recording of `plate` as `recordings.write` does, run its rig, give what came of it."""

    def run(plate, name="recording", before=None, **settings) -> Finished:
        made = recordings.write(tmp_path_factory.mktemp(name), plate, **settings)
        if before:
            before(made)
        rows: list[Row] = []
        run_rig(load_rig(made.rig), None, rows.append)
        return Finished(made, rows, made.rig.parent / "out")

    return run


@pytest.fixture(scope="session")
def closed_form_run(run_recording):
    """Centre crack with contact and dissipation zones, 60 s at 7 Hz, a few frames lost."""
    plate = plates.centre_crack()
    return run_recording(plate, width_mm=100.0, contact=Contact(), ahead=Ahead(), camera={"lost": 0.002})


@pytest.fixture(scope="session")
def edge_crack_run(run_recording):
    """Finite-element SENT with an open crack and a dissipation zone: a/W = 0.3, 50 MPa."""
    plate = fem.plate("SENT", 9.0, 30.0, 50.0, tip_px=(58.3, 80.2))
    return run_recording(plate, rig={"specimen": {"geometry": "SENT"}}, width_mm=30.0, ahead=Ahead(), seed=2)


@pytest.fixture(scope="session")
def uncracked_run(run_recording):
    """A uniform stress of 60 MPa, 60 s."""
    return run_recording(plates.uncracked(), width_mm=100.0)
