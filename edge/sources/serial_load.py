"""Load samples, or one edge a cycle, from a small board on a serial port (lines: edge.sources.load_lines).

Time of a sample = the board's time, or the sample's place in the steady row of samples, put on the monotonic clock by
the lower envelope of the arrivals (edge.sources.far_clock), less the latency of the wire. Latency: where the board
sends back our lines that begin with "?", half of the shortest round trip of a line as long as a sample's; else the time
the line's bits take at the baud rate, which leaves out what the adapters add.
"""

import contextlib
import time
from collections import deque
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from edge.rig import Load
from edge.sources.base import LoadSource
from edge.sources.capture import Capture, Device
from edge.sources.edge_wave import EdgeWave
from edge.sources.far_clock import FarClock
from edge.sources.load_lines import LoadLines, Piece
from edge.sources.serial_port import SerialPort

ROOM_BYTES = 4_000_000  # of waiting bytes, each piece counted with PIECE_BYTES more
PIECE_BYTES = 200
MOST_HELD = 20000  # samples that wait for the clock
JUDGE_EVERY_S = 5.0
ASK_EVERY_S = 0.9
PAUSE_PERIODS = 2.5  # of the load, between edges: less is no silence
ROUND_TRIPS, FEWEST_ROUND_TRIPS = 100, 3
BITS_A_BYTE = 10  # start bit, eight bits, stop bit
ADAPTER_S = 0.016  # what a USB adapter may hold bytes back for, where it is not measured (common practice, no source)
EARLY_S = 0.02  # a line that seems to arrive before it was sent by more than this has a damaged time
LARGEST_STEP_S = 0.5  # the same before the clock is known
BELIEVED, BELIEVED_S = 3, 0.5  # impossible times in a row, and for how long: the board has begun anew
RESET_S, RESET_PERIODS = 10.0, 4  # without edges, at most, where they were lost with the clock: more is a load that stood still
LATEST = 64  # lines; with most of these impossible, what the others say is no load (columns that have changed places)
NOTHING = (np.empty(0), np.empty(0))


class Bytes(NamedTuple):
    """What arrived at once, and over which connection."""

    connection: int
    losses: int  # of the port until then; a port that was only silent is none
    arrival_s: float
    data: bytes


class LoadBoard(Device[Bytes]):
    """The port as the capture thread sees it."""

    def __init__(self, load: Load):
        assert load.port is not None
        self.name = f"[load] port {load.port}"
        self.remedy = "give the port of the load board, for example /dev/ttyUSB0 (group dialout, not in use)"
        self.port = SerialPort(load.port, load.baud, self.name)
        self._connection = self._losses = 0
        self.pause_s = PAUSE_PERIODS / load.frequency_hz  # until its lines tell that they are no edges

    def connect(self) -> None:
        with self._counted_losses():
            self.port.open()
        self._connection += 1

    def read(self) -> list[Bytes]:
        with self._counted_losses():
            arrival_s, data = self.port.read()
        return [Bytes(self._connection, self._losses, arrival_s, data)] if data else []

    @contextlib.contextmanager
    def _counted_losses(self) -> Iterator[None]:
        try:
            yield
        except OSError:
            self._losses += 1
            raise

    def disconnect(self) -> None:
        self.port.close()


class SerialLoad(LoadSource):
    """Live load. InputError: no such port. All that happens to it later is a state.

    state: "ok" or "waiting", `fault` says why. nominal: the samples are a sine through edges, so range and ratio are
    not measured. lines.good, lines.bad: lines read, lines that could not be. impossible: lines whose time could not
    be. edges.bounces, edges.missed: edges left out and put in. dropped: pieces the loop was too slow for.
    """

    live = True

    def __init__(self, load: Load, wait: bool = False):
        self.load, self.lines, self.edges, self.nominal = load, LoadLines(), EdgeWave(load.frequency_hz), False
        self.impossible = 0
        self._board = LoadBoard(load)
        self._timed, self._counted = FarClock(), FarClock(step_s=None)
        self._round_trips_s: deque[float] = deque(maxlen=ROUND_TRIPS)
        self._held: deque[tuple[float, float]] = deque(maxlen=MOST_HELD)  # (time or place at the far end, value)
        self._own_fault: str | None = None
        self._connection = self._port_losses = 0
        self._good_s = self._judged_s = time.monotonic()
        self._judged = (0, 0)  # good and bad lines at that time
        self._begin_anew()
        self._capture: Capture[Bytes] = Capture(self._board, lambda b: len(b.data) + PIECE_BYTES, ROOM_BYTES)
        self._capture.start(first_wait_s=0.0, absent_is_a_state=wait)

    def _begin_anew(self) -> None:
        """After each connection."""
        self.lines.reset()
        self._timed.forget()
        self._counted.forget()
        self._round_trips_s.clear()
        self._held.clear()
        self._held_timed = False
        self._restarts, self._given_s = self._timed.restarts, -np.inf
        self._last_far_s: float | None = None
        self._last_arrival_s = self._possible_s = 0.0
        self._impossible_in_a_row = self._questions = 0
        self._impossible_share = 0.0  # of the latest lines
        self._asked: tuple[bytes, float] | None = None
        self._ask_at_s = 0.0

    @property
    def fault(self) -> str | None:
        return self._capture.fault or self._own_fault

    @property
    def dropped(self) -> int:
        return self._capture.dropped

    @property
    def losses(self) -> int:
        return self._capture.losses

    @property
    def latency_measured(self) -> bool:
        return len(self._round_trips_s) >= FEWEST_ROUND_TRIPS

    @property
    def latency_s(self) -> float:
        """Of the wire at its shortest: from the stamp (or the sample) to the arrival of its line."""
        if self.latency_measured:
            return min(self._round_trips_s) / 2
        return BITS_A_BYTE * self.lines.mean_bytes / self.load.baud

    @property
    def latency_sd_s(self) -> float:
        """There and back may differ: uniform over the whole round trip, or over what adapters may add."""
        return (min(self._round_trips_s) if self.latency_measured else ADAPTER_S) / float(np.sqrt(12))

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        """All that arrived so far, whatever `until_s`: time_s on the monotonic clock, load_kN."""
        parts = [NOTHING]
        for piece in self._capture.get_all():
            if piece.connection != self._connection:
                self._connection = piece.connection
                self._begin_anew()
                if piece.losses != self._port_losses:  # else the port was silent and is as it was: with edges a load that stood still
                    self._port_losses = piece.losses
                    self.edges.forget()
            parts.append(self._take(self.lines.feed(piece.data), piece.arrival_s))
        time_s, load_kN = (np.concatenate(columns) for columns in zip(*parts))
        if self.lines.good and not self.nominal:
            self._board.pause_s = 0.0
        now_s = time.monotonic()
        if time_s.size:
            self._good_s = now_s
        self._ask(now_s)
        self._judge(now_s)
        return time_s, load_kN

    def close(self) -> None:
        self._capture.close()

    def _take(self, piece: Piece, arrival_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Samples of one piece, with those held until now, if the clock is known."""
        if self._asked is not None and self._asked[0] in piece.answers:
            self._round_trips_s.append(arrival_s - self._asked[1])
            self._asked = None
        if not piece.slot:
            return NOTHING
        self.nominal = piece.edges
        value = piece.value or [0.0] * len(piece.slot)
        if piece.edges and not piece.timed:  # too seldom and too unsteady for a clock: the arrivals themselves
            return self._samples(np.full(len(value), arrival_s), np.array(value))
        if piece.timed != self._held_timed:
            self._held.clear()
            self._held_timed = piece.timed
        clock = self._timed if piece.timed else self._counted
        fars = piece.far_s if piece.timed else piece.slot
        pairs = [(far, v) for far, v in zip(fars, value) if not piece.timed or self._possible(far, arrival_s)]
        if pairs:
            clock.add(pairs[-1][0], arrival_s)
            self._held.extend(pairs)
        weight = min(1.0, len(fars) / LATEST)
        self._impossible_share += weight * (1 - len(pairs) / len(fars) - self._impossible_share)
        if self._impossible_share > 0.5:
            self._held.clear()
        if not clock.trusted or not self._held:
            return NOTHING
        if self._restarts != self._timed.restarts:
            self._restarts = self._timed.restarts
            if arrival_s - self._given_s < RESET_S + RESET_PERIODS / self.load.frequency_hz:
                self.edges.forget()  # some were lost meanwhile: no sign of a load that stood still
        self._given_s = arrival_s
        far, v = np.array(self._held, float).T
        self._held.clear()
        return self._samples(clock.at(far), v)

    def _samples(self, time_s: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        time_s = time_s - self.latency_s
        if not self.nominal:
            return time_s, self.load.scale_kN_per_unit * value + self.load.offset_kN
        time_s, sine = self.edges.add(time_s)
        return time_s, self.load.offset_kN + (self.load.nominal_range_kN or 1.0) / 2 * sine

    def _possible(self, far_s: float, arrival_s: float) -> bool:
        """Can this be the board's time? It rises, and does not run ahead of the arrivals."""
        clock, last_s = self._timed, self._last_far_s
        if last_s is None:
            possible = True
        elif clock.trusted:
            possible = far_s > last_s and clock.at(far_s) < arrival_s + EARLY_S
        else:
            possible = 0 < far_s - last_s < arrival_s - self._last_arrival_s + LARGEST_STEP_S
        if not possible:
            self.impossible += 1
            self._impossible_in_a_row += 1
            if self._impossible_in_a_row < BELIEVED or arrival_s - self._possible_s < BELIEVED_S:
                return False
            clock.restart(arrival_s)  # the board has begun anew
            self._held.clear()
        self._last_far_s, self._last_arrival_s, self._possible_s = far_s, arrival_s, arrival_s
        self._impossible_in_a_row = 0
        return True

    def _ask(self, now_s: float) -> None:
        """Send a line as long as a sample's to a board that has offered to send it back."""
        if not self.lines.offers_answers or now_s < self._ask_at_s:
            return
        self._questions += 1
        self._ask_at_s = now_s + ASK_EVERY_S * (1 + 0.2 * (0.618 * self._questions % 1))  # beats with nothing
        line = (b"?%d" % self._questions).ljust(round(self.lines.mean_bytes) - 2, b".")
        sent_s = self._board.port.write(line + b"\r\n")
        self._asked = (line, sent_s) if sent_s is not None else None

    def _judge(self, now_s: float) -> None:
        """Every few seconds: is what comes a load signal? One log line when that changes."""
        if self._capture.fault is not None:  # that is told already, and where it ends, too
            self._good_s = now_s
        if now_s - self._judged_s < JUDGE_EVERY_S:
            return
        good, bad = self.lines.good - self._judged[0], self.lines.bad - self._judged[1]
        self._judged, self._judged_s = (self.lines.good, self.lines.bad), now_s
        before, self._own_fault = self._own_fault, None
        if bad > max(2, good):
            self._own_fault = f"{bad} of {good + bad} lines cannot be read; is this the load board, and its baud rate?"
        elif self._timed.wrong_unit(now_s):
            self._own_fault = "the time in its lines does not run in seconds; correct the board, or leave the time out"
        elif now_s - self._good_s > max(JUDGE_EVERY_S, self._board.pause_s):
            self._own_fault = "no samples"
        if self._capture.fault is None and (before is None) != (self._own_fault is None):
            self._capture.say(self._own_fault or "works again")
