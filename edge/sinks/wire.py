"""Rows to a serial line, for a desk that listens with `bolotip receive`."""

import contextlib
import errno
import os
import time
from typing import Any

from calibration.door import InputError
from edge.port import open_port
from edge.record import header_line
from edge.sinks.base import Sink

HEADER_EVERY_ROWS = 50  # a listener who comes late learns the columns after this many rows
LAST_WORDS_S = 1.0  # how long `close` waits for a slow line


class BadRate(OSError):
    """A baud rate that the port cannot do."""


class WireSink(Sink):
    """Rows to the serial port `port`, the header row at each connection and again after every 50 rows.

    Nothing here waits for the line: what the port's buffer does not take stays in the queue. When the port is lost, the
    row on its way is sent again whole; rows already in the port's buffer may be gone, and the far end sees the gap.
    """

    refused = (BadRate,)

    def __init__(self, port: str, baud: int = 115200, queue_rows: int = 2000, longest_wait_s: float = 30.0):
        super().__init__(f"serial link {port}", queue_rows, longest_wait_s)
        self.port, self.baud = port, baud
        self._serial: Any = None
        self._unsent = b""  # bytes of the header or row on its way
        self._on_its_way: str | None = None
        self._rows_since_header = 0

    def open(self) -> None:
        """InputError: a port that can never work. A port that is missing now is a state: it may be plugged in later."""
        self.pump()
        if isinstance(self.fault, BadRate):
            raise InputError(f"{self.port}: baud {self.baud} cannot be set ({self.fault.strerror}); usual is 115200")

    def _connect(self) -> None:
        try:
            self._serial = open_port(self.port, self.baud)
        except ValueError as e:
            raise BadRate(errno.EINVAL, str(e)) from None
        self._unsent = b"\n"  # ends whatever half row an earlier connection left on the line
        self._on_its_way = None
        self._rows_since_header = HEADER_EVERY_ROWS
        self._add_header()
        self._flush()

    def _add_header(self) -> None:
        if self._rows_since_header >= HEADER_EVERY_ROWS:
            self._unsent += header_line().encode() + b"\n"
            self._rows_since_header = 0

    def _disconnect(self) -> None:
        if self._serial is not None:
            with contextlib.suppress(OSError):
                self._serial.close()
        self._serial = None

    def _send(self, line: str) -> bool:
        if self._on_its_way is not line:
            self._unsent += line.encode("utf-8", "surrogateescape") + b"\n"
            self._rows_since_header += 1
            self._add_header()  # after the row: a fix goes out at once
            self._on_its_way = line
        return self._flush()

    def _flush(self) -> bool:
        """Give the port what it takes at once; True when nothing is left.

        os.write, because pyserial's own write does not say how much it wrote before a time-out.
        """
        while self._unsent:
            try:
                written = os.write(self._serial.fileno(), self._unsent)  # pyserial opens the port non-blocking
            except BlockingIOError:
                return False
            self._unsent = self._unsent[written:]
        return True

    def close(self) -> None:
        deadline_s = time.monotonic() + LAST_WORDS_S
        while self._connected and self._queue and time.monotonic() < deadline_s:
            self.pump()
            time.sleep(0.01)
        super().close()
