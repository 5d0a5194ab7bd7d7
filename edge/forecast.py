"""What a rig can be expected to see, before the test: noise, deviations and signals from the rig file and the profile.

Noise: with phase and frequency known, each component of a harmonic has the deviation s sqrt(2/N) after N frames of
deviation s (Cramer-Rao bound; Kay, Fundamentals of Statistical Signal Processing, 1993, from memory), divided by what
the detector leaves of that harmonic. The deviation of K and tip comes from the fit itself (edge/williams.py), given the
pixels of its region and a field of the expected K: it is the noise's and the truncated series', for a perfect specimen.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from calibration.profile import CameraProfile, covers, load_profile, response, response_sd
from edge import handbook, williams
from edge.aliases import ESTIMATED, collisions, folded_hz, margin_hz
from edge.correct import scale_sd
from edge.growth_validity import ligament_too_small
from edge.region import LEAST_PIXELS, Region, choose, specimen
from edge.rig import FEWEST_CYCLES, Rig
from edge.tip import SURE

TAU_S = 0.010  # microbolometers have 7 to 12 ms (a camera maker's note)
NETD_K = 0.050  # small modules: below 50 mK (a module's data sheet)
TEMPERATURE_C = 22.0
NOMINAL_DK = 10.0  # MPa sqrt(m), where the load range is not given
PREFERRED_HZ = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0)
RATIO_TOLERANCE = 0.007  # the frame rate is within 0.5 % of its nominal value, the load frequency within 0.2 %
TIP_SURE_PX = 0.2  # deviation of the tip up to which the search loses no fixes (tests); beyond 0.5 px it loses many
CONTACT_SURE = 4.0  # a contact signal counts from so many deviations of one pixel; own choice
HALF_WAVE_2F = 2 / (3 * math.pi)  # second harmonic of a half-wave rectified sine of peak 1 (mathematical handbooks)
DRIFT_HZ = 0.25  # proposed frequencies are seen beyond it, clear of the camera's drift and shutter; own choice
TWO_SIDED_95 = 1.96
MOST_PIXELS = 20_000  # in a forecast fit; of more, one drawn at random stands for several
SIZES = 8


@dataclass(frozen=True)
class Basis:
    """What everything is computed from. noise_K: deviation of one frame; `assumed`: sentences on what was not given."""

    rig: Rig
    profile: CameraProfile
    noise_K: float
    temperature_K: float
    assumed: tuple[str, ...]

    @property
    def K_per_MPa(self) -> float:
        """Temperature change for a change of the stress sum: dT = -K0 T ds (Thomson 1853)."""
        return self.rig.specimen.thermoelastic_constant_per_MPa * self.temperature_K

    def harmonic_noise_K(self, frequency_hz: float, harmonic: int, memory_s: float) -> float:
        """Deviation of one component of the corrected harmonic map of one pixel, K."""
        frames = memory_s * self.rig.camera.frame_rate_hz
        return self.noise_K * math.sqrt(2 / frames) / abs(response(self.profile, harmonic * frequency_hz))

    def calibration_sd(self, frequency_hz: float) -> float:
        """Relative deviation of K from thermoelastic constant, image scale and gain."""
        return scale_sd(self.rig, response_sd(self.profile, frequency_hz)[0])[0]


@dataclass(frozen=True)
class AtFrequency:
    """One load frequency after the rig's memory, for the crack and the range of K of a `Fits` and of the caller."""

    frequency_hz: float
    state: str  # clear | near (collides if the frame rate is a little off) | collides | unmeasured (by the profile)
    reasons: tuple[str, ...]
    margin_hz: float
    gain_1f: float
    gain_2f: float
    lag_1f_deg: float
    lag_2f_deg: float
    diffusion_mm: float
    inner_mm: float
    outer_mm: float
    noise_1f_K: float
    noise_2f_K: float
    smallest_dK_MPa_sqrt_m: float
    smallest_growth_mm: float
    smallest_contact_K: float
    smallest_contact_MPa: float

    @property
    def cost(self) -> float:
        """What to keep small: the product of smallest dK, smallest contact signal and diffusion length."""
        smallest = self.smallest_dK_MPa_sqrt_m
        return (smallest if math.isfinite(smallest) else 1e3) * self.smallest_contact_K * self.diffusion_mm


@dataclass(frozen=True)
class AtSize:
    """One crack size; NaN: not known, or not in view. 1f amplitudes: straight ahead at the ends of the fit region."""

    crack_mm: float
    relative_size: float
    in_view: bool
    small_scale: bool | None  # by ASTM E647's least ligament at R = 0; None: not known
    K_MPa_sqrt_m_per_kN: float
    dK_MPa_sqrt_m: float
    T_MPa: float
    plastic_zone_mm: float  # 2 r_y, plane stress, at R = 0; in proportion to 1/(1 - R)^2
    reversed_zone_mm: float
    inner_mm: float
    outer_mm: float
    inner_amplitude_K: float
    outer_amplitude_K: float
    dK_sd: float
    tip_sd_mm: float
    growth_mm_per_cycle: float
    cycles: float


def basis(rig: Rig) -> Basis:
    """Rig, profile and what had to be assumed. InputError: a profile that cannot be used."""
    assumed, profile = [], None
    if rig.camera.profile is not None and rig.camera.profile.exists():
        profile = load_profile(rig.camera.profile)
    elif rig.camera.profile is not None:
        assumed.append(f"{rig.camera.profile} does not exist yet: time constant {TAU_S * 1e3:g} ms, as typical")
    else:
        assumed.append(f"no camera profile: time constant {TAU_S * 1e3:g} ms, as typical of small microbolometers")
    profile = profile or CameraProfile(tau_s=TAU_S)
    if profile.netd_K is None:
        assumed.append(f"no netd_K in a camera profile: noise of one frame {NETD_K * 1e3:g} mK")
    if rig.specimen.temperature_C is None:
        assumed.append(f"no temperature_C: specimen at {TEMPERATURE_C:g} degrees Celsius")
    if rig.load.nominal_range_kN is None:
        assumed.append(f"no nominal_range_kN: what depends on it is left out; smallest growth at dK = {NOMINAL_DK:g}")
    celsius = TEMPERATURE_C if rig.specimen.temperature_C is None else rig.specimen.temperature_C
    return Basis(rig, profile, profile.netd_K or NETD_K, celsius + handbook.ZERO_C_K, tuple(assumed))


def tip_px(rig: Rig, crack_mm: float) -> tuple[float, float]:
    """Row and column of the tip of a straight crack."""
    turn, steps = math.radians(rig.view.growth_angle_deg), crack_mm / rig.view.mm_per_px
    return rig.view.datum_px[0] - steps * math.sin(turn), rig.view.datum_px[1] + steps * math.cos(turn)


def view_mm(rig: Rig) -> tuple[float, float] | None:
    """Shortest and longest crack whose tip lies in the image; None: its path does not cross the image."""
    steps = np.arange(0.0, 4.0 * (rig.camera.rows + rig.camera.columns)) * rig.view.mm_per_px
    last_row, last_column = rig.camera.rows - 1 + 1e-6, rig.camera.columns - 1 + 1e-6
    start, end = np.array(tip_px(rig, 0.0)), np.array(tip_px(rig, 1.0))
    row, col = start[:, None] + (end - start)[:, None] * steps
    inside = steps[(row > -1e-6) & (row < last_row) & (col > -1e-6) & (col < last_column)]
    return (float(inside[0]), float(inside[-1])) if inside.size else None


def crack_sizes(rig: Rig) -> np.ndarray:
    """From the notch to 0.7 of the way to the far edge (MT 0.8), within the handbook; a plate: what the view holds."""
    s = rig.specimen
    if s.geometry == "plate":
        low, high = view_mm(rig) or (0.0, 0.0)
        return _round(np.linspace(max(s.notch_mm, low), max(s.notch_mm, high), SIZES + 1)[1:])
    room = s.room_mm
    start = max(s.notch_mm, (0.2 if s.geometry == "CT" else 0.05) * room)
    end = (0.8 if s.geometry == "MT" else 0.7) * room
    return _round(np.linspace(start, max(end, start + 0.5 * (room - start)), SIZES))


def _round(sizes: np.ndarray) -> np.ndarray:
    """All but the first to a figure that reads well, where that leaves them apart."""
    rounded = np.concatenate([sizes[:1], np.round(sizes[1:], 1)])
    return rounded if np.all(np.diff(rounded) > 0.2) else sizes


def K_per_kN(rig: Rig, crack_mm: np.ndarray) -> np.ndarray:
    """Handbook K at 1 kN, MPa sqrt(m); NaN for a plate and outside the handbook's range."""
    return handbook.specimen_K_MPa_sqrt_m(rig.specimen, 1.0, crack_mm)


def delta_K(rig: Rig, crack_mm: np.ndarray) -> np.ndarray:
    """Expected range of K; NaN without a load range or a handbook solution."""
    return K_per_kN(rig, crack_mm) * (rig.load.nominal_range_kN or math.nan)


class Fits:
    """Deviations of the fit around the tip of a crack of `crack_mm`, on the pixels that the view gives it."""

    def __init__(self, known: Basis, crack_mm: float):
        self.known, self.crack_mm = known, crack_mm
        rig = known.rig
        rows, columns = np.nonzero(specimen(rig, (rig.camera.rows, rig.camera.columns)))
        self.z = williams.to_crack(
            rows, columns, tip_px(rig, crack_mm), rig.view.growth_angle_deg, rig.view.mm_per_px
        )
        self.radius = np.abs(self.z)

    def pixels(self, region: Region) -> np.ndarray:
        """Places (n,) of the region's pixels in crack coordinates, complex mm."""
        return self.z[region.holds(self.z)]

    def sd(self, dK: float, frequency_hz: float, memory_s: float) -> tuple[float, float]:
        """(K_I in MPa sqrt(m), tip along the crack in mm) for a field of dK; NaN with too few pixels."""
        region = choose(self.known.rig, self.crack_mm, dK, frequency_hz)
        z = self.pixels(region)
        if z.size < LEAST_PIXELS:
            return math.nan, math.nan
        step = math.ceil(z.size / MOST_PIXELS)
        noise = 2 * self.known.harmonic_noise_K(frequency_hz, 1, memory_s) / self.known.K_per_MPa / math.sqrt(step)
        shares = region.prior.shares if region.prior is not None else ()
        field = leading_coefficient(dK) * np.array([1, 0, *shares], complex)
        try:
            z = np.random.default_rng(0).permutation(z)[::step]  # a regular stride may fall in with the rows
            fit = williams.fit(z, williams.evaluate(field, z), noise, region.terms, region.prior)
        except np.linalg.LinAlgError:
            return math.nan, math.nan
        return float(np.sqrt(fit.covariance[2, 2])), float(np.sqrt(fit.covariance[0, 0]))

    def smallest_dK(self, frequency_hz: float, memory_s: float) -> float:
        """The range of K from which the search finds the tip reliably: K_I over its deviation, and its place."""
        widest = TIP_SURE_PX * self.known.rig.view.mm_per_px
        dK = 1.0
        for _ in range(40):
            sd, tip_sd = self.sd(dK, frequency_hz, memory_s)
            ratio = max(SURE * sd / dK, tip_sd / widest)
            if not (math.isfinite(ratio) and 1e-4 < dK < 1e4):
                return math.nan
            dK *= ratio
            if abs(ratio - 1) < 1e-3:
                return dK
        return math.nan


def leading_coefficient(dK_MPa_sqrt_m: float) -> float:
    """c_1 of the stress sum, MPa mm^(1/2): 2 K / sqrt(2 pi)."""
    return 2 * dK_MPa_sqrt_m / williams.MPA_SQRT_MM_TO_M / math.sqrt(2 * math.pi)


def clear_hz(rig: Rig, wanted_hz: float, reach: float) -> float | None:
    """The nearest frequency to `wanted_hz`, within the share `reach` of it, that stays clear of collisions by two
    resolutions and is not seen as drift, whatever the tolerance; in steps one can set on a controller."""
    step = 0.1 if wanted_hz >= 2 else 0.05
    count = int(reach * wanted_hz / step)
    options = [wanted_hz] + [round(wanted_hz / step + s * n) * step for n in range(count + 1) for s in (1, -1)]
    for hz in sorted((round(o, 3) for o in options if o > 0), key=lambda o: abs(o - wanted_hz)):
        seen = min(folded_hz(k * hz, rig.camera.frame_rate_hz) - RATIO_TOLERANCE * k * hz for k in ESTIMATED)
        cycles = hz * rig.lockin.memory_s
        if cycles >= FEWEST_CYCLES and seen >= DRIFT_HZ and margin_of(rig, hz) >= 2 / rig.lockin.memory_s:
            return hz
    return None


def margin_of(rig: Rig, frequency_hz: float, flicker: bool = True) -> float:
    """Distance to the nearest collision, Hz; negative where one lies within the tolerance."""
    mains_hz = rig.lockin.mains_hz if flicker else 0.0
    return margin_hz(frequency_hz, rig.camera.frame_rate_hz, mains_hz, RATIO_TOLERANCE)


def candidates(rig: Rig) -> list[float]:
    """The rig's own frequency, the nearest clear one to it, and clear ones over the range of the machines."""
    near = [clear_hz(rig, rig.load.frequency_hz, 0.5)] + [clear_hz(rig, hz, 0.1) for hz in PREFERRED_HZ]
    return sorted({rig.load.frequency_hz, *(hz for hz in near if hz is not None)})


def state_of(known: Basis, frequency_hz: float) -> tuple[str, tuple[str, ...]]:
    """Whether a frequency may be used with this camera, and the reasons if not."""
    rig = known.rig
    found = collisions(frequency_hz, rig.camera.frame_rate_hz, rig.lockin.memory_s, rig.lockin.mains_hz)
    if found.spoiled & set(ESTIMATED):
        return "collides", tuple(p.text for p in found.pairs if p.spoils & set(ESTIMATED))
    if not all(covers(known.profile, k * frequency_hz) for k in ESTIMATED):
        return "unmeasured", (f"the measured response of the profile does not reach {2 * frequency_hz:g} Hz",)
    if margin_of(rig, frequency_hz, flicker=False) < 1 / rig.lockin.memory_s:
        wider_s = 1 / (1 / rig.lockin.memory_s + 5 * RATIO_TOLERANCE * frequency_hz)
        near = collisions(frequency_hz, rig.camera.frame_rate_hz, wider_s).pairs
        nearest = min((p for p in near if p.spoils & set(ESTIMATED)), key=lambda p: p.separation_hz)
        return "near", (f"with the frame rate a little off its nominal value, {nearest.text}",)
    return "clear", ()


def at_frequency(known: Basis, frequency_hz: float, fits: Fits, dK: float) -> AtFrequency:
    """All of one frequency, for the crack of `fits` with the expected dK (NaN: not known)."""
    rig, memory_s = known.rig, known.rig.lockin.memory_s
    state, reasons = state_of(known, frequency_hz)
    one, two = (response(known.profile, k * frequency_hz) for k in ESTIMATED)
    noise = [known.harmonic_noise_K(frequency_hz, k, memory_s) for k in ESTIMATED]
    dK = dK if math.isfinite(dK) else NOMINAL_DK
    region, s = choose(rig, fits.crack_mm, dK, frequency_hz), rig.specimen
    return AtFrequency(
        frequency_hz=frequency_hz, state=state, reasons=reasons, margin_hz=margin_of(rig, frequency_hz),
        gain_1f=abs(one), gain_2f=abs(two), lag_1f_deg=math.degrees(np.angle(one)),
        lag_2f_deg=math.degrees(np.angle(two)),
        diffusion_mm=float(handbook.diffusion_length_mm(s.thermal_diffusivity_mm2_per_s, frequency_hz)),
        inner_mm=region.inner_mm, outer_mm=region.outer_mm, noise_1f_K=noise[0], noise_2f_K=noise[1],
        smallest_dK_MPa_sqrt_m=fits.smallest_dK(frequency_hz, memory_s),
        smallest_growth_mm=TWO_SIDED_95 * math.sqrt(2) * fits.sd(dK, frequency_hz, memory_s)[1],
        smallest_contact_K=CONTACT_SURE * noise[1],
        smallest_contact_MPa=CONTACT_SURE * noise[1] / known.K_per_MPa / HALF_WAVE_2F,
    )  # fmt: skip


def cycles_to(rig: Rig, crack_mm: np.ndarray) -> np.ndarray:
    """Cycles from the first of the sizes to each, by the Paris line without closure or overloads; NaN: not known."""
    s = rig.specimen
    if s.paris_C is None or s.paris_m is None:
        return np.full(crack_mm.shape, np.nan)
    fine = np.linspace(crack_mm[0], crack_mm[-1], 2001)
    per_mm = 1 / (s.paris_C * delta_K(rig, fine) ** s.paris_m)
    total = np.concatenate([[0.0], np.cumsum((per_mm[1:] + per_mm[:-1]) / 2 * np.diff(fine))])
    return np.interp(crack_mm, fine, total)


def at_sizes(known: Basis, frequency_hz: float, memory_s: float) -> Iterator[AtSize]:
    """The size table at one frequency and memory."""
    rig, s = known.rig, known.rig.specimen
    sizes = crack_sizes(rig)
    seen, columns = view_mm(rig), (sizes, K_per_kN(rig, sizes), delta_K(rig, sizes), cycles_to(rig, sizes))
    for a, per_kN, dK, n in zip(*(c.tolist() for c in columns), strict=True):
        in_view = seen is not None and seen[0] <= a <= seen[1]
        T = float(handbook.t_stress_MPa(s.geometry, dK, a, s.width_mm)) if s.geometry != "plate" else math.nan
        region = choose(rig, a, dK if math.isfinite(dK) else 0.0, frequency_hz)
        sd, tip_sd = math.nan, math.nan
        if in_view and math.isfinite(dK):
            sd, tip_sd = Fits(known, a).sd(dK, frequency_hz, memory_s)
        ahead = [leading_coefficient(dK) / math.sqrt(r) if r > 0 else math.inf for r in (region.inner_mm, region.outer_mm)]
        small = None
        if s.geometry != "plate" and math.isfinite(dK):
            small = not ligament_too_small(s, np.array(a), np.array(dK / per_kN), np.array(dK))
        amplitude = [known.K_per_MPa / 2 * abs(near + T) for near in ahead]  # NaN without a T-stress table
        yield AtSize(
            crack_mm=a, relative_size=float(handbook.relative_size(s.geometry, a, s.width_mm)), in_view=in_view,
            small_scale=small, K_MPa_sqrt_m_per_kN=per_kN,
            dK_MPa_sqrt_m=dK, T_MPa=T,
            plastic_zone_mm=2 * float(handbook.plastic_zone_radius_mm(dK, s.yield_strength_MPa)),
            reversed_zone_mm=2 * float(handbook.cyclic_zone_radius_mm(dK, s.yield_strength_MPa)),
            inner_mm=region.inner_mm, outer_mm=region.outer_mm,
            inner_amplitude_K=amplitude[0], outer_amplitude_K=amplitude[1],
            dK_sd=math.hypot(sd, known.calibration_sd(frequency_hz) * dK), tip_sd_mm=tip_sd,
            growth_mm_per_cycle=s.paris_C * dK**s.paris_m if s.paris_C and s.paris_m else math.nan, cycles=n,
        )  # fmt: skip
