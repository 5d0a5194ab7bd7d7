"""Whether the load is still the one that the lock-in has in its memory: amplitudes of two loads do not mix.

A step of the load is told cycle by cycle (edge/cycles.py); a ramp hides in the scatter of its own cycles, and is seen here by
how far the load is off its mean over the memory.
"""

NEW_FREQUENCY, NEW_LOAD = 0.02, 0.05  # relative: our own choice


class SameLoad:
    """Mean frequency (Hz; None: nothing yet) and amplitude (kN) of the frames in the lock-in."""

    def __init__(self) -> None:
        self.hz: float | None = None
        self.amplitude_kN = 0.0

    def reset(self) -> None:
        self.hz = None

    def news(self, hz: float, amplitude_kN: float, noise: float) -> str | None:
        """A word of edge.flags where the load has become another. noise: of the load signal, relative; amplitude 0: unknown."""
        if self.hz is None:
            return None
        if abs(hz / self.hz - 1) > NEW_FREQUENCY:
            return "freq_changed"
        known = amplitude_kN > 0 and self.amplitude_kN > 0
        return "load_step" if known and abs(amplitude_kN / self.amplitude_kN - 1) > max(NEW_LOAD, noise) else None

    def take(self, hz: float, amplitude_kN: float, frames: float) -> None:
        """A frame beside as many as weigh `frames`: the mean, as a slow walk is no other load."""
        if self.hz is None:
            self.hz, self.amplitude_kN = hz, amplitude_kN
        self.hz += (hz - self.hz) / (frames + 1)
        self.amplitude_kN += (amplitude_kN - self.amplitude_kN) / (frames + 1)
