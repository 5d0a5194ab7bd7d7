"""Numbers out of the text of a table, some ten times faster than NumPy's and Python's own readers. Its twin is `float`."""

import functools

import numpy as np

from edge.compiled import Kernel, ready

LONGEST = 15  # digits of a number: as an integer they are exact in float64, and so is the power of ten below them
COMMA, MINUS, POINT, NEWLINE, ZERO = (ord(c) for c in ",-.\n0")


def parse(text, columns, values):
    """Values (n,) float64 of the cells of `text` (bytes,) uint8: lines of `columns` cells, each cell plain digits with or
    without a minus and a point, each line with its end. Returns the number of cells; -1 where something else is met
    (a blank, an exponent, a cell too many), which is left to a slower reader.

    One division of two exact numbers: the result is the nearest float64, as of `float`.
    """
    cell, mantissa, digits, after, negative = 0, 0, 0, -1, False  # after: digits behind the point, -1 before it
    for c in text:
        if ZERO <= c < ZERO + 10:
            mantissa = 10 * mantissa + (c - ZERO)
            digits += 1
            if after >= 0:
                after += 1
        elif c == (NEWLINE if cell % columns == columns - 1 else COMMA) and 0 < digits <= LONGEST and cell < values.size:
            value = mantissa / 10.0 ** max(after, 0)
            values[cell] = -value if negative else value
            cell, mantissa, digits, after, negative = cell + 1, 0, 0, -1, False
        elif c == POINT and after < 0:
            after = 0
        elif c == MINUS and digits == 0 and after < 0 and not negative:
            negative = True
        else:
            return -1
    return cell if digits == 0 and after < 0 and not negative else -1


@functools.cache
def kernel() -> Kernel:
    """`parse`, compiled and ready."""
    return ready(parse, set(), _once)


def _once(compiled: Kernel) -> None:
    compiled(np.zeros(1, np.uint8), 1, np.zeros(1))
