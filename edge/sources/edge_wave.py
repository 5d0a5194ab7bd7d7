"""One edge a cycle as load samples: a sine of the nominal range whose cycles begin at the edges.

The loop needs phase, frequency and cycle count; a sine through the edges gives it these by the same way as a load cell
does. Range and ratio it cannot give: a source of edges says so (`nominal`).
"""

from collections import deque

import numpy as np

PER_CYCLE = 32
BOUNCE = 0.25  # of a period: a second edge within it is contact bounce
STEADY = 1.5  # an interval longer than this many periods has a hole, or the load stood still
MOST_MISSED = 3  # edges in a row
STANDING_S, STANDING_PERIODS = 6.0, 24  # so much of a load that stood still is shown, at its mean, to tell it from lost samples
MISSED_GATE = 0.12  # how near a whole number of periods such an interval is


class EdgeWave:
    """`add` edge times, get the samples of the cycles they end, or of a load that stood still. bounces, missed: edges
    ignored and edges put in."""

    def __init__(self, frequency_hz: float):
        self.bounces = self.missed = 0
        self._nominal_s = 1 / frequency_hz
        self.forget()

    def forget(self) -> None:
        """Edges may have been lost: the next one only starts a cycle."""
        self._last_s: float | None = None
        self._periods: deque[float] = deque([self._nominal_s], maxlen=9)
        self._had_hole, self._hole_s = False, np.inf  # the last interval was long; how long

    def add(self, edge_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Edge times (n,) in s -> time_s and sin(phi) of the samples, both (m,)."""
        times: list[np.ndarray] = []
        phases: list[np.ndarray] = []
        for at_s in edge_s:
            period_s = float(np.median(self._periods))
            cycles = 0 if self._last_s is None else self._cycles(float(at_s) - self._last_s)
            if cycles < 0:
                self.bounces += 1
                continue
            if cycles and self._last_s is not None:
                part = np.arange(PER_CYCLE * cycles) / PER_CYCLE
                times.append(self._last_s + part * (at_s - self._last_s) / cycles)
                phases.append(2 * np.pi * part)
            elif self._last_s is not None:
                standing_s = min(float(at_s) - self._last_s, max(STANDING_S, STANDING_PERIODS * period_s))
                times.append(self._last_s + np.arange(0, standing_s, period_s / PER_CYCLE))
                phases.append(np.zeros(times[-1].size))
            self._last_s = float(at_s)
        if not times:
            return np.empty(0), np.empty(0)
        return np.concatenate(times), np.sin(np.concatenate(phases))

    def _cycles(self, interval_s: float) -> int:
        """How many load cycles an interval between edges is; 0: the load stood still, -1: bounce."""
        period_s = float(np.median(self._periods))
        ratio = interval_s / period_s
        if ratio < BOUNCE:
            return -1
        whole = round(ratio)
        if ratio <= STEADY:
            self._had_hole = False
        elif self._had_hole and (ratio < 2 * MOST_MISSED or abs(interval_s / self._hole_s - 1) < MISSED_GATE):
            self._periods.clear()  # twice running: the load has slowed down
        else:
            self._had_hole, self._hole_s = True, interval_s
            if whole <= MOST_MISSED + 1 and abs(ratio / whole - 1) < MISSED_GATE:
                self.missed += whole - 1
                return whole
            return 0
        self._periods.append(interval_s)
        return 1
