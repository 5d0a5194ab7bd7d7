"""Handbook values: stress intensity of test specimens, T-stress, plastic zones, closure, heat.

Every formula names its source and how far it is trusted here: [R] read in a published text, [M] from memory of the
text, [C] computed here from the formula beside it. Crack sizes are the records' `crack_mm`: from the edge (SENT,
ESET), from the load line (CT), from the centre line (MT, where it is half of the whole crack). Widths are W.

Functions take numbers or arrays alike. Outside the range of a solution the result is NaN, never a guess.
Units: kN, mm, MPa, MPa sqrt(m), Hz.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from edge.rig import Specimen

Array = NDArray[np.float64]
SQRT_M_PER_SQRT_MM = np.sqrt(1e-3)
INTEGRATION_STEPS = 2000
ZERO_C_K = 273.15
ROUNDING = 1e-9  # 0.2 W over W may come out a bit below 0.2


def sent_tension_factor(alpha: ArrayLike) -> Array:
    """F of K = sigma sqrt(pi a) F, single edge crack in tension, ends free to rotate; any a/W.

    Source: Tada, Paris & Irwin, The Stress Analysis of Cracks Handbook [M]; better than 0.5 % for any a/W.
    Below a/W = 0.15 it lies up to 1.4 % above the other usual form, the polynomial 1.12 - 0.231 alpha + ...
    """
    half = np.pi * np.asarray(alpha, float) / 2
    shape = 0.752 + 2.02 * np.asarray(alpha, float) + 0.37 * (1 - np.sin(half)) ** 3
    return np.sqrt(np.tan(half) / half) * shape / np.cos(half)


def sent_bending_factor(alpha: ArrayLike) -> Array:
    """F of K = (6M/BW^2) sqrt(pi a) F, single edge crack in pure bending; any a/W. Source: as above [M]."""
    half = np.pi * np.asarray(alpha, float) / 2
    return np.sqrt(np.tan(half) / half) * (0.923 + 0.199 * (1 - np.sin(half)) ** 4) / np.cos(half)


@cache
def _rotation_table() -> tuple[Array, Array, Array]:
    """Integrals over 0..alpha of x Ft Fb and x Fb^2 (the crack's compliances in rotation), by trapezoids."""
    alpha = np.linspace(1e-9, 0.95, INTEGRATION_STEPS)
    tension, bending = sent_tension_factor(alpha), sent_bending_factor(alpha)

    def integral(y: Array) -> Array:
        return np.concatenate([[0.0], np.cumsum(np.diff(alpha) * (y[1:] + y[:-1]) / 2)])

    return alpha, integral(alpha * tension * bending), integral(alpha * bending**2)


def sent_clamped_factor(alpha: ArrayLike, length_over_width: float) -> Array:
    """F of K = sigma sqrt(pi a) F, single edge crack half-way between clamps that keep the ends from rotating.

    Compliance method: tension P opens the crack and so rotates the ends by P c_PM; the clamps answer with a moment M
    that brings the rotation back, 0 = P c_PM + M (c_MM + L/EI), with c_ij = (2B/E) int k_i k_j da (Irwin-Kies energy
    release; the handbook factors above; plane stress) and L the free length between the clamps. With J_ij the
    integrals of alpha F_i F_j, F = Ft - 6 pi J_tb Fb / (6 pi J_bb + L/W). Beam theory for the ligament-free part, so
    L/W >= 2. Long specimens (L/W to infinity) approach free rotation. Finite elements (tests) lie 0.7 to 1.8 % lower
    at a/W 0.3 to 0.5 and L/W 2 to 10.
    """
    alpha = np.asarray(alpha, float)
    grid, tension_bending, bending_bending = _rotation_table()
    j_tb, j_bb = np.interp(alpha, grid, tension_bending), np.interp(alpha, grid, bending_bending)
    relief = 6 * np.pi * j_tb / (6 * np.pi * j_bb + length_over_width)
    return sent_tension_factor(alpha) - relief * sent_bending_factor(alpha)


def ct_factor(alpha: ArrayLike) -> Array:
    """F of K = P F / (B sqrt W), compact tension C(T), a from the load line. Source: ASTM E647 [M]; a/W >= 0.2."""
    a = np.asarray(alpha, float)
    polynomial = 0.886 + 4.64 * a - 13.32 * a**2 + 14.72 * a**3 - 5.6 * a**4
    return (2 + a) * polynomial / (1 - a) ** 1.5


def mt_factor(alpha: ArrayLike) -> Array:
    """F of K = P F / (B sqrt W), middle tension M(T), alpha = 2a/W. Source: ASTM E647 [M]; 2a/W < 0.95."""
    a = np.asarray(alpha, float)
    return np.sqrt(np.pi * a / 2 / np.cos(np.pi * a / 2))


def eset_factor(alpha: ArrayLike) -> Array:
    """F of K = P F / (B sqrt W), eccentrically loaded single edge crack ESE(T). Source: ASTM E647 [M]; 0 < a/W < 1."""
    a = np.asarray(alpha, float)
    polynomial = 3.97 - 10.88 * a + 26.25 * a**2 - 38.9 * a**3 + 30.15 * a**4 - 9.27 * a**5
    return np.sqrt(a) * (1.4 + a) * polynomial / (1 - a) ** 1.5


def _per_load(factor: Callable[[ArrayLike], Array]) -> Callable[[Array], Array]:
    """Turn F of K = sigma sqrt(pi a) F into F of K = P F / (B sqrt W)."""
    return lambda alpha: np.sqrt(np.pi * alpha) * factor(alpha)


@dataclass(frozen=True)
class Solution:
    """K = P F(alpha) / (B sqrt W), alpha as of `relative_size`, for low <= alpha <= high."""

    factor: Callable[[Array], Array]
    low: float
    high: float
    source: str


_TADA = "Tada, Paris & Irwin handbook (from memory)"
_E647 = "ASTM E647 (from memory)"


def solution(geometry: str, length_over_width: float | None = None) -> Solution | None:
    """The handbook solution of a geometry; None for `plate`, which has none.

    SENT-clamped needs `length_over_width`, the free length between the clamps over the width.
    """
    if geometry == "SENT-clamped":
        if length_over_width is None:
            raise ValueError("SENT-clamped needs the free length between the clamps")
        clamped = _per_load(lambda alpha: sent_clamped_factor(alpha, length_over_width))
        return Solution(clamped, 1e-6, 0.95, f"compliance method over {_TADA}, L/W = {length_over_width:.3g}")
    return {
        "SENT": Solution(_per_load(sent_tension_factor), 1e-6, 0.95, _TADA),
        "CT": Solution(ct_factor, 0.2, 0.99, _E647),
        "MT": Solution(mt_factor, 1e-6, 0.95, _E647),
        "ESET": Solution(eset_factor, 1e-6, 0.99, _E647),
        "plate": None,
    }[geometry]


def relative_size(geometry: str, crack_mm: ArrayLike, width_mm: float) -> Array:
    """alpha as the handbook has it: a/W, but 2a/W for MT, whose a runs from the centre line."""
    return np.asarray(crack_mm, float) * (2.0 if geometry == "MT" else 1.0) / width_mm


def delta_K_MPa_sqrt_m(
    geometry: str,
    range_kN: ArrayLike,
    crack_mm: ArrayLike,
    width_mm: float,
    thickness_mm: float,
    free_length_mm: float | None = None,
) -> Array:
    """Stress intensity (range for a load range, maximum for a maximum load); NaN outside the solution's range."""
    found = solution(geometry, None if free_length_mm is None else free_length_mm / width_mm)
    crack = np.asarray(crack_mm, float)
    if found is None:
        return np.full(np.broadcast(crack, np.asarray(range_kN)).shape, np.nan)
    alpha = relative_size(geometry, crack, width_mm)
    inside = (alpha >= found.low - ROUNDING) & (alpha <= found.high + ROUNDING)
    factor = np.where(inside, found.factor(np.where(inside, alpha, found.high)), np.nan)
    return 1e3 * np.asarray(range_kN, float) * factor / (thickness_mm * np.sqrt(width_mm)) * SQRT_M_PER_SQRT_MM


def specimen_K_MPa_sqrt_m(s: "Specimen", range_kN: ArrayLike, crack_mm: ArrayLike) -> Array:
    """`delta_K_MPa_sqrt_m` of a rig's specimen."""
    return delta_K_MPa_sqrt_m(s.geometry, range_kN, crack_mm, s.width_mm, s.thickness_mm, s.free_length_mm)


def maximum(range_of_it: ArrayLike, ratio: ArrayLike) -> Array:
    """Load or stress at maximum load from its range: range/(1 - R), R < 1."""
    return np.asarray(range_of_it, float) / (1 - np.asarray(ratio, float))


def maximum_K(dK: ArrayLike, ratio: ArrayLike) -> Array:
    """K at maximum load from its range, dK/(1 - R), R < 1; at R < 0 the range is of the tensile part (ASTM E647, from
    memory) and so is K_max itself. A map shows that of a crack that shuts at zero load: at R = -1 it opens for half a sine,
    whose first harmonic is half as large."""
    return maximum(dK, np.maximum(np.asarray(ratio, float), 0.0))


def tensile_range_kN(range_kN: ArrayLike, ratio: ArrayLike) -> Array:
    """Of a load range with R < 0 only the tensile part counts (ASTM E647, from memory)."""
    whole, ratio = np.asarray(range_kN, float), np.asarray(ratio, float)
    return np.where(ratio > 1, np.nan, np.where(ratio < 0, maximum(whole, ratio), whole))  # R > 1: no tensile part


def tensile_dK_MPa_sqrt_m(s: "Specimen", range_kN: ArrayLike, ratio: ArrayLike, crack_mm: ArrayLike) -> Array:
    """dK of a rig's specimen as growth laws take it: of the tensile part of the load range."""
    return specimen_K_MPa_sqrt_m(s, tensile_range_kN(range_kN, ratio), crack_mm)


# Biaxiality T sqrt(pi a)/K against alpha: own computation by collocation of the Williams series [C]; at 2a/W = 0 of
# M(T) the closed form of the infinite plate, T = -sigma (Westergaard 1939). A finite-element SENT at a/W = 1/3 gave
# T/sigma = -0.61, where this table gives -0.60.
BIAXIALITY = {
    "SENT": ((0.2, 0.3, 0.4, 0.5, 0.6), (-0.44, -0.37, -0.27, -0.15, 0.01)),
    "MT": ((0.0, 0.2, 0.3, 0.4, 0.5, 0.6), (-1.0, -1.01, -1.02, -1.04, -1.06, -1.12)),
}


def biaxiality(geometry: str, alpha: ArrayLike) -> Array:
    """T sqrt(pi a)/K, interpolated in the table above; NaN outside it and for geometries without a table."""
    at = np.asarray(alpha, float)
    if geometry not in BIAXIALITY:
        return np.full(at.shape, np.nan)
    grid, value = BIAXIALITY[geometry]
    return np.interp(at, grid, value, left=np.nan, right=np.nan)


def t_stress_MPa(geometry: str, K_MPa_sqrt_m: ArrayLike, crack_mm: ArrayLike, width_mm: float) -> Array:
    """T (a range for a range of K) from the biaxiality; NaN where that is unknown."""
    crack = np.asarray(crack_mm, float)
    ratio = biaxiality(geometry, relative_size(geometry, crack, width_mm))
    return ratio * np.asarray(K_MPa_sqrt_m, float) / np.sqrt(np.pi * crack * 1e-3)


def plastic_zone_radius_mm(K_MPa_sqrt_m: ArrayLike, yield_MPa: float, plane_strain: bool = False) -> Array:
    """Irwin's r_y = (K/sigma_y)^2/(2 pi), a third of it in plane strain: the shift of the effective tip.

    The zone ahead of the tip is 2 r_y long. Source: Irwin (1960), in every textbook of fracture [M].
    """
    return (np.asarray(K_MPa_sqrt_m, float) / yield_MPa) ** 2 / (2 * np.pi) * 1e3 / (3 if plane_strain else 1)


def cyclic_zone_radius_mm(delta_K_MPa_sqrt_m: ArrayLike, yield_MPa: float, plane_strain: bool = False) -> Array:
    """Radius of the reversed plastic zone: Irwin's form with the range dK against twice the yield strength.

    Source: Rice, ASTM STP 415 (1967) 247 [M]: a quarter of the monotonic zone at R = 0.
    """
    return plastic_zone_radius_mm(delta_K_MPa_sqrt_m, 2 * yield_MPa, plane_strain)


def diffusion_length_mm(diffusivity_mm2_per_s: float, frequency_hz: ArrayLike) -> Array:
    """sqrt(D/(pi f)): where a heat wave has fallen to 1/e. Source: Carslaw & Jaeger [M]."""
    return np.sqrt(diffusivity_mm2_per_s / (np.pi * np.asarray(frequency_hz, float)))


def newman_opening(load_ratio: ArrayLike, smax_over_flow: float, constraint: float) -> Array:
    """Opening load over maximum load. Newman, Int. J. Fract. 24 (1984) R131 [M].

    `constraint` is 1 in plane stress, 3 in plane strain; `smax_over_flow` the maximum gross stress over flow stress.
    -1 <= R < 1.
    """
    ratio = np.asarray(load_ratio, float)
    a0 = (0.825 - 0.34 * constraint + 0.05 * constraint**2) * np.cos(np.pi * smax_over_flow / 2) ** (1 / constraint)
    a1 = (0.415 - 0.071 * constraint) * smax_over_flow
    a3 = 2 * a0 + a1 - 1
    a2 = 1 - a0 - a1 - a3
    positive = np.maximum(ratio, a0 + a1 * ratio + a2 * ratio**2 + a3 * ratio**3)
    return np.where(ratio >= 0, positive, a0 + a1 * ratio)


def effective_fraction(load_ratio: ArrayLike, opening_over_max: ArrayLike) -> Array:
    """U = (1 - Pop/Pmax)/(1 - R), the part of the load range in which the crack is open, at most 1."""
    return np.minimum(1.0, (1 - np.asarray(opening_over_max, float)) / (1 - np.asarray(load_ratio, float)))


def clipped_harmonics(opening_fraction: float, count: int = 3) -> Array:
    """Fourier coefficients c_0..c_count of max(0, p_open - sin phi) / (p_open + 1), the pressure of closed crack faces.

    The load is sin phi, p_open = 2 opening_fraction - 1; 1 at minimum load. With psi = phi + 90 deg and the conduction
    angle psi_0 = arccos(-p_open), g = c_0 + sum c_k cos k psi; the integrals of cos psi cos k psi are elementary. Half
    wave (fraction 1/2): c_1 = 1/2, c_2 = 2/(3 pi), as in mathematical handbooks. Shape (count + 1,).
    """
    c = np.zeros(count + 1)
    if opening_fraction <= 0:
        return c
    cos0 = 1 - 2 * min(opening_fraction, 1.0)
    psi = np.arccos(cos0)
    c[0] = (np.sin(psi) - psi * cos0) / np.pi
    if count:
        c[1] = (psi - np.sin(psi) * cos0) / np.pi
    for k in range(2, count + 1):
        both = np.sin((k - 1) * psi) / (k - 1) + np.sin((k + 1) * psi) / (k + 1)
        c[k] = (both - 2 * cos0 * np.sin(k * psi) / k) / np.pi
    return c / (1 - cos0)
