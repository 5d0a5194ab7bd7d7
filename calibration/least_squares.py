"""Non-linear least squares for a handful of parameters, and the chi-square test: what scipy would give, without scipy.

Used by sweep and step; tests compare both functions with scipy on the same data.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

ROUNDS = 60
SETTLED = 1e-10  # relative change of the sum of squares


@dataclass(frozen=True)
class Solution:
    """x (n,), its covariance (n, n) for residuals of unit deviation, sum of squares, degrees of freedom."""

    x: np.ndarray
    covariance: np.ndarray
    chi2: float
    dof: int

    @property
    def sd(self) -> np.ndarray:
        return np.sqrt(np.maximum(np.diag(self.covariance), 0))


def solve(residual: Callable[[np.ndarray], np.ndarray], start: np.ndarray, scale: np.ndarray) -> Solution:
    """Levenberg's damped Gauss-Newton (K. Levenberg, Q. Appl. Math. 2 (1944) 164) on `residual(x)` (m,), each residual
    in units of its standard deviation. `scale` (n,) is the size of a noticeable change of each parameter."""
    x = np.array(start, float)
    scale = np.asarray(scale, float)
    r = residual(x)
    damping = 1e-3
    for _ in range(ROUNDS):
        jacobian = slopes(residual, x, scale)
        normal, downhill = jacobian.T @ jacobian, jacobian.T @ r
        while damping < 1e12:
            step = np.linalg.lstsq(normal + damping * np.diag(np.diag(normal) + 1e-12), -downhill, rcond=None)[0]
            trial = residual(x + scale * step)
            if trial @ trial <= r @ r:
                break
            damping *= 10
        else:
            break
        gained = r @ r - trial @ trial
        x, r, damping = x + scale * step, trial, max(damping / 10, 1e-12)
        if gained <= SETTLED * (r @ r + 1e-30):
            break
    jacobian = slopes(residual, x, scale)
    covariance = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-13, hermitian=True) * np.outer(scale, scale)
    return Solution(x, covariance, float(r @ r), r.size - x.size)


def slopes(residual: Callable[[np.ndarray], np.ndarray], x: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Central differences of `residual` per `scale` of each parameter: (m, n)."""
    columns = []
    for i in range(x.size):
        move = np.zeros(x.size)
        move[i] = 1e-4 * scale[i]
        columns.append((residual(x + move) - residual(x - move)) / 2e-4)
    return np.stack(columns, axis=1)


def chance_of_more(chi2: float, dof: int) -> float:
    """Probability that chi-square of `dof` degrees of freedom exceeds `chi2` (Wilson & Hilferty, PNAS 17 (1931) 684:
    its cube root is nearly normal; within 0.005 for 2 degrees or more)."""
    if dof < 1:
        return 1.0
    z = ((chi2 / dof) ** (1 / 3) - (1 - 2 / (9 * dof))) / math.sqrt(2 / (9 * dof))
    return 0.5 * math.erfc(z / math.sqrt(2))
