"""The sums of a window's fit in one pass over its samples. Its twin is `numpy.linalg.lstsq` on the same columns."""

import functools
import math

import numpy as np

from edge.compiled import Kernel, ready

ROWS, THIRD = 8, 10  # mean, slope; sine, cosine; both times the slope; sine and cosine of twice the angle; and of three times it
INDEPENDENT = 1e-3  # least over largest diagonal element of the Cholesky factor: the normal equations lose half of the
# digits, which is no loss while the columns are far from dependent


def fit(t, p, w, scale, x, b):
    """Least squares of ROWS or THIRD regressors by normal equations and Cholesky factor. t (n,): s from the middle; p (n,) kN;
    w: rad/s; scale: s, of the slope. Fills x (regressors, n), and b (regressors,) with the coefficients, and returns the sum
    of squared residuals; -1 where the regressors are too near to dependent for it (b is then of no use)."""
    rows, n = b.size, t.size  # not ROWS: a number known beforehand makes numba write out all loops, which takes memory
    gram = np.zeros((rows, rows))
    for i in range(n):
        s, c, u = math.sin(w * t[i]), math.cos(w * t[i]), t[i] / scale
        x[0, i], x[1, i], x[2, i], x[3, i], x[4, i], x[5, i] = 1.0, u, s, c, u * s, u * c
        x[6, i], x[7, i] = 2 * s * c, (c - s) * (c + s)
        if rows == THIRD:
            x[8, i], x[9, i] = s * (3 - 4 * s * s), c * (4 * c * c - 3)
    for j in range(rows):
        total = 0.0
        for i in range(n):
            total += x[j, i] * p[i]
        b[j] = total
        for k in range(j + 1):
            total = 0.0
            for i in range(n):
                total += x[j, i] * x[k, i]
            gram[j, k] = total
    least, largest = math.inf, 0.0
    for j in range(rows):  # gram becomes its lower factor, b the solution of lower b' = b
        for k in range(j + 1):
            for m in range(k):
                gram[j, k] -= gram[j, m] * gram[k, m]
            if k < j:
                gram[j, k] /= gram[k, k]
        if not gram[j, j] > 0:
            return -1.0
        gram[j, j] = math.sqrt(gram[j, j])
        least, largest = min(least, gram[j, j]), max(largest, gram[j, j])
        for m in range(j):
            b[j] -= gram[j, m] * b[m]
        b[j] /= gram[j, j]
    if least < INDEPENDENT * largest:
        return -1.0
    for j in range(rows - 1, -1, -1):
        for m in range(j + 1, rows):
            b[j] -= gram[m, j] * b[m]
        b[j] /= gram[j, j]
    squares = 0.0
    for i in range(n):
        rest = p[i]
        for j in range(rows):
            rest -= b[j] * x[j, i]
        squares += rest * rest
    return squares


@functools.cache
def kernel() -> Kernel:
    """`fit`, compiled and ready."""
    return ready(fit, {"contract", "reassoc", "nsz"}, _once)  # reassoc: sums in any order, several terms at a time


def _once(compiled: Kernel) -> None:
    compiled(np.zeros(1), np.zeros(1), 1.0, 1.0, np.zeros((ROWS, 1)), np.zeros(ROWS))
