"""Frames and load from files: `.npy` (memory-mapped) or multi-page 16-bit TIFF, CSV for times and load.

Nothing is read whole: frames one by one, TIFF pages and CSV rows in chunks.
"""

import contextlib
import itertools
import logging
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from calibration.door import InputError, counted, is_utf_16
from edge.sources.base import EndOfSource, Frame, FrameSource, LoadSource

log = logging.getLogger("bolotip")

PAGES = 64  # TIFF pages a chunk: opencv seeks in time proportional to the page, so neighbours are read together
CHUNK = 32768  # characters of a CSV: some 2,000 rows
FAR_AHEAD_S = 1.0  # of a load sample before those after it
MANY = 16384  # characters that are worth loading a compiled reader for


def open_stack(path: Path, rows: int, columns: int, crop_px: tuple[int, ...] | None = None) -> "NpyStack | TiffStack | Part":
    """The image stack in `path`, or the part of it that crop_px says; InputError where it is not uint16 of (rows, columns)."""
    _check_there(path, "set [camera] path to a .npy or .tif recording")
    stack: NpyStack | TiffStack
    if path.suffix.lower() == ".npy":
        stack = NpyStack(path)
    elif path.suffix.lower() in (".tif", ".tiff"):
        stack = TiffStack(path)
    else:
        raise InputError(f"{path}: ending {path.suffix!r} is no recording; may be .npy, .tif or .tiff")
    if crop_px is not None:
        return Part(stack, crop_px, path)
    if stack.shape != (rows, columns):
        remedy = "swap them" if stack.shape == (columns, rows) else "set them to the file's"
        raise InputError(
            f"{path}: images have {stack.shape[0]} rows and {stack.shape[1]} columns, the rig file says "
            f"rows = {rows}, columns = {columns}; {remedy}"
        )
    return stack


def _check_there(path: Path, remedy: str) -> None:
    if path.is_dir():
        raise InputError(f"{path}: is a folder; give the file itself")
    if not path.is_file():
        raise InputError(f"{path}: no such file; {remedy}")


class NpyStack:
    """A uint16 array (frames, rows, columns) in a .npy file. Frames are read, not mapped: pages of a mapped file count
    as memory of this process, and a file that is cut short under it ends it."""

    def __init__(self, path: Path):
        try:
            array = np.load(path, mmap_mode="r", allow_pickle=False)
        except Exception as error:  # numpy's reader of the header raises whatever the parsers beneath it do
            raise InputError(
                f"{path}: not a readable .npy recording ({_short(error)}); write it with numpy.save"
            ) from None
        if not isinstance(array, np.memmap) or array.ndim != 3 or array.dtype != np.uint16:
            raise InputError(
                f"{path}: holds {getattr(array, 'dtype', 'no array')} of shape "
                f"{getattr(array, 'shape', '')}, may be uint16 (frames, rows, columns)"
            )
        if not array.flags.c_contiguous:
            raise InputError(f"{path}: is in Fortran order, may be in C order; write it with numpy.ascontiguousarray")
        self.count, self.shape, self._start = array.shape[0], array.shape[1:], array.offset
        self._file = open(path, "rb", buffering=0)  # noqa: SIM115 (open as long as the recording is read)

    def frame(self, index: int) -> np.ndarray:
        image = np.empty(self.shape, np.uint16)
        if os.preadv(self._file.fileno(), [image.data], self._start + index * image.nbytes) < image.nbytes:  # cut short since
            raise EndOfSource
        return image

    def close(self) -> None:
        self._file.close()


class TiffStack:
    """A 16-bit gray multi-page TIFF."""

    def __init__(self, path: Path):
        import cv2

        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # its own many lines about a damaged file; ours says what matters
        self.path, self._cv2 = path, cv2
        self.first, self.pages = 0, []  # type: int, list[np.ndarray]
        try:
            self.count = cv2.imcount(str(path), cv2.IMREAD_UNCHANGED)
        except cv2.error:  # a damaged first page
            self.count = 0
        if self.count:
            self._load(0)
        if not self.pages:
            raise InputError(f"{path}: not a readable TIFF recording; may be multi-page, 16-bit gray")
        page = self.pages[0]
        if page.dtype != np.uint16 or page.ndim != 2:
            raise InputError(
                f"{path}: pages are {page.dtype} with {1 if page.ndim == 2 else page.shape[2]} channels, may be 16-bit "
                f"gray; record raw counts, not a coloured picture"
            )
        self.shape = page.shape

    def _load(self, start: int) -> None:
        try:
            ok, pages = self._cv2.imreadmulti(
                str(self.path), start=start, count=min(PAGES, self.count - start), flags=self._cv2.IMREAD_UNCHANGED
            )
        except self._cv2.error:  # a damaged page ends the recording
            ok, pages = False, ()
        self.first, self.pages = start, list(pages) if ok else []

    def frame(self, index: int) -> np.ndarray:
        if not self.first <= index < self.first + len(self.pages):
            self._load(index)
            if not self.pages:
                raise EndOfSource
        page = self.pages[index - self.first]
        if page.shape != self.shape or page.dtype != np.uint16:
            raise InputError(
                f"{self.path}: page {index + 1} is {page.dtype} of {page.shape}, the first is uint16 of {self.shape}; all pages "
                f"of a recording are alike"
            )
        return page

    def close(self) -> None:
        self.pages = []


class Part:
    """A part of each image of a stack: crop_px = [first row, first column, rows, columns]."""

    def __init__(self, stack: NpyStack | TiffStack, crop_px: tuple[int, ...], path: Path):
        top, left, rows, columns = crop_px
        if top + rows > stack.shape[0] or left + columns > stack.shape[1]:
            raise InputError(
                f"{path}: images have {stack.shape[0]} rows and {stack.shape[1]} columns, too few for [camera] crop_px = "
                f"{list(crop_px)}; correct it, or leave it out where the recording is of the part already"
            )
        self.stack, self.count, self.shape = stack, stack.count, (rows, columns)
        self._seen = slice(top, top + rows), slice(left, left + columns)

    def frame(self, index: int) -> np.ndarray:
        return self.stack.frame(index)[self._seen].copy()

    def close(self) -> None:
        self.stack.close()


class CsvColumns:
    """Chunks of a CSV with a header row and `names` as columns: yields float arrays (rows, len(names)) out of some `chunk`
    characters each.

    A last row without a newline counts where it has all its cells and ends in a number, else it was torn, as by a power cut, and
    is left out; any other bad row is an InputError naming it.
    """

    def __init__(self, path: Path, names: tuple[str, ...], chunk: int = CHUNK):
        self.path, self.names, self.chunk = path, names, chunk
        _check_there(path, f"it should have the columns {','.join(names)}")

    def chunks(self) -> Iterator[np.ndarray]:
        with open(self.path, encoding="utf-8-sig", errors="replace") as file:
            first = file.readline()
            if is_utf_16(first):
                raise InputError(f"{self.path}: row 1: is UTF-16 text; save it as UTF-8 (CSV)")
            header = [c.strip().strip('"') for c in first.split(",")]  # some spreadsheets put names in quotes
            _check_header(self.path, header, self.names)
            if absent := [n for n in self.names if n not in header]:
                raise InputError(
                    f"{self.path}: row 1: columns are {','.join(header)[:80]!r}, {', '.join(absent)} is missing; "
                    f"the header should be {','.join(self.names)}"
                )
            columns = [header.index(n) for n in self.names]
            number, torn = 2, ""
            while text := file.read(self.chunk):
                lines, newline, after = text.rpartition("\n")
                if not newline:
                    torn += after
                    continue
                lines, torn = torn + lines + newline, after
                yield self._values(lines, number, header, columns)
                number += lines.count("\n")
            if torn.count(",") >= len(header) - 1 and _is_number(torn.rsplit(",", 1)[-1]):
                yield self._values(torn, number, header, columns)

    def _values(self, text: str, number: int, header: list[str], columns: list[int]) -> np.ndarray:
        """Of whole lines, the first of them row `number`."""
        values = self._plain(text, len(header), columns)
        if values is not None:
            return values
        lines = text.removesuffix("\n").split("\n")
        filled = next((i for i, line in enumerate(lines) if line.strip()), 0)
        if lines[filled].strip().strip(",").count(",") >= len(header):
            cells = lines[filled].count(",") + 1
            raise InputError(
                f"{self.path}: row {number + filled}: has {cells} cells for {len(header)} columns; write decimals with a point"
            )
        return self._parse(lines, number, columns)

    def _plain(self, text: str, cells: int, columns: list[int]) -> np.ndarray | None:
        """Lines of `cells` plain decimals each; None where they are not, or too few for a compiled reader."""
        if len(text) < MANY:
            return None
        from edge.decimal_kernel import kernel

        values = np.empty(text.count("\n") * cells)
        if kernel()(np.frombuffer(text.encode(), np.uint8), cells, values) < values.size:
            return None
        return values.reshape(-1, cells)[:, columns]

    def _parse(self, lines: list[str], number: int, columns: list[int]) -> np.ndarray:
        """Lines from row `number` on; blank ones are left out."""
        if any(line.strip() for line in lines):
            try:
                out = np.loadtxt(lines, delimiter=",", usecols=columns, ndmin=2, comments=None)
                if np.isfinite(out).all():
                    return out
            except ValueError:  # something is wrong in some row, or written in a way that only float() takes
                pass
        rows = [self._row(number + i, line, columns) for i, line in enumerate(lines) if line.strip()]
        return np.array(rows).reshape(len(rows), len(columns))

    def _row(self, number: int, line: str, columns: list[int]) -> list[float]:
        cells = line.split(",")
        try:
            row = [float(cells[c]) for c in columns]
        except (ValueError, IndexError):
            remedy = "leave the quotes out" if '"' in line else "correct or delete the row"
            raise InputError(
                f"{self.path}: row {number}: is {line.strip()[:60]!r}, may be numbers for {','.join(self.names)}; {remedy}"
            ) from None
        if not np.isfinite(row).all():
            raise InputError(f"{self.path}: row {number}: is not finite, may be plain numbers; correct or delete the row")
        return row


def _check_header(path: Path, header: list[str], names: tuple[str, ...]) -> None:
    """Spreadsheets' ways of writing tables that are none here."""
    if ";" in header[0] or "\t" in header[0]:
        raise InputError(
            f"{path}: row 1: is {','.join(header)[:60]!r}, may be {','.join(names)}; separate columns with commas and "
            f"write decimals with a point"
        )
    if _is_number(header[0]):
        raise InputError(f"{path}: row 1: is a row of numbers, may be a header; put {','.join(names)} above it")


def _is_number(text: str) -> bool:
    try:
        float(text)
        return True
    except ValueError:
        return False


def _short(error: Exception) -> str:
    return str(error).splitlines()[0][:80] if str(error) else type(error).__name__


class RecordedFrames(FrameSource):
    """A recording's frames at their arrival times; without `times`, frame_rate_hz and no losses."""

    def __init__(
        self, path: Path, times: Path | None, rows: int, columns: int, frame_rate_hz: float, crop_px: tuple[int, ...] | None = None
    ):
        self.path, self.times, self.rate = path, times, frame_rate_hz
        self.stack = open_stack(path, rows, columns, crop_px)
        self.next = 0
        self._arrivals = self._read_times() if times else itertools.count()

    def _read_times(self) -> Iterator[float]:
        assert self.times is not None
        last = -np.inf
        number = 2
        for chunk in CsvColumns(self.times, ("time_s",)).chunks():
            for t in chunk[:, 0].tolist():
                if t < last:
                    raise InputError(
                        f"{self.times}: row {number}: time {t:g} s is before the row above ({last:g} s); sort the rows"
                    )
                last = t
                number += 1
                yield t

    def _tell_rows_left(self) -> None:
        """Once, as the rows are then used up: rows without frames make it doubtful which row belongs to which frame."""
        more = 0
        if self.times:
            with contextlib.suppress(InputError):  # a bad row that no frame needs
                for _ in self._arrivals:
                    more += 1
        if more:
            has = f"has {counted(self.next + more, 'row')} for {counted(self.next, 'frame')} in {self.path.name}"
            log.warning("%s: %s; one row a frame is needed", self.times, has)

    @property
    def share(self) -> float:
        return self.next / max(1, self.stack.count)

    def read(self, timeout_s: float) -> Frame | None:
        if self.next >= self.stack.count:
            self._tell_rows_left()
            raise EndOfSource
        try:
            arrival = next(self._arrivals)
        except StopIteration:
            raise InputError(
                f"{self.times}: has {counted(self.next, 'row')} for {counted(self.stack.count, 'frame')} in {self.path.name}; "
                f"one row a frame is needed"
            ) from None
        time_s = arrival if self.times else arrival / self.rate
        try:
            frame = Frame(self.next, float(time_s), self.stack.frame(self.next))
        except EndOfSource:
            cut = "cannot be read, the file is damaged or cut short; the recording ends before it"
            log.warning("%s: frame %d of %d %s", self.path, self.next + 1, self.stack.count, cut)
            raise
        self.next += 1
        return frame

    def close(self) -> None:
        self.stack.close()


class RecordedLoad(LoadSource):
    """A recording's load samples, scaled to kN."""

    def __init__(self, path: Path, scale_kN_per_unit: float, offset_kN: float):
        self.path, self.scale, self.offset = path, scale_kN_per_unit, offset_kN
        self._chunks = CsvColumns(path, ("time_s", "load_kN")).chunks()
        self._held = np.empty((0, 2))

    def _in_time(self, chunk: np.ndarray) -> np.ndarray:
        """The chunk (n, 2) in order, without samples from far ahead of those after them: a damaged time."""
        later_s = np.minimum.accumulate(chunk[::-1, 0])[::-1]
        ahead = chunk[:, 0] > later_s + FAR_AHEAD_S
        if ahead.any():
            where = f"time_s {chunk[ahead][0, 0]:g} stands before {later_s[ahead][0]:g}"
            log.warning("%s: %s; %s left out", self.path, where, counted(int(np.count_nonzero(ahead)), "row"))
        chunk = chunk[~ahead]
        return chunk[np.argsort(chunk[:, 0], kind="stable")] if (np.diff(chunk[:, 0]) < 0).any() else chunk

    def read(self, until_s: float) -> tuple[np.ndarray, np.ndarray]:
        while not self.ended and (not len(self._held) or self._held[-1, 0] <= until_s):
            chunk = next(self._chunks, None)
            if chunk is None:
                self.ended = True
            else:
                self._held = np.concatenate([self._held, self._in_time(chunk)])
        n = int(np.searchsorted(self._held[:, 0], until_s, side="right")) if len(self._held) else 0
        out, self._held = self._held[:n], self._held[n:]
        return out[:, 0], out[:, 1] * self.scale + self.offset
