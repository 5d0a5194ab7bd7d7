"""What the measurements share: processor time in paired rounds, lines of the table, invented recordings."""

from __future__ import annotations

import dataclasses
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import plates
import recordings

NOISE_K = 0.050


@dataclass(frozen=True)
class Line:
    """One line of the table; ok None: only told."""

    what: str
    measured: str
    asked: str = ""
    ok: bool | None = None


def paired(forms: dict[str, Callable[[], object]], calls: int, rounds: int = 9) -> dict[str, np.ndarray]:
    """Processor time of one call of each form, s, (rounds,): the forms take turns within a round, so that whatever else
    the machine does meets all of them. Ratios are taken within rounds, then their median."""
    times: dict[str, list[float]] = {name: [] for name in forms}
    for form in forms.values():
        form()
    for _ in range(rounds):
        for name, form in forms.items():
            start = time.process_time()
            for _ in range(calls):
                form()
            times[name].append((time.process_time() - start) / calls)
    return {name: np.array(t) for name, t in times.items()}


def microseconds(seconds: np.ndarray) -> str:
    return f"{np.median(seconds) * 1e6:.0f} µs"


def machine() -> str:
    import cv2
    import numba

    names = [line.split(":")[1].strip() for line in open("/proc/cpuinfo") if line.startswith(("model name", "Model"))]
    processor = names[0] if names else platform.processor() or platform.machine()
    return (
        f"{processor} ({platform.machine()}), {platform.system()} {platform.release().split('-')[0]}, Python {platform.python_version()}, "
        f"numpy {np.__version__}, opencv {cv2.__version__}, numba {numba.__version__}"
    )


def recording(folder: Path, shape: tuple[int, int], seconds: int, every_s: float = 10.0) -> Path:
    """Rig file of an invented recording of `seconds` (tens) at 25 frames/s: a centre crack in closed form at 7 Hz, load at
    1 kHz. Ten seconds of frames, 70 cycles, are rendered without noise and repeated with noise of 50 mK."""
    plate = plates.centre_crack(shape=shape)
    made = recordings.render(plate, frames=250, width_mm=100.0, camera={"netd_K": 0.0})
    repeats, rng = seconds // 10, np.random.default_rng(3)
    frames = np.concatenate([made.frames] * repeats)
    for frame in frames:
        noise = rng.standard_normal(shape, np.float32) * (NOISE_K * made.camera.counts_per_K)
        frame[~made.dead] += np.rint(noise[~made.dead]).astype(np.int16).astype(np.uint16)  # wraps round as it should
    arrival_s = np.concatenate([made.arrival_s + 10.0 * i for i in range(repeats)])
    load_time_s, load_kN = made.wave.samples(0, int((seconds + 2) * 1000), np.random.default_rng(5))
    long = dataclasses.replace(
        made,
        frames=frames,
        arrival_s=np.maximum.accumulate(arrival_s),
        load_time_s=load_time_s,
        load_kN=load_kN,
    )
    saved = recordings.save(
        long, folder, rig={"records": {"every_s": every_s}}, profile={"netd_K": NOISE_K}, width_mm=100.0
    )
    assert saved.rig is not None
    return saved.rig
