"""`bolotip run`: what stands around the loop. Sources, sinks, signals, the service manager, the status page."""

import logging
import signal
import time
from collections.abc import Callable
from pathlib import Path

from calibration.profile import load_profile, warnings
from edge.loop import Loop
from edge.record import Row
from edge.rig import Rig, load_rig
from edge.sinks.card import CardSink
from edge.sinks.events import keep_rig_copy
from edge.sources.base import FrameSource, LoadSource
from edge.sources.opening import open_sources
from edge.terminal import one_line

log = logging.getLogger("bolotip")


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
    print(f"{loop.totals.seq} rows in {time.monotonic() - started:.1f} s, in {out or rig.records.folder}")
    return 0
