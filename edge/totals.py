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
        self.away_s, self.away_hz = 0.0, None  # type: float, float | None
        self.counted_s, self.made_s = 0.0, time.monotonic()  # time away that was counted, up to then
        if last is not None and live:
            self._was_away(rows, time.time() if utc_s is None else utc_s)

    def _was_away(self, rows: Sequence[Row], now_utc_s: float) -> None:
        last = rows[-1]
        away_s = now_utc_s - utc_of(last)
        if not 0 <= away_s <= OUTAGE_S:
            told = "in the future" if away_s < 0 else f"{away_s / 86400:.0f} days old"
            log.warning("the last record is %s by the calendar: the time since then is not counted", told)
            return
        self.elapsed_s += away_s
        self.counted_s = away_s
        if "ended" in last.flags and away_s > STOP_S:
            return
        seen = next((r for r in reversed(rows) if r.load_frequency_hz is not None), None)  # then the wire was lost
        since = itertools.takewhile(lambda r: r is not seen, reversed(rows))
        stood = any("paused" in r.flags for r in since) or all("paused" in r.flags for r in rows[-2:])
        if seen is not None and not stood and 0 <= now_utc_s - utc_of(seen) <= OUTAGE_S:
            self.away_s, self.away_hz = now_utc_s - utc_of(seen), seen.load_frequency_hz

    def begin(self, time_s: float) -> None:
        """The first frame is of `time_s`, monotonic: what it came before these totals were made is counted by the run."""
        twice_s = min(max(0.0, self.made_s - time_s), self.counted_s)
        self.elapsed_s -= twice_s
        self.away_s = max(0.0, self.away_s - twice_s)

    def settle(self, frequency_hz: float | None) -> bool:
        """The load as it is seen first (None: it stands still). True: cycles were added for the time away."""
        away_s, hz, self.away_hz = self.away_s, self.away_hz, None
        if hz is None or frequency_hz is None or abs(frequency_hz / hz - 1) > SAME_FREQUENCY:
            return False
        missed = round((hz + frequency_hz) / 2 * away_s)
        self.cycles += missed
        return missed > 0


def utc_of(row: Row) -> float:
    """time_utc in seconds since 1970; -inf where it cannot be read."""
    try:
        return datetime.strptime(row.time_utc or "", FORM).replace(tzinfo=UTC).timestamp()
    except ValueError:
        return float("-inf")
