"""What a service manager wants to hear, and how a log should look to it. Both do nothing where there is none.

Notifications are datagrams to the socket named in NOTIFY_SOCKET (sd_notify(3)); the watchdog's period is WATCHDOG_USEC
(sd_watchdog_enabled(3)), the journal's file is told by JOURNAL_STREAM and lines begin with their level as <4>
(systemd.exec(5), sd-daemon(3)): all from memory of these manual pages.
"""

import logging
import os
import socket
import stat
import sys
import time

from edge.spoken import Printer

LEVELS = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}
STATUS_EVERY_S = 10.0


class ServiceManager:
    """`ready` once the sources are open, `alive` again and again from the loop itself, `stopping` at the end."""

    def __init__(self) -> None:
        self.address = os.environ.get("NOTIFY_SOCKET", "")
        self.every_s = self._period_s() / 3
        self._alive_s = self._told_s = -float("inf")
        self._text = ""

    def _period_s(self) -> float:
        """Of the watchdog; inf where there is none, or it is another process's."""
        if os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
            return float("inf")
        text = os.environ.get("WATCHDOG_USEC", "")
        return int(text) * 1e-6 if text.isdecimal() and int(text) > 0 else float("inf")

    def ready(self) -> None:
        self._send("READY=1")

    def alive(self, text: str = "") -> None:
        """Called often; sends no more than needed. text: one line for `systemctl status`."""
        now_s = time.monotonic()
        if self.every_s < float("inf") and now_s - self._alive_s >= self.every_s:
            self._alive_s = now_s
            self._send("WATCHDOG=1")
        if text != self._text and now_s - self._told_s >= STATUS_EVERY_S:
            self._text, self._told_s = text, now_s
            self._send(f"STATUS={text}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def _send(self, message: str) -> None:
        if not self.address:
            return
        address = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as s:
                s.sendto(message.encode(), address)
        except OSError:  # a manager that does not listen is no reason not to measure
            pass


class _Handler(logging.Handler):
    """To stderr, whose reader may pause or be gone."""

    def __init__(self) -> None:
        super().__init__()
        self.tell = Printer("stderr")

    def emit(self, record: logging.LogRecord) -> None:
        self.tell(self.format(record))


class _ForJournal(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        return f"<{LEVELS.get(record.levelno, 5)}>{super().format(record)}"


def begin_log() -> None:
    logging.basicConfig(level=logging.WARNING, handlers=[log_handler()])


def log_handler() -> logging.Handler:
    """Log lines to stderr: with their level for the journal, which knows the time; with the time into a file;
    without either on a terminal."""
    handler = _Handler()
    if _stderr_is_journal():
        handler.setFormatter(_ForJournal("%(message)s"))
    elif sys.stderr.isatty():
        handler.setFormatter(logging.Formatter("bolotip: %(message)s"))
    else:
        form = logging.Formatter("%(asctime)s %(message)s", "%Y-%m-%dT%H:%M:%SZ")
        form.converter = time.gmtime
        handler.setFormatter(form)
    return handler


def _stderr_is_journal() -> bool:
    try:
        status = os.fstat(sys.stderr.fileno())
        return stat.S_ISSOCK(status.st_mode) and os.environ.get("JOURNAL_STREAM") == f"{status.st_dev}:{status.st_ino}"
    except (OSError, ValueError):
        return False
