"""What a command says while it runs: to whoever reads, however slowly, and never so much that a log fills the disk."""

import collections
import errno
import logging
import os
import select
import sys
import time
from collections.abc import Callable
from typing import TextIO

log = logging.getLogger("bolotip")
MOST_LINES = 1000  # that wait for a reader who pauses
LINES, LINES_SPAN_S = 20, 600.0  # as many log lines of one device in so long: below 1 MB a day
REMEDIES = {errno.ENAMETOOLONG: "give a shorter one", errno.ENOSPC: "make room, or write elsewhere"}
REMEDIES |= dict.fromkeys((errno.EACCES, errno.EPERM), "check its owner and rights")
LAST_WORDS_S = 1.0  # how long the end of a command waits for one


def open_streams() -> None:
    """For a process that was started without them."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w"))  # noqa: SIM115 (for as long as the process lives)


def has_room(stream: TextIO) -> bool:
    """Whether a line can be written at once: a reader that pauses (less, Ctrl-S) must not hold up the work."""
    try:
        return bool(select.select([], [stream], [], 0)[1])
    except (OSError, ValueError, TypeError):  # no file of the system's
        return True


def with_remedy(e: OSError) -> str | None:
    """One line of a fault that a user can mend; None of any other."""
    if e.errno not in REMEDIES:
        return None
    if e.errno == errno.ENOSPC:  # what is still in the buffer has no room either
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return f"{e.filename or 'standard output'}: {e.strerror}; {REMEDIES[e.errno]}"


class Printer:
    """Lines to standard output or standard error, as long as somebody reads or it has room: neither is a reason to stop working.
    Lines for a reader who pauses wait, of more than MOST_LINES the oldest are dropped."""

    def __init__(self, stream: str = "stdout"):
        self.stream, self.reader = stream, True
        self.waiting: collections.deque[object] = collections.deque(maxlen=MOST_LINES)

    def __call__(self, line: object) -> None:
        self.waiting.append(line)
        self.go_on()

    def go_on(self) -> None:
        """As many of the lines that wait as have room."""
        try:
            while self.reader and self.waiting and has_room(to := getattr(sys, self.stream)):
                print(self.waiting.popleft(), file=to, flush=True)
        except OSError as e:
            self.reader = self.stream == "stderr" and e.errno == errno.ENOSPC  # a log on a full disk: there may be room again
            if self.stream == "stdout":
                log.warning("nobody reads the output any more (%s); records go on", e.strerror)
                sys.stdout = open("/dev/null", "w")  # noqa: SIM115 (what is still in the old one's buffer is not wanted)

    def end(self) -> None:
        """Give a slow reader a moment for the rest."""
        until_s = time.monotonic() + LAST_WORDS_S
        while self.reader and self.waiting and time.monotonic() < until_s:
            self.go_on()
            time.sleep(0.02)


class FewLines:
    """Lines to `write`, at most `most` of them in `span_s`, the others as a number: a loose plug comes and goes every second."""

    def __init__(self, write: Callable[[str], None], most: int, span_s: float, others: str):
        self.write, self.most, self.span_s, self.others = write, most, span_s, others
        self._span, self._said, self._held_back = -1.0, 0, 0

    def __call__(self, text: str) -> None:
        span = time.monotonic() // self.span_s
        if span != self._span:
            if self._held_back:
                self.write(f"{self._held_back} more {self.others}")
            self._span, self._said, self._held_back = span, 0, 0
        if self._said < self.most:
            self.write(text)
        else:
            self._held_back += 1
        self._said += 1
