"""Stress-sum field around a crack tip as a Williams series, fitted by linear least squares.

    s(z) = sigma_x + sigma_y = Re sum_n c_n z^(n/2-1),  n = 1, 2, ...        z = x + i y, mm, crack coordinates
    c_1 = 2 (K_I - i K_II) / sqrt(2 pi),   c_2 = T

(Williams, J. Appl. Mech. 24 (1957) 109, from memory; the sum of the in-plane stresses is the real part of an analytic
function.) x runs along the crack from the tip, y 90 degrees counter-clockwise from it as seen on the image.

A tip that is misplaced by d = dx + i dy adds, to first order, (c_1/2) d z^(-3/2): of all the terms' derivatives only this
one lies outside the series. So the series is fitted together with z^(-3/2), and its coefficient tells how far and with
which deviation the tip has to move (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, from memory).

Truncation: the higher terms fade with the distance L to the next feature of the plate (crack mouth, other tip, far
edge) as L^(-(n-1)/2). They enter with that as prior deviation, times a factor that is averaged over as the map weighs it
(marginal likelihood: MacKay, Neural Comput. 4 (1992) 415, from memory), instead of a hard choice of their number; so what
they may hide enters the deviations of K, T and tip. Where the specimen says what they should be (edge/prior.py), that is
how far they are from it: the column of K_I then carries the expected ones along, and that of the step what they do to
the function when the tip is misplaced, -d sum_n (n/2) c_(n+2) z^(n/2-1).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edge.conduction import Flow
from edge.prior import FIRST, Prior

KNOWN_PRIORS = (0.015, 0.04, 0.1, 0.3, 1.0, 3.0)  # the same about expected terms, n >= 3; their tables are good to the first for n = 3, 4
BEYOND = 0.5  # the same about terms beyond those expected: near the next feature they do not fade
PRIORS = (0.4, 0.8, 1.6, 3.2)  # deviations of |c_n| L^((n-1)/2) / |c_1|, n >= 4: our own choice; 0.16 at most in a
# centre-cracked sheet (closed form), some 0.4 up to n = 8 in SENT (fits to finite elements)
UNEVEN = 1.2  # chi-square from which residuals are looked at for where they are large: pixels whose gain differs scatter with the
# signal, so most where the tip's place is told (White, Econometrica 48 (1980) 817, from memory)
LARGEST_INVERSE = 1e13  # of a matrix with unit diagonal; good fits have up to 1e9
PRIOR_3 = 4.8  # the least for c_3, which the map itself tells well
PRIOR_T = 2.0  # the same for c_2, where 0.7 is the centre-cracked sheet's
MPA_SQRT_MM_TO_M = np.sqrt(1e-3)


@dataclass(frozen=True)
class Series:
    """coefficients (N,) complex, MPa mm^(1-n/2); notch (4,) or (0,): of the columns that a notch adds, MPa; shift: step to
    the better tip, complex mm in crack coordinates; covariance over [shift x, shift y, K_I, K_II, T] in mm, MPa sqrt(m),
    MPa; chi2: per degree of freedom; r2: share of the variance explained; pixels: number fitted."""

    coefficients: np.ndarray
    notch: np.ndarray
    shift: complex
    covariance: np.ndarray
    chi2: float
    r2: float
    pixels: int

    @property
    def K(self) -> complex:
        """K_I + i K_II, MPa sqrt(m)."""
        return complex(np.conj(self.coefficients[0]) * np.sqrt(2 * np.pi) / 2 * MPA_SQRT_MM_TO_M)

    @property
    def T_MPa(self) -> float:
        return float(self.coefficients[1].real)


def to_crack(
    rows: float | np.ndarray, columns: float | np.ndarray, tip: tuple[float, float], angle_deg: float, mm_per_px: float
) -> np.ndarray:
    """z = x + i y in mm of pixels (row, column) for a tip at (row, column) and a crack growing along angle_deg."""
    return (np.subtract(columns, tip[1]) + 1j * np.subtract(tip[0], rows)) * mm_per_px * np.exp(-1j * np.deg2rad(angle_deg))


def design(z: np.ndarray, terms: int, unit_mm: float, shift: bool = True) -> np.ndarray:
    """Columns for z (n,) complex: [z^(-3/2): 2 columns if `shift`], then two a term but one for n = 2, of z / unit_mm."""
    root = np.sqrt(z / unit_mm)
    inverse = 1 / root
    columns = np.empty((2 * terms - 1 + 2 * shift, z.size))
    if shift:
        power = inverse * inverse * inverse
        columns[0], columns[1] = power.real, -power.imag
    power, i = inverse, 2 * shift
    for n in range(1, terms + 1):
        columns[i] = power.real
        if n != 2:
            columns[i + 1] = -power.imag
        i += 1 if n == 2 else 2
        power = power * root
    return columns


def notch_columns(z: np.ndarray, back_mm: float) -> np.ndarray:
    """What a notch wider than the crack adds at z (n,) complex mm, its end back_mm behind the tip, (4, n): real parts of
    functions that are singular at its end and, like the series, leave the crack's faces free. What they do at the tip is
    taken off: that is part of K and T."""
    pole = back_mm / (z + back_mm)
    root = np.sqrt(back_mm / z)
    first, second = pole - 1, pole**2 - 1
    return np.stack([(root * first).real, first.real, (root * second).real, second.real])


def evaluate(coefficients: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Stress sum in MPa at z (mm, complex, any shape)."""
    return analytic(coefficients, z).real


def stress_sum(
    z: np.ndarray, coefficients: np.ndarray, notch: np.ndarray, notch_back_mm: float, flow: Flow | None
) -> np.ndarray:
    """All that is fitted at z (n,) complex mm, MPa: the series, what a notch (4,) or none (0,) adds, and the heat that flows."""
    total = evaluate(coefficients, z)
    if notch.size:
        total = total + notch @ notch_columns(z, notch_back_mm)
    return total if flow is None else total + flow.real_part(z, coefficients)


def analytic(coefficients: np.ndarray, z: np.ndarray) -> np.ndarray:
    """The function whose real part the stress sum is, sum_n c_n z^(n/2-1), at z (mm, complex, any shape)."""
    root = np.sqrt(np.asarray(z, complex))
    total = np.zeros(root.shape, complex)
    for c in coefficients[::-1]:
        total = total * root + c
    return total / root


def fit(
    z: np.ndarray,
    stress_MPa: np.ndarray,
    sd_MPa: float,
    terms: int,
    prior: Prior | None,
    scale: float | None = None,
    weights: np.ndarray | None = None,
    flow: Flow | None = None,
    groups: Sequence[tuple[np.ndarray, float]] = (),
) -> Series:
    """Least squares at z (n,) complex mm of stress sums (n,) with deviation sd_MPa each, weighted by `weights` (n,),
    with the heat that flows (edge/conduction.py).

    scale: |c_1| the prior starts from; found from a first fit otherwise.
    groups: who shares noise with whom, a number each (n,), and the deviation of that noise, MPa: enters the covariance.
    Raises numpy.linalg.LinAlgError where the pixels don't determine the series.
    """
    unit = float(np.median(np.abs(z)))
    shares = _shares(prior.shares if prior is not None else (), terms, unit)
    x = _columns(z, unit, terms, shares, prior, flow)
    xw = x if weights is None else x * weights
    gram, right = xw @ x.T / sd_MPa**2, xw @ stress_MPa / sd_MPa**2
    if prior is None:
        inverse = _inverse(gram)
        b = inverse @ right
    else:
        if scale is None:
            few = [0, 1, 2, 3, 4]
            first = np.linalg.solve(gram[np.ix_(few, few)], right[few])
            scale = float(np.hypot(first[2], first[3])) * unit**0.5
        b, inverse = _averaged(gram, right, terms, scale, prior, unit)
    residual = stress_MPa - b @ x
    rss = float(residual @ residual)
    chi2 = rss / sd_MPa**2 / max(1, z.size - len(b))
    total = float(np.sum((stress_MPa - stress_MPa.mean()) ** 2))
    c1, own = complex(b[2], b[3]), 2 * terms + 1  # columns of the series
    coefficients = np.array([c1, complex(b[4], 0.0)] + [complex(b[i], b[i + 1]) for i in range(5, own, 2)])
    coefficients = (coefficients + shares[:terms] * c1) * unit ** (1 - np.arange(1, terms + 1) / 2)
    shift = 2 * complex(b[0], b[1]) / c1 * unit
    covariance = _named(inverse, c1, unit) * max(1.0, chi2)
    if chi2 > UNEVEN:
        pull = _naming(len(b), c1, unit) @ inverse @ xw * residual / sd_MPa**2
        more = np.sqrt(np.maximum(1.0, np.sum(pull**2, axis=1) / np.diag(covariance)))
        covariance *= more[:, None] * more
    for who, size in groups:
        spread = inverse @ np.stack([np.bincount(who, column) for column in xw]) * size / sd_MPa**2
        covariance += _named(spread @ spread.T, c1, unit)
    return Series(coefficients, b[own:], shift, covariance, chi2, 1 - rss / total if total > 0 else 0.0, z.size)


def _columns(
    z: np.ndarray, unit: float, terms: int, shares: np.ndarray, prior: Prior | None, flow: Flow | None
) -> np.ndarray:
    """(P, n): of the step and the series, with the heat that flows and the terms expected of K, then of a notch."""
    x = design(z, terms, unit)
    if flow is not None:
        x = x + flow.columns(z, terms, unit)
    if shares.any():
        _carry(x, shares)
    if prior is None or not prior.notch_back_mm:
        return x
    return np.concatenate([x, notch_columns(z, prior.notch_back_mm)])


def _shares(of_c1: tuple[float, ...], terms: int, unit: float) -> np.ndarray:
    """Expected terms for n = 1 ... N + 2 over c_1 in units of z / unit, from those for n = FIRST ... in mm."""
    shares = np.zeros(terms + 2)
    known = of_c1[: terms + 1 - FIRST]
    shares[FIRST - 1 : FIRST - 1 + len(known)] = known
    return shares * unit ** (np.arange(terms + 2) / 2)


def _carry(x: np.ndarray, shares: np.ndarray) -> None:
    """Into the columns x (P, n) of the step and of K_I and K_II: the terms that have those shares of c_1."""
    terms = len(shares) - 2
    real = np.array([2, 4, *range(5, len(x), 2)])[:terms]  # columns of each term's real part
    imaginary = np.delete(real, 1) + 1  # the second has none
    step = -np.arange(1, terms + 1) * shares[2:]
    first, second = step @ x[real], np.delete(step, 1) @ x[imaginary]
    x[2] += shares[:terms] @ x[real]
    x[3] += np.delete(shares[:terms], 1) @ x[imaginary]
    x[0] += first
    x[1] += second


def _inverse(gram: np.ndarray) -> np.ndarray:
    s = 1 / np.sqrt(np.diag(gram))
    inverse = np.linalg.inv(gram * s[:, None] * s)
    if not np.abs(inverse).max() < LARGEST_INVERSE:  # some libraries invert a singular matrix without a word
        raise np.linalg.LinAlgError("the pixels don't determine the series")
    return s[:, None] * inverse * s


def _averaged(
    gram: np.ndarray, right: np.ndarray, terms: int, scale: float, prior: Prior, unit: float
) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients and their covariance, over the prior factors as their marginal likelihoods weigh them."""
    order = np.array([-1, -1, 1, 1, 2] + [n for n in range(3, terms + 1) for _ in (0, 1)])
    # in units of z/unit the coefficient of term n is c_n unit^(n/2-1)
    size = scale * prior.fades_over_mm ** (-(order - 1) / 2) * unit ** (order / 2 - 1)
    higher, told = order >= 3, (order < FIRST + len(prior.shares)) | (not prior.shares)
    notch = np.array(prior.notch_sds(scale))
    free = np.zeros(len(gram))
    free[[2, 4, *range(5, len(order), 2)]] = scale * unit**-0.5 * _shares(prior.free, terms, unit)[:terms]
    evidences, means, covariances = [], [], []
    for factor in np.hypot(KNOWN_PRIORS, prior.pins_off) if prior.shares else PRIORS:
        third = factor if prior.shares else max(factor, PRIOR_3)
        spread = np.select([order == 2, order == 3], [PRIOR_T, third], np.where(told, factor, np.hypot(factor, BEYOND)))
        precision = np.concatenate([np.where(order >= 2, 1 / (spread * size) ** 2, 0.0), 1 / notch**2])
        loose = 1 + precision @ free**2  # one direction more to be free in: Woodbury's identity and determinant
        along = precision * free / np.sqrt(loose)
        inverse = _inverse(gram + np.diag(precision) - np.outer(along, along))
        b = inverse @ right
        determinants = np.linalg.slogdet(inverse)[1] + np.sum(np.log(precision[: len(order)][higher])) - np.log(loose)
        evidences.append(right @ b + determinants)
        means.append(b)
        covariances.append(inverse)
    weight = np.exp(0.5 * (np.array(evidences) - max(evidences)))
    weight /= weight.sum()
    b = weight @ np.array(means)
    off = np.array(means) - b
    return b, np.tensordot(weight, np.array(covariances), 1) + (off * weight[:, None]).T @ off


def _naming(size: int, c1: complex, unit: float) -> np.ndarray:
    """(5, size): what [shift x, shift y, K_I, K_II, T] are of the scaled coefficients, to first order."""
    to_k = np.sqrt(2 * np.pi) / 2 * unit**0.5 * MPA_SQRT_MM_TO_M
    turn = 2 * unit / c1  # shift = turn (b0 + i b1)
    jacobian = np.zeros((5, size))
    jacobian[0, :2] = turn.real, -turn.imag
    jacobian[1, :2] = turn.imag, turn.real
    jacobian[2, 2], jacobian[3, 3], jacobian[4, 4] = to_k, -to_k, 1.0
    return jacobian


def _named(inverse: np.ndarray, c1: complex, unit: float) -> np.ndarray:
    """Covariance of [shift x, shift y, K_I, K_II, T] from that of the scaled coefficients."""
    jacobian = _naming(len(inverse), c1, unit)
    return jacobian @ inverse @ jacobian.T
