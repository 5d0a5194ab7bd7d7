"""What the report draws from maps and rows stands where physics and the records put it."""
import dataclasses
import sys
from io import BytesIO

import numpy as np
import pytest
from invented_folder import HALF_ANGLE_DEG, INNER_MM, MM_PER_PX, NOISE_K, OUTER_MM, westergaard, write_maps
from PIL import Image

from edge import map_pictures, pictures, profile_pictures, report
from edge import maps as maps_file
from edge.record import Row


@pytest.mark.parametrize(("angle_deg", "tip_px"), [
    (0.0, (58.3, 90.2)), (90.0, (70.0, 80.4)), (180.0, (61.7, 70.1)), (-35.0, (50.3, 60.0))])
def test_fitted_isopachics_lie_on_the_closed_form_in_every_direction(tmp_path, angle_deg, tip_px):
    """Westergaard's plate is no crack-tip series: six terms come within 1 MPa of it in the fit region."""
    path = write_maps(tmp_path, 3, 12.0, angle_deg=angle_deg, tip_px=tip_px, noise_K=0.0, terms=6)
    maps = maps_file.read_maps(path)
    z = maps_file.crack_coordinates(maps, maps.tip)
    truth, _ = westergaard(12.0, angle_deg, tip_px)
    fitted = maps_file.fitted_range(z, maps.tip)
    inside = maps_file.in_fit_region(z, maps.tip)
    share = np.pi*(OUTER_MM**2-INNER_MM**2)*HALF_ANGLE_DEG/180/MM_PER_PX**2
    assert inside.sum() == pytest.approx(share, rel=0.02)
    assert np.array_equal(np.isfinite(fitted), inside)
    assert np.abs(fitted-truth)[inside].max() < 1.0
    seen = inside & maps.mask
    np.testing.assert_allclose(maps_file.measured_range(maps)[seen], truth[seen], rtol=0, atol=1e-3)


def test_what_a_notch_adds_is_part_of_the_fitted_field_and_its_surroundings_are_not(tmp_path):
    path = write_maps(tmp_path, 3, 12.0, noise_K=0.0)
    arrays = dict(np.load(path))
    plain = maps_file.read_maps(path)
    np.savez(path, **arrays, notch=np.array([3.0, -2.0, 1.0, 0.5]), notch_back_mm=2.5, notch_half_mm=1.0)
    notched = maps_file.read_maps(path)
    z = maps_file.crack_coordinates(plain, plain.tip)
    before, after = (maps_file.fitted_range(z, m.tip) for m in (plain, notched))
    near = np.abs(np.maximum((z + 2.5).real, 0) + 1j * z.imag) < 3.0
    assert np.isnan(after[near]).all() and np.isfinite(before[near]).any()
    pole, root = 2.5 / (z + 2.5), np.sqrt(2.5 / z)
    added = (3.0 * root * (pole - 1) - 2.0 * (pole - 1) + root * (pole**2 - 1) + 0.5 * (pole**2 - 1)).real
    seen = np.isfinite(after)
    assert seen.any() and (after - before)[seen] == pytest.approx(added[seen])


def test_marks_stand_where_the_record_puts_them():
    row = Row(seq=1, crack_mm=12.0, contact_length_mm=1.5, reversal_mm=12.3)
    marks = report._marks(row)
    assert (marks.contact_end_mm, marks.reversal_mm) == (-1.5, pytest.approx(0.3))
    assert report._marks(Row(seq=1, reversal_mm=12.3)) == maps_file.Marks(None, None)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, -35.0])
def test_drawing_places_undo_crack_coordinates(tmp_path, angle_deg):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0, angle_deg=angle_deg))
    col, row = map_pictures._place(maps, maps.tip, maps_file.crack_coordinates(maps, maps.tip))
    assert np.allclose(row, np.arange(120)[:, None]) and np.allclose(col, np.arange(160)[None, :])


def test_a_finer_grid_passes_through_the_pixels(tmp_path):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    coarse, fine = (maps_file.crack_coordinates(maps, maps.tip, finer) for finer in (1, 3))
    assert np.allclose(fine[::3, ::3], coarse)


@pytest.mark.parametrize("seed", range(5))
def test_noise_of_a_map_is_found_beside_a_crack(tmp_path, seed):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0, seed=seed))
    assert maps_file.component_noise_K(maps.h2, maps.mask) == pytest.approx(NOISE_K, rel=0.03)


def test_phase_is_hidden_in_noise_and_shown_in_the_zones(tmp_path):
    """Of pure noise exp(-9/2) = 1.1 % rises above three deviations (Rayleigh distribution)."""
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    phase = maps_file.phase_deg(maps.h2, maps.mask, maps_file.component_noise_K(maps.h2, maps.mask))
    z = maps_file.crack_coordinates(maps, maps.tip)
    shown = np.isfinite(phase)
    assert shown[maps.mask & (np.abs(z) > 3)].mean() == pytest.approx(np.exp(-4.5), rel=0.2)
    behind, ahead = (np.abs(z+0.4) < 0.2), (np.abs(z-0.4) < 0.2)
    assert shown[behind].all() and np.median(phase[behind]) == pytest.approx(35, abs=6)
    assert shown[ahead].all() and np.median(phase[ahead]) == pytest.approx(-160, abs=8)


def test_bins_hold_the_complex_mean_of_their_pixels():
    h = np.array([[1+1j, 3, 5j], [10, 20, 30]])
    x = np.array([[0.1, 0.2, 1.5], [0.3, 9.0, 1.1]])
    chosen = np.array([[True, True, True], [False, True, True]])
    mean, count = maps_file.binned(h, x, chosen, np.array([0.0, 1.0, 2.0, 3.0]))
    assert count.tolist() == [2, 2, 0]
    assert mean[:2] == pytest.approx([2+0.5j, 15+2.5j]) and np.isnan(mean[2])


def test_smoothing_for_contours_keeps_holes_and_plateaus():
    values = np.full((9, 9), 7.0)
    values[2:4, 3] = np.nan
    assert np.array_equal(np.isnan(map_pictures.smoothed(values)), np.isnan(values))
    assert map_pictures.smoothed(values)[np.isfinite(values)] == pytest.approx(7.0)


def test_contours_reach_the_edges_of_a_slope_without_opencv(monkeypatch):
    """Mirrored at its edge pixels, a slope of 1 a pixel is off by some half a pixel's there, and by nothing elsewhere."""
    monkeypatch.setitem(sys.modules, "cv2", None)
    values = np.tile(np.arange(20.0), (20, 1))
    off = np.abs(map_pictures.smoothed(values)-values)
    assert off.max() < 0.6 and off[:, 5:-5].max() < 1e-9


@pytest.fixture
def figures(monkeypatch):
    """The figures of a report's pictures, instead of their PNGs."""
    drawn = []
    for module in (map_pictures, profile_pictures):
        monkeypatch.setattr(module, "png", lambda figure: drawn.append(figure) or b"")
    return drawn


MARKS = maps_file.Marks(-1.5, 0.2)


def test_the_places_along_the_crack_line_are_told_apart_without_colour(tmp_path, figures):
    profile_pictures.along_picture(maps_file.read_maps(write_maps(tmp_path, 3, 12.0)), MARKS)
    for axes in figures[0].axes:
        upright = [line for line in axes.lines if len(set(line.get_xdata())) == 1 and line.get_linestyle() != "None"]
        assert sorted(line.get_linestyle() for line in upright) == ["-", "--", ":"]


def test_the_bars_on_the_map_are_told_apart_without_colour(tmp_path, figures):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    map_pictures.second_amplitude_picture(maps, map_pictures.common_scales([maps]), MARKS)
    by_colour = {line.get_color(): line.get_linestyle() for line in figures[0].axes[0].lines}
    assert by_colour[pictures.BLUE] == "-" and by_colour[pictures.RED] == "--"


@pytest.mark.parametrize("turn_deg", [0.0, 55.0, 90.0, 200.0])
def test_contact_and_the_zone_ahead_differ_in_gray(tmp_path, figures, turn_deg):
    """At +90 and -90 degrees the colours themselves have one gray. The invented contact is at 35 degrees, the zone at -160."""
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    maps = dataclasses.replace(maps, h2=maps.h2*np.exp(1j*np.deg2rad(turn_deg)))
    contact = maps_file.contact_phase_deg(maps, MARKS)
    assert np.cos(np.deg2rad(contact-35-turn_deg)) > 0.99
    map_pictures.second_phase_picture(maps, MARKS)
    image, label = figures[0].axes[0].images[0], figures[0].axes[1].get_ylabel()
    assert label == f"2f phase less contact's {contact:.0f}° (°)".replace("-", "−")
    z = maps_file.crack_coordinates(maps, maps.tip)
    gray = image.to_rgba(image.get_array())[..., :3] @ [0.299, 0.587, 0.114]
    behind, ahead = np.median(gray[np.abs(z+0.4) < 0.2]), np.median(gray[np.abs(z-0.4) < 0.2])
    background = np.array(figures[0].axes[0].patch.get_facecolor()[:3]) @ [0.299, 0.587, 0.114]
    assert behind < 0.3 and behind+0.4 < background < ahead-0.08


def test_without_contact_the_phase_is_shown_as_measured(tmp_path, figures):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    map_pictures.second_phase_picture(maps, maps_file.Marks(None, 0.2))
    axes, bar = figures[0].axes
    shown = axes.images[0].get_array().filled(np.nan)
    assert bar.get_ylabel() == "2f phase as measured (°)"
    known = np.isfinite(shown)
    assert shown[known] == pytest.approx(np.degrees(np.angle(maps.h2[known])), abs=1e-3)


def test_no_contact_phase_without_tip_contact_or_second_harmonic(tmp_path):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    assert maps_file.contact_phase_deg(maps, maps_file.Marks()) is None
    assert maps_file.contact_phase_deg(dataclasses.replace(maps, h2=None), MARKS) is None
    assert maps_file.contact_phase_deg(dataclasses.replace(maps, tip=None), MARKS) is None


@pytest.mark.parametrize(("stress_per_K", "factor", "unit"), [(None, 1, "mK"), (None, 60, "K"), (1e3, 15, "MPa")])
def test_the_colour_bar_s_label_is_whole_however_long_its_ticks(tmp_path, figures, stress_per_K, factor, unit):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    maps = dataclasses.replace(maps, stress_per_K=stress_per_K, h1=factor*maps.h1, h2=300*factor*maps.h2)
    scales = map_pictures.common_scales([maps])
    map_pictures.stress_picture(maps, scales)
    map_pictures.second_amplitude_picture(maps, scales, MARKS)
    for figure in figures:
        figure.canvas.draw()
        label = figure.axes[1].yaxis.label
        assert label.get_window_extent().x1 < figure.bbox.x1-1
    values = figures[0].axes[0].images[0].get_array().filled(np.nan)
    of_unit = {"mK": 1e3, "K": 1.0, "MPa": stress_per_K}[unit]
    assert figures[0].axes[1].get_ylabel().endswith(f"({unit})")
    assert values[maps.mask] == pytest.approx(-2*of_unit*maps.h1.real[maps.mask], rel=1e-5, abs=1e-9)
    assert figures[0].axes[0].collections  # isopachics in the same unit


def test_a_thin_red_mark_stays_red_among_few_colours(tmp_path):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    made = map_pictures.second_amplitude_picture(maps, map_pictures.common_scales([maps]), MARKS)
    pixels = np.asarray(Image.open(BytesIO(made)).convert("RGB")).astype(int).reshape(-1, 3)
    wanted = [int(pictures.RED[i:i+2], 16) for i in (1, 3, 5)]
    assert np.count_nonzero(np.abs(pixels-wanted).max(axis=1) < 12) > 10


def test_bars_span_95_percent_and_stay_in_view():
    figure = pictures.new_figure(4, 3)
    axes = figure.add_axes((0, 0, 1, 1))
    value, sd = np.array([5.0, np.nan, 7.0]), np.array([1.0, 1.0, np.nan])
    pictures.draw_series(axes, np.array([1.0, 2.0, 3.0]), [pictures.Series("a", value, sd)], zero=False)
    bars = axes.containers[0].lines[2][0].get_segments()
    assert [bar[:, 1].tolist() for bar in bars] == [pytest.approx([3.04, 6.96]), [7.0, 7.0]]
    low, high = axes.get_ylim()
    assert low < 3.04 and high > 7.0
    tick = next(line for line in axes.lines if line.get_marker() == "|")
    assert tick.get_xdata().tolist() == [2.0]   # the fix without a value


@pytest.mark.parametrize(("low", "high", "zero", "wanted"), [
    (3.0, 5.0, False, (2.94, 5.06)), (9.0, 9.0, False, (8.91, 9.09)), (0.0, 0.0, False, (-1.0, 1.0)),
    (2.0, 5.0, True, (0.0, 5.3)), (-2.0, 3.0, True, (-2.3, 3.3)), (0.0, 0.0, True, (0.0, 1.0))])
def test_axis_limits_neither_clip_nor_magnify_steadiness(low, high, zero, wanted):
    assert pictures.y_limits(low, high, zero) == pytest.approx(wanted)


@pytest.mark.parametrize(("cycles", "x", "label"), [
    ([100, 200], [100, 200], "load cycles"), ([1e4, 5e4], [10, 50], "load cycles (thousands)"),
    ([np.nan, np.nan], [1, 2], "time (h)")])
def test_the_axis_is_cycles_where_they_were_counted(cycles, x, label):
    got, got_label = pictures.cycle_axis(np.array(cycles, float), np.array([3600.0, 7200.0]))
    assert got.tolist() == x and got_label == label
