"""Frames and load from files: `.npy` (memory-mapped) or multi-page 16-bit TIFF, CSV for times and load.

Nothing is read whole: frames one by one, TIFF pages and CSV rows in chunks.
"""

import contextlib
import itertools
import logging
import math
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from calibration.door import InputError, counted
from edge.sources.base import EndOfSource, Frame, FrameSource, LoadSource
from edge.sources.csv_columns import CsvColumns, check_there

log = logging.getLogger("bolotip")

PAGES = 64  # TIFF pages a chunk: opencv seeks in time proportional to the page, so neighbours are read together
FAR_AHEAD_S = 1.0  # of a load sample before those after it
JUDGES = 4  # samples that wait for those after them


def open_stack(path: Path, rows: int, columns: int, crop_px: tuple[int, ...] | None = None) -> "NpyStack | TiffStack | Part":
    """The image stack in `path`, or the part of it that crop_px says; InputError where it is not uint16 of (rows, columns)."""
    check_there(path, "set [camera] path to a .npy or .tif recording")
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


class NpyStack:
    """A uint16 array (frames, rows, columns) in a .npy file. Frames are read, not mapped: pages of a mapped file count
    as memory of this process, and a file that is cut short under it ends it."""

    def __init__(self, path: Path):
        try:
            array = np.load(path, mmap_mode="r", allow_pickle=False)
        except Exception as error:  # numpy's reader of the header raises whatever the parsers beneath it do
            if _is_cut_short(path):
                raise InputError(f"{path}: is shorter than its header says: still being copied, or cut short; copy it again") from None
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


def _is_cut_short(path: Path) -> bool:
    """Whether a .npy file ends before its array does."""
    try:
        with open(path, "rb") as file:
            version = np.lib.format.read_magic(file)
            read_header = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
            shape, _, dtype = read_header(file)
            return path.stat().st_size < file.tell() + math.prod(shape) * dtype.itemsize
    except Exception:  # what it raises says no more than that this is no such file
        return False


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
        self._unjudged = np.empty((0, 2))  # the last samples of a chunk: those after them tell whether their times are damaged

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
                self.ended, chunk, keep = True, self._unjudged, 0
            else:
                chunk, keep = np.concatenate([self._unjudged, chunk]), JUDGES
            chunk = self._in_time(chunk)
            known = max(0, len(chunk) - keep)
            self._unjudged = chunk[known:]
            self._held = np.concatenate([self._held, chunk[:known]])
        n = int(np.searchsorted(self._held[:, 0], until_s, side="right")) if len(self._held) else 0
        out, self._held = self._held[:n], self._held[n:]
        return out[:, 0], out[:, 1] * self.scale + self.offset
