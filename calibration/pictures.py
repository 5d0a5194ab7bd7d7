"""One picture a calibration: the fit over the data, and what it leaves. matplotlib is loaded when something is drawn.

Each function takes the result of the module of its name. Colours are Okabe and Ito's set, told apart with colour-vision
deficiency; bars are two standard deviations.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.figure import Figure

BLUE, ORANGE, GREEN, RED, GREY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#6b7075"
STYLE: dict[Any, Any] = {
    "font.size": 9,
    "axes.grid": True,
    "grid.color": "#e3e6e9",
    "axes.axisbelow": True,
    "legend.frameon": False,
}
MOST_POINTS = 4000
EDGES = ((BLUE, "o", "edge behind the crack"), (RED, "s", "edge ahead of it"))
LEAST_TAU_SPAN = 0.02  # of tau, to each side: less is noise in full colours


def _figure(rows: int, columns: int, title: str) -> "tuple[Figure, Any]":
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(4.6 * columns, 2.7 * rows), dpi=120, layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(title, fontsize=10)
    return figure, figure.subplots(rows, columns, squeeze=False)


def _points(
    axes: Any, x: np.ndarray, y: np.ndarray, sd: np.ndarray, colour: str = BLUE, label: str | None = None
) -> None:
    axes.errorbar(x, y, yerr=2 * sd, fmt="o", ms=3.5, lw=0, elinewidth=1, capsize=2, color=colour, label=label)


def _name(axes: Any, x: str, y: str) -> None:
    axes.set_xlabel(x)
    axes.set_ylabel(y)


def _no_residuals(axes: Any) -> None:
    axes.text(0.5, 0.5, "no residuals: as many numbers as unknowns", transform=axes.transAxes, ha="center", color=GREY)
    axes.set_axis_off()


def sweep(path: Path, found: Any) -> None:
    """Gain, phase and row slope against load frequency, and their residuals (a `calibration.sweep.Sweep`)."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        figure, ax = _figure(
            2, 3, f"sweep: tau {1e3 * found.tau_s:.2f} ms, chi-square {found.chi2:.1f} for {found.dof}"
        )
        f = found.frequency_hz
        fine = np.linspace(0, 1.05 * f.max(), 200)
        model = 1 / (1 + 2j * np.pi * fine * found.tau_s)
        at, deg = found.model, np.degrees
        _points(ax[0, 0], f, found.gain, found.gain_sd, label="measured")
        ax[0, 0].plot(fine, np.abs(model), color=RED, label="first order")
        ax[0, 0].legend()
        _points(ax[1, 0], f, 100 * (found.gain / np.abs(at) - 1), 100 * found.gain_sd / np.abs(at))
        _points(ax[0, 1], f, deg(found.phase), deg(found.phase_sd))
        ax[0, 1].plot(fine, np.angle(model, deg=True), color=RED)
        _points(ax[1, 1], f, deg(np.angle(np.exp(1j * found.phase) / at)), deg(found.phase_sd))
        _points(ax[0, 2], f, deg(found.slope), deg(found.slope_sd))
        ax[0, 2].plot(f, deg(found.slope_model), color=RED)
        _points(ax[1, 2], f, deg(found.slope - found.slope_model), deg(found.slope_sd))
        for i, what in enumerate(("gain", "phase, deg", "phase, first to last row, deg")):
            _name(ax[0, i], "", what)
            _name(ax[1, i], "load frequency, Hz", "residual, " + ("%" if i == 0 else "deg"))
        for axes in ax.flat:  # points stand above each other
            axes.set_xlim(0, 1.05 * f.max())
        figure.savefig(path)


def step(path: Path, found: Any) -> None:
    """What was left of the step against its age, the residuals, and tau by region (a `calibration.step.Step`)."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        figure, ax = _figure(1, 3, f"step: tau {1e3 * found.tau_s:.3f} ± {1e3 * found.tau_sd_s:.3f} ms")
        near = np.flatnonzero((np.abs(found.age_s) < 0.08) & np.isfinite(found.left_sd))
        show = near[:: max(1, near.size // MOST_POINTS)]
        order = near[np.argsort(found.age_s[near])]
        ms = 1e3 * found.age_s
        ax[0, 0].plot(ms[show], found.left[show], ".", ms=2, color=BLUE)
        ax[0, 0].plot(ms[order], found.model[order], color=RED, lw=1)
        _name(ax[0, 0], "age, ms", "part of the step that is left")
        ax[0, 1].plot(ms[show], ((found.left - found.model) / found.left_sd)[show], ".", ms=2, color=BLUE)
        _name(ax[0, 1], "age, ms", "residual, standard deviations")
        regions, known = 1e3 * found.regions_tau_s, found.regions_sd_s[np.isfinite(found.regions_sd_s)]
        tau, each = 1e3 * found.tau_s, 1e3 * float(np.median(known)) if known.size else 0.0
        span = max(3 * each, LEAST_TAU_SPAN * tau)
        beyond = np.nanmax(np.abs(regions - tau), initial=0.0) > span
        shown = ax[0, 2].imshow(regions, cmap="cividis", vmin=tau - span, vmax=tau + span)
        ax[0, 2].set(xticks=range(found.regions_tau_s.shape[1]), yticks=range(found.regions_tau_s.shape[0]))
        ax[0, 2].grid(False)
        _name(ax[0, 2], "region of the image, across", "down")
        label = f"tau, ms (each ± {each:.2g})" if known.size else "tau, ms"
        bar = figure.colorbar(shown, ax=ax[0, 2], label=label, extend="both" if beyond else "neither")
        bar.formatter.set_useOffset(False)  # type: ignore[attr-defined]
        figure.savefig(path)


def pixels(path: Path, found: Any) -> None:
    """Bad pixels, noise of each pixel, correlation of the noise with the filter found, spectra (`calibration.pixels`)."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        figure, ax = _figure(2, 2, f"pixels: noise {found.netd_counts:.2f} counts, {np.count_nonzero(found.bad)} bad")
        shown = ax[0, 0].imshow(found.noise, vmin=0, vmax=2 * found.netd_counts, cmap="cividis")
        row, column = np.nonzero(found.bad)
        ax[0, 0].plot(column, row, "x", ms=4, color=RED)
        ax[0, 0].grid(False)
        _name(ax[0, 0], "column, px (bad pixels crossed)", "row, px")
        figure.colorbar(shown, ax=ax[0, 0], label="noise, counts")
        good = found.noise[found.bad == 0]
        ax[0, 1].hist(good, 60, color=BLUE)
        ax[0, 1].axvline(found.netd_counts, color=RED)
        _name(ax[0, 1], "noise of a good pixel, counts", "pixels")
        lag = np.arange(found.correlation.size)
        model = np.where(lag == 0, 1.0, 0.0)
        if found.filter_kind == "recursive":
            model = found.filter_weight**lag
        elif found.filter_kind == "moving mean":
            model = np.maximum(0, 1 - lag / found.filter_frames)
        ax[1, 0].plot(lag, found.correlation, "o", ms=4, color=BLUE)
        ax[1, 0].plot(lag, model, color=RED)
        _name(ax[1, 0], "frames apart", f"correlation (filter: {found.filter_kind})")
        ax[1, 1].semilogy(found.frequency_hz, found.spectrum, color=BLUE, label="one pixel")
        ax[1, 1].semilogy(found.frequency_hz, np.maximum(found.shared_spectrum, 1e-6), color=ORANGE, label="image mean")
        ax[1, 1].legend()
        _name(ax[1, 1], "frequency, Hz", "counts per root Hz")
        figure.savefig(path)


def gain(path: Path, found: Any) -> None:
    """Temperature range against known stress with the fit, and the residuals (a `calibration.gain.Gain`)."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        figure, ax = _figure(1, 2, f"gain: K0 {found.K0_per_MPa:.4g} ± {found.K0_sd_per_MPa:.2g} per MPa")
        flat = np.ptp(found.stress_MPa) < 1e-6 * np.abs(found.stress_MPa).max()
        x = np.arange(found.stress_MPa.size) if flat else found.stress_MPa
        along = "block of the region" if flat else "nominal stress range, MPa"
        order = np.argsort(x)
        _points(ax[0, 0], x, 1e3 * found.range_K, 1e3 * found.range_sd_K)
        ax[0, 0].plot(x[order], 1e3 * found.fitted_K[order], color=RED)
        _name(ax[0, 0], along, "temperature range, mK")
        _points(ax[0, 1], x, 1e3 * (found.range_K - found.fitted_K), 1e3 * found.range_sd_K)
        _name(ax[0, 1], along, "residual, mK")
        figure.savefig(path)


def counts(path: Path, found: Any) -> None:
    """Level against plate temperature with the line, and the residuals of three plates or more (a `calibration.gain.Counts`)."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        figure, ax = _figure(1, 2, f"gain: {found.counts_per_K:.3f} ± {found.counts_per_K_sd:.3f} counts per kelvin")
        sd = np.full(found.level.size, found.level_sd)
        _points(ax[0, 0], found.temperature_C, found.level, sd)
        ax[0, 0].plot(found.temperature_C, found.fitted, color=RED)
        _name(ax[0, 0], "plate, degrees Celsius", "level, counts")
        if found.level.size <= 2:
            _no_residuals(ax[0, 1])
        else:
            _points(ax[0, 1], found.temperature_C, found.level - found.fitted, sd)
            _name(ax[0, 1], "plate, degrees Celsius", "residual, counts")
        figure.savefig(path)


def scale(path: Path, found: Any, image: np.ndarray) -> None:
    """The mean image with marks or edges, datum and growth direction; residuals of marks, if they
    are more numbers than unknowns, or of edges along them (a `calibration.scale.Scale`)."""
    import matplotlib

    with matplotlib.rc_context(STYLE):
        figure, ax = _figure(1, 2, f"scale: {found.mm_per_px:.5f} ± {found.mm_per_px_sd:.5f} mm per pixel")
        low, high = np.percentile(image, [1, 99])
        ax[0, 0].imshow(image, vmin=low, vmax=high, cmap="gray")
        ax[0, 0].grid(False)
        ax[0, 0].plot(found.points_px[:, 1], found.points_px[:, 0], "+", color=ORANGE, label="points used")
        if found.datum_px is not None:
            t = np.deg2rad(found.growth_angle_deg)
            length = 0.2 * image.shape[1]
            row, column = found.datum_px
            ax[0, 0].plot(column, row, "o", color=RED, mfc="none", label="datum")
            ax[0, 0].plot([column, column + length * np.cos(t)], [row, row - length * np.sin(t)], color=RED, label="growth")
        ax[0, 0].legend(loc="lower center", bbox_to_anchor=(0.5, 1), ncols=3)
        _name(ax[0, 0], "column, px", "row, px")
        if found.residual_px is None:
            _no_residuals(ax[0, 1])
        elif found.edges_px:  # only what is across an edge is measured
            for (along, across), (colour, marker, which) in zip(found.edges_px, EDGES, strict=True):
                ax[0, 1].plot(along, across, marker, ms=4, color=colour, mfc="none", label=which)
            ax[0, 1].axhline(0, color=GREY, lw=0.8)
            ax[0, 1].legend(loc="lower center", bbox_to_anchor=(0.5, 1), ncols=2)
            ax[0, 1].ticklabel_format(axis="y", useOffset=False)
            _name(ax[0, 1], "along the edge from the image's middle, px", "residual across the edge, px")
        else:
            left = found.points_px - found.fitted_px
            ax[0, 1].plot(left[:, 1], left[:, 0], "o", color=BLUE)
            ax[0, 1].locator_params(nbins=5)
            _name(ax[0, 1], "residual along columns, px", "residual along rows, px")
        figure.savefig(path)
