"""Second harmonic along the crack: contact of the faces behind the tip, dissipation ahead of it.

Both zones heat twice a cycle, but about half a turn apart, and they lie on different sides of the tip; so they are told
apart by place and by the phase between them, never by absolute phase. The map is averaged across the crack to a complex
profile p(x), and one model with two zones is fitted to it:

    p(x) = C taper(x) + D bell(x),    taper = 1 + (x - x_s) / L from its start x_s back to x_s - L,    C, D complex

The taper is extrapolated through the noise: its end is where the contact fades to zero, not where it drops below the
noise. Each zone must earn its place by the fall of chi-square it brings, and contact must turn the profile's phase.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from edge import williams
from edge.record import Row
from edge.zones import Profile, TwoZones, mean_sd, on_the_line, reversal_px, taper, two_zones

EARNED = 25.0  # fall of chi-square for a zone: 4 parameters and some 30 places it might have stood in
EARNED_OPPOSITE = 14.0  # of it, in opposite phase to a zone ahead: our own choice; noise alone hardly brings it (tests/test_closure.py)
OPPOSED = 1.0  # deviations, of the profile itself: more would miss contact under the tail of a wide zone ahead
OPPOSITE_DEG = 100.0  # phase gap beyond which two zones are two
LEAST_LENGTH_PX = 2.5
LEAST_SHARE = 0.1  # of the other zone: less may be its own tail, shaped otherwise than its model
WIDTHS_PX = (1.2, 1.8, 2.7, 4.0)
ACROSS_PX = tuple(np.geomspace(0.8, 6.0, 10).tolist())  # of which each zone has one
AHEAD_PX = 30
LARGEST_OPENING_SD = 0.15  # a flat guess over all fractions has 0.29


@dataclass(frozen=True)
class Shapes:
    """Of the likeliest zones along the crack, px from the tip: a taper back from start_px, a bell of deviation size_px."""

    start_px: float
    length_px: float
    place_px: float
    size_px: float


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
    shapes: Shapes | None = None

    def fill(self, row: Row, scale_sd: float) -> None:
        """Its columns of a row that has the elastic tip already; the image's scale has the relative deviation `scale_sd`."""
        length, sd = self.contact_length_mm, self.contact_sd_mm
        row.contact_length_mm, row.contact_K = length, self.contact_K
        row.contact_sd_mm = None if length is None or sd is None else float(np.hypot(sd, scale_sd * length))
        row.ahead_K, row.phase_gap_deg = self.ahead_K, self.phase_gap_deg
        row.opening_fraction, row.opening_sd = self.opening_fraction, self.opening_sd
        row.reversal_mm = None if self.reversal_mm is None else (row.crack_mm or 0.0) + self.reversal_mm

    def deviations(self) -> dict[str, float]:
        """Those that a row has no room for, for maps-<seq>.npz; NaN: not determined."""
        names = "contact_K_sd", "ahead_K_sd", "phase_gap_sd_deg", "reversal_sd_mm"
        return {name: np.nan if (sd := getattr(self, name)) is None else float(sd) for name in names}


def along_crack(
    h: np.ndarray,
    sd_K: float,
    usable: np.ndarray,
    tip: tuple[float, float],
    angle_deg: float,
    back_px: float,
    width_px: float,
    doubts: np.ndarray | None = None,
    stripes: tuple[np.ndarray, np.ndarray] | None = None,
) -> Profile:
    """Matched average across the crack: a strip with a bell-shaped profile of deviation width_px gives its peak value.
    doubts (m, rows, columns): maps, K, that may stand in h with unknown factors of deviation 1; stripes: deviations
    (rows,), (columns,), K, of what each row and each column may have in common.
    """
    rows, columns = (np.asarray(i) for i in np.indices(h.shape))
    z = williams.to_crack(rows, columns, tip, angle_deg, 1.0)
    inside = usable & np.isfinite(h) & (np.abs(z.imag) < 3 * width_px) & (z.real > -back_px) & (z.real < AHEAD_PX)
    weight = np.exp(-0.5 * (z.imag[inside] / width_px) ** 2)
    place = np.floor(z.real[inside] + back_px).astype(int)
    n = int(back_px) + AHEAD_PX + 1
    power = np.bincount(place, weight**2, n)
    first = np.bincount(place, weight**2 * z.real[inside], n)
    full = power > 0.3 * np.median(power[power > 0]) if power.any() else power > 0
    p = power[full]

    def averaged(values: np.ndarray) -> np.ndarray:
        return np.bincount(place, weight * values[inside], n)[full] / p

    others = np.array([averaged(d) for d in doubts]) if doubts is not None else np.empty((0, p.size))
    for who, size in zip((rows, columns), stripes or ()):
        among, number = np.unique(who[inside], return_inverse=True)  # only those that the strip crosses
        share = np.bincount(number * n + place, weight, among.size * n).reshape(-1, n)[:, full] / p
        others = np.concatenate([others, size[among, None] * share])
    return Profile(first[full] / p, averaged(h.real) + 1j * averaged(h.imag), sd_K / np.sqrt(p), width_px, others)


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
    doubts: np.ndarray | None = None,
    stripes: tuple[np.ndarray, np.ndarray] | None = None,
    h3_doubts: np.ndarray | None = None,
    h3_stripes: tuple[np.ndarray, np.ndarray] | None = None,
) -> Closure:
    """Both zones from the corrected second-harmonic map h2 (rows, columns) complex, K, with deviation sd_K of each
    component, the load's own second harmonic taken out up to `doubts` and `stripes` (see `along_crack`); the opening load too,
    where there is a third harmonic, of which the same holds."""
    back_px = float(np.clip(crack_mm / mm_per_px, 12, 400))
    profiles = [along_crack(h2, sd_K, usable, tip, angle_deg, back_px, w, doubts, stripes) for w in WIDTHS_PX]
    profiles = [p for p in profiles if p.x_px.size > 15 and p.x_px.min() < -6 and p.x_px.max() > 4]
    if not profiles:
        return Closure(flags=("no_contact",))
    near = [float(np.sum(np.abs(p.values / p.sd)[np.abs(p.x_px) < 12] ** 2)) for p in profiles]
    profile = profiles[int(np.argmax(near))]
    zones = two_zones(profile, crack_mm / mm_per_px if crack_mm > 0 else np.inf)
    contact, ahead, unsure = told(zones)
    strips = [along_crack(h2, sd_K, usable, tip, angle_deg, back_px, w) for w in ACROSS_PX] if contact or ahead else [profile]
    higher, higher_sd = on_the_line(profile, strips, zones)
    C, D = higher * (zones.C_K, zones.D_K)
    C_sd, D_sd = np.hypot(higher * (zones.C_sd_K, zones.D_sd_K), higher_sd * (zones.C_K, zones.D_K))
    ahead_K, ahead_sd = (float(D), float(D_sd)) if ahead else (None, None)
    if not contact:
        flags = ("no_contact", *("ahead_only",) * ahead, *("contact_unsure",) * unsure)
        return Closure(ahead_K=ahead_K, ahead_K_sd=ahead_sd, flags=flags)
    mm = mm_per_px
    shapes = Shapes(*zones.likeliest[:2], *zones.bell)
    both = Closure(zones.end_px * mm, zones.end_sd_px * mm, float(C), float(C_sd), ahead_K, ahead_sd, shapes=shapes)
    if h3 is not None:
        third = along_crack(h3, h3_sd_K, usable, tip, angle_deg, back_px, profile.width_px, h3_doubts, h3_stripes)
        opened = opening(zones, third)
        if opened is not None:
            both = replace(both, opening_fraction=opened[0], opening_sd=opened[1])
    if not ahead:
        return replace(both, flags=("contact_only",))
    turn_px, turn_sd_px = reversal_px(zones.models, higher)
    return replace(
        both,
        phase_gap_deg=zones.gap_deg,
        phase_gap_sd_deg=zones.gap_sd_deg,
        reversal_mm=turn_px * mm,
        reversal_sd_mm=turn_sd_px * mm,
    )


def opening(zones: TwoZones, third: Profile) -> tuple[float, float] | None:
    """Share of the load range below which the faces touch, and its deviation, from the third over the second harmonic of
    the contact; None where they do not support it. `third`: profile of h3 along the same strip.

    The pressure of faces that touch below the opening load is a clipped sinusoid, and the ratio of its harmonics depends
    on the conduction angle alone (edge.handbook.clipped_harmonics); with one taper for both, its shape cancels. Of the shapes,
    all that the second harmonic allows are weighed by what both harmonics say of them: the likeliest has C too large and the
    ratio too small, as it is the one that noise has raised most.
    """
    _, _, c2, c2_sd = zones.likeliest
    m = zones.models
    shapes, back = np.unique(m.tapers, axis=0, return_inverse=True)
    back = back.ravel()
    y, white = third.whitened()
    templates = white(taper(third.x_px, shapes[:, :1], shapes[:, 1:]))
    power, along = np.sum(templates**2, 1), templates @ y
    if power[back[0]] <= 0 or abs(c2) < 4 * c2_sd:
        return None
    # c_k cos k(phi + 90 deg) = c_k sin(k phi + (k + 1) 90 deg): the third leads the second by a quarter turn
    ratio = complex(along[back[0]] / power[back[0]] / (1j * c2))
    ratio_sd = float(np.hypot(power[back[0]] ** -0.5, abs(ratio) * c2_sd)) / abs(c2)
    if max(abs(ratio.imag), abs(ratio.real) - 1) > 4 * ratio_sd:  # not in step with the second harmonic: something else makes it
        return None
    fractions = np.linspace(0.02, 0.98, 97)
    expected = 1 - 2 * fractions  # c_3/c_2 of a clipped sine, cut at the share u of its range
    # h3 = 1j expected C taper, and C is c, of variance c_var, by h2 alone; b is 1j C expected by h3 alone, of variance 1/power
    b, own = (along / np.maximum(power, 1e-9))[back], (1 / np.maximum(power, 1e-9))[back, None]
    variance = own + expected**2 * m.c_var[:, None]
    across = (b * np.conj(1j * m.c)).real[:, None]
    off = (np.abs(b)[:, None] ** 2 + expected**2 * np.abs(m.c)[:, None] ** 2 - 2 * expected * across) / variance
    score = 0.5 * (np.abs(b)[:, None] ** 2 / own - off) - np.log(variance / own)
    likely = m.weight @ np.exp(score - score[m.weight > 0].max())
    mean, sd = mean_sd(fractions, likely / likely.sum())
    return (mean, float(np.hypot(sd, 0.01))) if sd < LARGEST_OPENING_SD else None


class Told(NamedTuple):
    """What the profile shows. unsure: something opposite to the zone ahead, too close to it to be told from its tail."""

    contact: bool
    ahead: bool
    unsure: bool = False


def told(zones: TwoZones) -> Told:
    """Whether there is contact, and whether there is a zone ahead.

    Contact lies behind the tip and is longer than the blur. Two zones are opposite in phase, and so is the profile somewhere
    behind and ahead of the tip; then only what is opposite counts for contact, and less of it is needed. What is in phase is one
    zone and what makes it unlike its model.
    """
    ahead, long_enough = zones.gain_bell > EARNED, zones.end_px > LEAST_LENGTH_PX
    if not ahead:
        return Told(zones.gain_taper > EARNED and long_enough, False)
    if zones.gap_deg < OPPOSITE_DEG:
        contact = zones.gain_taper > EARNED and zones.gain_bell < LEAST_SHARE * zones.gain_taper and long_enough
        return Told(contact, not contact)
    opposite = float(np.cos(np.deg2rad(zones.gap_deg))) ** 2
    likely = zones.gain_taper * opposite > EARNED_OPPOSITE and zones.C_K > LEAST_SHARE * zones.D_K and long_enough
    contact = likely and zones.opposed_behind > OPPOSED
    return Told(contact, not contact or zones.opposed_ahead > OPPOSED, likely and not contact)
