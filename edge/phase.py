"""Load phase, frequency, range, ratio, cycle count and second harmonic from the load samples.

P(t) = Pm + Pa sin phi(t), phi rising. Short windows of samples are fitted with mean, fundamental and second harmonic
(and the fundamental's slow change, which gives the frequency) by linear least squares; each good window leaves a knot,
and phi at a frame's time is interpolated between knots. So a load that drifts in frequency is followed, and a window in
which the load stopped, jumped or was lost leaves no knot and no phase there.
"""

import math
from collections import deque

import numpy as np

from edge.cycles import HYSTERESIS, CycleCounter, LoadEvent
from edge.load_knots import Knot, LoadState, averages
from edge.lone_samples import FEWEST_PER_CYCLE, NEEDED, lone, noise_alone
from edge.wave_fit import WaveFit, fit_harmonics, near_frequency, strongest_frequency

MOST_EXPLAINED = 3.0  # of the samples' variance: a sine's squared amplitude is twice it, as a rule
CYCLES = 4  # of load in a window, at least
WINDOW_S = 1.0  # and seconds, at least
MOST_SAMPLES = 1200  # of a window that enter the fit; more are thinned
SPARSE_SAMPLES, LONGER = 40, 4  # in a window of a sparse signal; and up to so many times that where it is noisy, or sparser still
WHOLE = 0.8  # of a window's length with samples: there is no hole at its end (our own choice)
SPARSE_PHASE_SD = 0.06  # rad, of its window: more and the window is doubled
KEPT, MOST_KEPT = 256, 4096  # knots, at least; and at most
FAR_WINDOWS = 3.0  # knots further apart than this many windows know nothing of what was between them
FARTHEST = 6.0  # times the nominal frequency, up or down, where a load is still looked for
COUNT_MIDDLE = 0.5 + float(np.arcsin(HYSTERESIS)) / (2 * np.pi)  # the count comes a little after phi = 0
NOISY = 0.06  # of the amplitude: noise of a sample that crosses both of the counter's levels, ten times it apart, now and then
MAINS, HUM = 0.1, 0.01  # relative: a load meant to run so near the mains frequency; what is so near it is hum
FLAT = 0.12  # of the samples at one extreme value: a sine of only 16 steps has so many there
STILL = 0.2  # of the usual range: a load that moves less stands still
FAINT, CLEAN = 0.02, 20.0  # of the usual amplitude, and times the noise: what is above both, at the same frequency, is no hum
DUST = 1e-7  # of the mean: no converter shows an amplitude below it, but the rounding of a load that stands still does
NEAR_WINDOWS = 2.5  # a good window so near a hole in the samples tells of the load at the hole
SAME_FREQUENCY, SAME_PHASE_RAD = 0.02, 1.0  # relative, and beside what that foretells, of a load that ran on through a hole


class LoadPhase:
    """Samples go in with `feed`; `at` gives the phase for a frame, `state` the averages for a record."""

    def __init__(self, frequency_hz: float, samples_per_s: float | None = None, memory_s: float = 0.0, mains_hz: float = 0.0):
        """samples_per_s: given where the signal is sparse (taken from the frames), so that it is seen as an alias; the
        frequency is then looked for near the nominal one, and cycles are counted by phase. memory_s: over which `state` is
        asked for."""
        self.samples_per_s, self.longer = samples_per_s, 1
        self.nominal_hz = self.frequency_hz = frequency_hz
        self.mains_hz = mains_hz if abs(frequency_hz - mains_hz) > MAINS * mains_hz else 0.0
        self.time_s, self.load_kN = np.empty(0), np.empty(0)
        kept = int(2.5 * memory_s / self.window_s)  # windows overlap by half
        self.knots: deque[Knot] = deque(maxlen=min(max(KEPT, kept), MOST_KEPT))
        self._pair: tuple[Knot | None, Knot | None] = None, None  # around the time last asked for
        self.counter = CycleCounter()
        self.counted_to_s = -np.inf
        self.cycles = self.beyond_count = 0.0  # and by how much they were more than the counter's in the last good window
        self.bad_in_a_row = 2  # so that the first window looks for the frequency
        self.rough_in_a_row = 0  # of them, those in which the load did not stand still
        self.typical_noise = 0.0  # of a good window, over its amplitude
        self.typical_amplitude_kN = 0.0
        self.last_amplitude_kN, self.last_hz = 0.0, frequency_hz
        self.hole_s: tuple[float, float] | None = None  # since the last good window: no samples from .. to
        self.remarks: dict[str, tuple[float, float]] = {}  # flags not yet told to their end, and the times of begin and end

    @property
    def window_s(self) -> float:
        sparse = self.longer * SPARSE_SAMPLES / self.samples_per_s if self.samples_per_s else 0.0
        return max(WINDOW_S, CYCLES / min(self.frequency_hz, self.nominal_hz * 2), sparse)

    def feed(self, time_s: np.ndarray, load_kN: np.ndarray) -> None:
        """New samples (n,), in order; those out of order are left out."""
        if time_s.size:
            order = np.argsort(time_s, kind="stable")
            time_s, load_kN = time_s[order], load_kN[order]
            late = time_s > (self.time_s[-1] if self.time_s.size else -np.inf)
            self._look_for_holes(time_s[late])
            judged = self.time_s.size - NEEDED
            self.time_s = np.concatenate([self.time_s, time_s[late]])
            self.load_kN = np.concatenate([self.load_kN, load_kN[late]])
            self._leave_out_spikes(max(0, judged - NEEDED))
        # the last few samples are not judged yet
        while self.time_s.size > NEEDED and self.time_s[-1 - NEEDED] - self.time_s[0] >= self.window_s:
            window = self.window_s
            n = int(np.searchsorted(self.time_s, self.time_s[0] + window))
            self._fit_window(self.time_s[:n], self.load_kN[:n])
            drop = int(np.searchsorted(self.time_s, self.time_s[0] + window / 2))
            # a sample between the middle of the samples and that of the window, which the next one no longer has
            self._count(self.time_s[:drop], self.load_kN[:drop], float(self.time_s[drop - 1]))
            self.time_s, self.load_kN = self.time_s[drop:], self.load_kN[drop:]

    def _leave_out_spikes(self, since: int) -> None:
        """Take samples from number `since` on out of those that wait where they stand alone."""
        t, p = self.time_s[since:], self.load_kN[since:]
        if self.samples_per_s or t.size <= 2 * NEEDED or t[-1] - t[0] > (t.size - 1) / (FEWEST_PER_CYCLE * self.frequency_hz):
            return
        amplitude_kN = self.last_amplitude_kN or float(np.subtract(*np.percentile(p, (95, 5)))) / 2
        noise_kN = self.typical_noise * amplitude_kN if self.last_amplitude_kN else noise_alone(self.load_kN)
        spikes = lone(p, amplitude_kN, noise_kN)
        if spikes.any():
            first_s = float(t[spikes.argmax()])
            self.remarks.setdefault("load_spikes", (first_s, first_s))
            keep = np.concatenate([np.ones(since, bool), ~spikes])
            self.time_s, self.load_kN = self.time_s[keep], self.load_kN[keep]

    @property
    def longest_gap_s(self) -> float:
        """Between samples."""
        # a frequency that is not found yet, or was found in the noise of a pause, must not rule the samples out
        hz = self.nominal_hz if self.bad_in_a_row >= 2 else self.frequency_hz
        return 8 / self.samples_per_s if self.samples_per_s else 0.5 / hz

    def _look_for_holes(self, time_s: np.ndarray) -> None:
        """Remember where samples are missing in front of or among the new ones."""
        t = np.concatenate([self.time_s[-1:], time_s])
        wide = np.flatnonzero(np.diff(t) > self.longest_gap_s)
        if wide.size:
            first = self.hole_s[0] if self.hole_s is not None else float(t[wide[0]])
            self.hole_s = first, float(t[wide[-1] + 1])

    def _fill_hole(self, middle: float, fit: WaveFit) -> None:
        """The load ran at the same frequency just before and just after samples were missing: so it did meanwhile, as far
        as anybody knows, and its cycles are taken from frequency and time. Else nobody knows when it stopped."""
        if self.hole_s is None or middle < self.hole_s[1]:
            return
        (from_s, to_s), self.hole_s = self.hole_s, None
        before = next((k for k in reversed(self.knots) if k.good and k.time_s <= from_s), None)
        near_s = NEAR_WINDOWS * self.window_s
        if before is None or from_s - before.time_s > near_s or middle - to_s > near_s:
            return
        if abs(fit.frequency_hz / before.frequency_hz - 1) > SAME_FREQUENCY:
            return
        cycles = (fit.frequency_hz + before.frequency_hz) / 2 * (middle - before.time_s)
        missed = round(cycles - (self.cycles - before.cycles))
        if missed > 0:
            self.counter.cycles += missed
            self.cycles += missed
            self._remark_estimated(from_s, to_s)

    def _count(self, t: np.ndarray, p: np.ndarray, until_s: float) -> None:
        """Hand the samples up to `until_s` to the counter, each once."""
        if self.samples_per_s is None:
            new = slice(*np.searchsorted(t, (self.counted_to_s, until_s), side="right"))
            if new.stop > new.start:
                self.counter.add(t[new], p[new])
            self.counted_to_s = max(self.counted_to_s, until_s)

    def _fit_window(self, t: np.ndarray, p: np.ndarray) -> None:
        """Leave a knot, good or bad."""
        middle = float(t[0] + t[-1]) / 2
        fit = self._fit(t - middle, p)
        good = fit is not None and self._is_good(fit, p)
        alone = not good and self.samples_per_s is None and noise_alone(p) > NOISY * self.last_amplitude_kN > 0
        if self.samples_per_s is None:
            if fit is not None and good:
                self.counter.set_levels(fit.mean_kN, fit.amplitude_kN)
            counted = self.counter.cycles
            self._count(t, p, middle)
            if alone:  # noise crosses, too, where it is large
                self.counter.cycles = counted
            self.cycles = self.counter.cycles + self.beyond_count
        if fit is not None and good:
            self._leave_good(middle, fit, most_at_an_end(p) > FLAT * p.size)
        else:
            missing = fit is None and self.samples_per_s is None
            trouble = "waiting_load" if missing else "paused" if alone or self._stands_still(p) else "load_uneven"
            self._leave_bad(middle, trouble, runs=trouble != "paused" or fit is not None and self._runs_on(fit))

    def _fit(self, t: np.ndarray, p: np.ndarray) -> WaveFit | None:
        """The window's fit, times from its middle; None where samples are missing."""
        gap_s = float(np.max(np.diff(t), initial=0.0))
        if t.size < 5 * CYCLES or gap_s > self.longest_gap_s:
            if self.samples_per_s and gap_s <= self.longest_gap_s and t[-1] - t[0] > WHOLE * self.window_s:
                self.longer = min(2 * self.longer, LONGER)  # of a camera that gives fewer images than frames
            return None
        thin = max(1, t.size // MOST_SAMPLES)
        t, p = t[::thin], p[::thin]
        if self.bad_in_a_row >= 2:
            if self.samples_per_s:
                self.frequency_hz = near_frequency(t, p, self.nominal_hz, 1 / float(np.median(np.diff(t))))
            else:
                self.frequency_hz = strongest_frequency(t, p, self.nominal_hz) or self.frequency_hz
        return fit_harmonics(t, p, self.frequency_hz)

    def _is_good(self, fit: WaveFit, p: np.ndarray) -> bool:
        if fit.amplitude_kN**2 > MOST_EXPLAINED * float(np.var(p)):
            return False  # larger than all that is seen: noise, where the columns of the fit are nearly alike
        noisiest = 0.25 if self.samples_per_s is None else SPARSE_PHASE_SD * np.sqrt(fit.samples / 2)
        if self.samples_per_s and fit.noise_kN > noisiest * fit.amplitude_kN > 5 * noisiest * fit.noise_kN / np.sqrt(fit.samples):
            self.longer = min(2 * self.longer, LONGER)
        return (
            fit.amplitude_kN > max(0.1 * self.typical_amplitude_kN, 4 * fit.noise_kN / np.sqrt(fit.samples), DUST * abs(fit.mean_kN))
            and fit.noise_kN < fit.amplitude_kN * max(0.03, min(noisiest, 3 * self.typical_noise or noisiest))
            and not abs(fit.frequency_hz - self.mains_hz) < HUM * self.mains_hz  # of a wire whose machine has not started
            and self.nominal_hz / FARTHEST < fit.frequency_hz < self.nominal_hz * FARTHEST
        )

    def _stands_still(self, p: np.ndarray) -> bool:
        """Whether the load does so in half of the window, which a few samples before a hole do not tell."""
        halves = p[: p.size // 2], p[p.size // 2 :]
        return p.size >= 5 * CYCLES and bool(min(np.ptp(half) for half in halves) < STILL * 2 * self.last_amplitude_kN)

    def _runs_on(self, fit: WaveFit) -> bool:
        """Whether a load that seems to stand beside what it was runs as before, only with far less amplitude."""
        clear = fit.amplitude_kN > max(FAINT * self.last_amplitude_kN, CLEAN * fit.noise_kN)
        return clear and abs(fit.frequency_hz / self.last_hz - 1) < SAME_FREQUENCY

    def _leave_bad(self, middle: float, trouble: str, runs: bool) -> None:
        self.bad_in_a_row += 1
        self.rough_in_a_row += runs
        if self.rough_in_a_row > 8:  # a rougher load is here to stay: judge it afresh; hum on the wire of one that stands is none
            self.typical_noise = self.typical_amplitude_kN = 0.0
        self.knots.append(Knot(middle, 0.0, self.frequency_hz, 0.0, 0.0, 0j, 0.0, self.cycles, trouble))

    def _leave_good(self, middle: float, fit: WaveFit, flat: bool) -> None:
        last = self.knots[-1] if self.knots else None
        self.bad_in_a_row = self.rough_in_a_row = 0
        weight = 0.2 if self.typical_noise else 1.0
        self.typical_noise += weight * (fit.noise_kN / fit.amplitude_kN - self.typical_noise)
        self.typical_amplitude_kN += weight * (fit.amplitude_kN - self.typical_amplitude_kN)
        self.last_amplitude_kN, self.last_hz = self.typical_amplitude_kN, fit.frequency_hz
        self.frequency_hz = fit.frequency_hz
        phase, turns, noisy = fit.phase_rad, 0.0, fit.noise_kN > NOISY * fit.amplitude_kN
        if last is not None and last.good:  # unwrap by prediction; across a bad stretch only phi mod 2 pi matters
            rate = np.pi * (last.frequency_hz + fit.frequency_hz)
            ahead = last.phase_rad + rate * (middle - last.time_s)
            phase += 2 * np.pi * round((ahead - phase) / (2 * np.pi))
            turns = (phase - last.phase_rad) / (2 * np.pi)
        elif self.samples_per_s or noisy:
            turns = self._since_good(middle, fit)
        if self.samples_per_s:
            self.cycles += turns or fit.frequency_hz * self.window_s / 2  # the step from a window without
        else:  # the counter tells how many, the phase how far into the next
            part = fit.phase_rad / (2 * np.pi) % 1
            self.cycles = part + round(self.counter.cycles + COUNT_MIDDLE - part)
            if noisy and (turns or last is None):  # the phase tells better how many, too
                if self.hole_s is not None and last is not None and last.good and middle >= self.hole_s[1]:
                    turns -= fit.frequency_hz * (self.hole_s[1] - self.hole_s[0])  # of a hole `_fill_hole` tells
                before = next((k.cycles for k in reversed(self.knots) if k.good), 0.0)
                extra = round(self.cycles - before - (turns or fit.frequency_hz * self.window_s / 2))
                self.counter.cycles, self.cycles = self.counter.cycles - extra, self.cycles - extra
            self.beyond_count = self.cycles - self.counter.cycles
        self._fill_hole(middle, fit)
        wave = fit.frequency_hz, fit.mean_kN, fit.amplitude_kN, fit.h2, fit.noise_kN
        self.knots.append(Knot(middle, phase, *wave, self.cycles, clipped=flat and self.samples_per_s is None))

    def _since_good(self, middle: float, fit: WaveFit) -> float:
        """Cycles since the last good window, where the phase says that the load ran on through the uneven ones after it (the
        camera's level jumped); else 0."""
        before = next((k for k in reversed(self.knots) if k.good), None)
        if before is None or any(k.trouble == "paused" for k in self.knots if k.time_s > before.time_s):
            return 0.0
        cycles = (fit.frequency_hz + before.frequency_hz) / 2 * (middle - before.time_s)
        off = math.remainder(before.phase_rad + 2 * math.pi * cycles - fit.phase_rad, 2 * math.pi)
        if abs(off) > SAME_PHASE_RAD or middle - before.time_s > FAR_WINDOWS * self.window_s:
            return 0.0
        self._remark_estimated(before.time_s, middle)
        return cycles - off / (2 * math.pi)

    def _remark_estimated(self, from_s: float, to_s: float) -> None:
        self.remarks["cycles_estimated"] = self.remarks.get("cycles_estimated", (from_s, to_s))[0], to_s

    def at(self, time_s: float) -> float | None:
        """phi in rad at `time_s`, or None where no good window covers it (yet)."""
        left, right = self._around(time_s)
        span = right.time_s - left.time_s if left is not None and right is not None else math.inf
        if left is not None and left.good and right is not None and right.good and span < FAR_WINDOWS * self.window_s:
            u = (time_s - left.time_s) / span
            w0, w1 = 2 * math.pi * left.frequency_hz * span, 2 * math.pi * right.frequency_hz * span
            h = u * u * (3 - 2 * u)  # cubic Hermite: phases and frequencies of both knots
            return (1 - h) * left.phase_rad + h * right.phase_rad + u * (1 - u) ** 2 * w0 - u * u * (1 - u) * w1
        reach = self.window_s / 2
        for knot, span in ((left, reach if right is not None else 3 * reach), (right, reach)):
            if knot is not None and knot.good and abs(time_s - knot.time_s) <= span:
                return knot.phase_rad + 2 * math.pi * knot.frequency_hz * (time_s - knot.time_s)
        return None

    def _around(self, time_s: float) -> tuple[Knot | None, Knot | None]:
        """The knots before and after `time_s`."""
        left, right = self._pair
        if left is not None and right is not None and left.time_s <= time_s < right.time_s:
            return left, right  # as for the frame before
        knots = self.knots
        after = len(knots)
        while after and knots[after - 1].time_s > time_s:  # from the end: frames are hardly older than the newest knots
            after -= 1
        self._pair = knots[after - 1] if after else None, knots[after] if after < len(knots) else None
        return self._pair

    def trouble_at(self, time_s: float) -> str:
        """Why there is no phase at `time_s`: a word of edge.flags."""
        bad = [k for k in self.knots if k.trouble and abs(k.time_s - time_s) < FAR_WINDOWS * self.window_s]
        return min(bad, key=lambda k: abs(k.time_s - time_s)).trouble if bad else "waiting_load"

    def take_events(self, until_s: float) -> list[LoadEvent]:
        """Overloads, underloads and steps of the load that began by `until_s`, each once."""
        return self.counter.take_events(until_s)

    def take_remarks(self, until_s: float) -> list[str]:
        """Flags of what began by `until_s`; again until it has ended, as each row has its share of it."""
        told = [flag for flag, (since_s, _) in self.remarks.items() if since_s <= until_s]
        self.remarks = {flag: span for flag, span in self.remarks.items() if span[1] > until_s}
        return told

    def amplitude_at(self, time_s: float) -> float:
        """Amplitude at `time_s`, kN, between good windows; the typical one where there is none."""
        left, right = self._around(time_s)
        if left is not None and right is not None and left.good and right.good:
            u = (time_s - left.time_s) / (right.time_s - left.time_s)
            return left.amplitude_kN + u * (right.amplitude_kN - left.amplitude_kN)
        near = [k for k in (left, right) if k is not None and k.good]
        return near[0].amplitude_kN if near else self.last_amplitude_kN

    def frequency_at(self, time_s: float) -> float:
        """Load frequency of the good window nearest to `time_s`, Hz; the newest one's where there is none. Windows are
        fitted ahead of the frames, so the newest frequency may be one that the frames have not come to yet."""
        left, right = self._around(time_s)
        if left is not None and right is not None and left.good and right.good:
            return (left if time_s - left.time_s <= right.time_s - time_s else right).frequency_hz
        after: Knot | None = None
        for knot in reversed(self.knots):  # from the end: frames are hardly older than the newest knots
            if knot.good and knot.time_s <= time_s:
                nearer = after is None or time_s - knot.time_s <= after.time_s - time_s
                return knot.frequency_hz if nearer or after is None else after.frequency_hz
            after = knot if knot.good else after
        return self.frequency_hz if after is None else after.frequency_hz

    def first_count(self) -> tuple[float, float] | None:
        """Time of the first good window that is kept, and the cycles up to it."""
        return next(((k.time_s, k.cycles) for k in self.knots if k.good), None)

    def covered_to_s(self) -> float:
        """Up to where the phase is settled by windows on both sides."""
        return self.knots[-1].time_s if self.knots else -np.inf

    def cycles_at(self, time_s: float) -> float:
        """Cycles counted up to `time_s`, no further than samples tell; between windows by the counts of both."""
        after = len(self.knots)
        while after and self.knots[after - 1].time_s > time_s:
            after -= 1
        if not after:
            return 0.0
        last = self.knots[after - 1]
        if after < len(self.knots):
            right = self.knots[after]
            return last.cycles + (right.cycles - last.cycles) * (time_s - last.time_s) / (right.time_s - last.time_s)
        reach_s = self.window_s / 2
        if self.time_s.size:  # samples that no window has taken in yet, up to a hole in them
            sampled_to_s = self.hole_s[0] if self.hole_s is not None else float(self.time_s[-1])
            reach_s = max(reach_s, sampled_to_s - last.time_s)
        return last.cycles + (last.frequency_hz * min(time_s - last.time_s, reach_s) if last.good else 0.0)

    def state(self, since_s: float, until_s: float) -> LoadState | None:
        """Averages over the good windows from `since_s` to `until_s`."""
        return averages(self.knots, since_s, until_s, self.window_s)


def most_at_an_end(p: np.ndarray) -> int:
    """How many of the samples are the largest, or the smallest, whichever are more."""
    return max(int(np.count_nonzero(p == p.max())), int(np.count_nonzero(p == p.min())))
