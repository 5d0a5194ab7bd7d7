"""The record: one row for each fix, in `records.csv` and on the serial link.

    seq,time_utc,elapsed_s, ... ,flags,crc32                   header row
    17,2031-05-06T07:08:09Z,170.00, ... ,settling,5f3a90c1     one row a fix

UTF-8 text, each row ends with a single line feed, cells are separated by commas and never quoted (no cell holds a
comma). A cell that could not be determined is empty and `flags` says why (words of `edge/flags.py`, separated by
spaces). The last cell is the CRC-32/ISO-HDLC (ITU-T V.42; zlib's crc32) of the row's bytes before the last comma, as
8 lower-case hex digits. The header has no checksum: it is checked by its names instead. A reader may meet more columns
than it knows, in any order; it keeps them as text. Rows are counted as a spreadsheet does: the header is row 1.

On the serial link, never on the card, there may also be a stop request, if the rig file asks for one:

    STOP 17 12.9876 1190 9a62f379                              seq, crack_mm, cycles, crc32 of what is before its blank

It is a convenience for ending a test in time. It is no safety device: nothing may depend on its coming.
"""

import dataclasses
import functools
import math
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.door import InputError, is_utf_16, one_line

if TYPE_CHECKING:
    import numpy as np

FILE_NAME = "records.csv"
OTHERS = frozenset({".toml", ".html", ".npz", ".npy", ".png", ".json"})  # endings of what else stands in or beside its folder
LONGEST_ROW_BYTES = 2048  # a row of ours is about 300; anything longer is not a row
LASTING = frozenset({"overload", "underload", "load_step", "resumed", "ended"})  # flags of rows that are never thinned out
NAMES_SHOWN = 4  # of missing columns, in messages
DAMAGED_NAMES_AT_MOST = 2  # in a header that is still understood
SAVE_ANEW = "save as UTF-8 CSV with commas"  # of a file that went through an editor
AS_WRITTEN = "take the file as bolotip wrote it: a spreadsheet changes the text that each row's crc32 is of"


class BadRow(Exception):
    """A row that cannot be trusted: `line_number` counts from 1 (the header), 0 if unknown; `reason` says why."""

    def __init__(self, reason: str, line_number: int = 0):
        self.reason, self.line_number = reason, line_number
        super().__init__(f"row {line_number}: {reason}" if line_number else reason)


def _as(form: str) -> Any:
    """A column that is written with the printf form `form`: only as many digits as mean something."""
    return dataclasses.field(default=None, metadata={"form": form})


@dataclasses.dataclass(slots=True)
class Row:
    """One fix. Units are in the names; `_sd` is the standard deviation of the column before; None: not determined."""

    seq: int  # counts fixes from the start of the folder, over restarts
    time_utc: str | None = None  # a label only, as 2031-05-06T07:08:09Z; intervals come from elapsed_s
    elapsed_s: float | None = _as("%.2f")  # running time on the monotonic clock, over restarts
    cycles: int | None = _as("%d")
    frames: int | None = _as("%d")
    load_frequency_hz: float | None = _as("%.6g")
    load_range_kN: float | None = _as("%.5g")
    load_ratio: float | None = _as("%.4f")
    load_h2: float | None = _as("%.2g")  # second harmonic of the load over its first
    load_h2_deg: float | None = _as("%.0f")
    tip_row_px: float | None = _as("%.3f")
    tip_col_px: float | None = _as("%.3f")
    tip_sd_px: float | None = _as("%.2g")
    crack_mm: float | None = _as("%.4f")
    crack_sd_mm: float | None = _as("%.2g")
    dKI_MPa_sqrt_m: float | None = _as("%.5g")
    dKI_sd: float | None = _as("%.2g")
    dKII_MPa_sqrt_m: float | None = _as("%.4g")
    dKII_sd: float | None = _as("%.2g")
    T_MPa: float | None = _as("%.4g")
    T_sd: float | None = _as("%.2g")
    r2: float | None = _as("%.5f")
    noise_K: float | None = _as("%.4g")
    contact_length_mm: float | None = _as("%.3f")
    contact_sd_mm: float | None = _as("%.2g")
    contact_K: float | None = _as("%.4g")
    ahead_K: float | None = _as("%.4g")
    phase_gap_deg: float | None = _as("%.1f")
    opening_fraction: float | None = _as("%.4f")
    opening_sd: float | None = _as("%.2g")
    reversal_mm: float | None = _as("%.3f")
    irwin_mm: float | None = _as("%.3f")  # the fitted tip less Irwin's plastic zone radius: compare with reversal_mm
    motion_px: float | None = _as("%.2g")  # amplitude of the specimen's motion at the load frequency
    slip_px: float | None = _as("%.3g")  # shift of the specimen since the start of the run
    rate_mm_per_cycle: float | None = _as("%.3g")  # growth over the last fixes
    rate_sd: float | None = _as("%.2g")
    cycles_to_target: int | None = _as("%d")  # from now to [records] target_crack_mm
    lost: int | None = _as("%d")
    repeated: int | None = _as("%d")
    flags: tuple[str, ...] = ()
    extra: tuple[tuple[str, str], ...] = ()  # columns this version does not know, as (name, text)


_FORMS = {f.name: f.metadata.get("form", "%s") for f in dataclasses.fields(Row) if f.name != "extra"}
_WHOLE = frozenset(name for name, form in _FORMS.items() if form == "%d") | {"seq"}
# Beyond those every reader relies on; a file has all of them or none, so that a damaged name is noticed.
_OURS = tuple(
    "load_h2 load_h2_deg irwin_mm motion_px slip_px rate_mm_per_cycle rate_sd cycles_to_target lost repeated".split()
)
COLUMNS: tuple[str, ...] = (*_FORMS, "crc32")


def crc32_text(body: bytes) -> str:
    """CRC-32/ISO-HDLC of `body` as 8 lower-case hex digits."""
    return f"{zlib.crc32(body):08x}"


def header_line() -> str:
    """The header row, without line feed."""
    return ",".join(COLUMNS)


_OTHER_NAMES = {"-180": "180", "-180.0": "180.0", "-0": "0", "-0.0": "0.0"}  # of angles, as they are rounded


def encode_row(row: Row) -> str:
    """The row as text with its checksum, without line feed. A number that is not finite counts as not determined."""
    cells = []
    for name, form in _FORMS.items():
        value = getattr(row, name)
        if name == "flags":
            cells.append(" ".join(value))
        elif value is None or (not isinstance(value, str) and not math.isfinite(value)):
            cells.append("")
        else:
            text = form % (round(value) if name in _WHOLE else value)
            cells.append(_OTHER_NAMES.get(text, text) if name.endswith("_deg") else text)
    body = ",".join(cells)
    return f"{body},{crc32_text(body.encode())}"


@functools.lru_cache(maxsize=8)
def parse_header(line: str) -> tuple[str, ...]:
    """The column names of a header row. BadRow: no header, or a column that readers rely on is missing or damaged."""
    names = tuple(line.split(","))
    if names[-1] != "crc32" or "seq" not in names:
        raise BadRow(f"is {one_line(line, 30)}, must be a header row from seq to crc32")
    if len(set(names)) < len(names):
        raise BadRow(f"the header names the column {next(n for n in names if names.count(n) > 1)} twice")
    missing = [name for name in COLUMNS if name not in names]
    if missing and missing != list(_OURS):
        more = "" if len(missing) <= NAMES_SHOWN else f" and {len(missing) - NAMES_SHOWN} more"
        raise BadRow(f"the header lacks {', '.join(missing[:NAMES_SHOWN])}{more}: from elsewhere, or damaged")
    return names


def understand_header(line: str) -> tuple[tuple[str, ...], BadRow | None]:
    """Column names, and what is wrong with the header although it can be told what it was: one or two damaged names
    among this version's columns. BadRow: it cannot be told.
    """
    try:
        return parse_header(line), None
    except BadRow as e:
        names = line.split(",")
        if len(names) == len(COLUMNS) and sum(a != b for a, b in zip(names, COLUMNS)) <= DAMAGED_NAMES_AT_MOST:
            return COLUMNS, BadRow(e.reason, 1)
        raise


def check_line(line: str) -> str:
    """The row's text before its checksum. BadRow: the checksum does not belong to it."""
    body, comma, crc = line.rpartition(",")
    if not comma or len(line) > LONGEST_ROW_BYTES:
        raise BadRow(f"is {one_line(line, 30)}, must be a row of cells ending with its crc32")
    right = crc32_text(body.encode("utf-8", "surrogateescape"))
    if crc != right:
        raise BadRow(f"crc32 is {one_line(crc, 12)}, must be {right} for this text: the row is damaged")
    return body


def decode_row(line: str, header: Sequence[str] = COLUMNS) -> Row:
    """The row in `line` (no line feed), whose columns are `header`: names as from `parse_header`, crc32 last.

    BadRow: wrong checksum, wrong number of cells, or a cell that is not what its column holds.
    """
    cells = check_line(line).split(",")
    if len(cells) != len(header) - 1:
        raise BadRow(f"has {len(cells) + 1} cells, must have {len(header)} as the header")
    row, extra = Row(seq=-1), []
    for name, text in zip(header, cells):
        if name not in _FORMS:
            extra.append((name, text))
        elif name == "flags":
            row.flags = _words(text)
        elif text:
            setattr(row, name, text if name == "time_utc" else _number(name, text))
    if row.seq < 0:
        raise BadRow("seq is empty or negative, must be a whole number from 0")
    row.extra = tuple(extra)
    return row


@functools.lru_cache(maxsize=256)
def _words(text: str) -> tuple[str, ...]:
    """One tuple for all the rows of a long test that have the same flags."""
    return tuple(text.split())


def _number(name: str, text: str) -> float:
    try:
        value = int(text) if name in _WHOLE else float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadRow(f"{name} is {one_line(text, 20)}, must be a {'whole ' if name in _WHOLE else ''}number or empty")
    return value


STOP = "STOP "


@dataclasses.dataclass(frozen=True)
class StopRequest:
    """That the crack has reached the size or rate at which the test was to end; seq is the row that found it."""

    seq: int
    crack_mm: float
    cycles: int

    def encode(self) -> str:
        """The line, without line feed."""
        body = f"{STOP}{self.seq} {self.crack_mm:.4f} {self.cycles}"
        return f"{body} {crc32_text(body.encode())}"


def decode_stop(line: str) -> StopRequest:
    """The request in `line` (no line feed). BadRow: damaged."""
    body, _, crc = line.rpartition(" ")
    right = crc32_text(body.encode("utf-8", "surrogateescape"))
    cells = body.split(" ")
    if crc != right or len(cells) != 4:
        raise BadRow(f"stop request: crc32 is {one_line(crc, 12)}, must be {right} for this text: the line is damaged")
    return StopRequest(int(_number("seq", cells[1])), _number("crack_mm", cells[2]), int(_number("cycles", cells[3])))


@dataclasses.dataclass
class RecordFile:
    """What a records file holds: valid rows in order; bad rows with their places; the text of a row torn at the end."""

    rows: list[Row]
    bad: list[BadRow]
    torn: str | None
    path: Path

    @property
    def remedy(self) -> str:
        """What to do where there is no valid row."""
        lost = bool(self.torn) and not str(self.torn).strip("\0")
        none = "it holds nothing but zeros, as after a power cut: take a copy" if lost else "record with `bolotip run` first"
        return AS_WRITTEN if self.bad else none


def left_beside(read: Sequence[Path]) -> list[Path]:
    """Files of rows kept under a number beside those read, as the card's sink does with another header, damaged or of another version."""
    return sorted({p for path in read for p in path.parent.glob("records-*.csv") if p.stem[8:].isdecimal()} - set(read))


def read_records(folder_or_file: Path | str, most: int | None = None) -> RecordFile:
    """All rows of a records folder or file; of a long one, with `most`, that many to twice as many: events and the last, the
    others evenly thinned. Bad rows are listed with their row number, never repaired, never fatal.

    InputError: no such file, unreadable, or a header that cannot be understood.
    """
    path = Path(folder_or_file)
    path = path / FILE_NAME if path.is_dir() else path
    found = RecordFile([], [], None, path)
    if path.suffix.lower() in OTHERS and path.is_file():
        raise InputError(f"{path}: is no records file; give the folder that `bolotip run` wrote into")
    try:
        with path.open("rb") as f:
            _read_lines(f, found, most)
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; give the folder that `bolotip run` or `receive` wrote into") from None
    except (OSError, ValueError) as e:
        raise InputError(f"{one_line(str(path))}: cannot be read ({getattr(e, 'strerror', None) or e})") from None
    return found


def _read_lines(lines: Iterable[bytes], found: RecordFile, most: int | None) -> None:
    """Sort complete lines into rows and bad rows; bytes that are not UTF-8 survive for the checksum."""
    first, header, plain = "", COLUMNS, 0
    for number, raw in enumerate(lines, start=1):
        line = raw.decode("utf-8", "surrogateescape")
        if not line.endswith("\n"):
            found.torn = line
            return
        line = line[:-1].removesuffix("\r")  # copied through a program that writes Windows' line ends
        if number == 1:
            line = line.removeprefix("\ufeff")  # a spreadsheet's "CSV UTF-8"
            first, header = line, _read_header(line, found)
        elif line != first:  # the link repeats its header and asks for stops: a plain capture of it is a valid file
            try:
                if line.startswith(STOP):
                    decode_stop(line)
                else:
                    found.rows.append(row := decode_row(line, header))
                    plain += not LASTING & set(row.flags)
                    if most is not None and plain > 2 * most:  # of these alone: events stay, however many they are
                        found.rows[:] = _thinned(found.rows)
                        plain = (plain + 1) // 2
            except BadRow as e:
                found.bad.append(BadRow(e.reason, number))


def _thinned(rows: list[Row]) -> list[Row]:
    """Without every second one of those that are no events, the newest of these stays."""
    kept: list[Row] = []
    odd = True
    for row in reversed(rows):
        lasts = bool(LASTING & set(row.flags))
        if lasts or odd:
            kept.append(row)
        odd = odd if lasts else not odd
    return kept[::-1]


def _read_header(line: str, found: RecordFile) -> tuple[str, ...]:
    try:
        header, damage = understand_header(line)
    except BadRow as e:
        reason, remedy = e.reason, "put back the header row of a file of the same version"
        if is_utf_16(line):
            reason, remedy = "is UTF-16 text", SAVE_ANEW
        elif respelt := _respelt(line):
            reason, remedy = respelt, AS_WRITTEN
        raise InputError(f"{found.path}: row 1: {reason}; {remedy}") from None
    found.bad += [damage] if damage else []
    return header


def _respelt(header: str) -> str:
    """What a spreadsheet that saved the file anew has made of its header row; empty: none has."""
    for sign, name in ((";", "semicolons"), ("\t", "tabs")):
        if header.count(sign) > header.count(","):
            return f"is separated by {name}"
    return "has cells in quotes" if '"' in header else "ends with empty columns" if header.endswith(",") else ""


def as_array(rows: Sequence[Row]) -> "np.ndarray":
    """The rows as one structured array, shape (rows,), one field a column: float64 with NaN for None, or text."""
    import numpy as np

    text = {"time_utc": [r.time_utc or "" for r in rows], "flags": [" ".join(r.flags) for r in rows]}
    widths = {name: f"U{max(map(len, cells), default=0) or 1}" for name, cells in text.items()}
    table = np.empty(len(rows), dtype=[(name, widths.get(name, "f8")) for name in _FORMS])
    for name in _FORMS:
        table[name] = text[name] if name in text else [_or_nan(getattr(r, name)) for r in rows]
    return table


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value
