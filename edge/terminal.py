"""What is said while a command runs: one compact line a fix on a terminal, plain lines in a log, share done and time left."""

import math
import shutil
import sys
import time
from typing import TextIO

from edge.record import Row
from edge.spoken import has_room

HEADING = f"{'row':>4}{'time s':>9}{'cycles':>10}  {'crack mm':>8} {'':7} {'dK MPa√m':>8} {'':7}{'contact':>8}  {'mm/cycle':>9}  flags"
EVERY_S = 0.25  # between two states of a progress line on a terminal
LOG_EVERY_S = 60.0  # between two lines of it in a log
SOON_S = 1.0  # work that is done by then says nothing of time left


def one_line(row: Row) -> str:
    """For a log: number, running time, cycles, then what was measured; "-" for what could not be determined; flags last."""
    return (
        f"{row.seq:5d} {row.elapsed_s or 0:9.1f} s {row.cycles or 0:9d} cycles  a "
        f"{_text(row.crack_mm, '.3f')} ± {_text(row.crack_sd_mm, '.3f')} mm  dK {_text(row.dKI_MPa_sqrt_m, '.2f')} ± "
        f"{_text(row.dKI_sd, '.2f')} MPa√m  contact {_text(row.contact_length_mm, '.2f')} mm  da/dN "
        f"{_text(row.rate_mm_per_cycle, '.1e')}  {' '.join(row.flags)}"
    )


def compact(row: Row, width: int) -> str:
    """For a terminal of `width` columns, under `HEADING`; flags as far as they go."""
    line = (
        f"{row.seq:4d}{row.elapsed_s or 0:9.0f}{row.cycles or 0:10d}  "
        f"{_text(row.crack_mm, '8.3f'):>8} ±{_text(row.crack_sd_mm, '.3f'):<6} "
        f"{_text(row.dKI_MPa_sqrt_m, '8.2f'):>8} ±{_text(row.dKI_sd, '.2f'):<6}"
        f"{_text(row.contact_length_mm, '8.2f'):>8}  {_text(row.rate_mm_per_cycle, '8.1e'):>9}  {' '.join(row.flags)}"
    ).rstrip()
    return line if len(line) <= width else line[: width - 1] + "…"


def _text(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)


def time_left(seconds: float) -> str:
    """In words, no finer than it is known."""
    if seconds < 90:
        return f"{max(1, round(seconds))} s left"
    return f"{round(seconds / 60)} min left" if seconds < 5400 else f"{seconds / 3600:.1f} h left"


class Progress:
    """Share of a piece of work that is done, and the time left: a line that is written over on a terminal, a plain line a
    minute in a log; nothing of work that is over at once."""

    def __init__(self, what: str, stream: TextIO | None = None):
        self.what, self.stream = what, stream or sys.stderr
        self.on_terminal = self.stream.isatty()
        self.started_s = time.monotonic()
        self.next_s = self.started_s + (SOON_S if self.on_terminal else LOG_EVERY_S)
        self.standing = False  # a line that is to be written over

    def __call__(self, share: float | None) -> None:
        """`share` from 0 to 1 is done; None: there is no end in sight."""
        now_s = time.monotonic()
        if share is None or now_s < self.next_s or not 0 < share < 1:
            return
        left = time_left((now_s - self.started_s) * (1 - share) / share)
        text = f"{self.what}: {share:.0%}, about {left}"
        self.next_s = now_s + (EVERY_S if self.on_terminal else LOG_EVERY_S)
        self.standing = self.on_terminal
        self._write(f"\r\x1b[K{text}" if self.on_terminal else f"{text}\n")

    def clear(self) -> None:
        """Take the line away, for another one or at the end."""
        if self.standing:
            self.standing = False
            self._write("\r\x1b[K")

    def _write(self, text: str) -> None:
        try:
            if has_room(self.stream):
                self.stream.write(text)
                self.stream.flush()
        except OSError:  # a terminal that has gone is no reason to stop working
            self.next_s = math.inf


class Teller:
    """Rows as text for standard output: compact under a heading on a terminal, in full in a log."""

    def __init__(self) -> None:
        self.on_terminal, self.begun = sys.stdout.isatty(), False

    def __call__(self, row: Row) -> str:
        if not self.on_terminal:
            return one_line(row)
        line = compact(row, shutil.get_terminal_size().columns)
        if not self.begun:
            line = f"{HEADING}\n{line}"
            self.begun = True
        return line
