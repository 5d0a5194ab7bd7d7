"""What goes on over restarts: sequence number, running time, cycle count; and the calendar, which may be set meanwhile."""

import itertools
import logging
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from edge.record import Row

log = logging.getLogger("bolotip")
FORM = "%Y-%m-%dT%H:%M:%SZ"
SET_S = 2.0  # the calendar against the monotonic clock from one row to the next: more is no drift
SET_SHARE = 1e-3  # and this share of the time between (the kernel slews by 5e-4 at most; Linux, from memory)
OUTAGE_S = 14 * 86400.0  # after a power cut or crash: the load is taken to have run on for no longer than this
STOP_S = 600.0  # after a run that was ended on purpose: the same
SAME_FREQUENCY = 0.05  # relative
CUT = 0.5  # of a second, of a cycle: time_utc and the count are cut to whole ones, which takes half a one off as a rule


class Calendar:
    """time_utc, a label only. All intervals come from the monotonic clock."""

    def __init__(self, utc_s: Callable[[], float] = time.time):
        self.utc_s = utc_s
        self._last_s, self._ahead_s = self._read()

    def _read(self) -> tuple[float, float]:
        now_s = time.monotonic()
        return now_s, self.utc_s() - now_s

    def label(self, ago_s: float = 0.0) -> str:
        """The moment `ago_s` before now."""
        return datetime.fromtimestamp(self.utc_s() - ago_s, UTC).strftime(FORM)

    def was_set(self) -> bool:
        """Whether it was set since the last call."""
        before_s, ahead_s = self._last_s, self._ahead_s
        self._last_s, self._ahead_s = self._read()
        return abs(self._ahead_s - ahead_s) > SET_S + SET_SHARE * (self._last_s - before_s)


class Totals:
    """Where a run goes on: `seq` of its first row, `cycles` and `elapsed_s` before it.

    A live load may have run on while nobody looked. The running time then goes on by the calendar; cycles are added,
    and called estimated, once the load is seen to run as it did before (`settle`). What stood still, or runs at another
    frequency, had stopped at a time nobody knows: nothing is added.
    """

    def __init__(self, rows: Sequence[Row] = (), live: bool = False, utc_s: float | None = None):
        last = rows[-1] if rows else None
        self.seq = last.seq + 1 if last else 0
        self.cycles = (last.cycles or 0) if last else 0
        self.elapsed_s = (last.elapsed_s or 0.0) if last else 0.0
        # up to made_s, since the load was last counted; its frequency then; what was counted in between
        self.away_s, self.away_hz, self.since = 0.0, None, 0  # type: float, float | None, int
        self.counted_s: float | None = None  # time away that is in elapsed_s, up to made_s
        self.made_s = time.monotonic()
        if last is not None and live:
            self._was_away(rows, time.time() if utc_s is None else utc_s)

    def _was_away(self, rows: Sequence[Row], now_utc_s: float) -> None:
        last = rows[-1]
        away_s = now_utc_s - utc_of(last) - CUT
        if not -CUT <= away_s <= OUTAGE_S:
            told = "in the future" if away_s < 0 else f"{away_s / 86400:.0f} days old"
            log.warning("the last record is %s by the calendar: the time since then is not counted", told)
            return
        self.counted_s = max(0.0, away_s)
        self.elapsed_s += self.counted_s
        if "ended" in last.flags and away_s > STOP_S:
            return
        # then the wire was lost; for a memory longer rows tell the frequency, but their count is held
        seen = next((r for r in reversed(rows) if r.load_frequency_hz is not None and "waiting_load" not in r.flags), None)
        if seen is None:
            return
        since = list(itertools.takewhile(lambda r: r is not seen, reversed(rows)))[::-1]
        stood = any("paused" in r.flags for r in since) or all("paused" in r.flags for r in rows[-2:])
        ended = any("ended" in a.flags and _elapsed_s(a, b) > STOP_S for a, b in zip([seen, *since], since))  # and begun again in vain
        away_s = self.counted_s + _elapsed_s(seen, last)  # not by the calendar, which may have been set in between
        if not stood and not ended and away_s <= OUTAGE_S:
            self.away_s, self.away_hz, self.since = away_s, seen.load_frequency_hz, (last.cycles or 0) - (seen.cycles or 0)

    def begin(self, time_s: float) -> None:
        """The first frame is of `time_s`, monotonic: the running time goes on by the calendar up to there, and no further."""
        if self.counted_s is not None:
            self.elapsed_s += max(time_s - self.made_s, -self.counted_s)

    def settle(self, frequency_hz: float | None, counted: tuple[float, float] | None = None) -> bool:
        """The load as it is seen first (None: it stands still), and a time (s, monotonic) with the cycles that this run has
        counted up to it: what the time since the last count lacks of its cycles is added, whenever the first sample came.
        True: cycles were added."""
        away_s, hz, self.away_hz = self.away_s, self.away_hz, None
        if hz is None or frequency_hz is None or abs(frequency_hz / hz - 1) > SAME_FREQUENCY:
            return False
        until_s, cycles = counted or (self.made_s, CUT)
        away_s += until_s - self.made_s
        missed = max(0, round((hz + frequency_hz) / 2 * away_s + CUT - self.since - cycles))
        self.cycles += missed
        return missed > 0


def _elapsed_s(before: Row, after: Row) -> float:
    """Running time from one row to another."""
    return (after.elapsed_s or 0.0) - (before.elapsed_s or 0.0)


def utc_of(row: Row) -> float:
    """time_utc in seconds since 1970; -inf where it cannot be read."""
    try:
        return datetime.strptime(row.time_utc or "", FORM).replace(tzinfo=UTC).timestamp()
    except ValueError:
        return float("-inf")
