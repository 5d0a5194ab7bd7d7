"""What is believed of a crack's stress field before looking: how fast the terms of its series fade, and in a test specimen
what they are.

In a specimen that is loaded as its standard says, crack size and width give the whole field but for its level. So the
terms beyond K and T (edge/williams.py) have an expected share of K, and only what the real specimen differs by is left to
the map: for that the prior's deviation is averaged over from 0.015 of K up, as the map weighs it. K and T themselves
are measured, nothing is expected of them; of terms beyond the table's no more than that they are below some half of K, as
towards the next feature they do not fade (edge/williams.py). Free besides, for the map to tell, is what bending adds in an
edge-cracked plate, and in the others what another a/W would change, as width and datum are not known exactly.

Shares: EXPECTED[geometry] has, at each crack size, c_n b^((n-1)/2) / c_1 for n = 3 to 6 (C(T): 9), where b = a (1 - a/W): a the crack
size from its datum, W the width (M(T): half of the width). Source: plane-stress finite elements, series fitted to them
from 6 to 80 % of the way to the next feature (C(T): 62 %); `python tests/expected_terms.py` makes them again. SENT at 0: from 0.05. M(T)
at 0: Westergaard's crack in an infinite sheet, in closed form (3/4, 0, -5/32, 0).

A notch is wider than a crack. What that changes around the tip begins at the notch's end, a distance d behind the tip, and is
written as the first two pairs of functions that are singular there and leave the crack's faces free (edge/williams.py). Of a
slot of half width h the first pair is believed to be below 0.1 h/d of the singular stress at d, the second less by h/d: our
own choice, from finite elements of slotted plates (tests/test_prior.py).
"""

from dataclasses import dataclass

import numpy as np

from edge.rig import Specimen

NOTCH_SHARE = 0.1  # see above
PINS_OFF = (0.35, 0.5), (0.05, 0.0)  # of shares: a/W of C(T); near its pins their fit and friction may matter
BENT_SD = 1.0  # of the part of K that comes from bending: -0.6 at a/W = 0.5 between clamps 4 widths apart (edge/handbook.py)
SIZE_SD = 0.01  # of a/W, as width and datum may be measured; in plates that bend, that stands for it
NOTCH_FREE = 0.75  # mm, or notch widths: nearer to the notch a crack is none yet (ASTM E647, from memory: 1 mm or the width)
FIRST = 3  # the term that the shares begin with
EXPECTED: dict[str, tuple[tuple[float, ...], tuple[tuple[float, ...], ...]]] = {
    "SENT": (  # ends free to rotate
        (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8),
        (
            (0.430, 0.402, 0.372, 0.256, 0.073, -0.163, -0.435, -0.734, -1.050, -1.381),
            (-0.210, -0.212, -0.204, -0.156, -0.094, -0.030, 0.026, 0.085, 0.140, 0.208),
            (0.070, 0.066, 0.084, 0.059, 0.008, -0.060, -0.124, -0.215, -0.321, -0.472),
            (0.140, 0.158, 0.085, 0.036, 0.027, 0.037, 0.024, 0.039, 0.052, 0.105),
        ),
    ),
    "MT": (  # 2a/W
        (0.0, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8),
        (
            (0.750, 0.596, 0.524, 0.454, 0.384, 0.313, 0.238, 0.154),
            (0.000, 0.010, 0.003, -0.011, -0.025, -0.040, -0.052, -0.057),
            (-0.156, -0.125, -0.091, -0.059, -0.039, -0.037, -0.058, -0.101),
            (0.000, 0.044, 0.025, 0.002, -0.013, -0.015, -0.003, 0.014),
        ),
    ),
    "CT": (
        (0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8),
        (
            (-0.479, -0.531, -0.636, -0.754, -0.864, -0.958, -1.034, -1.156, -1.308, -1.530),
            (-0.285, -0.128, -0.035, 0.017, 0.037, 0.054, 0.063, 0.072, 0.126, 0.219),
            (0.281, 0.040, 0.027, 0.076, 0.100, 0.060, -0.001, -0.135, -0.318, -0.522),
            (0.561, 0.551, 0.171, -0.160, -0.273, -0.202, -0.092, 0.024, 0.102, 0.196),
            (-1.079, -0.817, -0.089, 0.411, 0.499, 0.300, 0.083, -0.097, -0.176, -0.294),
            (0.839, 0.457, -0.311, -0.705, -0.653, -0.329, -0.065, 0.064, 0.070, 0.138),
            (-0.417, -0.124, 0.424, 0.638, 0.521, 0.219, 0.006, -0.069, -0.066, -0.132),
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
    be for n = FIRST ..., mm^(-(n-1)/2), empty where nothing is known; free: a deviation of what is
    to be added to them, in proportion, for bending or for an a/W that is off. notch_back_mm: from the tip to the notch's end,
    0 without one; notch_half_mm: half its width; pins_off: PINS_OFF, by how much more than its own precision the table may be
    off, as a prior's deviation."""

    fades_over_mm: float
    shares: tuple[float, ...] = ()
    free: tuple[float, ...] = ()
    notch_back_mm: float = 0.0
    notch_half_mm: float = 0.0
    pins_off: float = 0.0

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

    def shares(terms: tuple[tuple[float, ...], ...], alpha: float) -> np.ndarray:
        b = crack_mm * (1 - alpha)
        return np.array([np.interp(alpha, places, term) * b ** (-n / 2) for n, term in enumerate(terms, FIRST - 1)])

    if geometry == "SENT":
        free = BENT_SD * shares(BENT_SHARES, alpha)
    else:
        free = (shares(terms, alpha + SIZE_SD) - shares(terms, alpha - SIZE_SD)) / 2
    pins_off = float(np.interp(alpha, *PINS_OFF)) if geometry == "CT" else 0.0
    return Prior(feature_mm, tuple(shares(terms, alpha).tolist()), tuple(free.tolist()), *notch, pins_off)
