"""What the pictures of `bolotip calibrate` show beside their numbers. All data are invented."""

import dataclasses

import numpy as np
import pytest
from test_gain import EVERYWHERE, level
from test_scale import NOTCH, WIDTH, picture, seen
from test_step import CAMERA, fitted

from calibration import gain, pictures, scale

NONE = "no residuals: as many numbers as unknowns"


@pytest.fixture
def panels(monkeypatch):
    """The axes of each figure drawn, by rows and columns."""
    drawn = []

    def figure(*words):
        made, axes = make(*words)
        drawn.append(axes)
        return made, axes

    make = pictures._figure
    monkeypatch.setattr(pictures, "_figure", figure)
    return drawn


def plates(*temperatures):
    return gain.counts_per_kelvin([level(t, 1) for t in temperatures], temperatures, 0.3, EVERYWHERE)


def test_two_plates_have_no_residuals_to_show(panels, tmp_path):
    pictures.counts(tmp_path / "p.png", plates(22.0, 42.0))
    right = panels[0][0, 1]
    assert [t.get_text() for t in right.texts] == [NONE] and not right.lines and not right.axison


def test_the_residuals_of_plates_have_bars_of_what_their_temperatures_are_known_to(panels, tmp_path):
    found = plates(20.0, 30.0, 40.0)
    pictures.counts(tmp_path / "p.png", found)
    bars = panels[0][0, 1].containers[0].lines[2][0].get_segments()
    assert [float(np.ptp(bar[:, 1])) for bar in bars] == pytest.approx([4 * 0.3 * found.counts_per_K] * 3)


def test_residuals_of_edges_are_across_them_against_the_place_along_them(panels, tmp_path):
    image = picture(25.0)
    found = scale.from_edges(image, WIDTH, NOTCH, 25.0)
    pictures.scale(tmp_path / "p.png", found, image)
    lines = [line for line in panels[0][0, 1].lines if line.get_marker() in "os"]
    off = np.linalg.norm(found.points_px - found.fitted_px, axis=1)
    assert len(lines) == 2 and lines[0].get_marker() != lines[1].get_marker()
    assert np.concatenate([np.abs(line.get_ydata()) for line in lines]) == pytest.approx(off, rel=0.01, abs=1e-6)
    t = np.deg2rad(found.growth_angle_deg)
    middle = (np.array(image.shape) - 1) / 2
    along = (found.fitted_px - middle) @ [np.cos(t), np.sin(t)]
    assert np.concatenate([line.get_xdata() for line in lines]) == pytest.approx(along, abs=1.0)


def test_residuals_of_marks_stay_residuals_along_rows_and_columns(panels, tmp_path):
    mm = np.array([(0, -5), (0, 5), (15, -5), (15, 5), (8, 1)], float)
    found = scale.from_marks(seen(mm) + 0.2 * np.random.default_rng(1).standard_normal(mm.shape), mm)
    pictures.scale(tmp_path / "p.png", found, picture())
    assert panels[0][0, 1].get_ylabel() == "residual along rows, px"


def colours(axes):
    image = axes.images[0]
    return image.get_clim(), image.colorbar.ax.get_ylabel(), image.colorbar.extend


def test_regions_alike_within_their_deviations_look_alike(panels, tmp_path):
    found = fitted(7, CAMERA, moments_s=(3.006,))
    regions = found.regions_tau_s.copy()
    regions[1, 2] *= 1.2
    for sd_s in (6e-6, 0.2e-3):
        one = dataclasses.replace(found, regions_sd_s=np.full((3, 3), sd_s))
        pictures.step(tmp_path / "p.png", one)
        pictures.step(tmp_path / "p.png", dataclasses.replace(one, regions_tau_s=regions))
    tau = 1e3 * found.tau_s
    for at, span, sd in ((0, 0.02 * tau, "0.006"), (2, 0.6, "0.2")):
        limits, label, extend = colours(panels[at][0, 2])
        assert limits == pytest.approx((tau - span, tau + span)) and label == f"tau, ms (each ± {sd})" and extend == "neither"
        assert colours(panels[at + 1][0, 2])[2] == "both"


def test_a_step_without_regions_is_drawn_without_their_deviation(panels, tmp_path):
    nothing = np.full((3, 3), np.nan)
    found = fitted(7, CAMERA, moments_s=(3.006,))
    pictures.step(tmp_path / "p.png", dataclasses.replace(found, regions_tau_s=nothing, regions_sd_s=nothing))
    assert colours(panels[0][0, 2])[1] == "tau, ms"
