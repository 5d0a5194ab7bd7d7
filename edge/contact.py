"""What the second harmonic says beyond lengths: the profile along the crack path, the area of the contact zone, and the
three estimates of where the crack ends.

Tips, in order along the crack where all is as it should be:

    reversal_mm   where the 2f phase turns over between contact and dissipation: the best sign of the physical tip
    irwin_mm      the fitted tip less r_y = (K_max/yield)^2/(2 pi): plane stress, as at the surface that is seen
    crack_mm      the fitted (elastic) tip, about r_y ahead of the physical one

Limits. 2f may also be dissipation behind the tip, stress dependence of K0, distortion of the load, or motion; what is
done about each stands in edge/closure.py, edge/second_harmonic.py and edge/motion.py. Irwin's shift needs a yield
strength of the cyclically worked material, which handbooks do not have, and small-scale yielding; reversal to a pixel or
so is blurred by optics and heat flow (De Finis et al., Procedia Struct. Integr. 39 (2022) 528: -0.69 to +0.53 mm).
"""

from dataclasses import dataclass

import numpy as np

from edge.closure import AHEAD_PX, along_crack
from edge.handbook import maximum_K, plastic_zone_radius_mm

HALF = 2 * np.sqrt(2) * 0.29630  # integral of sqrt(ln 2u) over u from 1/2 to 1, by numerical integration
YIELD_SD = 0.15  # relative: yield strength in cycles against the rig file's (common practice, no source)
WIDTHS_PX = np.geomspace(0.7, 6.0, 24)


@dataclass(frozen=True)
class Path2f:
    """h2 along the crack path: x_mm (n,) from the fitted tip, positive ahead; value (n,) complex, K, on the crack line;
    sd (n,), K, of each component; width_mm: standard deviation of the zone across the crack, with its deviation."""

    x_mm: np.ndarray
    value_K: np.ndarray
    sd_K: np.ndarray
    width_mm: float
    width_sd_mm: float

    def arrays(self) -> dict[str, np.ndarray | float]:
        """As in maps-<seq>.npz."""
        return {
            "path_x_mm": self.x_mm.astype(np.float32),
            "path_h2": self.value_K.astype(np.complex64),
            "path_h2_sd": self.sd_K.astype(np.float32),
            "path_width_mm": self.width_mm,
            "path_width_sd_mm": self.width_sd_mm,
        }


def path_2f(
    h2: np.ndarray, sd_K: float, usable: np.ndarray, tip: tuple[float, float], angle_deg: float, mm_per_px: float, crack_mm: float
) -> Path2f | None:
    """Profile of h2 (rows, columns; K, component deviation sd_K) along the crack from its mouth to AHEAD_PX beyond `tip`
    (row, col); None where too little of it is in the image. The width across is the likeliest Gaussian one."""
    back_px = float(np.clip(crack_mm / mm_per_px, 12, 400))
    strips = [along_crack(h2, sd_K, usable, tip, angle_deg, back_px, float(w)) for w in WIDTHS_PX]
    if min(strip.x_px.size for strip in strips) < 15:
        return None
    # matched strips: twice the log likelihood of a zone of that width, beyond that of no zone
    power = np.array([np.sum(np.abs(s.values / s.sd)[np.abs(s.x_px) < AHEAD_PX / 2] ** 2) for s in strips])
    weight = np.exp((power - power.max()) / 2)
    weight /= weight.sum()
    width = float(weight @ WIDTHS_PX)
    spread = float(np.sqrt(weight @ (WIDTHS_PX - width) ** 2))
    step = width * float(np.log(WIDTHS_PX[1] / WIDTHS_PX[0]))
    best = along_crack(h2, sd_K, usable, tip, angle_deg, back_px, width)
    return Path2f(
        best.x_px * mm_per_px, best.values, best.sd, width * mm_per_px, float(np.hypot(spread, step / np.sqrt(12))) * mm_per_px
    )


def area_mm2(length_mm: float, length_sd_mm: float, path: Path2f) -> tuple[float, float]:
    """Area within which the contact signal is above half its largest, and its deviation.

    A Gaussian across of deviation w whose height falls linearly to zero over the length L has at the height u the width
    2 w sqrt(2 ln 2u); its integral over u from 1/2 to 1 is HALF w L. Optics and heat flow widen w.
    """
    area = HALF * path.width_mm * length_mm
    return area, area * float(np.hypot(length_sd_mm / length_mm, path.width_sd_mm / path.width_mm))


def for_maps(path: Path2f | None, length_mm: float | None, length_sd_mm: float | None) -> dict[str, np.ndarray | float]:
    """What goes into maps-<seq>.npz: the profile, and the area where there is contact."""
    if path is None:
        return {}
    arrays = path.arrays()
    if length_mm and length_sd_mm:
        arrays["contact_area_mm2"], arrays["contact_area_sd_mm2"] = area_mm2(length_mm, length_sd_mm, path)
    return arrays


def irwin_tip(
    crack_mm: float, dK_MPa_sqrt_m: float, dK_sd: float, load_ratio: float, yield_MPa: float
) -> tuple[float, float] | None:
    """The fitted tip less Irwin's r_y at K_max (edge/handbook.py), and the deviation of that shift, mm (the fitted tip's own is
    not in it: it moves the reversal alike). None where the largest load is not known (R is none, or not below 1)."""
    if not (np.isfinite(load_ratio) and load_ratio < 1 and dK_MPa_sqrt_m > 0):
        return None
    shift = float(plastic_zone_radius_mm(maximum_K(dK_MPa_sqrt_m, load_ratio), yield_MPa))
    return crack_mm - shift, 2 * shift * float(np.hypot(dK_sd / dK_MPa_sqrt_m, YIELD_SD))
