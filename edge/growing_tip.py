"""A crack that grows within the lock-in's memory smears the map it is fitted to.

The map is a mean over the tip's places. About their mean, to second order, it is the field of one tip plus half their
variance times its second derivative along the crack: d2/dx2 of c_n z^(n/2-1) is c_n (n/2-1)(n/2-2) z^(n/2-3), largest at
the core's edge, where it looks like a smaller K and a tip farther on. It is taken out by the series first fitted, and the
tip fitted again. Where much is taken out a flag says so.
"""

from dataclasses import dataclass

import numpy as np

from edge import tip, williams
from edge.conduction import Flow
from edge.rig import Rig

# deviation of the tip's place over the radius of the core: less changes K by 0.06 % (closed form); more is told
LEAST, MOST = 0.05, 0.5
RATE_SD = 0.1  # relative, at least: the rate is of some time ago, and growth speeds up (our own choice)


@dataclass(frozen=True)
class Smear:
    """sd_mm: of the tip's places within the memory; doubt_mm: deviation of that."""

    sd_mm: float
    doubt_mm: float

    def too_much(self, found: tip.TipFit) -> bool:
        return self.sd_mm > MOST * found.region.inner_mm


def smear(rate_mm_per_cycle: tuple[float, float], cycles_sd: float) -> Smear:
    """From a rate and its deviation, and the deviation of the cycle numbers of the frames in the memory."""
    rate, rate_sd = rate_mm_per_cycle
    return Smear(rate * cycles_sd, max(RATE_SD * rate, rate_sd) * cycles_sd)


def second_derivative(coefficients: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Of the series' stress sum along the crack, MPa/mm^2, at z (mm, complex, any shape, not 0)."""
    power = np.arange(1, len(coefficients) + 1) / 2 - 1
    return (williams.analytic(coefficients * power * (power - 1), z) / z**2).real


def sharpened(
    rig: Rig,
    h1: np.ndarray,
    sd_K: float,
    stress_per_K: float,
    usable: np.ndarray,
    found: tip.TipFit,
    frequency_hz: float,
    flow: Flow | None,
    smeared: Smear,
) -> tuple[tip.TipFit, np.ndarray]:
    """`found` and h1 (rows, columns) complex K, with deviation sd_K of a component, as of a crack that stands."""
    if smeared.sd_mm < LEAST * found.region.inner_mm:
        return found, h1
    mm = rig.view.mm_per_px
    z = found.places(usable.shape, mm)
    ring = found.region.holds(z)
    still = h1.copy()
    still[ring] += smeared.sd_mm**2 / 2 * second_derivative(found.coefficients, z[ring]) / (2 * stress_per_K)
    stress, sd = -2 * stress_per_K * still.real, 2 * stress_per_K * sd_K
    again = tip.once_more(rig, stress, sd, usable, found, frequency_hz, flow)
    # what is taken out goes as the square of the length
    return (found, h1) if again is None else (found.again(again, mm, 2 * smeared.doubt_mm / smeared.sd_mm), still)
