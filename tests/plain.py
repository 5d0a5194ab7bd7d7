"""Plain twins of the kernels and fits: a few slow, obvious lines of NumPy each, from the formulas, nothing imported."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


def accumulate(planes, energy, base, frames, shifts, regressors, weights, decay):
    """What frames (F, N) do to the lock-in's sums, in float64: (planes (P, N), energy (N,)) after them."""
    y = frames.astype(float) - base - np.asarray(shifts, float)[:, None]
    return decay * planes.astype(float) + regressors.T.astype(float) @ y, decay * energy.astype(float) + weights @ y**2


@dataclass(frozen=True)
class Batch:
    """maps (H, N) complex, noise (N,), sd (H,): of one component of h_k per unit of noise."""

    maps: np.ndarray
    noise: np.ndarray
    sd: np.ndarray


def batch_lockin(frames, time_s, phase_rad, harmonics, weights=None, stretch=None) -> Batch:
    """Weighted least squares of offset, drift and harmonics over frames (n, N) at once, with `numpy.linalg.lstsq`.

    stretch (n,): number of the baseline that a frame belongs to; each has an offset and a drift of its own. The noise
    is the weighted residual over the weight that the fit leaves, the deviation that of the weighted estimate under
    white noise.
    """
    n = len(time_s)
    w = np.ones(n) if weights is None else np.asarray(weights, float)
    stretch = np.zeros(n, int) if stretch is None else np.asarray(stretch)
    columns = []
    for s in np.unique(stretch):
        mine = stretch == s
        columns += [mine * 1.0, mine * (time_s - time_s[mine].mean())]
    for k in range(1, harmonics + 1):
        columns += [np.sin(k * phase_rad), np.cos(k * phase_rad)]
    x = np.stack(columns, 1)
    root = np.sqrt(w)[:, None]
    y = frames.reshape(n, -1).astype(float)
    b, *_ = np.linalg.lstsq(x * root, y * root, rcond=None)
    waves = b[-2 * harmonics :]
    spread = np.linalg.pinv(x * root) * np.sqrt(w)  # estimate = spread @ y
    variance = np.sum(spread**2, axis=1)[-2 * harmonics :]
    left = w.sum() - np.sum(w * np.einsum("ij,ji->i", x, spread))
    noise = np.sqrt(np.sum(w[:, None] * (y - x @ b) ** 2, axis=0) / left)
    return Batch(waves[::2] + 1j * waves[1::2], noise, np.sqrt((variance[::2] + variance[1::2]) / 2))


def fading_weights(slots, memory_frames, after_gap=()):
    """Weights of frames at the end of a run: alike until (sum w)^2 / sum w^2 over all frame periods is `memory_frames` M;
    from then on, and as long as it is, older ones fade by (M - 1)/(M + 1) a period, which would keep it at M in an endless
    run. slots (n,): periods since the frame before; after_gap: numbers of frames before which periods without a frame are
    none of the memory's, though the past fades through them."""
    fade = (memory_frames - 1) / (memory_frames + 1)
    places, of_periods = [], np.empty(0)
    for i, step in enumerate(slots):
        full = bool(i) and of_periods.sum() ** 2 / np.sum(of_periods**2) >= memory_frames - 0.5
        lost = step - 1 if i and i not in after_gap else 0
        of_periods = of_periods * (fade**step if full else 1.0)
        of_periods = np.concatenate([of_periods, (fade if full else 1.0) ** np.arange(lost, -1, -1.0)])
        places.append(of_periods.size - 1)
    return of_periods[places]


def williams_design(x_mm, y_mm, terms, with_step=True):
    """Columns of the stress sum Re sum c_n z^(n/2-1) for real and imaginary parts of c_n (n = 2: real only), in polar
    form; first, if `with_step`, those of z^(-3/2)."""
    r, angle = np.hypot(x_mm, y_mm), np.arctan2(y_mm, x_mm)
    powers = ([-1.5] if with_step else []) + [n / 2 - 1 for n in range(1, terms + 1)]
    columns = []
    for p in powers:
        columns.append(r**p * np.cos(p * angle))
        if p != 0:
            columns.append(-(r**p) * np.sin(p * angle))
    return np.stack(columns, 1)


def williams_fit(x_mm, y_mm, sum_MPa, terms, prior_sd=None):
    """Coefficients in the order of `williams_design` by `numpy.linalg.lstsq`. prior_sd (columns,): in units of the
    data's deviation, inf where there is none: each enters as one more equation 'this coefficient is 0 +- prior_sd'."""
    a, b = williams_design(x_mm, y_mm, terms), np.asarray(sum_MPa, float)
    if prior_sd is not None:
        a = np.concatenate([a, np.diag(1 / np.asarray(prior_sd))])
        b = np.concatenate([b, np.zeros(a.shape[1])])
    scale = np.linalg.norm(a, axis=0)
    return np.linalg.lstsq(a / scale, b, rcond=None)[0] / scale


def delay_fit(passage, length_mm, q, c, scale_sd, flat):
    """(chi2, lost cycles, delay) of fixes after an event for one affected length and shape, uncorrelated deviations:
    N = offset + scale B(a) + lost rise(a), the scale 1 give or take scale_sd, dN/da no flatter than `flat` of the base's."""
    a, grid = passage.crack_mm, passage.grid_mm
    left = 1 - (grid - passage.start_mm) / length_mm
    slowed = np.array([s * f**q * (1 + c * f) if 0 < f <= 1 else 0.0 for s, f in zip(passage.slowness, left)])
    rise = np.array([np.trapezoid(slowed[: i + 1], grid[: i + 1]) for i in range(len(grid))])
    slowed, rise = slowed / rise[-1], rise / rise[-1]
    columns = np.stack([np.ones(len(a)), np.interp(a, grid, passage.grid_B), np.interp(a, grid, rise)], 1)
    base_slope, extra_slope = np.interp(a, grid, passage.slowness), np.interp(a, grid, slowed)
    found = np.array([0.0, 1.0, 0.0])
    for _ in range(3):
        weight = 1 / (passage.sd_mm * np.maximum(found[1] * base_slope + found[2] * extra_slope, flat * base_slope))
        rows = np.concatenate([columns * weight[:, None], [[0.0, 1 / scale_sd, 0.0]]])
        found = np.linalg.lstsq(rows, np.append(passage.cycles * weight, 1 / scale_sd), rcond=None)[0]
    model = np.maximum.accumulate(found[0] + found[1] * passage.grid_B + found[2] * rise)
    off = (a - np.interp(passage.cycles, model, grid)) / passage.sd_mm
    end_B = np.interp(passage.start_mm + length_mm, grid, passage.grid_B)
    return off @ off + ((found[1] - 1) / scale_sd) ** 2, found[2], found[1] * end_B + found[2]
