"""Millimetres per pixel, datum and growth direction, from the specimen's own edges and notch or from marked points."""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from calibration.door import InputError
from calibration.robust import MAD_TO_SD, robust_sd

MARK_SD_PX = 0.3  # of a mark set by hand on the screen (common practice, no source)
PRIOR_FREEDOM = 4  # degrees of freedom that MARK_SD_PX counts as beside the residual (our own choice)
TILTED = 3.0  # deviations of the ratio of the scales that a tilt must stand out by: of a square view one in a hundred does
FLAT = 0.02  # smallest over largest singular value of a homography's equations: below it all marks but one lie in one line
TRIALS = 200
BAND_PX = 10  # rows averaged to find an edge in them
STEEP = 6.0  # deviations that a step must stand out by
REACH_PX = 6  # window on either side of an edge


@dataclass(frozen=True)
class Scale:
    """What goes under [view] of the rig file, with deviations. `points_px` (n, 2), `fitted_px` (n, 2) for the picture,
    and of each edge, the one behind the crack first: places along it from the image's middle, residuals across it; none of marks.
    view_deg: tilt of the camera's axis against the surface, where it stands out; None otherwise. view_most_deg: where points can
    tell, the tilt from which on it would; None otherwise."""

    mm_per_px: float
    mm_per_px_sd: float
    datum_px: tuple[float, float] | None
    datum_sd_px: float
    growth_angle_deg: float
    growth_angle_sd_deg: float
    residual_px: float | None
    view_deg: float | None
    view_sd_deg: float
    view_most_deg: float | None
    points_px: np.ndarray
    fitted_px: np.ndarray
    notes: list[str] = field(default_factory=list)
    edges_px: tuple[tuple[np.ndarray, np.ndarray], ...] = ()

    def text(self) -> list[str]:
        """What was found, and the lines for the rig file."""
        residual = "none: as many numbers as unknowns" if self.residual_px is None else f"{self.residual_px:.3f} px"
        angle_deg = 180 - (180 - round(self.growth_angle_deg, 2)) % 360  # as printed, in (-180, 180]; no -0
        out = [
            f"scale    {self.mm_per_px:.5f} +- {self.mm_per_px_sd:.2g} mm per pixel",
            f"growth   {angle_deg:.2f} +- {self.growth_angle_sd_deg:.2f} deg; residual {residual}",
        ]
        if self.view_deg is not None:
            out.append(f"view     {self.view_deg:.1f} +- {self.view_sd_deg:.1f} deg off square")
        elif self.view_most_deg is not None:
            out.append(f"view     not told from square; a tilt of {self.view_most_deg:.0f} deg would be")
        out += self.notes
        out += ["", "[view]", f"mm_per_px = {self.mm_per_px:.5f}", f"mm_per_px_sd = {self.mm_per_px_sd:.2g}"]
        if self.datum_px is not None:
            out.append(f"datum_px = [{self.datum_px[0]:.2f}, {self.datum_px[1]:.2f}]  # +- {self.datum_sd_px:.2f}")
        return [*out, f"growth_angle_deg = {angle_deg:.2f}"]


def from_marks(points_px: np.ndarray, points_mm: np.ndarray) -> Scale:
    """From n >= 2 marked points: (row, column) in px and (x, y) in mm, x from the datum along growth, y to its left (as
    seen in the image: counter-clockwise). Two or three points, or all but one
    in one line: similarity; four or more: homography (least squares).

    The deviations come from repeating the fit with the marks moved by `_mark_sd_px`: MARK_SD_PX, and the residual the more the
    more marks there are.
    InputError: too few points, on top of each other, in one line, mirrored.
    """
    px, mm = np.asarray(points_px, float).reshape(-1, 2), np.asarray(points_mm, float).reshape(-1, 2)
    if len(px) < 2 or len(px) != len(mm):
        raise InputError(f"scale: {len(px)} mark, may be two or more; give --mark ROW COL X_MM Y_MM for each")
    if min(np.ptp(mm, axis=0).max(), np.ptp(px, axis=0).max() / 10) < 1:
        raise InputError(
            "scale: the marks lie within 1 mm or 10 pixels, may be spread over the view; mark its far corners"
        )
    tilts = len(px) >= 4 and _tells_tilt(px, mm)
    fit = _homography if tilts else _similarity
    if len(px) >= 4 and np.linalg.svd(mm - mm.mean(0), compute_uv=False)[1] < 0.1 * np.ptp(mm, axis=0).max():
        raise InputError("scale: the marks lie in one line, four or more may not; put some to the side")
    to_px = fit(px, mm)
    fitted = _apply(to_px, mm)
    freedom = 2 * len(px) - (8 if tilts else 4)
    residual = float(np.sqrt(np.sum((fitted - px) ** 2) / freedom)) if freedom > 0 else None
    if residual is not None and residual > max(2.0, 0.05 * np.ptp(px, axis=0).max()):
        raise InputError(
            f"scale: marks miss their places by {residual:.1f} px, may be up to 2; look for exchanged numbers: rows count down, "
            f"x runs along growth, y to its left"
        )
    values = _view(to_px, mm)
    rng = np.random.default_rng(0)
    mark_sd_px = _mark_sd_px(residual, freedom)
    moved = [px + mark_sd_px * rng.standard_normal(px.shape) for _ in range(TRIALS)]
    spread = np.array([_view(fit(one, mm), mm) for one in moved]) - values
    spread[:, 4] = (spread[:, 4] + 180) % 360 - 180
    sd = np.sqrt(np.mean(spread**2, axis=0))
    unlike = TILTED * float(sd[1])  # noise of the marks alone makes the larger scale over the smaller one more than 1
    tells = tilts and values[1] > 1 + unlike
    notes = []
    if len(px) >= 4 and not tilts:
        notes.append("all marks but one lie in one line: no tilt of the view can be told, none is assumed; put a second one to the side")
    if tells and values[1] > 1.01 + unlike:
        notes.append(
            f"warning: the scale differs by {100 * (values[1] - 1):.1f} % between directions; set the camera square to the surface"
        )
    return Scale(
        mm_per_px=values[0],
        mm_per_px_sd=float(sd[0]),
        datum_px=(values[2], values[3]),
        datum_sd_px=float(np.hypot(sd[2], sd[3]) / np.sqrt(2)),
        growth_angle_deg=values[4],
        growth_angle_sd_deg=float(sd[4]),
        residual_px=residual,
        view_deg=float(np.degrees(np.arccos(1 / values[1]))) if tells else None,
        view_sd_deg=float(np.degrees(sd[1] / np.sqrt(max(values[1] ** 2 - 1, 2 * sd[1] + 1e-9)))) if tells else 0.0,
        view_most_deg=float(np.degrees(np.arccos(1 / (1 + unlike)))) if tilts else None,
        points_px=px,
        fitted_px=fitted,
        notes=notes,
    )


def _mark_sd_px(residual_px: float | None, freedom: int) -> float:
    """Deviation (px) of one mark, from the residual over `freedom` degrees of freedom and what is known beforehand.

    A residual of one or two degrees of freedom is near zero by chance often enough. Scaled inverse chi-square prior of
    PRIOR_FREEDOM degrees of freedom at MARK_SD_PX (any textbook on Bayesian inference); this is its posterior scale.
    """
    squares = freedom * (residual_px or 0.0) ** 2 + PRIOR_FREEDOM * MARK_SD_PX**2
    return float(np.sqrt(squares / (freedom + PRIOR_FREEDOM)))


def _tells_tilt(px: np.ndarray, mm: np.ndarray) -> bool:
    """Whether the marks determine a homography: its linear equations are of rank 8 (any textbook on the geometry of views)."""
    x, y = ((v - v.mean(axis=0)).T / np.std(v) for v in (mm, px))
    one, nil = np.ones(len(px)), np.zeros((3, len(px)))
    design = np.hstack([np.vstack([x, one, nil, -y[0] * x, -y[0]]), np.vstack([nil, x, one, -y[1] * x, -y[1]])])
    size = np.linalg.svd(design, compute_uv=False)
    return bool(size[7] > FLAT * size[0])


def _similarity(px: np.ndarray, mm: np.ndarray) -> np.ndarray:
    """3 x 3 matrix from mm to (row, column) px: rotation and one scale, least squares in complex numbers."""
    z, image = mm[:, 0] + 1j * mm[:, 1], px[:, 1] - 1j * px[:, 0]  # image: right and up
    centre = z.mean()
    turn = np.vdot(z - centre, image - image.mean()) / np.vdot(z - centre, z - centre)
    shift = image.mean() - turn * centre
    return np.array(
        [
            [-turn.imag, -turn.real, -shift.imag],
            [turn.real, -turn.imag, shift.real],
            [0, 0, 1],
        ]
    )


def _homography(px: np.ndarray, mm: np.ndarray) -> np.ndarray:
    """3 x 3 matrix from mm to (row, column) px by opencv, which minimises the distances in the image."""
    import cv2

    matrix, _ = cv2.findHomography(mm.reshape(-1, 1, 2), px.reshape(-1, 1, 2), 0)
    if matrix is None:
        raise InputError("scale: no view fits the marks; look for exchanged numbers")
    return np.asarray(matrix)


def _apply(to_px: np.ndarray, mm: np.ndarray) -> np.ndarray:
    out = np.column_stack([mm, np.ones(len(mm))]) @ to_px.T
    return out[:, :2] / out[:, 2:]


def _view(to_px: np.ndarray, mm: np.ndarray) -> tuple[float, float, float, float, float]:
    """mm per px in the middle of the marks, larger over smaller scale there, datum row and column, growth angle."""
    middle = mm.mean(axis=0)
    small = 0.05 * np.ptp(mm, axis=0).max()
    ends = _apply(to_px, np.array([middle, middle + (small, 0), middle + (0, small), (0, 0), (small, 0)]))
    slopes = (ends[1:3] - ends[0]) / small
    if slopes[0, 0] * slopes[1, 1] < slopes[0, 1] * slopes[1, 0]:
        raise InputError("scale: the marks are mirrored, may be x along growth and y to its left; change the sign of y")
    large, less = np.linalg.svd(slopes, compute_uv=False)
    along = ends[4] - ends[3]
    return (
        float(1 / np.sqrt(large * less)),
        float(large / less),
        float(ends[3, 0]),
        float(ends[3, 1]),
        float(np.degrees(np.arctan2(-along[0], along[1]))),
    )


def from_edges(image: np.ndarray, width_mm: float, notch_mm: float, growth_angle_deg: float) -> Scale:
    """From a mean image (rows, columns) in which the specimen's two long edges stand out from the background, and its
    notch if it does too. `growth_angle_deg` is the rough direction of growth, as in the rig file.

    InputError: an edge that is not there.
    """
    angle = growth_angle_deg
    for _ in range(2):  # once to find the direction, once along it
        turned = Turned(image, angle, BAND_PX)
        left, right = _edges(turned)
        tilt = (left.slope + right.slope) / 2  # along growth, a pixel across it: how far the direction is off
        angle += float(np.degrees(np.arctan(tilt)))
    distance = right.start - left.start
    mm_per_px = width_mm / distance
    distance_sd = np.hypot(left.start_sd, right.start_sd)
    across, across_sd = _notch(Turned(image, angle, 1), left, notch_mm / mm_per_px)
    notes, datum = [], None
    if across is None:
        notes.append("the notch does not stand out in the picture: keep the rig file's datum, or mark it (--mark)")
    else:
        datum = turned.back(left.start + left.slope * across, across)
    seen = [turned.back(a, c) for e in (left, right) for a, c in zip(e.along, e.across)]
    fitted = [turned.back(e.start + e.slope * c, c) for e in (left, right) for c in e.across]
    return Scale(
        mm_per_px=float(mm_per_px),
        mm_per_px_sd=float(mm_per_px * distance_sd / distance),
        datum_px=datum,
        datum_sd_px=float(np.hypot(left.start_sd, across_sd)),
        growth_angle_deg=180 - (180 - angle) % 360,
        growth_angle_sd_deg=float(np.degrees(np.hypot(left.slope_sd, right.slope_sd) / 2)),
        residual_px=float(np.hypot(left.residual, right.residual) / np.sqrt(2)),
        view_deg=None,
        view_sd_deg=0.0,
        view_most_deg=None,
        points_px=np.array(seen),
        fitted_px=np.array(fitted),
        notes=notes,
        edges_px=tuple((e.across, e.along - (e.start + e.slope * e.across)) for e in (left, right)),
    )


class Turned:
    """An image averaged in strips along the rough direction of growth: profiles (strips, places), NaN where the image
    has no pixels; `across` (strips,) and `first` place them, in px from the image's middle, downwards where growth is to
    the right."""

    def __init__(self, image: np.ndarray, growth_angle_deg: float, strip_px: int):
        self.cos, self.sin = np.cos(np.deg2rad(growth_angle_deg)), np.sin(np.deg2rad(growth_angle_deg))
        self.middle = (np.array(image.shape) - 1) / 2
        row, column = (n - m for n, m in zip(np.indices(image.shape), self.middle))
        along, across = column * self.cos - row * self.sin, column * self.sin + row * self.cos
        part, place = np.modf(along - along.min())  # shared out between two places: rounded, a small turn would not show
        strip = ((across - across.min() + 1e-9) // strip_px).astype(int)
        shape = (strip.max() + 1, int(place.max()) + 2)
        cell = (strip * shape[1] + place.astype(int)).ravel()
        cells, weight = np.concatenate([cell, cell + 1]), np.concatenate([1 - part.ravel(), part.ravel()])
        values = np.tile(image.ravel(), 2)
        self.across = np.bincount(strip.ravel(), across.ravel()) / np.bincount(strip.ravel())
        if strip_px == 1:  # and between two strips: over a part of its length a strip may be of one row only, off its middle
            off = np.tile((across - across.min() - strip).ravel(), 2)
            shape = shape[0] + 1, shape[1]
            cells, values = np.concatenate([cells, cells + shape[1]]), np.tile(values, 2)
            weight = np.concatenate([(1 - off) * weight, off * weight])
            self.across = across.min() + np.arange(shape[0])
        count, total = (np.bincount(cells, weight * w, shape[0] * shape[1]) for w in (1.0, values))
        with np.errstate(invalid="ignore", divide="ignore"):
            self.profiles = np.where(count > 1e-6, total / count, np.nan).reshape(shape)
        self.first = float(along.min())

    def back(self, along: float, across: float) -> tuple[float, float]:
        """Row and column of a place."""
        row, column = across * self.cos - along * self.sin, along * self.cos + across * self.sin
        return float(self.middle[0] + row), float(self.middle[1] + column)


class Edge(NamedTuple):
    """A straight edge: where along growth it lies in the image's middle, its slope against the direction across, their
    deviations, residual, and the places it went by."""

    start: float
    slope: float
    start_sd: float
    slope_sd: float
    residual: float
    along: np.ndarray
    across: np.ndarray


def _edges(turned: Turned) -> tuple[Edge, Edge]:
    """The two strongest opposite steps along growth, straight lines through the places found strip by strip."""
    middle = turned.profiles[np.abs(turned.across) < max(2 * BAND_PX, 0.25 * np.ptp(turned.across))]
    seen = np.isfinite(middle).any(axis=0)
    steps, missing = _steps(np.nanmedian(middle[:, seen], axis=0)), int(np.argmax(seen))
    noise = robust_sd(steps) + 1e-9
    found = []
    for sign in (1, -1):
        at = int(np.argmax(sign * steps))
        if sign * steps[at] < STEEP * noise:
            raise InputError(
                "scale: only one long edge of the specimen stands out, or none, may be both; put a warm or cold background "
                "behind it, move back, or mark points (--mark ROW COL X_MM Y_MM)"
            )
        found.append(at + missing)
    lines = [_line(turned, at) for at in sorted(found)]
    return lines[0], lines[1]


def _steps(profile: np.ndarray) -> np.ndarray:
    """Mean of the REACH_PX values to the right less that to the left of each gap between pixels; zero near the ends."""
    total = np.concatenate([[0.0], np.cumsum(profile)])
    out = np.zeros(profile.size + 1)
    i = np.arange(REACH_PX, profile.size - REACH_PX + 1)
    out[i] = (total[i + REACH_PX] - 2 * total[i] + total[i - REACH_PX]) / REACH_PX
    return out


def _line(turned: Turned, near: int) -> Edge:
    """Straight line through the edge in each strip: the place at half height, from the area under the profile."""
    places, strips = [], []
    for strip, profile in zip(turned.across, turned.profiles):
        window = slice(max(0, near - 2 * REACH_PX), min(profile.size, near + 2 * REACH_PX))
        cut = profile[window]
        low, high = np.mean(cut[:REACH_PX]), np.mean(cut[-REACH_PX:])
        if np.isfinite(cut).all() and high != low:
            area = float(np.sum(np.clip((high - cut) / (high - low), -0.5, 1.5)))
            places.append(turned.first + window.start - 0.5 + area)
            strips.append(strip)
    if len(places) < 4:
        raise InputError("scale: an edge shows over fewer than 4 strips of the picture, may be more; move back, or give --mark")
    place, across = np.array(places), np.array(strips)
    keep = np.abs(place - np.median(place)) < 2 * REACH_PX
    for _ in range(3):  # a notch or a scratch in one strip is left out
        slope, start = np.polyfit(across[keep], place[keep], 1)
        off = place - (start + slope * across)
        keep = np.abs(off) < max(0.3, 3 * MAD_TO_SD * float(np.median(np.abs(off[keep]))))
    n = np.count_nonzero(keep)
    residual = float(np.sqrt(np.sum(off[keep] ** 2) / max(1, n - 2)))
    slope_sd = residual / (np.sqrt(n) * across[keep].std())
    start_sd = float(np.hypot(residual / np.sqrt(n), slope_sd * across[keep].mean()))
    return Edge(float(start), float(slope), start_sd, slope_sd, residual, place[keep], across[keep])


def _notch(turned: Turned, edge: Edge, length_px: float) -> tuple[float | None, float]:
    """Place across growth of a notch that runs in from the edge: a narrow dip or rise of what it covers, and its
    deviation. None if none stands out."""
    start, stop = (round(edge.start - turned.first + more) for more in (3, 0.85 * length_px))
    covered = turned.profiles[:, max(0, start) : max(0, stop)]
    if covered.shape[1] < 2:
        return None, 0.0
    enough = np.isfinite(covered).mean(axis=1) > 0.6  # a turned grid leaves some cells empty
    profile, across = np.nanmean(covered[enough], axis=1), turned.across[enough]
    if profile.size < 12:
        return None, 0.0
    wide = np.array([np.median(profile[max(0, i - 12) : i + 13]) for i in range(profile.size)])
    dip = profile - wide
    noise = MAD_TO_SD * float(np.median(np.abs(dip))) + 1e-9
    at = int(np.argmax(np.abs(dip)))
    if abs(dip[at]) < STEEP * noise:
        return None, 0.0
    window = slice(max(0, at - 3), at + 4)
    weight = np.maximum(dip[window] * np.sign(dip[at]), 0)
    return float(weight @ across[window] / weight.sum()), float(noise / abs(dip[at]) * 2)
