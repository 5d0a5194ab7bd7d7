"""Overloads and underloads: those flagged in the rows, and those with their exact cycle in events.csv."""
from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.door import InputError, is_utf_16
from edge.record import SAVE_ANEW, Row

EVENT_KINDS = ("overload", "underload")
LATE_CYCLES = 40              # that an event may be told after it began: a block of the loop's judge of cycles


@dataclass(frozen=True)
class Event:
    """One overload or underload: between `after_cycles` (the last row before it) and `cycles`; its best estimate."""
    kind: str
    cycles: float
    after_cycles: float

    @property
    def best_cycles(self) -> float:
        return (self.cycles + self.after_cycles) / 2

    @property
    def sd_cycles(self) -> float:
        """Of a place anywhere between the two."""
        return (self.cycles - self.after_cycles) / np.sqrt(12)


def find_events(rows: Sequence[Row]) -> list[Event]:
    """Overloads and underloads flagged in the rows; rows flagged one after the other are one event."""
    events = []
    for kind in EVENT_KINDS:
        for before, row in zip([None, *rows[:-1]], rows):
            if kind in row.flags and not (before and kind in before.flags):
                cycles = float(row.cycles or 0)
                events.append(Event(kind, cycles, float(before.cycles or 0) if before else cycles))
    return sorted(events, key=lambda e: e.cycles)


def guesses(rows: Sequence[Row]) -> list[tuple[float, float]]:
    """Between which cycles the count was taken from time and frequency."""
    return [(float(before.cycles or 0), float(row.cycles or 0)) for before, row in zip(rows, rows[1:]) if "cycles_estimated" in row.flags]


def refined(events: Sequence[Event], exact: Sequence[Event]) -> list[Event]:
    """The flagged events, each with its exact cycle where one of its kind is known between the two rows, or just before
    them: an overload is told only when the load has been ordinary again for some cycles."""
    early = {e: e.after_cycles - LATE_CYCLES for e in events}
    return [next((x for x in exact if x.kind == e.kind and early[e] <= x.cycles <= e.cycles), e) for e in events]


def read_events(path: Path) -> list[Event]:
    """Events with their exact cycle, from an optional file with the columns `kind,cycles`; more columns are ignored."""
    if not path.is_file():
        raise InputError(f"{path}: is no file; move it away, or write a table kind,cycles")
    events = []
    text = path.read_text(encoding="utf-8-sig", errors="replace")
    if is_utf_16(text[:20]):
        raise InputError(f"{path}: row 1: is UTF-16 text; {SAVE_ANEW}")
    lines = csv.DictReader(text.splitlines())
    try:
        if not {"kind", "cycles"} <= set(lines.fieldnames or ()):
            raise InputError(f"{path}: row 1: has no columns kind and cycles; the first row should be kind,cycles")
        table = list(lines)
    except csv.Error as e:
        raise InputError(f"{path}: row {lines.line_num + 1}: {e}; write a table kind,cycles") from None
    if table and not text.endswith("\n") and None in table[-1].values():
        table.pop()  # torn by a power cut: its cycle may lack digits
    for number, line in enumerate(table, start=2):
        try:
            kind, cycles = line["kind"].strip(), float(line["cycles"])
        except (AttributeError, TypeError, ValueError):
            kind, cycles = "", 0.0
        if kind not in (*EVENT_KINDS, "load_step") or not 0 <= cycles < math.inf:
            raise InputError(f"{path}: row {number}: needs kind ({', '.join(EVENT_KINDS)}, load_step) and cycles, as "
                             "overload,120000")
        if kind in EVENT_KINDS:
            events.append(Event(kind, cycles, cycles))
    return events
