"""A simulated bench: camera and load cell watch an invented crack grow, on an invented clock that never waits.

Everything it shows is invented. The elastic field is the centre crack in an infinite sheet (closed form), scaled so
that its K is the handbook K of the specimen (for M(T): ASTM E647's secant); T is then minus that stress, and the
specimen's edges are not shown. Contact, dissipation, growth and camera: the modules edge.bench_*.

To show long growth with little computing the camera may look in bursts that end just after every multiple of the record
interval; the load is sampled all the time, so cycle counts stay exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calibration.door import InputError
from calibration.profile import load_profile
from edge.bench_camera import BenchCamera, CameraModel
from edge.bench_field import Ahead, Contact, Scene, centre_crack_sum, crack_scene
from edge.bench_growth import CrackLaw, CrackLife, grow
from edge.bench_load import TURN, LoadWave
from edge.handbook import ZERO_C_K
from edge.rig import Rig
from edge.sources.base import EndOfSource, Frame, FrameSource, LoadSource

SAMPLES_PER_CYCLE = 25
SCENE_STEP_PX = 0.05  # the scene is drawn again when the crack has grown this far
AFTER_ROW_S = 2.0  # a burst goes on this long after its record is due, for clock and phase to settle
START_DELTA_K = 14.0  # MPa sqrt(m), where the rig file names no load range
ROOM_TEMPERATURE_C = 22.0
TEST_RECORDS = 12

Settings = dict[str, Any]


@dataclass(frozen=True)
class Bench:
    """Settings of a simulated bench. `burst_s` None: the camera looks all the time."""

    rows: int = 120
    columns: int = 160
    mm_per_px: float = 0.15
    datum_px: tuple[float, float] = (60.0, 10.0)
    growth_angle_deg: float = 0.0
    K0_T: float = 3.1e-6 * 295.0  # K per MPa
    surface_K: float = 295.0
    law: CrackLaw = CrackLaw()
    contact: Contact = Contact()
    overload_contact: float = (
        0.5  # the contact zone is longer by this share of (1 - Wheeler's factor) after an overload
    )
    ahead: Ahead = Ahead()
    camera: CameraModel = CameraModel()
    wave: LoadWave = field(default_factory=LoadWave)
    burst_s: float | None = None
    period_s: float = 10.0  # of the records, where the camera looks in bursts
    duration_s: float = 300.0
    blur_px: float = 0.6
    seed: int = 1


@dataclass(frozen=True)
class Truth:
    """What the crack was at one moment; for tests, never for the loop."""

    cycles: float
    crack_mm: float
    tip_px: tuple[float, float]
    delta_K_MPa_sqrt_m: float
    T_MPa: float  # range
    contact_length_mm: float
    opening_fraction: float
    rate_mm_per_cycle: float


class SimulatedBench:
    """`frames` and `load` are the two sources; both run on the clock that reading frames moves on."""

    def __init__(self, bench: Bench) -> None:
        self.bench, self.wave = bench, bench.wave
        self.life: CrackLife = grow(bench.law, float(bench.wave.phase(bench.duration_s)) / TURN)
        self.frames = SimulatedFrames(self)
        self.load = SimulatedLoad(self)

    def truth(self, time_s: float) -> Truth:
        """The crack at true time `time_s`."""
        law, n = self.bench.law, float(self.wave.phase(time_s)) / TURN
        a, gamma = float(self.life.crack_at(n)), float(self.life.gamma_at(n))
        dK = float(law.delta_K(a))
        t, px = np.deg2rad(self.bench.growth_angle_deg), a / self.bench.mm_per_px
        row, col = self.bench.datum_px
        return Truth(
            cycles=n,
            crack_mm=a,
            tip_px=(float(row - px * np.sin(t)), float(col + px * np.cos(t))),
            delta_K_MPa_sqrt_m=dK,
            T_MPa=-dK / np.sqrt(np.pi * a * 1e-3),
            contact_length_mm=self.bench.contact.length_mm * (1 + self.bench.overload_contact * (1 - gamma)),
            opening_fraction=law.opening_fraction,
            rate_mm_per_cycle=gamma * law.C * dK**law.m,
        )

    def scene(self, truth: Truth) -> Scene:
        """Surface temperatures around the crack."""
        b = self.bench
        opening = truth.opening_fraction
        contact = replace(b.contact, length_mm=truth.contact_length_mm, opening_fraction=opening)
        half, stress = truth.crack_mm, -truth.T_MPa
        return crack_scene(
            (b.rows, b.columns),
            truth.tip_px,
            b.growth_angle_deg,
            b.mm_per_px,
            lambda x, y: centre_crack_sum(x, y, half, stress),
            b.K0_T,
            b.surface_K,
            contact,
            b.ahead,
            blur_px=b.blur_px,
        )

    def looking(self, time_s: float) -> float:
        """The first moment from `time_s` on in which the camera looks."""
        b = self.bench
        if b.burst_s is None or time_s < AFTER_ROW_S:
            return time_s
        since = time_s % b.period_s
        return (
            time_s
            if since < AFTER_ROW_S or since >= b.period_s - b.burst_s
            else time_s - since + b.period_s - b.burst_s
        )


class SimulatedFrames(FrameSource):
    """The camera of a simulated bench."""

    def __init__(self, of: SimulatedBench) -> None:
        self._of, self._next = of, 0
        b = of.bench
        self.camera = BenchCamera(b.camera, b.wave, b.rows, b.columns, b.seed)
        self._drawn_mm = -np.inf

    def read(self, timeout_s: float) -> Frame | None:
        """The next frame that arrives. EndOfSource at the end of the test or where the crack has left its law."""
        while True:
            t = float(self.camera.exposure_s(self._next))
            ahead = self._of.looking(t)
            if ahead > t:
                self._next += int(np.ceil((ahead - t) * self._of.bench.camera.frame_rate_hz))
                t = float(self.camera.exposure_s(self._next))
            if t > self._of.bench.duration_s:
                raise EndOfSource
            self._draw(t)
            shot = self.camera.shoot(self._next)
            self._next += 1
            if shot.counts is not None:
                return Frame(shot.number, shot.arrival_s, shot.counts)

    @property
    def share(self) -> float:
        return min(1.0, float(self.camera.exposure_s(self._next)) / self._of.bench.duration_s)

    def _draw(self, t: float) -> None:
        truth = self._of.truth(t)
        if truth.cycles > self._of.life.cycles[-1] + 1:
            raise EndOfSource
        if truth.crack_mm - self._drawn_mm > SCENE_STEP_PX * self._of.bench.mm_per_px:
            self.camera.look(self._of.scene(truth), t)
            self._drawn_mm = truth.crack_mm


class SimulatedLoad(LoadSource):
    """The load cell of a simulated bench."""

    def __init__(self, of: SimulatedBench) -> None:
        self._wave, self._next = of.wave, 0
        self._last = int(of.bench.duration_s * of.wave.sample_rate_hz)
        self._rng = np.random.default_rng([of.bench.seed, 1])

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Samples up to `until_s` that were not given before."""
        first = self._next
        wanted = int(np.floor(until_s / (1 + self._wave.clock_error) * self._wave.sample_rate_hz)) + 1
        self._next = max(first, min(wanted, self._last))
        self.ended = self._next >= self._last
        return self._wave.samples(first, self._next, self._rng)


def bench_from_rig(
    rig: Rig,
    camera: Settings | None = None,
    wave: Settings | None = None,
    law: Settings | None = None,
    contact: Settings | None = None,
    ahead: Settings | None = None,
    **changes: Any,
) -> SimulatedBench:
    """The bench a rig file describes: geometry, material, view, rates, intervals and camera profile are the rig's.

    What it does not say has the defaults of CameraModel, LoadWave, CrackLaw, Contact, Ahead and Bench; the arguments
    override single fields of these: bench_from_rig(rig, law={"overload_cycle": 20000}, duration_s=6000.0). The load
    range is [load] nominal_range_kN, else one that gives START_DELTA_K. The camera looks in bursts where the record
    interval is longer than two memories and a bit. The test lasts for TEST_RECORDS intervals.
    """
    crack = _law(rig, law or {})
    hz, amplitude = rig.load.frequency_hz, crack.range_kN / 2
    plain = LoadWave(
        frequency_hz=hz,
        mean_kN=amplitude * (1 + crack.load_ratio) / (1 - crack.load_ratio),
        amplitude_kN=amplitude,
        sample_rate_hz=SAMPLES_PER_CYCLE * hz,
        noise_kN=1e-3 * amplitude,
        overload_cycle=crack.overload_cycle,
        overload_ratio=crack.overload_ratio,
    )
    kelvin = _surface_K(rig)
    every, burst = rig.records.every_s, 1.1 * rig.lockin.memory_s + 1.0
    bench = Bench(
        rows=rig.camera.rows,
        columns=rig.camera.columns,
        mm_per_px=rig.view.mm_per_px,
        datum_px=(rig.view.datum_px[0], rig.view.datum_px[1]),
        growth_angle_deg=rig.view.growth_angle_deg,
        K0_T=rig.specimen.thermoelastic_constant_per_MPa * kelvin,
        surface_K=kelvin,
        law=crack,
        contact=replace(Contact(), **(contact or {})),
        ahead=replace(Ahead(), **(ahead or {})),
        camera=replace(_camera(rig), **(camera or {})),
        wave=replace(plain, **(wave or {})),
        burst_s=burst if every > 2 * burst else None,
        period_s=every,
        duration_s=TEST_RECORDS * every + AFTER_ROW_S,
    )
    return SimulatedBench(replace(bench, **changes))


def _surface_K(rig: Rig) -> float:
    celsius = rig.specimen.temperature_C
    return ZERO_C_K + (ROOM_TEMPERATURE_C if celsius is None else celsius)


def _law(rig: Rig, changes: Settings) -> CrackLaw:
    """Specimen and load range of the rig; the crack starts 1 mm beyond the notch."""
    s = rig.specimen
    for key in ("width_mm", "thickness_mm"):
        if not np.isfinite(getattr(s, key)):
            raise InputError(f"{rig.path} [specimen] {key}: is missing; a simulated bench needs it for the stress")
    start = s.notch_mm + 1.0 if s.notch_mm else 0.15 * s.width_mm
    law = CrackLaw(s.geometry, s.width_mm, s.thickness_mm, s.free_length_mm, s.yield_strength_MPa, start)
    law = replace(law, **{k: v for k, v in changes.items() if k != "range_kN"})
    start_K = float(law.delta_K(law.start_mm))
    if not np.isfinite(start_K):
        raise InputError(
            f"{rig.path} [specimen] notch_mm: is {s.notch_mm:g}, the simulated crack starts at {law.start_mm:g} mm, "
            f"where {s.geometry} of this width has no handbook K; give a notch within its range"
        )
    wanted = rig.load.nominal_range_kN or law.range_kN * START_DELTA_K / start_K
    return replace(law, range_kN=changes.get("range_kN", wanted))


def _camera(rig: Rig) -> CameraModel:
    """A camera as the rig file and its profile describe it."""
    c = rig.camera
    model = CameraModel(frame_rate_hz=c.frame_rate_hz, zero_K=c.zero_K or 0.0)
    if c.counts_per_K is not None:
        model = replace(model, counts_per_K=c.counts_per_K)
    if c.profile is None:
        return model
    profile = load_profile(c.profile)
    known = {
        "tau_s": profile.tau_s,
        "readout_s": profile.readout_s,
        "frame_delay_s": profile.frame_delay_s,
        "netd_K": profile.netd_K,
        "counts_per_K": profile.counts_per_K,
    }
    return replace(model, **{k: v for k, v in known.items() if v is not None})
