"""Heat conduction around the tip: what it does to the stress-sum map, measured by the phase it leaves behind.

In the plane of the sheet (D lap - i w) T = -i w T_ad. A stress sum is harmonic, so it solves this by itself wherever the
plate is whole; only at the crack faces, where its normal derivative jumps by J, and at the tip does heat flow. With
q^2 = i w / D, the departure from adiabatic behaviour is the faces' line source under the plane's Green function,

    e(x) = 1/(2 pi) integral over the faces of K0(q |x - x'|) J(x') dx'

(Carslaw & Jaeger, Conduction of Heat in Solids, for K0 as the periodic line source, from memory). For the series' terms
n = 1 and 3 in opening, J = r^(-3/2) (finite part: the tip itself is a sink) and r^(-1/2). In sliding the faces stay
insulated and e = -r^(-1/2) exp(-q r) sin(theta/2). All scale with the diffusion length mu = sqrt(D / (pi f)).

How much of this a map shows is not taken from the material but fitted: heat that flows late turns the phase, and the
imaginary part of the map, zero in an adiabatic plate, has the same shape with a known ratio to the real one.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np

LARGEST = 8.0  # diffusion lengths; farther out nothing is left
CLEAR = 4.0  # deviations, and
LEAST = 0.05  # share of the full effect from which it is taken out
BLUR_PX = (0.5**2 + 1 / 12) ** 0.5  # of a lens (common practice, no source) and of the pixel's own square
THETA = np.linspace(0.0, np.deg2rad(177.0), 90)
RHO = np.geomspace(0.1, LARGEST, 60)


@cache
def _kernels() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distances, K0(q s) and q K1(q s) for q = 1 + i (mu = 1), from K_v(z) = int exp(-z cosh t) cosh(v t) dt."""
    s = np.geomspace(1e-3, 3 * LARGEST, 1500)
    t = np.linspace(0, 12, 400)
    q = 1 + 1j
    decay = np.exp(-q * s[:, None] * np.cosh(t)) * (t[1] - t[0])
    decay[:, 0] *= 0.5
    return s, decay.sum(1), q * (decay * np.cosh(t)).sum(1)


@cache
def _tables() -> tuple[np.ndarray, np.ndarray]:
    """E_1, E_3 (THETA, RHO) complex: departures for s = Re z^(-1/2) and Re z^(1/2), times rho^(1/2) and rho^(-1/2)."""
    s, k0, qk1 = _kernels()
    t = np.linspace(0, np.sqrt(3 * LARGEST), 900) + 1e-9  # along the face, r' = t^2
    step = t[1] - t[0]

    first, third = (np.empty((THETA.size, RHO.size), complex) for _ in range(2))
    for i, theta in enumerate(THETA):  # one at a time: all at once take 300 MB for a moment
        ahead = (RHO * np.cos(theta))[:, None] + t**2
        distance = np.hypot(ahead, (RHO * np.sin(theta))[:, None])
        first[i] = -2 / np.pi * np.trapezoid(np.interp(distance, s, qk1, right=0) * ahead / distance, dx=step)
        third[i] = np.trapezoid(np.interp(distance, s, k0, right=0), dx=step) / np.pi
    return first * RHO**0.5, third * RHO**-0.5


def _at(rho: np.ndarray, theta: np.ndarray) -> list[np.ndarray]:
    """Of each table, bilinear in log rho and theta; zero beyond its radius."""
    i = np.clip((np.log(rho / RHO[0])) / np.log(RHO[1] / RHO[0]), 0, RHO.size - 1.001)
    j = np.clip(np.abs(theta) / THETA[1], 0, THETA.size - 1.001)
    i0, j0 = i.astype(int), j.astype(int)
    u, v, inside = i - i0, j - j0, rho < LARGEST
    weights = [(1 - u) * (1 - v) * inside, u * (1 - v) * inside, (1 - u) * v * inside, u * v * inside]
    corners = [(j0, i0), (j0, i0 + 1), (j0 + 1, i0), (j0 + 1, i0 + 1)]
    return [sum(w * table[corner] for w, corner in zip(weights, corners, strict=True)) for table in _tables()]


def unit_departures(z: np.ndarray, mu_mm: float, blur_mm: float = 0.0) -> np.ndarray:
    """`departure` (3, ...) at z (...) for coefficients of one: n = 1 in opening and in sliding (1j), n = 3 in opening."""
    rho, theta = np.maximum(np.abs(z) / mu_mm, RHO[0]), np.angle(z)
    first, third = _at(rho, theta)
    root = np.sqrt(rho)
    # Re(c z^(-1/2)) has + Im(c) sin(theta/2) r^(-1/2)
    slide = -np.exp(-(1 + 1j) * rho) * np.sin(theta / 2)
    turn = np.exp(1j * (blur_mm / mu_mm) ** 2)
    return np.stack([first / root, slide / root, third * root * mu_mm]) * (turn * mu_mm**-0.5)


def departure(z: np.ndarray, coefficients: np.ndarray, mu_mm: float, blur_mm: float = 0.0) -> np.ndarray:
    """Complex departure from the adiabatic stress sum, MPa, at z (n,) mm in crack coordinates, for a series with these
    coefficients (edge/williams.py); outside 177 degrees from the growth direction it is that of 177 degrees. blur_mm: standard
    deviation of what a pixel averages over. The stress sum is harmonic, so blur leaves it as it is, but the departure solves
    lap e = q^2 e: a Gaussian blur of deviation b multiplies it by exp(b^2 q^2 / 2) = exp(i b^2 / mu^2)."""
    c1 = complex(coefficients[0])
    c3 = complex(coefficients[2]) if len(coefficients) > 2 else 0j
    return np.tensordot([c1.real, c1.imag, c3.real], unit_departures(z, mu_mm, blur_mm), 1)


@dataclass(frozen=True)
class Flow:
    """Conduction as the fit takes it into account: share of the full effect, 0 where the map shows none; diffusion length;
    by how much it has turned the phase of the far field, which was taken for none; what a pixel averages over (`departure`)."""

    share: float
    mu_mm: float
    phase_rad: float = 0.0
    blur_mm: float = 0.0

    def columns(self, z: np.ndarray, terms: int, unit_mm: float) -> np.ndarray:
        """What it adds to the columns of williams.design, real part: to the two of the tip's shift, to n = 1 and n = 3."""
        added = np.zeros((2 + 2 * terms - 1, z.size))
        if not self.share:
            return added
        step = 0.05 * self.mu_mm
        for column, direction in ((0, step), (1, 1j * step)):
            ahead, behind = (unit_departures(z + way * direction, self.mu_mm, self.blur_mm)[0].real for way in (1, -1))
            added[column] = -2 * (ahead - behind) / (2 * step) * unit_mm**1.5
        opening, sliding, third = unit_departures(z, self.mu_mm, self.blur_mm).real
        added[2], added[3] = opening * unit_mm**0.5, sliding * unit_mm**0.5
        if terms >= 3:
            added[5] = third * unit_mm**-0.5
        return self.share * added

    def real_part(self, z: np.ndarray, coefficients: np.ndarray) -> np.ndarray:
        """What it adds to the stress sum (n,) MPa at z (n,)."""
        return self.share * departure(z, coefficients, self.mu_mm, self.blur_mm).real if self.share else np.zeros(z.shape)


@dataclass(frozen=True)
class Share:
    """How much of the expected conduction the map shows (1: all), and its deviation; phase_rad: rest of the far field."""

    value: float
    sd: float
    phase_rad: float

    @property
    def clear(self) -> bool:
        return self.value > max(LEAST, CLEAR * self.sd)


def measure(imaginary: np.ndarray, stress: np.ndarray, e: np.ndarray, sd: float) -> Share:
    """Share from the imaginary part (n,) MPa of the stress-sum map, with deviation sd; stress, e (n,): real part, and the full
    departure from the fitted adiabatic stress sum at the same places."""
    x = np.stack([e.imag, stress])
    inverse = np.linalg.pinv(x @ x.T, hermitian=True)
    b = inverse @ (x @ imaginary)
    rest = imaginary - b @ x
    spread = max(sd, float(np.sqrt(np.mean(rest**2))))
    return Share(float(b[0]), float(np.sqrt(inverse[0, 0])) * spread, float(b[1]))
