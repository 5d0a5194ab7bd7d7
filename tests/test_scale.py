"""Scale: millimetres per pixel, datum and growth direction from marks, and from edges and notch. Invented pictures."""

import dataclasses

import numpy as np
import pytest
from more import chosen

from calibration import scale
from calibration.door import InputError

GRID = np.array([(x, y) for x in (0, 6, 12, 18) for y in (-7, 0, 7)], float)


def seen(mm, mm_per_px=0.15, angle_deg=0.0, datum=(58.0, 18.0), tilt_deg=0.0, far_mm=200.0):
    """Pixels (row, column) of points on a surface: rotated, tilted about its y axis, seen in perspective."""
    t, c = np.deg2rad(tilt_deg), np.deg2rad(angle_deg)
    x, depth = mm[:, 0] * np.cos(t), mm[:, 0] * np.sin(t)
    z = (x + 1j * mm[:, 1]) * far_mm / (far_mm + depth) * np.exp(1j * c) / mm_per_px
    return np.column_stack([datum[0] - z.imag, datum[1] + z.real])


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 180.0, -120.0])
@pytest.mark.parametrize("points", [GRID[[0, 11]], GRID[[0, 5, 11]], GRID[[0, 2, 9, 11]], GRID], ids=len)
def test_marks_give_scale_datum_and_direction(points, angle):
    found = scale.from_marks(seen(points, angle_deg=angle), points)
    assert found.mm_per_px == pytest.approx(0.15, rel=1e-6)
    assert found.datum_px == pytest.approx((58.0, 18.0), abs=1e-4)
    assert (found.growth_angle_deg - angle + 180) % 360 - 180 == pytest.approx(0, abs=1e-4)
    assert (found.residual_px is None) == (len(points) in (2, 4))
    assert found.mm_per_px_sd > 1e-5


@pytest.mark.parametrize("column, along_mm, printed", [(78.0, 18.0, "0.00"), (78.0, -18.0, "180.00")], ids=["right", "left"])
def test_the_printed_direction_is_above_minus_180_and_has_no_minus_zero(column, along_mm, printed):
    found = scale.from_marks(np.array([(58.0, 18.0), (58.0, column)]), np.array([(0.0, 0.0), (along_mm, 0.0)]))
    for angle_deg in (found.growth_angle_deg, -1e-7, -180.0, -179.9999):
        text = dataclasses.replace(found, growth_angle_deg=angle_deg).text()
        assert text[-1] in ("growth_angle_deg = 0.00", "growth_angle_deg = 180.00")
    assert found.text()[-1] == f"growth_angle_deg = {printed}" and found.text()[1].startswith(f"growth   {printed} +-")


@pytest.mark.long
def test_marks_carry_their_error_into_the_deviations():
    rng, z = np.random.default_rng(1), []
    for _ in range(60):
        found = scale.from_marks(seen(GRID) + 0.2 * rng.standard_normal(GRID.shape), GRID)
        z.append([(found.mm_per_px - 0.15) / found.mm_per_px_sd, (found.datum_px[0] - 58.0) / found.datum_sd_px])
    assert np.all((np.std(z, axis=0) > 0.75) & (np.std(z, axis=0) < 1.3)) and np.mean(np.abs(z) < 1.96) > 0.87


@pytest.mark.parametrize("chosen", chosen([[0, 11], [0, 5, 11], [0, 2, 4, 9, 11]], 1), ids=len)
def test_few_marks_have_honest_deviations(chosen):
    points, rng, z = GRID[chosen], np.random.default_rng(3), []
    for _ in range(60):
        found = scale.from_marks(seen(points) + 0.3 * rng.standard_normal(points.shape), points)
        z.append(
            [
                (found.mm_per_px - 0.15) / found.mm_per_px_sd,
                (found.datum_px[0] - 58.0) / found.datum_sd_px,
                found.growth_angle_deg / found.growth_angle_sd_deg,
            ]
        )
    assert np.all((np.std(z, axis=0) > 0.8) & (np.std(z, axis=0) < 1.3)) and np.mean(np.abs(z) < 1.96) > 0.9


def test_three_marks_that_fit_by_chance_are_no_better_than_set_by_hand():
    assert scale.from_marks(seen(GRID[[0, 5, 11]]), GRID[[0, 5, 11]]).mm_per_px_sd > 1e-4


def test_a_camera_off_square_is_told_by_how_much():
    found = scale.from_marks(seen(GRID, tilt_deg=20.0), GRID)
    # the middle of the marks is seen at 20 degrees and, 9 mm off the axis, the 2.5 of the perspective
    assert found.view_deg == pytest.approx(22.5, abs=0.5)
    assert any("set the camera square" in note for note in found.notes)
    square = scale.from_marks(seen(GRID) + 0.1 * np.random.default_rng(0).standard_normal(GRID.shape), GRID)
    assert square.view_deg is None and square.view_most_deg < 10 and not square.notes


def test_the_deviation_of_the_tilt_covers_it():
    rng, exact = np.random.default_rng(2), scale.from_marks(seen(GRID, tilt_deg=20.0), GRID).view_deg
    z = []
    for _ in range(15):
        found = scale.from_marks(seen(GRID, tilt_deg=20.0) + 0.2 * rng.standard_normal(GRID.shape), GRID)
        z.append((found.view_deg - exact) / found.view_sd_deg)
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_a_square_view_is_not_said_to_be_tilted():
    rng, points = np.random.default_rng(4), GRID[[0, 2, 4, 9, 11]]
    found = [scale.from_marks(seen(points) + 0.3 * rng.standard_normal(points.shape), points) for _ in range(15)]
    assert sum(f.view_deg is not None for f in found) <= 1 and not any(f.notes for f in found)
    assert sum("not told from square" in "\n".join(f.text()) for f in found) >= 14


@pytest.mark.parametrize("points", [[(0, 0), (10, 0), (20, 0), (9, 6)], [(0, 0), (10, 0), (20, 0), (15, 0), (9, 6)]], ids=len)
def test_marks_that_all_but_one_lie_in_one_line_are_taken_as_seen_squarely(points):
    """Any tilt about that line fits them: the scale came out anywhere."""
    mm, rng = np.array(points, float), np.random.default_rng(5)
    for _ in range(5):
        found = scale.from_marks(seen(mm) + 0.2 * rng.standard_normal(mm.shape), mm)
        assert found.mm_per_px == pytest.approx(0.15, abs=4 * found.mm_per_px_sd) and found.mm_per_px_sd < 0.002
        assert found.view_deg is None and any("put a second one to the side" in note for note in found.notes)


def test_the_lines_for_the_rig_file_are_toml_of_the_view_table():
    import tomli

    text = scale.from_marks(seen(GRID, angle_deg=12.0), GRID).text()
    table = tomli.loads("\n".join(text[text.index("[view]") :]))["view"]
    assert table["mm_per_px"] == 0.15 and table["datum_px"] == [58.0, 18.0] and table["growth_angle_deg"] == 12.0


REFUSED = {
    "one": (seen(GRID[:1]), GRID[:1], "two or more"),
    "together": (seen(GRID[:2] * 0.05), GRID[:2] * 0.05, "far corners"),
    "in line": (seen(GRID[1::3]), GRID[1::3], "one line"),
    "mirrored": (seen(GRID)[:, :] * (1, -1), GRID, "change the sign of y"),
    "exchanged": (seen(GRID)[np.r_[5, 1:5, 0, 6:12]], GRID, "exchanged numbers"),
}


@pytest.mark.parametrize("px, mm, expected", REFUSED.values(), ids=REFUSED.keys())
def test_marks_that_make_no_view_are_refused(px, mm, expected):
    with pytest.raises(InputError, match=expected):
        scale.from_marks(px, mm)


WIDTH, NOTCH, PX = 14.0, 5.0, 0.16
CENTRE = (60.0, 80.0)  # of the specimen, in the picture


def picture(angle_deg=0.0, noise=0.5, notch=True, seed=0, width_mm=WIDTH):
    """Mean image (K): a strip 2 K warmer than what is behind it, with a notch 0.5 mm wide from its datum edge."""
    row, column = np.mgrid[:480, :640] / 4 - 0.375  # 4 x 4 points a pixel
    t = np.deg2rad(angle_deg)
    right, up = (column - CENTRE[1]) * PX, -(row - CENTRE[0]) * PX
    along, across = right * np.cos(t) + up * np.sin(t), up * np.cos(t) - right * np.sin(t)
    there = np.abs(along) < width_mm / 2
    if notch:
        there &= ~((along < -width_mm / 2 + NOTCH) & (np.abs(across - 1.0) < 0.25))
    image = 293.0 + 2.0 * there.reshape(120, 4, 160, 4).mean(axis=(1, 3))
    return image + noise * np.random.default_rng(seed).standard_normal(image.shape)


@pytest.mark.parametrize("angle", [0.0, 3.0, 90.0, 180.0, -90.0, 25.0])
def test_edges_and_notch_give_scale_datum_and_direction(angle):
    found = scale.from_edges(picture(angle), WIDTH, NOTCH, angle + 1.5)  # the rig file's angle is rough
    assert found.mm_per_px == pytest.approx(PX, rel=0.005)
    assert abs(found.mm_per_px - PX) < 4 * found.mm_per_px_sd
    assert (found.growth_angle_deg - angle + 180) % 360 - 180 == pytest.approx(0, abs=0.4)
    t = np.deg2rad(angle)  # the notch's mouth: half a width back and 1 mm to the left of the middle
    right, up = -WIDTH / 2 * np.cos(t) - np.sin(t), -WIDTH / 2 * np.sin(t) + np.cos(t)
    assert found.datum_px == pytest.approx((CENTRE[0] - up / PX, CENTRE[1] + right / PX), abs=0.6)


def test_the_deviations_of_scale_and_direction_are_honest():
    z = []
    for seed in range(20):
        found = scale.from_edges(picture(1.0, noise=1.0, seed=seed), WIDTH, NOTCH, 0.0)
        z.append(
            [(found.mm_per_px - PX) / found.mm_per_px_sd, (found.growth_angle_deg - 1.0) / found.growth_angle_sd_deg]
        )
    assert np.all(np.mean(np.abs(z) < 2.5, axis=0) > 0.8)
    assert np.all((np.std(z, axis=0) > 0.45) & (np.std(z, axis=0) < 1.8))


def test_the_direction_of_upright_edges_is_as_good_as_said():
    off = []
    for seed in range(10):
        found = scale.from_edges(picture(noise=0.2, seed=seed), WIDTH, NOTCH, 0.0)
        off.append(found.growth_angle_deg / found.growth_angle_sd_deg)
    assert np.sqrt(np.mean(np.square(off))) < 1.5


def test_a_notch_that_cannot_be_seen_is_said_so():
    found = scale.from_edges(picture(notch=False), WIDTH, NOTCH, 0.0)
    assert found.datum_px is None and any("does not stand out" in note for note in found.notes)
    assert not any("datum_px" in line for line in found.text())


def test_a_missing_edge_is_refused():
    with pytest.raises(InputError, match="only one long edge .*--mark"):
        scale.from_edges(picture(width_mm=60.0), 60.0, NOTCH, 0.0)


@pytest.mark.parametrize("turn_deg", [0.0, 0.7, 1.5, -2.0])
def test_the_place_of_a_notch_is_found_in_a_picture_turned_a_little(turn_deg):
    """Strips along a notch of 20 px hold pixels of one row mostly, whose middle is not that of the whole strip."""
    turn, notch = np.radians(turn_deg), 3.4  # px below the middle, from the left edge on
    row, column = (n - (m - 1) / 2 for n, m in zip(np.indices((120, 160)), (120, 160)))
    along, across = column * np.cos(turn) - row * np.sin(turn), column * np.sin(turn) + row * np.cos(turn)
    image = 1000 + 400.0 * (np.abs(along) < 50)
    image -= 200 * np.exp(-(((across - notch) / 1.7) ** 2)) * ((along > -50) & (along < -30))
    found = scale.from_edges(image, 20.0, 4.0, turn_deg)
    assert found.datum_px is not None
    off = np.array(found.datum_px) - (59.5, 79.5) - (notch * np.cos(turn) + 50 * np.sin(turn), notch * np.sin(turn) - 50 * np.cos(turn))
    assert abs(off @ (np.cos(turn), np.sin(turn))) < 0.05
