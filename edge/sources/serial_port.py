"""A serial port that is read in pieces, each with its time of arrival."""

import contextlib
import os
import select
import time
from typing import Any

from calibration.door import InputError
from edge.port import open_port

REST_S = 0.002  # between reads: bounds the pieces a second; the last byte of some pieces is then still quite fresh
POLL_S = 0.1  # the longest wait for the first byte


class SerialPort:
    """`open`, `read`, `write`, `close`; the port is this process's alone. `where` names it in messages."""

    def __init__(self, port: str, baud: int, where: str):
        self.port, self.baud, self.where = port, baud, where
        self._serial: Any = None

    def open(self) -> None:
        """OSError: not there now, or in use. InputError: a baud rate the port cannot do."""
        try:
            self._serial = open_port(self.port, self.baud)
        except ValueError as e:
            raise InputError(f"{self.where}: baud {self.baud} cannot be set ({e}); usual is 115200") from None

    def read(self) -> tuple[float, bytes]:
        """Arrival on the monotonic clock (s) and what has come; b"" after POLL_S. OSError: the port is lost."""
        handle = self._serial.fileno()
        if not select.select([handle], [], [], POLL_S)[0]:
            return time.monotonic(), b""
        try:
            data = os.read(handle, 65536)
        except BlockingIOError:
            return time.monotonic(), b""
        arrival_s = time.monotonic()
        if not data:
            raise OSError("hung up")
        time.sleep(REST_S)
        return arrival_s, data

    def write(self, data: bytes) -> float | None:
        """Send a short line without waiting; its time of departure, or None where the port does not take it whole."""
        try:
            departure_s = time.monotonic()
            return departure_s if os.write(self._serial.fileno(), data) == len(data) else None
        except (OSError, AttributeError):  # lost or closed meanwhile: the reading side finds out by itself
            return None

    def close(self) -> None:
        port, self._serial = self._serial, None
        if port is not None:
            with contextlib.suppress(OSError):
                port.close()
