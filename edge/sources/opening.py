"""From the rig file to its two sources: which camera, which load signal."""

import contextlib
from collections.abc import Iterator

from calibration.door import InputError
from edge.rig import Rig
from edge.sources.base import FrameSource, LoadSource
from edge.sources.frames_load import FramesLoad

LIVE = ("uvc", "serial")


def open_sources(rig: Rig, wait: bool = False) -> tuple[FrameSource, LoadSource]:
    """The sources the rig file names. InputError: they do not go together, or one cannot be opened.

    `wait`: a live source that cannot be opened or used yet is a state, as it is later, and no error.
    """
    if rig.camera.source == "simulated":
        from edge.sources.simulated import bench_from_rig

        bench = bench_from_rig(rig)
        return bench.frames, FramesLoad() if rig.load.source == "frames" else bench.load
    if rig.camera.source not in LIVE:
        return recorded(rig)
    if rig.load.source not in ("serial", "frames"):
        raise InputError(
            f'{rig.path} [load] source: is "{rig.load.source}", may be "serial" or "frames" with a live camera, as both '
            f"must run on one clock"
        )
    frames = live_frames(rig, wait)
    try:
        return frames, live_load(rig, wait)
    except InputError:
        frames.close()
        raise


def recorded(rig: Rig) -> tuple[FrameSource, LoadSource]:
    from edge.sources.recording import RecordedFrames, RecordedLoad

    c, p = rig.camera, rig.load
    if p.source not in ("recording", "frames") or c.path is None:
        raise InputError(
            f'{rig.path} [load] source: is "{p.source}", may be "recording" or "frames" where the camera is a recording'
        )
    frames = RecordedFrames(c.path, c.times, c.rows, c.columns, c.frame_rate_hz, c.crop_px)
    if p.source == "frames" or p.path is None:
        return frames, FramesLoad()
    return frames, RecordedLoad(p.path, p.scale_kN_per_unit, p.offset_kN)


def live_frames(rig: Rig, wait: bool = False) -> FrameSource:
    with _named(rig):
        if rig.camera.source == "uvc":
            from edge.sources.uvc import UvcFrames

            return UvcFrames(rig.camera, wait=wait)
        from edge.sources.serial_frames import SerialFrames

        return SerialFrames(rig.camera, wait=wait)


def live_load(rig: Rig, wait: bool = False) -> LoadSource:
    if rig.load.source == "frames":
        return FramesLoad()
    with _named(rig):
        from edge.sources.serial_load import SerialLoad

        return SerialLoad(rig.load, wait=wait)


@contextlib.contextmanager
def _named(rig: Rig) -> Iterator[None]:
    """The rig file's name before what a source says of its keys."""
    try:
        yield
    except InputError as e:
        raise InputError(f"{rig.path} {e}") from None
