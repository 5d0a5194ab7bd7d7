"""Kelvin per MPa of a specimen of known nominal stress, and counts per kelvin from plates of known temperature.

Adiabatic thermoelastic effect: dT = -K0 T ds, s the stress sum, T the absolute temperature of the surface (Kelvin's law;
in every text on thermoelastic stress analysis [from memory]). K0 = alpha/(rho cp) of the bare metal; the paint's lag and
absorption make the value that belongs to this specimen, which is the one to use.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.door import InputError
from calibration.least_squares import chance_of_more
from calibration.robust import robust_sd

BLOCKS = 6  # along each side of the region: their scatter beyond the noise is part of the deviation
MOST_PHASE_DEG = 20.0
WEAKEST = 0.05  # relative deviation beyond which there is no result
FEWEST_PIXELS = 30
BENT = 0.01  # chance below which plates lie off a straight line


FAR = 0.25  # off the rig file's K0: more than alloys of a kind and paint make (common practice, no source)
FAR_TEXT = "              so far off, rather the stress range, the region, counts_per_K or the material is another"


@dataclass(frozen=True)
class Gain:
    """kelvin_per_MPa: range of temperature over range of stress. Deviations are standard deviations; `parts` names the
    relative ones that make up the whole. Arrays for the picture: known stress (MPa) and temperature range (K) of blocks,
    deviation of the latter, and the fit."""

    K0_per_MPa: float
    K0_sd_per_MPa: float
    kelvin_per_MPa: float
    temperature_K: float
    phase_deg: float
    parts: dict[str, float]
    stress_MPa: np.ndarray
    range_K: np.ndarray
    range_sd_K: np.ndarray
    fitted_K: np.ndarray

    def text(self, preset_per_MPa: float) -> list[str]:
        """What was found; `preset_per_MPa` is the rig file's value."""
        parts = ", ".join(f"{name} {100 * value:.2f} %" for name, value in self.parts.items())
        phase = f"{self.phase_deg:.1f}".replace("-180.0", "180.0")
        off = self.K0_per_MPa / preset_per_MPa - 1
        return [
            f"gain          {1e3 * self.kelvin_per_MPa:.4f} mK per MPa at {self.temperature_K:.1f} K, phase {phase} deg",
            f"K0            {self.K0_per_MPa:.4g} +- {self.K0_sd_per_MPa:.2g} per MPa ({parts})",
            f"              {100 * off:+.1f} % from the rig file's {preset_per_MPa:.4g} per MPa",
            *[FAR_TEXT] * (abs(off) > FAR),
        ]


def kelvin_per_MPa(
    h1: np.ndarray,
    sd: np.ndarray,
    stress_MPa: np.ndarray,
    temperature_K: float,
    bending: bool = False,
    known_sd: dict[str, float] | None = None,
) -> Gain:
    """K0 from corrected first harmonics h1 (K) with deviation sd of a component, at pixels (rows, columns) whose nominal
    stress range is known (NaN: not known or not to be used).

    Without `bending` the stress counts as it stands; with it only its slope, so that the neutral axis needs not be known.
    `known_sd`: relative deviations of stress, camera gain and the like. InputError: no signal, wrong phase, weak result.
    """
    use = np.isfinite(stress_MPa) & np.isfinite(h1) & (sd > 0)
    if np.count_nonzero(use) < FEWEST_PIXELS:
        raise InputError(
            f"gain: {np.count_nonzero(use)} usable pixels, may be {FEWEST_PIXELS} or more; give a larger --region"
        )
    sums = _block_sums(use, sd)
    stress, real, imaginary = (sums(np.where(use, v, 0)) for v in (stress_MPa, h1.real, h1.imag))
    noise = sums(None)
    range_K, range_sd = -2 * real, 2 * noise
    design = np.stack([stress, np.ones_like(stress)] if bending else [stress], axis=1) / range_sd[:, None]
    if bending and np.ptp(stress) < 5 * WEAKEST * np.abs(stress).max():
        raise InputError(
            "gain: the stress hardly differs over the region, may span the bar's depth in bending; enlarge --region"
        )
    x, *_ = np.linalg.lstsq(design, range_K / range_sd, rcond=None)
    left = range_K / range_sd - design @ x
    scatter = max(1.0, float(left @ left) / max(1, left.size - design.shape[1]))
    per_MPa = float(x[0])
    own = float(np.sqrt(np.linalg.inv(design.T @ design)[0, 0] * scatter)) / abs(per_MPa)
    across, *_ = np.linalg.lstsq(design, 2 * imaginary / range_sd, rcond=None)
    phase = float(np.degrees(np.angle(complex(-per_MPa, across[0]))))
    off_180 = 1 - abs(float(np.cos(np.radians(phase))))  # what a delay that is off by so much took of the real part
    parts = {"signal and its unevenness": own, "phase": off_180, **(known_sd or {})}
    whole = float(np.sqrt(sum(v * v for v in parts.values())))
    _accept(phase, whole, parts)
    value = per_MPa / temperature_K
    return Gain(
        K0_per_MPa=value,
        K0_sd_per_MPa=value * whole,
        kelvin_per_MPa=per_MPa,
        temperature_K=temperature_K,
        phase_deg=phase,
        parts=parts,
        stress_MPa=stress,
        range_K=range_K,
        range_sd_K=range_sd * np.sqrt(scatter),
        fitted_K=design @ x * range_sd,
    )


def _accept(phase_deg: float, sd: float, parts: dict[str, float]) -> None:
    """InputError where the phase is no thermoelastic one, or K0's relative deviation, made of `parts`, too large."""
    if abs(abs(phase_deg) - 180) > MOST_PHASE_DEG:
        raise InputError(
            f"gain: the region's phase is {phase_deg:.0f} deg, may be 180 +- {MOST_PHASE_DEG:.0f} (it cools when pulled); calibrate "
            f"the delay first (sweep), check the sign of the load and of the stress, keep off edges"
        )
    if sd > WEAKEST:
        worst = max(parts, key=lambda name: parts[name])
        raise InputError(
            f"gain: K0 is known to {100 * sd:.1f} %, may be {100 * WEAKEST:.0f} % or better; most comes from {worst}: mend that"
        )


def bending_stress_MPa(
    range_kN: float, arm_mm: float, thickness_mm: float, width_mm: float, depth_mm: np.ndarray
) -> np.ndarray:
    """Stress range of a rectangular bar in four-point bending at `depth_mm` from its middle, positive in tension.

    Moment (P/2) arm between the inner rollers, arm the distance from an outer to the next inner roller; I = B W^3/12
    (any textbook of strength of materials).
    """
    return 1e3 * range_kN / 2 * arm_mm * depth_mm / (thickness_mm * width_mm**3 / 12)


def tension_stress_MPa(range_kN: float, thickness_mm: float, width_mm: float) -> float:
    """P/A of a rectangular bar."""
    return 1e3 * range_kN / (thickness_mm * width_mm)


def _block_sums(use: np.ndarray, sd: np.ndarray):  # type: ignore[no-untyped-def]
    """A function that takes an image to weighted means of its blocks (those with pixels); None gives their deviation."""
    rows, columns = np.nonzero(use)
    r = np.minimum(((rows - rows.min()) * BLOCKS) // max(1, np.ptp(rows) + 1), BLOCKS - 1)
    c = np.minimum(((columns - columns.min()) * BLOCKS) // max(1, np.ptp(columns) + 1), BLOCKS - 1)
    block = r * BLOCKS + c
    weight = 1 / sd[use] ** 2
    total = np.bincount(block, weight, BLOCKS**2)
    there = total > 0

    def sums(image: np.ndarray | None) -> np.ndarray:
        if image is None:
            return 1 / np.sqrt(total[there])
        return np.bincount(block, weight * image[use], BLOCKS**2)[there] / total[there]

    return sums


@dataclass(frozen=True)
class Counts:
    """Counts per kelvin from plates, and how far single pixels differ from it (relative standard deviation). level_sd: of each
    level about the line, by what the plates' temperatures are known to."""

    counts_per_K: float
    counts_per_K_sd: float
    zero_K: float
    unevenness: float
    temperature_C: np.ndarray
    level: np.ndarray
    level_sd: float
    fitted: np.ndarray

    def text(self) -> list[str]:
        return [
            f"counts per kelvin {self.counts_per_K:.3f} +- {self.counts_per_K_sd:.3f}; pixels differ by "
            f"{100 * self.unevenness:.2f} % (standard deviation)",
            f"temperature at count 0: {self.zero_K:.2f} K, for the moment: it drifts with the camera's own temperature",
        ]


def counts_per_kelvin(
    levels: Sequence[np.ndarray], temperature_C: Sequence[float], temperature_sd_K: float, usable: np.ndarray
) -> Counts:
    """From mean images (rows, columns) of plates at known temperatures: straight line by least squares.

    temperature_sd_K: of one plate's temperature, the camera's own drift between the recordings included.
    InputError: numbers don't match, temperatures too close, counts that fall as it gets warmer.
    """
    t = np.asarray(temperature_C, float)
    if len(levels) != t.size or t.size < 2:
        raise InputError(
            f"gain: {len(levels)} recordings and {t.size} temperatures, may be as many, two or more; give --temperatures in "
            f"the order of the recordings"
        )
    level = np.array([float(np.mean(image[usable])) for image in levels])
    arm = t - t.mean()
    spread = float(arm @ arm)
    relative = temperature_sd_K / np.sqrt(spread) if spread > 0 else np.inf
    if relative > WEAKEST:
        raise InputError(
            f"gain: plates at {', '.join(f'{x:g}' for x in t)} C known to {temperature_sd_K:g} K give counts per kelvin "
            f"{f'to {100 * relative:.0f} %' if spread > 0 else 'not at all'}, may be to {100 * WEAKEST:.0f} % or better; take plates 10 K "
            f"or more apart"
        )
    slope = float(arm @ level) / spread
    if slope <= 0:
        raise InputError(
            f"gain: counts fall by {-slope:.3g} per kelvin, may only rise; check the order of --temperatures, and the camera's "
            f"polarity (white hot)"
        )
    fitted = level.mean() + slope * arm
    sd = slope * relative
    chi2 = float(np.sum((level - fitted) ** 2)) / (slope * temperature_sd_K) ** 2
    if t.size > 2 and chance_of_more(chi2, t.size - 2) < BENT:
        sd *= np.sqrt(chi2 / (t.size - 2))
    own = np.tensordot(arm, np.stack(levels), 1)[usable] / spread
    unevenness = robust_sd(own) / slope
    zero = float(t.mean() + 273.15 - level.mean() / slope)
    return Counts(slope, float(sd), zero, unevenness, t, level, slope * temperature_sd_K, fitted)
