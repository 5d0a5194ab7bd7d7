"""What is believed of a crack's stress field before looking: how fast the terms of its series fade, and in a test specimen
what they are.

In a specimen that is loaded as its standard says, crack size and width give the whole field but for its level. So the
terms beyond K and T (edge/williams.py) have an expected share of K, and only what the real specimen differs by is left to
the map: for that the prior's deviation is averaged over from 0.04 of K up, as the map weighs it. K and T themselves
are measured, nothing is expected of them.

Shares: EXPECTED[geometry] has, at each crack size, c_n b^((n-1)/2) / c_1 for n = 3 to 6 (C(T): 9), where b = a (1 - a/W): a the crack
size from its datum, W the width (M(T): half of the width). Source: plane-stress finite elements, series fitted to them
from 6 to 80 % of the way to the next feature (C(T): 62 %); tests/test_prior.py makes them again. SENT at 0: from 0.05. M(T)
at 0: Westergaard's crack in an infinite sheet, in closed form (3/4, 0, -5/32, 0).

A notch is wider than a crack. What that changes around the tip begins at the notch's end, a distance d behind the tip, and is
written as the first two pairs of functions that are singular there and leave the crack's faces free (edge/williams.py). Of a
slot of half width h the first pair is believed to be below 0.1 h/d of the singular stress at d, the second less by h/d: our
own choice, from finite elements of slotted plates (tests/test_prior.py). The expected terms are off by half of h/d more there.
"""

from dataclasses import dataclass

import numpy as np

from edge.rig import Specimen

NOTCH_SHARE = 0.1  # see above
NOTCH_OFF = 0.5  # of shares, beside a notch, times h/d
PINS_OFF = (0.35, 0.5), (0.08, 0.0)  # of shares: a/W of C(T); near its pins terms beyond the table's are not small
NOTCH_FREE = 0.75  # mm, or notch widths: nearer to the notch a crack is none yet (ASTM E647, from memory: 1 mm or the width)
FIRST = 3  # the term that the shares begin with
EXPECTED: dict[str, tuple[tuple[float, ...], tuple[tuple[float, ...], ...]]] = {
    "SENT": (  # ends free to rotate
        (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8),
        (
            (0.43, 0.40, 0.37, 0.25, 0.07, -0.16, -0.43, -0.73, -1.05, -1.38),
            (-0.21, -0.21, -0.20, -0.15, -0.09, -0.03, 0.02, 0.08, 0.14, 0.21),
            (0.07, 0.07, 0.09, 0.05, 0.00, -0.05, -0.12, -0.21, -0.33, -0.47),
            (0.14, 0.14, 0.07, 0.04, 0.04, 0.02, 0.02, 0.03, 0.06, 0.09),
        ),
    ),
    "MT": (  # 2a/W
        (0.0, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8),
        (
            (0.75, 0.60, 0.52, 0.45, 0.38, 0.31, 0.24, 0.15),
            (0.00, 0.01, 0.00, -0.01, -0.02, -0.04, -0.05, -0.05),
            (-0.16, -0.12, -0.09, -0.06, -0.04, -0.04, -0.06, -0.11),
            (0.00, 0.04, 0.03, 0.01, -0.01, -0.01, 0.01, 0.02),
        ),
    ),
    "CT": (
        (0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8),
        (
            (-0.47, -0.52, -0.64, -0.75, -0.86, -0.96, -1.03, -1.15, -1.31, -1.53),
            (-0.28, -0.13, -0.03, 0.01, 0.04, 0.05, 0.07, 0.07, 0.13, 0.21),
            (0.27, 0.06, 0.03, 0.08, 0.09, 0.06, -0.01, -0.13, -0.32, -0.51),
            (0.56, 0.50, 0.16, -0.17, -0.26, -0.21, -0.09, 0.02, 0.10, 0.17),
            (-1.07, -0.73, -0.06, 0.44, 0.49, 0.30, 0.07, -0.09, -0.18, -0.26),
            (0.83, 0.35, -0.34, -0.74, -0.64, -0.33, -0.06, 0.06, 0.07, 0.11),
            (-0.41, -0.03, 0.45, 0.67, 0.51, 0.22, 0.00, -0.06, -0.07, -0.11),
        ),
    ),
}
EDGE_CRACKED = ("SENT", "SENT-clamped", "ESET")  # one plate; grips bend it back, pins beside its middle bend it more
BENT_SHARES = (  # of the same SENT in pure bending, less those in tension
    (0.00, -0.12, -0.24, -0.42, -0.54, -0.59, -0.58, -0.51, -0.41, -0.28),
    (0.00, 0.05, 0.10, 0.17, 0.20, 0.20, 0.17, 0.12, 0.09, 0.05),
    (0.00, -0.06, -0.11, -0.17, -0.19, -0.18, -0.14, -0.11, -0.08, -0.06),
    (0.00, 0.02, 0.03, 0.04, 0.05, 0.04, 0.02, 0.01, 0.01, 0.02),
)


@dataclass(frozen=True)
class Prior:
    """fades_over_mm: L, distance to the plate's next feature, over which higher terms fade; shares: what c_n / c_1 should
    be for n = FIRST ..., mm^(-(n-1)/2), empty where nothing is known; bent: what is to be added to them for each part of
    K that comes from bending, empty where that is known. notch_back_mm: from the tip to the notch's end, 0 without one;
    notch_half_mm: half its width; pins_off: PINS_OFF."""

    fades_over_mm: float
    shares: tuple[float, ...] = ()
    bent: tuple[float, ...] = ()
    notch_back_mm: float = 0.0
    notch_half_mm: float = 0.0
    pins_off: float = 0.0

    @property
    def off(self) -> float:
        """By how much more than its own precision the table may be off, as a prior's deviation."""
        return float(np.hypot(self.pins_off, NOTCH_OFF * self.slender))

    @property
    def slender(self) -> float:
        """The notch's half width over its distance behind the tip, 0 without one."""
        return self.notch_half_mm / self.notch_back_mm if self.notch_back_mm else 0.0

    def notch_sds(self, c1: float) -> tuple[float, ...]:
        """Deviations of what the notch adds, MPa, where the singular stress is c1 r^(-1/2), MPa and mm."""
        if not self.notch_back_mm:
            return ()
        first = NOTCH_SHARE * self.slender * c1 * self.notch_back_mm**-0.5
        return first, first, self.slender * first, self.slender * first


def prior(s: Specimen, crack_mm: float, feature_mm: float) -> Prior:
    """Of a crack of that size in the specimen, whose next feature is so far away. Shares only for a shape that has a table
    and a crack size in it."""
    back = crack_mm - s.notch_mm
    out = s.notch_mm > 0 and s.notch_wide_mm > 0 and back >= NOTCH_FREE * max(1.0, s.notch_wide_mm)
    notch = (back, s.notch_wide_mm / 2) if out else (0.0, 0.0)
    geometry = "SENT" if s.geometry in EDGE_CRACKED else s.geometry
    places, terms = EXPECTED.get(geometry, ((0.0,), ()))
    alpha = crack_mm / s.room_mm
    if not (terms and alpha > 0 and places[0] <= alpha <= places[-1]):
        return Prior(feature_mm, (), (), *notch)

    def shares(terms: tuple[tuple[float, ...], ...]) -> tuple[float, ...]:
        b = crack_mm * (1 - alpha)
        return tuple(float(np.interp(alpha, places, term)) * b ** (-n / 2) for n, term in enumerate(terms, FIRST - 1))

    pins_off = float(np.interp(alpha, *PINS_OFF)) if geometry == "CT" else 0.0
    return Prior(feature_mm, shares(terms), shares(BENT_SHARES) if geometry == "SENT" else (), *notch, pins_off)
