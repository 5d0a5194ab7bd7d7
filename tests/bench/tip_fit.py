"""The tip fit against a general optimiser and against a grid, on the same map, pixels and number of terms."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import plain
import plates
from scipy.optimize import minimize

from bench.common import Line, recording
from edge import first_tip, tip
from edge.rig import Rig, load_rig

SD_MPA = 4.0  # of the stress-sum range: 2 mK of 1f amplitude in steel
LEAST_GAIN, LEAST_GAIN_BLIND = 20.0, 10.0
ROUNDING = 1e-5  # of R^2: equal, as far as the map can tell
GRID_SAMPLE = 40  # points of the 1-pixel grid that are timed


class Plain:
    """Residual sum of squares and R^2 of the series at a tip, by numpy.linalg.lstsq on fixed pixels with the plain twin's
    columns: what one writes down from the formulas."""

    def __init__(self, stress: np.ndarray, pixels: tuple[np.ndarray, np.ndarray], mm: float, terms: int):
        self.pixels, self.mm, self.terms = pixels, mm, terms
        self.values = stress[pixels]
        self.total = float(np.sum((self.values - self.values.mean()) ** 2))

    def rss(self, place: np.ndarray) -> float:
        x, y = (self.pixels[1] - place[1]) * self.mm, (place[0] - self.pixels[0]) * self.mm
        unit = float(np.median(np.hypot(x, y)))
        columns = plain.williams_design(x / unit, y / unit, self.terms, with_step=False)
        b, *_ = np.linalg.lstsq(columns, self.values, rcond=None)
        return float(np.sum((self.values - columns @ b) ** 2))

    def r2(self, place: np.ndarray) -> float:
        return 1 - self.rss(place) / self.total


def cpu_s(form, rounds: int) -> tuple[float, object]:
    times = []
    for _ in range(rounds):
        start = time.process_time()
        result = form()
        times.append(time.process_time() - start)
    return float(np.median(times)), result


def scene(shape: tuple[int, int], folder: Path) -> tuple[Rig, np.ndarray, np.ndarray, tuple[float, float]]:
    plate = plates.centre_crack(shape=shape)
    rig = load_rig(recording(folder, shape, 10))
    stress = plate.sum_MPa + SD_MPA * np.random.default_rng(1).standard_normal(shape)
    return rig, stress, np.ones(shape, bool), plate.tip_px


def measure(rounds: int = 5) -> Iterator[Line]:
    with tempfile.TemporaryDirectory() as folder:
        rig, stress, usable, true_tip = scene((192, 256), Path(folder))
        mm, hz = rig.view.mm_per_px, rig.load.frequency_hz
        for what, terms in (("by default", None), ("with 5 terms and no prior", 5)):
            mine = replace(rig, fit=replace(rig.fit, terms=terms))
            hint = (true_tip[0] + 0.4, true_tip[1] - 0.6)
            fit_s, found = cpu_s(lambda r=mine, h=hint: tip.refine(r, stress, SD_MPA, usable, h, 0.0, hz), rounds)
            assert isinstance(found, tip.TipFit)
            pixels = tip._pixels(usable, (found.row_px, found.col_px), 0.0, mm, found.region)
            other = Plain(stress, pixels, mm, found.region.terms)
            other_s, best = cpu_s(lambda o=other, h=hint: minimize(o.rss, h, method="Nelder-Mead"), 1)
            apart = other.r2(np.array([found.row_px, found.col_px])) - other.r2(best.x)  # type: ignore[attr-defined]
            calls = best.nfev  # type: ignore[attr-defined]
            yield Line(
                f"tip with a hint, {what} ({fit_s * 1e3:.0f} ms, {pixels[0].size} pixels), against Nelder–Mead on lstsq, "
                f"scipy's defaults ({calls} fits of {other_s / calls * 1e3:.1f} ms); R² apart",
                f"{other_s / fit_s:.0f} × faster; {apart:+.0e}",
                f"≥ {LEAST_GAIN:g} ×; ≥ 0 within {ROUNDING:g}",
                other_s / fit_s >= LEAST_GAIN and apart >= -ROUNDING,
            )
        find_s, found = cpu_s(lambda: first_tip.search(rig, stress, SD_MPA, usable, 0.0, hz)[0], rounds)
        assert isinstance(found, tip.TipFit)
        yield from grid(rig, stress, usable, found, find_s)
    yield from growth(rounds)


def grid(rig: Rig, stress: np.ndarray, usable: np.ndarray, found: tip.TipFit, find_s: float) -> Iterator[Line]:
    """A fit at every pixel, of which a sample is timed."""
    rng = np.random.default_rng(2)
    start, mm = time.process_time(), rig.view.mm_per_px
    for _ in range(GRID_SAMPLE):
        place = rng.uniform(0, stress.shape[0] - 1), rng.uniform(0, stress.shape[1] - 1)
        pixels = tip._pixels(usable, place, 0.0, mm, found.region)
        Plain(stress, pixels, mm, found.region.terms).rss(np.array(place))
    grid_s = (time.process_time() - start) / GRID_SAMPLE * stress.size
    yield Line(
        f"tip with no hint at 256×192 ({find_s * 1e3:.0f} ms) against a 1-pixel grid ({GRID_SAMPLE} of its points timed)",
        f"{grid_s / find_s:.0f} × faster",
        f"≥ {LEAST_GAIN_BLIND:g} ×",
        grid_s / find_s >= LEAST_GAIN_BLIND,
    )


def growth(rounds: int) -> Iterator[Line]:
    """How the cost grows with the pixels: slope of log time over log pixels."""
    pixels, find_s = [], []
    for shape in ((120, 160), (192, 256), (480, 640)):
        with tempfile.TemporaryDirectory() as folder:
            rig, stress, usable, true_tip = scene(shape, Path(folder))
            pixels.append(stress.size)
            hz = rig.load.frequency_hz
            find_s.append(cpu_s(lambda: first_tip.search(rig, stress, SD_MPA, usable, 0.0, hz)[0], rounds)[0])  # noqa: B023
    mm_s, held = [], []
    with tempfile.TemporaryDirectory() as folder:
        rig, stress, usable, true_tip = scene((192, 256), Path(folder))
        for outer_mm in (3.0, 6.0, 9.0):
            mine = replace(rig, fit=replace(rig.fit, outer_mm=outer_mm))
            t, found = cpu_s(lambda m=mine: tip.refine(m, stress, SD_MPA, usable, true_tip, 0.0, rig.load.frequency_hz), rounds)
            assert isinstance(found, tip.TipFit)
            mm_s.append(t)
            held.append(found.pixels)
    for what, n, t in (("tip with no hint, view", pixels, find_s), ("tip with a hint, region", held, mm_s)):
        power = float(np.polyfit(np.log(n), np.log(t), 1)[0])
        each = ", ".join(f"{s * 1e3:.0f} ms at {k}" for s, k in zip(t, n, strict=True))
        yield Line(f"{what}: {each} pixels", f"time ∝ pixels^{power:.2f}", "≤ 1.1", power <= 1.1)
