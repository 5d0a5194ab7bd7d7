"""The tip search on closed-form and finite-element plates whose tip, K and T are known, and on maps without a crack."""

from dataclasses import replace
from pathlib import Path

import fem
import numpy as np
import plates
import pytest
from more import chosen

from edge import first_tip
from edge import region as regions
from edge.first_tip import turned
from edge.rig import Camera, Fit, Load, LockIn, Records, Rig, Specimen, View
from edge.tip import acceptable, refine, weak
from edge.tip_candidates import candidates

LOAD_HZ = 7.0
NOISE_MPA = 4.0  # of a stress range: 50 mK a frame, 1500 frames, steel
# a/W, F of K = s sqrt(pi a) F: edge crack, free ends (Tada, Paris & Irwin handbook; formula from memory)
SENT = [(0.2, 1.367), (0.4, 2.108), (0.6, 4.043)]
ROW_PX, COL_PX, K_SHARE, KII_SHARE, T_SHARE = 0.15, 0.25, 0.025, 0.04, 0.08


def rig_for(plate, geometry="plate", width_mm=100.0, diffusivity_mm2_per_s=14.0, fit=None):
    rows, columns = plate.sum_MPa.shape
    datum = plate.datum_px if np.isfinite(plate.tip_px[0]) else (rows / 2, 0.0)
    return Rig(
        specimen=Specimen(geometry, 3.1e-6, 350.0, 205.0, diffusivity_mm2_per_s, width_mm=width_mm, thickness_mm=4.0),
        load=Load("recording", LOAD_HZ),
        camera=Camera("recording", rows, columns, 25.0, counts_per_K=100.0, zero_K=0.0),
        view=View(plate.mm_per_px, datum, plate.angle_deg),
        lockin=LockIn(),
        fit=fit or Fit(),
        records=Records(),
        folder=Path(),
        path=Path("rig.toml"),
    )


def noisy(plate, seed=1, noise=NOISE_MPA):
    """The stress-sum map with noise, and where there is specimen."""
    s = np.nan_to_num(plate.sum_MPa) + noise * np.random.default_rng(seed).standard_normal(plate.sum_MPa.shape)
    return s, (np.isfinite(plate.sum_MPa) if plate.cover is None else plate.cover > 0.98)


def find(*where):
    """The tip in the whole view, or None."""
    return first_tip.search(*where)[0]


def search(plate, seed=1, rig=None, noise=NOISE_MPA):
    stress, usable = noisy(plate, seed, noise)
    return find(rig or rig_for(plate), stress, noise, usable, plate.angle_deg, LOAD_HZ)


def along_and_across_px(found, plate):
    x, y = plates.crack_coordinates(found.row_px, found.col_px, plate.tip_px, plate.angle_deg, 1.0)
    return float(x), float(y)


def assert_right(found, plate):
    assert found is not None
    along, across = along_and_across_px(found, plate)
    assert abs(across) <= ROW_PX and abs(along) <= COL_PX
    assert found.crack_mm == pytest.approx(plate.crack_mm + along * plate.mm_per_px, abs=1e-6)
    assert abs(found.K_I / plate.KI_MPa_sqrt_m - 1) <= K_SHARE
    assert abs(found.K_II - plate.KII_MPa_sqrt_m) <= KII_SHARE * plate.KI_MPa_sqrt_m


@pytest.mark.parametrize("seed", [0, 2])
@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"angle_deg": 180.0, "tip_px": (61.8, 75.2)},
        {"angle_deg": 90.0, "tip_px": (50.1, 80.4)},
        {"angle_deg": -20.0},
        {"beta_deg": 20.0},
        {"mm_per_px": 0.3, "half_mm": 20.0},
    ],
    ids=str,
)
def test_tip_K_and_T_of_a_centre_crack_without_a_hint(settings, seed):
    plate = plates.centre_crack(**settings)
    found = search(plate, seed)
    assert_right(found, plate)
    assert abs(found.T_MPa - plate.T_MPa) < 3.5 * found.sd[4] < 3.5 * T_SHARE * plate.stress_MPa
    assert found.r2 > 0.9 and acceptable(found, np.ones(plate.sum_MPa.shape, bool), plate.mm_per_px)


@pytest.mark.parametrize("alpha, F", chosen(SENT, 0, 2))
def test_tip_and_handbook_K_of_a_finite_element_edge_crack_without_a_hint(alpha, F):
    width, stress = 30.0, 50.0 / (1 + 3 * alpha)
    plate = fem.plate("SENT", alpha * width, width, stress, tip_px=(58.3, 20.0 + alpha * 200), mm_per_px=0.15)
    handbook = stress * np.sqrt(np.pi * alpha * width * 1e-3) * F
    found = search(plate, rig=rig_for(plate, "SENT", width))
    assert_right(found, plate)
    assert found.K_I == pytest.approx(handbook, rel=K_SHARE + 0.005)
    assert abs(found.T_MPa - plate.T_MPa) < 4 * found.sd[4] + 0.1 * stress


@pytest.mark.parametrize("geometry, alpha, width_mm", [("SENT", 0.6, 30.0), ("CT", 0.3, 40.0)])
def test_what_the_prior_of_the_higher_terms_pulls_by_is_less_than_the_deviations_say(geometry, alpha, width_mm):
    """Finite elements without noise, fitted as if they had it."""
    unit = fem.plate(geometry, alpha * width_mm, width_mm, 1.0, tip_px=(58.3, 84.6), mm_per_px=0.15)
    times = 20.0 / unit.KI_MPa_sqrt_m
    rig = rig_for(unit, geometry, width_mm)
    seen, usable = times * np.nan_to_num(unit.sum_MPa), noisy(unit)[1]
    found = refine(rig, seen, NOISE_MPA, usable, unit.tip_px, unit.angle_deg, LOAD_HZ, 20.0)
    off = np.array([found.K_I - 20.0, found.K_II, found.T_MPa - times * unit.T_MPa]) / found.sd[2:]
    assert (np.abs(off) < 0.9).all(), off


@pytest.mark.parametrize("off_px", [(0.0, 0.0), (1.5, -3.0), (-2.0, 4.0)])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_hint_some_pixels_off_leads_to_the_tip(off_px, seed):
    plate = plates.centre_crack()
    stress, usable = noisy(plate, seed)
    hints = [plate.tip_px, (plate.tip_px[0] + off_px[0], plate.tip_px[1] + off_px[1])]
    best, found = (refine(rig_for(plate), stress, NOISE_MPA, usable, at, 0.0, LOAD_HZ, 10.0) for at in hints)
    assert_right(found, plate)
    assert (found.row_px, found.col_px) == pytest.approx((best.row_px, best.col_px), abs=0.02)
    assert found.K_I == pytest.approx(best.K_I, rel=0.002)


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_with_a_hint_the_tip_is_the_same_as_without(seed):
    plate = plates.centre_crack()
    stress, usable = noisy(plate, seed)
    hinted = refine(rig_for(plate), stress, NOISE_MPA, usable, plate.tip_px, 0.0, LOAD_HZ, 10.0)
    free = search(plate, seed)
    assert (hinted.row_px, hinted.col_px) == pytest.approx((free.row_px, free.col_px), abs=0.02)
    assert hinted.K_I == pytest.approx(free.K_I, rel=0.002)
    assert hinted.T_MPa == pytest.approx(free.T_MPa, abs=0.5)


def test_stated_deviations_cover_the_truth():
    """Sixty maps: spread of (found - true)/sd of tip, K and T; below one where the prior of the series is generous."""
    plate = plates.centre_crack(shape=(90, 110), tip_px=(44.3, 60.6))
    rig, scores = rig_for(plate), []
    for seed in range(60):
        stress, usable = noisy(plate, seed, 8.0)
        found = refine(rig, stress, 8.0, usable, (44.0, 61.0), 0.0, LOAD_HZ, 11.0)
        along, across = along_and_across_px(found, plate)
        off = [along * 0.15, across * 0.15, found.K_I - plate.KI_MPa_sqrt_m, found.K_II, found.T_MPa - plate.T_MPa]
        scores.append(np.array(off) / found.sd)
    rms = np.sqrt(np.mean(np.square(scores), axis=0))
    assert (rms < 1.3).all() and (rms > 0.4).all(), rms


@pytest.mark.parametrize("noise", [1.0, 8.0, 16.0])
def test_more_noise_means_larger_deviations_but_the_same_tip_within_them(noise):
    plate = plates.centre_crack()
    quiet, loud = search(plate, 3, noise=NOISE_MPA / 4), search(plate, 3, noise=noise)
    assert np.all(np.abs(np.array(along_and_across_px(loud, plate)) * 0.15) < 4 * loud.sd[:2])
    assert abs(loud.K_I - plate.KI_MPa_sqrt_m) < 4 * loud.sd[2]
    if noise > 1:
        assert (loud.sd[:4] > quiet.sd[:4]).all()


def test_dead_pixels_a_reflection_and_a_missing_corner_do_no_harm():
    plate = plates.centre_crack()
    stress, usable = noisy(plate)
    rng = np.random.default_rng(3)
    dead = rng.random(stress.shape) < 0.03
    stress[dead] = 1e4 * rng.standard_normal(dead.sum())
    usable &= ~dead
    stress[70:76, 95:101] += 150.0  # a lamp in the paint, not known to be bad
    usable[:40, :30] = False
    assert_right(find(rig_for(plate), stress, NOISE_MPA, usable, 0.0, LOAD_HZ), plate)


def test_a_part_of_the_view_that_is_something_else_is_left_out_and_does_not_draw_the_fit_to_itself():
    """20 x 20 pixels of six deviations more, none of which stands out alone; left in they bring 4.5 % to K."""
    plate, errors = plates.centre_crack(), []
    for seed in range(8):
        stress, usable = noisy(plate, seed)
        stress[66:86, 92:112] += 25.0
        found = refine(rig_for(plate), stress, NOISE_MPA, usable, plate.tip_px, 0.0, LOAD_HZ, 10.0)
        assert found.kept == pytest.approx(1 - 400 / (found.pixels / found.kept), abs=0.02)
        assert np.hypot(*along_and_across_px(found, plate)) < 0.25
        errors.append(found.K_I / plate.KI_MPa_sqrt_m - 1)
    assert abs(np.mean(errors)) < 0.0125


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, -20.0])
def test_the_place_most_like_a_tip_is_the_tip(angle_deg):
    plate = plates.centre_crack(tip_px=(58.3, 80.6), angle_deg=angle_deg)
    for seed in range(3):
        stress, usable = noisy(plate, seed)
        (t, row, col), *_ = candidates(stress, NOISE_MPA, usable, angle_deg, 7.0)
        assert t > 50 and np.hypot(row - 58.3, col - 80.6) < 3
    closing = candidates(-stress, NOISE_MPA, usable, angle_deg, 7.0)
    assert all(np.hypot(row - 58.3, col - 80.6) > 3 for _, row, col in closing)


def test_a_fit_is_weak_if_it_misfits_hardly_stands_out_or_leaves_much_out():
    found = search(plates.centre_crack(), 0)
    assert not weak(found)
    hardly = found.covariance * (found.K_I / 10 / found.sd[2]) ** 2
    for what in ({"chi2": 5.0}, {"covariance": hardly}, {"kept": 0.85}):
        assert weak(replace(found, **what)), what


def test_a_misfit_that_only_little_noise_shows_makes_no_weak_tip():
    found = search(plates.centre_crack(), 0)
    assert not weak(replace(found, chi2=30.0, r2=0.9995)) and weak(replace(found, chi2=30.0, r2=0.99))


def test_a_fit_that_leaves_pixels_out_does_not_count_as_the_better_one_for_it():
    found = search(plates.centre_crack(), 0)
    assert replace(found, chi2=1.0, kept=0.8).misfit > replace(found, chi2=1.0, kept=1.0).misfit == 1.0


@pytest.mark.parametrize("tip_px", [(58.3, 140.6), (100.3, 84.6), (20.0, 84.6)])
def test_a_tip_near_the_border_of_the_view_is_found_within_its_deviations(tip_px):
    plate = plates.centre_crack(tip_px=tip_px)
    found = search(plate)
    assert found is not None
    assert np.all(np.abs(np.array(along_and_across_px(found, plate)) * 0.15) < 4 * found.sd[:2] + 0.05 * 0.15)
    assert abs(found.K_I - plate.KI_MPa_sqrt_m) < 4 * found.sd[2] + 0.01 * plate.KI_MPa_sqrt_m


@pytest.mark.parametrize("half_mm", [1.5, 3.0, 6.0])
def test_a_short_crack_is_found_within_its_deviations(half_mm):
    """The other tip is near: the series converges in a small ring only, and the deviations say so."""
    plate = plates.centre_crack(half_mm=half_mm, stress_MPa=120.0)
    found = search(plate)
    assert found is not None
    assert np.all(np.abs(np.array(along_and_across_px(found, plate)) * 0.15) < 4 * found.sd[:2])
    assert abs(found.K_I - plate.KI_MPa_sqrt_m) < 4 * found.sd[2]
    assert found.sd[2] < 0.15 * found.K_I


def test_the_rig_file_can_fix_the_region_and_the_number_of_terms():
    plate = plates.centre_crack()
    found = search(plate, rig=rig_for(plate, fit=Fit(inner_mm=1.0, outer_mm=4.0, half_angle_deg=120.0, terms=4)))
    assert_right(found, plate)
    region = found.region
    assert (region.inner_mm, region.outer_mm, region.half_angle_deg, region.terms) == (1.0, 4.0, 120.0, 4)
    assert found.coefficients.size == 4
    assert found.pixels == pytest.approx(np.pi * (16 - 1) / 0.15**2 * 2 / 3, rel=0.03)


def kirsch(x_mm, y_mm, radius_mm, stress_MPa):
    """Stress sum beside a hole in a sheet under tension along y: s (1 + 2 (R/r)^2 cos 2t), t from x; Kirsch 1898
    (from memory)."""
    r2, t = x_mm**2 + y_mm**2 + 1e-9, np.arctan2(y_mm, x_mm)
    return np.where(r2 > radius_mm**2, stress_MPa * (1 + 2 * radius_mm**2 / r2 * np.cos(2 * t)), 0.0)


def point_force(x_mm, y_mm, force_per_mm):
    """Stress sum under a force on the edge of a half plane: -(2 F/pi) cos t / r; Flamant 1892 (from memory)."""
    r2 = x_mm**2 + y_mm**2 + 0.05
    return -2 * force_per_mm / np.pi * x_mm / r2


ROWS, COLUMNS = np.indices((120, 160))
X_MM, Y_MM = (COLUMNS - 60.3) * 0.15, (58.4 - ROWS) * 0.15
WITHOUT_CRACK = {
    "uniform": np.full((120, 160), 60.0),
    "no stress": np.zeros((120, 160)),
    "bending": 60.0 - 8.0 * X_MM,
    "step at an edge": np.where(X_MM < -6, 0.0, 80.0),
}
HOT_SPOT = 60.0 + 200.0 * np.exp(-(X_MM**2 + Y_MM**2) / 0.5)
SOMEWHAT_LIKE_A_CRACK = {
    ("corner", 0.0): np.where((X_MM < -3) & (Y_MM < 0), 0.0, 80.0),
    ("hole", 0.0): kirsch(X_MM, Y_MM, 2.0, 60.0),
    ("hole", 180.0): kirsch(X_MM, Y_MM, 2.0, 60.0),
    ("force on an edge", 90.0): np.where(X_MM < 0, 0.0, point_force(X_MM, Y_MM, 150.0)),
    ("force on an edge", 180.0): np.where(X_MM < 0, 0.0, point_force(X_MM, Y_MM, 150.0)),
    ("paint edge", 90.0): np.where(Y_MM > 0, 60.0, 48.0),
}


@pytest.mark.parametrize("stress", WITHOUT_CRACK.values(), ids=WITHOUT_CRACK.keys())
@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 180.0])
def test_no_tip_where_there_is_no_crack(stress, angle_deg):
    plate, everywhere = plates.uncracked(), np.ones(stress.shape, bool)
    for seed in range(3):
        noise = NOISE_MPA * np.random.default_rng(seed).standard_normal(stress.shape)
        assert find(rig_for(plate), stress + noise, NOISE_MPA, everywhere, angle_deg, LOAD_HZ) is None


def test_a_hot_spot_is_no_tip():
    plate, everywhere = plates.uncracked(), np.ones(HOT_SPOT.shape, bool)
    for seed in range(3):
        noise = NOISE_MPA * np.random.default_rng(seed).standard_normal(HOT_SPOT.shape)
        for angle_deg in (0.0, 90.0, 180.0):
            assert find(rig_for(plate), HOT_SPOT + noise, NOISE_MPA, everywhere, angle_deg, LOAD_HZ) is None


@pytest.mark.parametrize(
    "angle_deg, stress",
    chosen([(a, s) for (_, a), s in SOMEWHAT_LIKE_A_CRACK.items()], 0, 2, 4),
    ids=[f"{n} {a:g}" for n, a in SOMEWHAT_LIKE_A_CRACK],
)
def test_what_looks_somewhat_like_a_crack_is_a_weak_tip_at_most(angle_deg, stress):
    """Weak as the flag tip_weak says it: misfit four times the noise, K less than twelve deviations, or a tenth of the
    pixels left out as no part of the field."""
    plate, everywhere = plates.uncracked(), np.ones(stress.shape, bool)
    for seed in range(3):
        noise = NOISE_MPA * np.random.default_rng(seed).standard_normal(stress.shape)
        found = find(rig_for(plate), stress + noise, NOISE_MPA, everywhere, angle_deg, LOAD_HZ)
        assert found is None or found.chi2 > 4 or found.K_I < 12 * found.sd[2] or found.kept < 0.9
        assert found is None or weak(found)


@pytest.mark.parametrize("seed", range(12))
def test_no_tip_in_noise_of_any_kind(seed):
    rng = np.random.default_rng(seed)
    plate, usable = plates.uncracked(), rng.random((120, 160)) > 0.02
    white = rng.standard_normal((120, 160))
    for stress, sd in ((10 * white, 10.0), (10 * white, 4.0), (10 * white + 0.3 * np.cumsum(white, 1), 10.0)):
        assert find(rig_for(plate), stress, sd, usable, 0.0, LOAD_HZ) is None


def test_a_flat_image_without_any_noise_has_no_tip():
    plate, everywhere = plates.uncracked(), np.ones((120, 160), bool)
    for stress in (np.zeros((120, 160)), np.full((120, 160), 60.0)):
        assert find(rig_for(plate), stress, 1e-9, everywhere, 0.0, LOAD_HZ) is None
    assert find(rig_for(plate), np.zeros((120, 160)), NOISE_MPA, ~everywhere, 0.0, LOAD_HZ) is None


def test_a_hint_in_a_plate_without_crack_leads_to_no_acceptable_tip():
    plate, everywhere = plates.uncracked(), np.ones((120, 160), bool)
    for seed in range(8):
        stress, usable = noisy(plate, seed)
        found = refine(rig_for(plate), stress, NOISE_MPA, usable, (58.0, 84.0), 0.0, LOAD_HZ, 10.0)
        assert found is None or not acceptable(found, everywhere, plate.mm_per_px)


def test_a_fit_is_a_tip_only_if_it_opens_stands_out_and_lies_in_the_view():
    plate, everywhere = plates.centre_crack(), np.ones((120, 160), bool)
    found = search(plate, 0)
    assert acceptable(found, everywhere, 0.15)
    along, across, K_I, K_II, T = found.sd
    doubtful = {
        "K three times its deviation": {"covariance": np.diag([along, across, found.K_I / 3, K_II, T]) ** 2},
        "placed to three pixels": {"covariance": np.diag([0.45, across, K_I, K_II, T]) ** 2},
        "closing": {"K_I": -found.K_I},
        "sliding": {"K_II": 3 * found.K_I},
        "above the view": {"row_px": -1.0},
        "right of the view": {"col_px": 160.0},
    }
    for what, changed in doubtful.items():
        assert not acceptable(replace(found, **changed), everywhere, 0.15), what


def test_a_closing_crack_is_no_opening_tip():
    """The same map upside down: range taken with the wrong sign."""
    plate = plates.centre_crack()
    stress, usable = noisy(plate)
    found = find(rig_for(plate), -stress, NOISE_MPA, usable, 0.0, LOAD_HZ)
    assert found is None or found.K_I > 0 and np.hypot(*along_and_across_px(found, plate)) > 5


@pytest.mark.parametrize("slope_MPa_per_px, noise_MPa", [(0.05, 2.0), (0.3, 2.0), (3.0, 2.0)])
def test_where_the_stress_crosses_zero_there_is_specimen(slope_MPa_per_px, noise_MPa):
    seen = slope_MPa_per_px * (COLUMNS - 80.0)
    stress = np.where(np.abs(seen) < 40, seen + 0.02 * (ROWS - 60.0), 40 * np.sign(seen))
    stress[:, :20] = 40.0
    stress += noise_MPa * np.random.default_rng(2).standard_normal(stress.shape)
    assert np.mean(regions.silent(stress, noise_MPa, np.ones(stress.shape, bool))) < 0.02


def test_a_fixture_in_view_is_silent():
    stress = 60.0 - 0.5 * np.abs(COLUMNS - 80.0)
    stress[70:, 100:130] = 0.0
    stress += 3.0 * np.random.default_rng(2).standard_normal(stress.shape)
    found = regions.silent(stress, 3.0, np.ones(stress.shape, bool))
    assert found[72:, 102:128].all() and found.sum() < 1.5 * 50 * 30


@pytest.mark.parametrize("half_angle, stress_MPa", [(0.1, 1.0), (0.5, 1.0), (1.0, 60.0)])
def test_an_arc_crack_s_stresses_have_the_handbook_s_K_when_pulled_from_all_sides(half_angle, stress_MPa):
    """Tada, Paris & Irwin (from memory): K_I + i K_II = s sqrt(pi R sin a) exp(i a/2) / (1 + sin^2(a/2)); two pulls at right
    angles add."""
    _, along, _ = plates.arc_potential(half_angle, stress_MPa)
    expected = stress_MPa * np.sqrt(np.pi * np.sin(half_angle)) * np.exp(0.5j * half_angle) / (1 + np.sin(half_angle / 2) ** 2)
    _, across, _ = plates.arc_potential(half_angle, stress_MPa, along_y=True)
    assert along + across == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("turns_deg", chosen([20.0, 30.0], 1))
@pytest.mark.parametrize("side", [-1, 0, 1])
def test_a_curved_crack_is_followed_although_the_rig_file_has_the_direction_of_its_middle(turns_deg, side):
    plate = plates.arc_crack(turns_deg=turns_deg)
    everywhere, start_deg = np.ones(plate.sum_MPa.shape, bool), side * turns_deg / 2
    for seed in range(2):
        stress = plate.sum_MPa + 3.0 * np.random.default_rng(seed).standard_normal(plate.sum_MPa.shape)
        found = find(rig_for(plate), stress, 3.0, everywhere, start_deg, LOAD_HZ)
        found = turned(rig_for(plate), stress, 3.0, everywhere, found, LOAD_HZ, None)
        assert abs(found.row_px - plate.tip_px[0]) < 0.12 and abs(found.col_px - plate.tip_px[1]) < 0.12
        assert found.K_I == pytest.approx(plate.KI_MPa_sqrt_m, rel=0.015)
        assert found.T_MPa == pytest.approx(plate.T_MPa, abs=0.05 * plate.stress_MPa + 2 * found.sd[4])


def test_a_straight_crack_is_not_turned():
    plate = plates.centre_crack()
    stress = plate.sum_MPa + 3.0 * np.random.default_rng(1).standard_normal(plate.sum_MPa.shape)
    everywhere = np.ones(stress.shape, bool)
    found = find(rig_for(plate), stress, 3.0, everywhere, 0.0, LOAD_HZ)
    assert turned(rig_for(plate), stress, 3.0, everywhere, found, LOAD_HZ, None) is found
