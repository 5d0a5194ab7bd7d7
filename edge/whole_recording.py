"""A recording as a whole: frames on the camera's grid, and the harmonics of all of them together, for the calibrations.

The same steps as the loop's, without its rows and its memory that fades.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration import pixels
from calibration.door import InputError
from edge.clock import FrameClock, Slot
from edge.copies import Copies
from edge.lockin import Harmonics, LockIn
from edge.phase import LoadPhase
from edge.rig import Rig, load_rig
from edge.sources.base import LoadSource
from edge.sources.csv_columns import CsvColumns
from edge.sources.gate import not_raw
from edge.sources.recording import NpyStack, Part, RecordedLoad, TiffStack, open_stack

GAP_S = 0.5  # frames missing for longer: the camera may have changed its offsets
FEWEST_FRAMES = 50
SLOWEST = 3.0  # times the frame period between frame times, either way: as a run has it
BEFORE = 0.02  # of a period: a frame that comes so long before its exposure was given the slot after its own
# A line through the least delayed of n frames lies so many mean delays over n too late, give or take as much (simulated:
# 2.8 +- 2.0 for half-normal delays, 1.8 +- 1.3 for exponential ones).
LATE_PARTS = 2.3
CLOCK_SD_S = 5e-6  # of the load samples' clock against the frames' (common practice, no source)


@dataclass(frozen=True)
class Recorded:
    """A recording: its rig, frames, and for each frame its number and time (s) on the camera's grid. late_s: mean delay
    of an arrival beyond the smallest one."""

    name: str
    rig: Rig
    stack: NpyStack | TiffStack | Part
    number: np.ndarray
    time_s: np.ndarray
    late_s: float

    @property
    def timing_sd_s(self) -> float:
        """Deviation of the grid as a whole: see `LATE_PARTS`; the two clocks add their own."""
        return float(np.hypot(LATE_PARTS * self.late_s / self.number.size, CLOCK_SD_S))

    def frames(self, most: int) -> np.ndarray:
        """The first `most` frames, or as many as there are, (n, rows, columns)."""
        return np.stack([self.stack.frame(i) for i in range(min(most, self.number.size))])

    def some(self, count: int) -> np.ndarray:
        """`count` frames spread over the recording."""
        picks = np.unique(np.linspace(0, self.number.size - 1, min(count, self.number.size)).astype(int))
        return np.stack([self.stack.frame(i) for i in picks])


@dataclass(frozen=True)
class Measured:
    """A recording through the lock-in. shared_counts: noise common to all pixels of a frame; range_sd is relative. drift_s: by how
    much the load's times get ahead of the frames' from its begin to its end, and the deviation of that."""

    harmonics: Harmonics
    frequency_hz: float
    range_kN: float
    range_sd: float
    shared_counts: float
    drift_s: tuple[float, float]


def open_recording(path: Path) -> Recorded:
    """The recording in folder `path` (or of the rig file `path`). InputError."""
    rig_path = path / "rig.toml" if path.is_dir() else path
    if not rig_path.is_file() or rig_path.suffix.lower() in (".npy", ".tif", ".tiff", ".csv", ".png"):
        why = "is no rig file" if rig_path.is_file() else "no such file"
        raise InputError(f"{rig_path}: {why}; a recording is a folder with rig.toml, frames, frame times and load samples")
    rig = load_rig(rig_path, check_files=False)
    camera = rig.camera
    if camera.source != "recording" or camera.path is None:
        raise InputError(
            f'{rig_path} [camera] source: is "{camera.source}", may be "recording" to calibrate; record first'
        )
    stack = open_stack(camera.path, camera.rows, camera.columns, camera.crop_px)
    if camera.times is None:
        arrival_s = np.arange(stack.count) / camera.frame_rate_hz
    else:
        arrival_s = np.concatenate([np.empty((0, 1)), *CsvColumns(camera.times, ("time_s",)).chunks()])[:, 0]
    if arrival_s.size != stack.count or arrival_s.size < 20 or np.any(np.diff(arrival_s) < 0):
        raise InputError(
            f"{camera.times or camera.path}: {arrival_s.size} times for {stack.count} frames, may be one rising time a frame, "
            f"20 frames or more; record again"
        )
    check_period(arrival_s, camera.frame_rate_hz, f"{camera.times}", "[camera] frame_rate_hz")
    number, time_s = frame_grid(arrival_s, camera.frame_rate_hz)
    name = (path if path.is_dir() else path.parent).resolve().name
    return Recorded(name, rig, stack, number, time_s, float(np.mean(arrival_s - time_s)))


def check_period(arrival_s: np.ndarray, frame_rate_hz: float, where: str, key: str) -> None:
    """InputError where times (n,), s, are not of that rate; frames may come in batches, or with a pause among them."""
    steps_s = np.diff(arrival_s)
    periods = float(steps_s.mean()), float(np.median(steps_s))
    if not any(1 / SLOWEST < p * frame_rate_hz < SLOWEST for p in periods):
        raise InputError(
            f"{where}: times are {periods[0]:.4g} apart, {key} = {frame_rate_hz:g} makes {1 / frame_rate_hz:.4g} s; give times in "
            f"seconds (not milliseconds), and the camera's true rate"
        )


def frame_grid(arrival_s: np.ndarray, frame_rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Number and grid time of each frame. The loop's clock numbers them; the grid is the straight line below all arrivals
    it is sure of that is nearest to them (an edge of their lower convex hull), as a whole recording is at hand."""
    clock = FrameClock(frame_rate_hz)
    slots: list[Slot] = []
    for i, t in enumerate(arrival_s, start=1):
        clock.push(float(t))
        while (slot := clock.pop(flush=i == arrival_s.size)) is not None:
            slots.append(slot)
    number = np.array([s.number for s in slots])
    points = list(zip(number.tolist(), arrival_s.tolist()))
    after_gap = np.diff(number, prepend=number[0] - 1) > 1  # one a slot too far would stand below all others, and the line on it
    sure = [point for point, slot, gap in zip(points, slots, after_gap) if slot.sure and not gap]
    points = sure if len(sure) > 1 else points
    hull: list[tuple[int, float]] = []
    for point in points:
        while len(hull) > 1 and _slope(hull[-2], point) <= _slope(hull[-2], hull[-1]):
            hull.pop()
        hull.append(point)
    middle = np.mean([n for n, _ in points])
    left, right = next((a, b) for a, b in zip(hull, hull[1:]) if b[0] >= middle)
    period_s = _slope(left, right)
    line = left[1] + period_s * (number - left[0])
    after_gap[0] = True
    early = (arrival_s < line - BEFORE * period_s) & after_gap
    number, line = number - early, line - early * period_s
    return number, line - LATE_PARTS * float(np.mean(arrival_s - line)) / number.size


def _slope(a: tuple[int, float], b: tuple[int, float]) -> float:
    return (b[1] - a[1]) / (b[0] - a[0])


def refuse_processed(rec: Recorded, changing: bool = False) -> None:
    """InputError where the counts are no raw ones, as told by the calibrations and by live cameras. changing: see `pixels`."""
    some = rec.some(40)
    if (why := not_raw(list(some))) is not None:
        raise InputError(f"{rec.name}: {why}")
    pixels.refuse_processed(some, rec.name, changing)


def measure(rec: Recorded, harmonics: int = 2, progress: Callable[[float], None] | None = None) -> Measured:
    """The recording through the lock-in. InputError: processed counts, no load signal, too few frames with a load."""
    load = rec.rig.load
    if load.source != "recording" or load.path is None:
        raise InputError(
            f'{rec.rig.path} [load] source: is "{load.source}", may be "recording": the phase needs the load signal'
        )
    refuse_processed(rec)
    signal = RecordedLoad(load.path, load.scale_kN_per_unit, load.offset_kN)
    found = lock_in(rec.stack.frame, rec.number, rec.time_s, signal, load.frequency_hz, harmonics, progress)
    if found is None:
        raise InputError(
            f"{rec.name}: fewer than {FEWEST_FRAMES} frames with a load near [load] frequency_hz = {load.frequency_hz:g} Hz, may be more; "
            f"give this recording's own frequency in {rec.rig.path}, check {load.path} (times in seconds), record 60 s"
        )
    return found


def lock_in(
    frame: Callable[[int], np.ndarray],
    number: np.ndarray,
    time_s: np.ndarray,
    load: LoadSource,
    nominal_hz: float,
    harmonics: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Measured | None:
    """Load phase and harmonics over all frames alike; None with too few. `frame(i)` has counts (rows, columns), number
    and time_s (n,) its place on the grid. Copies are left out, as in the loop. progress: is told the share done."""
    phase = LoadPhase(nominal_hz)
    phase.knots = deque()  # keep all windows, not only the last ones
    estimate, last, before, copies, stood = None, None, 0, Copies(), False
    used: list[tuple[float, float, float]] = []  # time, phase, image mean
    for i, t in enumerate(time_s):
        if progress is not None:
            progress(i / len(time_s))
        phase.feed(*load.read(t + 3 * phase.window_s))
        counts, phi = frame(i), phase.at(t)
        copy = last is not None and np.array_equal(counts, last)
        stood |= copies.copy() if copy else copies.image()
        last = counts
        if copy or phi is None:
            continue
        if estimate is None:
            estimate = LockIn((counts.shape[0], counts.shape[1]), harmonics, memory_frames=1e9)
        elif stood or t - time_s[before] > GAP_S:
            estimate.new_baseline()  # after a shutter or a gap the offsets may be others
        stood = False
        estimate.add(counts, t - time_s[0], phi, int(number[i] - number[before]) if used else 1)
        before = i
        used.append((t, phi, float(counts.mean())))
    state, solved = phase.state(-np.inf, np.inf), estimate.solve() if estimate else None
    if state is None or solved is None or len(used) < FEWEST_FRAMES:
        return None
    windows = sum(k.good for k in phase.knots) / 2  # they overlap by half
    relative = state.range_sd_kN / state.range_kN / np.sqrt(max(1.0, windows))
    shared_counts, drift, drift_sd = _image_mean(np.array(used), solved, harmonics)
    to_s = 1 / (2 * np.pi * state.frequency_hz)
    return Measured(solved, state.frequency_hz, state.range_kN, relative, shared_counts, (drift * to_s, drift_sd * to_s))


def _image_mean(used: np.ndarray, solved: Harmonics, harmonics: int) -> tuple[float, float, float]:
    """Noise of the image mean (counts) beyond what the pixels' own noise makes, slow drift and harmonics taken off; by how much its
    first harmonic gets ahead of the load's phase over the recording, and the deviation of that, rad."""
    t, phi, level = used.T
    t = (t - t.mean()) / np.ptp(t)
    x = [t**n for n in range(6)]
    for k in range(1, harmonics + 1):
        x += [np.sin(k * phi), np.cos(k * phi)]
    design = np.stack([*x, t * np.sin(phi), t * np.cos(phi)], axis=1)
    b = np.linalg.lstsq(design, level, rcond=None)[0]
    left = level - design @ b
    variance = float(left @ left) / (level.size - b.size)
    own = float(np.median(solved.noise)) ** 2 / solved.noise.size
    first, change = complex(b[6], b[7]), complex(b[-2], b[-1])
    of_change = float(np.mean(np.diag(np.linalg.pinv(design.T @ design))[-2:])) * variance
    size = max(abs(first), 1e-12)
    return float(np.sqrt(max(0.0, variance - own))), (change * first.conjugate()).imag / size**2, float(np.sqrt(of_change)) / size
