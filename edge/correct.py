"""From the camera's counts to kelvin: detector lag, row readout and frame delay divided out at the true frequency.

The detector acts on the scene before it is sampled, so gain and lag belong to k f also where k f lies above half the
frame rate and is seen as an alias.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from calibration.profile import CameraProfile, response, response_sd
from edge.rig import Rig


@dataclass(frozen=True)
class Corrected:
    """maps (H, rows, columns) complex, K; gain (H,): what the detector left of the amplitude; gain_sd (H,): relative
    deviation; phase_sd_rad (H,)."""

    maps: np.ndarray
    gain: np.ndarray
    gain_sd: np.ndarray
    phase_sd_rad: np.ndarray
    frame_delay_s: float


def correct(
    maps: np.ndarray,
    frequency_hz: float,
    profile: CameraProfile | None,
    counts_per_K: float,
    frame_delay_s: float | None = None,
) -> Corrected:
    """Apply the profile to maps (H, rows, columns) of counts. Pixels of row r show what was readout_s r / rows earlier than
    in row 0, and row 0 what was frame_delay_s before the time stamp. Without a profile: counts to kelvin only."""
    count, rows = maps.shape[0], maps.shape[1]
    k = np.arange(1, count + 1)
    delay = frame_delay_s if frame_delay_s is not None else (profile.frame_delay_s or 0.0) if profile else 0.0
    if profile is None:
        ones = np.ones(count)
        shift = np.exp(2j * np.pi * frequency_hz * k * delay)
        return Corrected(maps * shift[:, None, None] / counts_per_K, ones, 0 * ones, 0 * ones, delay)
    detector = np.array([response(profile, float(n * frequency_hz)) for n in k])
    deviation = np.array([response_sd(profile, float(n * frequency_hz)) for n in k])
    seen_s = delay + profile.readout_s * np.arange(rows) / rows
    ahead = np.exp(2j * np.pi * frequency_hz * k[:, None] * seen_s) / detector[:, None]
    timing = np.hypot(profile.frame_delay_sd_s, profile.readout_sd_s / 2)
    phase_sd = np.hypot(deviation[:, 1], 2 * np.pi * frequency_hz * k * timing)
    return Corrected(maps * ahead[:, :, None] / counts_per_K, np.abs(detector), deviation[:, 0], phase_sd, delay)


def delayed(corrected: Corrected, frequency_hz: float, more_s: float) -> Corrected:
    """As with a frame delay that is longer by more_s."""
    k = np.arange(1, len(corrected.maps) + 1)[:, None, None]
    maps = corrected.maps * np.exp(2j * np.pi * frequency_hz * k * more_s)
    return replace(corrected, maps=maps, frame_delay_s=corrected.frame_delay_s + more_s)


def scale_sd(rig: Rig, gain_sd: float) -> tuple[float, float]:
    """Relative deviations of K and of stress that are common to a whole map: the camera's gain (relative deviation gain_sd)
    and the thermoelastic constant; K goes with the root of the image's scale too."""
    s, view = rig.specimen, rig.view
    stress = math.hypot(gain_sd, s.thermoelastic_constant_sd_per_MPa / s.thermoelastic_constant_per_MPa)
    return math.hypot(stress, view.mm_per_px_sd / view.mm_per_px / 2), stress


def far_field_delay(
    h1: np.ndarray, noise: float, frequency_hz: float, usable: np.ndarray
) -> tuple[float, float] | None:
    """The frame delay that turns the far field's first harmonic to 180 degrees, and its deviation, s; modulo 1/f, which
    leaves every harmonic right. None where the signal is lost in the noise.

    h1 (rows, columns) complex, with lag and readout corrected."""
    found = _axis(h1, noise, usable)
    if found is None:
        return None
    axis, sd, stretched = found
    phase = axis if stretched else np.angle(-np.exp(1j * axis))  # what is left once 180 degrees is taken off
    return float(-phase / (2 * np.pi * frequency_hz)), sd / (2 * np.pi * frequency_hz)


def phase_ramp(h1: np.ndarray, noise: float, usable: np.ndarray) -> tuple[float, float] | None:
    """How far the far field's phase in the lower half of the image is ahead of that in the upper half, and its deviation,
    rad, modulo half a turn: nothing, where the row readout is corrected. None where one of them is lost in the noise."""
    upper = np.arange(h1.shape[0])[:, None] < h1.shape[0] / 2
    low, high = _axis(h1, noise, usable & ~upper), _axis(h1, noise, usable & upper)
    if low is None or high is None:
        return None
    return float(np.angle(np.exp(2j * (low[0] - high[0])))) / 2, math.hypot(low[1], high[1])


def _axis(h1: np.ndarray, noise: float, usable: np.ndarray) -> tuple[float, float, bool] | None:
    """Angle of the line in the complex plane on which the usable pixels of h1 lie, in (-pi/2, pi/2], and its deviation, rad;
    whether more of them lie on its left, as stretched ones do. Compressed and stretched parts differ by half a turn, so
    the line comes from the squares; the strongest pixels (near the tip, where heat flows) weigh no more than the median."""
    size = np.abs(h1)
    use = usable & np.isfinite(size) & (size > 3 * noise)
    if np.count_nonzero(use) < 20 or np.count_nonzero(use) < 0.05 * np.count_nonzero(usable):
        return None
    z = h1[use]
    cap = np.median(np.abs(z))
    z = z / np.abs(z) * np.minimum(np.abs(z), cap)
    axis = float(np.angle(np.sum(z * z))) / 2
    stretched = bool(np.sum((z * np.exp(-1j * axis)).real) < 0)
    return axis, noise / float(np.sqrt(np.sum(np.abs(z) ** 2))), stretched
