"""What every sink has in common: rows wait in a bounded queue, and a lost medium is a state, not an exception."""

import collections
import logging
import time
from abc import ABC, abstractmethod
from typing import Self

from edge.record import Row, encode_row
from edge.spoken import LINES, LINES_SPAN_S, FewLines

log = logging.getLogger(__name__)
FIRST_WAIT_S = 0.5  # before the medium is tried again; doubles up to the longest wait


class Sink(ABC):
    """Somewhere rows go, in order, each once. Context manager.

    `open` and `write_row` never raise for a fault of the medium: the rows wait (`waiting_rows`), of more than
    `queue_rows` the oldest are dropped and counted (`dropped`), `state` is "waiting" and the medium is tried again with
    growing pauses, at the next row or `pump`. InputError from `open`: what the user named can never work.
    """

    refused: tuple[type[OSError], ...] = ()  # faults that `open` tells in its own words

    def __init__(self, name: str, queue_rows: int = 2000, longest_wait_s: float = 30.0):
        self.name, self.queue_rows, self.longest_wait_s = name, queue_rows, longest_wait_s
        self.dropped = 0
        self.say = FewLines(lambda text: log.warning("%s: %s", name, text), LINES, LINES_SPAN_S, "lines of the same kind")
        self.fault: OSError | None = None
        self._queue: collections.deque[str] = collections.deque()
        self._connected = False
        self.worked = False  # the medium was there at some time
        self._first_wait_s = self._wait_s = min(FIRST_WAIT_S, longest_wait_s)
        self._retry_at_s = 0.0

    @property
    def state(self) -> str:
        """ "ok": all rows are where they belong; "waiting": the medium is away, or rows are still on their way."""
        return "ok" if self._connected and not self._queue else "waiting"

    @property
    def waiting_rows(self) -> int:
        return len(self._queue)

    @abstractmethod
    def open(self) -> None: ...

    @abstractmethod
    def _connect(self) -> None:
        """Make the medium ready. OSError: not now."""

    @abstractmethod
    def _disconnect(self) -> None:
        """Let go of the medium, whatever its condition; never raises."""

    @abstractmethod
    def _send(self, line: str) -> bool:
        """Hand over one row. False: not finished, call again with the same row. OSError: the medium is lost."""

    def write_row(self, row: Row) -> None:
        self.write_line(encode_row(row))

    def write_line(self, line: str) -> None:
        """A row as text with its checksum, without line feed."""
        if len(self._queue) >= self.queue_rows:
            del self._queue[1]  # not the first, which may be half sent
            self.dropped += 1
        self._queue.append(line)
        self.pump()

    def pump(self) -> None:
        """Hand over what waits, as far as that goes without delay."""
        if not self._connected and time.monotonic() < self._retry_at_s:
            return
        try:
            if not self._connected:
                self._connect()
                self._connected = self.worked = True
            while self._queue and self._send(self._queue[0]):
                self._queue.popleft()
        except OSError as fault:
            self._let_go(fault)
            return
        self._wait_s = self._first_wait_s
        if self.fault is not None:
            self.say("works again")
            self.fault = None

    def _let_go(self, fault: OSError) -> None:
        if self.fault is None and (self.worked or not isinstance(fault, self.refused)):  # one line a loss, none a vain attempt
            self.say(f"{fault.strerror or fault}; rows wait in memory")
        self.fault = fault
        self._disconnect()
        self._connected = False
        self._retry_at_s = time.monotonic() + self._wait_s
        self._wait_s = min(2 * self._wait_s, self.longest_wait_s)

    def close(self) -> None:
        """One last attempt, then let go; rows that could not be handed over are counted in the log."""
        self._retry_at_s = 0.0
        self.pump()
        if self._queue or self.dropped:
            lost = len(self._queue) + self.dropped
            log.warning("%s: %d row%s not written", self.name, lost, "s" * (lost != 1))
        self._disconnect()
        self._connected = False

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
