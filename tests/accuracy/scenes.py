"""Scenes of the accuracy table: cracked and uncracked plates with their zones. Levels of stress and contact are invented.

A scene is a function of a random generator, which places the tip anywhere within a pixel, so that no result hangs on
one place of the pixel grid.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import fem
import numpy as np
import plates
from plates import CrackedPlate
from recordings import NO_AHEAD, NO_CONTACT, thermal_scene

from edge.bench_field import Ahead, Contact

STEEL, ALUMINIUM = 3.1e-6, 9.4e-6  # thermoelastic constants, per MPa
WIDTH_MM, THICKNESS_MM = 30.0, 4.0
DK_MPA_SQRT_M = 20.0  # of the specimens that differ in a/W
# a/W, F of K = s sqrt(pi a) F, edge crack, ends free: Tada, Paris & Irwin handbook (from memory); sets the load only
SENT_FACTOR = {0.05: 1.14, 0.2: 1.367, 0.3: 1.655, 0.4: 2.108, 0.5: 2.827, 0.6: 4.043}


@dataclass(frozen=True)
class Setting:
    """A plate with its zones, and what the rig file must say of it."""

    plate: CrackedPlate
    contact: Contact = NO_CONTACT
    ahead: Ahead = NO_AHEAD
    K0_per_MPa: float = STEEL
    material: str = "mild steel"
    geometry: str = "plate"
    width_mm: float = WIDTH_MM
    rig: dict[str, dict] = field(default_factory=dict)


Scene = Callable[[np.random.Generator], Setting]


def jittered(tip_px: tuple[float, float], rng: np.random.Generator) -> tuple[float, float]:
    return tip_px[0] + rng.uniform(-0.5, 0.5), tip_px[1] + rng.uniform(-0.5, 0.5)


def centre(**settings) -> Scene:
    """Closed form: a long centre crack in an aluminium sheet, one tip in view."""

    def make(rng: np.random.Generator) -> Setting:
        tip = jittered(settings.get("tip_px", (61.8, 70.2)), rng)
        own = {"mm_per_px": 0.18, "half_mm": 12.0, "stress_MPa": 40.0, **settings, "tip_px": tip}
        plate = plates.centre_crack(**own)
        length = min(3.0, 0.4 * plate.crack_mm)
        return Setting(plate, Contact(length, 30.0), Ahead(), ALUMINIUM, "2024")

    return make


def specimen(
    geometry: str, a_over_W: float, stress_MPa: float, tip_px=(58.3, 84.6), width_mm=WIDTH_MM, **view
) -> Scene:
    """Finite elements: SENT, MT, CT in steel; `a_over_W` as the plate's crack size over W (MT: half crack)."""

    def make(rng: np.random.Generator) -> Setting:
        crack = a_over_W * width_mm
        plate = fem.plate(geometry, crack, width_mm, stress_MPa, tip_px=jittered(tip_px, rng), **view)
        length = min(2.0, 0.4 * crack)
        return Setting(plate, Contact(length, 60.0), Ahead(), geometry=geometry, width_mm=width_mm)

    return make


def slotted(
    crack_mm: float, slot_mm: float, wide_mm: float, geometry: str = "SENT", width_mm: float = WIDTH_MM, stress_MPa: float = 80.0
) -> Scene:
    """A crack that begins at the end of a slot; the rig file has the slot's length and width."""
    made = specimen(geometry, crack_mm / width_mm, stress_MPa, width_mm=width_mm, slot_mm=(slot_mm, wide_mm / 2))
    rig = {"specimen": {"notch_mm": slot_mm, "notch_width_mm": wide_mm}}
    return lambda rng: replace(made(rng), rig=rig, contact=Contact(min(1.5, 0.6 * (crack_mm - slot_mm)), 60.0))


def sent_across(a_over_W: float) -> Scene:
    """SENT with both edges in view, loaded to the same K at every crack size."""
    crack = a_over_W * WIDTH_MM
    stress = DK_MPA_SQRT_M / (SENT_FACTOR[a_over_W] * np.sqrt(np.pi * crack * 1e-3))
    return specimen("SENT", a_over_W, stress, (58.3, 5.0 + crack / 0.2), mm_per_px=0.2)


def off_angle(angle_deg: float) -> Scene:
    """A crack that runs at an angle to the direction the rig file gives, no notch."""
    made = centre(angle_deg=angle_deg)

    def make(rng: np.random.Generator) -> Setting:
        return replace(made(rng), rig={"specimen": {"notch_mm": 0.0}, "view": {"growth_angle_deg": 0.0}})

    return make


def curved(turns_deg: float) -> Scene:
    """Closed form: a crack along an arc of 24 mm; the rig file has the direction of its middle and the datum there, no
    notch. The way to the tip has not been seen: the straight one from the datum is taken as the crack's size."""

    def make(rng: np.random.Generator) -> Setting:
        plate = plates.arc_crack(jittered((55.8, 80.2), rng), turns_deg / 2, turns_deg=turns_deg, stress_MPa=40.0)
        half = np.deg2rad(turns_deg) / 2
        way_mm = 24.0 / half * np.sin(half / 2) * np.exp(0.5j * half)  # from the datum to the tip, right + i up
        datum = [plate.tip_px[0] + way_mm.imag / plate.mm_per_px, plate.tip_px[1] - way_mm.real / plate.mm_per_px]
        rig = {"specimen": {"notch_mm": 0.0}, "view": {"growth_angle_deg": 0.0, "datum_px": datum}}
        plate = replace(plate, crack_mm=float(abs(way_mm)))
        return Setting(plate, Contact(3.0, 30.0), Ahead(), ALUMINIUM, "2024", rig=rig)

    return make


def open_crack(scene: Scene) -> Scene:
    """The same without contact: dissipation ahead of the tip only."""
    return lambda rng: replace(scene(rng), contact=NO_CONTACT)


def faint(scene: Scene, times_noise: float) -> Scene:
    """Contact whose second harmonic, at the pixel where it is strongest, is `times_noise` deviations of the 2f map.

    The deviation is the Cramer-Rao bound of a component for 1500 frames of 50 mK at 14 Hz and tau 10 ms.
    """

    def make(rng: np.random.Generator) -> Setting:
        setting = scene(rng)
        length = float(rng.choice([1.0, 2.0, 3.0]))
        noise_K = 0.050 * np.sqrt(2 / 1500) * abs(1 + 2j * np.pi * 14.0 * 0.010)
        unit = replace(setting.contact, length_mm=length, stress_MPa=1.0)
        seen = thermal_scene(setting.plate, unit, NO_AHEAD, setting.K0_per_MPa).zones[1]
        stress = times_noise * noise_K / float(np.abs(seen).max())
        return replace(setting, contact=replace(unit, stress_MPa=stress))

    return make


def sheet(kind: str) -> Scene:
    """Sheets without a crack: uniform; with its edge in view; with a round hole; with an edge and a round notch.

    The hole is Kirsch's (1898, from memory); the notch is half of it, which is right for its shape, not its height.
    """

    def make(rng: np.random.Generator) -> Setting:
        row, col = np.indices((120, 160)).astype(float)
        shape, mm, stress = row.shape, 0.15, 60.0
        edge_col, (r0, c0), radius = rng.uniform(15, 40), jittered((58, 70), rng), rng.uniform(1.0, 2.5)
        if kind == "edge and notch":
            c0 = edge_col

        def outside(r, c):
            gone = np.broadcast_to(c < (edge_col if kind.startswith("edge") else -np.inf), np.broadcast(r, c).shape)
            if kind.endswith(("hole", "notch")):
                gone = gone | (np.hypot(r - r0, c - c0) * mm < radius)
            return gone

        def total(r, c):
            x, y = (c - c0) * mm, (r0 - r) * mm
            r2 = np.maximum(x**2 + y**2, radius**2)
            hole = kind.endswith(("hole", "notch"))
            s = stress * (1 + 2 * radius**2 / r2 * np.cos(2 * np.arctan2(y, x)) if hole else np.ones_like(r2))
            return np.where(outside(r, c), 0.0, s)

        cover = plates.on_pixels(lambda r, c: 1.0 - outside(r, c), shape)
        with np.errstate(invalid="ignore", divide="ignore"):
            seen = np.where(cover > 0.01, plates.on_pixels(total, shape) / cover, np.nan)
        plate = replace(plates.uncracked(shape, stress, mm), sum_MPa=seen, cover=cover)
        if not kind.startswith("edge"):
            return Setting(plate)
        return Setting(plate, geometry="SENT", rig={"view": {"datum_px": [60.0, edge_col]}})

    return make


EDGE = specimen("SENT", 1 / 3, 70.0)
CENTRE = centre()
BASES = {"SENT": EDGE, "centre": CENTRE}
