"""What to keep in mind of a tip that was found: words of edge.flags."""

import numpy as np

from edge import tip
from edge.adiabatic import LARGEST_REACH, SAME_REACH
from edge.conduction import Flow
from edge.growth_validity import ligament_too_small
from edge.handbook import diffusion_length_mm, maximum, maximum_K
from edge.load_knots import LoadState
from edge.region import heat_room_mm
from edge.rig import Rig

NEAR_EDGE = 0.75  # of the fit region's area in view
HEAT_FAR = 0.2  # of the distance to the next feature: beyond it heat's part is known to some per cent of K (edge/adiabatic.py)


def tip_flags(
    rig: Rig, found: tip.TipFit, load: LoadState, bad: np.ndarray, usable: np.ndarray, specimen: np.ndarray, flow: Flow | None
) -> list[str]:
    """bad, usable, specimen: pixels (rows, columns) bool."""
    s, mm = rig.specimen, rig.view.mm_per_px
    flags = ["tip_weak"] if tip.weak(found) else []
    ring = found.region.holds(found.places(usable.shape, mm))
    if np.any(ring & bad & specimen):
        flags.append("bad_pixels")
    if np.count_nonzero(ring & specimen & (usable | bad)) < NEAR_EDGE * found.region.area_mm2 / mm**2:
        flags.append("near_edge")
    ratio = load.ratio if np.isfinite(load.ratio) and load.ratio < 1 else 0.0
    most = maximum(load.range_kN, ratio), maximum_K(found.K_I, ratio)
    if s.geometry != "plate" and ligament_too_small(s, np.array(found.crack_mm), *most):
        flags.append("irwin")
    if flow is not None and flow.share and flow.mu_mm > HEAT_FAR * heat_room_mm(s, found.crack_mm, flow.mu_mm):
        flags.append("heat_far")
    if flow is not None and flow.share:
        told_mm = float(diffusion_length_mm(s.thermal_diffusivity_mm2_per_s, load.frequency_hz))
        if abs(np.log(flow.mu_mm / told_mm)) > np.log(LARGEST_REACH) - SAME_REACH:  # it would go farther, and is no noise's
            flags.append("heat_disagrees")
    return flags
