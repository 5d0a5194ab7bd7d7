"""How often the calibrations' 95 % intervals hold the truth: `python tests/coverage_calibration.py [--trials N]`.

Each trial draws a camera (tau 6 to 15 ms, readout 0 to 30 ms, delay 0 to 120 ms, NETD 30 to 100 mK), simulates its
recordings and calibrates it. All of it is invented. Exit code 1 where an interval covers less than 90 % or more than
98 %, or an error exceeds what is promised: tau 2 % (sweep) and 4 % (step), readout and delay 0.5 ms. About twenty
minutes for 200 trials. The default tests use the same trials, a few of each.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parent.parent), str(Path(__file__).parent)]

import plates
import recordings

from calibration import gain, pixels, scale, step, sweep
from calibration.door import InputError
from calibration.far_field import Run
from edge.sources.base import LoadSource
from edge.whole_recording import CLOCK_SD_S, LATE_PARTS, frame_grid, lock_in

SWEEP_HZ = (1.3, 2.9, 5.3, 8.1, 11.3)
FRAME_RATE_HZ = 25.0
IMAGE = (120, 160)


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
        "readout_s": rng.uniform(0.0, 0.030),
        "frame_delay_s": rng.uniform(0.0, 0.120),
        "netd_K": rng.uniform(0.030, 0.100),
    }


def run_of(made: recordings.Recording, name: str = "run") -> Run:
    """A simulated recording through frame grid, load phase and lock-in."""
    number, time_s = frame_grid(made.arrival_s, made.camera.frame_rate_hz)
    late_s = float(np.mean(made.arrival_s - time_s))
    load = HeldLoad(made.load_time_s, made.load_kN)
    m = lock_in(lambda i: made.frames[i], number, time_s, load, made.wave.frequency_hz)
    assert m is not None
    unit = float(m.harmonics.amplitude_sd[0])
    timing = float(np.hypot(LATE_PARTS * late_s / number.size, CLOCK_SD_S))
    noise = m.harmonics.noise * unit
    inflation = float(m.harmonics.inflation[0])
    shared = m.shared_counts * unit
    return Run(name, m.frequency_hz, m.harmonics.maps[0], noise, m.range_kN, m.range_sd, timing, shared, inflation)


def sweep_runs(
    camera: dict[str, float], seed: int, shape=IMAGE, hz=SWEEP_HZ, seconds: float = 60.0, conduction_mm2_per_s=0.0
) -> tuple[list[Run], np.ndarray]:
    """Recordings of a centre crack at each frequency through the lock-in, and the usable pixels."""
    plate = plates.centre_crack(shape, tip_px=(0.5 * shape[0], 0.2 * shape[1]), mm_per_px=24.0 / shape[0], half_mm=6.0)
    scene = recordings.thermal_scene(plate)
    runs, usable = [], np.ones(shape, bool)
    for i, f in enumerate(hz):
        seen = scene
        if conduction_mm2_per_s:
            warm = plates.conducted(scene.elastic, plate.mm_per_px, conduction_mm2_per_s, f)
            seen = recordings.Scene(scene.mean_K, warm, scene.zones)
        made = recordings.render(
            plate,
            frames=round(seconds * camera.get("frame_rate_hz", FRAME_RATE_HZ)),
            seed=1000 * seed + i,
            camera={"lost": 0.005, **camera},
            wave={"frequency_hz": f, "start_deg": 70.0 * i, "sample_rate_hz": 300.0, "jitter_s": 2e-4},
            scene=seen,
        )
        runs.append(run_of(made, f"{f:g} Hz"))
        usable &= ~made.dead
    return runs, usable


def sweep_trial(seed: int) -> dict[str, tuple[float, float, float]]:
    """Truth, estimate and deviation of each quantity of a sweep."""
    camera = drawn_camera(np.random.default_rng([seed, 1]))
    found = sweep.fit(*sweep_runs(camera, seed))
    return {
        "tau": (camera["tau_s"], found.tau_s, found.tau_sd_s),
        "readout": (camera["readout_s"], found.readout_s, found.readout_sd_s),
        "delay": (camera["frame_delay_s"], found.frame_delay_s, found.frame_delay_sd_s),
    }


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


def step_trial(seed: int) -> dict[str, tuple[float, float, float]]:
    """One step of 200 frames at 25 frames/s with a switch at the cover, sampled at 10 kHz."""
    rng = np.random.default_rng([seed, 2])
    camera = drawn_camera(rng)
    moment = 3.0 + rng.uniform(0, 1 / FRAME_RATE_HZ)
    frames, exposure_s = step_frames(rng, camera, (moment,))
    late = 0.002 * np.abs(rng.standard_normal(len(frames)))
    arrival_s = np.maximum.accumulate(exposure_s + camera["frame_delay_s"] + late)
    _, time_s = frame_grid(arrival_s, FRAME_RATE_HZ)
    edge_s = (np.floor(moment * 1e4) + 0.5) / 1e4
    sd = np.hypot(1e-4 / np.sqrt(12), LATE_PARTS * np.mean(arrival_s - time_s) / len(frames))
    found = step.fit(frames, time_s, np.ones(frames.shape[1:], bool), [edge_s], float(sd))
    assert found.frame_delay_s is not None
    return {
        "tau (step)": (camera["tau_s"], found.tau_s, found.tau_sd_s),
        "readout (step)": (camera["readout_s"], found.readout_s, found.readout_sd_s),
        "delay (step)": (camera["frame_delay_s"], found.frame_delay_s, found.frame_delay_sd_s),
    }


def still(
    seed: int, frames: int = 300, shape: tuple[int, int] = (60, 80), **camera: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frames of a still, even scene, their true numbers, and the pixels that are bad."""
    from edge.bench_camera import BenchCamera, CameraModel
    from edge.bench_field import Scene
    from edge.bench_load import LoadWave

    bench = BenchCamera(CameraModel(**camera), LoadWave(), *shape, seed=seed)
    bench.look(Scene(np.full(shape, 295.0), np.zeros(shape, complex)), 0.0)
    shots = [s for s in (bench.shoot(i) for i in range(frames)) if s.counts is not None]
    bad = bench.dead.copy()
    bad.ravel()[bench.blinking] = True
    return np.stack([s.counts for s in shots]), np.array([s.number for s in shots]), bad


def pixels_trial(seed: int) -> dict[str, tuple[float, float, float]]:
    """NETD and drift without a filter; the weight of a recursive filter on another recording."""
    rng = np.random.default_rng([seed, 3])
    netd, drift, weight = rng.uniform(0.03, 0.10), rng.uniform(-5, 5), rng.uniform(0.1, 0.6)
    frames, number, _ = still(seed, netd_K=netd, drift_K_per_h=drift, fixed_pattern_K=0.5)
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    frames, number, _ = still(seed + 10_000, netd_K=0.06, filter_weight=weight, lost=0.01)
    filtered = pixels.find(frames, number, FRAME_RATE_HZ)
    measured = np.hypot(netd, 0.01 / np.sqrt(12))  # rounding to hundredths of a kelvin is part of the noise
    return {
        "NETD": (measured, found.netd_counts / 100, found.netd_sd_counts / 100),
        "drift": (drift, 36 * found.drift_counts_per_s, 36 * found.drift_sd_counts_per_s),
        "filter weight": (weight, filtered.filter_weight, filtered.filter_sd),
    }


def gain_trial(seed: int) -> dict[str, tuple[float, float, float]]:
    """K0 of a bar in tension and in bending, stress known to 1 %, unevenly gripped."""
    rng = np.random.default_rng([seed, 4])
    out = {}
    for bending in (False, True):
        true = rng.uniform(2e-6, 1e-5)
        nominal = np.full((40, 60), 50.0) if not bending else np.broadcast_to(np.linspace(80, -80, 60), (40, 60))
        actual = nominal * (1 + 0.01 * rng.standard_normal())
        h1 = -0.5 * true * 295.0 * actual + 0.002 * (rng.standard_normal((40, 60)) + 1j * rng.standard_normal((40, 60)))
        found = gain.kelvin_per_MPa(h1, np.full((40, 60), 0.002), nominal, 295.0, bending, {"stress": 0.01})
        name = "K0 in bending" if bending else "K0 in tension"
        out[name] = (true, found.K0_per_MPa, found.K0_sd_per_MPa)
    levels = [np.full((20, 20), 100 * (t + 0.3 * rng.standard_normal()) + 3e4) for t in (20.0, 30.0, 40.0)]
    plates_found = gain.counts_per_kelvin(levels, (20.0, 30.0, 40.0), 0.3, np.ones((20, 20), bool))
    out["counts per kelvin"] = (100.0, plates_found.counts_per_K, plates_found.counts_per_K_sd)
    return out


def scale_trial(seed: int) -> dict[str, tuple[float, float, float]]:
    """Twelve marks on a surface seen square, each found to 0.2 px."""
    rng = np.random.default_rng([seed, 5])
    mm = np.array([(x, y) for x in (0, 6, 12, 18) for y in (-7, 0, 7)], float)
    mm_per_px, angle = rng.uniform(0.1, 0.3), np.deg2rad(rng.uniform(-180, 180))
    turned = (mm[:, 0] + 1j * mm[:, 1]) * np.exp(1j * angle) / mm_per_px
    datum = rng.uniform(40, 60, 2)
    px = np.column_stack([datum[0] - turned.imag, datum[1] + turned.real]) + 0.2 * rng.standard_normal(mm.shape)
    found = scale.from_marks(px, mm)
    assert found.datum_px is not None
    off = (found.growth_angle_deg - np.degrees(angle) + 180) % 360 - 180
    return {
        "scale": (mm_per_px, found.mm_per_px, found.mm_per_px_sd),
        "datum row": (datum[0], found.datum_px[0], found.datum_sd_px),
        "growth angle": (0.0, off, found.growth_angle_sd_deg),
    }


TRIALS = (sweep_trial, step_trial, pixels_trial, gain_trial, scale_trial)
PROMISED = {
    "tau": ("rel", 0.02),
    "tau (step)": ("rel", 0.04),
    "readout": ("abs", 0.5e-3),
    "delay": ("abs", 0.5e-3),
    "readout (step)": ("abs", 0.5e-3),
    "delay (step)": ("abs", 0.5e-3),
}


def main() -> int:
    """Prints one line a quantity: share covered, spread in deviations, worst error against what is promised."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--only", choices=[t.__name__ for t in TRIALS])
    args = parser.parse_args()
    failed = False
    for trial in TRIALS:
        if args.only not in (None, trial.__name__):
            continue
        start, rows, refused = time.monotonic(), [], 0
        for seed in range(args.trials):
            try:
                rows.append(trial(seed))
            except InputError as e:
                refused += 1
                print(f"  seed {seed}: {e}")
        print(f"{trial.__name__}: {len(rows)} trials, {refused} refused, {time.monotonic() - start:.0f} s")
        for name in rows[0]:
            truth, value, sd = np.array([row[name] for row in rows]).T
            z = (value - truth) / sd
            covered = float(np.mean(np.abs(z) <= 1.96))
            kind, limit = PROMISED.get(name, ("none", np.inf))
            error = np.abs(value - truth) / (np.abs(truth) if kind == "rel" else 1)
            good = 0.90 <= covered <= 0.98 and error.max() <= limit
            failed |= not good
            print(
                f"  {name:18s} covered {100 * covered:5.1f} %   spread {z.std():.2f} deviations, mean {z.mean():+.2f}   "
                f"largest error {error.max():.3g}{' of the value' if kind == 'rel' else ''} "
                f"(may be {limit:g})   {'ok' if good else 'OUTSIDE'}"
            )
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
