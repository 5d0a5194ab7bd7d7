"""What is done to the recordings: each disturbance alone, all of them at half strength, and the special sets.

A tuple as a value of `camera` or `wave` gives its members in turn, one a render.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from accuracy import scenes
from accuracy.scenes import BASES, Scene

FRAMES = 1500


@dataclass(frozen=True)
class Condition:
    """One line of the table. `withheld`: harmonics that must be withheld and flagged. `running`: frames in the memory."""

    name: str
    group: str
    scenes: dict[str, Scene] = field(default_factory=lambda: BASES)
    camera: dict = field(default_factory=dict)
    wave: dict = field(default_factory=dict)
    frames: int = FRAMES
    hot: float = 0.0  # share of pixels that stand 8 K high and are ten times as restless
    rig: dict[str, dict] = field(default_factory=dict)
    profile: dict[str, float] = field(default_factory=dict)  # of the camera, where not the true one
    withheld: frozenset[int] = frozenset()
    words: tuple[str, ...] = ()  # flags that some row must carry
    tip_limit_px: float = 0.12


def timing() -> list[Condition]:
    g = "timing"
    return [
        Condition("none", g),
        Condition("arrival jitter 10 ms", g, camera={"arrival_jitter_s": 0.010}),
        Condition(
            "arrival jitter 10 ms, 5 % lost, load 18.3 Hz", g, camera={"arrival_jitter_s": 0.010, "lost": 0.05},
            wave={"frequency_hz": 18.3}, frames=1580, words=("lost",),
        ),
        Condition("5 % of frames lost", g, camera={"lost": 0.05}, frames=1580, words=("lost",)),
        Condition("5 % of frames repeated", g, camera={"repeated": 0.05}, frames=1580, words=("repeated",)),
        Condition("2 s of frames lost", g, camera={"gap_from_s": 31.3, "gap_to_s": 33.3}, frames=1550),
        Condition(
            "frame rate 0.5 % high, drifting", g, camera={"frame_rate_error": 0.005, "frame_rate_drift_per_h": 0.005}
        ),
        Condition(
            "frame rate 0.5 % low, drifting", g, camera={"frame_rate_error": -0.005, "frame_rate_drift_per_h": -0.005}
        ),
        Condition("load clock 100 ppm fast", g, wave={"clock_error": 1e-4}),
        Condition("load clock 100 ppm slow", g, wave={"clock_error": -1e-4}),
        Condition("load frequency walks 0.2 %", g, wave={"walk": 0.002, "walk_period_s": (20.0, 60.0, 120.0)}),
        Condition(
            "pause of 30 s", g, wave={"pause_from_s": 31.0, "pause_to_s": 61.0}, frames=FRAMES + 760, words=("paused",)
        ),
        Condition(
            "frequency change in mid-run", g, wave={"step_at_s": 45.0, "step_frequency_hz": (7.7, 5.6, 7.25)},
            frames=FRAMES + 1125 + 60, words=("freq_changed",),
        ),
    ]  # fmt: skip


STRIPES = {"row_noise_K": 0.020, "column_noise_K": 0.020}


def camera() -> list[Condition]:
    g = "camera"
    return [
        Condition(
            "shutter every 20 s, steps of 50 mK", g, camera={"shutter_every_s": 20.0}, frames=1550, words=("frozen",)
        ),
        Condition("dead pixels 0.5 %", g, camera={"dead": 0.005}),
        Condition("blinking pixels 0.5 %", g, camera={"blinking": 0.005}),
        Condition("hot pixels 0.5 %", g, hot=0.005),
        Condition("drift 20 K/h", g, camera={"drift_K_per_h": 20.0}),
        Condition("rows and columns restless by 20 mK each", g, camera=STRIPES),
        Condition("whole frames restless by 10 mK", g, camera={"frame_noise_K": 0.010}),
    ]


def motion() -> list[Condition]:
    g = "motion"
    ways = (0.0, 45.0, 90.0, 135.0)
    return [
        *[Condition(f"motion {d} px with the load", g, camera={"motion_px": d, "motion_deg": ways}) for d in (0.25, 0.5, 1.0)],
        Condition("slip 3 px/h", g, camera={"slip_px_per_h": 3.0, "slip_deg": ways}),
    ]  # fmt: skip


def load() -> list[Condition]:
    g = "load path"
    return [
        Condition("load h2 5 %", g, wave={"h2": 0.05, "h2_deg": (0.0, 70.0, -140.0, 180.0)}),
        Condition(
            "load source frames", g, rig={"load": {"source": "frames", "path": None, "nominal_range_kN": 8.4}},
            words=("load_from_frames",),
        ),
        Condition("load samples jittered 0.2 ms", g, wave={"jitter_s": 0.0002}),
    ]  # fmt: skip


RATES = {
    8.7: (0.3, 5.0, 12.3, 24.7), 9.0: (0.3, 5.2, 20.6), 25.0: (0.3, 1.0, 18.3), 27.0: (7.0, 20.0),
    30.0: (0.3, 7.0, 22.0), 60.0: (0.3, 7.0, 23.0),
}  # fmt: skip
COLLIDING = {
    # two of mean, 1f, 2f, 3f, Nyquist frequency, flicker of 100 Hz fold together: frame rate, load, harmonics lost
    (25.0, 5.0): {2}, (25.0, 5.002): {2}, (30.0, 6.0): {2}, (60.0, 10.0): {2}, (8.7, 2.15): {2}, (27.0, 8.0): {1},
    (25.0, 12.5): {1, 2}, (25.0, 6.25): {1, 2}, (25.0, 25 / 3): {1, 2}, (9.0, 3.0): {1, 2}, (9.0, 9.0): {1, 2},
    (30.0, 20.0): {1, 2},
}  # fmt: skip


def rates() -> list[Condition]:
    free = [
        Condition(f"{r:g} frames/s, load {f:g} Hz", "frame rate", camera={"frame_rate_hz": r}, wave={"frequency_hz": f})
        for r, loads in RATES.items()
        for f in loads
    ]
    return free + [
        Condition(
            f"{r:g} frames/s, load {f:.4g} Hz", "collision", camera={"frame_rate_hz": r}, wave={"frequency_hz": f},
            withheld=frozenset(lost), words=tuple(f"collision_{k}f" for k in sorted(lost)),
        )
        for (r, f), lost in COLLIDING.items()
    ]  # fmt: skip


def cracks() -> list[Condition]:
    g = "crack"

    def only(name: str, scene: Scene) -> Condition:
        return Condition(name, g, {name.split(",")[0]: scene})

    return [
        *[only(f"SENT, a/W {a:g}, both edges in view", scenes.sent_across(a)) for a in (0.2, 0.3, 0.4, 0.5, 0.6)],
        *[only(f"SENT, a/W 0.35, bent by {b:+.0%}", scenes.specimen("SENT", 0.35, 70.0, bending=b)) for b in (-0.3, 0.3)],
        only("SENT, a/W 0.35, ends that cannot rotate", scenes.specimen("SENT", 0.35, 90.0, clamped=True)),
        only("SENT, 2 mm out of a slot 0.5 mm wide", scenes.slotted(8.0, 6.0, 0.5)),
        only("SENT, 3 mm out of a slot 1 mm wide", scenes.slotted(9.0, 6.0, 1.0)),
        only("CT, 5 mm out of a notch 1.6 mm wide", scenes.slotted(15.0, 10.0, 1.6, "CT", 50.0, 14.0)),
        only("CT, a/W 0.35", scenes.specimen("CT", 0.35, 13.0, width_mm=50.0)),
        only("CT, a/W 0.5", scenes.specimen("CT", 0.5, 8.0, width_mm=50.0)),
        only("MT, 2a/W 0.4", scenes.specimen("MT", 0.2, 80.0, width_mm=60.0)),
        only("MT, 2a/W 0.6", scenes.specimen("MT", 0.3, 55.0, width_mm=60.0)),
        only("SENT from the right", scenes.specimen("SENT", 1 / 3, 70.0, (58.3, 75.4), angle_deg=180.0)),
        only("SENT upwards", scenes.specimen("SENT", 1 / 3, 70.0, (50.3, 80.4), angle_deg=90.0)),
        only("centre crack, 180 degrees", scenes.centre(angle_deg=180.0, tip_px=(61.8, 88.4))),
        only("centre crack, 90 degrees", scenes.centre(angle_deg=90.0, tip_px=(52.4, 80.2))),
        only("centre crack, 35 degrees", scenes.centre(angle_deg=35.0)),
        only("short crack 1.5 mm, SENT", scenes.specimen("SENT", 0.05, 180.0, (58.3, 60.0), mm_per_px=0.1)),
        only("short crack 1.5 mm, centre", scenes.centre(half_mm=1.5, stress_MPa=90.0, mm_per_px=0.1)),
        only("longer than the view, centre crack 25 mm", scenes.centre(half_mm=25.0, stress_MPa=30.0)),
        only("inclined 20 degrees, mixed mode", scenes.centre(beta_deg=20.0)),
        only("inclined 40 degrees, mixed mode", scenes.centre(beta_deg=40.0)),
        only("10 degrees off the rig file's direction", scenes.off_angle(10.0)),
        only("20 degrees off the rig file's direction", scenes.off_angle(20.0)),
        only("curved by 20 degrees over 24 mm, 10 off at the tip", scenes.curved(20.0)),
        only("curved by 40 degrees over 24 mm, 20 off at the tip", scenes.curved(40.0)),
    ]


# Half strength of everything above that has a strength; of the events one each, half as long.
HALF_CAMERA = {
    "arrival_jitter_s": 0.005, "lost": 0.025, "repeated": 0.025, "gap_from_s": 70.0, "gap_to_s": 71.0,
    "frame_rate_error": 0.0025, "frame_rate_drift_per_h": 0.0025, "shutter_every_s": 27.0, "shutter_step_K": 0.025,
    "motion_px": 0.5, "motion_deg": (0.0, 45.0, 90.0, 135.0), "slip_px_per_h": 1.5, "dead": 0.0025, "blinking": 0.0025,
}  # fmt: skip
HALF_WAVE = {
    "clock_error": 5e-5, "walk": 0.001, "step_at_s": 20.0, "step_frequency_hz": 7.35, "pause_from_s": 40.0,
    "pause_to_s": 55.0, "h2": 0.025, "h2_deg": (70.0, -140.0), "jitter_s": 0.0001,
}  # fmt: skip
HALF = {"camera": HALF_CAMERA, "wave": HALF_WAVE, "frames": FRAMES + 1150, "hot": 0.0025, "tip_limit_px": 0.2}


def together() -> list[Condition]:
    return [Condition("all together at half strength", "together", **HALF)]


def special() -> list[Condition]:
    """Sets that must show something or must not: open cracks, uncracked sheets, faint contact."""
    opened = {name: scenes.open_crack(s) for name, s in BASES.items()}
    faint = {name: scenes.faint(s, 4.0) for name, s in BASES.items()}
    sheets = {kind: scenes.sheet(kind) for kind in ("uniform", "edge", "hole", "edge and notch")}
    return [
        Condition("open crack", "open", opened),
        Condition("open crack, load h2 5 %", "open", opened, wave={"h2": 0.05, "h2_deg": (0.0, 70.0, -140.0, 180.0)}),
        Condition("open crack, motion 0.5 px", "open", opened, camera={"motion_px": 0.5, "motion_deg": (0.0, 45.0, 90.0, 135.0)}),
        Condition("open crack, rows, columns and frames restless", "open", opened, camera={**STRIPES, "frame_noise_K": 0.010}),
        Condition("open crack, all together", "open", opened, **HALF),
        Condition("no crack", "uncracked", sheets),
        Condition("no crack, motion 0.5 px", "uncracked", sheets, camera={"motion_px": 0.5, "motion_deg": (0.0, 45.0, 90.0)}),
        Condition("no crack, all together", "uncracked", sheets, **HALF),
        Condition("contact at 4 x noise", "faint", faint),
    ]  # fmt: skip


def everything() -> list[Condition]:
    return [*timing(), *camera(), *motion(), *load(), *rates(), *cracks(), *together(), *special()]
