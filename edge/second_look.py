"""The part of a fix that the second harmonic gives, once the first has shown the tip.

shared noise out of the 2f map -> swing of the specimen out of both -> copies of the first harmonic out of the second -> closure
"""

from dataclasses import dataclass

import numpy as np

from edge import closure, contact, region, second_harmonic, shared_noise, swing, tip
from edge.conduction import Flow
from edge.load_knots import LoadState
from edge.rig import Rig
from edge.shared_noise import Left, Shared

FAR_CORES = 2.0
LOAD_3F_SD = 0.005  # of the load's own third harmonic, where the far field does not tell it: our own choice


@dataclass(frozen=True)
class Still:
    """Tip, maps (H, rows, columns) complex K, and pixels to trust as of a specimen that stands still; its swing; and what may
    be left of shared noise at 2f, None where pixels share none; that noise."""

    found: tip.TipFit
    maps: np.ndarray
    usable: np.ndarray
    swings: swing.Swing
    left: Left | None
    shared: Shared


@dataclass(frozen=True)
class Look:
    """h2 (rows, columns) complex, K, without copies of the first harmonic; what it says; its profile along the crack."""

    h2: np.ndarray
    closure: closure.Closure
    path: contact.Path2f | None
    flags: tuple[str, ...]


def _far(rig: Rig, usable: np.ndarray, found: tip.TipFit) -> np.ndarray:
    """Pixels beside which there is neither contact nor dissipation."""
    return usable & region.quiet(found.places(usable.shape, rig.view.mm_per_px), found.region, FAR_CORES)


def hold_still(
    rig: Rig,
    maps: np.ndarray,
    stress_per_K: float,
    sd_K: np.ndarray,
    usable: np.ndarray,
    found: tip.TipFit,
    load: LoadState,
    shared: Shared,
    flow: Flow | None,
) -> Still:
    """maps (H, rows, columns) complex K with deviations sd_K (H,) of a component; usable (rows, columns) bool."""
    left, offset_sd_K = None, 0.0
    if shared.any:
        maps, far = maps.copy(), _far(rig, usable, found)
        maps[1], left = shared_noise.take_out(maps[0], maps[1], float(sd_K[1]), far, shared, load.h2, load.h2_sd)
        offset_sd_K = float(np.sqrt(left.covariance[1, 1]))
    found, maps, unsure, moves = swing.stop(
        rig, maps, stress_per_K, sd_K, usable, found, load.frequency_hz, flow, offset_sd_K
    )
    return Still(found, maps, usable & ~unsure, moves, left, shared)


def look(rig: Rig, still: Still, sd_K: np.ndarray, load: LoadState, third: bool) -> Look:
    """What stands at 2f behind and ahead of the tip; `third`: whether the third harmonic can be used beside it."""
    found, maps, left = still.found, still.maps, still.left
    far, sd = _far(rig, still.usable, found), float(sd_K[1])
    least_sd = left.copies_sd if left is not None else (0.0, 0.0, 0.0)
    measured = still.swings is not swing.NOT_MEASURED
    known = load.h2, load.h2_sd, least_sd, float(sd_K[0]), measured
    cleaned = second_harmonic.clean(maps[0], maps[1], sd, far, *known)
    covariance = left.covariance if left is not None else np.diag([cleaned.share_sd**2, 0.0])
    unseen_px = still.swings.doubt_px
    if not measured and np.isfinite(cleaned.left_sd_px).all():  # no room for it beside a short crack's zones: the far field tells
        unseen_px = np.minimum(unseen_px, swing.believed(cleaned.left_px, cleaned.left_sd_px)[1])
    around = still.usable, (found.row_px, found.col_px), found.angle_deg, rig.view.mm_per_px
    h3, h3_doubts, h3_stripes = _third(still, sd_K, far) if third else (None, None, None)
    seen = closure.analyse(
        cleaned.h2,
        sd,
        *around,
        found.crack_mm,
        h3,
        float(sd_K[2]) if third else 0.0,
        second_harmonic.doubts(maps[0], covariance, unseen_px),
        (left.row_sd, left.column_sd) if left is not None else None,
        h3_doubts,
        h3_stripes,
    )
    flags = [flag for flag, so in (("h2", cleaned.taken_out), ("h2_disagrees", cleaned.disagrees)) if so]
    path = contact.path_2f(cleaned.h2, sd, *around, found.crack_mm)
    return Look(cleaned.h2, seen, path, (*flags, *seen.flags))


def _third(still: Still, sd_K: np.ndarray, far: np.ndarray) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, np.ndarray] | None]:
    """The third harmonic without what the far field shows of shared noise and of the load's own; what may be left of them."""
    h1, h3, sd = still.maps[0], still.maps[2], float(sd_K[2])
    least_sd, stripes, covariance = (0.0, 0.0, 0.0), None, np.zeros((2, 2))
    if still.shared.any:
        h3, left = shared_noise.take_out(h1, h3, sd, far, still.shared, 0.0, LOAD_3F_SD)
        least_sd, stripes, covariance = left.copies_sd, (left.row_sd, left.column_sd), left.covariance
    cleaned = second_harmonic.clean(h1, h3, sd, far, 0.0, LOAD_3F_SD, least_sd, float(sd_K[0]), True)
    if not still.shared.any:
        covariance = np.diag([cleaned.share_sd**2, 0.0])
    return cleaned.h2, second_harmonic.doubts(h1, covariance, np.zeros(2)), stripes
