"""Invented microbolometer camera of the simulated bench: what it makes of harmonic maps, frame by frame.

Order of events for one frame: the scene moves with the load and slips; optics and detector see one cycle of it, the
detector lags (first order, or two lags), each row is read later than the one above; fixed pattern, drift, shutter
steps, flicker and noise are added; an on-camera filter may average; counts are rounded; dead and blinking pixels
answer as they like; the frame arrives late, twice or never.

The lag is applied to the harmonics of the steady cycle, so the begin of a pause or overload is not.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from edge.bench_field import Scene
from edge.bench_load import TURN, LoadWave

CYCLE_POINTS = 16  # per load cycle, to fold motion into harmonics
MOVED_HARMONICS = 4
SLIP_STEP_PX = 0.02  # the maps are shifted again when the specimen has slipped this far
RETUNE = 5e-4  # ... and lagged again when the load frequency has changed by this share
DEAD_COUNTS = 41000


@dataclass(frozen=True)
class CameraModel:
    """Settings; disturbances are off by default. Directions: 0 right, 90 up in the image."""

    frame_rate_hz: float = 25.0  # nominal
    frame_rate_error: float = 0.0  # relative: true rate = nominal (1 + error)
    frame_rate_drift_per_h: float = 0.0  # relative change of the rate in an hour
    tau_s: float = 0.010
    tau2_s: float = 0.0  # a second lag: the detector is then not of first order
    readout_s: float = 0.012
    frame_delay_s: float = 0.005
    netd_K: float = 0.050
    frame_noise_K: float = 0.0  # of a frame, beside it: shared by all pixels, by those of a row, of a column
    row_noise_K: float = 0.0
    column_noise_K: float = 0.0
    counts_per_K: float = 100.0
    zero_K: float = 0.0
    fixed_pattern_K: float = 1.0
    drift_K_per_h: float = 1.0
    flicker_K: float = 0.0  # over the whole image, amplitude of a sine of flicker_hz
    flicker_hz: float = 100.0
    filter_weight: float = 0.0  # weight of the last image in the camera's own recursive filter
    dead: float = 0.001  # share of pixels
    blinking: float = 0.0  # share of pixels that jump by blink_K at random, one frame in twenty
    blink_K: float = 2.0
    lost: float = 0.0  # share of frames
    repeated: float = 0.0
    gap_from_s: float = 0.0  # all frames lost in between
    gap_to_s: float = 0.0
    shutter_every_s: float = 0.0
    shutter_s: float = 0.4
    shutter_step_K: float = 0.05
    arrival_jitter_s: float = 0.002  # one-sided: standard deviation of the normal whose modulus delays a frame
    stalled: float = 0.0  # share of frames that the computer takes stall_s later still
    stall_s: float = 0.050
    motion_px: float = 0.0  # amplitude, in step with the load
    motion_deg: float = 90.0
    slip_px_per_h: float = 0.0
    slip_deg: float = 90.0


@dataclass
class Shot:
    """One exposure: number (lost ones count), true time of the first row's exposure, arrival, counts; or lost."""

    number: int
    exposure_s: float
    arrival_s: float
    counts: np.ndarray | None


Transfer = Callable[[np.ndarray, float], np.ndarray]  # from angular frequencies (m,), rad/px, and a shift, px


def band_limited(w: np.ndarray, shift_px: float) -> np.ndarray:
    """Right for fields that are smooth from pixel to pixel; an edge rings, by a thousandth of its height 10 px away."""
    return np.exp(-1j * w * shift_px)


def spline(w: np.ndarray, shift_px: float) -> np.ndarray:
    """Cubic spline (Unser, IEEE Signal Processing Magazine 16, 1999, from memory): an edge stays an edge, 5 px from it to
    a ten-thousandth of its height."""
    taps = np.arange(math.ceil(shift_px - 2), math.floor(shift_px + 2) + 1)
    x = np.abs(taps - shift_px)
    weights = np.where(x < 1, 2 / 3 - x**2 + x**3 / 2, (2 - x) ** 3 / 6)
    turned: np.ndarray = weights @ np.exp(-1j * taps[:, None] * w) / ((2 + np.cos(w)) / 3)
    return turned


def shifted(maps: np.ndarray, right_px: np.ndarray, down_px: np.ndarray, transfer: Transfer = band_limited) -> np.ndarray:
    """Real maps (n, rows, columns) moved by n sub-pixel shifts, borders mirrored."""
    rows, columns = maps.shape[1:]
    big = np.concatenate([maps, maps[:, ::-1]], axis=1)
    big = np.concatenate([big, big[:, :, ::-1]], axis=2)
    ky, kx = TURN * np.fft.fftfreq(2 * rows), TURN * np.fft.rfftfreq(2 * columns)
    turn = [np.outer(transfer(ky, float(down)), transfer(kx, float(right))) for right, down in zip(right_px, down_px, strict=True)]
    return np.fft.irfft2(np.fft.rfft2(big) * turn, s=big.shape[1:])[:, :rows, :columns]


class BenchCamera:
    """Makes frames of whatever scene it was last told to look at. One random stream per camera, from `seed`."""

    def __init__(self, model: CameraModel, wave: LoadWave, rows: int, columns: int, seed: int) -> None:
        self.model, self.wave, self.shape = model, wave, (rows, columns)
        self._rng = np.random.Generator(np.random.SFC64(seed))
        normal = self._rng.standard_normal
        self.fixed_K = model.fixed_pattern_K * normal(self.shape)
        self.dead = self._rng.random(self.shape) < model.dead
        self.blinking = np.flatnonzero(self._rng.random(self.shape) < model.blinking)
        self.shutters_s: list[float] = []
        self._step_K = np.zeros(self.shape)
        self._next_shutter_s = model.shutter_every_s or np.inf
        self._noise = np.empty(rows * columns, np.float32)
        self._image = np.empty(rows * columns, np.float32)
        self._filtered: np.ndarray | None = None
        self._last: np.ndarray | None = None
        self._latest_s = -np.inf

    def look(self, scene: Scene, time_s: float) -> None:
        """Turn to a scene; called again whenever the scene has changed."""
        self._scene, self._slip_px = scene, self.model.slip_px_per_h * time_s / 3600
        self._tuned_hz = self.wave.frequency(time_s)
        mean, parts = self._moved(scene)
        row = np.arange(self.shape[0])[:, None] / self.shape[0]
        basis = [mean + self.fixed_K + self._step_K - self.model.zero_K]
        for k, h in enumerate(parts, start=1):
            w = TURN * k * self._tuned_hz
            lag = (1 + 1j * w * self.model.tau_s) * (1 + 1j * w * self.model.tau2_s)
            seen = h * np.exp(-1j * w * self.model.readout_s * row) / lag
            basis += [seen.real, seen.imag]
        self._basis = np.stack([b.ravel() for b in basis]).astype(np.float32) * np.float32(self.model.counts_per_K)

    def _moved(self, scene: Scene) -> tuple[np.ndarray, list[np.ndarray]]:
        """Mean and harmonics at the pixels of a scene that slips and moves with the load: one cycle, transformed."""
        m, parts = self.model, scene.harmonics(self.wave.h2, self.wave.h2_deg)
        if not (m.motion_px or self._slip_px):
            return scene.mean_K, parts
        phi = TURN * np.arange(CYCLE_POINTS) / CYCLE_POINTS
        mean = np.repeat(scene.mean_K[None].astype(float), CYCLE_POINTS, axis=0)
        cycle = np.zeros_like(mean)
        for k, h in enumerate(parts, start=1):
            cycle += np.imag(h[None] * np.exp(1j * k * phi)[:, None, None])
        load = np.sin(phi) + self.wave.h2 * np.sin(2 * phi + np.deg2rad(self.wave.h2_deg))
        slip, move = np.deg2rad(m.slip_deg), np.deg2rad(m.motion_deg)
        right = self._slip_px * np.cos(slip) + m.motion_px * load * np.cos(move)
        up = self._slip_px * np.sin(slip) + m.motion_px * load * np.sin(move)
        moved = shifted(cycle, right, -up) + shifted(mean, right, -up, spline)
        spectrum = np.fft.fft(moved, axis=0) / CYCLE_POINTS
        return spectrum[0].real, [2j * spectrum[k] for k in range(1, MOVED_HARMONICS + 1)]

    def exposure_s(self, number: int | np.ndarray) -> np.ndarray:
        """True time at which the first row of frame `number` is exposed."""
        nominal = np.asarray(number, float) / self.model.frame_rate_hz
        return nominal / (1 + self.model.frame_rate_error) - 0.5 * self.model.frame_rate_drift_per_h * nominal**2 / 3600

    def shoot(self, number: int) -> Shot:
        """Expose frame `number` (rising). counts is None where the frame never arrives."""
        m, t = self.model, float(self.exposure_s(number))
        counts = self._counts(t)
        if self._last is not None and (self._shut(t) or (m.repeated and self._rng.random() < m.repeated)):
            counts = self._last
        self._last = counts
        late = m.arrival_jitter_s * abs(self._rng.standard_normal()) if m.arrival_jitter_s else 0.0
        if m.stalled and self._rng.random() < m.stalled:
            late += m.stall_s
        self._latest_s = max(self._latest_s, t + m.frame_delay_s + late)
        gone = (m.gap_from_s <= t < m.gap_to_s) or (m.lost > 0 and self._rng.random() < m.lost)
        return Shot(number, t, self._latest_s, None if gone else counts)

    def _counts(self, t: float) -> np.ndarray:
        """The image of this moment in counts, before the shutter and the wire."""
        m, image, noise = self.model, self._image, self._noise
        slip, hz = m.slip_px_per_h * t / 3600, self.wave.frequency(t)
        if abs(slip - self._slip_px) > SLIP_STEP_PX or abs(hz - self._tuned_hz) > RETUNE * self._tuned_hz:
            self.look(self._scene, t)
        phi = float(self.wave.phase(t))
        turn = phi * np.arange(1, (len(self._basis) + 1) // 2)
        weights = np.empty(len(self._basis), np.float32)
        weights[0] = 1
        gain = float(self.wave.gain(t, phi))
        weights[1::2], weights[2::2] = gain * np.sin(turn), gain * np.cos(turn)
        np.dot(weights, self._basis, out=image)
        self._rng.standard_normal(dtype=np.float32, out=noise)
        noise *= np.float32(m.netd_K * m.counts_per_K)
        image += noise
        rows, columns = self.shape
        for size_K, shape in ((m.frame_noise_K, (1, 1)), (m.row_noise_K, (rows, 1)), (m.column_noise_K, (1, columns))):
            if size_K:
                common = self._rng.standard_normal(shape, dtype=np.float32)
                image.reshape(self.shape)[:] += np.float32(m.counts_per_K * size_K) * common
        even_K = m.drift_K_per_h * t / 3600 + m.flicker_K * np.sin(TURN * m.flicker_hz * t)
        image += np.float32(m.counts_per_K * even_K)
        if m.filter_weight:
            if self._filtered is not None:
                image += np.float32(m.filter_weight) * (self._filtered - image)
            self._filtered = image.copy()
        if self.blinking.size:
            on = self._rng.random(self.blinking.size) < 0.05
            image[self.blinking[on]] += m.blink_K * m.counts_per_K
        np.rint(image, out=image)
        np.clip(image, 0, 65535, out=image)
        counts = image.astype(np.uint16).reshape(self.shape)
        counts[self.dead] = DEAD_COUNTS
        return counts

    def _shut(self, t: float) -> bool:
        """True while the shutter is closed: the picture stands still; afterwards the offsets have taken a step."""
        if t < self._next_shutter_s:
            return False
        if t >= self._next_shutter_s + self.model.shutter_s:
            self.shutters_s.append(self._next_shutter_s)
            self._step_K = 0.3 * self._step_K + self.model.shutter_step_K * self._rng.standard_normal(self.shape)
            self._next_shutter_s += self.model.shutter_every_s
            self.look(self._scene, t)
        return True
