"""Growth rates from crack sizes, and the Paris line through them with errors in both variables.

Rates are linear in the crack sizes, so each comes with the matrix that made it: overlapping windows share points, and
only the whole covariance gives the line an honest deviation.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

Array = np.ndarray
WINDOW = 7
FEWEST_RATES = 4
ROUNDS = 20
CLEAR = 0.2                    # relative deviation of a rate up to which its logarithm may be taken
CONVERGED = 1e-6               # of log10 C and m, far below any deviation
LEAST_FREEDOM = 4.0            # where the scatter is hardly known: the measurement's own share of a deviation is known well
LN10 = np.log(10.0)


@dataclass(frozen=True)
class Rates:
    """Growth rates of one method at (rates,) places; matrices (rates, points) turn point values into them.

    `size_matrix` @ crack_mm is the crack size of a rate and `rate_matrix` @ crack_mm the rate in mm/cycle.
    `window` is (rates, 2): first and last point that went in.
    """
    method: str
    cycles: Array
    crack_mm: Array
    crack_sd_mm: Array
    rate: Array
    rate_sd: Array
    size_matrix: Array
    rate_matrix: Array
    window: Array


def _rates(method: str, cycles: Array, size: Array, rate: Array, crack_mm: Array, crack_sd_mm: Array,
           window: Array) -> Rates:
    def deviation(matrix: Array) -> Array:
        return np.sqrt(matrix**2 @ crack_sd_mm**2)

    with np.errstate(invalid="ignore"):  # points at one cycle count make no rate
        return Rates(method, cycles, size @ crack_mm, deviation(size), rate @ crack_mm, deviation(rate), size, rate, window)


def secant(cycles: Array, crack_mm: Array, crack_sd_mm: Array) -> Rates:
    """Point to point: da/dN = (a2 - a1)/(N2 - N1) at the mean crack size. ASTM E647 (from memory)."""
    n = len(cycles)
    first, identity = np.arange(n - 1), np.eye(n)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = (identity[1:] - identity[:-1]) / np.diff(cycles)[:, None]
    return _rates("secant", (cycles[1:] + cycles[:-1]) / 2, (identity[1:] + identity[:-1]) / 2, rate, crack_mm,
                  crack_sd_mm, np.stack([first, first + 1], axis=1))


def polynomial(cycles: Array, crack_mm: Array, crack_sd_mm: Array, window: int = WINDOW) -> Rates:
    """Incremental polynomial, seven points: a parabola by least squares through each window, its value and slope at
    the middle point. ASTM E647 (from memory): a = b0 + b1 u + b2 u^2, u = (N - C1)/C2, C1 = (N- + N+)/2,
    C2 = (N+ - N-)/2, da/dN = b1/C2 + 2 b2 (Ni - C1)/C2^2.
    """
    n, half = len(cycles), window // 2
    middle = np.arange(half, n - half)
    size, rate = np.zeros((len(middle), n)), np.zeros((len(middle), n))
    for k, i in enumerate(middle):
        inside = slice(i - half, i + half + 1)
        c1 = (cycles[inside][0] + cycles[inside][-1]) / 2
        c2 = (cycles[inside][-1] - cycles[inside][0]) / 2
        if not c2 > 0:  # a count that stands still makes no rate
            size[k, i], rate[k, i] = 1.0, np.nan
            continue
        u = (cycles[inside] - c1) / c2
        coefficients = np.linalg.pinv(np.stack([np.ones(window), u, u**2], axis=1))
        here = u[half]
        size[k, inside] = np.array([1, here, here**2]) @ coefficients
        rate[k, inside] = np.array([0, 1, 2 * here]) @ coefficients / c2
    return _rates("polynomial", cycles[middle], size, rate, crack_mm, crack_sd_mm,
                  np.stack([middle - half, middle + half], axis=1))


@dataclass(frozen=True)
class Line:
    """log10(da/dN) = log10 C + m log10(dK): da/dN in mm/cycle, dK in MPa sqrt(m), with the covariance of both.

    `scatter` is the deviation of log10(da/dN) from step to step that the measurement does not explain: the material.
    """
    m: float
    log10_C: float
    covariance: Array            # of (log10_C, m)
    points: int
    scatter: float
    low_dK: float
    high_dK: float
    freedom: float = np.inf      # at most points - 2: fewer where the scatter, and so the deviations, are hardly known

    @property
    def m_sd(self) -> float:
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def log10_C_sd(self) -> float:
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def middle_dK(self) -> float:
        """Geometric middle of the range fitted."""
        return float(np.sqrt(self.low_dK * self.high_dK))

    def rate(self, dK: Array | float) -> Array:
        return 10 ** (self.log10_C + self.m * np.log10(dK))

    def log10_rate_sd(self, dK: Array | float) -> Array:
        x = np.log10(np.asarray(dK, float))
        c = self.covariance
        return np.sqrt(c[0, 0] + 2 * x * c[0, 1] + x**2 * c[1, 1])

    @property
    def t95(self) -> float:
        return student_t(min(max(LEAST_FREEDOM, self.freedom), max(1, self.points - 2)))


def student_t(freedom: float, z: float = 1.959964) -> float:
    """Two-sided Student quantile from the normal one. Abramowitz & Stegun 26.7.5 (from memory); within 0.5 % from
    4 degrees of freedom on, below which it is too small.
    """
    g1, g2 = (z**3 + z) / 4, (5 * z**5 + 16 * z**3 + 3 * z) / 96
    g3 = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    return z + g1 / freedom + g2 / freedom**2 + g3 / freedom**3


def fit_line(x: Array, y: Array, x_covariance: Array, y_covariance: Array) -> tuple[Array, Array]:
    """Straight line with errors in both variables: ((intercept, slope), covariance (2, 2)).

    Effective variance: the minimum of r^T T^-1 r, r = y - intercept - slope x, T = Cy + slope^2 Cx. For independent
    errors that is the line of York et al., Am. J. Phys. 72 (2004) 367 (from memory), and equals orthogonal distance
    regression; written with matrices it takes correlated errors. At the minimum [1, x']^T T^-1 r = 0 with
    x' = x + slope Cx T^-1 r, the adjusted x, which is iterated.
    """
    ones = np.ones(len(x))
    solved = np.polyfit(x, y, 1)[::-1]
    for _ in range(100):
        before = solved
        inverse = np.linalg.inv(y_covariance + before[1] ** 2 * x_covariance)
        residual = y - before[0] - before[1] * x
        adjusted = np.stack([ones, x + before[1] * x_covariance @ inverse @ residual], axis=1)
        gain = adjusted.T @ inverse
        solved = np.linalg.solve(gain @ np.stack([ones, x], axis=1), gain @ y)
        if np.abs(solved - before).max() < 1e-9 * max(1.0, np.abs(solved).max()):
            break
    return solved, np.linalg.inv(gain @ adjusted)


def scatter_needed(residual: Array, covariance: Array, scatter_covariance: Array) -> float:
    """s >= 0 with r^T (covariance + s^2 scatter_covariance)^-1 r = n - 2: what the covariance alone leaves open."""
    lower = np.linalg.cholesky(covariance)
    white = np.linalg.solve(lower, residual)
    if white @ white <= len(residual) - 2:
        return 0.0
    whitened = np.linalg.solve(lower, np.linalg.solve(lower, scatter_covariance).T)
    growth, vectors = np.linalg.eigh((whitened + whitened.T) / 2)
    squares = (vectors.T @ white) ** 2

    def too_small(s: float) -> bool:
        return float(np.sum(squares / (1 + s**2 * np.maximum(growth, 0)))) > len(residual) - 2

    low, high = 0.0, 1.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if too_small(middle) else (low, middle)
    return high


def degrees_of_freedom(x: Array, covariance: Array, scatter_covariance: Array) -> float:
    """Of the deviations of slope and height of a line whose scatter^2 was found by `scatter_needed` (Satterthwaite, Biometrics
    Bull. 2 (1946) 110; from memory): 2 var^2 over the variance of var. covariance: all of it; scatter_covariance: of unit scatter.

    r^T covariance^-1 r has the variance 2 (n - 2) and falls by tr(P scatter_covariance) with scatter^2, P the covariance's
    inverse without the line; var of slope or height grows by (H scatter_covariance H^T), H what makes them from y.
    """
    inverse, line = np.linalg.inv(covariance), np.stack([np.ones(len(x)), x - x.mean()], axis=1)
    variance = np.linalg.inv(line.T @ inverse @ line)
    made = variance @ line.T @ inverse
    growth = np.diag(made @ scatter_covariance @ made.T)
    falls = np.trace((inverse - inverse @ line @ made) @ scatter_covariance)
    return float(np.min((np.diag(variance) * falls / growth) ** 2) / (len(x) - 2))


def smoothed_away(line: Line, rates: Rates, log10_dK: Array, points_mm: Array) -> Array:
    """log10 of what a parabola makes of each rate over the rate itself, (rates,), on the course that `line` gives from
    point to point: a crack that speeds up ever faster bends more than a parabola. 0 where it can't be told.
    """
    known = np.isfinite(log10_dK)
    smooth = np.polynomial.Polynomial.fit(rates.crack_mm[known], log10_dK[known], 2)
    sizes = np.sort(points_mm)
    fine = np.linspace(sizes[0], sizes[-1], 2001)
    slowness = 1 / line.rate(10 ** smooth(fine))
    cycles = np.concatenate([[0], np.cumsum((slowness[1:] + slowness[:-1]) / 2 * np.diff(fine))])
    made = (polynomial if rates.method == "polynomial" else secant)(np.interp(sizes, fine, cycles), sizes, np.zeros(len(sizes)))
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.log10(made.rate / line.rate(10 ** smooth(made.crack_mm)))
    return np.where(np.isfinite(off), off, 0.0)


def paris(rates: Rates, log10_dK: Array, log10_dK_covariance: Array, points_mm: Array, points_sd_mm: Array,
          chosen: Array) -> Line | None:
    """The Paris line through the chosen rates. log10_dK: (rates,), its covariance (rates, rates); points_mm and their
    deviations: the crack sizes the rates came from. None with fewer than four rates.

    Noise is even about a rate, the material's scatter about its logarithm. So a rate enters by its relative distance from the
    line, to first order, as far as its own deviation makes it stray (its logarithm would be too small on average, and were
    the deviation taken against the rate itself, rates that came out large would weigh more: 0.2 % of C, more than its
    deviation), and by its logarithm as far as the material does: q - share q^2/2 is then even about nil.
    The material scatters independently from point to point; the rates' matrix says what that does to rates whose
    windows overlap. What the parabola smooths away is not taken out; the deviations hold it.
    """
    positive = np.asarray(chosen, bool) & (rates.rate > 0) & np.isfinite(log10_dK)
    chosen = np.asarray(chosen, bool) & np.isfinite(log10_dK)
    if positive.sum() < FEWEST_RATES:
        return None
    x, rate = log10_dK[chosen], rates.rate[chosen]
    x_covariance = log10_dK_covariance[np.ix_(chosen, chosen)]
    by_step = rates.rate_matrix[chosen] @ np.tri(len(points_mm), k=-1)[:, :-1] * np.diff(points_mm)
    solved = np.polyfit(log10_dK[positive], np.log10(rates.rate[positive]), 1)[::-1]
    clear = rates.rate_sd[chosen] < CLEAR * rate  # beyond that a logarithm means nothing
    material = by_step / rate[:, None]            # shares of the steps: against the line, low rates would weigh more
    scatter = 0.0
    for _ in range(ROUNDS):
        expected = 10 ** (solved[0] + solved[1] * x)
        grain = np.sum((scatter * LN10 * material) ** 2, axis=1)
        share = np.where(clear, grain / (grain + (rates.rate_sd[chosen] / expected) ** 2 + 1e-30), 0.0)
        log_off = np.log(np.where(clear, rate / expected, 1.0))
        fitted = expected * np.exp(share * log_off)
        y = np.log10(expected) + (share * log_off + (1 - share) * (rate / expected - 1)) / LN10
        measured = rates.rate_matrix[chosen] * points_sd_mm / fitted[:, None] / LN10
        own, shared = measured @ measured.T, material @ material.T
        before = solved
        solved, covariance = fit_line(x, y, x_covariance, own + scatter**2 * shared)
        scatter = scatter_needed(y - solved[0] - solved[1] * x, own + solved[1] ** 2 * x_covariance, shared)
        if np.abs(solved - before).max() < CONVERGED:
            break
    else:
        return None
    freedom = degrees_of_freedom(x, own + scatter**2 * shared + solved[1] ** 2 * x_covariance, shared)
    line = Line(float(solved[1]), float(solved[0]), covariance, len(x), scatter, float(10 ** x.min()), float(10 ** x.max()), freedom)
    off = smoothed_away(line, rates, log10_dK, points_mm)[chosen]
    shift = solved - fit_line(x, y - off, x_covariance, own + scatter**2 * shared)[0]
    return replace(line, covariance=covariance + np.outer(shift, shift))
