"""The reference plates themselves: closed forms against their limits, finite elements against handbook values.

Marks: R read in a published text, M from memory of it, C computed here from the formula beside it.
"""

import fem
import numpy as np
import plates
import pytest
from more import chosen

from edge import handbook

# a/W, F of K = s sqrt(pi a) F: Tada, Paris & Irwin handbook, free ends (M formula, C values)
SENT = [(0.2, 1.367), (0.3, 1.655), (0.4, 2.108), (0.5, 2.827), (0.6, 4.043)]
# a/W, K B sqrt(W)/P: ASTM E647 polynomial of the C(T) (M formula, C values)
CT = [(0.3, 5.621), (0.5, 9.659), (0.7, 21.552)]


@pytest.mark.parametrize("beta_deg", [0.0, 30.0, 45.0, 60.0, 90.0])
def test_centre_crack_tends_to_the_handbook_singularity_and_to_the_remote_stress(beta_deg):
    a, s, b = 12.0, 60.0, np.deg2rad(beta_deg)
    K_I, K_II = s * np.sqrt(np.pi * a) * np.cos(b) ** 2, s * np.sqrt(np.pi * a) * np.sin(b) * np.cos(b)
    theta = np.linspace(-3.1, 3.1, 41)
    r = 1e-6
    sum_MPa = plates.centre_crack_sum(r * np.cos(theta), r * np.sin(theta), a, s, beta_deg)
    singular = 2 * (K_I * np.cos(theta / 2) - K_II * np.sin(theta / 2)) / np.sqrt(2 * np.pi * r)
    T = -s * np.cos(2 * b)
    assert sum_MPa == pytest.approx(singular + T, abs=1e-3 * s)
    far = plates.centre_crack_sum(1e5 * np.cos(theta), 1e5 * np.sin(theta), a, s, beta_deg)
    assert far == pytest.approx(s, rel=1e-6)


def test_stress_sum_is_harmonic_away_from_the_crack():
    x, y = np.meshgrid(np.linspace(1, 3, 41), np.linspace(-1, 1, 41))
    h = x[0, 1] - x[0, 0]
    s = plates.centre_crack_sum(x, y, 12.0, 60.0, 30.0)
    laplacian = (s[2:, 1:-1] + s[:-2, 1:-1] + s[1:-1, 2:] + s[1:-1, :-2] - 4 * s[1:-1, 1:-1]) / h**2
    curvature = np.abs((s[1:-1, 2:] + s[1:-1, :-2] - 2 * s[1:-1, 1:-1]) / h**2).max()
    assert np.abs(laplacian).max() < 0.01 * curvature


@pytest.mark.parametrize(
    "angle_deg, turn",
    [(180.0, lambda m: m[:, ::-1]), (90.0, lambda m: m.T[::-1]), (-90.0, lambda m: m.T)],
    ids=["left", "up", "down"],
)
def test_growth_angle_turns_the_picture(angle_deg, turn):
    n, tip = 61, (22.0, 37.0)
    right = plates.centre_crack((n, n), tip)
    place = {180.0: (tip[0], n - 1 - tip[1]), 90.0: (n - 1 - tip[1], tip[0]), -90.0: (tip[1], tip[0])}[angle_deg]
    other = plates.centre_crack((n, n), place, angle_deg)
    np.testing.assert_allclose(other.sum_MPa, turn(right.sum_MPa), rtol=1e-9)


def test_sliding_mode_keeps_its_sign_when_the_picture_is_turned_by_half():
    shape, beta = (61, 61), 30.0
    right = plates.centre_crack(shape, (30, 30), 0.0, beta_deg=beta)
    left = plates.centre_crack(shape, (30, 30), 180.0, beta_deg=beta)
    np.testing.assert_allclose(left.sum_MPa, right.sum_MPa[::-1, ::-1], rtol=1e-9)
    assert right.sum_MPa[40, 30] > right.sum_MPa[20, 30]  # below the crack in the image is y < 0


def test_datum_lies_one_crack_length_behind_the_tip():
    p = plates.centre_crack(tip_px=(50.0, 60.0), angle_deg=90.0, mm_per_px=0.2, half_mm=4.0)
    assert p.datum_px == pytest.approx((70.0, 60.0))


def test_pixel_mean_and_blur_leave_a_slope_alone():
    slope = plates.on_pixels(lambda r, c: 3 * r - 2 * c + 0 * r * c, (7, 9))
    assert slope == pytest.approx(3 * np.arange(7)[:, None] - 2 * np.arange(9)[None])


@pytest.mark.parametrize("tip", [(20.0, 30.0), (20.125, 30.125), (20.12501, 30.125)])
def test_tip_on_a_sample_point_does_not_spoil_its_pixel(tip):
    coarse, fine = (plates.centre_crack((40, 60), tip, sub=sub).sum_MPa for sub in (4, 15))
    assert np.isfinite(coarse).all()
    assert coarse == pytest.approx(fine, rel=0.03, abs=0.03 * 60)


def test_heat_conduction_damps_a_wave_as_the_diffusion_equation_says():
    n, mm, D, f = 64, 0.2, 14.0, 2.0
    k = np.pi * 3 / (n * mm)  # three half waves fit the insulated borders
    wave = np.cos(k * mm * (np.arange(n) + 0.5))[None] * np.ones((16, 1))
    w = 2 * np.pi * f
    assert plates.conducted(wave, mm, D, f) == pytest.approx(wave * 1j * w / (1j * w + D * k * k), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("alpha, F", chosen(SENT, 2, 4))
def test_fem_edge_crack_has_the_handbook_K(alpha, F):
    assert fem.unit("SENT", alpha).K == pytest.approx(F * np.sqrt(np.pi * alpha), rel=0.005)


@pytest.mark.parametrize("alpha", [0.4])
def test_fem_edge_crack_with_clamped_ends_or_bent_has_the_handbook_K(alpha):
    """Ends four widths apart; the handbook's compliance method is an approximation."""
    root = np.sqrt(np.pi * alpha)
    assert fem.unit("SENT", alpha, clamped=True).K == pytest.approx(handbook.sent_clamped_factor(alpha, 4.0) * root, rel=0.015)
    bending = fem.unit("SENT", alpha, bending=0.3).K - fem.unit("SENT", alpha).K
    assert bending == pytest.approx(0.3 * handbook.sent_bending_factor(alpha) * root, rel=0.03)


@pytest.mark.parametrize("alpha", chosen([0.05, 0.2, 0.4, 0.6], 0, 2))
def test_fem_centre_crack_has_the_secant_K(alpha):
    """K = s sqrt(pi a sec(pi a/W)): ASTM E647 (M)."""
    expected = np.sqrt(np.pi * alpha / 2 / np.cos(np.pi * alpha / 2))
    assert fem.unit("MT", alpha / 2).K == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize("alpha, F", chosen(CT, len(CT) - 1))
def test_fem_compact_specimen_has_the_standard_K(alpha, F):
    assert fem.unit("CT", alpha).K == pytest.approx(F, rel=0.01)


@pytest.mark.parametrize(
    "geometry, alpha", [("SENT", a) for a in handbook.BIAXIALITY["SENT"][0]] + [("MT", a) for a in (0.2, 0.4, 0.6)]
)
def test_biaxialities_of_the_handbook_agree_with_finite_elements(geometry, alpha):
    """The handbook's are a collocation of the Williams series (C); here the interaction integral."""
    a = alpha / 2 if geometry == "MT" else alpha
    solved = fem.unit(geometry, a)
    assert handbook.biaxiality(geometry, alpha) == pytest.approx(solved.T * np.sqrt(np.pi * a) / solved.K, abs=0.015)


def test_biaxialities_of_the_middle_crack_fall_all_the_way():
    assert np.all(np.diff(handbook.biaxiality("MT", [0.0, 0.2, 0.3, 0.4, 0.5, 0.6])) < 0)


def test_fem_T_stress_of_a_small_centre_crack_is_minus_the_remote_stress():
    assert fem.unit("MT", 0.025).T == pytest.approx(-1.0, abs=0.005)


@pytest.mark.parametrize("geometry, a", [("SENT", 0.4), ("MT", 0.2), ("CT", 0.5)])
def test_fem_stress_sum_near_the_tip_carries_K_and_T_of_the_integrals(geometry, a):
    """Two routes from one solution: harmonic functions fitted to the sampled field, and the domain integrals."""
    solved = fem.unit(geometry, a)
    r, theta = (g.ravel() for g in np.meshgrid(np.geomspace(0.004, 0.04, 12), np.linspace(-2.8, 2.8, 41)))
    powers = np.column_stack([r ** (n / 2 - 1) * np.cos((n / 2 - 1) * theta) for n in range(1, 8)])
    found = np.linalg.lstsq(powers, solved.stress_sum(a + r * np.cos(theta), r * np.sin(theta)))[0]
    assert found[0] * np.sqrt(2 * np.pi) / 2 == pytest.approx(solved.K, rel=0.005)
    assert found[1] == pytest.approx(solved.T, abs=0.05 * abs(solved.K))


def test_fem_and_closed_form_give_the_same_picture_of_a_small_centre_crack():
    a, width = 2.0, 80.0  # 2a/W = 0.05: the finite width changes K by 0.2 %
    made = fem.plate("MT", a, width, 60.0, tip_px=(58.3, 84.6), mm_per_px=0.06)
    exact = plates.centre_crack(tip_px=(58.3, 84.6), mm_per_px=0.06, half_mm=a)
    row, col = np.ogrid[:120, :160]
    away = (np.hypot(row - 58.3, col - 84.6) > 4) & (
        np.hypot(row - 58.3, col - 84.6 + 2 * a / 0.06) > 4
    )  # px, both tips
    np.testing.assert_allclose(made.sum_MPa[away], exact.sum_MPa[away], rtol=0, atol=0.01 * 60)
    assert made.KI_MPa_sqrt_m == pytest.approx(exact.KI_MPa_sqrt_m, rel=0.005)


@pytest.mark.long
def test_fem_plate_ends_where_the_specimen_ends():
    p = fem.plate("SENT", 9.0, 30.0, 70.0, tip_px=(58.3, 84.6), mm_per_px=0.15)
    edge = 84.6 - 9.0 / 0.15  # column
    assert p.cover is not None
    assert p.cover.sum(axis=1) == pytest.approx(159.5 - edge, abs=0.15)
    assert p.cover[10, 5] == 0 and np.isnan(p.sum_MPa[10, 5])
    assert p.specimen[10, 30:].all() and not p.specimen[10, :12].any()
    hole = fem.plate("CT", 20.0, 40.0, 10.0, tip_px=(60.0, 110.0), mm_per_px=0.25).specimen
    assert not hole[60 - 44, 30] and hole[60 - 44, 30 + 22]  # 11 mm above the load line: the hole, 5 mm across
