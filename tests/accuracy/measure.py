"""One render through the real loop, and how far its records are from the truth."""

from __future__ import annotations

import tempfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import recordings
from plates import crack_coordinates
from recordings import Recording

from accuracy.conditions import FRAMES, Condition
from accuracy.scenes import THICKNESS_MM, Setting
from edge.record import Row
from edge.rig import Rig, load_rig
from edge.run import run_sources
from edge.sources.base import EndOfSource, Frame, FrameSource, LoadSource
from edge.sources.frames_load import FramesLoad

FIXES = 6  # in one memory
HOT_K, HOT_TIMES = 8.0, 10.0


class ArrayFrames(FrameSource):
    """Frames (n, rows, columns) at their arrival times (n,)."""

    def __init__(self, made: Recording):
        self.frames, self.arrival_s, self.next = made.frames, made.arrival_s, 0

    def read(self, timeout_s: float) -> Frame | None:
        if self.next == len(self.frames):
            raise EndOfSource
        self.next += 1
        return Frame(self.next - 1, float(self.arrival_s[self.next - 1]), self.frames[self.next - 1])


class ArrayLoad(LoadSource):
    """Load samples, handed out up to the time asked for."""

    def __init__(self, made: Recording):
        order = np.argsort(made.load_time_s, kind="stable")
        self.time_s, self.load_kN, self.next = made.load_time_s[order], made.load_kN[order], 0

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        end = int(np.searchsorted(self.time_s, until_s, side="right"))
        first, self.next = self.next, max(end, self.next)
        self.ended = self.next == len(self.time_s)
        return self.time_s[first : self.next], self.load_kN[first : self.next]


def chosen(settings: dict[str, Any], index: int) -> dict[str, Any]:
    """Tuples give their members in turn."""
    return {k: v[index % len(v)] if isinstance(v, tuple) else v for k, v in settings.items()}


def make(condition: Condition, index: int) -> tuple[str, Setting, Recording]:
    """Scene and recording of render `index`; the same ones on every call."""
    rng = np.random.default_rng([zlib.crc32(condition.name.encode()), index])
    name = list(condition.scenes)[index % len(condition.scenes)]
    turn = index // len(condition.scenes)  # so that every scene meets every member of the tuples
    setting = condition.scenes[name](rng)
    made = recordings.render(
        setting.plate, condition.frames, int(rng.integers(2**31)), chosen(condition.camera, turn),
        {"frequency_hz": 7.0, **chosen(condition.wave, turn), "start_deg": float(rng.uniform(0, 360))},
        setting.contact, setting.ahead, setting.K0_per_MPa, setting.width_mm, THICKNESS_MM,
    )  # fmt: skip
    if condition.hot:
        heat(made, condition.hot, rng)
    return name, setting, made


def heat(made: Recording, share: float, rng: np.random.Generator) -> None:
    """Hot pixels: too high and restless. A frame that repeats the one before repeats their values too."""
    rows, columns = np.nonzero(rng.random(made.frames.shape[1:]) < share)
    noise = made.camera.netd_K * HOT_TIMES * rng.standard_normal((len(made.frames), rows.size))
    copy = copies(made)
    for i in np.flatnonzero(copy):
        noise[i] = noise[i - 1]
    counts = made.frames[:, rows, columns] + (HOT_K + noise) * made.camera.counts_per_K
    made.frames[:, rows, columns] = np.clip(np.rint(counts), 0, 65535).astype(np.uint16)


def copies(made: Recording) -> np.ndarray:
    """True for frames that are the same as the one before, bool (n,)."""
    same = [np.array_equal(a, b) for a, b in zip(made.frames[1:], made.frames)]
    return np.array([False, *same])


def rig_of(condition: Condition, setting: Setting, made: Recording, folder: Path) -> Rig:
    """The rig file of a render: true camera profile (but for the condition's) without frame delay, memory of 1500 frames."""
    tables = recordings.rig_tables(made, setting.width_mm, THICKNESS_MM, setting.K0_per_MPa)
    memory_s = FRAMES / made.camera.frame_rate_hz
    tables["specimen"] |= {"geometry": setting.geometry, "material": setting.material}
    tables["lockin"]["memory_s"] = round(memory_s, 3)
    tables["records"] |= {"every_s": round(memory_s / FIXES, 3), "maps_every_s": 1e6}
    for extra in (setting.rig, condition.rig):
        for name, keys in extra.items():
            tables[name] |= keys
    model = made.camera
    profile = {"tau_s": model.tau_s, "tau_sd_s": 0.0, "readout_s": model.readout_s, "readout_sd_s": 0.0}
    (folder / "camera.toml").write_text(recordings.toml({**profile, "netd_K": model.netd_K, **condition.profile}))
    (folder / "rig.toml").write_text(recordings.toml(tables))
    return load_rig(folder / "rig.toml", check_files=False)


def run(condition: Condition, setting: Setting, made: Recording) -> tuple[list[Row], dict[str, np.ndarray]]:
    """Rows, and the maps kept with the last one."""
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="accuracy-") as name:
        folder = Path(name)
        rig = rig_of(condition, setting, made, folder)
        load = FramesLoad() if rig.load.source == "frames" else ArrayLoad(made)
        run_sources(rig, ArrayFrames(made), load, folder / "out", rows.append)
        last = folder / "out" / f"maps-{rows[-1].seq:06d}.npz"
        kept = last if last.exists() else max((folder / "out").glob("maps-*.npz"))
        with np.load(kept) as data:
            maps = {k: data[k] for k in data.files}
    return rows, maps


def compare(condition: Condition, index: int) -> dict[str, Any]:
    """Make a render, run it, and compare the last row and its maps with the truth. None: not in the record."""
    name, setting, made = make(condition, index)
    rows, maps = run(condition, setting, made)
    row = rows[-1]
    words = {w for r in rows for w in r.flags}
    dup = copies(made)
    out: dict[str, Any] = {
        "condition": condition.name, "group": condition.group, "scene": name, "index": index, "flags": list(row.flags),
        "words": sorted(words), "rows": len(rows), "frames": row.frames, "settled": "settling" not in row.flags,
        "cycles_off": cycles_off(made, row), "lost_off": sum(r.lost or 0 for r in rows) - lost(made),
        "copies_off": sum(r.repeated or 0 for r in rows) - int(dup.sum()),
        "frequency_off": (row.load_frequency_hz or np.nan) / mean_frequency(made) - 1,
        "tips_in_rows": sum(r.tip_col_px is not None for r in rows),
        "contacts_in_rows": sum(r.contact_length_mm is not None for r in rows),
        "contact_true_mm": setting.contact.length_mm,
    }  # fmt: skip
    out |= against_tip(setting, made, row, FRAMES / made.camera.frame_rate_hz) | against_maps(made, maps, available(made, dup))
    return {k: round(float(v), 6) if isinstance(v, (float, np.floating)) else v for k, v in out.items()}


def mean_frequency(made: Recording) -> float:
    """Mean load frequency while it ran in the last memory, since the last change."""
    end = float(made.exposure_s[-1])
    start = max(end - FRAMES / made.camera.frame_rate_hz, made.wave.step_at_s or 0.0)
    turns = float(made.wave.phase(end) - made.wave.phase(start)) / (2 * np.pi)
    return turns / float(made.wave.run_time(end) - made.wave.run_time(start))


def lost(made: Recording) -> int:
    return int(made.number[-1] - made.number[0] + 1 - len(made.number))


def cycles_off(made: Recording, row: Row) -> float:
    turns = float(made.wave.phase(float(made.exposure_s[-1]))) / (2 * np.pi)
    return (row.cycles or 0) - (turns - made.wave.start_deg / 360)


def available(made: Recording, dup: np.ndarray) -> int:
    """Frames that carry information for the last estimate: no copies, load running, since the last change of frequency."""
    since = made.wave.step_at_s if made.wave.step_at_s is not None else -np.inf
    use = ~dup & made.wave.running(made.exposure_s) & (made.exposure_s > since)
    return min(int(use.sum()), FRAMES)


def against_tip(setting: Setting, made: Recording, row: Row, memory_s: float) -> dict[str, Any]:
    """Errors of tip, K, T and contact, plain and in stated deviations (z_...)."""
    plate = setting.plate
    if row.tip_row_px is None or row.tip_col_px is None or not np.isfinite(plate.tip_px[0]):
        return {"tip": row.tip_row_px is not None}
    # a row tells what was half a memory ago (hw_notes/records_and_flags.md)
    slip = made.camera.slip_px_per_h * (float(made.exposure_s[-1]) - memory_s / 2) / 3600
    way = np.deg2rad(made.camera.slip_deg)
    tip = (plate.tip_px[0] - slip * np.sin(way), plate.tip_px[1] + slip * np.cos(way))
    along, across = (float(v) for v in crack_coordinates(row.tip_row_px, row.tip_col_px, tip, plate.angle_deg, 1.0))
    out = {
        "tip": True, "row_px": row.tip_row_px - tip[0], "col_px": row.tip_col_px - tip[1], "along_px": along,
        "across_px": across, "z_along": along / row.tip_sd_px, "z_across": across / row.tip_sd_px,
        "crack_off_mm": row.crack_mm - plate.crack_mm, "z_crack": (row.crack_mm - plate.crack_mm) / row.crack_sd_mm,
        "dK_off": row.dKI_MPa_sqrt_m / plate.KI_MPa_sqrt_m - 1, "dK_sd": row.dKI_sd / plate.KI_MPa_sqrt_m,
        "z_dK": (row.dKI_MPa_sqrt_m - plate.KI_MPa_sqrt_m) / row.dKI_sd,
        "dKII_off": (row.dKII_MPa_sqrt_m - plate.KII_MPa_sqrt_m) / plate.KI_MPa_sqrt_m,
        "z_dKII": (row.dKII_MPa_sqrt_m - plate.KII_MPa_sqrt_m) / row.dKII_sd,
        "T_off": (row.T_MPa - plate.T_MPa) / plate.stress_MPa, "T_sd": row.T_sd / plate.stress_MPa,
        "z_T": (row.T_MPa - plate.T_MPa) / row.T_sd, "r2": row.r2, "contact": row.contact_length_mm is not None,
        "motion_px": row.motion_px, "slip_px": row.slip_px,
    }  # fmt: skip
    if row.contact_length_mm is not None and row.contact_sd_mm:
        out["contact_off_mm"] = row.contact_length_mm - setting.contact.length_mm
        out["contact_sd_mm"] = row.contact_sd_mm
        out["z_contact"] = out["contact_off_mm"] / row.contact_sd_mm
    return out


def against_maps(made: Recording, maps: dict[str, np.ndarray], frames: int) -> dict[str, Any]:
    """rms error of a component of h1 and h2 over the specimen, over the Cramer-Rao bound for white noise.

    sqrt(2/N) sigma / |detector gain| (Kay, Fundamentals of Statistical Signal Processing, 1993, from memory), N frames
    `available`, sigma with the rounding to counts. `noise` is the part that differs from pixel to pixel, by neighbours.
    """
    zones = made.scene.zones
    truth = [made.scene.harmonics()[0], zones[1] if zones else np.zeros(made.scene.mean_K.shape)]
    camera = made.camera
    parts = camera.netd_K, camera.frame_noise_K, camera.row_noise_K, camera.column_noise_K, 1 / camera.counts_per_K / np.sqrt(12)
    sigma = float(np.linalg.norm(parts))
    hz = made.wave.frequency(float(made.exposure_s[-1]) - 0.5)
    out: dict[str, Any] = {"available": frames}
    use = maps["mask"].astype(bool)
    for k, true in enumerate(truth, start=1):
        bound = sigma * np.sqrt(2 / frames) * abs(1 + 2j * np.pi * k * hz * made.camera.tau_s)
        off = maps[f"h{k}"] - true
        if not np.isfinite(off[use]).all() or not use.any():
            continue
        step = (off[:, 1:] - off[:, :-1])[use[:, 1:] & use[:, :-1]]
        out[f"map{k}"] = float(np.sqrt(np.mean(np.abs(off[use]) ** 2) / 2) / bound)
        out[f"noise{k}"] = float(np.sqrt(np.mean(np.abs(step) ** 2) / 4) / bound)
    return out
