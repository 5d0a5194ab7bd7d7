"""`bolotip receive`: the desk end of the serial link. Checks each row, stores the valid ones, counts what is lost."""

import collections
import contextlib
import dataclasses
import math
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from calibration.door import GoneError, InputError, counted
from edge.port import open_port
from edge.record import (
    FILE_NAME,
    LONGEST_ROW_BYTES,
    STOP,
    BadRow,
    Row,
    decode_row,
    decode_stop,
    header_line,
    parse_header,
)
from edge.sinks.card import CardSink
from edge.spoken import FewLines, Printer

LOG_NAME = "receive.log"
REMEMBERED_ROWS = 2500  # for telling a row sent twice from a count begun anew; more than the sender's queue holds
NOTES, NOTES_SPAN_S = 60, 600.0  # as many messages in so long: noise on the line must not fill the disk; 1 MB a day
READ_TIMEOUT_S = 0.2
FIRST_WAIT_S, LONGEST_WAIT_S = 0.1, 5.0  # between attempts to reopen the port


@dataclasses.dataclass
class Counts:
    stored: int = 0
    lost: int = 0  # sequence numbers that never came whole
    corrupt: int = 0  # lines that fail their check
    duplicates: int = 0
    reopened: int = 0

    def __str__(self) -> str:
        return (
            f"{counted(self.stored, 'row')} stored, {self.lost} lost, "
            f"{counted(self.corrupt, 'corrupt line')}, "
            f"{self.duplicates} sent twice, port reopened {counted(self.reopened, 'time')}"
        )


class Notes:
    """Messages to stderr and receive.log, with the time, at most NOTES of them in NOTES_SPAN_S."""

    def __init__(self, path: Path):
        self.path, self.tell = path, Printer("stderr")
        self.say = FewLines(self._write, NOTES, NOTES_SPAN_S, "messages were held back")

    def _write(self, text: str) -> None:
        line = f"{time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime())} {text}"
        self.tell(line)
        with contextlib.suppress(OSError), self.path.open("a", encoding="utf-8", errors="replace") as f:  # a full disk is no reason to end
            f.write(line + "\n")


class Desk:
    """What arrives on the line, cut into rows, checked and stored in `folder`. Context manager."""

    def __init__(self, folder: Path):
        self.folder, self.counts, self.notes, self.tell = folder, Counts(), Notes(folder / LOG_NAME), Printer()
        self._card = CardSink(folder, header=self._stored_header())
        self._heard = self._card.header  # the latest header; a row that fits it confirms it
        self._known: collections.deque[tuple[int, str | None]] = collections.deque(maxlen=REMEMBERED_ROWS)
        self._last_seq: int | None = None
        self._line_number = 0
        self._unfinished = b""
        self._too_long = False
        self._stop_told = self.listened = False
        self._given_up = 0  # rows of earlier files that never got there

    def _stored_header(self) -> str:
        """The header of the rows stored so far: rows that arrive before the first header are taken to follow it."""
        with contextlib.suppress(OSError, BadRow, UnicodeDecodeError):
            with (self.folder / FILE_NAME).open("rb") as f:
                line = f.readline(LONGEST_ROW_BYTES).decode().removesuffix("\n")
            parse_header(line)
            return line
        return header_line()

    def __enter__(self) -> "Desk":
        self._card.open()
        for row in self._card.bad + self._card.set_aside:
            self.notes.say(f"{self._card.path}: {row}")
        if self._card.resume is not None:
            self._last_seq = self._card.resume.seq
            self._recall()
        return self

    def _recall(self) -> None:
        """The last rows of the file, of which not more than these are held in memory."""
        with contextlib.suppress(OSError), self._card.path.open("rb") as f:
            for raw in collections.deque(f, maxlen=REMEMBERED_ROWS):
                with contextlib.suppress(BadRow):
                    line = raw.decode("utf-8", "surrogateescape").rstrip("\r\n")
                    row = decode_row(line, parse_header(self._card.header))
                    self._known.append((row.seq, row.time_utc))

    def __exit__(self, *_: object) -> None:
        self.listened = True
        self._card.close()

    @property
    def unwritten(self) -> int:
        """Rows that came and are not on the card: it is full, read-only or away."""
        return self._given_up + self._card.waiting_rows + self._card.dropped

    def take(self, data: bytes) -> None:
        """Bytes from the line, cut anywhere."""
        *lines, rest = (self._unfinished + data).split(b"\n")
        for line in lines:
            self._line(line)
        if len(rest) > LONGEST_ROW_BYTES:
            if not self._too_long:
                self._corrupt(f"no line feed within {LONGEST_ROW_BYTES} bytes: noise, or another baud rate")
            self._too_long, rest = True, b""
        self._unfinished = rest
        self._card.pump()

    def break_off(self) -> None:
        """The port was lost: half a row will not be continued."""
        if self._unfinished:
            self._corrupt("broke off with the port")
        self._unfinished, self._too_long = b"", False

    def _line(self, raw: bytes) -> None:
        if self._too_long:  # the end of what was reported already
            self._too_long = False
            return
        raw = raw.removesuffix(b"\r")  # a terminal program or an adapter may add it
        if not raw:
            return
        self._line_number += 1
        line = raw.decode("utf-8", "surrogateescape")
        with contextlib.suppress(BadRow):
            parse_header(line)
            self._heard = line
            return
        if line.startswith(STOP):
            self._stop_request(line)
            return
        try:
            row = self._decode(line)
        except BadRow as e:
            first = line.split(",")[0]
            self._corrupt(e.reason + (f"; it says it is seq {first}" if first.isdecimal() and len(first) < 10 else ""))
        else:
            self._row(row, line)

    def _stop_request(self, line: str) -> None:
        """Told, and not stored: it is no row. Whoever acts on it is the reader of this output."""
        try:
            asked = decode_stop(line)
        except BadRow as e:
            self._corrupt(e.reason)
            return
        text = f"stop request: crack {asked.crack_mm:.3f} mm at cycle {asked.cycles} (seq {asked.seq})"
        if not self._stop_told:
            self.notes.say(f"{text}; it is no safety device")
            self._stop_told = True
        self.tell(text)

    def _decode(self, line: str) -> Row:
        """A row under the latest header, or the earlier one: noise in front of a header looks like more columns."""
        if self._heard != self._card.header:
            with contextlib.suppress(BadRow):
                row = decode_row(line, parse_header(self._heard))
                self._begin_file(self._heard)
                return row
        return decode_row(line, parse_header(self._card.header))

    def _corrupt(self, reason: str) -> None:
        self.counts.corrupt += 1
        if self._line_number == 1:
            reason += "; listening may have begun in its middle"
        after = "before the first row" if self._last_seq is None else f"after seq {self._last_seq}"
        self.notes.say(f"line {self._line_number} of the link, {after}: {reason}")

    def _begin_file(self, header: str) -> None:
        self.notes.say(f"line {self._line_number} of the link: the sender has other columns; a new file is begun")
        self._card.close()
        self._given_up = self.unwritten
        self._card = CardSink(self.folder, header=header)
        self._card.open()

    def _row(self, row: Row, line: str) -> None:
        key = (row.seq, row.time_utc)
        again = self._last_seq is not None and row.seq <= self._last_seq
        if key in self._known and (again or row.time_utc):  # without a time a number may come back in a new count
            self.counts.duplicates += 1
            return
        if again:
            self.notes.say(f"seq goes back from {self._last_seq} to {row.seq}: the sender has begun a new count")
        elif self._last_seq is not None and row.seq > self._last_seq + 1:
            self.counts.lost += row.seq - self._last_seq - 1
            self.notes.say(f"seq {self._last_seq + 1} to {row.seq - 1} did not come")
        self._last_seq = row.seq
        self._known.append(key)
        self._card.write_line(line)
        self.counts.stored += 1
        crack = "no tip" if row.crack_mm is None else f"crack {row.crack_mm:.3f} mm"
        self.tell(f"seq {row.seq}  {crack}  {' '.join(row.flags)}".rstrip())


class Ending:
    """Whether the loop is to end. No threading.Event: what sets it interrupts what may hold the lock of that."""

    asked = False

    def ask(self, *_: object) -> None:
        self.asked = True


@contextlib.contextmanager
def ended_by_signals() -> Iterator[Ending]:
    """SIGINT, SIGTERM and a hang-up ask for the end, so that the loop ends in order."""
    ending = Ending()
    in_main = threading.current_thread() is threading.main_thread()  # elsewhere Python takes no signal handlers
    numbers = [signal.SIGINT, signal.SIGTERM] if in_main else []
    if in_main and signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:  # nohup has it ignored, and is to be obeyed
        numbers.append(signal.SIGHUP)
    earlier = {number: signal.signal(number, ending.ask) for number in numbers}
    try:
        yield ending
    finally:
        for number, handler in earlier.items():
            signal.signal(number, handler)


class Link:
    """A serial port that may be unplugged and come back. Context manager."""

    def __init__(self, port: str, baud: int, gone_after_s: float):
        self.port, self.baud, self.gone_after_s = port, baud, gone_after_s
        self.away = False
        self.wait_s = FIRST_WAIT_S
        self._line: Any = None
        self._heard_s = time.monotonic()

    def __enter__(self) -> "Link":
        """InputError: the port cannot be opened."""
        try:
            self._line = open_port(self.port, self.baud, READ_TIMEOUT_S)
        except (OSError, ValueError) as e:
            why = str(e).removeprefix(f"[Errno {getattr(e, 'errno', None)}] ")
            remedy = "give the port of the link, as /dev/ttyUSB0, and its baud (group dialout, not in use)"
            raise InputError(f"{self.port}: {why}; {remedy}") from None
        return self

    def __exit__(self, *_: object) -> None:
        if self._line is not None:
            with contextlib.suppress(OSError):
                self._line.close()
        self._line = None

    def read(self) -> bytes:
        """What has arrived, after READ_TIMEOUT_S at the latest. OSError: lost; try again after `wait_s`.

        GoneError: lost for longer than `gone_after_s`.
        """
        try:
            if self._line is None:
                self._line = open_port(self.port, self.baud, READ_TIMEOUT_S)
            data: bytes = self._line.read(self._line.in_waiting or 1)
        except OSError as e:
            self.__exit__()
            if time.monotonic() - self._heard_s > self.gone_after_s:
                raise GoneError(f"{self.port}: gone for {self.gone_after_s:g} s ({e.strerror or e})") from None
            self.wait_s = min(2 * self.wait_s, LONGEST_WAIT_S)
            raise
        self._heard_s, self.wait_s = time.monotonic(), FIRST_WAIT_S
        return data


def main(port: str, dir: Path, baud: int = 115200, seconds: float | None = None, gone_after_s: float = 60.0) -> int:
    """Listen until SIGINT, SIGTERM, SIGHUP or `seconds` have passed, print a summary, return 0; 3: rows are not on the card.

    InputError: no such port at the start, or a folder that cannot be written. GoneError: the port went away and did not
    come back within `gone_after_s`.
    """
    with Link(port, baud, gone_after_s) as link, ended_by_signals() as ending:
        desk = Desk(Path(dir))
        try:
            with desk:
                desk.tell(f"listening on {port}")
                listen(link, desk, ending, seconds)
        finally:
            if desk.listened:
                desk.counts.stored -= desk.unwritten
                desk.tell(f"{desk.counts}, {desk.unwritten} not written" if desk.unwritten else desk.counts)
                desk.tell.end()
    return 3 if desk.unwritten else 0


def listen(link: Link, desk: Desk, ending: Ending, seconds: float | None) -> None:
    end_s = time.monotonic() + (math.inf if seconds is None else seconds)
    while not ending.asked and time.monotonic() < end_s:
        try:
            data = link.read()
        except OSError as e:
            if not link.away:
                desk.notes.say(f"{link.port} went away ({e}); trying again for {link.gone_after_s:g} s")
                desk.break_off()
            link.away = True
            again_s = min(end_s, time.monotonic() + link.wait_s)
            while not ending.asked and (left_s := again_s - time.monotonic()) > 0:
                time.sleep(min(left_s, READ_TIMEOUT_S))
        else:
            if link.away:
                desk.notes.say(f"{link.port} is back")
                desk.counts.reopened += 1
            link.away = False
            desk.take(data)
