"""What the windows of the load signal leave behind, and its averages for a record."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True)
class Knot:
    """Fit of one window, at its middle. h2: second harmonic over the fundamental, complex, in the convention
    P2(t) = Pa |h2| sin(2 phi + arg h2). cycles: counted up to time_s. noise_kN: residual. trouble: why there is no
    phase, a word of edge.flags (paused, load_uneven, waiting_load), or nothing. clipped: flat at its top or bottom."""

    time_s: float
    phase_rad: float
    frequency_hz: float
    mean_kN: float
    amplitude_kN: float
    h2: complex
    noise_kN: float
    cycles: float
    trouble: str = ""
    clipped: bool = False

    @property
    def good(self) -> bool:
        return not self.trouble


@dataclass(frozen=True)
class LoadState:
    """Averages over the good windows of the last stretch; None where there is no load to speak of."""

    frequency_hz: float
    range_kN: float
    range_sd_kN: float
    ratio: float
    h2: complex
    h2_sd: float
    clipped: bool = False

    def of_range(self, range_kN: float | None) -> "LoadState":
        """Where the signal tells neither range nor ratio, as frames and edges do: with the nominal range, or none."""
        return replace(self, range_kN=range_kN or float("nan"), ratio=float("nan"))


def averages(knots: Iterable[Knot], since_s: float, until_s: float, window_s: float) -> LoadState | None:
    """Averages over the good windows from `since_s` to `until_s`."""
    good = [k for k in knots if k.good and since_s <= k.time_s <= until_s + window_s]
    good = [k for k in good if k.time_s <= until_s] or good  # what comes may be another load; the first row has no other
    if not good:
        return None
    amplitude = np.array([k.amplitude_kN for k in good])
    mean = float(np.mean([k.mean_kN for k in good]))
    pa = float(amplitude.mean())
    h2 = np.array([k.h2 for k in good])
    f = np.array([k.frequency_hz for k in good])
    top = mean + pa
    return LoadState(
        float(f.mean()),
        2 * pa,
        2 * float(amplitude.std()),
        (mean - pa) / top if top else float("nan"),
        complex(h2.mean()),
        float(np.hypot(h2.real.std(), h2.imag.std()) / np.sqrt(len(good))),
        bool(np.mean([k.clipped for k in good]) > 0.5),
    )
