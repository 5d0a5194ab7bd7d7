"""Invented life of the simulated bench's crack: Paris growth under closure, and what a single overload does to it.

da/dN = C (U dK)^m gamma, with U from Newman's opening function (edge.handbook) and gamma Wheeler's retardation factor
(O. E. Wheeler, J. Basic Eng. 94 (1972) 181, from memory): gamma = (r / (a_ol + r_ol - a))^w while the present plastic
zone r stays within the overload's r_ol, else 1. All constants are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edge.handbook import delta_K_MPa_sqrt_m, effective_fraction, maximum, newman_opening, plastic_zone_radius_mm

LARGEST_STEP_MM = 0.01
STEPS = 1000  # over the planned cycles, at least


@dataclass(frozen=True)
class CrackLaw:
    """Specimen, loading and invented growth constants."""

    geometry: str = "MT"  # gives K; `plate`: infinite sheet
    width_mm: float = 100.0
    thickness_mm: float = 4.0
    free_length_mm: float | None = None
    yield_MPa: float = 350.0
    start_mm: float = 8.0  # crack size at cycle 0, from the datum
    range_kN: float = 30.0
    load_ratio: float = 0.1
    C_effective: float = 1e-7  # mm/cycle at U dK = 1 MPa sqrt(m)
    m: float = 3.0
    constraint: float = 1.5  # Newman's alpha
    wheeler_exponent: float = 1.3
    overload_cycle: int | None = None
    overload_ratio: float = 1.5

    def delta_K(self, crack_mm: np.ndarray | float) -> np.ndarray:
        """dK in MPa sqrt(m); NaN beyond the handbook solution's range."""
        if self.geometry == "plate":
            stress = 1e3 * self.range_kN / (self.width_mm * self.thickness_mm)
            return stress * np.sqrt(np.pi * np.asarray(crack_mm) * 1e-3)
        shape = (self.geometry, self.range_kN, crack_mm, self.width_mm, self.thickness_mm, self.free_length_mm)
        return delta_K_MPa_sqrt_m(*shape)

    @property
    def opening_fraction(self) -> float:
        """Share of the load range below which the faces touch, 1 - U; gross stress over yield strength as Newman's."""
        peak_MPa = 1e3 * float(maximum(self.range_kN, self.load_ratio)) / (self.width_mm * self.thickness_mm)
        opening = newman_opening(self.load_ratio, min(peak_MPa / self.yield_MPa, 0.8), self.constraint)
        return 1 - float(effective_fraction(self.load_ratio, opening))

    @property
    def C(self) -> float:
        """The constant of da/dN = C dK^m, dK the whole range: what a Paris fit of the plain growth should find."""
        return self.C_effective * (1 - self.opening_fraction) ** self.m


@dataclass(frozen=True)
class CrackLife:
    """Crack size and retardation factor against cycles; where `cycles` ends the crack has left the law's range."""

    law: CrackLaw
    cycles: np.ndarray
    crack_mm: np.ndarray
    gamma: np.ndarray

    def crack_at(self, cycles: np.ndarray | float) -> np.ndarray:
        return np.interp(cycles, self.cycles, self.crack_mm)

    def gamma_at(self, cycles: np.ndarray | float) -> np.ndarray:
        return np.interp(cycles, self.cycles, self.gamma)

    @property
    def delay(self) -> tuple[float, float]:
        """Cycles lost to the overload and the length (mm) over which growth was slowed; (0, 0) without one."""
        slow = np.flatnonzero(self.gamma < 1)
        if not slow.size:
            return 0.0, 0.0
        first, last = slow[0], min(slow[-1] + 1, len(self.cycles) - 1)
        a = self.crack_mm[first : last + 1]
        plain = np.diff(a) / _rate(self.law, (a[1:] + a[:-1]) / 2)
        return float(self.cycles[last] - self.cycles[first] - plain.sum()), float(a[-1] - a[0])


def _rate(law: CrackLaw, crack_mm: np.ndarray | float) -> np.ndarray:
    return law.C * law.delta_K(crack_mm) ** law.m


def grow(law: CrackLaw, cycles: float) -> CrackLife:
    """The life up to `cycles`, by midpoint steps of at most LARGEST_STEP_MM."""
    peak = 1 / (1 - law.load_ratio)

    def zone(a: float, factor: float) -> float:
        return 2 * float(plastic_zone_radius_mm(factor * peak * law.delta_K(a), law.yield_MPa))

    def gamma(n: float, a: float) -> float:
        if n < overload:
            return 1.0
        room, r = limit_mm - a, zone(a, 1.0)
        return 1.0 if r >= room else (r / room) ** law.wheeler_exponent

    overload = np.inf if law.overload_cycle is None else float(law.overload_cycle)
    limit_mm = -np.inf
    n, a = 0.0, law.start_mm
    history = [(n, a, 1.0)]
    while n < cycles:
        rate = float(_rate(law, a)) * gamma(n, a)
        if not np.isfinite(rate):
            break
        step = min(cycles / STEPS, LARGEST_STEP_MM / rate, cycles - n)
        if n < overload < n + step:
            step = overload - n
        middle = a + 0.5 * step * rate
        grown = a + step * float(_rate(law, middle)) * gamma(n, middle)
        if not np.isfinite(grown):
            break
        n, a = n + step, grown
        if n == overload:
            limit_mm = a + zone(a, law.overload_ratio)
        history.append((n, a, gamma(n, a)))
    table = np.array(history)
    return CrackLife(law, table[:, 0], table[:, 1], table[:, 2])
