"""Motion of the specimen in the image: with the load (harmonics of the mean image), and slow slip of the grips.

A shift d sin(k phi) of an uneven mean image m adds -d grad m to harmonic k. Where the image has edges, d is fitted from
smoothed maps (smoothing tames the camera's fixed pattern, which does not move); then the smooth part is taken out of the
maps, and pixels at edges, where the pattern hides the true gradient, are marked as unsure. Slip is followed from
image to image: the fixed pattern cancels in the difference of two mean images.
"""

from dataclasses import dataclass, replace

import numpy as np

from calibration.robust import MAD_TO_SD
from edge.record import Row
from edge.surroundings import MEDIAN_PX, box_sums, grown, median_of_neighbours, opened, patches, smoothed

EDGE_BLUR_PX = 1.5
CLEAR = 5.0  # deviations beyond which a gradient is an edge and not fixed pattern, and a motion is a motion
FAINT = 3.0  # of a gradient that an edge goes on with from where it is clear (two thresholds: Canny, IEEE PAMI 8, 1986, from memory)
LEAST_EDGE_PX = 40
CLUSTER_PX = 3  # side of a square of bad pixels: less is filled well by its neighbours
HIDDEN = 0.7  # of what tells a direction: so much of it fixed pattern, and no motion is seen that way
UNSURE = 0.5  # of a pixel's deviation: as much of a moving edge in each pixel is no noise where a strip averages many
RIDGE = 1e-12  # where few pixels can be used
MOST_DEGREE = 3  # of the polynomial that the mean temperature of a specimen is taken for
STEP_SD = 0.1  # of a step: the fixed pattern in the image's gradient, and coarse edges, make it too small or too large
STEP_PX = 0.3  # slip after which the reference image is renewed, so that differences stay small


@dataclass(frozen=True)
class Motion:
    """amplitude_px (H, 2): complex (right, down) amplitude at each harmonic; sd_px (2,): deviation of each component of
    the first; unsure (rows, columns): edges whose harmonics the motion spoils."""

    amplitude_px: np.ndarray
    sd_px: np.ndarray
    unsure: np.ndarray

    @property
    def size_px(self) -> float:
        """Largest swing of the motion at f, px."""
        return float(np.linalg.norm(self.amplitude_px[0]))


def _filled(image: np.ndarray, bad: np.ndarray) -> np.ndarray:
    """Bad pixels replaced by their neighbours' median, so that they make no edges; clusters of them from their rim inwards."""
    filled, left = np.where(bad, np.median(image[~bad]) if not bad.all() else 0.0, image), bad & ~bad.all()
    while left.any():
        known = box_sums(~left, MEDIAN_PX)
        rim = left & (known > 0)
        filled[rim] = box_sums(np.where(left, 0, filled), MEDIAN_PX)[rim] / known[rim]
        left = left & ~rim
    filled[bad] = median_of_neighbours(filled, bad)
    return filled


@dataclass(frozen=True)
class Edges:
    """Smoothed mean image, its gradient, where that gradient stands out of the fixed pattern, and the pattern's share of
    the variances of the gradient's parts and of the image, (3,)."""

    smooth: np.ndarray
    right: np.ndarray
    down: np.ndarray
    near: np.ndarray
    pattern: np.ndarray


def find_edges(mean_K: np.ndarray, bad: np.ndarray) -> Edges | None:
    """None where the image has too few edges to see a motion by."""
    filled = _filled(mean_K, bad).astype(np.float32)
    smooth = smoothed(filled, EDGE_BLUR_PX).astype(float)
    size = np.hypot(*np.gradient(smooth))
    sd = 0.85 * np.median(size)  # Rayleigh: deviation is 0.85 of the median
    strong = size > CLEAR * sd + 1e-6
    if np.count_nonzero(strong) < LEAST_EDGE_PX:
        return None
    number = patches(strong | (size > FAINT * sd))
    clear = np.zeros(number.max() + 1, bool)
    clear[number[strong]] = True
    # white noise of deviation s under a Gaussian: s^2/(4 pi blur^2), its slope s^2/(8 pi blur^4); s from second differences
    down, right = _slope(smooth), _slope(smooth.T).T
    white = (MAD_TO_SD / 2 * float(np.median(np.abs(np.diff(np.diff(filled, axis=0), axis=1))))) ** 2
    pattern = white / (4 * np.pi * EDGE_BLUR_PX**2) * np.array([0.5 / EDGE_BLUR_PX**2, 0.5 / EDGE_BLUR_PX**2, 1.0])
    near = grown(clear[number], 7) & ~grown(opened(bad, CLUSTER_PX), 7)  # what a cluster hides is not known
    return Edges(smooth, right, down, near, pattern)


def _slope(image: np.ndarray) -> np.ndarray:
    """d/drow of `image`, to the fourth order in a pixel but at its border: differences to the next pixels alone make an edge
    of two pixels 3 % too flat."""
    slope: np.ndarray = np.gradient(image, axis=0)
    slope[2:-2] = (8 * (image[3:-1] - image[1:-3]) - (image[4:] - image[:-4])) / 12
    return slope


def _fit_shift(edges: Edges, target: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shift (2,) [right, down] px that explains `target` (n,) real at edges.near as -grad m . shift, and its deviation;
    beside it may stand a smooth field and a change in proportion to the image itself (contrast, stress up to an edge).
    What the fixed pattern adds to the columns' squares is taken off (errors in variables: Fuller, Measurement Error Models,
    1987, from memory): it does not move, and would make the shift too small."""
    rows, columns = np.nonzero(edges.near)
    v, u = rows / edges.near.shape[0] - 0.5, columns / edges.near.shape[1] - 0.5
    m = edges.smooth[edges.near]
    x = np.stack(
        [-edges.right[edges.near], -edges.down[edges.near], m - m.mean(), np.ones_like(u), u, v, u * u, u * v, v * v], 1
    )
    scale = np.linalg.norm(x, axis=0) + 1e-12
    hidden = np.zeros(x.shape[1])
    hidden[:3] = len(target) * edges.pattern / scale[:3] ** 2
    gram = (x / scale).T @ (x / scale)
    told = np.diag(np.linalg.pinv(gram, rcond=1e-6, hermitian=True)) * hidden < HIDDEN
    x, gram, hidden = x * told, gram * told * told[:, None], hidden * told
    inverse = np.linalg.pinv(gram - np.diag(hidden), rcond=1e-6, hermitian=True)
    b = inverse @ ((x / scale).T @ target)
    rest = target - (x / scale) @ b
    independent = max(1.0, len(target) / (4 * np.pi * EDGE_BLUR_PX**2))  # the blur ties neighbours together
    sd = np.sqrt(np.diag(inverse @ gram @ inverse) * float(np.mean(rest**2)) * len(target) / independent)
    seen = told & (np.diag(inverse @ gram) > 0.5)  # a direction along straight edges leaves no trace
    return np.where(seen, b / scale, 0.0)[:2], np.where(seen, sd / scale, np.inf)[:2]


def measure(mean_K: np.ndarray, maps: np.ndarray, bad: np.ndarray, sd_K: np.ndarray) -> Motion | None:
    """Motion at each harmonic from maps (H, rows, columns) complex, K, as seen by the camera up to its gain; sd_K (H,):
    deviation of a component. None: no edges to see it by, or no motion that stands out."""
    edges = find_edges(mean_K, bad)
    if edges is None:
        return None
    amplitude = np.zeros((len(maps), 2), complex)
    first_sd = np.full(2, np.inf)
    for k, h in enumerate(maps):
        target = smoothed(np.where(bad, 0, h).astype(np.complex64), EDGE_BLUR_PX)[edges.near]
        real, sd = _fit_shift(edges, target.real)
        imag, _ = _fit_shift(edges, target.imag)
        amplitude[k] = np.where(np.hypot(real, imag) > CLEAR * sd, real + 1j * imag, 0)
        first_sd = sd if k == 0 else first_sd
    if not np.any(amplitude[0]):
        return None
    swing = np.abs(amplitude[:, 0])[:, None, None] * np.abs(edges.right) + np.abs(amplitude[:, 1])[
        :, None, None
    ] * np.abs(edges.down)
    unsure = edges.near & np.any(swing > UNSURE * sd_K[:, None, None], axis=0)
    found = Motion(amplitude, first_sd, unsure)
    swept_px = int(found.size_px + 0.5)  # an edge comes so near to pixels that stand beside it
    return replace(found, unsure=grown(unsure, 2 * swept_px + 1)) if swept_px else found


def compensate(maps: np.ndarray, mean_K: np.ndarray, motion: Motion, usable: np.ndarray) -> np.ndarray:
    """Maps with the motion's part taken out where the specimen's mean temperature is smooth. A polynomial over the specimen
    stands for it: anything finer would carry the fixed pattern, which does not move, into the maps."""
    use = usable & ~motion.unsure
    if np.count_nonzero(use) < 200:
        return maps
    down, right = np.gradient(soft_field(mean_K, use))
    return maps + motion.amplitude_px[:, :1, None] * right + motion.amplitude_px[:, 1:, None] * down


def soft_field(mean_K: np.ndarray, use: np.ndarray) -> np.ndarray:
    """Polynomial (rows, columns) of mean_K where `use`, of the degree from 0 to MOST_DEGREE that the Bayesian information
    criterion takes (Schwarz, Annals of Statistics 6, 1978, from memory): the fixed pattern alone would bend one of a given degree."""
    v, u = ((np.arange(n) / n - 0.5)[:, None] ** np.arange(2 * MOST_DEGREE + 1) for n in mean_K.shape)
    powers = np.array([(i, degree - i) for degree in range(MOST_DEGREE + 1) for i in range(degree + 1)])
    n, level = np.count_nonzero(use), float(np.median(mean_K[use]))
    above = np.where(use, mean_K - level, 0.0)
    both = powers[:, None] + powers
    # sums over all pixels go by rows and columns, as the terms are products
    gram = (v.T @ (use @ u))[both[..., 1], both[..., 0]] + RIDGE * n * np.eye(len(powers))
    lower = np.linalg.cholesky(gram)  # of nested polynomials: that of each degree is a part of it
    b = np.linalg.solve(lower, (v.T @ (above @ u))[powers[:, 1], powers[:, 0]])
    terms = np.array([(degree + 1) * (degree + 2) // 2 for degree in range(MOST_DEGREE + 1)])
    left = float(np.sum(above**2)) - np.cumsum(b**2)[terms - 1]
    p = int(terms[np.argmin(n * np.log(np.maximum(left, 1e-12)) + terms * np.log(n))])
    table = np.zeros((2 * MOST_DEGREE + 1,) * 2)
    table[powers[:p, 1], powers[:p, 0]] = np.linalg.solve(lower[:p, :p].T, b[:p])
    return np.asarray(level + v @ table @ u.T)


class Slip:
    """Follows the slow shift of the specimen since the first image. shift_px: (right, down); seen: whether there has been an
    edge or a mark to tell it by, without which it is not none but unknown."""

    def __init__(self) -> None:
        self.shift_px = np.zeros(2)
        self.sd_px = np.zeros(2)
        self.seen = False
        self._base = np.zeros(2)
        self._base_variance = np.zeros(2)
        self._reference: np.ndarray | None = None

    def recall(self, row: Row, along_px: float, angle_deg: float) -> None:
        """The last row before a restart: by how far its crack size is less than the tip's distance from the rig file's datum,
        in the direction of growth. After an end on purpose somebody may have aimed the camera and measured the datum."""
        if row.slip_px is None or "ended" in row.flags:
            return
        size = min(max(along_px, -row.slip_px), row.slip_px)
        self.shift_px = self._base = size * np.array([np.cos(np.deg2rad(angle_deg)), -np.sin(np.deg2rad(angle_deg))])
        self._base_variance = (STEP_SD * self._base) ** 2
        self.sd_px, self.seen = np.sqrt(self._base_variance), True

    def follow(self, mean_K: np.ndarray, bad: np.ndarray) -> None:
        """Take the present mean image (rows, columns) into account."""
        if self._reference is None or self._reference.shape != mean_K.shape:
            self._reference = mean_K.astype(np.float32)
            self.seen |= find_edges(mean_K, bad) is not None
            return
        edges = find_edges(0.5 * (mean_K + self._reference), bad)
        if edges is None:
            return
        self.seen = True
        difference = (_filled(mean_K, bad) - _filled(self._reference, bad)).astype(np.float32)
        step, sd = _fit_shift(edges, smoothed(difference, EDGE_BLUR_PX)[edges.near].astype(float))
        step = np.where(np.isfinite(sd), step, 0.0)
        variance = np.where(np.isfinite(sd), sd, 0.0) ** 2 + (STEP_SD * step) ** 2
        self.shift_px = self._base + step
        self.sd_px = np.sqrt(self._base_variance + variance)
        if np.linalg.norm(step) > STEP_PX:
            self._reference = mean_K.astype(np.float32)
            self._base, self._base_variance = self.shift_px.copy(), self._base_variance + variance
