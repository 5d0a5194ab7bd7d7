"""Search for the crack tip in a map of the stress-sum range, and what the fit around it says.

With a hint (the last tip) a few steps of variable projection (see edge/williams.py) are enough. Without one, a bank of
correlation filters gives, for every pixel at once, the least-squares mode-I amplitude in a small ring and its t value;
the best few places are refined and the best of them is kept, if it is a tip at all.
"""

from dataclasses import dataclass

import numpy as np

from edge import williams
from edge.conduction import Flow
from edge.region import LEAST_PIXELS, Region, along, choose
from edge.rig import Rig
from edge.surroundings import correlations

SURE = 7.0  # K_I over its deviation for a tip
LARGEST_SD_PX = 2.0
LARGEST_T = 3.0  # T over K_I / sqrt(2 pi r) at the region's edge: 0 to 1.4 in the cracked scenes of the tests, 6 at holes
LEAST_KEPT = 0.7  # share of the region that must be one field
PATCH_PX = 5
PATCH_SHARE = 0.2  # of the typical stress: below it, a patch may be the series' own misfit
TIDY_ROUNDS = 3
DOUBTED = 1.5  # chi-square per degree of freedom from which a part of the view may be something else
STEPS = 30
FREE_STEPS = 8  # in which the region follows the tip, and as long as it moves by more than
FAR_PX = 0.3
SAME_TIP_ROUNDS = 3
SETTLED_PX = 0.004
OUTLIER = 6.0  # residuals beyond this many deviations are no specimen (reflection, paint loss)
TURNS_DEG = ((-10.0, 10.0), (-10.0, 10.0), (-5.0, 5.0))  # each from the best so far; none after the first two if neither is better
TURN_SD_DEG = 8.0  # of a direction that has not been seen: the steps tried, and what a curved wake hides
CLEAR_MISFIT = 6 * 0.2**0.5  # over sqrt(n): deviations of a difference of chi-squares per pixel, a tenth of the n another
RING_PX = (24, 12, 6)  # outer radii of the search filters


@dataclass(frozen=True)
class TipFit:
    """The elastic tip. covariance over [along, across, K_I, K_II, T] in mm, MPa sqrt(m), MPa (noise and misfit only)."""

    row_px: float
    col_px: float
    crack_mm: float
    angle_deg: float
    K_I: float
    K_II: float
    T_MPa: float
    covariance: np.ndarray
    r2: float
    chi2: float
    coefficients: np.ndarray
    region: Region
    pixels: int
    kept: float  # share of the region's pixels that belong to the field

    @property
    def misfit(self) -> float:
        """Chi-square per pixel, left out ones included."""
        return self.kept * self.chi2 + (1 - self.kept) * OUTLIER**2 / 4

    @property
    def sd(self) -> np.ndarray:
        return np.sqrt(np.diag(self.covariance))

    def arrays(self) -> dict[str, np.ndarray | float]:
        """As in maps-<seq>.npz."""
        r = self.region
        return {
            "tip_row_px": self.row_px,
            "tip_col_px": self.col_px,
            "crack_mm": self.crack_mm,
            "dKI_MPa_sqrt_m": self.K_I,
            "angle_deg": self.angle_deg,
            "inner_mm": r.inner_mm,
            "outer_mm": r.outer_mm,
            "half_angle_deg": r.half_angle_deg,
            "wake_mm": r.wake_mm,
            "coefficients": self.coefficients,
        }


def refine(
    rig: Rig,
    stress: np.ndarray,
    sd: float,
    usable: np.ndarray,
    start: tuple[float, float],
    angle_deg: float,
    frequency_hz: float,
    dK_hint: float = 0.0,
    flow: Flow | None = None,
) -> TipFit | None:
    """Steps from `start` (row, column) to the tip; None where they lead nowhere. stress (rows, columns) MPa range with
    deviation `sd`, usable (rows, columns) bool; flow: how heat is known to flow, None where it is not known."""
    row, col = start
    mm = rig.view.mm_per_px
    turn = np.exp(1j * np.deg2rad(angle_deg))
    dK, scale, far, again = dK_hint, None, True, 0
    pixels: tuple[np.ndarray, np.ndarray] | None = None
    conducting = flow is None or flow.share > 0

    def held(row: float, col: float, dK: float) -> tuple[Region, tuple[np.ndarray, np.ndarray]]:
        crack = float(along(rig, row, col, rig.view.growth_angle_deg))
        region = choose(rig, crack, dK, frequency_hz, conducting)
        return region, _pixels(usable, (row, col), angle_deg, mm, region)

    region, tidied, whole = choose(rig, 1.0, 0.0, frequency_hz), 0, 1
    for step_number in range(STEPS):
        free = not tidied and not again and (step_number < FREE_STEPS or far)
        if pixels is None or free:  # later the set of pixels stands still, so that the steps end
            region, pixels = held(row, col, dK)
            whole = max(1, pixels[0].size)
        z = williams.to_crack(*pixels, (row, col), angle_deg, mm)
        values = stress[pixels]
        if z.size < LEAST_PIXELS or np.abs(z).min() < 0.3 * mm:
            return None
        try:
            series = williams.fit(z, values, sd, region.terms, region.fades_over_mm, scale, flow=flow)
        except np.linalg.LinAlgError:
            return None
        # far from the tip the first-order step overshoots; half the core is how far it can be trusted
        shift = series.shift * min(1.0, max(region.inner_mm, 2 * mm) / max(abs(series.shift), 1e-12))
        dK, scale = abs(series.K), abs(series.coefficients[0])
        far = abs(shift) / mm > FAR_PX and step_number < STEPS - 8
        if abs(shift) / mm < SETTLED_PX:
            if series.chi2 > DOUBTED and not tidied:
                try:
                    series = _robust(series, z, values, sd, region, flow)
                except np.linalg.LinAlgError:
                    return None
            good = _fitting(_predicted(series, z, flow), values, sd, pixels)
            if tidied < TIDY_ROUNDS and not good.all():
                pixels, tidied = (pixels[0][good], pixels[1][good]), tidied + 1
                continue
            if tidied or again == SAME_TIP_ROUNDS:
                break
            # once more with the region of this very tip, wherever the steps began
            before = pixels
            region, pixels = held(row, col, dK)
            if np.array_equal(before, pixels):
                break
            again += 1
            if again == SAME_TIP_ROUNDS:  # two sets lead to each other: what they have in common is neither's
                pixels = _common(before, pixels)
            whole = max(1, pixels[0].size)
            continue
        move = shift * turn / mm
        row, col = row - move.imag, col + move.real
        if not (-2 < row < stress.shape[0] + 1 and -2 < col < stress.shape[1] + 1):
            return None
    else:
        return None
    return TipFit(
        row,
        col,
        float(along(rig, row, col, rig.view.growth_angle_deg)),
        angle_deg,
        series.K.real,
        series.K.imag,
        series.T_MPa,
        series.covariance,
        series.r2,
        series.chi2,
        series.coefficients,
        region,
        series.pixels,
        series.pixels / whole,
    )


def _pixels(
    usable: np.ndarray, tip: tuple[float, float], angle_deg: float, mm: float, region: Region
) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of the pixels in the region around `tip`."""
    reach = int(np.ceil(region.outer_mm / mm)) + 1
    r0, r1 = max(0, int(tip[0]) - reach), min(usable.shape[0], int(tip[0]) + reach + 2)
    c0, c1 = max(0, int(tip[1]) - reach), min(usable.shape[1], int(tip[1]) + reach + 2)
    if r0 >= r1 or c0 >= c1:
        return np.empty(0, int), np.empty(0, int)
    rows, columns = np.arange(r0, r1)[:, None], np.arange(c0, c1)[None, :]
    z = williams.to_crack(rows, columns, tip, angle_deg, mm)
    i, j = np.nonzero(region.holds(z) & usable[r0:r1, c0:c1])
    return r0 + i, c0 + j


def _common(a: tuple[np.ndarray, np.ndarray], b: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns that stand in both."""
    width = int(max(a[1].max(initial=0), b[1].max(initial=0))) + 1
    both = np.intersect1d(a[0] * width + a[1], b[0] * width + b[1])
    return both // width, both % width


def _predicted(series: williams.Series, z: np.ndarray, flow: Flow | None) -> np.ndarray:
    stress = williams.evaluate(series.coefficients, z)
    return stress if flow is None else stress + flow.real_part(z, series.coefficients)


def _robust(
    series: williams.Series, z: np.ndarray, values: np.ndarray, sd: float, region: Region, flow: Flow | None
) -> williams.Series:
    """The same fit with Huber's weights (Ann. Math. Stat. 35 (1964) 73, from memory), which a covered part of the view
    does not draw to itself."""
    for _ in range(8):
        off = np.abs(values - _predicted(series, z, flow))
        weights = 1 / np.maximum(1.0, off / (2 * sd))
        scale = abs(series.coefficients[0])
        series = williams.fit(z, values, sd, region.terms, region.fades_over_mm, scale, weights, flow)
    return series


def _fitting(fitted: np.ndarray, values: np.ndarray, sd: float, pixels: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """False for pixels far off the fit, alone or in patches: they are no specimen (fixture, reflection, paint loss)."""
    import cv2

    off = values - fitted
    spread = max(sd, float(np.percentile(np.abs(off), 30)) / 0.385)  # a third of the pixels may be something else
    good = np.abs(off) < OUTLIER * spread
    r0, c0 = pixels[0].min(), pixels[1].min()
    places = pixels[0] - r0, pixels[1] - c0
    image = np.zeros((2, int(places[0].max()) + 1, int(places[1].max()) + 1), np.float32)
    image[0][places], image[1][places] = np.clip(off, -OUTLIER * spread, OUTLIER * spread), 1
    total, count = (
        cv2.boxFilter(i, -1, (PATCH_PX, PATCH_PX), normalize=False, borderType=cv2.BORDER_CONSTANT) for i in image
    )
    mean, n = total[places] / np.maximum(count[places], 1), count[places]
    patch = np.abs(mean) > np.maximum(OUTLIER * spread / np.sqrt(n), PATCH_SHARE * float(np.median(np.abs(fitted))))
    return good & ~patch


def turned(
    rig: Rig, stress: np.ndarray, sd: float, usable: np.ndarray, found: TipFit, frequency_hz: float, flow: Flow | None
) -> TipFit:
    """`found`, or the same tip with the crack in another direction where that fits far better: the half-integer terms are
    cut along the crack, and a cut in the wrong place leaves a wedge of misfit."""
    best, place = found, (found.row_px, found.col_px)
    for steps in TURNS_DEG:
        start = best.angle_deg
        for step in steps:
            again = refine(rig, stress, sd, usable, place, start + step, frequency_hz, found.K_I, flow)
            if again is not None and acceptable(again, usable, rig.view.mm_per_px):
                clear = CLEAR_MISFIT / again.pixels**0.5
                best = again if again.misfit < best.misfit - clear else best
        if best is found:
            break
    return best


def acceptable(fit: TipFit, usable: np.ndarray, mm_per_px: float) -> bool:
    """Whether a fit is a tip: opening mode, far above its deviation, placed within a pixel or two, in the view, and its
    singular stresses no small part of the field."""
    rows, columns = usable.shape
    if fit.kept < LEAST_KEPT:
        return False
    inside = 0 <= fit.row_px <= rows - 1 and 0 <= fit.col_px <= columns - 1
    sd = fit.sd
    return bool(
        inside
        and fit.K_I > SURE * sd[2]
        and max(sd[0], sd[1]) < LARGEST_SD_PX * mm_per_px
        and abs(fit.K_II) < 2 * fit.K_I
        and (abs(fit.T_MPa) - 2 * sd[4]) * np.sqrt(2e-3 * np.pi * fit.region.outer_mm) < LARGEST_T * fit.K_I
    )


def weak(fit: TipFit) -> bool:
    """Whether a tip is to be used with care: the field is not one crack's, or hardly stands out."""
    return fit.chi2 > 4 or fit.K_I < 12 * fit.sd[2] or fit.kept < 0.9


def find(
    rig: Rig, stress: np.ndarray, sd: float, usable: np.ndarray, angle_deg: float, frequency_hz: float
) -> TipFit | None:
    """The tip with no hint: the whole view is searched. None where there is none."""
    best: TipFit | None = None
    tried: list[tuple[float, float]] = []
    for _t, row, col in candidates(stress, sd, usable, angle_deg)[:8]:
        if any(np.hypot(row - r, col - c) < 3 for r, c in tried):
            continue
        tried.append((row, col))
        fit = refine(rig, stress, sd, usable, (row, col), angle_deg, frequency_hz)
        if fit is None or not acceptable(fit, usable, rig.view.mm_per_px):
            continue
        if best is None or fit.K_I / fit.sd[2] > best.K_I / best.sd[2]:
            best = fit
    return best


def candidates(stress: np.ndarray, sd: float, usable: np.ndarray, angle_deg: float) -> list[tuple[float, float, float]]:
    """(t value, row, column) of the places that look most like a tip, best first."""
    found = []
    for ring in RING_PX:
        t, factor = t_map(stress, sd, usable, angle_deg, ring)
        for _ in range(4):
            i, j = np.unravel_index(int(np.argmax(t)), t.shape)
            if t[i, j] < SURE:
                break
            found.append((float(t[i, j]), (i + 0.5) * factor - 0.5, (j + 0.5) * factor - 0.5))
            t[max(0, i - 4) : i + 5, max(0, j - 4) : j + 5] = -1
    return sorted(found, reverse=True)


def _thinned(image: np.ndarray, factor: int) -> np.ndarray:
    """Means of squares of `factor` pixels; what is left over at the ends is left out."""
    rows, columns = image.shape[0] // factor, image.shape[1] // factor
    squares = image[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
    return np.asarray(squares.mean(axis=(1, 3), dtype=np.float32))


def t_map(stress: np.ndarray, sd: float, usable: np.ndarray, angle_deg: float, ring_px: int) -> tuple[np.ndarray, int]:
    """t value of the mode-I term at each pixel of a map thinned by the returned factor: rings of `ring_px`, the smooth terms
    taken out first. The design is the same everywhere, so each coefficient is a correlation with one orthonormal column."""
    factor = max(1, ring_px // 8)
    cover, thin = _thinned(usable, factor), _thinned(np.where(usable, stress, 0), factor)
    thin = np.where(cover > 0.3, thin / np.maximum(cover, 0.3), 0)
    radius = ring_px // factor
    grid = np.arange(-radius, radius + 1)
    z = williams.to_crack(grid[:, None], grid[None, :], (0.0, 0.0), angle_deg, 1.0)
    inside = (np.abs(z) > 1.5) & (np.abs(z) <= radius + 0.3) & (np.abs(np.angle(z)) < np.deg2rad(140))
    zi = z[inside]
    smooth = [zi.real**0, zi.real, zi.imag, (zi**2).real, (zi**2).imag]  # n = 2, 4, 6: no crack
    crack = [(zi**0.5).real, -(zi**0.5).imag, -(zi**-0.5).imag, (zi**-0.5).real]
    q, _ = np.linalg.qr(np.stack(smooth + crack, 1))
    if q[:, -1] @ (zi**-0.5).real < 0:
        q[:, -1] = -q[:, -1]
    patterns = np.zeros((q.shape[1], *z.shape))
    patterns[:, inside] = q.T
    explained = np.zeros(thin.shape)
    for last in correlations(thin, patterns):  # after the loop: the crack's own
        explained += last**2
    ring = inside[None].astype(float)
    (energy,), (holes,) = correlations(thin**2, ring), correlations(cover < 0.3, ring)
    n = int(inside.sum())
    variance = np.maximum((energy - explained) / (n - q.shape[1]), (sd / factor) ** 2)
    t = last / np.sqrt(variance)
    t[holes > 0.03 * n] = -1
    t[:radius], t[-radius:], t[:, :radius], t[:, -radius:] = -1, -1, -1, -1
    return t, factor
