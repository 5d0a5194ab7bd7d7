"""The specimen swings to and fro with the load: what that does to a crack tip's field, and how far it swings.

The camera sees T(x - u(t)) with u = Im(d exp(i phi)). To first order in d the gradient of the 1f field then stands at 2f
(edge/second_harmonic.py). Near a tip the field bends so much that first order does not do: the second changes the 1f map
itself, by as much as a per cent of K for a pixel. There the fitted series gives the field between the pixels, and its
average over one cycle says what the camera has seen. d is fitted in the 2f map around the tip, beside a share of the 1f
field, by steps of Gauss and Newton.
"""

from dataclasses import dataclass

import numpy as np

from edge import williams
from edge.second_harmonic import gradient

CLEAR = 4.0  # deviations
POINTS = 12  # of the cycle: exact up to the 10th order in d
MOST_PIXELS = 2500  # more say little of d
STEPS = 4


@dataclass(frozen=True)
class View:
    """What turns crack coordinates and a series into maps: growth direction, scale, K per MPa of h1 (negative)."""

    angle_deg: float
    mm_per_px: float
    K_per_MPa: float


def seen(coefficients: np.ndarray, z: np.ndarray, d_px: np.ndarray, view: View) -> tuple[np.ndarray, np.ndarray]:
    """Harmonics at f and 2f, K, (n,) complex each, that a camera sees at z (n,) complex mm in crack coordinates of a
    series (n,) complex MPa that swings by d_px (2,) complex [right, down]."""
    turn = np.exp(-1j * np.deg2rad(view.angle_deg))
    one, two = np.zeros(z.shape, complex), np.zeros(z.shape, complex)
    for phi in 2 * np.pi * np.arange(POINTS) / POINTS:
        right, down = np.imag(d_px * np.exp(1j * phi))
        stress = williams.evaluate(coefficients, z - (right - 1j * down) * view.mm_per_px * turn) * np.sin(phi)
        one += stress * np.exp(-1j * phi)
        two += stress * np.exp(-2j * phi)
    factor = 2j * view.K_per_MPa / POINTS
    return factor * one, factor * two


def measure(
    coefficients: np.ndarray, z: np.ndarray, h1: np.ndarray, h2: np.ndarray, sd_K: float, view: View
) -> tuple[np.ndarray, np.ndarray]:
    """d_px (2,) complex [right, down], components that do not stand out zero, and the deviation of each; from h1, h2 (n,)
    complex K, h2 with deviation sd_K of each component, at places z (n,)."""
    thin = slice(None, None, max(1, z.size // MOST_PIXELS))
    z, h1, h2 = z[thin], h1[thin], h2[thin]
    n = np.arange(1, len(coefficients) + 1)
    slope = williams.analytic(coefficients * (n / 2 - 1), z) / z
    slope = slope * np.exp(-1j * np.deg2rad(view.angle_deg)) * view.mm_per_px * view.K_per_MPa
    # d/dx of Re f is Re f', d/dy is Re(i f'), and down is -y
    x = np.stack([h1, 0.5j * slope.real, 0.5j * (-1j * slope).real])
    inverse = np.linalg.pinv(x.conj() @ x.T, hermitian=True)
    sd = sd_K * np.sqrt(np.diag(inverse).real)[1:]
    d, share = np.zeros(2, complex), 0.0 + 0.0j
    for step in range(STEPS):
        model = seen(coefficients, z, d, view)[1] if step else 0.0
        b = inverse @ (x.conj() @ (h2 - share * h1 - model))
        share, d = share + b[0], d + b[1:]
        if not np.any(np.abs(d) > CLEAR * sd):
            break
    return np.where(np.abs(d) > CLEAR * sd, d, 0.0), sd


def take_out(
    maps: np.ndarray, z: np.ndarray, coefficients: np.ndarray, reach_mm: float, d_px: np.ndarray, view: View
) -> np.ndarray:
    """maps (H, rows, columns) as of a specimen that stands still, z (rows, columns). Beyond reach_mm of the tip the 1f
    map stays as it is, and the 2f map loses the gradient of the measured 1f map."""
    still = maps.copy()
    right, down = gradient(maps[0])
    still[1] -= 0.5j * (d_px[0] * right + d_px[1] * down)
    near = (np.abs(z) < reach_mm) & (np.abs(z) > view.mm_per_px)
    one, two = seen(coefficients, z[near], d_px, view)
    still[0][near] = maps[0][near] - one + view.K_per_MPa * williams.evaluate(coefficients, z[near])
    still[1][near] = maps[1][near] - two
    return still
