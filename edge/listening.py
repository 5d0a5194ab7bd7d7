"""A few seconds of frames and load, and what they tell: rates, losses, load range, noise. For `bolotip check`."""

import time
from collections import deque
from dataclasses import dataclass
from itertools import islice

import numpy as np

from edge.clock import FrameClock, Slot
from edge.load_knots import LoadState
from edge.lockin import LockIn
from edge.phase import LoadPhase
from edge.region import at_an_end
from edge.rig import Rig
from edge.sources.base import EndOfSource, Frame, FrameSource, LoadSource
from edge.sources.frames_load import FramesLoad
from edge.sources.gate import JUDGED, not_raw

MOST_BYTES = 48_000_000  # of frames kept for the noise, if they are FEWEST_FRAMES or more
FEWEST_FRAMES = 40  # for a noise
SETTLING_S = 1.5  # frames and samples from before are of no use: clocks settle
OFF_GRID = 0.03  # relative: a camera of another rate has no place on the nominal one's grid


@dataclass(frozen=True)
class Heard:
    """frames: that came, copies among them; lost: missing on the camera's grid. frame_rate_hz: of the grid, or typical of
    the arrivals where that is another rate than the rig file's (lost is then 0). load: None where no cyclic load was found.
    noise_counts: of a frame, the load's harmonics taken out where `load` is known. end_share: of the pixels at an end of
    the camera's range. not_raw: why the counts are no raw ones, with the remedy (a live camera's are judged before)."""

    seconds: float
    frames: int
    copies: int
    lost: int
    frame_rate_hz: float
    samples_per_s: float
    load: LoadState | None
    noise_counts: float | None
    end_share: float
    not_raw: str | None


class Listener:
    """Takes what comes from the two sources; either may be None."""

    def __init__(self, rig: Rig, frames: FrameSource | None, load: LoadSource | None):
        self.rig, self.frames, self.load = rig, frames, load
        self.clock = FrameClock(rig.camera.frame_rate_hz)
        of_frames = rig.camera.frame_rate_hz if isinstance(load, FramesLoad) else None
        self.phase = LoadPhase(rig.load.frequency_hz, samples_per_s=of_frames)
        self.waiting: list[tuple[Frame, bool]] = []  # and whether it is a copy of the one before
        self.kept: deque[tuple[Slot, np.ndarray]] = deque()  # the newest, without copies: those would hide the noise
        self.first_s: float | None = None
        self.arrivals: list[float] = []
        self.newest: np.ndarray | None = None
        self.copies = self.lost = self.samples = 0
        self.last_number = -1
        self.sample_times: tuple[float, float] | None = None  # first and last

    def listen(self, seconds: float) -> Heard:
        """For so many seconds, of this computer's clock with live sources, else of the recording's."""
        live = any(s is not None and s.live for s in (self.frames, self.load))
        begin_s = time.monotonic()
        try:
            while True:
                frame = self.frames.read(0.05) if self.frames is not None else None
                if self.frames is None:
                    time.sleep(0.05)
                if frame is not None:
                    self._take(frame)
                now_s = time.monotonic() - begin_s if live else self._recorded_s()
                self._follow_load(self.arrivals[-1] if self.arrivals else 0.0)
                if now_s > seconds or (not live and self.frames is None):
                    break
        except EndOfSource:
            pass
        self._place(flush=True)
        self._follow_load(self.arrivals[-1] + 3 * self.phase.window_s if self.arrivals else 0.0)
        return self._heard(time.monotonic() - begin_s if live else self._recorded_s())

    def _recorded_s(self) -> float:
        return self.arrivals[-1] - self.arrivals[0] if self.arrivals else 0.0

    def _take(self, frame: Frame) -> None:
        self.arrivals.append(frame.time_s)
        copy = self.newest is not None and np.array_equal(frame.counts, self.newest)
        self.copies += copy
        self.newest = frame.counts
        self.waiting.append((frame, copy))
        self.clock.push(frame.time_s)
        self._place()

    def _place(self, flush: bool = False) -> None:
        while (slot := self.clock.pop(flush)) is not None:
            frame, copy = self.waiting.pop(0)
            if self.last_number >= 0:
                self.lost += self.clock.lost(slot.number - self.last_number - 1)
            self.last_number = slot.number
            if isinstance(self.load, FramesLoad) and slot.sure and not copy:  # as in the loop
                self.load.see(frame, slot.time_s)
            if slot.sure and not (self.kept and np.array_equal(frame.counts, self.kept[-1][1])):
                self.first_s = slot.time_s if self.first_s is None else self.first_s
                self.kept.append((slot, frame.counts))
                if len(self.kept) > FEWEST_FRAMES and len(self.kept) * frame.counts.nbytes > MOST_BYTES:
                    self.kept.popleft()

    def _follow_load(self, until_s: float) -> None:
        if self.load is None:
            return
        time_s, load_kN = self.load.read(until_s)
        if time_s.size:
            first_s = self.sample_times[0] if self.sample_times else float(time_s[0])
            self.sample_times = first_s, float(time_s[-1])
            self.samples += time_s.size
        self.phase.feed(time_s, load_kN)

    def _heard(self, seconds: float) -> Heard:
        steps_s = np.diff(self.arrivals)
        typical_s = float(np.median(steps_s)) if steps_s.size else 0.0
        seen_hz = 1 / typical_s if typical_s > 0 else 0.0
        on_grid = abs(seen_hz / self.rig.camera.frame_rate_hz - 1) < OFF_GRID
        good = [k.good for k in self.phase.knots]
        samples_s = self.sample_times[1] - self.sample_times[0] if self.sample_times else 0.0
        newest = self.newest if self.newest is not None else np.empty(0)
        return Heard(
            seconds=seconds,
            frames=len(self.arrivals),
            copies=self.copies,
            lost=self.lost if on_grid else 0,
            frame_rate_hz=self.clock.frame_rate_hz if on_grid else seen_hz,
            samples_per_s=self.samples / samples_s if samples_s > 0 else 0.0,
            load=self.phase.state(-np.inf, np.inf) if 2 * sum(good) > len(good) else None,  # noise has good moments too
            noise_counts=self._noise(),
            end_share=float(at_an_end(newest).mean()) if newest.size else 0.0,
            not_raw=not_raw([counts for _, counts in islice(reversed(self.kept), JUDGED)]) if self.kept else None,
        )

    def _noise(self) -> float | None:
        """Median over the pixels of the standard deviation of one frame, counts; None: too few frames."""
        if self.first_s is None:
            return None
        start_s = self.first_s + SETTLING_S
        kept = [(slot, counts) for slot, counts in self.kept if slot.time_s >= start_s]
        timed = [(slot, counts, self.phase.at(slot.time_s)) for slot, counts in kept]
        if sum(phi is not None for *_, phi in timed) < FEWEST_FRAMES:
            if len(kept) < FEWEST_FRAMES:
                return None
            steps = np.diff([counts.astype(np.float32) for _, counts in kept[-FEWEST_FRAMES * 3 :]], axis=0)
            return float(np.median(steps.std(axis=0)) / np.sqrt(2))
        lockin = LockIn((self.rig.camera.rows, self.rig.camera.columns), 2, len(timed) + 1.0)
        last: int | None = None
        for slot, counts, phi in timed:
            if phi is not None:
                lockin.add(counts, slot.time_s - start_s, phi, 1 if last is None else slot.number - last)
                last = slot.number
        found = lockin.solve()
        return float(np.median(found.noise)) if found is not None else None
