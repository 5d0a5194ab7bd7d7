"""The tip fit on a map in which heat flows: conduction is measured from the imaginary part and taken out of the real one."""

from dataclasses import replace

import numpy as np

from edge import conduction, tip, williams
from edge.handbook import diffusion_length_mm
from edge.rig import Rig

ROUNDS = 8
SETTLED = 2e-3  # relative change of K


def refine(
    rig: Rig,
    stress: np.ndarray,
    sd: float,
    usable: np.ndarray,
    found: tip.TipFit,
    frequency_hz: float,
    flow: conduction.Flow | None = None,
) -> tuple[tip.TipFit, conduction.Flow | None]:
    """`found`, fitted with `flow`, as it is with the flow that the map shows; and that flow, None where it can't be told.
    stress (rows, columns) complex MPa, with deviation sd of each part."""
    share: conduction.Share | None = None
    mu = float(diffusion_length_mm(rig.specimen.thermal_diffusivity_mm2_per_s, frequency_hz))
    for _ in range(ROUNDS):
        share = _share(rig, stress, sd, usable, found, mu)
        if share is None:
            return found, None
        if not share.clear:
            none = conduction.Flow(0.0, mu) if share.sd < conduction.LEAST else None
            if flow == none:
                return found, flow
            again = _again(rig, stress, sd, usable, found, frequency_hz, none)
            return (found, flow) if again is None else (_with_doubt(again, share, mu), none)
        known = flow is not None and abs(share.value - flow.share) < max(SETTLED, 0.5 * share.sd)
        if known:
            break
        flow = conduction.Flow(share.value, mu)
        again = _again(rig, stress, sd, usable, found, frequency_hz, flow)
        if again is None:
            return found, None
        found = again
    return (found if share is None else _with_doubt(found, share, mu)), flow


def _again(
    rig: Rig,
    stress: np.ndarray,
    sd: float,
    usable: np.ndarray,
    found: tip.TipFit,
    frequency_hz: float,
    flow: conduction.Flow | None,
) -> tip.TipFit | None:
    place = (found.row_px, found.col_px)
    again = tip.refine(rig, stress.real, sd, usable, place, found.angle_deg, frequency_hz, found.K_I, flow)
    return again if again is not None and tip.acceptable(again, usable, rig.view.mm_per_px) else None


def _share(
    rig: Rig, stress: np.ndarray, sd: float, usable: np.ndarray, found: tip.TipFit, mu: float
) -> conduction.Share | None:
    """From the ring of the fit, at least three diffusion lengths wide; None where too few pixels are in view."""
    rows, columns = (np.asarray(i) for i in np.indices(stress.shape))
    z = williams.to_crack(rows, columns, (found.row_px, found.col_px), found.angle_deg, rig.view.mm_per_px)
    r, region = np.abs(z), found.region
    ring = usable & (r > region.inner_mm) & (r < max(region.outer_mm, 3 * mu))
    ring &= region.beside_wake(z)
    if np.count_nonzero(ring) < 50:
        return None
    e = conduction.departure(z[ring], found.coefficients, mu)
    fitted = williams.evaluate(found.coefficients, z[ring])
    return conduction.measure(stress.imag[ring], fitted, e, sd)


def _with_doubt(found: tip.TipFit, share: conduction.Share, mu: float) -> tip.TipFit:
    """The share's deviation as one of K and T: the departure one core away from the tip, ahead, over the stress there."""
    ahead = np.array([max(found.region.inner_mm, 0.5 * mu) + 0j])
    e = conduction.departure(ahead, found.coefficients, mu).real / williams.evaluate(found.coefficients, ahead)
    relative = abs(float(e[0])) * share.sd
    pull = np.array([0, 0, found.K_I, found.K_II, found.T_MPa]) * relative
    return replace(found, covariance=found.covariance + np.outer(pull, pull))
