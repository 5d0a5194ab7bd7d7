"""Settings drawn at random, all at once: specimen, crack, view, camera, load, disturbances. For what no list foresees.

Half of the centre cracks have heat that flows (the diffusion equation by FFT, tests/plates.py). Profile and rig file are as a
careful lab has them: lag, readout, K0 and scale are off by errors drawn from the deviations that they state, the width by what
calipers leave, and edge-cracked plates are bent a little or clamped, of which the rig file knows nothing. Render `index` is the
same on every call.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import fem
import numpy as np
import plates
import recordings

from accuracy import measure
from accuracy.conditions import FRAMES, Condition
from accuracy.scenes import ALUMINIUM, STEEL, THICKNESS_MM, Setting
from edge import aliases
from edge.bench_field import Ahead, Contact, Scene

NAME = "drawn"
TITANIUM = 3.7e-6
MATERIAL = {STEEL: ("mild steel", 14.0), ALUMINIUM: ("2024", 50.0), TITANIUM: ("Ti-6Al-4V", 2.9)}  # D, mm2/s
SHAPES = ((60, 80), (62, 80), (120, 160), (120, 160), (156, 206), (192, 256), (288, 384))
RATES_HZ = (8.7, 9.0, 25.0, 25.0, 30.0, 50.0, 60.0)
WIDTH_SD, BENDING_SD = 0.003, 0.1  # relative; of the remote stress. Our own choice
CRACKS = {"SENT": (0.15, 0.6), "MT": (0.12, 0.35), "CT": (0.3, 0.6)}  # over the width
FIXES = 4


def compare(index: int) -> dict[str, Any]:
    """The last row of render `index` against the truth, beside what was drawn."""
    rng = np.random.default_rng([77, index])
    setting, heat = specimen(rng)
    camera, wave = disturbances(rng)
    rate = camera["frame_rate_hz"]
    frames = max(FRAMES, round(60 * rate))
    plate, (material, diffusivity) = setting.plate, MATERIAL[setting.K0_per_MPa]
    scene = conducting(setting, diffusivity, wave["frequency_hz"]) if heat else None
    made = recordings.render(
        plate, frames, int(rng.integers(2**31)), camera, wave, setting.contact, setting.ahead, setting.K0_per_MPa,
        setting.width_mm, THICKNESS_MM, scene=scene,
    )  # fmt: skip
    memory_s = round(frames / rate, 2)
    told, profile = said(rng, setting, camera)
    extra = {
        "lockin": {"memory_s": memory_s}, "records": {"every_s": round(memory_s / FIXES, 2)}, "view": told["view"],
        "specimen": {"thermal_diffusivity_mm2_per_s": diffusivity, "material": material, **told["specimen"]},
    }  # fmt: skip
    rows, _ = measure.run(Condition(NAME, NAME, rig=extra, profile=profile), setting, made)
    row = rows[-1]
    out: dict[str, Any] = {
        "condition": NAME, "group": NAME, "index": index, "scene": setting.geometry, "rows": len(rows), "heat": heat,
        "flags": list(row.flags), "slips": camera["slip_px_per_h"] > 0, "contact_true_mm": setting.contact.length_mm,
        "drawn": f"{setting.geometry}, crack {plate.crack_mm:.1f} mm, {plate.sum_MPa.shape[0]}×{plate.sum_MPa.shape[1]} pixels of "
        f"{plate.mm_per_px:.3f} mm, {rate:g} frames/s, load {wave['frequency_hz']:g} Hz{', heat flows' if heat else ''}",
    }  # fmt: skip
    out |= measure.against_tip(setting, made, row, memory_s)
    if out["tip"]:  # what the measurement itself adds to K0's, the scale's and the lag's errors
        K0, mm = told["specimen"]["thermoelastic_constant_per_MPa"], told["view"]["mm_per_px"]
        given = (setting.K0_per_MPa / K0) * (mm / plate.mm_per_px) ** 0.5
        out["dK_own_off"] = (1 + out["dK_off"]) / given - 1
    return out


def said(rng: np.random.Generator, setting: Setting, camera: dict[str, float]) -> tuple[dict[str, dict[str, float]], dict[str, float]]:
    """What the rig file and the camera profile say, each off by an error drawn from the deviation that it states (the width, from
    WIDTH_SD)."""

    def off(value: float, sd: float) -> float:
        return float(value + sd * rng.standard_normal())

    K0, mm = setting.K0_per_MPa, setting.plate.mm_per_px
    K0_sd, mm_sd = float(rng.choice([0.0, 0.01, 0.03])) * K0, float(rng.uniform(0.0005, 0.003)) * mm
    tau_sd, readout_sd = float(rng.uniform(0.002, 0.02)) * camera["tau_s"], float(rng.uniform(0.0, 0.0005))
    specimen = {
        "thermoelastic_constant_per_MPa": off(K0, K0_sd), "thermoelastic_constant_sd_per_MPa": K0_sd,
        "width_mm": off(setting.width_mm, WIDTH_SD * setting.width_mm),
    }  # fmt: skip
    view = {"mm_per_px": off(mm, mm_sd), "mm_per_px_sd": mm_sd}
    profile = {
        "tau_s": off(camera["tau_s"], tau_sd), "tau_sd_s": tau_sd, "readout_s": off(camera["readout_s"], readout_sd),
        "readout_sd_s": readout_sd,
    }  # fmt: skip
    return {"specimen": specimen, "view": view}, profile


def specimen(rng: np.random.Generator) -> tuple[Setting, bool]:
    """A cracked specimen in view, and whether heat flows in it."""
    shape = SHAPES[rng.integers(len(SHAPES))]
    geometry = ("centre", "SENT", "SENT", "MT", "CT")[rng.integers(5)]
    K0 = {"centre": ALUMINIUM, "SENT": STEEL, "MT": TITANIUM, "CT": ALUMINIUM}[geometry]
    angle = float((0, 0, 90, 180, -90, rng.uniform(-30, 30))[rng.integers(6)])
    width = float(rng.uniform(20, 60))
    crack = float(rng.uniform(3, 20) if geometry == "centre" else rng.uniform(*CRACKS[geometry]) * width)
    mm = float((rng.uniform(1.2, 3) * min(crack, 15) + 6) / shape[1])
    tip = (shape[0] * rng.uniform(0.35, 0.65), shape[1] * rng.uniform(0.35, 0.65))
    dK = float(rng.uniform(6, 12) if K0 == ALUMINIUM else rng.uniform(12, 28))
    if geometry == "centre":
        plate = plates.centre_crack(shape, tip, angle, mm, crack, dK / np.sqrt(np.pi * crack * 1e-3))
    else:
        clamped = geometry == "SENT" and bool(rng.random() < 0.2)
        bending = float(BENDING_SD * rng.standard_normal()) if geometry == "SENT" and not clamped else 0.0
        stress = dK / (fem.unit(geometry, round(crack / width, 9), bending, clamped).K * np.sqrt(width * 1e-3))
        plate = fem.plate(geometry, crack, width, stress, shape, tip, angle, mm, bending=bending, clamped=clamped)
    touching = min(float(rng.uniform(0.8, 3)), 0.4 * crack) if rng.random() < 0.7 else 0.0
    contact = Contact(touching if touching > 0.6 else 0.0, float(rng.uniform(20, 70)), float(rng.uniform(0.2, 0.5)))
    kind = "plate" if geometry == "centre" else geometry
    wide = 4 * crack if geometry == "centre" else width
    return Setting(plate, contact, Ahead(), K0, geometry=kind, width_mm=wide), geometry == "centre" and bool(rng.random() < 0.5)


def disturbances(rng: np.random.Generator) -> tuple[dict[str, float], dict[str, float]]:
    """Camera and load; a load frequency that folds onto something else within a memory is drawn again."""
    rate = RATES_HZ[rng.integers(len(RATES_HZ))]
    while True:
        hz = float(round(rng.uniform(0.5, 20), 2))
        if not aliases.collisions(hz, rate, 60.0, 50.0).spoiled:
            break

    def sometimes(p: float, low: float, high: float) -> float:
        return float(rng.uniform(low, high)) if rng.random() < p else 0.0

    camera = {
        "frame_rate_hz": rate, "tau_s": float(rng.uniform(0.006, 0.015)), "netd_K": float(rng.uniform(0.03, 0.1)),
        "readout_s": float(rng.uniform(0, min(0.03, 0.9 / rate))), "arrival_jitter_s": float(rng.uniform(0, 0.006)),
        "lost": float(rng.uniform(0, 0.04)), "repeated": sometimes(0.5, 0.0, 0.05), "dead": float(rng.uniform(0, 0.004)),
        "motion_px": sometimes(0.3, 0.0, 0.8), "motion_deg": float(rng.uniform(0, 180)),
        "slip_px_per_h": sometimes(0.3, 0.0, 3.0), "shutter_every_s": sometimes(0.3, 20.0, 60.0),
        "drift_K_per_h": float(rng.uniform(0, 10)),
    }  # fmt: skip
    wave = {
        "frequency_hz": hz, "h2": sometimes(0.5, 0.0, 0.05), "h2_deg": float(rng.uniform(0, 360)),
        "start_deg": float(rng.uniform(0, 360)),
    }  # fmt: skip
    return camera, wave


def conducting(setting: Setting, diffusivity: float, hz: float) -> Scene:
    """The scene with the 1f field as heat flow leaves it, from a field so much larger that its ends do not matter."""
    p = setting.plate
    pad = min(300, int(6 * np.sqrt(diffusivity / (np.pi * hz)) / p.mm_per_px) + 1)
    rows, columns = p.sum_MPa.shape
    big = plates.centre_crack(
        (rows + 2 * pad, columns + 2 * pad), (p.tip_px[0] + pad, p.tip_px[1] + pad), p.angle_deg, p.mm_per_px, p.crack_mm,
        p.stress_MPa,
    )  # fmt: skip
    elastic = recordings.thermal_scene(big, K0_per_MPa=setting.K0_per_MPa).elastic
    seen = plates.conducted(elastic, p.mm_per_px, diffusivity, hz)[pad:-pad, pad:-pad]
    return replace(recordings.thermal_scene(p, setting.contact, setting.ahead, setting.K0_per_MPa), elastic=seen)
