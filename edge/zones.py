"""The two zones of the second harmonic along a crack, as a posterior over their shapes.

Models are a taper behind the tip and a bell ahead of it (edge/closure.py says why). On a grid of their shapes the two
complex amplitudes follow from linear least squares, and their uncertainty is integrated over with a flat prior, so
means and deviations of what the zones are hold also where the shape is badly known. Where the profile is so clear that
the grid is coarse beside the answer, a finer one is laid around its best point.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import erf

import numpy as np

BLUR_PX = 0.7
# what is believed of the shapes before looking (mean, deviation), px
START, START_SD = -0.5, 1.0  # contact ends at the physical tip, a little behind the elastic one
PLACE, PLACE_SD = 2.0, 2.0
SIZE, SIZE_FACTOR = 2.2, 1.8  # log-normal
LONG = 20.0  # px: lengths are believed alike up to here, then as one over the length
LEAST_SHOWN = 0.3  # of a zone's height must be seen: more is extrapolation
MOST_MODELS = 1500  # of the grid's, drawn as often as they are likely
SPAN = 2.0  # steps of the coarse grid to each side that the fine one covers
STARTS, SHORTEST, PLACES, SIZES = (-4.0, 2.0), 1.5, (-0.5, 8.0), (0.9, 7.0)  # of the grid, px
CLOSE_STARTS, CLOSE_LENGTHS = np.arange(-3.0, 0.6, 0.5), np.geomspace(2.0, 24.0, 8)  # px, behind the tip
CLOSE_PLACES, CLOSE_SIZES = np.arange(0.0, 4.1, 0.5), (1.0, 1.6, 2.5)  # and ahead
CLEAR = 4.0  # deviations of a chi-square beyond which it is a misfit
SHAPED = 8  # parameters of a pair: two complex heights, four of shape
ROUNDS = 24  # of looking a step ahead each way, or half as far
ACROSS_STEP = 0.03  # relative deviation that a strip has next to a zone's own width, in steps of a quarter of it
STEP_PX = 0.05  # deviation that the grid itself adds


@dataclass(frozen=True)
class Profile:
    """x_px (n,): along the crack from the tip, in pixels; values (n,) complex, K; sd (n,): of each component; width_px;
    doubts (m, n): what may stand in the values beside the zones, each with an unknown complex factor of deviation 1."""

    x_px: np.ndarray
    values: np.ndarray
    sd: np.ndarray
    width_px: float
    doubts: np.ndarray | None = None

    def whitened(self) -> tuple[np.ndarray, Callable[[np.ndarray], np.ndarray]]:
        """The values over their deviations and without what the doubts may be, (n,); and what does the same to models
        (m, n): the square root of the inverse covariance, as one function."""
        doubts = np.zeros((0, self.sd.size)) if self.doubts is None else self.doubts / self.sd
        _, size, shapes = np.linalg.svd(doubts, full_matrices=False)
        shrink = 1 - 1 / np.sqrt(1 + size**2)

        def white(x: np.ndarray) -> np.ndarray:
            x = x / self.sd
            return x - ((x @ shapes.T) * shrink) @ shapes

        return white(self.values), white


def taper(x: np.ndarray, start: np.ndarray | float, length: np.ndarray | float) -> np.ndarray:
    """1 at `start`, falling linearly to 0 at start - length, none ahead of it; the step is blurred."""
    return np.clip(1 + np.minimum(x - start, 0) / length, 0, 1) * taper_edge(x - start)


def taper_edge(u: np.ndarray) -> np.ndarray:
    """1 far behind, 0 far ahead of u = 0: the blurred step, a cumulative normal distribution by interpolation."""
    table = np.linspace(-4, 4, 161)
    return np.interp(u / BLUR_PX, table, [0.5 * (1 - erf(v / 2**0.5)) for v in table])


def bell(x: np.ndarray, place: np.ndarray | float, size: np.ndarray | float) -> np.ndarray:
    return np.exp(-0.5 * ((x - place) / size) ** 2)


def odd_taper(start: np.ndarray) -> np.ndarray:
    """What a start costs in chi-square by what is believed of it; the same for a bell below."""
    return ((start - START) / START_SD) ** 2


def odd_bell(place: np.ndarray, size: np.ndarray) -> np.ndarray:
    return ((place - PLACE) / PLACE_SD) ** 2 + (np.log(size / SIZE) / np.log(SIZE_FACTOR)) ** 2


@dataclass(frozen=True)
class Models:
    """Models of a grid (n,), drawn as often as they are likely, after the likeliest of all, which weighs nothing itself: shapes,
    amplitudes, variances of their components, weights; and the shapes that explain most: of the pair, of taper and bell alone."""

    tapers: np.ndarray
    bells: np.ndarray
    c: np.ndarray
    d: np.ndarray
    c_var: np.ndarray
    d_var: np.ndarray
    weight: np.ndarray
    starts: tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class TwoZones:
    """Posterior mean and deviation of what taper and bell are: C, D amplitudes, K; end: where the taper reaches zero, px
    behind the elastic tip. gains: fall of chi-square that each zone brings beside the other, less what
    is odd about its shape, over the pair's misfit. opposed: deviations by which the profile turns its phase to each side.
    likeliest: start, length, C and its deviation of the best single model; bell: place and size of it, px; models: all."""

    C_K: float
    C_sd_K: float
    D_K: float
    D_sd_K: float
    gap_deg: float
    gap_sd_deg: float
    end_px: float
    end_sd_px: float
    gain_taper: float
    gain_bell: float
    opposed_behind: float
    opposed_ahead: float
    likeliest: tuple[float, float, complex, float]
    bell: tuple[float, float]
    models: Models


def two_zones(profile: Profile, crack_px: float = np.inf) -> TwoZones:
    """The posterior for a profile; no contact is longer than the crack, counted from its start (which may lie back a few pixels)."""
    longest = min(1.2 * max(-float(profile.x_px.min()), 12.0), max(crack_px, 2.0))
    lengths = np.concatenate([np.arange(SHORTEST, LONG, 0.5), np.geomspace(LONG, max(LONG + 1, longest), 24)])
    lengths = lengths[lengths <= longest]
    starts, places = (np.arange(low, high + 0.1, 0.5) for low, high in (STARTS, PLACES))
    sizes = np.geomspace(*SIZES, 12)
    models = weigh(profile, starts, lengths, places, sizes)
    taper_gain, bell_gain, misfit = gains(profile, models.starts, longest)
    if misfit > 1:  # what the pair leaves makes its shapes as uncertain as noise of that size
        profile = replace(profile, sd=profile.sd * misfit**0.5)
        models = weigh(profile, starts, lengths, places, sizes)
    (start, length), (place, size) = models.tapers[0], models.bells[0]
    step = float(np.interp(length, lengths, np.gradient(lengths)))
    spread = mean_sd(models.tapers[:, 1] - models.tapers[:, 0], models.weight)[1]
    if spread < 0.5 * SPAN * step / 1.5:
        way = np.linspace(-SPAN, SPAN, 9)
        fine = weigh(
            profile,
            start + 0.5 * way,
            np.clip(length + step * np.linspace(-SPAN, SPAN, 33), 1.0, longest),
            place + 0.5 * way[::2],
            size * 1.2 ** way[::2],
        )
        models = fine
    return _summary(models, (taper_gain, bell_gain), opposed(profile, models))


def opposed(profile: Profile, models: Models) -> tuple[float, float]:
    """How many deviations the profile is opposite in phase to the bell close behind the tip, and to the taper close ahead of it, where
    it is most so. What either has on the other's side is left in: a zone of another shape makes the other explain a lot, but
    turns the phase of nothing."""
    y, white = profile.whitened()
    behind = np.concatenate([taper(profile.x_px, start, CLOSE_LENGTHS[:, None]) for start in CLOSE_STARTS])
    front = np.concatenate([bell(profile.x_px, CLOSE_PLACES[:, None], size) for size in CLOSE_SIZES])

    def most(shapes: np.ndarray, other: np.ndarray) -> float:
        phase = np.sum(models.weight * other / np.maximum(np.abs(other), 1e-30))
        a = white(shapes)
        along = (np.conj(phase) / max(abs(phase), 1e-30) * (a @ y)).real
        return float(np.max(-along / np.sqrt(np.maximum(np.sum(a * a, 1), 1e-9))))

    return most(behind, models.d), most(front, models.c)


def gains(profile: Profile, starts: tuple[np.ndarray, np.ndarray, np.ndarray], longest_px: float) -> tuple[float, float, float]:
    """Fall of chi-square that the taper brings beside the bell, and the bell beside the taper, less what is odd about their
    shapes by what is believed of them. starts: shapes of the best pair (4,), taper alone (2,) and bell alone (2,) on the grid;
    longest_px: a taper. The third is by how much chi-square per degree of freedom the best pair leaves, 1 where that is noise.

    Of a zone far above the noise the nearest shape of a grid leaves more than a zone must earn, and the other one would
    earn it. So each of the three is followed to its best shape between the grid's places; and where even the pair does not
    explain the profile down to its noise, a zone has to explain as many times more.
    """
    x, (y, white) = profile.x_px, profile.whitened()
    lows, highs = np.array([STARTS[0], SHORTEST, PLACES[0], SIZES[0]]), np.array([STARTS[1], longest_px, PLACES[1], SIZES[1]])
    steps = np.array([0.25, 0.25, 0.25, 0.2])

    def explained(shapes: np.ndarray, kinds: slice) -> np.ndarray:
        """By models (m, k) of the parameters `kinds` of start, length, place, size, less what is odd about them."""
        of = dict(zip(range(4)[kinds], shapes.T[:, :, None]))
        columns = [white(taper(x, of[0], of[1]))] if 0 in of else []
        columns += [white(bell(x, of[2], of[3]))] if 2 in of else []
        odd = np.ravel((odd_taper(of[0]) if 0 in of else 0.0) + (odd_bell(of[2], of[3]) if 2 in of else 0.0))
        if len(columns) == 1:
            return np.abs(columns[0] @ y) ** 2 / np.maximum(np.sum(columns[0] ** 2, 1), 1e-9) - odd
        a, b = columns
        aa, bb, ab, ay, by = np.sum(a * a, 1), np.sum(b * b, 1), np.sum(a * b, 1), a @ y, b @ y
        det = np.maximum(aa * bb - ab**2, 1e-9 * np.maximum(aa * bb, 1e-9))
        return (bb * np.abs(ay) ** 2 + aa * np.abs(by) ** 2 - 2 * ab * (ay * np.conj(by)).real) / det - odd

    most = []
    for at, kinds in zip(starts, (slice(0, 4), slice(0, 2), slice(2, 4))):
        one = np.diag(steps[kinds])
        way = np.concatenate([0 * one[:1], one, -one])
        for _ in range(ROUNDS):
            shapes = np.clip(at + way, lows[kinds], highs[kinds])
            scores = explained(shapes, kinds)
            best = int(np.argmax(scores))
            way = way / 2 if best == 0 else way  # the first is where it stands
            at = shapes[best]
        most.append(float(scores[best]))
    pair, taper_alone, bell_alone = max(most), *most[1:]
    free = max(1, 2 * y.size - SHAPED)
    misfit = (float(np.sum(np.abs(y) ** 2)) - pair) / free
    misfit = misfit if misfit > 1 + CLEAR * (2 / free) ** 0.5 else 1.0
    return (pair - bell_alone) / misfit, (pair - taper_alone) / misfit, misfit


def weigh(profile: Profile, starts: np.ndarray, lengths: np.ndarray, places: np.ndarray, sizes: np.ndarray) -> Models:
    """All tapers (start, length) beside all bells (place, size), px."""
    x, (y, white) = profile.x_px, profile.whitened()
    tapers = np.array([(s, n) for s in starts for n in lengths])
    bells = np.array([(p, s) for p in places for s in sizes])
    a = np.concatenate([taper(x, s, lengths[:, None]) for s in starts])
    b = bell(x, bells[:, :1], bells[:, 1:])
    shown = np.minimum(a.max(1)[:, None], b.max(1))
    a, b = white(a), white(b)
    aa, bb, ab = np.sum(a * a, 1)[:, None], np.sum(b * b, 1), a @ b.T
    ay, by = (a @ y)[:, None], b @ y
    det = np.maximum(aa * bb - ab**2, 1e-9 * aa * bb)
    alike = ay.real * by.real + ay.imag * by.imag
    explained = (bb * np.abs(ay) ** 2 + aa * np.abs(by) ** 2 - 2 * ab * alike) / det
    odd = odd_taper(tapers[:, :1]) + odd_bell(bells[:, 0], bells[:, 1])
    with np.errstate(divide="ignore"):  # lengths that are clipped alike count once
        common = np.tile(np.log(np.gradient(lengths) * np.minimum(LONG / lengths, 1.0)), starts.size)[:, None]
    believed = np.where(shown > LEAST_SHOWN, common - 0.5 * odd, -np.inf)
    score = 0.5 * explained - np.log(det) + believed
    likelihood = np.cumsum(np.exp(score - score.max()))
    drawn = np.searchsorted(likelihood, likelihood[-1] * (np.arange(MOST_MODELS) + 0.5) / MOST_MODELS)
    i, j = np.unravel_index(np.concatenate([[np.argmax(score)], drawn]), score.shape)
    i_most, j_most = np.unravel_index(np.argmax(explained), explained.shape)
    alone = tapers[np.argmax(np.abs(ay) ** 2 / aa)], bells[np.argmax(np.abs(by) ** 2 / bb)]
    best = np.concatenate([tapers[i_most], bells[j_most]]), *alone
    det, aa, bb, ab, ay, by = det[i, j], aa[i, 0], bb[j], ab[i, j], ay[i, 0], by[j]
    c, d = (bb * ay - ab * by) / det, (aa * by - ab * ay) / det
    weight = np.concatenate([[0.0], np.full(MOST_MODELS, 1 / MOST_MODELS)])
    return Models(tapers[i], bells[j], c, d, bb / det, aa / det, weight, best)


def _summary(m: Models, gains: tuple[float, float], opposed: tuple[float, float]) -> TwoZones:
    """Means and deviations over the models."""
    ratio = m.c * np.conj(m.d)
    turn = complex(np.sum(m.weight * ratio / np.maximum(np.abs(ratio), 1e-30)))
    relative = m.c_var / np.maximum(np.abs(m.c) ** 2, 1e-30) + m.d_var / np.maximum(np.abs(m.d) ** 2, 1e-30)
    gap_var = float(np.sum(m.weight * (np.angle(ratio / turn) ** 2 + relative)))
    end, end_sd = mean_sd(m.tapers[:, 1] - m.tapers[:, 0], m.weight)
    C, C_sd = mean_sd(np.abs(m.c), m.weight)
    D, D_sd = mean_sd(np.abs(m.d), m.weight)
    start, length = m.tapers[0]
    return TwoZones(
        C,
        float(np.hypot(C_sd, np.sqrt(np.sum(m.weight * m.c_var)))),
        D,
        float(np.hypot(D_sd, np.sqrt(np.sum(m.weight * m.d_var)))),
        abs(float(np.degrees(np.angle(turn)))),
        float(np.degrees(np.sqrt(gap_var))),
        end,
        float(np.hypot(end_sd, STEP_PX)),
        *gains,
        *opposed,
        (float(start), float(length), complex(m.c[0]), float(np.sqrt(m.c_var[0]))),
        (float(m.bells[0][0]), float(m.bells[0][1])),
        m,
    )


def mean_sd(values: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Weighted mean and deviation (n,) with weights that sum to 1."""
    mean = float(np.sum(weight * values))
    return mean, float(np.sqrt(max(0.0, np.sum(weight * (values - mean) ** 2))))


def reversal_px(m: Models, higher: Sequence[float] | np.ndarray = (1.0, 1.0)) -> tuple[float, float]:
    """Where the profile turns over, px from the tip, and its deviation. higher: factors of taper and bell, as of `on_the_line`."""
    turns = _reversals(higher[0] * m.c, higher[1] * m.d, m.tapers, m.bells)
    known = np.isfinite(turns)
    place, sd = START, START_SD
    if m.weight[known].sum() > 0:
        place, sd = mean_sd(turns[known], m.weight[known] / np.sum(m.weight[known]))
    return place, float(np.hypot(sd, STEP_PX))


def on_the_line(profile: Profile, strips: Sequence[Profile], zones: TwoZones) -> tuple[np.ndarray, np.ndarray]:
    """By how much taper and bell stand higher on the crack line than in `profile`, (2,), and the deviation of that. Averaged with a
    width of w, a zone that is s wide across the crack has 2^(1/2) s/(s^2 + w^2)^(1/2) of its height, so the wider of two is
    favoured. A strip as wide as the zone has its height, and explains most of it: strips of all widths are weighed by that."""
    (start, length), (place, size) = zones.likeliest[:2], zones.bell
    heights, explained = np.empty((2, 1 + len(strips))), np.empty((2, 1 + len(strips)))
    for i, p in enumerate((profile, *strips)):
        x = np.stack([taper(p.x_px, start, length), bell(p.x_px, place, size)]) / p.sd
        inverse = np.linalg.pinv(x @ x.T)
        heights[:, i] = np.abs(inverse @ (x @ (p.values / p.sd)))
        explained[:, i] = heights[:, i] ** 2 / np.maximum(np.diag(inverse), 1e-30)
    higher = heights[:, 1:] / np.maximum(heights[:, :1], 1e-30)
    weight = np.exp((explained[:, 1:] - explained[:, 1:].max(1)[:, None]) / 2)
    weight /= weight.sum(1)[:, None]
    mean = np.sum(weight * higher, 1)
    return mean, np.sqrt(np.sum(weight * (higher - mean[:, None]) ** 2, 1) + (ACROSS_STEP * mean) ** 2)


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
