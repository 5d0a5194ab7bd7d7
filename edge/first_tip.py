"""The crack tip where no last one says where to begin, and its direction while no path does.

The places that look most like a tip (edge/tip_candidates.py) are refined and the best of them is kept, if it is a tip at all.
"""

import numpy as np

from edge import tip
from edge.conduction import Flow
from edge.rig import Rig
from edge.tip_candidates import candidates

TURNS_DEG = ((-10.0, 10.0), (-10.0, 10.0), (-5.0, 5.0))  # each from the best so far; none after the first two if neither is better
TURN_SD_DEG = 8.0  # of a direction that has not been seen: the steps tried, and what a curved wake hides
CLEAR_MISFIT = 6 * 0.2**0.5  # over sqrt(n): deviations of a difference of chi-squares per pixel, a tenth of the n another


def search(
    rig: Rig, stress: np.ndarray, sd: float, usable: np.ndarray, angle_deg: float, frequency_hz: float
) -> tuple[tip.TipFit | None, tip.TipFit | None]:
    """The tip with no hint, None where there is none, and what stands out most, be it a tip or not: the whole view is searched."""
    best: tip.TipFit | None = None
    most: tip.TipFit | None = None
    tried: list[tuple[float, float]] = []
    for _t, row, col in candidates(stress, sd, usable, angle_deg, tip.SURE)[:8]:
        if any(np.hypot(row - r, col - c) < 3 for r, c in tried):
            continue
        tried.append((row, col))
        fit = tip.refine(rig, stress, sd, usable, (row, col), angle_deg, frequency_hz)
        if fit is None or not tip.outstanding(fit, usable, rig.view.mm_per_px):
            continue
        if most is None or fit.K_I / fit.sd[2] > most.K_I / most.sd[2]:
            most = fit
        if not tip.acceptable(fit, usable, rig.view.mm_per_px):
            continue
        if best is None or fit.K_I / fit.sd[2] > best.K_I / best.sd[2]:
            best = fit
    return best, most


def turned(
    rig: Rig, stress: np.ndarray, sd: float, usable: np.ndarray, found: tip.TipFit, frequency_hz: float, flow: Flow | None
) -> tip.TipFit:
    """`found`, or the same tip with the crack in another direction where that fits far better: the half-integer terms are
    cut along the crack, and a cut in the wrong place leaves a wedge of misfit."""
    best, place = found, (found.row_px, found.col_px)
    for steps in TURNS_DEG:
        start = best.angle_deg
        for step in steps:
            again = tip.refine(rig, stress, sd, usable, place, start + step, frequency_hz, found.K_I, flow)
            if again is not None and tip.acceptable(again, usable, rig.view.mm_per_px):
                clear = CLEAR_MISFIT / again.pixels**0.5
                best = again if again.misfit < best.misfit - clear else best
        if best is found:
            break
    return best
