"""The loop, top to bottom.

 1. a frame arrives                                   sources
 2. is it new? copies and frozen images are left out  loop
 3. when was it exposed?                              clock
 4. where was the load then?                          phase
 5. into the harmonic estimate, if it shows so        misplaced, lockin
 6. when a row is due: kelvin and true phase          correct   \\
 7. where is the tip, what are K and T?               tip        } fix
 8. do the faces touch?                               closure   /
 9. one row                                           record
10. to the card and the wire                          sinks

Where live sources fall silent, time goes on by the monotonic clock: cycles are counted and rows written all the same.
"""

import time
from collections import deque
from collections.abc import Callable

import numpy as np

from calibration.profile import CameraProfile
from edge.clock import MOST_WAITING, FrameClock, Slot
from edge.copies import Copies, Seen
from edge.fix import Fix, Fixer
from edge.load_knots import LoadState
from edge.lockin import LockIn
from edge.memory import give_back
from edge.misplaced import Outlook
from edge.phase import LoadPhase
from edge.rate import GrowthWatch, StopAt
from edge.record import Row
from edge.rig import Rig
from edge.same_load import SameLoad
from edge.sinks.base import Sink
from edge.sinks.card import CardSink
from edge.sinks.events import EventFile
from edge.sources.base import EndOfSource, Frame, FrameSource, LoadSource
from edge.sources.frames_load import FramesLoad
from edge.totals import Calendar, Totals

GAP_S, AWAY_PERIODS = 0.3, 6  # frames missing for longer (and three periods; six): the camera may have changed its offsets
SILENT_S, SILENT_PERIODS = 2.0, 4  # without a frame from a live camera: time goes on without it
WAIT_WINDOWS, WAIT_S = 2.0, 2.0  # of the load's phase, and more: how long a frame waits for the load to be known
FEWEST_KNOTS = 6  # without a good one among them: the load stands still
PENDING_BYTES = 24_000_000  # of frames that wait
LOAD_AHEAD = 1.5  # windows of settled phase ahead of a frame: more is read when there is less, not for each frame
MOST_RECALLED = 4000  # rows of the run before a restart, events and the newest in any case
OTHER_RATE = 0.02  # relative: a camera not of the rig file's rate


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
        attend: Callable[["Loop"], None] | None = None,
    ):
        """tell: gets each row; attend: is called several times a second, whatever comes or does not."""
        self.rig, self.frames, self.load, self.card, self.sinks = rig, frames, load, card, (card, *others)
        self.tell, self.attend = tell, attend
        shape = (rig.camera.rows, rig.camera.columns)
        frame_bytes = 2 * shape[0] * shape[1]
        self.clock = FrameClock(rig.camera.frame_rate_hz, min(MOST_WAITING, PENDING_BYTES // frame_bytes))
        from_frames = rig.camera.frame_rate_hz if rig.load.source == "frames" else None
        self.phase = LoadPhase(rig.load.frequency_hz, from_frames, rig.lockin.memory_s, rig.lockin.mains_hz)
        self.lockin = LockIn(shape, rig.lockin.harmonics, rig.lockin.memory_s * rig.camera.frame_rate_hz)
        self.outlook = Outlook(shape, rig.lockin.harmonics)
        self.fixer = Fixer(rig, profile, shape)
        self.event_file = EventFile(card.folder, card.see_that_it_is_mounted)
        self.growth = GrowthWatch(rig.specimen, rig.view, rig.lockin.memory_s, rig.records.target_crack_mm, rig.camera.frame_rate_hz)
        self.stop_at = StopAt(rig.records)
        self.pending: deque[tuple[Seen, Slot]] = deque()  # frames that wait for the load
        self.queue: deque[Seen] = deque()  # and before, for the clock to place them
        self.newest: np.ndarray | None = None
        self.rates_seen = self.losses = 0  # of the clock's changes, and of the camera
        self.copies = Copies()
        self.held = self.stop = False  # held: the image stood still since the last frame used
        self.last_seen: int | None = None  # slot of the last frame that was no copy
        self.start_s: float | None = None
        self.now_s, self.arrived_s = 0.0, -np.inf  # time of the last placed frame; when the last one came to this computer
        self.last_number = -1
        self.last_used: int | None = None
        self.same_load = SameLoad()
        self.lock_start_s = self.next_row_s = self.next_maps_s = 0.0
        self.events: set[str] = set()
        self.used = self.lost = self.repeated = self.cycles = 0  # cycles of this run, as told in the last row
        self.calendar = Calendar()
        self.heard_s = self.unheard_s = time.monotonic()  # when the last frame came, and when last none did
        rows = card.recalled(MOST_RECALLED)
        self.totals = Totals(rows, frames.live)
        if rows:
            self.events.add("resumed")
            self.growth.recall(rows)
            self.fixer.recall(rows)

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
                else:
                    self.unheard_s = time.monotonic()
                self.place()
                self.use()
                if self.frames.live:
                    self.watch()
                if self.attend:
                    self.attend(self)
        except EndOfSource:
            self.place(flush=True)
            self.use(flush=True)
        if self.frames.live or self.stop:
            self.events.add("ended")
        late = self.now_s > self.next_row_s - self.rig.records.every_s / 2  # else a few copies behind a row need none of their own
        news = self.repeated or self.events if late else "ended" in self.events
        if self.start_s is not None and (self.used or news or self.totals.seq == 0):
            self.write_row(last=True)
        self.event_file.close()

    # 1, 2
    def take(self, frame: Frame) -> None:
        """A copy of the frame before tells the clock that a period went by, but nothing of the specimen."""
        before, now = self.newest, frame.counts
        copy = before is not None and now[0].tobytes() == before[0].tobytes() and np.array_equal(now, before)  # a row tells most
        if self.frames.losses > self.losses and frame.time_s > self.arrived_s + GAP_S:  # it exposes anywhere between the old slots
            self.losses = self.frames.losses
            self.place(flush=True)
            self.clock.begin_anew()
        self.newest = frame.counts
        self.heard_s, self.arrived_s = time.monotonic(), frame.time_s
        self.clock.push(frame.time_s)
        level = 0.0 if copy else self.outlook.level(now)  # while the frame is in the caches
        self.queue.append(Seen(frame, copy, level))

    # 3
    def place(self, flush: bool = False) -> None:
        """Give waiting frames their place on the clock's grid."""
        while (slot := self.clock.pop(flush)) is not None:
            seen = self.queue.popleft()
            self._begin(slot.time_s)
            if self.clock.changes > self.rates_seen:  # what came since it changed was timed wrongly
                self.rates_seen = self.clock.changes
                self.pending.clear()
                self._restart_lockin()
            if self.last_number >= 0 and (lost := self.clock.lost(slot.number - self.last_number - 1)):
                self.lost += lost
                self.events.add("lost")
            self.last_number = slot.number
            if isinstance(self.load, FramesLoad) and slot.sure and not seen.copy:
                self.load.see(seen.frame, slot.time_s)
            self.pending.append((seen, slot))

    def _begin(self, time_s: float) -> None:
        if self.start_s is None:
            self.start_s = self.now_s = self.next_maps_s = time_s
            self.next_row_s = time_s + self.rig.records.every_s
            self.totals.begin(time_s)

    # 4, 5 and the rows
    def use(self, flush: bool = False) -> None:
        """Take frames into the estimate once the load at their time is known; write the rows that fall due."""
        while self.pending:
            seen, slot = self.pending[0]
            if self.phase.covered_to_s() < slot.time_s + LOAD_AHEAD * self.phase.window_s:
                self.phase.feed(*self.load.read(until_s=slot.time_s + 3 * self.phase.window_s))
            known = self.phase.covered_to_s() >= slot.time_s or self.load.ended
            if not (known or flush or self._waited_enough(slot.time_s)):
                return
            self.pending.popleft()
            self._go_on_to(slot.time_s)
            self._into_lockin(seen, slot)

    def _waited_enough(self, time_s: float) -> bool:
        """Whether the frame of that time is to go on without a settled load phase, which may never come."""
        newest_s = time.monotonic() if self.frames.live else self.pending[-1][1].time_s
        most = PENDING_BYTES // self.pending[0][0].frame.counts.nbytes
        return newest_s - time_s > self.longest_wait_s or len(self.pending) > most

    @property
    def longest_wait_s(self) -> float:
        return WAIT_WINDOWS * self.phase.window_s + WAIT_S

    def _go_on_to(self, time_s: float) -> None:
        """Time has come so far: the row that falls due, and the load's events."""
        if time_s >= self.next_row_s:
            self.write_row()
            every_s = self.rig.records.every_s
            self.next_row_s += every_s * np.ceil((time_s - self.next_row_s + 1e-9) / every_s)
        self.now_s = max(self.now_s, time_s)  # a camera that comes back may bring frames it held back
        self._heed_load_events()

    def watch(self) -> None:
        """Live sources: remember which of them is missing; without frames, time goes on."""
        now_s = time.monotonic()
        silent = self.unheard_s - self.heard_s > max(SILENT_S, SILENT_PERIODS * self.clock.period_s)
        if silent or self.frames.state == "waiting":
            self.events.add("waiting_frames")
        if self.load.state == "waiting":
            self.events.add("waiting_load")
        if not silent:
            return
        self.place(flush=True)
        self.use()
        if not self.pending:
            self._begin(now_s)
            self.phase.feed(*self.load.read(until_s=now_s))
            settled_s = max(self.phase.covered_to_s(), now_s - self.longest_wait_s)
            if self.now_s < settled_s <= now_s:
                self._go_on_to(settled_s)

    def _heed_load_events(self) -> None:
        """Overloads, underloads, steps of the load and cycles nobody saw, up to now."""
        self.events.update(self.phase.take_remarks(self.now_s))
        for event in self.phase.take_events(self.now_s):
            away = self.totals.settle(self.phase.frequency_hz, self.phase.first_count())  # before its number is told
            self.events.update([event.kind, *["cycles_estimated"] * away])
            elapsed_s = self.totals.elapsed_s + event.time_s - (self.start_s or 0.0)
            cycles = self.totals.cycles + event.cycles
            self.event_file.write_event(event.kind, cycles, elapsed_s, event.peak_kN, event.valley_kN)
            if event.kind == "load_step" and event.time_s > self.lock_start_s:  # amplitudes of two loads do not mix
                self._restart_lockin()

    def _into_lockin(self, seen: Seen, slot: Slot) -> None:
        if seen.copy:
            self.repeated += 1
            self.events.add("repeated")
            if self.copies.copy():
                self.events.add("frozen")
            return
        self.held |= self.copies.image()
        silent_s = 0.0 if self.last_seen is None else (slot.number - self.last_seen) * self.clock.period_s
        if not self.held and silent_s > max(GAP_S, 3.5 * self.clock.period_s):
            self.events.add("frames_gap")
        self.last_seen = slot.number
        phi = self.phase.at(slot.time_s)
        if phi is None or not slot.sure:
            why = "no_load" if self.same_load.hz is None else self.phase.trouble_at(slot.time_s)
            self.events.add("untimed" if phi is not None else why)
            return
        slots = 1 if self.last_used is None else slot.number - self.last_used
        amplitude_kN = 0.0 if isinstance(self.load, FramesLoad) else self.phase.amplitude_at(slot.time_s)
        load = self.phase.frequency_at(slot.time_s), amplitude_kN
        if news := self.same_load.news(*load, self.phase.typical_noise):
            self._restart_lockin()
            self.events.add(news)
        unused_s = slots * self.clock.period_s  # silent, frozen or without load: the offsets may be others by now
        if unused_s > self.rig.lockin.memory_s:
            self._restart_lockin()
        elif self.held or unused_s > max(GAP_S, 3.5 * self.clock.period_s):
            self.lockin.new_baseline()
            if unused_s > max(GAP_S, AWAY_PERIODS * self.clock.period_s):  # after a few copies it can still foretell
                self.outlook.reset(same_load=True)
        self.held = False
        if self.same_load.hz is None:
            self.lock_start_s = slot.time_s
        self.same_load.take(*load, self.lockin.weight)
        time_s = slot.time_s - (self.start_s or 0.0)
        if self.outlook.misplaced(seen.level, time_s, phi):
            self.events.add("misplaced")
            if self.outlook.spoilt:  # so are the few before it
                self.lockin.reset()
                self.same_load.reset()
            return
        self.last_used = slot.number
        self.lockin.memory_frames = self.rig.lockin.memory_s * self.clock.frame_rate_hz
        self.lockin.add(seen.frame.counts, time_s, phi, slots)
        self.used += 1

    def _restart_lockin(self) -> None:
        self.lockin.reset()
        self.outlook.reset()
        self.same_load.reset()

    # 6 to 10
    def write_row(self, last: bool = False) -> None:
        """One fix, one row, to every sink; maps where they are due. The memory that took goes back."""
        self._write_row(last)
        give_back()  # not before the maps of the fix are let go

    def _write_row(self, last: bool) -> None:
        assert self.start_s is not None
        if self.frames.live:  # the count goes as far as samples have come, whether frames asked for them or not
            self.phase.feed(*self.load.read(until_s=self.now_s))
        self.events.update(self.phase.take_remarks(self.now_s))  # cycles that are in this row's count
        load = self.phase.state(max(self.lock_start_s, self.now_s - self.rig.lockin.memory_s), self.now_s)
        hz = load.frequency_hz if load is not None else None
        if (hz or len(self.phase.knots) > FEWEST_KNOTS) and self.totals.settle(hz, self.phase.first_count()):
            self.events.add("cycles_estimated")
        # where samples end, the count may turn out a little lower than the last row had it from the frequency
        self.cycles = max(self.cycles, int(self.phase.cycles_at(self.now_s)))
        fix = self._fix(load)
        row = fix.row
        row.time_utc = self.calendar.label(time.monotonic() - self.now_s if self.frames.live else 0.0)
        row.elapsed_s = self.totals.elapsed_s + self.now_s - self.start_s
        row.cycles = self.totals.cycles + self.cycles
        row.seq, row.lost, row.repeated = self.totals.seq, self.lost, self.repeated
        now = (self.calendar.was_set(), self.card.state == "waiting", self.outlook.wanders(self.rig.lockin.memory_s))
        self.events.update(word for word, so in zip(("clock_step", "card_full", "phase_wanders"), now, strict=True) if so)
        row.flags = tuple(dict.fromkeys([*fix.flags, *sorted(self.events - {"no_load"})]))  # of a row without load it is in the fix
        row.flags += tuple(self.growth.follow(row, self.lockin.effective_periods / self.clock.frame_rate_hz))
        if (request := self.stop_at.see(row)) is not None:
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
        self.totals.seq += 1
        self.used = self.lost = self.repeated = 0
        self.events.clear()

    def _fix(self, load: LoadState | None) -> Fix:
        """What the maps say now, and the load."""
        harmonics = self.lockin.solve() if load is not None and self.used else None  # without new frames nothing is new
        if harmonics is None or load is None:
            why = ["no_load"] if load is None else ["settling"] if self.used else []
            fix = Fix(flags=[*self.fixer.standing_flags(), *why, "no_tip"])
        else:
            shared_counts = self.outlook.shared(float(np.median(harmonics.noise)))
            told = load if self.tells_range else load.of_range(self.rig.load.nominal_range_kN)
            fix = self.fixer.fix(harmonics, told, self.clock.frame_rate_hz, shared_counts, self.growth.rate)
            fix.row.frames = round(harmonics.frames)
            if harmonics.periods < 0.9 * self.lockin.memory_frames:
                fix.flags.append("settling")
        if load is not None:
            self._load_columns(fix.row, load)
        fix.flags += ["load_from_edges"] * self.load.nominal
        if abs(self.clock.frame_rate_hz / self.rig.camera.frame_rate_hz - 1) > OTHER_RATE:
            fix.flags.append("other_rate")
        return fix

    @property
    def tells_range(self) -> bool:
        return not (isinstance(self.load, FramesLoad) or self.load.nominal)  # such a load tells when it turns, not how far it goes

    def _load_columns(self, row: Row, load: LoadState) -> None:
        row.load_frequency_hz = load.frequency_hz
        if not self.tells_range:
            row.load_range_kN = self.rig.load.nominal_range_kN
        else:
            row.load_range_kN, row.load_ratio = load.range_kN, load.ratio
            row.load_h2, row.load_h2_deg = abs(load.h2), float(np.angle(load.h2, deg=True))
