"""Invented temperature fields around a fatigue crack, for the simulated bench and for tests.

A forward model, never used by the measurement. Maps are complex harmonics in kelvin, T_k(t) = Im[h_k exp(i k phi)] =
A sin(k phi + theta), with the load P = Pm + Pa sin phi. The elastic field is the closed-form centre crack; the contact
zone in the wake and the dissipation zone ahead are shapes made up here, and so are their amplitudes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from edge.handbook import clipped_harmonics

HARMONICS = 3


@dataclass(frozen=True)
class Contact:
    """Crack-face contact in the wake: compressive stress at minimum load that fades linearly over `length_mm`."""

    length_mm: float = 2.0
    stress_MPa: float = 60.0  # at the tip, at minimum load
    opening_fraction: float = 0.35  # share of the load range below which the faces touch
    width_mm: float = 0.25  # standard deviation across the crack


@dataclass(frozen=True)
class Ahead:
    """Dissipation ahead of the tip, seen at 2f: a bell of standard deviation `size_mm` centred `place_mm` ahead."""

    peak_K: float = 0.010
    phase_deg: float = 75.0  # 165 degrees from the contact's -90
    place_mm: float = 0.35
    size_mm: float = 0.40


@dataclass(frozen=True)
class Scene:
    """What the specimen's surface does: mean (K), elastic 1f map (K at unit load amplitude), and zones (k = 1..n)."""

    mean_K: np.ndarray  # (rows, columns)
    elastic: np.ndarray  # (rows, columns), complex
    zones: tuple[np.ndarray, ...] = field(default=())

    def harmonics(self, h2: float = 0.0, h2_deg: float = 0.0) -> list[np.ndarray]:
        """Maps h_1..h_n (n >= 2) under the load sin phi + h2 sin(2 phi + h2_deg), which the elastic field follows."""
        parts = [self.elastic.astype(complex), self.elastic * h2 * np.exp(1j * np.deg2rad(h2_deg))]
        parts += [np.zeros_like(parts[0]) for _ in range(len(self.zones) - 2)]
        for k, zone in enumerate(self.zones):
            parts[k] = parts[k] + zone
        return parts


def to_crack(
    row: np.ndarray, col: np.ndarray, tip_px: tuple[float, float], angle_deg: float, mm_per_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Crack coordinates in mm from the tip: x along growth (0 right, 90 up in the image), y counter-clockwise of it."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    right, down = (col - tip_px[1]) * mm_per_px, (row - tip_px[0]) * mm_per_px
    return right * c - down * s, -right * s - down * c


def off_tip(x_mm: np.ndarray, y_mm: np.ndarray, least_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The points, those nearer to the tip than `least_mm` moved straight above it: no point sits on the singularity.

    With a third of the points' spacing, one point then stands for its cell's mean of 1/sqrt(r) as well as any can.
    """
    near = x_mm**2 + y_mm**2 < least_mm**2
    return np.where(near, 0.0, x_mm), np.where(near, least_mm, y_mm)


def centre_crack_sum(x_mm: np.ndarray, y_mm: np.ndarray, half_mm: float, stress_MPa: float) -> np.ndarray:
    """Stress sum of an infinite sheet with a centre crack under remote tension, origin at one tip.

    2 Re[s z / sqrt(z^2 - a^2)] - s: Westergaard, J. Appl. Mech. 6 (1939) A-49, made uniaxial after Sih, Int. J. Fract.
    Mech. 2 (1966) 628; K = s sqrt(pi a), T = -s.
    """
    z = x_mm + half_mm + 1j * y_mm
    return 2 * stress_MPa * np.real(z / (np.sqrt(z - half_mm) * np.sqrt(z + half_mm))) - stress_MPa


def contact_harmonics(opening_fraction: float) -> list[complex]:
    """What h_1..h_3 of the contact zone are in units of its shape.

    Compression warms, and pressure peaks at minimum load: c_k cos k(phi + 90 deg) = c_k sin(k phi + (k + 1) 90 deg).
    """
    c = clipped_harmonics(opening_fraction)
    return [complex(c[k]) * 1j ** ((k + 1) % 4) for k in range(1, HARMONICS + 1)]


def contact_shape(x_mm: np.ndarray, y_mm: np.ndarray, contact: Contact, K0_T: float) -> np.ndarray:
    """Warming (K) by the contact zone at minimum load; K0_T, thermoelastic constant times kelvin, in K per MPa."""
    taper = np.where(x_mm <= 0, np.clip(1 + x_mm / max(contact.length_mm, 1e-9), 0, 1), 0)
    return K0_T * contact.stress_MPa * taper * np.exp(-0.5 * (y_mm / contact.width_mm) ** 2)


def ahead_shape(x_mm: np.ndarray, y_mm: np.ndarray, ahead: Ahead) -> np.ndarray:
    """Amplitude (K) at 2f of the dissipation zone."""
    return ahead.peak_K * np.exp(-0.5 * ((x_mm - ahead.place_mm) ** 2 + y_mm**2) / ahead.size_mm**2)


def zones(contact: Contact, contact_K: np.ndarray, ahead: Ahead, ahead_K: np.ndarray) -> tuple[np.ndarray, ...]:
    """h_1..h_3 (K) of both zones, from their shapes as the pixels see them."""
    maps = [c * contact_K for c in contact_harmonics(contact.opening_fraction)]
    maps[1] = maps[1] + ahead_K * np.exp(1j * np.deg2rad(ahead.phase_deg))
    return tuple(maps)


def pixel_points(shape: tuple[int, int], sub: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows (n, 1) and columns (1, m) of sub x sub points in every pixel."""
    offset = (np.arange(sub) + 0.5) / sub - 0.5
    row, col = (np.arange(n)[:, None] + offset for n in shape)
    return row.reshape(-1, 1), col.reshape(1, -1)


def pixel_mean(fine: np.ndarray, sub: int, blur_px: float) -> np.ndarray:
    """Mean of sub x sub points in every pixel after an optical blur of standard deviation `blur_px`. Real maps."""
    import cv2

    if blur_px > 0:
        fine = cv2.GaussianBlur(fine, (0, 0), blur_px * sub, borderType=cv2.BORDER_REPLICATE)
    rows, columns = fine.shape[0] // sub, fine.shape[1] // sub
    return fine.reshape(rows, sub, columns, sub).mean(axis=(1, 3))


def crack_scene(
    shape: tuple[int, int],
    tip_px: tuple[float, float],
    angle_deg: float,
    mm_per_px: float,
    stress_sum: Callable[[np.ndarray, np.ndarray], np.ndarray],
    K0_T: float,
    mean_K: float,
    contact: Contact,
    ahead: Ahead,
    sub: int = 4,
    blur_px: float = 0.6,
) -> Scene:
    """Scene of a specimen that fills the view; `stress_sum(x_mm, y_mm)` gives the range in MPa in crack coordinates."""
    row, col = pixel_points(shape, sub)
    x, y = to_crack(row, col, tip_px, angle_deg, mm_per_px)
    elastic = pixel_mean(-0.5 * K0_T * stress_sum(*off_tip(x, y, mm_per_px / sub / 3)), sub, blur_px)
    contact_K = pixel_mean(contact_shape(x, y, contact, K0_T), sub, blur_px)
    ahead_K = pixel_mean(ahead_shape(x, y, ahead), sub, blur_px)
    return Scene(np.full(shape, mean_K), elastic.astype(complex), zones(contact, contact_K, ahead, ahead_K))
