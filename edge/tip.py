"""The crack tip in a map of the stress-sum range, from a place near it, and what the fit around it says.

From the last tip a few steps of variable projection (see edge/williams.py) are enough; edge/first_tip.py has the search
without one.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from edge import williams
from edge.conduction import Flow
from edge.region import LEAST_PIXELS, Region, along, choose
from edge.rig import Rig
from edge.surroundings import box_sums

SURE = 7.0  # K_I over its deviation for a tip
LARGEST_SD_PX = 2.0
LARGEST_T = 3.0  # T over K_I / sqrt(2 pi r) at the region's edge: 0 to 1.4 in the cracked scenes of the tests, 6 at holes
CLOSE = 0.998  # r2 from which what the series leaves is too little to matter, however small the noise
LEAST_KEPT = 0.7  # share of the region that must be one field
PATCH_PX = 5
PATCH_SHARE = 0.2  # of the typical stress: below it, a patch may be the series' own misfit
TIDY_ROUNDS = 3
DOUBTED = 1.5  # chi-square per degree of freedom from which a part of the view may be something else
STEPS = 30
HUBER, HUBER_ROUNDS = 2.0, 8  # deviations beyond which a pixel weighs less; and how often the weights are found again
FREE_STEPS = 8  # in which the region follows the tip, and as long as it moves by more than
FAR_PX = 0.3
SAME_TIP_ROUNDS = 3
SETTLED_PX = 0.004
OUTLIER = 6.0  # residuals beyond this many deviations are no specimen (reflection, paint loss)
STRAIGHT_DEG = 8.0  # off the direction of growth: beyond it nothing is expected of the field but that it fades


@dataclass(frozen=True)
class TipFit:
    """The elastic tip. covariance over [along, across, K_I, K_II, T] in mm, MPa sqrt(m), MPa (noise and misfit only); doubt:
    what of it is not the fit's own (how much heat flows, what cleaning the map has changed), so that the same tip fitted once more
    still has it."""

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
    notch: np.ndarray
    flow: Flow | None
    region: Region
    pixels: int
    kept: float  # share of the region's pixels that belong to the field
    doubt: np.ndarray = field(default_factory=lambda: np.zeros((5, 5)))

    @property
    def misfit(self) -> float:
        """Chi-square per pixel, left out ones included."""
        return self.kept * self.chi2 + (1 - self.kept) * OUTLIER**2 / 4

    @property
    def sd(self) -> np.ndarray:
        return np.sqrt(np.diag(self.covariance))

    def again(self, other: "TipFit", mm_per_px: float = 0.0, unsure: float = 0.0) -> "TipFit":
        """`other`, the same tip fitted to a cleaner map, with this one's doubt, and the share `unsure` of what cleaning has
        changed as a deviation more."""
        step = complex(williams.to_crack(other.row_px, other.col_px, (self.row_px, self.col_px), self.angle_deg, mm_per_px))
        pull = np.array([step.real, step.imag, other.K_I - self.K_I, other.K_II - self.K_II, other.T_MPa - self.T_MPa]) * unsure
        doubt = self.doubt + np.outer(pull, pull)
        return replace(other, covariance=other.covariance - other.doubt + doubt, doubt=doubt)

    def places(self, shape: tuple[int, ...], mm_per_px: float) -> np.ndarray:
        """Of every pixel of an image in crack coordinates, (rows, columns) complex mm."""
        rows, columns = np.indices(shape)
        return williams.to_crack(rows, columns, (self.row_px, self.col_px), self.angle_deg, mm_per_px)

    def arrays(self) -> dict[str, np.ndarray | float]:
        """As in maps-<seq>.npz."""
        r, prior, flow = self.region, self.region.prior, self.flow
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
            "notch": self.notch,
            "notch_back_mm": prior.notch_back_mm if prior is not None else 0.0,
            "notch_half_mm": prior.notch_half_mm if prior is not None else 0.0,
            "flow_share": flow.share if flow is not None else 0.0,
            "flow_mm": flow.mu_mm if flow is not None else 0.0,
            "flow_blur_mm": flow.blur_mm if flow is not None else 0.0,
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
    search = _Search(rig, stress, sd, usable, start, angle_deg, frequency_hz, dK_hint, flow)
    try:
        return search.run()
    except np.linalg.LinAlgError:
        return None


def once_more(
    rig: Rig, stress: np.ndarray, sd: float, usable: np.ndarray, found: TipFit, frequency_hz: float, flow: Flow | None
) -> TipFit | None:
    """`found` fitted again from where it is, to a cleaner map; None where that leads to no tip."""
    start = found.row_px, found.col_px
    again = refine(rig, stress, sd, usable, start, found.angle_deg, frequency_hz, found.K_I, flow)
    return again if again is not None and acceptable(again, usable, rig.view.mm_per_px) else None


class _Search:
    """Steps to a tip and the pixels they go by. These follow the tip at first; then they stand still, so that the steps
    end; where the steps have come to rest, pixels that are no part of the field are left out, and if there are none, it is
    tried once more with the region of this very tip, wherever the steps began."""

    def __init__(
        self,
        rig: Rig,
        stress: np.ndarray,
        sd: float,
        usable: np.ndarray,
        start: tuple[float, float],
        angle_deg: float,
        frequency_hz: float,
        dK: float,
        flow: Flow | None,
    ):
        self.rig, self.stress, self.sd, self.usable = rig, stress, sd, usable
        self.angle_deg, self.frequency_hz, self.flow = angle_deg, frequency_hz, flow
        self.mm = rig.view.mm_per_px
        self.row, self.col = start
        self.dK, self.scale = dK, None  # type: float, float | None
        self.tidied = self.again = 0  # rounds without some pixels, and with the region of the tip found
        self.hold()

    def run(self) -> TipFit | None:
        """None where the steps lead nowhere. Raises numpy.linalg.LinAlgError."""
        far = True
        for number in range(STEPS):
            if number and not self.tidied and not self.again and (number < FREE_STEPS or far):
                self.hold()
            z = williams.to_crack(*self.pixels, (self.row, self.col), self.angle_deg, self.mm)
            if z.size < LEAST_PIXELS or np.abs(z).min() < 0.3 * self.mm:
                return None
            series = self.fitted(z, self.scale)
            # far from the tip the first-order step overshoots; the core's radius is how far it can be trusted
            shift = series.shift * min(1.0, max(self.region.inner_mm, 2 * self.mm) / max(abs(series.shift), 1e-12))
            self.dK, self.scale = abs(series.K), abs(series.coefficients[0])
            far = abs(shift) / self.mm > FAR_PX and number < STEPS - 8
            if abs(shift) / self.mm < SETTLED_PX:
                if series.chi2 > DOUBTED and not self.tidied:
                    series = self.robust(series, z)
                if self.pixels_stand(series, z):
                    return self.result(series)
            elif not self.move(shift):
                return None
        return None

    def hold(self) -> None:
        """The region around the present place, and its pixels."""
        crack = float(along(self.rig, self.row, self.col, self.rig.view.growth_angle_deg))
        conducting = self.flow is None or self.flow.share > 0
        self.region = choose(self.rig, crack, self.dK, self.frequency_hz, conducting)
        off_deg = (self.angle_deg - self.rig.view.growth_angle_deg + 180) % 360 - 180
        if abs(off_deg) > STRAIGHT_DEG and self.region.prior is not None:
            self.region = replace(self.region, prior=replace(self.region.prior, shares=(), free=()))
        self.pixels = _pixels(self.usable, (self.row, self.col), self.angle_deg, self.mm, self.region)
        self.whole = max(1, self.pixels[0].size)

    def fitted(self, z: np.ndarray, scale: float | None, weights: np.ndarray | None = None) -> williams.Series:
        r = self.region
        return williams.fit(z, self.stress[self.pixels], self.sd, r.terms, r.prior, scale, weights, self.flow)

    def robust(self, series: williams.Series, z: np.ndarray) -> williams.Series:
        """The same fit with Huber's weights (Ann. Math. Stat. 35 (1964) 73, from memory), which a covered part of the view
        does not draw to itself."""
        for _ in range(HUBER_ROUNDS):
            off = np.abs(self.stress[self.pixels] - _predicted(series, z, self.region, self.flow))
            series = self.fitted(z, abs(series.coefficients[0]), 1 / np.maximum(1.0, off / (HUBER * self.sd)))
        return series

    def pixels_stand(self, series: williams.Series, z: np.ndarray) -> bool:
        """Whether the place where the steps have come to rest leaves nothing of the pixels to change; changes them."""
        good = _fitting(_predicted(series, z, self.region, self.flow), self.stress[self.pixels], self.sd, self.pixels)
        if self.tidied < TIDY_ROUNDS and not good.all():
            self.pixels, self.tidied = (self.pixels[0][good], self.pixels[1][good]), self.tidied + 1
            return False
        if self.tidied or self.again == SAME_TIP_ROUNDS:
            return True
        before = self.pixels
        self.hold()
        if np.array_equal(before, self.pixels):
            return True
        self.again += 1
        if self.again == SAME_TIP_ROUNDS:  # two sets lead to each other: what they have in common is neither's
            self.pixels = _common(before, self.pixels)
            self.whole = max(1, self.pixels[0].size)
        return False

    def move(self, shift_mm: complex) -> bool:
        """A step in crack coordinates. False: out of the image."""
        step = shift_mm * np.exp(1j * np.deg2rad(self.angle_deg)) / self.mm
        self.row, self.col = self.row - step.imag, self.col + step.real
        rows, columns = self.stress.shape
        return bool(-2 < self.row < rows + 1 and -2 < self.col < columns + 1)

    def result(self, series: williams.Series) -> TipFit:
        return TipFit(
            row_px=self.row,
            col_px=self.col,
            crack_mm=float(along(self.rig, self.row, self.col, self.rig.view.growth_angle_deg)),
            angle_deg=self.angle_deg,
            K_I=series.K.real,
            K_II=series.K.imag,
            T_MPa=series.T_MPa,
            covariance=series.covariance,
            r2=series.r2,
            chi2=series.chi2,
            coefficients=series.coefficients,
            notch=series.notch,
            flow=self.flow,
            region=self.region,
            pixels=series.pixels,
            kept=series.pixels / self.whole,
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


def _predicted(series: williams.Series, z: np.ndarray, region: Region, flow: Flow | None) -> np.ndarray:
    back_mm = region.prior.notch_back_mm if region.prior is not None else 0.0
    return williams.stress_sum(z, series.coefficients, series.notch, back_mm, flow)


def _fitting(fitted: np.ndarray, values: np.ndarray, sd: float, pixels: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """False for pixels far off the fit, alone or in patches: they are no specimen (fixture, reflection, paint loss)."""
    off = values - fitted
    spread = max(sd, float(np.percentile(np.abs(off), 30)) / 0.385)  # a third of the pixels may be something else
    good = np.abs(off) < OUTLIER * spread
    r0, c0 = pixels[0].min(), pixels[1].min()
    places = pixels[0] - r0, pixels[1] - c0
    image = np.zeros((2, int(places[0].max()) + 1, int(places[1].max()) + 1), np.float32)
    image[0][places], image[1][places] = np.clip(off, -OUTLIER * spread, OUTLIER * spread), 1
    total, count = (box_sums(i, PATCH_PX) for i in image)
    mean, n = total[places] / np.maximum(count[places], 1), count[places]
    patch = np.abs(mean) > np.maximum(OUTLIER * spread / np.sqrt(n), PATCH_SHARE * float(np.median(np.abs(fitted))))
    return good & ~patch


def acceptable(fit: TipFit, usable: np.ndarray, mm_per_px: float) -> bool:
    """Whether a fit is a tip: one that stands out, and its singular stresses no small part of the field."""
    rest_MPa = abs(fit.T_MPa) - 2 * fit.sd[4]
    return outstanding(fit, usable, mm_per_px) and bool(
        rest_MPa * np.sqrt(2e-3 * np.pi * fit.region.outer_mm) < LARGEST_T * fit.K_I
    )


def outstanding(fit: TipFit, usable: np.ndarray, mm_per_px: float) -> bool:
    """Whether a fit is of opening mode, far above its deviation, placed within a pixel or two, and in the view."""
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
    )


def weak(fit: TipFit) -> bool:
    """Whether a tip is to be used with care: the field is not one crack's, or hardly stands out."""
    return (fit.chi2 > 4 and fit.r2 < CLOSE) or fit.K_I < 12 * fit.sd[2] or fit.kept < 0.9
