"""Invented load of the simulated bench: a wave with the faults of real machines, and its samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

TURN = 2 * np.pi


@dataclass(frozen=True)
class LoadWave:
    """P(t) = mean + amplitude [sin phi + h2 sin(2 phi + h2_deg)], t the true time from the start, and its sampling.

    All disturbances are off by default. A pause holds the mean load and stops the phase.
    """

    frequency_hz: float = 7.0
    mean_kN: float = 4.8
    amplitude_kN: float = 4.2
    h2: float = 0.0
    h2_deg: float = 0.0
    walk: float = 0.0  # relative excursion of the frequency, a slow sine of period walk_period_s
    walk_period_s: float = 60.0
    step_at_s: float | None = None  # from this running time on, step_frequency_hz
    step_frequency_hz: float = 7.0
    pause_from_s: float = 0.0
    pause_to_s: float = 0.0
    overload_cycle: int | None = None  # that cycle's rising half is driven to overload_ratio times the peak load
    overload_ratio: float = 1.5
    start_deg: float = 0.0
    sample_rate_hz: float = 1000.0
    noise_kN: float = 0.004
    jitter_s: float = 0.0  # standard deviation of the samples' time stamps
    clock_error: float = 0.0  # relative: 1e-4 makes the load's clock 100 ppm fast

    def run_time(self, time_s: ArrayLike) -> np.ndarray:
        """Time (s) for which the machine has run."""
        t = np.asarray(time_s, float)
        paused = max(0.0, self.pause_to_s - self.pause_from_s)
        return np.where(t < self.pause_from_s, t, np.maximum(np.minimum(t, self.pause_from_s), t - paused))

    def running(self, time_s: ArrayLike) -> np.ndarray:
        t = np.asarray(time_s, float)
        return ~((t >= self.pause_from_s) & (t < self.pause_to_s))

    def phase(self, time_s: ArrayLike) -> np.ndarray:
        """phi in rad, rising."""
        t = self.run_time(time_s)
        turns = self.frequency_hz * t
        if self.walk:
            w = TURN / self.walk_period_s
            turns = turns + self.frequency_hz * self.walk * (1 - np.cos(w * t)) / w
        if self.step_at_s is not None:
            turns = turns + (self.step_frequency_hz - self.frequency_hz) * np.maximum(0.0, t - self.step_at_s)
        return TURN * turns + np.deg2rad(self.start_deg)

    def frequency(self, time_s: float) -> float:
        """Instantaneous load frequency in Hz (of the last running moment, in a pause)."""
        return float((self.phase(time_s + 1e-3) - self.phase(time_s - 1e-3)) / (TURN * 2e-3)) or self.frequency_hz

    def gain(self, time_s: ArrayLike, phase: ArrayLike) -> np.ndarray:
        """Alternating load over the plain wave's: 0 in a pause, above 1 in the rising half of the overload cycle."""
        g = self.running(time_s).astype(float)
        if self.overload_cycle is not None:
            half = (np.asarray(phase) >= TURN * self.overload_cycle) & (
                np.asarray(phase) < TURN * (self.overload_cycle + 0.5)
            )
            peak = self.overload_ratio * (self.mean_kN + self.amplitude_kN) - self.mean_kN
            g = np.where(half, g * peak / self.amplitude_kN, g)
        return g

    def load_kN(self, time_s: ArrayLike) -> np.ndarray:
        """True load in kN."""
        phi = self.phase(time_s)
        wave = np.sin(phi) + self.h2 * np.sin(2 * phi + np.deg2rad(self.h2_deg))
        return self.mean_kN + self.amplitude_kN * self.gain(time_s, phi) * wave

    def samples(self, first: int, end: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Samples first..end-1 as they arrive: time stamps (s) and load (kN) with noise, jitter and clock error."""
        t = np.arange(first, end) / self.sample_rate_hz
        load = self.load_kN(t) + self.noise_kN * rng.standard_normal(t.size)
        stamps = t * (1 + self.clock_error)
        return (stamps + self.jitter_s * rng.standard_normal(t.size) if self.jitter_s else stamps), load
