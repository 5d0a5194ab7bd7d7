"""Recording folders for tests: frames, frame times, load samples, camera profile and rig file from maps and settings.

    plate = plates.centre_crack()
    made = recordings.write(tmp_path, plate, frames=1500, seed=1, wave=dict(frequency_hz=5.0), camera=dict(lost=0.05))
    run(made.rig)                      # ... and compare with `plate`, `made.wave`, `made.contact`

`render` does the same in memory. The forward model of the camera is the simulated bench's (edge/bench_*.py); fields
come from tests/plates.py or tests/fem.py. All temperatures, contact and dissipation zones are invented.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from plates import CrackedPlate, crack_coordinates, on_pixels

from edge.bench_camera import BenchCamera, CameraModel
from edge.bench_field import Ahead, Contact, Scene, ahead_shape, contact_shape, zones
from edge.bench_load import LoadWave

K0_PER_MPA, SURFACE_K, BACKGROUND_K = 3.1e-6, 295.0, 293.0
NO_AHEAD = Ahead(peak_K=0.0)
NO_CONTACT = Contact(length_mm=0.0)


@dataclass(frozen=True)
class Recording:
    """Frames as they arrived and load samples, with what made them. `rig` is set once written to a folder."""

    frames: np.ndarray  # uint16 (n, rows, columns)
    arrival_s: np.ndarray
    number: np.ndarray  # true frame numbers: gaps are lost frames
    exposure_s: np.ndarray  # true exposure of the first row
    load_time_s: np.ndarray
    load_kN: np.ndarray
    plate: CrackedPlate
    scene: Scene
    contact: Contact
    ahead: Ahead
    camera: CameraModel
    wave: LoadWave
    dead: np.ndarray  # bool (rows, columns)
    shutters_s: list[float] = field(default_factory=list)
    rig: Path | None = None


def thermal_scene(
    plate: CrackedPlate,
    contact: Contact = NO_CONTACT,
    ahead: Ahead = NO_AHEAD,
    K0_per_MPa: float = K0_PER_MPA,
    sub: int = 4,
    blur_px: float = 0.6,
) -> Scene:
    """Surface temperatures of a plate: adiabatic elastic map, zones in the wake and ahead, background where NaN."""
    K0_T, shape = K0_per_MPa * SURFACE_K, plate.sum_MPa.shape
    cover = np.isfinite(plate.sum_MPa).astype(float) if plate.cover is None else plate.cover
    elastic = -0.5 * K0_T * np.nan_to_num(plate.sum_MPa) * cover
    mean = BACKGROUND_K + (SURFACE_K - BACKGROUND_K) * cover
    seen: tuple[np.ndarray, ...] = ()
    if contact.length_mm > 0 or ahead.peak_K > 0:

        def on_crack(shape_of):
            def at(row: np.ndarray, col: np.ndarray) -> np.ndarray:
                return shape_of(*crack_coordinates(row, col, plate.tip_px, plate.angle_deg, plate.mm_per_px))

            return cover * on_pixels(at, shape, sub, blur_px)

        contact_K = on_crack(lambda x, y: contact_shape(x, y, contact, K0_T))
        seen = zones(contact, contact_K, ahead, on_crack(lambda x, y: ahead_shape(x, y, ahead)))
    return Scene(mean, elastic.astype(complex), seen)


def default_wave(plate: CrackedPlate, width_mm: float, thickness_mm: float, load_ratio: float) -> dict[str, float]:
    """Mean and amplitude (kN) whose range gives the plate's gross remote stress range."""
    amplitude = 0.5e-3 * plate.stress_MPa * width_mm * thickness_mm
    return {"amplitude_kN": amplitude, "mean_kN": amplitude * (1 + load_ratio) / (1 - load_ratio)}


def render(
    plate: CrackedPlate,
    frames: int = 1500,
    seed: int = 1,
    camera: dict[str, float] | None = None,
    wave: dict[str, float] | None = None,
    contact: Contact = NO_CONTACT,
    ahead: Ahead = NO_AHEAD,
    K0_per_MPa: float = K0_PER_MPA,
    width_mm: float = 30.0,
    thickness_mm: float = 4.0,
    load_ratio: float = 0.1,
    scene: Scene | None = None,
) -> Recording:
    """`frames` exposures of a plate (stress sums are ranges). `camera` and `wave` override CameraModel and LoadWave."""
    settings = {**default_wave(plate, width_mm, thickness_mm, load_ratio), **(wave or {})}
    model, load = CameraModel(**(camera or {})), LoadWave(**settings)
    scene = scene or thermal_scene(plate, contact, ahead, K0_per_MPa)
    bench = BenchCamera(model, load, *plate.sum_MPa.shape, seed=seed)
    bench.look(scene, 0.0)
    shots = [bench.shoot(i) for i in range(frames)]
    kept = [s for s in shots if s.counts is not None]
    samples = int((shots[-1].exposure_s + 0.5) * load.sample_rate_hz)
    load_time_s, load_kN = load.samples(0, samples, np.random.default_rng([seed, 1]))
    return Recording(
        frames=np.stack([s.counts for s in kept]),
        arrival_s=np.array([s.arrival_s for s in kept]),
        number=np.array([s.number for s in kept]),
        exposure_s=np.array([s.exposure_s for s in kept]),
        load_time_s=load_time_s,
        load_kN=load_kN,
        plate=plate,
        scene=scene,
        contact=contact,
        ahead=ahead,
        camera=model,
        wave=load,
        dead=bench.dead,
        shutters_s=bench.shutters_s,
    )


def sent_again(made: Recording, times: int) -> Recording:
    """As of a camera that sends each image so many times, evenly spaced (a core of 9 images/s behind a stream of 27)."""
    arrival_s = made.arrival_s[:, None] + np.arange(times) / (times * made.camera.frame_rate_hz)
    frames, count = np.repeat(made.frames, times, axis=0), times * len(made.frames)
    return replace(made, frames=frames, arrival_s=arrival_s.ravel(), number=np.arange(count))


def rig_tables(made: Recording, width_mm: float, thickness_mm: float, K0_per_MPa: float) -> dict[str, dict]:
    """The rig file of a recording as tables; every value is the true one. Override what a test is about."""
    plate, model = made.plate, made.camera
    rows, columns = plate.sum_MPa.shape
    datum = plate.datum_px if np.isfinite(plate.tip_px[0]) else (rows / 2, 0.0)
    return {
        "specimen": {
            "geometry": "plate",
            "width_mm": width_mm,
            "thickness_mm": thickness_mm,
            "notch_mm": round(0.3 * plate.crack_mm, 3),
            "material": "mild steel",
            "thermoelastic_constant_per_MPa": K0_per_MPa,
            "temperature_C": SURFACE_K - 273.15,
        },
        "load": {"source": "recording", "path": "load.csv", "frequency_hz": made.wave.frequency_hz},
        "camera": {
            "source": "recording",
            "path": "frames.npy",
            "times": "frames.csv",
            "rows": rows,
            "columns": columns,
            "frame_rate_hz": model.frame_rate_hz,
            "counts_per_K": model.counts_per_K,
            "zero_K": model.zero_K,
            "profile": "camera.toml",
        },
        "view": {
            "mm_per_px": plate.mm_per_px,
            "datum_px": [float(datum[0]), float(datum[1])],
            "growth_angle_deg": plate.angle_deg,
        },
        "lockin": {"memory_s": 60.0, "harmonics": 2},
        "records": {"every_s": 10.0, "folder": "out"},
    }


def toml(tables: dict[str, dict]) -> str:
    """TOML of a table of tables (or of plain keys); None leaves a key out. JSON's scalars and lists are TOML's."""
    lines: list[str] = []
    for name, value in tables.items():
        if isinstance(value, dict):
            lines += ["", f"[{name}]"] + [f"{k} = {json.dumps(v)}" for k, v in value.items() if v is not None]
        elif value is not None:
            lines.append(f"{name} = {json.dumps(value)}")
    return "\n".join(lines).strip() + "\n"


def save(
    made: Recording,
    folder: Path,
    rig: dict[str, dict] | None = None,
    profile: dict[str, float | None] | None = None,
    width_mm: float = 30.0,
    thickness_mm: float = 4.0,
    K0_per_MPa: float = K0_PER_MPA,
) -> Recording:
    """Write the recording folder of the contract; returns the recording with `.rig`, the path of rig.toml.

    `rig` overrides single keys of tables ({"lockin": {"harmonics": 3}}), `profile` keys of camera.toml; None removes a
    key. The profile has the true tau_s and readout_s and no frame_delay_s.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    np.save(folder / "frames.npy", made.frames)
    numbered = np.column_stack([np.arange(len(made.arrival_s)), made.arrival_s])
    np.savetxt(folder / "frames.csv", numbered, ["%d", "%.6f"], ",", header="frame,time_s", comments="")
    load = np.column_stack([made.load_time_s, made.load_kN])
    np.savetxt(folder / "load.csv", load, ["%.6f", "%.5f"], ",", header="time_s,load_kN", comments="")
    model = made.camera
    known = {"tau_s": model.tau_s, "tau_sd_s": 0.0, "readout_s": model.readout_s, "readout_sd_s": 0.0}
    known |= {"counts_per_K": model.counts_per_K, "netd_K": model.netd_K, "rows": made.frames.shape[1]}
    known |= {"columns": made.frames.shape[2], **(profile or {})}
    (folder / "camera.toml").write_text(toml(known))
    tables = rig_tables(made, width_mm, thickness_mm, K0_per_MPa)
    for name, keys in (rig or {}).items():
        tables[name] = {**tables.get(name, {}), **keys}
    (folder / "rig.toml").write_text(toml(tables))
    return Recording(**{**made.__dict__, "rig": folder / "rig.toml"})


def write(
    folder: Path,
    plate: CrackedPlate,
    rig: dict[str, dict] | None = None,
    profile: dict[str, float | None] | None = None,
    width_mm: float = 30.0,
    thickness_mm: float = 4.0,
    K0_per_MPa: float = K0_PER_MPA,
    **settings,
) -> Recording:
    """`render(plate, **settings)` and `save` it."""
    made = render(plate, K0_per_MPa=K0_per_MPa, width_mm=width_mm, thickness_mm=thickness_mm, **settings)
    return save(made, folder, rig, profile, width_mm, thickness_mm, K0_per_MPa)
