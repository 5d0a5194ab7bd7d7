"""The loop, top to bottom.

 1. a frame arrives                                   sources
 2. is it new? copies and frozen images are left out  loop
 3. when was it exposed?                              clock
 4. where was the load then?                          phase
 5. into the harmonic estimate                        lockin
 6. when a row is due: kelvin and true phase          correct   \\
 7. where is the tip, what are K and T?               tip        } fix
 8. do the faces touch?                               closure   /
 9. one row                                           record
10. to the card and the wire                          sinks
"""

import logging
import signal
import time
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calibration.profile import CameraProfile, load_profile, warnings
from edge.clock import FrameClock, Slot
from edge.fix import Fix, Fixer
from edge.lockin import LockIn
from edge.phase import LoadPhase
from edge.rate import GrowthWatch, StopAt
from edge.record import Row, read_records
from edge.rig import Rig, load_rig
from edge.sinks.base import Sink
from edge.sinks.card import CardSink
from edge.sinks.events import EventFile, keep_rig_copy
from edge.sources.base import EndOfSource, Frame, FrameSource, LoadSource
from edge.sources.frames_load import FramesLoad

log = logging.getLogger("bolotip")

GAP_S = 0.3  # frames missing for longer than this (and three periods): the camera may have changed its offsets
LONG_GAP_S = 10.0  # a camera silent for longer has not lost frames, it was away
FROZEN_FRAMES = 2  # copies in a row that make a frozen image, after which the offsets may be others
MOST_PENDING = 64  # frames that wait for the load to be known
NEW_FREQUENCY = 0.02  # relative change of load frequency that makes a new lock-in


class Loop:
    """One run. State: clock, phase, lock-in, and what has happened since the last row."""

    def __init__(
        self,
        rig: Rig,
        profile: CameraProfile | None,
        frames: FrameSource,
        load: LoadSource,
        card: CardSink,
        others: tuple[Sink, ...] = (),
        tell: Callable[[Row], None] | None = None,
    ):
        self.rig, self.frames, self.load, self.card, self.sinks, self.tell = (
            rig,
            frames,
            load,
            card,
            (card, *others),
            tell,
        )
        self.clock = FrameClock(rig.camera.frame_rate_hz)
        from_frames = rig.camera.frame_rate_hz if rig.load.source == "frames" else None
        self.phase = LoadPhase(rig.load.frequency_hz, samples_per_s=from_frames)
        shape = (rig.camera.rows, rig.camera.columns)
        self.lockin = LockIn(shape, rig.lockin.harmonics, rig.lockin.memory_s * rig.camera.frame_rate_hz)
        self.fixer = Fixer(rig, profile, shape)
        self.event_file = EventFile(card.folder)
        self.growth = GrowthWatch(rig.specimen, rig.lockin.memory_s, rig.records.target_crack_mm)
        self.stop_at = StopAt(rig.records)
        self.pending: deque[tuple[Frame, Slot, bool]] = deque()  # frame, slot, is it a copy
        self.queue: deque[tuple[Frame, bool]] = deque()  # the same, before the clock has placed them
        self.newest: np.ndarray | None = None
        self.copies_in_a_row = 0
        self.held = False  # the image stood still since the last frame used
        self.last_seen: int | None = None  # slot of the last frame that was no copy
        self.start_s: float | None = None
        self.now_s = 0.0  # time of the last placed frame
        self.last_number = -1
        self.last_used: int | None = None
        self.lock_hz: float | None = None
        self.lock_start_s = 0.0
        self.next_row_s = self.next_maps_s = 0.0
        self.events: set[str] = set()
        self.used = self.lost = self.repeated = 0
        self.stop = False
        before = card.resume
        self.seq = before.seq + 1 if before else 0
        self.cycles_before = (before.cycles or 0) if before else 0
        self.elapsed_before = (before.elapsed_s or 0.0) if before else 0.0
        if before:
            self.events.add("resumed")
            self.growth.recall(read_records(card.path).rows)

    def run(self) -> None:
        """Until the recording ends or `stop` is set; the last row is always written."""
        try:
            while not self.stop:
                for sink in (*self.sinks, self.event_file):
                    if sink.waiting_rows:
                        sink.pump()
                frame = self.frames.read(timeout_s=0.2)
                if frame is not None:
                    self.take(frame)
                self.place()
                self.use()
        except EndOfSource:
            self.place(flush=True)
            self.use(flush=True)
        if self.start_s is not None and (self.used or self.repeated or self.events or self.seq == 0):
            self.write_row(last=True)
        self.event_file.close()

    # 1, 2
    def take(self, frame: Frame) -> None:
        """A copy of the frame before tells the clock that a period went by, but nothing of the specimen."""
        copy = self.newest is not None and np.array_equal(frame.counts, self.newest)
        self.newest = frame.counts
        self.clock.push(frame.time_s)
        self.queue.append((frame, copy))

    # 3
    def place(self, flush: bool = False) -> None:
        """Give waiting frames their place on the clock's grid."""
        while (slot := self.clock.pop(flush)) is not None:
            frame, copy = self.queue.popleft()
            if self.start_s is None:
                self.start_s = slot.time_s
                self.next_row_s = slot.time_s + self.rig.records.every_s
                self.next_maps_s = slot.time_s
            missing = slot.number - self.last_number - 1
            if self.last_number >= 0 and missing * self.clock.period_s < LONG_GAP_S:  # else nobody was looking
                self.lost += max(0, missing)
            self.last_number = slot.number
            if isinstance(self.load, FramesLoad) and slot.sure and not copy:
                self.load.see(frame, slot.time_s)
            self.pending.append((frame, slot, copy))

    # 4, 5 and the rows
    def use(self, flush: bool = False) -> None:
        """Take frames into the estimate once the load at their time is known; write the rows that fall due."""
        while self.pending:
            frame, slot, copy = self.pending[0]
            self.phase.feed(*self.load.read(until_s=slot.time_s + 3 * self.phase.window_s))
            known = self.phase.covered_to_s() >= slot.time_s or self.load.ended
            if not (known or flush or len(self.pending) > MOST_PENDING):
                return
            self.pending.popleft()
            if slot.time_s >= self.next_row_s:
                self.write_row()
                self.next_row_s += self.rig.records.every_s * np.ceil(
                    (slot.time_s - self.next_row_s + 1e-9) / self.rig.records.every_s
                )
            self.now_s = slot.time_s
            self._heed_load_events()
            self._into_lockin(frame, slot, copy)

    def _heed_load_events(self) -> None:
        """Overloads, underloads and steps of the load up to now."""
        for event in self.phase.take_events(self.now_s):
            self.events.add(event.kind)
            elapsed_s = self.elapsed_before + event.time_s - (self.start_s or 0.0)
            cycles = self.cycles_before + event.cycles
            self.event_file.write_event(event.kind, cycles, elapsed_s, event.peak_kN, event.valley_kN)
            if event.kind == "load_step":  # amplitudes of two loads do not mix
                self._restart_lockin()

    def _into_lockin(self, frame: Frame, slot: Slot, copy: bool) -> None:
        if copy:
            self.repeated += 1
            self.copies_in_a_row += 1
            if self.copies_in_a_row >= FROZEN_FRAMES:
                self.events.add("frozen")
            return
        self.held |= self.copies_in_a_row >= FROZEN_FRAMES
        self.copies_in_a_row = 0
        silent_s = 0.0 if self.last_seen is None else (slot.number - self.last_seen) * self.clock.period_s
        if not self.held and silent_s > max(GAP_S, 3.5 * self.clock.period_s):
            self.events.add("frames_gap")
        self.last_seen = slot.number
        phi = self.phase.at(slot.time_s)
        if phi is None:
            self.events.add("no_load" if self.lock_hz is None else self.phase.trouble_at(slot.time_s))
            return
        if not slot.sure:
            return
        slots = 1 if self.last_used is None else slot.number - self.last_used
        self._follow_frequency(self.phase.frequency_at(slot.time_s))
        unused_s = slots * self.clock.period_s  # silent, frozen or without load: the offsets may be others by now
        if unused_s > self.rig.lockin.memory_s:
            self._restart_lockin()
        elif self.held or unused_s > max(GAP_S, 3.5 * self.clock.period_s):
            self.lockin.new_baseline()
        self.held = False
        if self.lock_hz is None:
            self.lock_hz, self.lock_start_s = self.phase.frequency_at(slot.time_s), slot.time_s
        self.last_used = slot.number
        self.lockin.add(frame.counts, slot.time_s - (self.start_s or 0.0), phi, slots)
        self.used += 1

    def _follow_frequency(self, frequency_hz: float) -> None:
        if self.lock_hz is not None and abs(frequency_hz / self.lock_hz - 1) > NEW_FREQUENCY:
            self._restart_lockin()
            self.events.add("freq_changed")

    def _restart_lockin(self) -> None:
        self.lockin.reset()
        self.lock_hz = None

    # 6 to 10
    def write_row(self, last: bool = False) -> None:
        """One fix, one row, to every sink; maps where they are due."""
        assert self.start_s is not None
        elapsed = self.now_s - self.start_s
        row = Row(
            seq=self.seq,
            time_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            elapsed_s=self.elapsed_before + elapsed,
            cycles=self.cycles_before + int(self.phase.cycles_at(self.now_s)),
            lost=self.lost,
            repeated=self.repeated,
        )
        load = self.phase.state(max(self.lock_start_s, self.now_s - self.rig.lockin.memory_s), self.now_s)
        if load is not None:
            row.load_frequency_hz, row.load_range_kN, row.load_ratio = load.frequency_hz, load.range_kN, load.ratio
            row.load_h2, row.load_h2_deg = abs(load.h2), float(np.angle(load.h2, deg=True))
        if self.rig.load.source == "frames":  # they tell when the load turns, not how far it goes
            row.load_range_kN, row.load_ratio = self.rig.load.nominal_range_kN, None
            row.load_h2 = row.load_h2_deg = None
        harmonics = self.lockin.solve() if load is not None else None
        if harmonics is None or load is None:
            fix = Fix(flags=[*self.fixer.standing_flags(), "no_load" if load is None else "settling", "no_tip"])
        else:
            fix = self.fixer.fix(harmonics, load, self.clock.frame_rate_hz)
            row.frames = round(harmonics.frames)
            if harmonics.frames < 0.9 * self.lockin.memory_frames:
                fix.flags.append("settling")
        fix.fill(row)
        if self.lost:
            self.events.add("lost")
        if self.repeated:
            self.events.add("repeated")
        if self.card.state == "waiting":
            self.events.add("card_full")
        row.flags = tuple(dict.fromkeys([*fix.flags, *sorted(self.events)]))
        row.flags += tuple(self.growth.follow(row))
        request = self.stop_at.see(row)
        if request is not None:
            row.flags += ("stop_request",)
        for sink in self.sinks:
            sink.write_row(row)
            if request is not None and sink is not self.card:
                sink.write_line(request.encode())
        if fix.maps and (last or self.now_s >= self.next_maps_s):
            self.card.write_maps(row.seq, **fix.maps)
            self.next_maps_s = self.now_s + self.rig.records.maps_every_s - 0.5 * self.rig.records.every_s
        if self.tell:
            self.tell(row)
        self.seq += 1
        self.used = self.lost = self.repeated = 0
        self.events.clear()


def open_sources(rig: Rig) -> tuple[FrameSource, LoadSource]:
    """The sources the rig file names."""
    from calibration.door import InputError

    if rig.camera.source == "simulated":
        from edge.sources.simulated import bench_from_rig

        bench = bench_from_rig(rig)
        return bench.frames, bench.load
    from edge.sources.recording import RecordedFrames, RecordedLoad

    c, p = rig.camera, rig.load
    if c.source != "recording" or not c.path or p.source not in ("recording", "frames"):
        raise InputError(
            f"{rig.path}: [camera] source {c.source!r} with [load] source {p.source!r} is not supported yet; may be "
            f"recording with recording or frames, or simulated"
        )
    frames = RecordedFrames(c.path, c.times, c.rows, c.columns, c.frame_rate_hz)
    if p.source == "frames" or not p.path:
        return frames, FramesLoad()
    return frames, RecordedLoad(p.path, p.scale_kN_per_unit, p.offset_kN)


def one_line(row: Row) -> str:
    """A fix in one line for a terminal."""

    def text(value: float | None, form: str) -> str:
        return form.format(value) if value is not None else "-"

    return (
        f"{row.seq:5d} {row.elapsed_s or 0:9.1f} s {row.cycles or 0:9d} cycles  a "
        f"{text(row.crack_mm, '{:.3f}')} ± {text(row.crack_sd_mm, '{:.3f}')} mm  dK {text(row.dKI_MPa_sqrt_m, '{:.2f}')} ± "
        f"{text(row.dKI_sd, '{:.2f}')} MPa√m  contact {text(row.contact_length_mm, '{:.2f}')} mm  da/dN "
        f"{text(row.rate_mm_per_cycle, '{:.1e}')}  {' '.join(row.flags)}"
    )


def run_sources(
    rig: Rig, frames: FrameSource, load: LoadSource, out: Path | None = None, tell: Callable[[Row], None] | None = None
) -> Loop:
    """Run the loop of `rig` on these sources to their end, rows into `out` (default: the rig file's folder)."""
    from edge.sinks.wire import WireSink

    profile = load_profile(rig.camera.profile) if rig.camera.profile else None
    if profile is not None:
        for doubt in warnings(profile, rig.camera.rows, rig.camera.columns, rig.camera.lens):
            log.warning("%s: %s", rig.camera.profile, doubt)
    wire = (WireSink(rig.records.serial_port, rig.records.serial_baud),) if rig.records.serial_port else ()
    with frames, load, CardSink(out or rig.records.folder, rig.records.budget_MB) as card:
        for sink in wire:
            sink.open()
        keep_rig_copy(rig.path, card.folder)
        loop = Loop(rig, profile, frames, load, card, wire, tell)

        def end(*_: object) -> None:
            loop.stop = True

        before = {s: signal.signal(s, end) for s in (signal.SIGINT, signal.SIGTERM)}
        try:
            loop.run()
        finally:
            for s, handler in before.items():
                signal.signal(s, handler)
            for sink in wire:
                sink.close()
    return loop


def run_rig(rig: Rig, out: Path | None = None, tell: Callable[[Row], None] | None = None) -> Loop:
    """Run the loop of `rig` on the sources it names."""
    return run_sources(rig, *open_sources(rig), out, tell)


def run_command(rig_path: Path, out: Path | None) -> int:
    """`bolotip run`."""
    rig = load_rig(rig_path)
    started = time.monotonic()
    loop = run_rig(rig, out, lambda row: print(one_line(row), flush=True))
    print(f"{loop.seq} rows in {time.monotonic() - started:.1f} s, in {out or rig.records.folder}")
    return 0
