"""Which pixels the tip fit uses: what is specimen, a ring around the tip, and no wake.

The core is left out up to where heat conduction, plasticity and blur bend the field, and a strip along the wake, where the
faces touch. A strip costs less than a wedge: what lies beside the crack tells K from T best.
"""

from dataclasses import dataclass

import numpy as np

from calibration.robust import MAD_TO_SD, robust_sd
from edge.handbook import cyclic_zone_radius_mm, diffusion_length_mm
from edge.prior import Prior, prior
from edge.rig import Rig, Specimen
from edge.surroundings import box_sums, grown, median_of_neighbours, opened, patches

EDGE_PX = 2.0  # pixels next to an edge mix specimen and background
TERMS = 15  # with fading prior; as many as given in the rig file, without prior
CORE_PX = 4.5
NOTCH_CLEAR = 3.0  # half widths of a notch: nearer to it the field is its own
WAKE_MM, WAKE_PX = 0.75, 5.0  # contact is seen spread over some tenths of a millimetre: common practice, no source
CORE_DIFFUSION = 1.0  # of the diffusion length: at the tip's ring the phase has come back to that of the far field
OUTER_PX = 60.0  # beyond it more pixels cost time and say little more
OUTER_CORES = 2.0  # but a wide core needs a wide ring
OUTER_SHARE = 0.7  # of the distance to the next feature: the series converges within it
STRONG_SHARE = 0.8  # of the distance to a loading hole, or the far edge of a ligament that bends, where stresses are high: our own
# choice, from finite elements (tests/test_tip.py says what it must achieve)
BENT = ("SENT", "ESET", "CT")
LEAST_PIXELS = 60
QUIET_HALF_ANGLE_DEG = 140.0  # behind it there may be contact


@dataclass(frozen=True)
class Region:
    """Ring of a fit and its wake, a wedge outside half_angle_deg or a strip behind the tip wake_mm to each side of the
    crack; terms of its series; prior: what is believed of them, None where the rig file gives their number; zones_mm: how far
    from the tip and the wake contact and dissipation may be seen, more than core and wake where a short crack has no room."""

    inner_mm: float
    outer_mm: float
    half_angle_deg: float
    wake_mm: float
    terms: int
    prior: Prior | None
    zones_mm: float = 0.0

    @property
    def area_mm2(self) -> float:
        """Where nothing cuts it off."""
        ring = np.pi * (self.outer_mm**2 - self.inner_mm**2) * self.half_angle_deg / 180
        return float(ring - 2 * self.wake_mm * (self.outer_mm - self.inner_mm))

    def holds(self, z: np.ndarray) -> np.ndarray:
        """Which of the places z (complex mm in crack coordinates) it holds: bool, same shape."""
        r = np.abs(z)
        return (r > self.inner_mm) & (r < self.outer_mm) & self.beside_wake(z)

    def beside_wake(self, z: np.ndarray) -> np.ndarray:
        """Which of the places z (complex mm) are not in the wake: bool, same shape."""
        kept = (z.real > 0) | (np.abs(z.imag) > self.wake_mm)
        if self.half_angle_deg < 180:
            kept &= z.real > np.abs(z) * np.cos(np.deg2rad(self.half_angle_deg))
        if self.prior is not None and self.prior.notch_back_mm:
            from_end = z + self.prior.notch_back_mm
            kept &= np.abs(np.maximum(from_end.real, 0) + 1j * from_end.imag) > NOTCH_CLEAR * self.prior.notch_half_mm
        return kept


def along(rig: Rig, row_px: float | np.ndarray, col_px: float | np.ndarray, angle_deg: float) -> np.ndarray:
    """Distance from the datum along the direction of growth, mm."""
    turn = np.deg2rad(angle_deg)
    right, up = np.asarray(col_px) - rig.view.datum_px[1], rig.view.datum_px[0] - np.asarray(row_px)
    return (right * np.cos(turn) + up * np.sin(turn)) * rig.view.mm_per_px


def specimen(rig: Rig, shape: tuple[int, int]) -> np.ndarray:
    """Where the geometry says there is specimen: mask (rows, columns)."""
    rows, columns = np.indices(shape)
    x = along(rig, rows, columns, rig.view.growth_angle_deg)
    edge = EDGE_PX * rig.view.mm_per_px
    w = rig.specimen.width_mm
    match rig.specimen.geometry:
        case "SENT" | "SENT-clamped" | "ESET":
            return (x > edge) & (x < w - edge)
        case "CT":
            return x < w - edge
        case "MT":
            return np.abs(x) < w / 2 - edge
        case _:
            return np.ones(shape, bool)


def feature_mm(s: Specimen, crack_mm: float) -> float:
    """Distance from the tip to the nearest feature of the plate, within which the series converges: crack mouth (in M(T) the
    crack's middle, half-way to the other tip, as the series' prior has it), far edge, in C(T) the loading holes (ASTM E647:
    W/4 wide, 0.275 W off the crack's line; from memory). Where the edges of a plate of any other shape are is not known."""
    near = crack_mm
    if s.geometry == "plate":
        return max(near, 0.0)
    if s.geometry == "CT":
        near = STRONG_SHARE * (float(np.hypot(crack_mm, 0.275 * s.width_mm)) - 0.125 * s.width_mm)
    far = ligament_mm(s, crack_mm) * (STRONG_SHARE if s.geometry in BENT else 1.0)
    return max(min(near, far), 0.0)


def heat_room_mm(s: Specimen, crack_mm: float, diffusion_mm: float) -> float:
    """Distance from the tip to the nearest feature for heat that spreads by `diffusion_mm`: as `feature_mm`, or to the end of a notch
    that is more of a hole, wider than deep. The faces of a slot carry the heat on as the crack's do."""
    hole = s.notch_mm > 0 and s.notch_wide_mm > max(s.notch_mm, diffusion_mm)
    feature = feature_mm(s, crack_mm)
    return min(feature, max(crack_mm - s.notch_mm, 0.0)) if hole else feature


def ligament_mm(s: Specimen, crack_mm: float) -> float:
    """From the tip to the far edge."""
    return s.room_mm - crack_mm


def choose(
    rig: Rig, crack_mm: float, dK_MPa_sqrt_m: float, frequency_hz: float, conducting: bool = True
) -> Region:
    """The region for a crack of this size: the rig file's keys, or defaults from the physics. conducting: whether heat may
    flow around the tip; where the map shows that none does, core and wake are those of blur, contact and yielding."""
    s, fit = rig.specimen, rig.fit
    mm = rig.view.mm_per_px
    inner = fit.inner_mm
    feature = feature_mm(s, crack_mm)
    mu = CORE_DIFFUSION * float(diffusion_length_mm(s.thermal_diffusivity_mm2_per_s, frequency_hz)) if conducting else 0.0
    # a short crack leaves no room outside a wide core: the ring is then as narrow as can still be fitted
    most = max(0.25 * feature, 2.0 * mm)
    yielding = 1.5 * float(cyclic_zone_radius_mm(abs(dK_MPa_sqrt_m), s.yield_strength_MPa))
    core, strip = max(CORE_PX * mm, mu, yielding), max(WAKE_MM, WAKE_PX * mm, mu)
    if inner is None:
        inner = min(core, most)
    outer = fit.outer_mm
    if outer is None:
        outer = max(min(OUTER_SHARE * feature, max(OUTER_PX * mm, OUTER_CORES * inner)), inner + 5 * mm)
    half, wake = fit.half_angle_deg, 0.0
    if half is None:
        half, wake = 180.0, min(strip, most)
    believed = prior(s, crack_mm, max(feature, inner)) if fit.terms is None else None
    return Region(inner, max(outer, inner + 3 * mm), half, wake, fit.terms or TERMS, believed, max(core, strip))


def quiet(z: np.ndarray, region: Region, cores: float) -> np.ndarray:
    """Places z (complex mm) without contact or dissipation: some cores away from the tip, and not in the wake."""
    least_mm = cores * max(region.inner_mm, region.wake_mm, region.zones_mm)
    return (np.abs(z) > least_mm) & (np.abs(np.angle(z)) < np.deg2rad(QUIET_HALF_ANGLE_DEG))


MOST_WANDER, LEAST_WANDER_PX, AS_CALM = 5.0, 7, 1.25  # times the typical noise; width of an area; times the usual difference (our choice)


def bad_pixels(mean: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Dead (no noise), blinking (much noise) and stuck pixels (far from all neighbours), mask (rows, columns)."""
    alive = noise[noise > 0]  # more than half of a view may be a frame around it that never changes
    typical = float(np.median(alive)) if alive.size else 0.0
    spread = robust_sd(alive) + 1e-12 if alive.size else 1e-12
    bad = (noise < 0.3 * typical) | (noise > typical + max(8 * spread, 0.5 * typical)) | ~np.isfinite(noise)
    off = np.abs(mean - median_of_neighbours(mean))
    # in an image without fixed pattern its edges stand out of the rest as much as stuck pixels do
    bad |= off > max(12 * MAD_TO_SD * float(np.median(off)), 3 * typical, 1e-12)
    return bad


def wandering(h: np.ndarray, noise: np.ndarray, bad: np.ndarray) -> np.ndarray:
    """Areas of `bad` (rows, columns) whose noise is all slow: a reflection or warmth that comes and goes, mask (rows, columns).

    What is slow is hardly in the harmonics, so in their map h (rows, columns) complex such pixels differ from their neighbours
    no more than pixels elsewhere do. Single restless pixels and small clusters of them stay what they are.
    """
    calm = ~bad & (noise > 0)
    if not calm.any():
        return np.zeros_like(bad)
    typical = float(np.median(noise[calm]))
    area = opened(bad & (noise > typical) & (noise < MOST_WANDER * typical), LEAST_WANDER_PX)
    differs = np.abs(h - median_of_neighbours(h.real) - 1j * median_of_neighbours(h.imag))
    usual = float(np.median(differs[calm]))
    numbers = patches(area)
    wanders = [i for i in range(1, int(numbers.max()) + 1) if np.median(differs[numbers == i]) < AS_CALM * usual]
    return np.isin(numbers, wanders) & area


TOP_COUNTS, LOWEST_COUNTS = 65400, 2


def at_an_end(counts: np.ndarray) -> np.ndarray:
    """Where counts (rows, columns) are at an end of the camera's 16 bits: mask (rows, columns)."""
    return (counts > TOP_COUNTS) | (counts < LOWEST_COUNTS)


SILENT_PX = 7
LEAST_SILENT_PX = 60
LEAST_WIDE_PX = 5
CLEAR_BESIDE = 5.0  # deviations of the box mean
CLEAR_SIGNAL = 6.0  # typical stress over its deviation, below which the noise widens lines of zero to areas


def silent(stress: np.ndarray, sd: float, usable: np.ndarray) -> np.ndarray:
    """Where nothing answers to the load although the rest does (background, a fixture in view): mask (rows, columns).

    A stress field crosses zero along lines, and where it is flat there, it is still small beside them; only what is no
    specimen is zero over an area and ends in a step.
    """
    count = np.maximum(box_sums(usable, SILENT_PX, "symmetric"), 1)
    mean = box_sums(np.where(usable, stress, 0), SILENT_PX, "symmetric") / count
    noise = sd / np.sqrt(count)
    found = np.zeros(stress.shape, bool)
    clear = np.abs(mean) > CLEAR_BESIDE * noise
    answers = np.abs(mean[clear & usable])  # half of a view may be background: what is typical is so of what answers
    if not answers.size or np.median(answers) < CLEAR_SIGNAL * sd:
        return found
    still = opened((np.abs(mean) < 2.5 * noise) & usable, LEAST_WIDE_PX)
    numbers = patches(still)
    for i in np.flatnonzero(np.bincount(numbers.ravel())[1:] >= LEAST_SILENT_PX) + 1:
        patch = numbers == i
        area = grown(patch, SILENT_PX + 2)  # the box sees the silent area only where it lies wholly inside it
        beside = grown(patch, SILENT_PX + 8) & ~area & usable
        if np.mean(clear[beside]) > 0.5 if beside.any() else True:
            found |= area
    return found
