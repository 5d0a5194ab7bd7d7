"""Figures of the report: the second harmonic along the crack line and around the tip."""
from __future__ import annotations

import numpy as np

from edge.maps import PHASE_FLOOR, Maps, Marks, binned, component_noise_K, crack_coordinates, crack_strip
from edge.pictures import CONTACT_END, REVERSAL, STYLE, new_figure, png

SIZE_IN = (4.4, 3.4)
TIP = "black", ":"


def along_picture(maps: Maps, marks: Marks) -> bytes | None:
    """2f amplitude and phase along the crack line, mean over a strip of three pixels; None without tip or 2f map."""
    if maps.tip is None or maps.mm_per_px is None or maps.h2 is None:
        return None
    z = crack_coordinates(maps, maps.tip)
    strip = crack_strip(maps, z)
    count = max(int(1.3*maps.tip.outer_mm/maps.mm_per_px), 4)
    edges = (np.arange(-count, count+1)-0.5)*maps.mm_per_px
    places = [(0.0, TIP, "tip"), (marks.contact_end_mm, CONTACT_END, "end of contact"),
              (marks.reversal_mm, REVERSAL, "reversal")]
    return _picture(maps, maps.h2, z.real, strip, edges, "distance ahead of the tip (mm)", places)


def around_picture(maps: Maps) -> bytes | None:
    """2f amplitude and phase on a ring at the inner radius of the fit; None without tip or 2f map."""
    if maps.tip is None or maps.mm_per_px is None or maps.h2 is None:
        return None
    z = crack_coordinates(maps, maps.tip)
    ring = maps.mask & (np.abs(np.abs(z)-maps.tip.inner_mm) <= max(maps.mm_per_px, 0.15*maps.tip.inner_mm))
    label = f"angle from growth direction (\u00b0) at {maps.tip.inner_mm:.2g} mm"
    angle_deg, edges = np.degrees(np.angle(z)), np.linspace(-180, 180, 37)
    return _picture(maps, maps.h2, angle_deg, ring, edges, label, [(0.0, TIP, "ahead")])


def _picture(maps: Maps, h2: np.ndarray, coordinate: np.ndarray, chosen: np.ndarray, edges: np.ndarray, x_label: str,
             places: list[tuple[float | None, tuple[str, str], str]]) -> bytes:
    """Amplitude with the noise of its bins shaded, phase below where it stands out of that noise."""
    import matplotlib
    mean, count = binned(h2, coordinate, chosen, edges)
    with np.errstate(divide="ignore"):
        floor_K = np.where(count > 0, PHASE_FLOOR*component_noise_K(h2, maps.mask)/np.sqrt(count), np.nan)
    x = (edges[1:]+edges[:-1])/2
    clear = np.abs(mean) > floor_K
    with matplotlib.rc_context(STYLE):
        figure = new_figure(*SIZE_IN)
        upper = figure.add_axes((0.16, 0.56, 0.81, 0.35))
        lower = figure.add_axes((0.16, 0.14, 0.81, 0.35), sharex=upper)
        upper.fill_between(x, 0, 1e3*floor_K, color="#dfe3e6", lw=0, step="mid", label="noise, 99 %")
        upper.plot(x, 1e3*np.abs(mean), "-", color="black", lw=1.3)
        upper.set(ylabel="2f ampl. (mK)", xlim=(edges[0], edges[-1]))
        upper.set_ylim(bottom=0)
        upper.tick_params(labelbottom=False)
        lower.plot(x[clear], np.degrees(np.angle(mean[clear])), "o", color="black", ms=2.6)
        lower.set(xlabel=x_label, ylabel="2f phase (\u00b0)", ylim=(-190, 190), yticks=[-180, -90, 0, 90, 180])
        for mm, (colour, style), label in places:
            if mm is not None:
                upper.axvline(mm, color=colour, lw=1.2, ls=style, label=label)
                lower.axvline(mm, color=colour, lw=1.2, ls=style)
        upper.legend(loc="lower left", bbox_to_anchor=(-0.01, 0.97), ncols=4, columnspacing=1.0, handlelength=1.7,
                     handletextpad=0.4, borderaxespad=0.1)
        return png(figure)
