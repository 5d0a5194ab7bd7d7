"""What all figures share (colours, style, PNG) and the panel of quantities against load cycles with intervals.

matplotlib is imported only when something is drawn. Colours are Okabe and Ito's set (told apart with colour-vision
deficiency; each series has its own marker too, so they are told apart in grey print).
"""
from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INTERVAL = 1.96  # deviations on either side: 95 % of a normal distribution
BLUE, ORANGE, GREEN, RED, GREY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#6b7075"
CONTACT_END, REVERSAL = (BLUE, "-"), (RED, "--")  # on maps and along the crack line: colour and dashes, for gray print
LOOKS = ((BLUE, "o"), (RED, "s"), (GREEN, "^"), (ORANGE, "D"))
POINT_SHARE = 0.02  # of the height of a panel, one point of it (3 of 154 typographic points)
DPI = 130
LEAST_SPAN = 0.02
STYLE: Any = {
    "font.size": 9,
    "axes.labelsize": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#4a4f55",
    "axes.grid": True,
    "grid.color": "#e3e6e9",
    "grid.linewidth": 0.7,
    "axes.axisbelow": True,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "axes.formatter.useoffset": False,
    "savefig.facecolor": "white",
}


@dataclass(frozen=True)
class Picture:
    """One PNG with the sentence below it; `alt` says what a reader would see."""
    png: bytes
    caption: str
    alt: str


@dataclass(frozen=True)
class Series:
    """One quantity over the fixes: value and standard deviation, NaN where not determined."""
    label: str
    value: np.ndarray
    sd: np.ndarray | None = None


def new_figure(width_in: float, height_in: float, dpi: float = DPI) -> Figure:
    """A figure drawn off screen; pyplot and its global state stay out of it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    figure = Figure(figsize=(width_in, height_in), dpi=dpi)
    FigureCanvasAgg(figure)
    return figure


def png(figure: Figure, few_colours: bool = True) -> bytes:
    """PNG, of at most 256 colours: a third of the size; False where a large map would show them as bands. Colours are chosen by
    how far apart they are, not by how much of each there is: a thin red mark stays red."""
    import matplotlib
    from PIL import Image  # comes with matplotlib
    with matplotlib.rc_context(STYLE):
        figure.canvas.draw()
    pixels = Image.fromarray(np.asarray(figure.canvas.buffer_rgba())[:, :, :3])  # type: ignore[attr-defined]
    out = io.BytesIO()
    if few_colours:
        pixels = pixels.quantize(256, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    pixels.save(out, "PNG", optimize=True)
    return out.getvalue()


def half_width(sd: np.ndarray) -> np.ndarray:
    """Half the 95 % interval; 0 where the deviation is unknown, so that the point is drawn without a bar."""
    return np.where(np.isfinite(sd), INTERVAL*sd, 0.0)


def y_limits(low: float, high: float, zero: bool) -> tuple[float, float]:
    """Limits of the y axis for bars from low to high, with a margin. zero: zero is among them. Otherwise the axis spans
    at least LEAST_SPAN of its middle, lest a steady load look like an unsteady one."""
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
        margin = 0.06*(high-low) or 1.0
        return low-margin*(low < 0), high+margin*(high > 0 or low == 0)
    middle, half = (low+high)/2, 0.53*(high-low)
    half = max(half, 0.5*LEAST_SPAN*abs(middle)) or 1.0
    return middle-half, middle+half


def bars_hidden(series: Sequence[Series], zero: bool) -> bool:
    """Whether there are bars, and all of them are shorter than the points of `draw_series` are high."""
    bars = [half_width(one.sd[np.isfinite(one.value)]) for one in series if one.sd is not None]
    shown = np.concatenate([one.value[np.isfinite(one.value)] for one in series])
    if not shown.size or not any(b.any() for b in bars):
        return False
    low, high = y_limits(shown.min(), shown.max(), zero)
    return bool(2*np.concatenate(bars).max() < POINT_SHARE*(high-low))


def draw_series(axes: Axes, x: np.ndarray, series: Sequence[Series], zero: bool) -> None:
    """Points with 95 % bars, the first series full and above the others, which are open; a tick on the lower edge marks
    a fix where nothing of this panel was determined. A series without any value is not in the legend."""
    ends = []
    for i, ((colour, marker), one) in enumerate(zip(LOOKS, series)):
        known = np.isfinite(x) & np.isfinite(one.value)
        bars = np.zeros(known.sum()) if one.sd is None else half_width(one.sd[known])
        ends += [one.value[known]-bars, one.value[known]+bars]
        axes.errorbar(x[known], one.value[known], yerr=None if one.sd is None else bars, fmt=marker, color=colour,
                      ms=4.6 if i else 3.0, mfc="none" if i else colour, mew=0.9, lw=0, elinewidth=1.1, capsize=2,
                      zorder=3-0.1*i, label=one.label if known.any() else None)
    empty = np.isfinite(x) & ~np.any([np.isfinite(one.value) for one in series], axis=0)
    axes.plot(x[empty], np.zeros(empty.sum()), "|", color=GREY, ms=9, clip_on=False,
              transform=axes.get_xaxis_transform())
    shown = np.concatenate(ends)
    if shown.size:
        low, high = y_limits(shown.min(), shown.max(), zero)
        axes.set_ylim(low-0.07*high*(zero and low == 0), high)   # points at zero stand clear of the ticks below
    else:
        axes.text(0.5, 0.5, "not determined in any fix", transform=axes.transAxes, ha="center", color=GREY)
        axes.set_yticks([])


def series_picture(x: np.ndarray, x_label: str, y_label: str, series: Sequence[Series], zero: bool = False,
                   most: float | None = None) -> bytes:
    """One panel as PNG. x, values: (fixes,). zero: the axis has zero on it; most: it ends there at the latest."""
    import matplotlib
    with matplotlib.rc_context(STYLE):
        figure = new_figure(4.4, 2.9)
        axes = figure.add_axes((0.17, 0.165, 0.80, 0.74))
        draw_series(axes, x, series, zero)
        if most is not None:
            axes.set_ylim(top=min(axes.get_ylim()[1], most))
        axes.set_xlabel(x_label)
        axes.set_ylabel(y_label)
        if len(series) > 1 and axes.get_legend_handles_labels()[1]:
            axes.legend(loc="lower left", bbox_to_anchor=(-0.02, 0.99), ncols=4, columnspacing=1.2, handletextpad=0.2,
                        borderaxespad=0.1)
        return png(figure)


def cycle_axis(cycles: np.ndarray, elapsed_s: np.ndarray) -> tuple[np.ndarray, str]:
    """The common x axis and its label: cycles where the load gave them, else hours."""
    if np.isfinite(cycles).any():
        top = np.nanmax(cycles)
        if top >= 2e7:
            return cycles / 1e6, "load cycles (millions)"
        return (cycles / 1e3, "load cycles (thousands)") if top >= 2e4 else (cycles, "load cycles")
    return elapsed_s / 3600, "time (h)"
