"""The tip fit on a map in which heat flows: conduction is measured from the imaginary part and taken out of the real one."""

from dataclasses import replace

import numpy as np

from edge import conduction, tip, williams
from edge.handbook import diffusion_length_mm
from edge.region import heat_room_mm
from edge.rig import Rig

ROUNDS = 8
SETTLED = 2e-3  # relative change of K
IN_PHASE_RAD = 5e-3  # heat's imaginary part, turned into the real one by so much, makes K 0.1 % wrong
LARGEST_SHARE = 1.2  # of what the rig file's diffusivity brings
FIRST_STEEP = 2.0
REACHES, SAME_REACH, LARGEST_REACH = 4, 0.003, 1.3  # the last: in diffusivity 1.7, more than alloys of a name differ by
BELIEVED = 0.1  # deviation of the share that a diffusivity as usually known makes, 15 % (common practice, no source)
REACH_OF_SHARE = 0.67  # share mu^1.5 hardly changes, from closed forms with a diffusivity told wrongly (tests/test_conduction.py)
# K's deviation over (diffusion length over the distance to the next feature)^1.5; with it go the tip, diffusion lengths, and T, K/sqrt(2 pi
# diffusion length): our own choice, by some sixty fields by finite elements with the heat equation, 16 kinds of plates, 0.02 to 0.5
LEFT_OUT, LEFT_OUT_TIP, LEFT_OUT_T = 0.2, 0.5, 2.5
FAINT = 0.1  # share from which it contradicts the rig file's diffusivity; less may be no heat's (our own choice)
HIDING = 0.5  # share from which heat can hide a tip: half of what the rig file's diffusivity brings


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
    stress (rows, columns) complex MPa, with deviation sd of each part. By what its phase is off (heat has turned the far field
    that it was taken from, or the camera's profile is a millisecond wrong) it is turned back: left in, that would bring the
    heat's imaginary part into the real one, to first order.
    A share that is not one says that heat flows farther or less far than the rig file's diffusivity has it: the reach is changed until
    the share is one, as a diffusivity off by a tenth would make K 2 to 3 % wrong; less so where noise leaves the share unsure."""
    told = float(diffusion_length_mm(rig.specimen.thermal_diffusivity_mm2_per_s, frequency_hz))
    if flow is not None and abs(np.log(flow.mu_mm / told)) > np.log(LARGEST_REACH) + SETTLED:
        flow = None  # of another load frequency: its share would be taken for far too small
    mu = told if flow is None or not flow.share else flow.mu_mm
    for _ in range(REACHES):
        last, shown, share_sd = _at_reach(rig, stress, sd, usable, found, frequency_hz, flow, mu)
        if shown is None or shown.share < FAINT:
            break
        belief = BELIEVED**2 / (BELIEVED**2 + share_sd**2)
        other = told * (mu / told * shown.share**REACH_OF_SHARE) ** belief
        other = float(np.clip(other, told / LARGEST_REACH, told * LARGEST_REACH))
        if abs(other / mu - 1) < SAME_REACH:
            break
        found, flow, mu = last, replace(shown, mu_mm=other), other
    return (last, shown) if shown is None or not shown.share else (_widened(rig, last, shown, share_sd), shown)


def _widened(rig: Rig, found: tip.TipFit, flow: conduction.Flow, share_sd: float) -> tip.TipFit:
    """With the deviation of what the flow of heat near one tip leaves out: the next features of the plate. K, T and the tip's
    place are then wrong together. And of a share that no reach within bounds makes one, as far as noise does not."""
    mu = flow.mu_mm
    at_mu_MPa = found.K_I / np.sqrt(2e-3 * np.pi * mu)
    pull = np.array([-LEFT_OUT_TIP * mu, 0.0, found.K_I, 0.0, -LEFT_OUT_T * at_mu_MPa])
    relative = LEFT_OUT * flow.share * (mu / max(heat_room_mm(rig.specimen, found.crack_mm, mu), mu)) ** 1.5
    if flow.share > FAINT:
        unlike = max(0.0, abs(flow.share - 1) - 2 * share_sd)
        relative = float(np.hypot(relative, unlike * _of_share(found, mu)))
    own = np.outer(pull, pull) * relative**2
    return replace(found, covariance=found.covariance + own, doubt=found.doubt + own)


def _at_reach(
    rig: Rig,
    stress: np.ndarray,
    sd: float,
    usable: np.ndarray,
    found: tip.TipFit,
    frequency_hz: float,
    flow: conduction.Flow | None,
    mu: float,
) -> tuple[tip.TipFit, conduction.Flow | None, float]:
    """`refine` for heat that reaches `mu` mm; and the deviation of the share."""
    phase = 0.0 if flow is None else flow.phase_rad
    before: tuple[float, float] | None = None  # share fitted with, and how much more the map showed
    share: conduction.Share | None = None
    for _ in range(ROUNDS):
        share = _share(rig, stress * np.exp(-1j * phase), sd, usable, found, mu)
        if share is None:
            return found, None, 0.0
        if not share.clear:
            none = conduction.Flow(0.0, mu) if share.sd < conduction.LEAST else None
            if flow is not None and none is not None and not flow.share:  # fitted so already
                return _with_doubt(found, share.sd, mu), none, share.sd
            if flow is None and none is None:
                return found, None, share.sd
            again = tip.once_more(rig, stress.real, sd, usable, found, frequency_hz, none)
            return (found, flow, share.sd) if again is None else (_with_doubt(again, share.sd, mu), none, share.sd)
        if flow is None or not flow.share:  # fitted without conduction, K is far too small and this share too large
            trial = 1.0
        else:
            off = share.value - flow.share
            if abs(off) < max(SETTLED, 0.5 * share.sd) and abs(share.phase_rad) < IN_PHASE_RAD:
                break
            trial = float(np.clip(flow.share + off / _steepness(before, flow.share, off), 0.0, LARGEST_SHARE))
            before = flow.share, off
        phase += share.phase_rad
        new = conduction.Flow(trial, mu, phase, conduction.BLUR_PX * rig.view.mm_per_px)
        again = tip.once_more(rig, (stress * np.exp(-1j * phase)).real, sd, usable, found, frequency_hz, new)
        if again is None:
            # what is left in is as unsure as it is large
            return _with_doubt(found, share.value, mu), None, share.sd
        found, flow = again, new
    return (found, flow, 0.0) if share is None else (_with_doubt(found, share.sd, mu), flow, share.sd)


def hidden(
    rig: Rig, stress: np.ndarray, sd: float, usable: np.ndarray, found: tip.TipFit, frequency_hz: float
) -> tuple[tip.TipFit, conduction.Flow] | None:
    """`found` as the tip that heat hid: fitted without its flow, K is far too small and T too large for a crack. None unless the
    phase shows that flow. stress as in `refine`."""
    mu, blur = float(diffusion_length_mm(rig.specimen.thermal_diffusivity_mm2_per_s, frequency_hz)), conduction.BLUR_PX * rig.view.mm_per_px
    flow = conduction.Flow(1.0, mu, 0.0, blur)
    again = tip.once_more(rig, stress.real, sd, usable, found, frequency_hz, flow)
    share = _share(rig, stress, sd, usable, again, flow.mu_mm) if again is not None else None
    if again is None or share is None or not (share.clear and share.value > HIDING):
        return None
    last, shown = refine(rig, stress, sd, usable, again, frequency_hz, flow)
    return (last, shown) if shown is not None and shown.share > HIDING else None


def _steepness(before: tuple[float, float] | None, share: float, off: float) -> float:
    """By how much `off` falls for a share larger by one: where heat flows far, K answers to the share it is fitted with."""
    if before is None or abs(share - before[0]) < 1e-6:
        return FIRST_STEEP
    return float(np.clip((before[1] - off) / (share - before[0]), 1.0, 6.0))


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
    e = conduction.departure(z[ring], found.coefficients, mu, conduction.BLUR_PX * rig.view.mm_per_px)
    # what a wrong phase turns into the imaginary part is the real one; the series holds no farther than the fit's own ring
    return conduction.measure(stress.imag[ring], stress.real[ring], e, sd)


def _with_doubt(found: tip.TipFit, doubt: float, mu: float) -> tip.TipFit:
    """A share that may be off by `doubt` as a deviation of K and T."""
    pull = np.array([0, 0, found.K_I, found.K_II, found.T_MPa]) * _of_share(found, mu) * doubt
    own = np.outer(pull, pull)
    return replace(found, covariance=found.covariance - found.doubt + own, doubt=own)


def _of_share(found: tip.TipFit, mu: float) -> float:
    """What a share of one makes of K: the departure one core away from the tip, ahead, over the stress there."""
    ahead = np.array([max(found.region.inner_mm, 0.5 * mu) + 0j])
    e = conduction.departure(ahead, found.coefficients, mu).real / williams.evaluate(found.coefficients, ahead)
    return abs(float(e[0]))
