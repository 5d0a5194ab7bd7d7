"""status.json and status.png: how the test stands, for looking from afar. Refreshed whole or not at all.

They are no records: best kept in memory (a tmpfs such as /run/bolotip), so that the card is spared. A folder that is
full or gone is no reason not to measure: one log line, and the next attempt at the next refresh.
"""

import contextlib
import dataclasses
import json
import logging
import math
import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from edge.flags import FLAGS
from edge.record import Row
from edge.status_picture import Part, draw

log = logging.getLogger("bolotip")
JSON_NAME, PICTURE_NAME = "status.json", "status.png"
EVERY_S = 10.0  # without news
SOONEST_S = 2.0  # with news
KEPT = 1000  # fixes of the picture


class StatusPage:
    """`see` each row, `refresh` often with the present state of the parts. `utc` gives the time as text."""

    def __init__(self, folder: Path, title: str, utc: Callable[[], str]):
        self.folder, self.title, self.utc = folder, title, utc
        self.row: Row | None = None
        self.history: list[tuple[float, float, float]] = []  # cycles, crack_mm, crack_sd_mm
        self._written_s = -float("inf")
        self._news = True
        self._parts: list[Part] = []
        self._fault = ""

    def recall(self, rows: Sequence[Row]) -> None:
        """Rows of the run before a restart."""
        for row in rows:
            self._remember(row)
        self.row = rows[-1] if rows else None

    def _remember(self, row: Row) -> None:
        if row.crack_mm is None or row.cycles is None:
            return
        self.history.append((row.cycles, row.crack_mm, row.crack_sd_mm or 0.0))
        if len(self.history) > KEPT:  # of the older half every second one goes
            self.history[: KEPT // 2] = self.history[: KEPT // 2 : 2]

    def see(self, row: Row) -> None:
        self._remember(row)
        self.row, self._news = row, True

    def refresh(self, parts: Sequence[Part], at_once: bool = False) -> None:
        """Write both files if there is something new, or some time has passed. Never raises for the folder's sake."""
        parts = list(parts)
        self._news |= [p.state for p in parts] != [p.state for p in self._parts]
        self._parts = parts
        now_s = time.monotonic()
        if not at_once and now_s - self._written_s < (SOONEST_S if self._news else EVERY_S):
            return
        self._written_s, self._news = now_s, False
        written = self.utc()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._write(JSON_NAME, json.dumps(self.document(written), indent=1).encode())
            self._write(PICTURE_NAME, draw(self.title, written, self.row, self.history, parts))
        except OSError as e:
            self._say(e.strerror or str(e))
            return
        self._say("")

    def document(self, written: str) -> dict[str, Any]:
        """What status.json holds. last: the columns of the last row that were determined."""
        last = {}
        if self.row is not None:
            columns = {k: v for k, v in dataclasses.asdict(self.row).items() if v is not None and k not in ("flags", "extra")}
            last = {k: v for k, v in columns.items() if isinstance(v, str) or math.isfinite(v)}
        flags = self.row.flags if self.row is not None else ()
        return {
            "title": self.title,
            "written_utc": written,
            "last": last,
            "flags": {word: FLAGS.get(word, "") for word in flags},
            "parts": [dataclasses.asdict(p) for p in self._parts],
        }

    def _write(self, name: str, data: bytes) -> None:
        """Under another name first, so that a reader never sees half a file. Not synced: it is no record."""
        new = self.folder / f".{name}.new"
        try:
            new.write_bytes(data)
            os.replace(new, self.folder / name)
        except OSError:
            with contextlib.suppress(OSError):
                new.unlink(missing_ok=True)
            raise

    def _say(self, fault: str) -> None:
        if fault and not self._fault:
            log.warning("status %s: %s; goes on without", self.folder, fault)
        elif self._fault and not fault:
            log.warning("status %s: works again", self.folder)
        self._fault = fault
