"""Figures of the report drawn from one maps file: stress sum with isopachics, misfit, second harmonic.

Even colour scales: cividis for amounts, twilight for phase, which is cyclic, dark at 0 and light half a turn away;
red and blue about white (zero) for the misfit.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from edge import surroundings
from edge.maps import (
    Maps,
    Marks,
    Tip,
    component_noise_K,
    contact_phase_deg,
    crack_coordinates,
    fitted_range,
    measured_range,
    phase_deg,
)
from edge.pictures import CONTACT_END, DPI, REVERSAL, STYLE, new_figure, png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDE_PX, CLOSE_PX = 480, 400   # wanted width of the whole map and of one around the tip, in picture pixels
LEFT, RIGHT, BOTTOM, TOP = 74, 132, 58, 14   # margins beside a map of PLAIN_PX, at DPI; all grow with the map
PLAIN_PX = 392
BAR_DASHES = {"-": "-", "--": (0, (1.6, 1.0))}   # short ones: a bar has room for few
FINER = 3                      # fitted isopachics are drawn on a grid this much finer than the pixels


@dataclass(frozen=True)
class Scales:
    """Colour limits common to every fix, so that pictures can be compared while the slider moves.
    range_low, range_high and the isopachics' steps in MPa, or in mK without a material constant."""
    range_low: float
    range_high: float
    steps: np.ndarray
    misfit_MPa: float
    h2_high_mK: float


def range_unit(maps: Maps) -> tuple[float, str]:
    """Factor from measured_range to what is drawn, and its unit."""
    return (1.0, "MPa") if maps.stress_per_K is not None else (1e3, "mK")


def _kelvin(largest_mK: float) -> tuple[float, str]:
    """Factor from mK to what is drawn, and its unit: kelvin from 1000 mK, since longer ticks would push the label out."""
    return (1e-3, "K") if largest_mK >= 1000 else (1.0, "mK")


def common_scales(some: list[Maps]) -> Scales:
    """Limits from several fixes: 1 % and 99 % of the range over all; for misfit and 2f amplitude (its zones are small)
    98 % and 99.97 % of the middle fix, since the first fixes may be noisier by far."""
    from matplotlib.ticker import MaxNLocator
    low, high = _percentiles([range_unit(m)[0]*measured_range(m) for m in some], 1, 99)
    misfits = [_percentiles([np.abs(misfit_MPa(m, m.tip))], 0, 98)[1] for m in some if m.tip and m.stress_per_K]
    seconds = [_percentiles([1e3*np.abs(m.h2[m.mask])], 0, 99.97)[1] for m in some if m.h2 is not None]
    return Scales(low, high, np.asarray(MaxNLocator(9).tick_values(low, high)), float(np.median(misfits or [1.0])),
                  float(np.median(seconds or [1.0])))


def _percentiles(arrays: list[np.ndarray], lower: float, upper: float) -> tuple[float, float]:
    """Two percentiles over all finite values, kept apart so that a colour scale can be made of them."""
    values = np.concatenate([a[np.isfinite(a)] for a in arrays]) if arrays else np.zeros(0)
    if not values.size:
        return 0.0, 1.0
    low, high = np.percentile(values, [lower, upper])
    return float(low), float(high) if high > low else float(low)+1.0


def misfit_MPa(maps: Maps, tip: Tip) -> np.ndarray:
    """Measured minus fitted stress-sum range, (rows, columns), NaN outside the fit region."""
    return measured_range(maps)-fitted_range(crack_coordinates(maps, tip), tip)


def _window(maps: Maps, close: bool) -> tuple[float, float, float, float]:
    """Drawn part (left, right, top, bottom) in px: the whole map, or a square around the fit region."""
    rows, columns = maps.h1.shape
    tip = maps.tip
    if not close or tip is None or maps.mm_per_px is None:
        return -0.5, columns-0.5, -0.5, rows-0.5
    half = np.ceil(1.15*tip.outer_mm/maps.mm_per_px)+0.5
    col, row = np.rint(tip.col_px), np.rint(tip.row_px)
    return col-half, col+half, row-half, row+half


def _map_axes(maps: Maps, close: bool = False) -> tuple[Figure, Axes, Axes]:
    """Figure with an axes for the map and one for the colour bar. A map pixel takes a whole number of picture pixels:
    crisp, and half the bytes. Every figure has the same width in inches, so text is of one size on the page."""
    left, right, top, bottom = _window(maps, close)
    wanted = CLOSE_PX if close else WIDE_PX
    zoom = max(min(round(wanted/(right-left)), round(1.6*wanted/(bottom-top))), 1)
    width, height = (right-left)*zoom, (bottom-top)*zoom
    grown = width/PLAIN_PX
    left_px, bottom_px = round(LEFT*grown), round(BOTTOM*grown)
    total = (left_px+width+round(RIGHT*grown), bottom_px+height+round(TOP*grown))
    figure = new_figure(total[0]/(DPI*grown), total[1]/(DPI*grown), DPI*grown)
    axes = figure.add_axes((left_px/total[0], bottom_px/total[1], width/total[0], height/total[1]))
    bar = figure.add_axes(((left_px+width+12*grown)/total[0], bottom_px/total[1], 17*grown/total[0], height/total[1]))
    axes.set(xlabel="column (px)", ylabel="row (px)", xlim=(left, right), ylim=(bottom, top))
    axes.set_autoscale_on(False)
    axes.grid(False)
    for spine in axes.spines.values():
        spine.set_visible(True)
    axes.patch.set(facecolor="white", hatch="////", edgecolor="#b9bec3", linewidth=0)
    return figure, axes, bar


def _shade(axes: Axes, bar: Axes, values: np.ndarray, label: str, colours: tuple[str, int],
           limits: tuple[float, float]) -> None:
    """Colours: name and number of steps. Few steps keep noise from swelling the file; 64 look like 256."""
    import matplotlib
    rows, columns = values.shape
    image = axes.imshow(values, cmap=matplotlib.colormaps[colours[0]].resampled(colours[1]), vmin=limits[0],
                        vmax=limits[1], aspect="auto", interpolation="nearest",
                        extent=(-0.5, columns-0.5, rows-0.5, -0.5))
    axes.figure.colorbar(image, cax=bar, label=label)


def _halo(width: float, colour: str = "white") -> list[Any]:
    from matplotlib.patheffects import Normal, Stroke
    return [Stroke(linewidth=width, foreground=colour), Normal()]


def _place(maps: Maps, tip: Tip, z_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(column, row) in px of points in crack coordinates."""
    z = z_mm*np.exp(1j*np.deg2rad(tip.angle_deg))/(maps.mm_per_px or np.nan)
    return tip.col_px+z.real, tip.row_px-z.imag


def _draw_tip(axes: Axes, maps: Maps, marks: Marks | None = None) -> None:
    """The fitted tip as a cross; with marks also contact end and reversal as bars across the crack line; scale bar."""
    _scale_bar(axes, maps)
    tip = maps.tip
    if tip is None:
        axes.text(0.5, 0.97, "no tip in this fix", transform=axes.transAxes, ha="center", va="top", fontsize=9,
                  path_effects=_halo(2.5))
        return
    for mm, (colour, style) in ((marks.contact_end_mm, CONTACT_END), (marks.reversal_mm, REVERSAL)) if marks else ():
        if mm is not None:
            bar = mm+0.09j*tip.outer_mm*np.array([-1, 1])
            axes.plot(*_place(maps, tip, bar), color=colour, ls=BAR_DASHES[style], lw=1.8, path_effects=_halo(3.4))
    axes.plot(tip.col_px, tip.row_px, "+", color="black", ms=12, mew=1.5, path_effects=_halo(3.4))


def _draw_fit_region(axes: Axes, maps: Maps, tip: Tip) -> None:
    def arc(radius: float) -> np.ndarray:
        half = np.deg2rad(tip.half_angle_deg)
        if tip.wake_mm > 0:
            half = min(half, np.pi-np.arcsin(min(1.0, tip.wake_mm/radius)))
        return radius*np.exp(1j*np.linspace(-half, half, 181))

    ring = np.concatenate([arc(tip.outer_mm), arc(tip.inner_mm)[::-1], arc(tip.outer_mm)[:1]])
    axes.plot(*_place(maps, tip, ring), color="white", lw=1.0, ls=(0, (1, 1.6)), path_effects=_halo(2.4, "#222"))


def _scale_bar(axes: Axes, maps: Maps) -> None:
    """A round length in mm in the lower right corner."""
    if maps.mm_per_px is None:
        return
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    wanted = 0.3*(right-left)*maps.mm_per_px
    power = 10.0**np.floor(np.log10(wanted))
    length = max(step*power for step in (1, 2, 5) if step*power <= wanted)
    end = right-0.04*(right-left)
    begin = end-length/maps.mm_per_px
    axes.plot([begin, end], [bottom+0.045*(top-bottom)]*2, color="black", lw=2.2, solid_capstyle="butt",
              path_effects=_halo(4.2))
    axes.text((begin+end)/2, bottom+0.06*(top-bottom), f"{length:g} mm", ha="center", va="bottom", fontsize=8,
              path_effects=_halo(2.4))


def smoothed(values: np.ndarray, sigma_px: float = 1.2) -> np.ndarray:
    """Gaussian-smoothed for the drawn contours only; NaN stays NaN and does not spread."""
    known = np.isfinite(values).astype(np.float64)
    total = surroundings.smoothed(np.where(known > 0, values, 0.0), sigma_px)
    weight = surroundings.smoothed(known, sigma_px)
    return np.where(known > 0, total/np.maximum(weight, 1e-6), np.nan)


def _isopachics(axes: Axes, values: np.ndarray, finer: int, steps: np.ndarray, **look: Any) -> None:
    """Contours at those steps that the values reach."""
    known = values[np.isfinite(values)]
    reached = steps[(steps > known.min()) & (steps < known.max())] if known.size else steps[:0]
    if reached.size:
        axes.contour(np.arange(values.shape[1])/finer, np.arange(values.shape[0])/finer, values, levels=reached, **look)


def stress_picture(maps: Maps, scales: Scales) -> bytes:
    """1f map as peak-to-peak range with measured isopachics, the fitted ones over them, tip and fit region."""
    import matplotlib
    with matplotlib.rc_context(STYLE):
        figure, axes, bar = _map_axes(maps)
        factor, unit = range_unit(maps)
        values = factor*measured_range(maps)
        limits, steps = np.array([scales.range_low, scales.range_high]), scales.steps
        if unit == "mK":
            less, unit = _kelvin(float(np.abs(limits).max()))
            values, limits, steps = less*values, less*limits, less*steps
        label = "stress-sum range (MPa)" if unit == "MPa" else f"temperature range ({unit})"
        _shade(axes, bar, values, label, ("cividis", 64), (limits[0], limits[1]))
        _isopachics(axes, smoothed(values), 1, steps, colors="black", linewidths=0.9, linestyles="solid")
        if maps.tip is not None:
            if unit == "MPa":
                fitted = fitted_range(crack_coordinates(maps, maps.tip, FINER), maps.tip)
                _isopachics(axes, fitted, FINER, steps, colors="white", linewidths=1.5, linestyles="dashed")
            _draw_fit_region(axes, maps, maps.tip)
        _draw_tip(axes, maps)
        return png(figure)


def misfit_picture(maps: Maps, scales: Scales) -> bytes | None:
    """Measured minus fitted stress-sum range inside the fit region; None without a fit."""
    import matplotlib
    if maps.tip is None or maps.stress_per_K is None:
        return None
    with matplotlib.rc_context(STYLE):
        figure, axes, bar = _map_axes(maps, close=True)
        _shade(axes, bar, misfit_MPa(maps, maps.tip), "measured \u2212 fitted (MPa)", ("RdBu_r", 33),
               (-scales.misfit_MPa, scales.misfit_MPa))
        _draw_tip(axes, maps)
        return png(figure)


def second_amplitude_picture(maps: Maps, scales: Scales, marks: Marks) -> bytes | None:
    """2f amplitude with tip, end of contact and phase reversal; None where 2f was not measured."""
    import matplotlib
    if maps.h2 is None:
        return None
    with matplotlib.rc_context(STYLE):
        figure, axes, bar = _map_axes(maps, close=True)
        less, unit = _kelvin(scales.h2_high_mK)
        values = np.where(maps.mask, less*1e3*np.abs(maps.h2), np.nan)
        _shade(axes, bar, values, f"2f amplitude ({unit})", ("viridis", 64), (0.0, less*scales.h2_high_mK))
        _draw_tip(axes, maps, marks)
        return png(figure)


def second_phase_picture(maps: Maps, marks: Marks) -> bytes | None:
    """2f phase in degrees, hatched where the amplitude is too near the noise; None where 2f was not measured. Where contact was
    found, its phase is taken off: contact is dark and what is opposite light, in gray print too. Without it, as measured."""
    import matplotlib
    if maps.h2 is None:
        return None
    with matplotlib.rc_context(STYLE):
        figure, axes, bar = _map_axes(maps, close=True)
        axes.patch.set(facecolor="#aeb4b9", edgecolor="#c6cbcf")   # darker than the light end of the colours
        values = phase_deg(maps.h2, maps.mask, component_noise_K(maps.h2, maps.mask))
        label, contact = "2f phase as measured (\u00b0)", contact_phase_deg(maps, marks)
        if contact is not None:
            label = f"2f phase less contact's {contact:.0f}\u00b0 (\u00b0)".replace("-", "\u2212")
            values = (values-contact+180) % 360-180
        _shade(axes, bar, values, label, ("twilight", 128), (-180.0, 180.0))
        bar.set_yticks([-180, -90, 0, 90, 180])
        _draw_tip(axes, maps, marks)
        return png(figure)
