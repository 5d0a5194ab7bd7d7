"""Columns of a CSV, for frame times and load samples: read in chunks, any bad row named."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from calibration.door import InputError, is_utf_16

CHUNK = 32768  # characters of a CSV: some 2,000 rows
MANY = 16384  # characters that are worth loading a compiled reader for


def check_there(path: Path, remedy: str) -> None:
    if path.is_dir():
        raise InputError(f"{path}: is a folder; give the file itself")
    if not path.is_file():
        raise InputError(f"{path}: no such file; {remedy}")


class CsvColumns:
    """Chunks of a CSV with a header row and `names` as columns: yields float arrays (rows, len(names)) out of some `chunk`
    characters each.

    A last row without a newline counts where it has all its cells and ends in a number, else it was torn, as by a power cut, and
    is left out; any other bad row is an InputError naming it.
    """

    def __init__(self, path: Path, names: tuple[str, ...], chunk: int = CHUNK):
        self.path, self.names, self.chunk = path, names, chunk
        check_there(path, f"it should have the columns {','.join(names)}")

    def chunks(self) -> Iterator[np.ndarray]:
        with open(self.path, encoding="utf-8-sig", errors="replace") as file:
            first = file.readline()
            if is_utf_16(first):
                raise InputError(f"{self.path}: row 1: is UTF-16 text; save it as UTF-8 (CSV)")
            header = [c.strip().strip('"') for c in first.split(",")]  # some spreadsheets put names in quotes
            _check_header(self.path, header, self.names)
            if absent := [n for n in self.names if n not in header]:
                kN = "; values in kN (N: [load] scale_kN_per_unit = 0.001)" if "load_kN" in absent and "load_N" in header else ""
                raise InputError(
                    f"{self.path}: row 1: columns are {','.join(header)[:80]!r}, {', '.join(absent)} is missing; "
                    f"the header should be {','.join(self.names)}{kN}"
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
        return self._parse(lines, number, columns, len(header))

    def _plain(self, text: str, cells: int, columns: list[int]) -> np.ndarray | None:
        """Lines of `cells` plain decimals each; None where they are not, or too few for a compiled reader."""
        if len(text) < MANY:
            return None
        from edge.decimal_kernel import kernel

        values = np.empty(text.count("\n") * cells)
        if kernel()(np.frombuffer(text.encode(), np.uint8), cells, values) < values.size:
            return None
        return values.reshape(-1, cells)[:, columns]

    def _parse(self, lines: list[str], number: int, columns: list[int], cells: int) -> np.ndarray:
        """Lines from row `number` on; blank ones are left out."""
        if any(line.strip() for line in lines) and max(map(_cells, lines)) <= cells:
            try:
                out = np.loadtxt(lines, delimiter=",", usecols=columns, ndmin=2, comments=None)
                if np.isfinite(out).all():
                    return out
            except ValueError:  # something is wrong in some row, or written in a way that only float() takes
                pass
        rows = [self._row(number + i, line, columns, cells) for i, line in enumerate(lines) if line.strip()]
        return np.array(rows).reshape(len(rows), len(columns))

    def _row(self, number: int, line: str, columns: list[int], most: int) -> list[float]:
        if _cells(line) > most:
            raise InputError(
                f"{self.path}: row {number}: is {line.strip()[:60]!r}, may have {most} cells; correct or delete the row"
            )
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


def _cells(line: str) -> int:
    """Of a row; empty ones at its end are none."""
    return line.rstrip().rstrip(",").count(",") + 1


def _is_number(text: str) -> bool:
    try:
        float(text)
        return True
    except ValueError:
        return False
