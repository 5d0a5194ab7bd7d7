"""Reference plates in closed form, for tests: the stress sum of a centre crack in an infinite sheet, on pixels.

Nothing here is a crack-tip series and nothing is imported from the product, so a fit that reproduces K and T of these
plates has been checked against something else than itself.

Sources: H. M. Westergaard, J. Appl. Mech. 6 (1939) A-49 (crack under equal biaxial tension); G. C. Sih, Int. J. Fract.
Mech. 2 (1966) 628 (the uniform stress that makes it uniaxial); mode II and the inclined crack in Tada, Paris & Irwin,
*The Stress Analysis of Cracks Handbook* (centre crack in an infinite plate; all quoted from memory).

Conventions: pixel (row, col) counts from the centre of the first pixel; `angle_deg` is the direction of growth in the
image, 0 right, 90 up, 180 left; crack coordinates x along growth and y a quarter turn counter-clockwise of it as seen
in the image, origin at the tip, mm; stresses in MPa.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.ndimage import gaussian_filter

FieldOnPixels = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True)
class CrackedPlate:
    """A stress-sum map with what is known about it; ranges or single loads alike (linear elasticity)."""

    sum_MPa: np.ndarray  # (rows, columns); NaN where there is no specimen
    tip_px: tuple[float, float]  # row, column
    angle_deg: float
    mm_per_px: float
    crack_mm: float  # from the datum, notch included
    stress_MPa: float  # remote, gross
    KI_MPa_sqrt_m: float
    KII_MPa_sqrt_m: float
    T_MPa: float
    cover: np.ndarray | None = None  # share of specimen in each pixel; None: it fills the view

    @property
    def specimen(self) -> np.ndarray:
        """True where a pixel sees mostly specimen."""
        return np.isfinite(self.sum_MPa) if self.cover is None else self.cover > 0.5

    @property
    def datum_px(self) -> tuple[float, float]:
        """Row and column of the datum: one crack length behind the tip along the crack."""
        t = np.deg2rad(self.angle_deg)
        steps = self.crack_mm / self.mm_per_px
        return float(self.tip_px[0] + steps * np.sin(t)), float(self.tip_px[1] - steps * np.cos(t))


def crack_coordinates(
    row: np.ndarray, col: np.ndarray, tip_px: tuple[float, float], angle_deg: float, mm_per_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """x (along growth) and y (counter-clockwise of it) in mm from the tip; rows count downwards."""
    t = np.deg2rad(angle_deg)
    right, up = (col - tip_px[1]) * mm_per_px, -(row - tip_px[0]) * mm_per_px
    return right * np.cos(t) + up * np.sin(t), up * np.cos(t) - right * np.sin(t)


def off_tip(x_mm: np.ndarray, y_mm: np.ndarray, spacing_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Points nearer to the tip than a third of their spacing, moved that far above it.

    The mean of r^-1/2 over a cell around the tip is its value at about a third of the cell's side; a sample that falls
    on the tip itself would give its pixel any value up to infinity.
    """
    near = np.hypot(x_mm, y_mm) < spacing_mm / 3
    return np.where(near, 0.0, x_mm), np.where(near, spacing_mm / 3, y_mm)


def on_pixels(field: FieldOnPixels, shape: tuple[int, int], sub: int = 4, blur_px: float = 0.6) -> np.ndarray:
    """Mean of `field(row, col)` over each pixel (sub x sub points), after a blur of standard deviation blur_px."""
    pad = int(np.ceil(4 * blur_px)) if blur_px else 0
    offset = (np.arange(sub) + 0.5) / sub - 0.5
    row = (np.arange(-pad, shape[0] + pad)[:, None] + offset).ravel()
    col = (np.arange(-pad, shape[1] + pad)[:, None] + offset).ravel()
    fine = field(row[:, None], col[None, :])
    if blur_px:
        fine = gaussian_filter(fine, blur_px * sub, truncate=4.0)
    n, m = shape[0] + 2 * pad, shape[1] + 2 * pad
    binned = fine.reshape(n, sub, m, sub).mean(axis=(1, 3))
    return binned[pad : n - pad, pad : m - pad]


def centre_crack_sum(x_mm: np.ndarray, y_mm: np.ndarray, half_mm: float, stress_MPa: float, beta_deg: float = 0.0):
    """Stress sum (MPa) around a crack of half length `half_mm` in an infinite sheet; origin at the tip seen.

    The sheet is pulled by `stress_MPa` at `beta_deg` from the crack's normal. Superposition of Westergaard's opening
    and sliding solutions and the uniform stress along the crack: with S = z/sqrt(z^2 - a^2), z from the crack's centre,
    sum = 2 Re[(s_yy - i s_xy) S] + s_xx - s_yy.
    """
    b = np.deg2rad(beta_deg)
    s_yy, s_xx, s_xy = stress_MPa * np.cos(b) ** 2, stress_MPa * np.sin(b) ** 2, stress_MPa * np.sin(b) * np.cos(b)
    z = x_mm + half_mm + 1j * np.asarray(y_mm)
    root = np.sqrt(z - half_mm) * np.sqrt(z + half_mm)  # the branch cut lies on the crack
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = z / root
    return 2 * np.real((s_yy - 1j * s_xy) * shape) + s_xx - s_yy


@cache
def centre_crack(
    shape: tuple[int, int] = (120, 160),
    tip_px: tuple[float, float] = (58.3, 84.6),
    angle_deg: float = 0.0,
    mm_per_px: float = 0.15,
    half_mm: float = 12.0,
    stress_MPa: float = 60.0,
    beta_deg: float = 0.0,
    sub: int = 4,
    blur_px: float = 0.6,
) -> CrackedPlate:
    """Infinite sheet with a centre crack. K_I = s sqrt(pi a) cos^2 b, K_II = s sqrt(pi a) sin b cos b, T = -s cos 2b.

    K_II is positive for a positive shear s_xy in crack coordinates (the stress sum is then larger at y < 0). Many tests
    ask for the same one: made once, and its map is read-only.
    """

    def field(row: np.ndarray, col: np.ndarray) -> np.ndarray:
        x, y = crack_coordinates(row, col, tip_px, angle_deg, mm_per_px)
        return centre_crack_sum(*off_tip(x, y, mm_per_px / sub), half_mm, stress_MPa, beta_deg)

    b = np.deg2rad(beta_deg)
    k = stress_MPa * np.sqrt(np.pi * half_mm * 1e-3)
    total = on_pixels(field, shape, sub, blur_px)
    total.flags.writeable = False
    return CrackedPlate(
        sum_MPa=total,
        tip_px=tip_px,
        angle_deg=angle_deg,
        mm_per_px=mm_per_px,
        crack_mm=half_mm,
        stress_MPa=stress_MPa,
        KI_MPa_sqrt_m=float(k * np.cos(b) ** 2),
        KII_MPa_sqrt_m=float(k * np.sin(b) * np.cos(b)),
        T_MPa=float(-stress_MPa * np.cos(2 * b)),
    )


def arc_potential(
    half_angle: float, stress_MPa: float, along_y: bool = False
) -> tuple[Callable[[np.ndarray], np.ndarray], complex, float]:
    """Sheet with a crack along the unit circle from -half_angle to half_angle, pulled along x or y: Phi(z) with stress
    sum 4 Re Phi, K_I + i K_II at the upper tip (MPa, length 1) and T.

    Muskhelishvili, Some Basic Problems of the Mathematical Theory of Elasticity (1953), sec. 124, from memory: with
    Omega(z) = conj Phi(1/z) - conj Phi'(1/z)/z - conj Psi(1/z)/z^2 on free faces Phi - Omega = D0 + D2/z^2 and
    Phi + Omega = (C1 z + C0 + C-1/z + C-2/z^2)/X, X^2 = (z-a)(z-b); the constants follow from Phi and Psi at infinity,
    no resultant force, and Omega(infinity) = conj Phi(0).
    """
    a, b = np.exp(-1j * half_angle), np.exp(1j * half_angle)
    turn = -np.exp(1j * np.angle((1 - b) / (1 - a)))  # the cut of X lies where the crack is

    def X(z: np.ndarray) -> np.ndarray:
        return (z - a) * np.sqrt((z - b) / (z - a) / turn) * np.sqrt(turn)

    p = -0.5 * (1 / a + 1 / b)
    f0 = complex(1 / X(np.complex128(0)))
    f1, f2 = -f0 * p, f0 * (p**2 + 0.5 * (1 / a**2 + 1 / b**2))  # 1/X at 0 and its derivatives
    D2 = (stress_MPa if along_y else -stress_MPa) / 2 + 0j
    Cm2 = -D2 / f0
    Cm1 = -Cm2 * f1 / f0

    def unmet(v: np.ndarray) -> np.ndarray:
        C1, D0 = complex(v[0], v[1]), complex(v[2], v[3])
        middle = -C1 * (a + b) / 2 * f0 + Cm1 * f1 + Cm2 * f2 / 2
        both = C1 + D0 - stress_MPa / 2, C1 - D0 - np.conj(middle + D0)
        return np.array([part for e in both for part in (e.real, e.imag)])

    rest = unmet(np.zeros(4))
    v = np.linalg.solve(np.stack([unmet(e) - rest for e in np.eye(4)], 1), -rest)
    C1, D0 = complex(v[0], v[1]), complex(v[2], v[3])

    def over(z: np.ndarray) -> np.ndarray:
        return C1 * z - C1 * (a + b) / 2 + Cm1 / z + Cm2 / z**2

    ahead = 1e-10 * 1j * b  # along the tangent at the upper tip
    K = np.sqrt(2 * np.pi * abs(ahead)) * over(b) / X(b + ahead)
    return lambda z: 0.5 * (over(z) / X(z) + D0 + D2 / z**2), complex(np.conj(K)), float(2 * (D0 + D2 / b**2).real)


def arc_crack(
    tip_px: tuple[float, float] = (58.3, 84.6),
    angle_deg: float = 0.0,
    mm_per_px: float = 0.15,
    length_mm: float = 24.0,
    turns_deg: float = 40.0,
    stress_MPa: float = 60.0,
    shape: tuple[int, int] = (120, 160),
    sub: int = 4,
    blur_px: float = 0.6,
) -> CrackedPlate:
    """Infinite sheet with a crack along an arc that turns by `turns_deg` over its length, pulled across its middle;
    angle_deg: of its tangent at the tip seen."""
    half = np.deg2rad(turns_deg) / 2
    radius = length_mm / (2 * half)
    Phi, K, T = arc_potential(half, stress_MPa)
    b = np.exp(1j * half)

    def field(row: np.ndarray, col: np.ndarray) -> np.ndarray:
        x, y = off_tip(*crack_coordinates(row, col, tip_px, angle_deg, mm_per_px), mm_per_px / sub)
        return 4 * Phi(b + 1j * b * (x + 1j * np.asarray(y)) / radius).real

    K = K * np.sqrt(radius * 1e-3)
    return CrackedPlate(
        on_pixels(field, shape, sub, blur_px), tip_px, angle_deg, mm_per_px, length_mm / 2, stress_MPa, K.real, K.imag, T
    )


def uncracked(shape: tuple[int, int] = (120, 160), stress_MPa: float = 60.0, mm_per_px: float = 0.15) -> CrackedPlate:
    """The same sheet without a crack: a uniform stress sum (uniaxial tension), K = T = 0, no tip."""
    nowhere = (float("nan"), float("nan"))
    return CrackedPlate(np.full(shape, stress_MPa), nowhere, 0.0, mm_per_px, 0.0, stress_MPa, 0.0, 0.0, 0.0)


def conducted(h: np.ndarray, mm_per_px: float, diffusivity_mm2_per_s: float, frequency_hz: float) -> np.ndarray:
    """Harmonic map after heat conduction in the plane of the sheet: (D lap - i w) T = -i w T_adiabatic, by FFT.

    Approximation: the crack is a plain discontinuity of the adiabatic map, so heat crosses its faces as if it were not
    there, and the image's borders are insulated (mirrored). Good for the order of the effect at the tip, no reference.
    """
    w = 2 * np.pi * frequency_hz
    mirrored = np.block([[h, h[:, ::-1]], [h[::-1], h[::-1, ::-1]]])
    ky = 2 * np.pi * np.fft.fftfreq(mirrored.shape[0], mm_per_px)[:, None]
    kx = 2 * np.pi * np.fft.fftfreq(mirrored.shape[1], mm_per_px)[None, :]
    passed = np.fft.ifft2(np.fft.fft2(mirrored) * (1j * w / (1j * w + diffusivity_mm2_per_s * (kx**2 + ky**2))))
    return passed[: h.shape[0], : h.shape[1]]
