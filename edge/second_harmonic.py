"""What else stands at 2f: the load's own second harmonic, and a specimen that moves with the load.

Away from crack faces and tip nothing but these makes a signal at 2f, and both are copies of the first harmonic that the
camera itself has measured: a load Pa (sin phi + rho sin(2 phi + psi)) brings rho exp(i psi) h1, and a motion d sin(phi)
shifts the 1f field to and fro, which brings half the gradient of h1 along d. So their strength is fitted in the far
field, where it is known far better than anywhere else, and compared with what the load signal says. (The stress
dependence of the thermoelastic constant brings a part that goes with h1 squared, below 1 %; it is not taken out.)
"""

from dataclasses import dataclass

import numpy as np

from edge.surroundings import smoothed

CLEAR = 4.0  # deviations beyond which a share is taken out
FAR_BLUR_PX, DOUBT_BLUR_PX = 1.2, 0.7
LEAST_PIXELS = 200
GRADIENT_VARIANCE = 0.0139  # of `gradient` in white noise of deviation 1 (simulated)
LEAST_TOLD = 3.0  # of a copy's mean square over that of its noise
SURE_SD = 0.004  # deviation of the far field's share below which it is preferred to the load signal's


@dataclass(frozen=True)
class Cleaned:
    """h2 without copies of h1; share_sd: deviation of the load's second harmonic as it was taken out; left_px, left_sd_px (2,):
    the motion right and down that the far field shows and was not taken out, and its deviation, infinite where it shows none;
    taken_out: whether a second harmonic of the load was; disagrees: the far field shows another one than the load signal."""

    h2: np.ndarray
    share_sd: float
    left_px: np.ndarray
    left_sd_px: np.ndarray
    taken_out: bool
    disagrees: bool


def clean(
    h1: np.ndarray,
    h2: np.ndarray,
    sd_K: float,
    far: np.ndarray,
    load_h2: complex,
    load_h2_sd: float,
    least_sd: tuple[float, float, float] = (0.0, 0.0, 0.0),
    h1_sd_K: float = 0.0,
    still: bool = False,
) -> Cleaned:
    """h1, h2 (rows, columns) complex, K; sd_K of each component of h2, h1_sd_K of h1; far (rows, columns) bool: pixels beside
    which there is neither contact nor dissipation. load_h2: what the load signal has. least_sd: of the share and of a
    motion right and down, where pixels share noise (edge/shared_noise.py). still: motion has been taken out already, with the
    noise of these very gradients, which would look like motion again."""
    # T(x - d sin phi) = T(x) - d grad Im[h1 e^{i phi}] sin phi, whose 2f part is +i/2 d grad h1
    right, down = gradient(h1)
    copies = h1, 0.5j * right, 0.5j * down
    count = 1 if still else 3
    b, sd = np.zeros(3, complex), np.full(3, np.inf)
    noise = h1_sd_K**2 * np.array([2.0, 0.5 * GRADIENT_VARIANCE, 0.5 * GRADIENT_VARIANCE])
    b[:count], sd[:count] = _strengths(np.stack([c[far] for c in copies[:count]]), h2[far], sd_K, noise[:count])
    sd = np.maximum(sd, least_sd)
    share, share_sd = complex(b[0]), float(sd[0])
    disagrees = abs(share - load_h2) > 4 * np.hypot(share_sd, load_h2_sd) + 0.003
    if share_sd > SURE_SD:
        share, share_sd = load_h2, max(load_h2_sd, 1e-4)
    moves = np.abs(b[1:]) > CLEAR * sd[1:]
    out = np.concatenate([[share if abs(share) > CLEAR * share_sd else 0.0], np.where(moves, b[1:], 0)])
    cleaned = h2.copy()
    for strength, copy in zip(out, copies):
        if strength:
            cleaned -= strength * copy
    left = np.where(moves, 0, b[1:])
    return Cleaned(cleaned, share_sd, left, sd[1:], bool(abs(out[0]) > 0), bool(disagrees))


def _strengths(x: np.ndarray, y: np.ndarray, sd_K: float, noise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of the copies x (m, n) in y (n,), complex least squares, and the deviation of a component of each; 0 and infinite
    where the pixels cannot tell. noise (m,): mean square of what is noise in the copies themselves; not taken off, it would make
    them too weak (errors in variables: Fuller, Measurement Error Models, 1987, from memory)."""
    b, sd = np.zeros(len(x), complex), np.full(len(x), np.inf)
    seen = x.conj() @ x.T
    told = np.diag(seen).real > LEAST_TOLD * y.size * noise
    if y.size < LEAST_PIXELS or not np.any(np.abs(x[0]) > 0) or not told[0]:
        return b, sd
    x, seen = x[told], seen[np.ix_(told, told)]
    try:
        inverse = np.linalg.inv(seen - np.diag(y.size * noise[told]))
    except np.linalg.LinAlgError:
        return b, sd
    b[told], sd[told] = inverse @ (x.conj() @ y), sd_K * np.sqrt(np.diag(inverse @ seen @ inverse).real)
    return b, sd


def doubts(h1: np.ndarray, covariance: np.ndarray, motion_sd_px: np.ndarray) -> np.ndarray:
    """Maps (4, rows, columns) of what one deviation of the share, an offset and the motion brings to 2f; covariance (2, 2):
    of share and offset, K."""
    right, down = gradient(h1.real.astype(complex), DOUBT_BLUR_PX)
    values, ways = np.linalg.eigh(covariance)
    (s1, o1), (s2, o2) = (ways * np.sqrt(np.maximum(values, 0))).T
    motion = [0.5 * motion_sd_px[0] * right.real, 0.5 * motion_sd_px[1] * down.real]
    return np.stack([s1 * h1.real + o1, s2 * h1.real + o2, *motion])


def gradient(h: np.ndarray, blur_px: float = FAR_BLUR_PX) -> tuple[np.ndarray, np.ndarray]:
    """Change per pixel to the right and down, from a smoothed map: (rows, columns) each."""
    s = smoothed(h, blur_px)
    return np.gradient(s, axis=1), np.gradient(s, axis=0)
