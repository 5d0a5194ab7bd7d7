"""Reference plates by finite elements, for tests: SENT, M(T) and C(T) in plane stress, solved with scikit-fem.

Biquadratic elements on a tensor-product grid that shrinks geometrically to the tip; half or quarter models with the
crack line as the plane of symmetry. Nothing is imported from the product and no crack-tip series is used to make the
fields. K comes from the J-integral, T from the interaction integral with the field of a point force at the tip.

Everything is solved once at unit width, unit nominal stress P/(BW) and unit modulus; plane stress with traction loads
does not depend on the modulus. Loads: SENT and M(T): uniform traction two widths away (SENT: ends free to rotate; or with
bending on top; or held so that they cannot rotate; or with a slot of square end instead of the crack's first part).
C(T): the hole of ASTM E647 is a disc of nearly no stiffness, its outline as ragged as the grid; the pin's force is a
body force in a band around its upper half, growing with height above the hole's centre; the notch is as thin as the
crack. Against E647's polynomial K is 1.4 % high at a/W = 0.2 and within 0.4 % from 0.3 to 0.7.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from plates import CrackedPlate, crack_coordinates, off_tip, on_pixels
from scipy.interpolate import RectBivariateSpline
from skfem import (
    Basis,
    BilinearForm,
    ElementQuad2,
    ElementVector,
    LinearForm,
    MeshQuad,
    condense,
    solve,
)
from skfem.helpers import ddot, sym_grad, trace
from skfem.utils import solver_direct_scipy

POISSON = 0.3
TIP_ELEMENT, GROWTH = 2e-5, 1.42  # of the width: element at the tip; ratio of neighbours
LARGEST = {"SENT": 0.05, "MT": 0.05, "CT": 0.03}
# left end, right end and height of the modelled part in widths W; the datum is x = 0
PARTS = {"SENT": (0.0, 1.0, 2.0), "MT": (0.0, 0.5, 2.0), "CT": (-0.25, 1.0, 0.6)}
HOLE_Y, HOLE_RADIUS, PIN_BAND, HOLE_STIFFNESS = 0.275, 0.125, 0.06, 1e-4
COVERED = 0.01  # pixels with less of the specimen in them are NaN


def graded(length: float, largest: float) -> np.ndarray:
    """Places from 0 to `length`, finest at 0."""
    steps, total = [TIP_ELEMENT], TIP_ELEMENT
    while total < length:
        steps.append(min(steps[-1] * GROWTH, largest))
        total += steps[-1]
    return np.concatenate([[0.0], np.cumsum(steps)]) * length / total


def coarsened(length: float, largest: float, half: float) -> np.ndarray:
    """The same, nothing finer than a tenth of `half`."""
    places = graded(length, largest)
    return np.concatenate([[0.0], places[places > half / 10]])


@dataclass(frozen=True)
class Solved:
    """Unit solution: crack a and lengths in widths, stresses over P/(BW); K over P/(BW) sqrt(W)."""

    geometry: str
    a: float
    K: float
    T: float
    corners: tuple[float, float, float, float]  # x from, to; y from, to
    ahead: tuple[RectBivariateSpline, RectBivariateSpline]  # displacements u, v through all nodes of the grid; smoother than
    above: tuple[RectBivariateSpline, RectBivariateSpline]  # the elements' own slopes; `above` the slot, `ahead` of its end
    slot: tuple[float, float] = (0.0, 0.0)  # length, half width

    def stress_sum(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """sigma_x + sigma_y at any points (datum at x = 0, crack on y = 0); NaN outside the specimen."""
        x, y = np.broadcast_arrays(np.abs(x) if self.geometry == "MT" else x, np.abs(y))
        left, right, _, top = self.corners
        beside = x < self.slot[0]
        outside = (x < left) | (x > right) | (y > top) | (beside & (y < self.slot[1]))
        if self.geometry == "CT":
            outside |= np.hypot(x, y - HOLE_Y) < HOLE_RADIUS
        dilatation = [u.ev(x, y, dx=1) + v.ev(x, y, dy=1) for u, v in (self.above, self.ahead)]
        return np.where(outside, np.nan, np.where(beside, *dilatation) / (1 - POISSON))


def _stress(strain: np.ndarray) -> np.ndarray:
    """Plane stress, unit modulus."""
    eye = np.eye(2).reshape(2, 2, *(1,) * (strain.ndim - 2))
    return strain / (1 + POISSON) + POISSON / (1 - POISSON**2) * eye * trace(strain)


@cache
def unit(
    geometry: str, a: float, bending: float = 0.0, clamped: bool = False, slot: tuple[float, float] = (0.0, 0.0)
) -> Solved:
    """Solve one specimen with crack size `a` from its datum, in widths. bending: stress at the datum's edge that a moment
    adds to the unit one; clamped: ends that move apart as they are; both for SENT. slot: length and half width."""
    left, right, height = PARTS[geometry]
    h = LARGEST[geometry]
    x = np.concatenate([a - graded(a - left, h)[::-1], a + graded(right - a, h)[1:]])
    y = graded(height, h)
    length, half = slot
    if length:  # finest at the tip and at the corner
        near = a - graded(a - length, 0.3 * (a - length))[::-1]
        x = np.concatenate([(length - coarsened(length - left, h, half))[:0:-1], near, x[x > a]])
        y = np.concatenate([graded(half, half / 4), half + coarsened(height - half, h, half)[1:]])
    mesh = MeshQuad.init_tensor(x, y)
    middle = mesh.p[:, mesh.t].mean(axis=1)
    mesh = mesh.remove_elements(np.flatnonzero((middle[0] < length) & (middle[1] < half)))
    basis = Basis(mesh, ElementVector(ElementQuad2()), intorder=5)
    place = basis.doflocs
    up = np.zeros(basis.N, bool)
    up[basis.split_indices()[1]] = True
    hole = HOLE_RADIUS if geometry == "CT" else 0.0

    def modulus(x: np.ndarray) -> np.ndarray:
        return np.where(np.hypot(x[0], x[1] - HOLE_Y) < hole, HOLE_STIFFNESS, 1.0)

    def pin(x: np.ndarray) -> np.ndarray:
        band = np.abs(np.hypot(x[0], x[1] - HOLE_Y) - hole - PIN_BAND / 2) < PIN_BAND / 2
        return band * np.maximum(x[1] - HOLE_Y, 0)

    stiffness = BilinearForm(lambda u, v, w: modulus(w.x) * ddot(_stress(sym_grad(u)), sym_grad(v))).assemble(basis)
    if hole:
        load = LinearForm(lambda v, w: v[1] * pin(w.x)).assemble(basis)
        load /= load[up].sum()
    else:
        load = np.zeros(basis.N)
        top = np.flatnonzero(up & (place[1] > height - 1e-12))
        top = top[np.argsort(place[0, top])]
        for k, share in enumerate((1 / 6, 4 / 6, 1 / 6)):  # what unit traction on a quadratic edge gives its nodes
            load[top[k : len(top) - 2 + k : 2]] += share * np.diff(x) * (1 + bending * (1 - x[1:] - x[:-1]))
    held = up & (place[1] < 1e-12) & (place[0] > a - 1e-12)
    side = left if geometry == "MT" else right
    if not clamped:  # its ends say where it is
        held |= ~up & (np.abs(place[0] - side) < 1e-12) & ((geometry == "MT") | (place[1] < 1e-12))
    symmetric = solver_direct_scipy(permc_spec="MMD_AT_PLUS_A")
    end = place[1] > height - 1e-12
    if clamped:
        apart = np.where(up & end, 1.0, 0.0)
        u = solve(*condense(stiffness, np.zeros(basis.N), x=apart, D=np.flatnonzero(held | end)), solver=symmetric)
        u /= (stiffness @ u)[up & end].sum()
    else:
        u = solve(*condense(stiffness, load, D=np.flatnonzero(held)), solver=symmetric)
    K, T = _K_and_T(basis, u, a, min(a - max(left, 0), right - a, 1.9 * (a - length)) / 2)
    grid = [np.sort(np.concatenate([p, (p[1:] + p[:-1]) / 2])) for p in (x, y)]

    def splines(from_x: float, to_x: float, from_y: float) -> tuple[RectBivariateSpline, RectBivariateSpline]:
        gx, gy = grid[0][(grid[0] > from_x) & (grid[0] < to_x)], grid[1][grid[1] > from_y]
        fields = []
        for part in (~up, up):
            px, py = place[:, part]
            inside = (px > from_x) & (px < to_x) & (py > from_y)
            order = np.lexsort(np.round((py[inside], px[inside]), 9))
            fields.append(RectBivariateSpline(gx, gy, u[part][inside][order].reshape(gx.size, gy.size)))
        return fields[0], fields[1]

    ahead = splines(length - 1e-12 if length else -np.inf, np.inf, -np.inf)
    above = splines(-np.inf, length + 1e-12, half - 1e-12) if length else ahead
    return Solved(geometry, a, K, T, (left, right, 0.0, height), ahead, above, slot)


def plate(
    geometry: str,
    crack_mm: float,
    width_mm: float,
    stress_MPa: float,
    shape: tuple[int, int] = (120, 160),
    tip_px: tuple[float, float] = (58.3, 84.6),
    angle_deg: float = 0.0,
    mm_per_px: float = 0.15,
    sub: int = 4,
    blur_px: float = 0.6,
    bending: float = 0.0,
    clamped: bool = False,
    slot_mm: tuple[float, float] = (0.0, 0.0),
) -> CrackedPlate:
    """A specimen on pixels; crack_mm from the datum (M(T): half crack, from the centre line), stress_MPa = P/(BW); the rest
    as in `unit`.

    `cover` is the share of the specimen in what a blurred pixel sees; the stress sum is the mean over that share.
    """
    slot = slot_mm[0] / width_mm, slot_mm[1] / width_mm
    solved = unit(geometry, round(crack_mm / width_mm, 9), bending, clamped, slot)

    def on_specimen(row: np.ndarray, col: np.ndarray) -> np.ndarray:
        x, y = crack_coordinates(row, col, tip_px, angle_deg, mm_per_px)
        x, y = off_tip(x, y, mm_per_px / sub)
        return solved.stress_sum((x + crack_mm) / width_mm, y / width_mm)

    cover = on_pixels(lambda r, c: np.isfinite(on_specimen(r, c)).astype(float), shape, sub, blur_px)
    total = on_pixels(lambda r, c: np.nan_to_num(on_specimen(r, c)), shape, sub, blur_px)
    with np.errstate(invalid="ignore", divide="ignore"):
        seen = np.where(cover > COVERED, stress_MPa * total / cover, np.nan)
    return CrackedPlate(
        sum_MPa=seen,
        tip_px=tip_px,
        angle_deg=angle_deg,
        mm_per_px=mm_per_px,
        crack_mm=crack_mm,
        stress_MPa=stress_MPa,
        KI_MPa_sqrt_m=solved.K * stress_MPa * np.sqrt(width_mm * 1e-3),
        KII_MPa_sqrt_m=0.0,
        T_MPa=solved.T * stress_MPa,
        cover=cover,
    )


def _K_and_T(basis: Basis, u: np.ndarray, a: float, reach: float) -> tuple[float, float]:
    """K and T of the upper half by domain integrals between reach/4 and reach from the tip (unit modulus).

    J: Li, Shih & Needleman, Eng. Fract. Mech. 21 (1985) 405; T: interaction with a point force at the tip along the
    crack, Kfouri, Int. J. Fract. 30 (1986) 301 (both from memory; derived here again: div of the energy-momentum
    tensor vanishes, and the point force f working on the uniform strain T/E makes I = f T/E).
    """
    gradient = np.asarray(basis.interpolate(u).grad)  # [i, j] = du_i/dx_j
    strain = 0.5 * (gradient + gradient.swapaxes(0, 1))
    stress = _stress(strain)
    x, y = np.asarray(basis.global_coordinates())
    x = x - a
    r, angle = np.hypot(x, y), np.arctan2(y, x)
    scalar = basis.with_element(ElementQuad2())
    way = np.clip((np.hypot(scalar.doflocs[0] - a, scalar.doflocs[1]) / reach - 0.25) / 0.75, 0, 1)
    q = np.asarray(scalar.interpolate(0.5 + 0.5 * np.cos(np.pi * way)).grad)  # of a weight in the elements' own space
    energy = 0.5 * np.einsum("ij...,ij...", stress, strain)
    J = 2 * np.sum((np.einsum("ij...,j...,i...", stress, gradient[:, 0], q) - energy * q[0]) * basis.dx)
    point = -np.cos(angle) / (np.pi * r)  # radial stress of a unit force, all there is of its stress
    axis = np.stack([np.cos(angle), np.sin(angle)])
    aux_stress = point * axis[:, None] * axis[None]
    shear = point * (1 + POISSON) * axis[0] * axis[1]
    aux_slope = np.stack([point * (axis[0] ** 2 - POISSON * axis[1] ** 2), shear + axis[1] / (np.pi * r)])
    mutual = np.einsum("ij...,j...,i...", stress, aux_slope, q) + np.einsum(
        "ij...,j...,i...", aux_stress, gradient[:, 0], q
    )
    T = 2 * np.sum((mutual - np.einsum("ij...,ij...", aux_stress, strain) * q[0]) * basis.dx)
    return float(np.sqrt(J)), float(T)
