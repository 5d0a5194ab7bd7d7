"""The picture of `bolotip plan`: what the camera does to each load frequency, and what to expect of each crack size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from edge import handbook, williams
from edge.forecast import TWO_SIDED_95, AtSize, Basis, leading_coefficient, margin_of, tip_px
from edge.pictures import BLUE, GREEN, GREY, ORANGE, RED, STYLE, new_figure, png
from edge.region import specimen

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOWEST_HZ, HIGHEST_HZ = 0.3, 30.0


def draw(known: Basis, frequency_hz: float, memory_s: float, sizes: Sequence[AtSize]) -> bytes:
    """PNG of six panels for the chosen frequency and memory."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        figure = new_figure(13.0, 8.4)
        panels = figure.subplots(2, 3).ravel()
        _noise(panels[0], known, frequency_hz, memory_s)
        _lengths(panels[1], known, frequency_hz)
        _map(panels[2], known, sizes)
        _dK(panels[3], known, sizes)
        _zones(panels[4], known, frequency_hz, sizes)
        _life(panels[5], known, sizes)
        figure.subplots_adjust(left=0.055, right=0.975, top=0.96, bottom=0.15, wspace=0.27, hspace=0.53)
        return png(figure, few_colours=False)


def _frequencies(axes: Axes, known: Basis, frequency_hz: float) -> np.ndarray:
    """A logarithmic axis of frequency with the collisions shaded and the chosen one marked; its points."""
    axes.set_xscale("log")
    axes.set_xlim(LOWEST_HZ, HIGHEST_HZ)
    hz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, 1500)
    taken = np.array([margin_of(known.rig, float(f)) < 1 / known.rig.lockin.memory_s for f in hz])
    axes.fill_between(hz, 0, 1, where=taken, transform=axes.get_xaxis_transform(), color="#d9dce0", lw=0.6,
                      edgecolor="#d9dce0", label="collisions possible")  # fmt: skip
    axes.axvline(frequency_hz, color=GREY, ls="--", lw=1.2, label=f"{frequency_hz:g} Hz")
    axes.set_xticks([0.5, 1, 2, 5, 10, 20], ["0.5", "1", "2", "5", "10", "20"])
    axes.set_xlabel("load frequency (Hz)")
    return hz


def _noise(axes: Axes, known: Basis, frequency_hz: float, memory_s: float) -> None:
    hz = _frequencies(axes, known, frequency_hz)
    for k, colour, style in ((1, BLUE, "-"), (2, RED, "-.")):
        noise = [1e3 * known.harmonic_noise_K(float(f), k, memory_s) for f in hz]
        axes.plot(hz, noise, color=colour, ls=style, label=f"at {k if k > 1 else ''}f")
    axes.set_ylim(bottom=0)
    axes.set_ylabel("noise of one pixel (mK)")
    axes.set_title(f"Noise after {memory_s:g} s", loc="left")
    _legend(axes, 3)


def _lengths(axes: Axes, known: Basis, frequency_hz: float) -> None:
    hz = _frequencies(axes, known, frequency_hz)
    diffusivity = known.rig.specimen.thermal_diffusivity_mm2_per_s
    axes.plot(hz, handbook.diffusion_length_mm(diffusivity, hz), color=BLUE, label="at f")
    axes.plot(hz, handbook.diffusion_length_mm(diffusivity, 2 * hz), color=RED, ls="-.", label="at 2f")
    axes.axhline(known.rig.view.mm_per_px, color=GREEN, ls=":", label="pixel")
    axes.set_ylim(bottom=0)
    axes.set_ylabel("length (mm)")
    axes.set_title("Diffusion length", loc="left")
    _legend(axes, 3)


def _map(axes: Axes, known: Basis, sizes: Sequence[AtSize]) -> None:
    """Expected 1f amplitude near the tip: leading term and T, for the middle one of the sizes in view."""
    shown = [a for a in sizes if a.in_view and math.isfinite(a.dK_MPa_sqrt_m)]
    axes.set_title("Expected 1f amplitude (mK)", loc="left")
    axes.grid(False)
    if not shown:
        return _nothing(axes, "no expected dK with the tip in view")
    at, view = shown[len(shown) // 3], known.rig.view
    shape = known.rig.camera.rows, known.rig.camera.columns
    rows, columns = np.indices(shape)
    tip = tip_px(known.rig, at.crack_mm)
    z = williams.to_crack(rows, columns, tip, view.growth_angle_deg, view.mm_per_px)
    z = np.where(np.abs(z) < 0.5 * view.mm_per_px, 0.5 * view.mm_per_px, z)
    T = 0.0 if math.isnan(at.T_MPa) else at.T_MPa
    total = williams.evaluate(np.array([leading_coefficient(at.dK_MPa_sqrt_m), T], complex), z)
    amplitude = np.where(specimen(known.rig, shape), 1e3 * known.K_per_MPa / 2 * np.abs(total), np.nan)
    inner_MPa = leading_coefficient(at.dK_MPa_sqrt_m) / math.sqrt(at.inner_mm) + T
    top_mK = 1e3 * known.K_per_MPa / 2 * abs(inner_MPa)
    image = axes.imshow(amplitude, cmap="viridis", vmin=0, vmax=top_mK, interpolation="nearest")
    axes.figure.colorbar(image, ax=axes, shrink=0.85, extend="max")
    turn = np.deg2rad(view.growth_angle_deg + np.linspace(0, 360, 181))
    for radius, style, name in ((at.inner_mm, "-", "fit region"), (at.outer_mm, "-", None)):
        r = radius / view.mm_per_px
        axes.plot(tip[1] + r * np.cos(turn), tip[0] - r * np.sin(turn), color="white", ls=style, lw=1.1, label=name)
    axes.set_xlim(-0.5, shape[1] - 0.5)
    axes.set_ylim(shape[0] - 0.5, -0.5)
    rings = "no T, rings: fit region" if math.isnan(at.T_MPa) else "rings: fit region"
    axes.set_xlabel(f"column (px); crack {at.crack_mm:.3g} mm, dK {at.dK_MPa_sqrt_m:.3g} MPa√m, {rings}")
    axes.set_ylabel("row (px)")


def _column(sizes: Sequence[AtSize], name: str) -> np.ndarray:
    return np.array([getattr(a, name) for a in sizes], float)


def _dK(axes: Axes, known: Basis, sizes: Sequence[AtSize]) -> None:
    a, dK = _column(sizes, "crack_mm"), _column(sizes, "dK_MPa_sqrt_m")
    axes.set_title("Stress intensity", loc="left")
    axes.set_xlabel("crack size (mm)")
    if np.isfinite(dK).any():
        sd = np.nan_to_num(_column(sizes, "dK_sd"))
        axes.errorbar(a, dK, yerr=TWO_SIDED_95 * sd, fmt="o-", color=BLUE, ms=4, capsize=2, label="dK, bars: 95 %")
        axes.set_ylabel("dK (MPa√m)")
        plain = np.array([x.small_scale is False for x in sizes])
        axes.plot(a[plain], dK[plain], "x", color=RED, ms=8, label="ligament too small for K (R = 0)")
        _legend(axes, 2)
    elif np.isfinite(per_kN := _column(sizes, "K_MPa_sqrt_m_per_kN")).any():
        axes.plot(a, per_kN, "o-", color=BLUE, ms=4)
        axes.set_ylabel("K per kN (MPa√m)")
    else:
        return _nothing(axes, f"no handbook K for {known.rig.specimen.geometry}")
    axes.set_ylim(bottom=0)


def _zones(axes: Axes, known: Basis, frequency_hz: float, sizes: Sequence[AtSize]) -> None:
    a = _column(sizes, "crack_mm")
    inner, outer = _column(sizes, "inner_mm"), _column(sizes, "outer_mm")
    axes.fill_between(a, inner, outer, color="#cfe3f1", label="fit region (radius)")
    if any(math.isfinite(x.plastic_zone_mm) for x in sizes):
        axes.plot(a, _column(sizes, "plastic_zone_mm"), "s-", color=RED, ms=3.5, label="plastic zone, R = 0")
        axes.plot(a, _column(sizes, "reversed_zone_mm"), "^-", color=ORANGE, ms=3.5, label="reversed plastic zone")
    diffusivity = known.rig.specimen.thermal_diffusivity_mm2_per_s
    length = float(handbook.diffusion_length_mm(diffusivity, frequency_hz))
    axes.axhline(length, color=BLUE, ls="--", lw=1.1, label="diffusion length at f")
    axes.axhline(known.rig.view.mm_per_px, color=GREEN, ls=":", lw=1.3, label="pixel")
    axes.set_yscale("log")
    axes.set_xlabel("crack size (mm)")
    axes.set_ylabel("length (mm)")
    axes.set_title("Where the fit looks", loc="left")
    _legend(axes, 2)


def _life(axes: Axes, known: Basis, sizes: Sequence[AtSize]) -> None:
    cycles = _column(sizes, "cycles")
    axes.set_title("Crack growth", loc="left")
    if np.count_nonzero(np.isfinite(cycles)) < 2:  # the first is 0 whatever else is known
        if not np.isfinite(_column(sizes, "K_MPa_sqrt_m_per_kN")).any():
            return _nothing(axes, f"no handbook K for {known.rig.specimen.geometry}")
        return _nothing(axes, _missing(known))
    axes.plot(cycles / 1e3, _column(sizes, "crack_mm"), "o-", color=BLUE, ms=4)
    axes.set_xlabel("load cycles (thousands)")
    axes.set_ylabel("crack size (mm)")
    return None


def _missing(known: Basis) -> str:
    """Which keys of the rig file the curve of growth still needs."""
    s = known.rig.specimen
    given = {"paris_C": s.paris_C, "paris_m": s.paris_m, "nominal_range_kN": known.rig.load.nominal_range_kN}
    *few, last = [name for name, value in given.items() if value is None] or ["handbook K at two sizes or more"]
    return "needs " + (f"{', '.join(few)} and {last}" if few else last)


def _legend(axes: Axes, columns: int) -> None:
    """Below the axis, where it covers nothing."""
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.15), ncols=columns)


def _nothing(axes: Axes, why: str) -> None:
    axes.text(0.5, 0.5, why, transform=axes.transAxes, ha="center", va="center", color=GREY)
    axes.set_axis_off()
