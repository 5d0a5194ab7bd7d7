"""The two figures of `bolotip growth`: crack size against cycles, growth rate against dK; matplotlib within."""
from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np

from calibration.door import InputError
from edge.growth_analysis import Analysis
from edge.growth_events import Event
from edge.growth_points import Fixes
from edge.pictures import BLUE, GREY, INTERVAL, ORANGE, RED, STYLE, cycle_axis, new_figure, png

MARKS = {"secant": (ORANGE, "s"), "polynomial": (BLUE, "o")}


def draw(folder: Path, found: Analysis, fixes: Fixes, events: Sequence[Event]) -> None:
    """Writes growth_aN.png and growth_rate.png."""
    import matplotlib
    with matplotlib.rc_context(cast(Any, STYLE)):
        pictures = {"growth_aN.png": size_picture(found, fixes, events), "growth_rate.png": rate_picture(found)}
    for name, picture in pictures.items():
        try:
            (folder / name).write_bytes(picture)
        except OSError as e:
            raise InputError(f"{folder / name}: cannot be written ({e.strerror}); choose another with --out") from None


def size_picture(found: Analysis, fixes: Fixes, events: Sequence[Event]) -> bytes:
    """Crack size against cycles: fixes with 95 % bars, events as lines with what they slowed shaded."""
    figure = new_figure(6.4, 4.2)
    axes = figure.add_axes((0.11, 0.13, 0.86, 0.80))
    shown, x_label = cycle_axis(fixes.cycles, fixes.cycles)
    unit = 1e6 if "millions" in x_label else 1e3 if "thousands" in x_label else 1.0
    axes.errorbar(shown, fixes.crack_mm, yerr=INTERVAL * fixes.crack_sd_mm, fmt="o", ms=3, color=BLUE,
                  elinewidth=1, lw=0, label="fixes, 95 %")
    for k, event in enumerate(events):
        axes.axvline(event.best_cycles / unit, color=RED, lw=1.2, ls="--", label=None if k else "overload or underload")
    for k, (event, delay) in enumerate((e, d) for e, d in found.delays if d):
        if delay.significant:
            start, end = event.best_cycles, event.best_cycles + delay.delay_cycles
            axes.axvspan(start / unit, end / unit, color=RED, alpha=0.12, lw=0, label=None if k else "changed growth")
    axes.set_xlabel(x_label)
    axes.set_ylabel("crack size a (mm)")
    axes.legend(loc="upper left")
    return png(figure)


def rate_picture(found: Analysis) -> bytes:
    """Growth rate against dK, doubly logarithmic: rates that count filled, others hollow; Paris line, 95 % band."""
    figure = new_figure(6.4, 4.8)
    axes = figure.add_axes((0.14, 0.12, 0.83, 0.82))
    axes.set_xscale("log")
    axes.set_yscale("log")
    kind = next((k for k in ("measured", "handbook") if any(key[1] == k for key in found.lines)), "measured")
    for course in found.courses:
        colour, marker = MARKS[course.rates.method]
        counts = course.fits() & (course.rates.rate > 0)
        rest = ~counts & (course.rates.rate > 0)
        axes.plot(course.dK(kind)[rest], course.rates.rate[rest], marker, mfc="none", mec=colour, ms=4, alpha=0.6,
                  label=f"{course.rates.method}, left out" if rest.any() else None)
        axes.errorbar(course.dK(kind)[counts], course.rates.rate[counts], xerr=INTERVAL * course.dK_sd(kind)[counts],
                      yerr=INTERVAL * course.rates.rate_sd[counts], fmt=marker, ms=4, color=colour, elinewidth=0.8,
                      lw=0, label=course.rates.method)
    line = found.lines.get(("secant", kind))
    if line:
        dK = np.geomspace(line.low_dK, line.high_dK, 60)
        half = line.t95 * line.log10_rate_sd(dK)
        axes.plot(dK, line.rate(dK), color=GREY, lw=1.6, label=f"Paris line of the secant rates, m = {line.m:.2f}, 95 % band")
        axes.fill_between(dK, line.rate(dK) * 10**-half, line.rate(dK) * 10**half, color=GREY, alpha=0.25, lw=0)
    _plain_ticks(axes)
    axes.set_xlabel(f"\u0394K {kind} (MPa \u221am)")
    axes.set_ylabel("da/dN (mm/cycle)")
    axes.grid(True, which="both")
    axes.legend(loc="upper left")
    return png(figure)


def _plain_ticks(axes: Any) -> None:
    """Numbers, not powers of ten, along a dK axis that spans less than two decades."""
    from matplotlib.ticker import FuncFormatter, LogLocator
    axes.xaxis.set_major_locator(LogLocator(subs=(1.0,)))
    axes.xaxis.set_minor_locator(LogLocator(subs=(1.5, 2, 2.5, 3, 4, 5, 6, 8)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
    axes.xaxis.set_minor_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
