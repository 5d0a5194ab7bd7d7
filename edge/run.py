"""`bolotip run`: what stands around the loop. Sources, sinks, signals, the service manager, the status page."""

import contextlib
import logging
import math
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from calibration.door import counted
from calibration.profile import load_profile, warnings
from edge import plausible
from edge.loop import MOST_RECALLED, Loop
from edge.record import Row
from edge.rig import Rig, load_rig
from edge.service import ServiceManager, begin_log
from edge.sinks.base import Sink
from edge.sinks.card import CardSink
from edge.sinks.events import keep_rig_copy
from edge.sources.base import FrameSource, LoadSource
from edge.sources.opening import open_sources
from edge.spoken import Printer
from edge.status import StatusPage
from edge.status_picture import Part
from edge.terminal import Progress, Teller, one_line

log = logging.getLogger("bolotip")
ATTEND_EVERY_S = 0.1
ENDINGS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)  # the last: the terminal it was started from is gone


def run_sources(
    rig: Rig,
    frames: FrameSource,
    load: LoadSource,
    out: Path | None = None,
    tell: Callable[[Row], None] | None = None,
    status: Path | None = None,
) -> Loop:
    """Run the loop of `rig` on these sources to their end, rows into `out` (default: the rig file's folder), the status
    page into `status`."""
    from edge.sinks.wire import WireSink

    profile = load_profile(rig.camera.profile) if rig.camera.profile else None
    of_profile = warnings(profile, rig.camera.rows, rig.camera.columns, rig.camera.lens) if profile is not None else []
    wire = (WireSink(rig.records.serial_port, rig.records.serial_baud),) if rig.records.serial_port else ()
    with contextlib.ExitStack() as until_closed, frames, load, CardSink(out or rig.records.folder, rig.records.budget_MB) as card:
        for sink in wire:
            sink.open()
        if card.resume is not None and not frames.live:
            also = f"{card.path}: has {counted(card.resume.seq + 1, 'row')} already, and this recording's come after them"
            log.warning("%s; give a new --out for another test", also)
        if card.bad:
            log.warning("%s: %s damaged and left in place; the first: %s", card.path, counted(len(card.bad), "row"), card.bad[0])
        loop = Loop(rig, profile, frames, load, card, wire)
        around = Attendance(loop, tell, status, [f"{rig.camera.profile}: {doubt}" for doubt in of_profile])
        loop.tell, loop.attend = around.see, around.attend
        until_closed.enter_context(ended_by_signals(loop))  # a second one must not break into the writing of the last rows
        try:
            around.manager.ready()
            loop.run()
        finally:
            around.end()
            for sink in wire:
                sink.close()
    return loop


@contextlib.contextmanager
def ended_by_signals(loop: Loop) -> Iterator[None]:
    def end(*_: object) -> None:
        loop.stop = True

    # nohup has the hang-up ignored, and is to be obeyed
    before = {s: signal.signal(s, end) for s in ENDINGS if s != signal.SIGHUP or signal.getsignal(s) != signal.SIG_IGN}
    try:
        yield
    finally:
        for s, handler in before.items():  # of the command line's, which would break into its last words, SIGTERM has done its work
            spent = loop.stop and s == signal.SIGTERM and handler is signal.default_int_handler
            signal.signal(s, signal.SIG_IGN if spent else handler)


class Attendance:
    """Tells the service manager and the status page how the loop stands."""

    def __init__(self, loop: Loop, tell: Callable[[Row], None] | None, status: Path | None, to_say: list[str]):
        """to_say: once frames come; before that it would stand beside what keeps them from coming."""
        self.loop, self.tell, self.manager = loop, tell, ServiceManager()
        self.progress = Progress(loop.rig.camera.source)
        self.doubts = plausible.Doubts(loop.rig)
        self.last, self.attended_s, self.to_say = "", -math.inf, to_say
        self.copy_due = keep_rig_copy(loop.rig.path, loop.card.folder) is None
        self.page: StatusPage | None = None
        if status is not None:
            self.page = StatusPage(status, "/".join(loop.rig.path.resolve().parts[-2:]), loop.calendar.label)
            self.page.recall(loop.card.recalled(MOST_RECALLED))

    def see(self, row: Row) -> None:
        """A row was written."""
        self.last = one_line(row)
        if self.page is not None:
            self.page.see(row)
        self.progress.clear()
        if self.tell is not None:
            self.tell(row)
        for doubt in self.doubts.see(row):
            log.warning("%s", doubt)
        if self.loop.card.state != "ok":  # full or away: another one may come
            self.copy_due = True
        elif self.copy_due:
            self.copy_due = False
            keep_rig_copy(self.loop.rig.path, self.loop.card.folder)

    def attend(self, loop: Loop) -> None:
        """Several times a second, however often the loop turns."""
        now_s = time.monotonic()
        if now_s < self.attended_s + ATTEND_EVERY_S:
            return
        self.attended_s = now_s
        while self.to_say and loop.start_s is not None:
            log.warning("%s", self.to_say.pop(0))
        self.manager.alive(self.last)
        self.progress(loop.frames.share)
        if self.page is not None:
            self.page.refresh(parts_of(loop))

    def end(self) -> None:
        self.manager.stopping()
        self.progress.clear()
        for doubt in self.doubts.at_end():
            log.warning("%s", doubt)
        if self.page is not None:
            self.page.refresh(parts_of(self.loop), at_once=True)


def parts_of(loop: Loop) -> list[Part]:
    """Sources and sinks as they are now."""
    parts = []
    for name, source in (("camera", loop.frames), ("load", loop.load)):
        counts = {k: int(getattr(source, k)) for k in ("dropped", "losses") if hasattr(source, k)}
        parts.append(Part(name, source.state, source.fault, counts))
    for name, sink in zip(("card", "link"), loop.sinks):
        parts.append(Part(name, sink.state, fault_of(sink), {"waiting_rows": sink.waiting_rows, "dropped": sink.dropped}))
    return parts


def fault_of(sink: Sink) -> str | None:
    return None if sink.fault is None else sink.fault.strerror or str(sink.fault)


def run_rig(
    rig: Rig, out: Path | None = None, tell: Callable[[Row], None] | None = None, status: Path | None = None, wait: bool = False
) -> Loop:
    """Run the loop of `rig` on the sources it names; `wait`: for live ones that are not there yet."""
    return run_sources(rig, *open_sources(rig, wait), out, tell, status)


def run_command(rig_path: Path, out: Path | None, status: Path | None = None, wait: bool = False) -> int:
    """`bolotip run`."""
    begin_log()
    rig = load_rig(rig_path)
    for doubt in (*plausible.of_rig(rig), *plausible.check_recording(rig)):
        log.warning("%s", doubt)
    started, say, text = time.monotonic(), Printer(), Teller()
    rows = 0  # of this run: the folder may have others already

    def tell(row: Row) -> None:
        nonlocal rows
        rows += 1
        say(text(row))

    loop = run_rig(rig, out, tell, status, wait)
    say(f"{counted(rows, 'row')} in {time.monotonic() - started:.1f} s, in {out or rig.records.folder}")
    say.end()
    # a serial link; not of a run that was ended on purpose, whose rows are on the card
    never_there = not loop.stop and any(sink.waiting_rows and not sink.worked for sink in loop.sinks if sink is not loop.card)
    kept = loop.card.path.is_file() and not loop.card.waiting_rows + loop.card.dropped
    return 0 if kept and not never_there else 3  # or a card that was never there, or is gone for good
