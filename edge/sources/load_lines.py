"""Lines of a load board: their form, their check, and what a line is not.

    value            one sample, in the board's unit           12.25
    time,value       the same with the board's time in s       103.0251,12.25
    edge             the load passes its mean, rising          edge
    time,edge        the same with the board's time            103.0251,edge
    # anything       ignored;  #? tells that the board sends back lines that begin with ?
    ?token           a line of ours sent back

A line may end in *hh, the exclusive or of the bytes before the star in hexadecimal (as in NMEA 0183). All lines of a
connection have one form, with or without check. The first line may be half a line and is left out.
"""

import re
from dataclasses import dataclass, field

LONGEST_LINE = 64  # bytes; more without a line feed is noise or another baud rate
OTHER_FORM = 20  # lines in a row of another form are believed; fewer are damage
OTHER_EDGES = 3  # the same of edges, each of which is a cycle: fewer than edge_wave.MOST_MISSED are put in again
NUMBER = rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
LINE = re.compile(rb"(?:(" + NUMBER + rb"),)?(?:(" + NUMBER + rb")|([eE]dge))(?:\*([0-9A-Fa-f]{2}))?")
LARGEST = 1e12  # of a value or time; more is damage


@dataclass
class Piece:
    """Lines that arrived together. Samples: slot (place in the count of lines), far_s (board's time), value; far_s is
    empty where the lines have no time, value where they are edges."""

    timed: bool = False
    edges: bool = False
    slot: list[int] = field(default_factory=list)
    far_s: list[float] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    answers: list[bytes] = field(default_factory=list)


class LoadLines:
    """Bytes in, cut anywhere; pieces out. Holds LONGEST_LINE bytes at most.

    good, bad: lines read and lines that could not be. offers_answers: the board sends back what begins with a question
    mark. mean_bytes: of a good line with its line end.
    """

    def __init__(self) -> None:
        self.good = self.bad = 0
        self.mean_bytes = 0.0
        self.reset()

    def reset(self) -> None:
        """The port was opened anew."""
        self.offers_answers = False
        self._slot = 0
        self._rest = b""
        self._passing_over = True  # the first line
        self._form: tuple[bool, ...] | None = None  # timed, edge, checked
        self._others = 0
        self._other: tuple[bool, ...] | None = None

    def feed(self, data: bytes) -> Piece:
        *lines, rest = (self._rest + data).split(b"\n")
        piece = Piece()
        for line in lines:
            if self._passing_over:
                self._passing_over = False
            elif len(line) <= LONGEST_LINE:
                self._line(line.strip(), piece)
            else:
                self.bad += 1
        if len(rest) > LONGEST_LINE:  # its end, too, is no line
            self.bad += 1
            self._passing_over, rest = True, b""
        self._rest = rest
        return piece

    def _line(self, line: bytes, piece: Piece) -> None:
        if not line:
            return
        if line[:1] == b"#":
            self.offers_answers |= line[:2] == b"#?"
            return
        if line[:1] == b"?":
            piece.answers.append(line)
            return
        self._slot += 1  # a damaged line was a sample too: those after it keep their places
        found = LINE.fullmatch(line)
        if found is None or not self._takes(found):
            self.bad += 1
            return
        time, value, edge, _ = found.groups()
        far_s, number = float(time or 0), float(value or 0)
        if abs(far_s) > LARGEST or abs(number) > LARGEST:
            self.bad += 1
            return
        if piece.slot and (piece.timed, piece.edges) != (
            time is not None,
            edge is not None,
        ):  # the form has just changed
            piece.slot.clear()
            piece.far_s.clear()
            piece.value.clear()
        piece.timed, piece.edges = time is not None, edge is not None
        piece.slot.append(self._slot)
        if time is not None:
            piece.far_s.append(far_s)
        if edge is None:
            piece.value.append(number)
        self.good += 1
        self.mean_bytes += (len(line) + 2 - self.mean_bytes) / min(self.good, 1000)

    def _takes(self, found: re.Match[bytes]) -> bool:
        """Is the checksum right, and the form that of the lines before?"""
        check = found[4]
        if check is not None:
            total = 0
            for byte in found.string[: found.start(4) - 1]:
                total ^= byte
            if total != int(check, 16):
                return False
        form = (
            found[1] is not None,
            found[3] is not None,
            check is not None,
        )  # a damaged star is no line without check
        if self._form is None:
            self._form = form
        if form == self._form:
            self._others = 0
            return True
        self._others = self._others + 1 if form == self._other else 1
        self._other = form
        if self._others < (OTHER_EDGES if form[1] and self._form[1] else OTHER_FORM):
            return False
        self._form, self._others = form, 0
        return True
