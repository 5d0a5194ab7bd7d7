"""Rows and maps to a folder, as a rule on an SD card that is slow, gets full and loses power."""

import contextlib
import dataclasses
import errno
import io
import logging
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.door import InputError
from calibration.files import still_there, sync_folder
from edge.record import (
    COLUMNS,
    FILE_NAME,
    BadRow,
    Row,
    check_line,
    decode_row,
    header_line,
    read_records,
    understand_header,
)
from edge.sinks.base import Sink

if TYPE_CHECKING:
    import numpy as np

log = logging.getLogger(__name__)
TORN_NAME = "records.torn"
ROOM_FOR_RECORDS_BYTES = 5_000_000  # maps leave a day's records of room on the card
NEVER = (PermissionError, IsADirectoryError, NotADirectoryError, FileExistsError, BlockingIOError)


@dataclasses.dataclass
class Survey:
    """What stands in a records file: its header row, the last valid row, where that ends, bad rows before and after."""

    header: str = ""
    last: str | None = None
    good_bytes: int = 0  # up to the end of the last valid row
    bad: list[BadRow] = dataclasses.field(default_factory=list)
    tail: list[BadRow] = dataclasses.field(default_factory=list)  # after the last valid row
    size_bytes: int = 0


def columns_of(header: str) -> tuple[str, ...] | None:
    """The column names of a header row; None where it is missing, or damaged beyond telling."""
    with contextlib.suppress(BadRow):
        return understand_header(header)[0]
    return None


def survey(path: Path) -> Survey:
    """Read through a records file, however long, and check each row's checksum. A missing file is an empty one."""
    found = Survey()
    with contextlib.suppress(FileNotFoundError), path.open("rb") as f:
        for number, raw in enumerate(f, start=1):
            found.size_bytes += len(raw)
            line = raw.decode("utf-8", "surrogateescape").removesuffix("\n").removesuffix("\r")
            try:
                if not raw.endswith(b"\n"):
                    raise BadRow("the row was torn: it does not end with a line feed")
                if number == 1:
                    found.header = line
                    commas = {line.count(",")} | (set() if columns_of(line) else {len(COLUMNS) - 1})
                    with contextlib.suppress(BadRow):
                        found.last = line if check_line(line) else None  # a row: the header above it is gone
                elif line != found.header:
                    check_line(line)
                    if line.count(",") not in commas:
                        raise BadRow("has not as many cells as the header")
                    found.last = line
            except BadRow as e:
                found.tail.append(BadRow(e.reason, number))
            else:
                found.good_bytes = found.size_bytes
                found.bad += found.tail
                found.tail = []
    return found


class CardSink(Sink):
    """Rows to `folder`/records.csv, each appended and synced before `write_row` returns; maps beside it.

    An existing file is taken up again: `resume` is its last valid row, `bad` lists damaged rows, which stay where they
    are; what stands after the last valid row is moved to records.torn. A file with another header row, or a damaged one
    or none, is kept under a numbered name, and its count resumed. While the card is full, read-only or away, rows wait
    in memory.
    """

    refused = NEVER

    def __init__(
        self,
        folder: Path | str,
        budget_MB: float | None = None,
        queue_rows: int = 2000,
        longest_wait_s: float = 30.0,
        header: str | None = None,
    ):
        super().__init__(f"card {folder}", queue_rows, longest_wait_s)
        self.folder, self.budget_MB, self.header = Path(folder), budget_MB, header or header_line()
        self.path = self.folder / FILE_NAME
        self.resume: Row | None = None
        self.bad: list[BadRow] = []
        self.set_aside: list[BadRow] = []  # torn rows, moved to records.torn
        self._fd = -1
        self._below: set[int] = set()  # the file systems that it is mounted in
        self._device: int | None = None  # the file system that the folder was on at first
        self._end = 0  # size of the file after the last synced row; 0: not known, or no header yet
        self._maps_fault = ""

    def open(self) -> None:
        """InputError: the folder cannot be one for records, or another process is writing records there."""
        for place in (self.folder, *self.folder.parents):
            if place.is_file():
                raise InputError(f"{self.path}: cannot be written ({place} is a file); give a folder that you may write to")
        with contextlib.suppress(OSError):
            self._take_over(survey(self.path))  # reading works even where the card is full or read-only
            for leftover in self.folder.glob("maps-*.part"):
                leftover.unlink()
        self.pump()
        if isinstance(self.fault, BlockingIOError):
            raise InputError(f"{self.path}: another process is writing records there; end it or give another folder")
        if isinstance(self.fault, NEVER):
            raise InputError(
                f"{self.path}: cannot be written ({self.fault.strerror}); give a folder that you may write to"
            )

    def _take_over(self, found: Survey) -> None:
        """Learn the last valid row, whatever header it stands under."""
        self.bad = found.bad
        if found.header == self.header and not found.tail:
            self._end = found.good_bytes
        if found.last is not None:
            names = columns_of(found.header)
            try:
                self.resume = decode_row(found.last, names or COLUMNS)
            except BadRow as e:
                if names is None:
                    raise InputError(
                        f"{self.path}: row 1 is no header row and the last row not of this version's columns ({e.reason}); "
                        "put back the header row, or give another folder"
                    ) from None
                log.warning("%s: cannot be resumed: last row: %s", self.path, e.reason)

    def recalled(self, most: int) -> list[Row]:
        """Rows of the run that is resumed, as `read_records` thins them; the last one at least, however damaged the card is."""
        if self.resume is None:
            return []
        with contextlib.suppress(OSError, InputError):
            if rows := read_records(self.path, most).rows:
                return rows
        return [self.resume]

    def _connect(self) -> None:
        self.see_that_it_is_mounted()
        self.folder.mkdir(parents=True, exist_ok=True)
        self._fd = self._open_locked()
        if os.fstat(self._fd).st_size == self._end > 0:
            return  # as it was left
        found = survey(self.path)
        if found.header and found.header != self.header:
            self._keep_under_number()
            found = Survey()
        self._set_tail_aside(found)
        if not found.header:
            self._append((self.header + "\n").encode("utf-8", "surrogateescape"))
            sync_folder(self.folder)
            sync_folder(self.folder.parent)
        if self._queue and found.last == self._queue[0]:
            self._queue.popleft()  # it had reached the card although the sync failed

    def see_that_it_is_mounted(self) -> None:
        """A card that is gone leaves an empty folder on the system's own disk: the rows are not for that one."""
        place = next(p for p in (self.folder, *self.folder.absolute().parents) if p.exists())
        device = place.stat().st_dev
        if device in self._below:
            raise OSError(errno.ENODEV, "the card is not mounted any more")
        if device != self._device:  # the system's disk, or the file system in memory that cards are mounted in
            self._below = {p.stat().st_dev for p in place.resolve().parents} - {device}
        self._device = device

    def _open_locked(self) -> int:
        """Open for appending; BlockingIOError if another process has it open for that."""
        import fcntl

        fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(fd)
            raise
        return fd

    def _keep_under_number(self) -> None:
        number = 1
        while (kept := self.folder / f"records-{number}.csv").exists():
            number += 1
        os.rename(self.path, kept)
        log.warning("%s: has another header row; kept as %s, a new file is begun", self.path, kept.name)
        self._disconnect()
        self._fd = self._open_locked()

    def _set_tail_aside(self, found: Survey) -> None:
        """Move what follows the last valid row to records.torn, so that nothing is ever appended to half a row."""
        self._end = found.good_bytes
        if found.size_bytes == found.good_bytes:
            return
        tail = os.pread(self._fd, found.size_bytes - found.good_bytes, found.good_bytes)
        with (self.folder / TORN_NAME).open("ab") as torn:
            torn.write(tail if tail.endswith(b"\n") else tail + b"\n")
            torn.flush()
            os.fsync(torn.fileno())
        os.ftruncate(self._fd, found.good_bytes)
        os.fsync(self._fd)
        self.set_aside += found.tail
        for row in found.tail:
            log.warning("%s: %s; moved to %s", self.path, row, TORN_NAME)

    def _append(self, data: bytes) -> None:
        """All of `data` on the card, or the file as it was and OSError."""
        still_there(self.path, self._fd)
        if os.fstat(self._fd).st_size != self._end:  # a row must not stand behind half of one
            raise OSError(errno.ESTALE, f"somebody else has changed {self.path.name}")
        try:
            if os.write(self._fd, data) != len(data):  # a full card takes part of a row
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(self._fd)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._fd, self._end)
            raise
        self._end += len(data)

    def _send(self, line: str) -> bool:
        self._append((line + "\n").encode("utf-8", "surrogateescape"))
        return True

    def _disconnect(self) -> None:
        """Close the file, so that the card can be unmounted and changed."""
        if self._fd >= 0:
            with contextlib.suppress(OSError):
                os.close(self._fd)
        self._fd = -1

    def write_maps(self, seq: int, /, **arrays: Any) -> bool:
        """maps-<seq>.npz with `arrays` (None: nan), whole or not at all. False and one log line: it could not be."""
        fault = self._write_maps(seq, arrays)
        if fault and fault != self._maps_fault:
            log.warning("%s: maps of row %d not kept: %s", self.name, seq, fault)
        self._maps_fault = fault
        return not fault

    def _write_maps(self, seq: int, arrays: "dict[str, np.ndarray | float | None]") -> str:
        import numpy as np

        if not self._connected:
            return "the card is full, read-only or away"
        part, whole = self.folder / f"maps-{seq:06d}.part", self.folder / f"maps-{seq:06d}.npz"
        memory = io.BytesIO()  # np.savez straight to a full card raises errors without a reason
        try:
            np.savez(memory, **{name: np.nan if a is None else a for name, a in arrays.items()})  # type: ignore[arg-type]
            if shutil.disk_usage(self.folder).free < memory.tell() + ROOM_FOR_RECORDS_BYTES:
                return "the card is nearly full; the rest is for records"
            with part.open("wb") as f:
                f.write(memory.getbuffer())
                f.flush()
                os.fsync(f.fileno())
            os.replace(part, whole)
            sync_folder(self.folder)
            if self.budget_MB is not None:
                thin_maps(self.folder, self.budget_MB * 1e6)
        except (OSError, ValueError) as e:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
            return str(e)
        return ""


def thin_maps(folder: Path, budget_bytes: float) -> None:
    """Delete every second map of the older half until the folder's records and maps fit; first and last always stay."""
    maps = sorted(folder.glob("maps-*.npz"), key=lambda p: (len(p.name), p.name))
    sizes = {p: p.stat().st_size for p in maps}
    room = budget_bytes - sum(p.stat().st_size for p in folder.glob("records*"))
    while sum(sizes.values()) > room and len(maps) > 2:
        for old in maps[1 : max(2, len(maps) // 2) : 2]:
            old.unlink()
            maps.remove(old)
            del sizes[old]
