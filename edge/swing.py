"""The specimen swings to and fro with the load: what that does to a crack tip's field, and how far it swings.

The camera sees T(x - u(t)) with u = Im(d exp(i phi)). To first order in d the gradient of the 1f field then stands at 2f
(edge/second_harmonic.py). Near a tip the field bends so much that first order does not do: the second changes the 1f map
itself, by as much as a per cent of K for a pixel. There the fitted series gives the field between the pixels, and its
average over one cycle says what the camera has seen. d is fitted in the 2f map around the tip, beside a share of the 1f
field, by steps of Gauss and Newton.
"""

from dataclasses import dataclass

import numpy as np

from edge import region, tip, williams
from edge.conduction import Flow
from edge.rig import Rig
from edge.second_harmonic import FAR_BLUR_PX, gradient

CLEAR = 4.0  # deviations
POINTS = 10  # of the cycle: exact up to the 6th order in d
STEPS = 3
ROUNDS = 2
CORES, WIDE_CORES = 1.5, 3.0  # away from the tip the swing is measured; and once more, lest a wide zone of dissipation look like one
TAILS, TAIL_K = (0.5, 0.8), 0.02  # sizes of a zone of dissipation over where it should end, and its height (our own choice)
REACH = 1.3  # of the region's radius the series holds
LEAST_PX = 0.01  # not worth taking out
STILL_PX, SWINGS_PX = 0.01, 0.5  # common practice, no source
REST_BLUR_PX = 0.5


@dataclass(frozen=True)
class View:
    """What turns crack coordinates and a series into maps: growth direction, scale, K per MPa of h1 (negative)."""

    angle_deg: float
    mm_per_px: float
    K_per_MPa: float


@dataclass(frozen=True)
class Swing:
    """d_px (2,) complex [right, down]; how far each may be off, px (2,); whether it stands out."""

    d_px: np.ndarray
    doubt_px: np.ndarray
    clear: bool

    @property
    def size_px(self) -> float:
        return float(np.linalg.norm(self.d_px))


NOT_MEASURED = Swing(np.zeros(2, complex), np.full(2, 0.1), False)  # what might go unseen


def stop(
    rig: Rig,
    maps: np.ndarray,
    stress_per_K: float,
    sd_K: np.ndarray,
    usable: np.ndarray,
    found: tip.TipFit,
    frequency_hz: float,
    flow: Flow | None,
    offset_sd_K: float = 0.0,
) -> tuple[tip.TipFit, np.ndarray, np.ndarray, Swing]:
    """Tip and maps (H, rows, columns) complex K, deviations sd_K (H,), as of a specimen that stands still; where the 2f
    map cannot be trusted (rows, columns); and the swing. offset_sd_K: of what the whole 2f map may have too much."""
    mm = rig.view.mm_per_px
    view = View(found.angle_deg, mm, -0.5 / stress_per_K)
    still, moves = maps, NOT_MEASURED
    for _ in range(ROUNDS):
        z = found.places(usable.shape, mm)
        near, wide = (
            _measured(found, z, usable & region.quiet(z, found.region, cores), maps, float(sd_K[1]), view, offset_sd_K)
            for cores in (CORES, WIDE_CORES)
        )
        if near is None:
            break
        contradicted = wide is not None and np.any(np.abs(near.d_px - wide.d_px) > CLEAR * wide.doubt_px)
        moves = wide if wide is not None and contradicted else near
        if moves.size_px < LEAST_PX:
            break
        still = take_out(maps, z, found.coefficients, REACH * found.region.outer_mm, moves.d_px, view)
        stress, sd = -2 * still[0].real * stress_per_K, 2 * float(sd_K[0]) * stress_per_K
        again = tip.refine(rig, stress, sd, usable, (found.row_px, found.col_px), found.angle_deg, frequency_hz, found.K_I, flow)
        if again is None:
            break
        found = found.again(again)
    if not moves.clear:
        return found, still, np.zeros(usable.shape, bool), moves
    return found, still, unsure(found.coefficients, z, moves, float(sd_K[1]), view), moves


def _measured(
    found: tip.TipFit, z: np.ndarray, quiet: np.ndarray, maps: np.ndarray, sd_K: float, view: View, offset_sd_K: float
) -> Swing | None:
    """The swing from the pixels `quiet` (rows, columns) of the region, at z (rows, columns); None with too few."""
    ring = quiet & found.region.holds(z)
    if np.count_nonzero(ring) < region.LEAST_PIXELS:
        return None
    seen_there = z[ring], maps[0][ring], maps[1][ring], sd_K, view, offset_sd_K
    plain = measure(found.coefficients, *seen_there)
    if not plain.clear:
        return plain
    # what looks like a swing may be dissipation, or be changed by it
    return measure(found.coefficients, *seen_there, tuple(share * found.region.zones_mm for share in TAILS))


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
    coefficients: np.ndarray,
    z: np.ndarray,
    h1: np.ndarray,
    h2: np.ndarray,
    sd_K: float,
    view: View,
    offset_sd_K: float = 0.0,
    tails_mm: tuple[float, ...] = (),
) -> Swing:
    """From h1, h2 (n,) complex K, h2 with deviation sd_K of each component beside one of all, offset_sd_K, at places z (n,).
    tails_mm: sizes of zones of dissipation whose tails may reach there, around the tip and off it along the crack."""
    n = np.arange(1, len(coefficients) + 1)
    slope = williams.analytic(coefficients * (n / 2 - 1), z) / z
    slope = slope * np.exp(-1j * np.deg2rad(view.angle_deg)) * view.mm_per_px * view.K_per_MPa
    tails = [np.exp(-0.5 * (np.abs(z) / size_mm) ** 2) * way for size_mm in tails_mm for way in (1.0, z.real / size_mm)]
    # d/dx of Re f is Re f', d/dy is Re(i f'), and down is -y
    x = np.stack([0.5j * slope.real, 0.5j * (-1j * slope).real, h1, np.full(z.size, offset_sd_K), *tails])
    prior = np.array([0, 0, 0, sd_K**2, *[(sd_K / TAIL_K) ** 2] * len(tails)])  # the unit of the offset is its deviation
    inverse = np.linalg.pinv(x.conj() @ x.T + np.diag(prior), hermitian=True)
    sd = sd_K * np.sqrt(np.diag(inverse).real)[:2]
    b = np.zeros(len(x), complex)  # motion right and down, share of h1, offset, tails
    for step in range(STEPS):
        model = seen(coefficients, z, b[:2], view)[1] if step else 0.0
        b = b + inverse @ (x.conj() @ (h2 - b[2:] @ x[2:] - model) - prior * b)
        if not np.any(np.abs(b[:2]) > CLEAR * sd):
            break
    d = b[:2]
    mean, doubt = believed(d, sd)
    return Swing(mean, doubt, bool(np.any(np.abs(d) > CLEAR * sd)))


def believed(d_px: np.ndarray, sd_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean and deviation of a motion estimated as d_px with deviation sd_px: some rigs hold their specimen
    still up to STILL_PX, others let it swing by about SWINGS_PX; both are weighed by how well they agree."""

    def evidence(spread: float) -> np.ndarray:
        variance = sd_px**2 + spread**2
        return np.exp(-0.5 * np.minimum(np.abs(d_px) ** 2 / variance, 700.0)) / variance

    still, swings = evidence(STILL_PX), evidence(SWINGS_PX)
    p = swings / (still + swings)
    return p * d_px, np.sqrt((1 - p) * STILL_PX**2 + p * sd_px**2 + p * (1 - p) * np.abs(d_px) ** 2)


def take_out(
    maps: np.ndarray, z: np.ndarray, coefficients: np.ndarray, reach_mm: float, d_px: np.ndarray, view: View
) -> np.ndarray:
    """maps (H, rows, columns) as of a specimen that stands still, z (rows, columns). Beyond reach_mm of the tip the 1f
    map stays as it is, and the 2f map loses the gradient of the measured 1f map."""
    near = (np.abs(z) < reach_mm) & (np.abs(z) > view.mm_per_px)
    series = view.K_per_MPa * williams.evaluate(coefficients, z[near])
    one, two = seen(coefficients, z[near], d_px, view)
    # what the series does not have (optics that blur the kink at the crack's line) swings along, to first order
    rest = np.zeros(z.shape, complex)
    rest[near] = maps[0][near] - series
    still = maps.copy()
    still[0][near] -= one - series
    still[1] -= np.where(near, _shifted(rest, d_px, REST_BLUR_PX), _shifted(maps[0], d_px))
    still[1][near] -= two
    return still


def _shifted(h: np.ndarray, d_px: np.ndarray, blur_px: float = FAR_BLUR_PX) -> np.ndarray:
    """2f part of a 1f map (rows, columns) that swings, to first order."""
    right, down = gradient(h, blur_px)
    return 0.5j * (d_px[0] * right + d_px[1] * down)


def unsure(coefficients: np.ndarray, z: np.ndarray, swing: Swing, sd_K: float, view: View) -> np.ndarray:
    """Where the doubt of the swing spoils the 2f map by more than its noise sd_K, or a pixel sees the tip itself."""
    r = np.maximum(np.abs(z), view.mm_per_px)
    slope = np.abs(coefficients[0]) / 2 * r**-1.5 * view.mm_per_px * abs(view.K_per_MPa)
    near = np.abs(z) < (3 + 2 * np.abs(swing.d_px).max()) * view.mm_per_px
    return near | (0.5 * slope * swing.doubt_px.max() > sd_K)
