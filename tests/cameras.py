"""Invented cameras and what they see of a calibration's scenes: sweeps, steps of temperature, still scenes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import plates
import recordings

from calibration.far_field import Run
from edge.bench_camera import BenchCamera, CameraModel
from edge.bench_field import Scene
from edge.bench_load import LoadWave
from edge.sources.base import LoadSource
from edge.whole_recording import Measured, Recorded, frame_grid, lock_in

SWEEP_HZ = (1.3, 2.9, 5.3, 8.1, 11.3)
FRAME_RATE_HZ = 25.0
IMAGE = (72, 96)


class HeldLoad(LoadSource):
    """Load samples from memory."""

    def __init__(self, time_s: np.ndarray, load_kN: np.ndarray) -> None:
        self.time_s, self.load_kN, self.at = time_s, load_kN, 0

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        start, self.at = self.at, int(np.searchsorted(self.time_s, until_s, side="right"))
        self.ended = self.at == self.time_s.size
        return self.time_s[start : self.at], self.load_kN[start : self.at]


def drawn_camera(rng: np.random.Generator) -> dict[str, float]:
    """A camera within the promised ranges."""
    return {
        "tau_s": rng.uniform(0.006, 0.015),
        "readout_s": (readout := rng.uniform(0.0, 0.030) * rng.choice((-1, 1))),
        "frame_delay_s": rng.uniform(max(0.0, -readout), 0.120),  # no row is seen after the time stamp
        "netd_K": rng.uniform(0.030, 0.100),
    }


def measured(made: recordings.Recording) -> tuple[Measured, float]:
    """A simulated recording through frame grid, load phase and lock-in; and how well its times are known, s."""
    number, time_s = frame_grid(made.arrival_s, made.camera.frame_rate_hz)
    timed = Recorded("", None, None, number, time_s, float(np.mean(made.arrival_s - time_s)))  # type: ignore[arg-type]
    load = HeldLoad(made.load_time_s, made.load_kN)
    m = lock_in(lambda i: made.frames[i], number, time_s, load, made.wave.frequency_hz)
    assert m is not None
    return m, timed.timing_sd_s


def run_of(m: Measured, timing_sd_s: float, name: str) -> Run:
    """What the sweep needs of it."""
    unit = float(m.harmonics.amplitude_sd[0])
    noise, inflation = m.harmonics.noise * unit, float(m.harmonics.inflation[0])
    shared = m.shared_counts * unit
    return Run(name, m.frequency_hz, m.harmonics.maps[0], noise, m.range_kN, m.range_sd, timing_sd_s, shared, inflation)


def sweep_runs(
    camera: dict[str, float], seed: int, shape=IMAGE, hz=SWEEP_HZ, seconds: float = 60.0
) -> tuple[list[Run], np.ndarray]:
    """Recordings of a centre crack at each frequency through the lock-in, and the usable pixels."""
    runs, usable = [], np.ones(shape, bool)
    for f, made in sweep_recordings(camera, seed, shape, hz, seconds):
        runs.append(run_of(*measured(made), f"{f:g} Hz"))
        usable &= ~made.dead
    return runs, usable


def sweep_recordings(
    camera: dict[str, float], seed: int, shape=IMAGE, hz=SWEEP_HZ, seconds: float = 60.0
) -> Iterator[tuple[float, recordings.Recording]]:
    """Frequency and recording, one after the other."""
    plate = plates.centre_crack(shape, tip_px=(0.5 * shape[0], 0.2 * shape[1]), mm_per_px=24.0 / shape[0], half_mm=6.0)
    scene = recordings.thermal_scene(plate)
    for i, f in enumerate(hz):
        yield f, recordings.render(
            plate,
            frames=round(seconds * camera.get("frame_rate_hz", FRAME_RATE_HZ)),
            seed=1000 * seed + i,
            camera={"lost": 0.005, **camera},
            wave={"frequency_hz": f, "start_deg": 70.0 * i, "sample_rate_hz": 300.0, "jitter_s": 2e-4},
            scene=scene,
        )


def step_frames(
    rng: np.random.Generator,
    camera: dict[str, float],
    moments_s: tuple[float, ...] = (3.0,),
    crossings_s: tuple[float, ...] = (0.0,),
    frames: int = 200,
    size_K: float = 15.0,
    shape: tuple[int, int] = (60, 80),
    tilt: float = 0.0,
    soft_s: float = 0.0,
    tau2_s: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Frames (n, rows, columns) of a plate that is covered and uncovered, and their exposure times. tilt: rad, of the
    cover's edge; soft_s: time the edge takes over a pixel; tau2_s: a second lag."""
    rows, columns = shape
    t = np.arange(frames) / FRAME_RATE_HZ
    row, column = np.arange(rows)[:, None] / rows, np.arange(columns)[None] / columns - 0.5
    pattern = 295.0 + rng.standard_normal(shape)
    out = np.empty((frames, rows, columns), np.uint16)
    tau = camera["tau_s"]

    def settled(age: np.ndarray) -> np.ndarray:
        a = np.maximum(age, 0)
        if not tau2_s:
            return -np.expm1(-a / tau)
        return 1 - (tau * np.exp(-a / tau) - tau2_s * np.exp(-a / tau2_s)) / (tau - tau2_s)

    for i in range(frames):
        image = pattern.copy()
        for n, (moment, crossing) in enumerate(zip(moments_s, crossings_s)):
            age = t[i] - moment - camera["readout_s"] * row - crossing * (column + tilt * rows / columns * (row - 0.5))
            parts = soft_s * ((np.arange(20) + 0.5) / 20 - 0.5) if soft_s else np.zeros(1)
            image += (-1) ** n * size_K * np.mean([settled(age - p) for p in parts], axis=0)
        image += camera["netd_K"] * rng.standard_normal(shape)
        out[i] = np.rint(100 * image)
    return out, t


def still(
    seed: int, frames: int = 300, shape: tuple[int, int] = (60, 80), **camera: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frames of a still, even scene, their true numbers, and the pixels that are bad."""
    bench = BenchCamera(CameraModel(**camera), LoadWave(), *shape, seed=seed)
    bench.look(Scene(np.full(shape, 295.0), np.zeros(shape, complex)), 0.0)
    shots = [s for s in (bench.shoot(i) for i in range(frames)) if s.counts is not None]
    bad = bench.dead.copy()
    bad.ravel()[bench.blinking] = True
    return np.stack([s.counts for s in shots]), np.array([s.number for s in shots]), bad
