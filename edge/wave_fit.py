"""A short window of load samples fitted with mean, fundamental and second harmonic, and the frequency looked for in it."""

from dataclasses import dataclass

import numpy as np

SETTLED = 1e-3  # turns over the window by which the frequency was off
INDEPENDENT = 1e-3


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
    """Least squares of mean, slope, fundamental, its linear change, and second harmonic; two rounds, the second at the
    corrected frequency. Times (n,) from the middle of the window, load (n,)."""
    scale = t[-1] - t[0]
    for _ in range(2):
        w = 2 * np.pi * frequency_hz
        x = np.empty((8, t.size))
        x[0], x[1] = 1.0, t / scale
        s, c = np.sin(w * t, out=x[2]), np.cos(w * t, out=x[3])
        x[4], x[5] = x[1] * s, x[1] * c
        x[6], x[7] = 2 * s * c, (c - s) * (c + s)  # of twice the angle
        b = least_squares(x, p)
        z, change, z2 = complex(b[2], b[3]), complex(b[4], b[5]) / scale, complex(b[6], b[7])
        if abs(z) == 0:
            return None
        step = float((change / z).imag) / (2 * np.pi)
        residual = p - b @ x
        if abs(step) < 0.1 * frequency_hz:
            frequency_hz += step
        if abs(step) * scale < SETTLED:  # what a second round would change goes with the square of it
            break
    return WaveFit(
        float(np.angle(z)),
        frequency_hz,
        float(b[0]),
        abs(z),
        z2 / abs(z) * np.exp(-2j * np.angle(z)),
        float(np.sqrt(residual @ residual / max(1, t.size - 8))),
        t.size,
    )


def least_squares(x: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Coefficients (m,) of the rows of x (m, n), all of size one, that fit p (n,) best; the shortest where they are not
    determined. The normal equations lose half of the digits, which is no loss while the rows are far from dependent."""
    gram = x @ x.T
    try:
        diagonal = np.diag(np.linalg.cholesky(gram))
    except np.linalg.LinAlgError:
        diagonal = np.zeros(1)
    if diagonal.min() < INDEPENDENT * diagonal.max():
        return np.linalg.lstsq(x.T, p, rcond=None)[0]
    return np.linalg.solve(gram, x @ p)


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


def near_frequency(t: np.ndarray, p: np.ndarray, nominal_hz: float) -> float | None:
    """Frequency within 4 % of the nominal one at which a sine explains the samples best; they may be too sparse for it
    to show otherwise than as an alias."""
    step = 0.1 / (t[-1] - t[0])
    count = int(np.ceil(0.04 * nominal_hz / step))
    trials = nominal_hz + step * np.arange(-count, count + 1)
    flat = p - np.polyval(np.polyfit(t, p, 1), t)
    power = [abs(flat @ np.exp(-2j * np.pi * f * t)) for f in trials]
    return float(trials[int(np.argmax(power))])
