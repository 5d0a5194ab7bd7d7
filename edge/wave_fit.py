"""A short window of load samples fitted with mean, fundamental, second and, where they are dense, third harmonic, and the
frequency looked for in it."""

import cmath
import math
from dataclasses import dataclass

import numpy as np

DENSE = 12.0  # samples a cycle from which the third harmonic is fitted: left in, that of a triangle leans on the others
SETTLED = 1e-3  # turns over the window by which the frequency was off


@dataclass(frozen=True)
class WaveFit:
    """A window's least-squares fit at its middle (t = 0)."""

    phase_rad: float
    frequency_hz: float
    mean_kN: float
    amplitude_kN: float
    h2: complex
    noise_kN: float
    samples: int


def fit_harmonics(t: np.ndarray, p: np.ndarray, frequency_hz: float) -> WaveFit | None:
    """Least squares of mean, slope, fundamental, its linear change, and the next harmonics; two rounds, the second at the
    corrected frequency. Times (n,) from the middle of the window, load (n,)."""
    from edge.wave_kernel import ROWS, THIRD, kernel  # numba loads with the first window

    scale, n = float(t[-1] - t[0]), t.size
    t, p = np.ascontiguousarray(t, float), np.ascontiguousarray(p, float)
    rows = THIRD if n > DENSE * scale * frequency_hz else ROWS
    x, b = np.empty((rows, n)), np.empty(rows)
    for _ in range(2):
        squares = kernel()(t, p, 2 * np.pi * frequency_hz, scale, x, b)
        if squares < 0:
            b = np.linalg.lstsq(x.T, p, rcond=None)[0]
            squares = float(np.sum((p - b @ x) ** 2))
        z, change, z2 = complex(b[2], b[3]), complex(b[4], b[5]) / scale, complex(b[6], b[7])
        if abs(z) == 0:
            return None
        step = (change / z).imag / (2 * np.pi)
        if abs(step) < 0.1 * frequency_hz:
            frequency_hz += step
        if abs(step) * scale < SETTLED:  # what a second round would change goes with the square of it
            break
    return WaveFit(
        cmath.phase(z),
        frequency_hz,
        float(b[0]),
        abs(z),
        z2 / abs(z) * cmath.exp(-2j * cmath.phase(z)),
        math.sqrt(squares / max(1, n - rows)),
        n,
    )


def strongest_frequency(t: np.ndarray, p: np.ndarray, nominal_hz: float) -> float | None:
    """Frequency of the strongest line between a fifth and five times the nominal one (periodogram, parabola through the
    peak), or None."""
    n = min(4096, t.size)
    even = np.interp(np.linspace(t[0], t[-1], n), t, p)
    padded = 4 * n
    power = np.abs(np.fft.rfft((even - even.mean()) * np.hanning(n), padded))
    f = np.fft.rfftfreq(padded, (t[-1] - t[0]) / (n - 1))
    band = np.flatnonzero((f[:-1] > nominal_hz / 5) & (f[:-1] < nominal_hz * 5))
    if band.size < 3 or not power.any():
        return None
    i = int(band[np.argmax(power[band])])
    a, b, c = power[i - 1 : i + 2]
    if not a < b >= c:  # a creeping load: its spectrum only falls
        return None
    return float(f[i] + (a - c) / 2 / (a - 2 * b + c) * (f[1] - f[0]))


def near_frequency(t: np.ndarray, p: np.ndarray, nominal_hz: float, samples_per_s: float) -> float:
    """Frequency within 4 % of the nominal one at which a sine explains the samples best; they may be too sparse for it
    to show otherwise than as an alias. On the nominal side of the nearest multiple of half the sampling rate: the mirror
    image beyond explains them as well."""
    step = 0.1 / (t[-1] - t[0])
    fold_hz = samples_per_s / 2 * max(1, round(2 * nominal_hz / samples_per_s))
    count = int(min(np.ceil(0.04 * nominal_hz / step), abs(fold_hz - nominal_hz) / step))
    trials = nominal_hz + step * np.arange(-count, count + 1)
    flat = p - np.polyval(np.polyfit(t, p, 1), t)
    power = [abs(flat @ np.exp(-2j * np.pi * f * t)) for f in trials]
    return float(trials[int(np.argmax(power))])
