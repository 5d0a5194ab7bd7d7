"""Noise that pixels share: all of a frame, those of a row, those of a column, and neighbours.

The readout of a microbolometer gives the whole image, each row and each column a little noise of its own in every frame
(common practice, no source). In the map of a harmonic it stands as an offset and as stripes, and no average along them
loses it: where the crack runs along a row, a stripe looks like contact all along it. So their size is measured, what the
far field shows of them at 2f is taken out, and what is left enters the deviations.

A camera that smooths its images makes neighbours alike: averages over a patch then have more noise than the pixel's own
lets one expect, and a pixel counts as that much noisier.

Sizes are given as shares of one pixel's noise, so they are the same at each harmonic.
"""

from dataclasses import dataclass, replace

import numpy as np

from edge import williams
from edge.conduction import Flow
from edge.misplaced import seen_rows
from edge.region import LEAST_PIXELS
from edge.second_harmonic import gradient
from edge.tip import TipFit

FEWEST = 20  # rows or columns, and pixels in each, for their noise to be measured
SURE = 4.0  # deviations by which stripes and patches must stand out
PATCH_PX = 8  # wider than what cameras smooth over
WHOLE = 0.9  # of a patch's pixels must be usable
BEND = 6.0  # variance of a second difference over that of its terms: 1 + 4 + 1
SPREAD = 2.0  # deviation of that variance from the median of n squares, in 1/sqrt(n): 1.44 for n that are independent
SHARE_SD = 0.01  # of h1 in h2, about what the load signal says of it: far wider than the far field tells in most views
LITTLE = 0.02  # of a pixel's noise, which a zone of contact averages to a fifth or more
ROUNDS = 6
SPARED = 4  # every so many pixels tell a pixel's noise well enough


@dataclass(frozen=True)
class Shared:
    """Deviations over that of a pixel's noise: of what all pixels of a frame share, those of a row, those of a column. The
    pixel's noise is here that of one among independent ones whose averages are as noisy: `patches` times its own."""

    frame: float = 0.0
    row: float = 0.0
    column: float = 0.0
    patches: float = 1.0

    @property
    def any(self) -> bool:
        return max(self.frame, self.row, self.column) > LITTLE

    def groups(self, rows: np.ndarray, columns: np.ndarray, sd: float) -> list[tuple[np.ndarray, float]]:
        """Of pixels (n,) with deviation sd: who shares noise with whom, a number each, (n,); and its deviation."""
        every = np.zeros(rows.size, int), self.frame * sd
        return [(who, s) for who, s in (every, (rows, self.row * sd), (columns, self.column * sd)) if s > 0]


@dataclass(frozen=True)
class Left:
    """What may be left at 2f. covariance (2, 2): of the share of h1 and the offset, K; motion_sd_px (2,): how far a motion to
    the right or down may seem to be off; row_sd (rows,), column_sd (columns,): of the stripes, K."""

    covariance: np.ndarray
    motion_sd_px: np.ndarray
    row_sd: np.ndarray
    column_sd: np.ndarray

    @property
    def copies_sd(self) -> tuple[float, float, float]:
        """Of the share of h1 and of a motion to the right and down, px."""
        return float(np.sqrt(self.covariance[0, 0])), float(self.motion_sd_px[0]), float(self.motion_sd_px[1])


def measure(h: np.ndarray, usable: np.ndarray, sd: float, frame: float) -> Shared:
    """From a harmonic's map h (rows, columns) complex, of deviation sd of a component, and the pixels to use; frame: what
    the mean of a few rows of a frame has beyond the pixels' own noise, as a share of it."""
    like = patches(h, usable, sd)
    row, column = stripes(h, usable, like) / like, stripes(h.T, usable.T, like) / like
    own = row**2 / len(range(h.shape[0])[seen_rows(h.shape[0])]) + column**2 / h.shape[1]
    return Shared(float(np.sqrt(max(0.0, (frame / like) ** 2 - own))), row, column, like)


def patches(h: np.ndarray, usable: np.ndarray, sd: float) -> float:
    """Deviation of means over patches of the map h over that of means of independent pixels, 1 where it is not clearly
    more: by second differences from patch to patch in both directions, in which smooth fields and all stripes cancel."""
    rows, columns = h.shape[0] // PATCH_PX, h.shape[1] // PATCH_PX

    def over_patches(image: np.ndarray) -> np.ndarray:
        parts = image[: rows * PATCH_PX, : columns * PATCH_PX].reshape(rows, PATCH_PX, columns, PATCH_PX)
        return np.asarray(parts.mean(axis=(1, 3)))

    cover = over_patches(usable.astype(float))
    mean = over_patches(np.where(usable, h, 0)) / np.maximum(cover, 0.5)
    whole = cover > WHOLE
    bend = mean[1:, 1:] - mean[1:, :-1] - mean[:-1, 1:] + mean[:-1, :-1]
    bend = bend[whole[1:, 1:] & whole[1:, :-1] & whole[:-1, 1:] & whole[:-1, :-1]]
    if bend.size < FEWEST or not sd > 0:
        return 1.0
    own = 4 * sd**2 / PATCH_PX**2
    ratio = float(np.median(np.abs(bend) ** 2)) / (2 * np.log(2)) / own
    if not ratio > 1 + SURE * SPREAD / np.sqrt(bend.size):
        return 1.0
    # what a Gaussian filter of deviation s has made like 2 sqrt(pi) s shows as less by 3 s/(sqrt(pi) PATCH_PX): patches have
    # noise in common with the next ones
    loss = 3 / (2 * np.pi * PATCH_PX)
    return float(1 - np.sqrt(max(0.0, 1 - 4 * loss * np.sqrt(ratio)))) / (2 * loss)


def stripes(h: np.ndarray, usable: np.ndarray, like: float = 1.0) -> float:
    """Deviation of what the pixels of a row share over that of a pixel, 0 where none stands out: by second differences
    from row to row, in which smooth fields and columns' stripes cancel, and medians, which a crack does not move. like:
    the `patches` of the map."""
    three = usable[2:] & usable[1:-1] & usable[:-2]
    count = three.sum(1)
    long = count >= FEWEST
    if np.count_nonzero(long) < FEWEST:
        return 0.0
    bend = np.where(three, h[2:] - 2 * h[1:-1] + h[:-2], 0)
    exponential = BEND * 2 * np.log(2)  # median of a squared complex normal number, in variances of a component
    pixel = float(np.median(np.abs(bend[three][::SPARED]) ** 2)) / exponential
    means = bend[long].sum(1) / count[long]
    own = like**2 * pixel / float(np.median(count[long]))
    beyond = float(np.median(np.abs(means) ** 2)) / exponential - own
    if not beyond > SURE * SPREAD / np.sqrt(means.size) * own:
        return 0.0
    return float(np.sqrt(beyond / max(pixel - beyond, own)))


def take_out(
    h1: np.ndarray, h2: np.ndarray, sd_K: float, far: np.ndarray, shared: Shared, load_h2: complex, load_h2_sd: float
) -> tuple[np.ndarray, Left]:
    """h2 (rows, columns) complex, K, without the offset and the stripes that its far field `far` (rows, columns) bool shows
    beside copies of h1 (edge/second_harmonic.py); and what may be left. sd_K: of a component of a pixel. Least squares with
    the sizes of `shared` as prior deviations: rows and columns in turns, until all agree."""
    right, down = gradient(h1)
    rows, columns = np.nonzero(far)
    y = h2[far] / sd_K
    x = np.stack([h1[far], 0.5j * right[far], 0.5j * down[far], np.full(y.size, sd_K)]) / sd_K
    even = max(LITTLE**2, shared.frame**2 + shared.row**2 / h2.shape[0] + shared.column**2 / h2.shape[1])  # stripes' mean, too
    prior = np.array([1 / (SHARE_SD**2 + load_h2_sd**2), 0, 0, 1 / even])
    start = prior * np.array([load_h2, 0, 0, 0])
    inverse = np.linalg.pinv(x.conj() @ x.T + np.diag(prior), hermitian=True)
    by_row, by_column = _Stripes(rows, h2.shape[0], shared.row), _Stripes(columns, h2.shape[1], shared.column)
    for _ in range(ROUNDS):
        b = inverse @ (x.conj() @ (y - by_row.here() - by_column.here()) + start)
        rest = y - b @ x
        by_row.see(rest - by_column.here())
        by_column.see(rest - by_row.here())
    covariance = inverse.copy()
    for who, size in replace(shared, frame=0.0).groups(rows, columns, 1.0):
        each = sums(x.conj(), who, 1)
        spread = size * inverse @ (each - each.mean(axis=1, keepdims=True))  # the stripes' mean is in the offset
        covariance += spread @ spread.conj().T
    scale = np.array([1.0, sd_K])
    pair = covariance[np.ix_([0, 3], [0, 3])].real * scale * scale[:, None]
    offset = b[3] + by_row.values[:, None] + by_column.values
    return h2 - sd_K * offset, Left(pair, np.sqrt(np.diag(covariance).real[1:3]), sd_K * by_row.left, sd_K * by_column.left)


class _Stripes:
    """One number a row (or column), as far as its pixels tell. size: prior deviation; all in deviations of a pixel."""

    def __init__(self, who: np.ndarray, count: int, size: float):
        self.who, self.count = who, np.bincount(who, minlength=count)
        self.told = size**2 * self.count / (1 + size**2 * self.count)  # by the pixels; the rest is prior
        self.left = size * np.sqrt(1 - self.told)
        self.values = np.zeros(count, complex)

    def here(self) -> np.ndarray:
        return self.values[self.who]

    def see(self, rest: np.ndarray) -> None:
        self.values = self.told * sums(rest[None], self.who, self.count.size)[0] / np.maximum(self.count, 1)


def sums(x: np.ndarray, who: np.ndarray, count: int = 0) -> np.ndarray:
    """Sums (m, count) of x (m, n) over those who share a number `who` (n,)."""
    if np.iscomplexobj(x):
        return sums(x.real, who, count) + 1j * sums(x.imag, who, count)
    return np.stack([np.bincount(who, one, count) for one in x])


def widened(
    found: TipFit, stress: np.ndarray, sd: float, usable: np.ndarray, shared: Shared, mm_per_px: float, flow: Flow | None
) -> TipFit:
    """The tip with what shared noise adds to its covariance. stress (rows, columns) MPa with deviation sd of a pixel."""
    if not shared.any:
        return found
    z = found.places(stress.shape, mm_per_px)
    ring = usable & found.region.holds(z)
    if np.count_nonzero(ring) < LEAST_PIXELS:
        return found
    rows, columns = np.nonzero(ring)
    groups = shared.groups(rows, columns, sd)
    terms, prior, scale = found.region.terms, found.region.prior, abs(found.coefficients[0])
    try:
        own, whole = (williams.fit(z[ring], stress[ring], sd, terms, prior, scale, flow=flow, groups=g) for g in ([], groups))
    except np.linalg.LinAlgError:
        return found
    return replace(found, covariance=found.covariance + whole.covariance - own.covariance)
