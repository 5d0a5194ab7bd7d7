"""What else goes into the output folder: the events of the load, and a copy of the rig file."""

import contextlib
import errno
import logging
import os
from collections.abc import Callable
from pathlib import Path

from calibration.files import still_there, sync_folder
from edge.sinks.base import Sink

log = logging.getLogger(__name__)
EVENTS_NAME = "events.csv"
LONGEST_LINE = 4096  # bytes, and more than any
EVENTS_HEADER = "kind,cycles,elapsed_s,peak_kN,valley_kN"
RIG_NAME = "rig.toml"


class EventFile(Sink):
    """Lines to `folder`/events.csv, which begins with the first one; each appended and synced, as records are.

    A line torn by a power cut is taken off. While the card is full, read-only or away, lines wait in memory.
    """

    def __init__(self, folder: Path, mounted: Callable[[], None] = lambda: None):
        """mounted: OSError where the card of `folder` is away."""
        super().__init__(f"events {folder}", queue_rows=1000)
        self.path = Path(folder) / EVENTS_NAME
        self.mounted, self._fd = mounted, -1

    def open(self) -> None:
        """Nothing to do before the first line."""

    def write_event(self, kind: str, cycles: int, elapsed_s: float, peak_kN: float, valley_kN: float) -> None:
        self.write_line(f"{kind},{cycles},{elapsed_s:.2f},{peak_kN:.5g},{valley_kN:.5g}")

    def _connect(self) -> None:
        self.mounted()
        self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        size = os.fstat(self._fd).st_size
        end = os.pread(self._fd, LONGEST_LINE, max(0, size - LONGEST_LINE))
        torn = len(end) - (end.rfind(b"\n") + 1)
        if torn:
            log.warning("%s: last line was torn and is taken off: %r", self.path, end[-torn:][:60])
            os.ftruncate(self._fd, size - torn)
        if size == torn:
            self._append(EVENTS_HEADER)
            sync_folder(self.path.parent)

    def _append(self, line: str) -> None:
        """The whole line, or the file as it was and OSError."""
        still_there(self.path, self._fd)
        data, before = f"{line}\n".encode(), os.fstat(self._fd).st_size
        try:
            if os.write(self._fd, data) != len(data):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(self._fd)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._fd, before)
            raise

    def pump(self) -> None:
        """Events are rare: between them the file is closed, so that a card can be unmounted."""
        super().pump()
        if self._connected and not self._queue:
            self._disconnect()
            self._connected = False

    def _send(self, line: str) -> bool:
        self._append(line)
        return True

    def _disconnect(self) -> None:
        if self._fd >= 0:
            with contextlib.suppress(OSError):
                os.close(self._fd)
        self._fd = -1

    def close(self) -> None:
        if self._queue or self._connected:
            super().close()


def keep_rig_copy(rig_path: Path, folder: Path) -> Path | None:
    """A copy of the rig file as rig.toml in `folder`, so that growth and report know the specimen; its path.

    What stands there already stays: beside a different rig.toml the copy is rig-2.toml and so on. None, and one line
    in the log: it could not be written, which is no reason not to measure.
    """
    part = folder / f"{RIG_NAME}.part"
    try:
        text = rig_path.read_bytes()
        number, place = 1, folder / RIG_NAME
        while place.exists():
            if place.read_bytes() == text:
                return place
            number += 1
            place = folder / f"rig-{number}.toml"
        with part.open("wb") as f:
            f.write(text)
            f.flush()
            os.fsync(f.fileno())
        os.replace(part, place)
        sync_folder(folder)
    except OSError as e:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        log.warning("%s: no copy of the rig file kept: %s", folder, e.strerror or e)
        return None
    if number > 1:
        log.warning("%s: is another rig file and stays; this run's is %s", folder / RIG_NAME, place.name)
    return place
