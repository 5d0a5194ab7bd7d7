"""Second harmonic along the crack: contact of the faces behind the tip, dissipation ahead of it.

Both zones heat twice a cycle, but about half a turn apart, and they lie on different sides of the tip; so they are told
apart by place and by the phase between them, never by absolute phase. The map is averaged across the crack to a complex
profile p(x), and one model with two zones is fitted to it:

    p(x) = C taper(x) + D bell(x),    taper = 1 + (x - x_s) / L from its start x_s back to x_s - L,    C, D complex

The taper is extrapolated through the noise: its end is where the contact fades to zero, not where it drops below the
noise. Each zone must earn its place by the fall of chi-square it brings.
"""

from dataclasses import dataclass, replace
from math import erf

import numpy as np

from edge import williams
from edge.handbook import clipped_harmonics

EARNED = 25.0  # fall of chi-square for a zone: 4 parameters and some 30 places it might have stood in
OPPOSITE_DEG = 100.0  # phase gap beyond which two zones are two
LEAST_LENGTH_PX = 2.5
LEAST_SHARE = 0.1  # of the zone ahead: less may be its own tail, shaped otherwise than the bell
BLUR_PX = 0.7
WIDTHS_PX = (1.2, 1.8, 2.7, 4.0)
AHEAD_PX = 30
LARGEST_OPENING_SD = 0.15  # a flat guess over all fractions has 0.29


@dataclass(frozen=True)
class Closure:
    """What 2f says; None: not found or not determined. Lengths in mm, back from the elastic tip for contact_length_mm,
    along the crack from it (negative: behind) for reversal_mm. contact_K, ahead_K: amplitudes on the crack line."""

    contact_length_mm: float | None = None
    contact_sd_mm: float | None = None
    contact_K: float | None = None
    contact_K_sd: float | None = None
    ahead_K: float | None = None
    ahead_K_sd: float | None = None
    phase_gap_deg: float | None = None
    phase_gap_sd_deg: float | None = None
    reversal_mm: float | None = None
    reversal_sd_mm: float | None = None
    opening_fraction: float | None = None
    opening_sd: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Profile:
    """x_px (n,): along the crack from the tip, in pixels; values (n,) complex, K; sd (n,): of each component; width_px."""

    x_px: np.ndarray
    values: np.ndarray
    sd: np.ndarray
    width_px: float


def along_crack(
    h: np.ndarray,
    sd_K: float,
    usable: np.ndarray,
    tip: tuple[float, float],
    angle_deg: float,
    back_px: float,
    width_px: float,
) -> Profile:
    """Matched average across the crack: a strip with a bell-shaped profile of deviation width_px gives its peak value."""
    rows, columns = (np.asarray(i) for i in np.indices(h.shape))
    z = williams.to_crack(rows, columns, tip, angle_deg, 1.0)
    inside = usable & np.isfinite(h) & (np.abs(z.imag) < 3 * width_px) & (z.real > -back_px) & (z.real < AHEAD_PX)
    weight = np.exp(-0.5 * (z.imag[inside] / width_px) ** 2)
    place = np.floor(z.real[inside] + back_px).astype(int)
    n = int(back_px) + AHEAD_PX + 1
    power = np.bincount(place, weight**2, n)
    first = np.bincount(place, weight**2 * z.real[inside], n)
    full = power > 0.3 * np.median(power[power > 0]) if power.any() else power > 0
    value = np.bincount(place, weight * h[inside].real, n) + 1j * np.bincount(place, weight * h[inside].imag, n)
    p = power[full]
    return Profile(first[full] / p, value[full] / p, sd_K / np.sqrt(p), width_px)


def taper(x: np.ndarray, start: np.ndarray | float, length: np.ndarray | float) -> np.ndarray:
    """1 at `start`, falling linearly to 0 at start - length, none ahead of it; the step is blurred."""
    return np.clip(1 + np.minimum(x - start, 0) / length, 0, 1) * taper_edge(x - start)


def taper_edge(u: np.ndarray) -> np.ndarray:
    """1 far behind, 0 far ahead of u = 0: the blurred step, a cumulative normal distribution by interpolation."""
    table = np.linspace(-4, 4, 161)
    return np.interp(u / BLUR_PX, table, [0.5 * (1 - erf(v / 2**0.5)) for v in table])


def bell(x: np.ndarray, place: np.ndarray | float, size: np.ndarray | float) -> np.ndarray:
    return np.exp(-0.5 * ((x - place) / size) ** 2)


def analyse(
    h2: np.ndarray,
    sd_K: float,
    usable: np.ndarray,
    tip: tuple[float, float],
    angle_deg: float,
    mm_per_px: float,
    crack_mm: float,
    h3: np.ndarray | None = None,
    h3_sd_K: float = 0.0,
) -> Closure:
    """Both zones from the corrected second-harmonic map h2 (rows, columns) complex, K, with deviation sd_K of each
    component, the load's own second harmonic taken out; the opening load too, where there is a third harmonic."""
    back_px = float(np.clip(crack_mm / mm_per_px, 12, 400))
    profiles = [along_crack(h2, sd_K, usable, tip, angle_deg, back_px, w) for w in WIDTHS_PX]
    profiles = [p for p in profiles if p.x_px.size > 15 and p.x_px.min() < -6 and p.x_px.max() > 4]
    if not profiles:
        return Closure(flags=("no_contact",))
    near = [float(np.sum(np.abs(p.values / p.sd)[np.abs(p.x_px) < 12] ** 2)) for p in profiles]
    profile = profiles[int(np.argmax(near))]
    zones = two_zones(profile)
    ahead = zones.gain_bell > EARNED
    ahead_K, ahead_sd = (zones.D_K, zones.D_sd_K) if ahead else (None, None)
    if not _contact_stands(zones):
        return Closure(
            ahead_K=ahead_K, ahead_K_sd=ahead_sd, flags=("no_contact", "ahead_only") if ahead else ("no_contact",)
        )
    mm = mm_per_px
    both = Closure(zones.end_px * mm, zones.end_sd_px * mm, zones.C_K, zones.C_sd_K, ahead_K, ahead_sd)
    if h3 is not None:
        third = along_crack(h3, h3_sd_K, usable, tip, angle_deg, back_px, profile.width_px)
        opened = opening(zones, third)
        if opened is not None:
            both = replace(both, opening_fraction=opened[0], opening_sd=opened[1])
    if not ahead:
        return both
    return replace(
        both,
        phase_gap_deg=zones.gap_deg,
        phase_gap_sd_deg=zones.gap_sd_deg,
        reversal_mm=zones.reversal_px * mm,
        reversal_sd_mm=zones.reversal_sd_px * mm,
    )


def opening(zones: "TwoZones", third: Profile) -> tuple[float, float] | None:
    """Share of the load range below which the faces touch, and its deviation, from the third over the second harmonic of
    the contact; None where they do not support it. `third`: profile of h3 along the same strip.

    The pressure of faces that touch below the opening load is a clipped sinusoid, and the ratio of its harmonics depends
    on the conduction angle alone (edge.handbook.clipped_harmonics); with one taper for both, its shape cancels.
    """
    start, length, c2, c2_sd = zones.likeliest
    template = taper(third.x_px, start, length) / third.sd
    power = float(template @ template)
    if power <= 0 or abs(c2) < 4 * c2_sd:
        return None
    c3 = complex(template @ (third.values / third.sd)) / power
    # c_k cos k(phi + 90 deg) = c_k sin(k phi + (k + 1) 90 deg): the third leads the second by a quarter turn
    ratio = c3 / (1j * c2)
    ratio_sd = float(np.hypot(1 / np.sqrt(power), abs(ratio) * c2_sd)) / abs(c2)
    if abs(ratio.imag) > 4 * ratio_sd:  # not in step with the second harmonic: something else makes it
        return None
    fractions = np.linspace(0.02, 0.98, 97)
    c = np.array([clipped_harmonics(float(u)) for u in fractions])
    off = (ratio.real - c[:, 3] / c[:, 2]) / ratio_sd  # the ratio falls all the way from 1 to -1
    likely = np.exp(-0.5 * np.minimum(off**2, 700.0))
    if likely.sum() < 1e-6:
        return None
    mean, sd = _mean_sd(fractions, likely / likely.sum())
    return (mean, float(np.hypot(sd, 0.01))) if sd < LARGEST_OPENING_SD else None


def _contact_stands(zones: "TwoZones") -> bool:
    """Contact lies behind the tip, is longer than the blur, and where there is a zone ahead, opposite to it in phase."""
    if zones.gain_taper < EARNED or zones.end_px < LEAST_LENGTH_PX:
        return False
    return zones.gain_bell < EARNED or (zones.gap_deg > OPPOSITE_DEG and zones.C_K > LEAST_SHARE * zones.D_K)


@dataclass(frozen=True)
class TwoZones:
    """Posterior mean and deviation of what taper and bell are: C, D amplitudes, K; end: where the taper reaches zero, px
    behind the elastic tip; reversal: px ahead of it. gains: fall of chi-square that each zone brings beside the other."""

    C_K: float
    C_sd_K: float
    D_K: float
    D_sd_K: float
    gap_deg: float
    gap_sd_deg: float
    end_px: float
    end_sd_px: float
    reversal_px: float
    reversal_sd_px: float
    gain_taper: float
    gain_bell: float
    likeliest: tuple[float, float, complex, float]  # start, length, C and its deviation of the best single model


# what is believed of the shapes before looking (mean, deviation), px
START, START_SD = -0.5, 1.0  # contact ends at the physical tip, a little behind the elastic one
PLACE, PLACE_SD = 2.0, 2.0
SIZE, SIZE_FACTOR = 2.2, 1.8  # log-normal
GRID_PX = 0.15  # deviation that the grid itself adds
MOST_MODELS = 1500  # of the grid's, the likeliest


def two_zones(profile: Profile) -> TwoZones:
    """Posterior over a grid of start and end of the taper, place and size of the bell; at each point the two complex
    amplitudes follow from linear least squares, with their uncertainty integrated over (flat prior)."""
    x, y, w = profile.x_px, profile.values / profile.sd, 1 / profile.sd
    longest = 1.2 * max(-float(x.min()), 12.0)
    lengths = np.concatenate([np.arange(1.5, 20, 0.5), np.geomspace(20, max(21.0, longest), 24)])
    starts = np.arange(-4.0, 2.1, 0.5)
    tapers = np.array([(s, n) for s in starts for n in lengths])
    bells = np.array([(p, s) for p in np.arange(-0.5, 8.1, 0.5) for s in np.geomspace(0.9, 7.0, 12)])
    a = np.concatenate([taper(x, s, lengths[:, None]) for s in starts]) * w
    b = bell(x, bells[:, :1], bells[:, 1:]) * w
    aa, bb, ab = np.sum(a * a, 1)[:, None], np.sum(b * b, 1), a @ b.T
    ay, by = (a @ y)[:, None], b @ y
    det = np.maximum(aa * bb - ab**2, 1e-9 * aa * bb)
    c, d = (bb * ay - ab * by) / det, (aa * by - ab * ay) / det
    explained = (np.conj(c) * ay + np.conj(d) * by).real
    believed = (
        -0.5 * ((tapers[:, :1] - START) / START_SD) ** 2
        - 0.5 * ((bells[:, 0] - PLACE) / PLACE_SD) ** 2
        - 0.5 * (np.log(bells[:, 1] / SIZE) / np.log(SIZE_FACTOR)) ** 2
    )
    score = 0.5 * explained - np.log(det / (aa * bb)) + believed - np.log(aa) - np.log(bb)
    kept = np.argpartition(score, -MOST_MODELS, axis=None)[-MOST_MODELS:]  # the rest weigh nothing, or all alike
    i, j = np.unravel_index(kept, score.shape)
    weight = np.exp(score[i, j] - score.max())
    weight = weight / weight.sum()
    best = float(np.max(explained))
    gains = best - float(np.max(np.abs(by) ** 2 / bb)), best - float(np.max(np.abs(ay) ** 2 / aa))
    top = np.unravel_index(int(np.argmax(score)), score.shape)
    start, length = tapers[top[0]]
    top_sd = float(np.sqrt(bb[top[1]] / det[top]))
    likeliest = (float(start), float(length), complex(c[top]), top_sd)
    c, d, det, aa, bb = c[i, j], d[i, j], det[i, j], aa[i, 0], bb[j]
    c_var, d_var = bb / det, aa / det  # of each component
    ratio = c * np.conj(d)
    turn = complex(np.sum(weight * ratio / np.maximum(np.abs(ratio), 1e-30)))
    spread = np.angle(ratio / turn)
    gap_var = np.sum(
        weight * (spread**2 + c_var / np.maximum(np.abs(c) ** 2, 1e-30) + d_var / np.maximum(np.abs(d) ** 2, 1e-30))
    )
    end, end_sd = _mean_sd(tapers[i, 1] - tapers[i, 0], weight)
    C, C_sd = _mean_sd(np.abs(c), weight)
    D, D_sd = _mean_sd(np.abs(d), weight)
    turns = _reversals(c, d, tapers[i], bells[j])
    known = np.isfinite(turns)
    reversal, reversal_sd = (
        _mean_sd(turns[known], weight[known] / np.sum(weight[known])) if known.any() else (START, START_SD)
    )
    return TwoZones(
        C,
        float(np.hypot(C_sd, np.sqrt(np.sum(weight * c_var)))),
        D,
        float(np.hypot(D_sd, np.sqrt(np.sum(weight * d_var)))),
        abs(float(np.degrees(np.angle(turn)))),
        float(np.degrees(np.sqrt(gap_var))),
        end,
        float(np.hypot(end_sd, GRID_PX)),
        reversal,
        float(np.hypot(reversal_sd, GRID_PX)),
        *gains,
        likeliest,
    )


def _mean_sd(values: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    mean = float(np.sum(weight * values))
    return mean, float(np.sqrt(max(0.0, np.sum(weight * (values - mean) ** 2))))


def _reversals(c: np.ndarray, d: np.ndarray, tapers: np.ndarray, bells: np.ndarray) -> np.ndarray:
    """Where the profile turns over on the zones' common axis, px from the tip, for each model (n,); nan: nowhere."""
    x = np.linspace(-8.0, 6.0, 57)
    axis = np.conj(d / np.abs(d) - c / np.abs(c))[:, None]
    step = taper_edge(x - tapers[:, :1]) * np.clip(1 + np.minimum(x - tapers[:, :1], 0) / tapers[:, 1:], 0, 1)
    q = ((c[:, None] * step + d[:, None] * bell(x, bells[:, :1], bells[:, 1:])) * axis).real
    rises = (q[:, :-1] < 0) & (q[:, 1:] >= 0)
    k = np.where(rises.any(1), rises.shape[1] - 1 - np.argmax(rises[:, ::-1], 1), 0)
    row = np.arange(len(k))
    place = x[k] - q[row, k] * (x[1] - x[0]) / np.where(q[row, k + 1] == q[row, k], np.nan, q[row, k + 1] - q[row, k])
    return np.where(rises.any(1), place, np.nan)
