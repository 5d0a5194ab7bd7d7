"""Heat conduction around the tip, against the diffusion equation solved on a grid by FFT (tests/plates.py `conducted`)."""

from dataclasses import replace

import numpy as np
import pytest
from more import chosen
from plates import centre_crack, conducted
from scipy.ndimage import gaussian_filter

from edge import adiabatic, conduction, first_tip, tip, williams
from edge.correct import far_field_delay
from edge.rig import Camera, Fit, Load, LockIn, Records, Rig, Specimen, View


def rig_of(plate, diffusivity: float, tmp_path) -> Rig:
    rows, columns = plate.sum_MPa.shape
    return Rig(
        Specimen("plate", 3.1e-6, 350.0, 205.0, diffusivity, notch_mm=2.0),
        Load("frames", 7.0),
        Camera("recording", rows, columns, 25.0),
        View(plate.mm_per_px, plate.datum_px, plate.angle_deg),
        LockIn(),
        Fit(),
        Records(),
        tmp_path,
        tmp_path / "rig.toml",
    )


@pytest.mark.parametrize("power, coefficients", [(-0.5, [1.0, 0, 0]), (0.5, [0, 0, 1.0])])
def test_departure_of_a_term_solves_the_diffusion_equation(power, coefficients):
    mm, diffusivity, hz = 0.05, 14.0, 7.0
    mu = np.sqrt(diffusivity / (np.pi * hz))
    rows, columns = np.indices((1025, 1025))
    z = williams.to_crack(rows, columns, (512.0, 512.5), 0.0, mm)
    adiabatic_sum = (z**power).real
    exact = conducted(adiabatic_sum.astype(complex), mm, diffusivity, hz) - adiabatic_sum
    r, theta = np.abs(z) / mu, np.degrees(np.abs(np.angle(z)))
    ring = (r > 0.5) & (r < 3) & (theta < 145)
    found = conduction.departure(z[ring], np.array(coefficients, complex), mu)
    scale = np.abs(exact[ring]).max()
    assert np.abs(found - exact[ring]).max() < 0.02 * scale
    assert scale > 0.1  # there is something to compare


def test_a_blurred_pixel_sees_the_departure_turned_and_the_stress_sum_as_it_is():
    """A blur of 0.25 diffusion lengths, as 1 px of 0.06 mm in titanium at 18 Hz."""
    mm, mu, blur = 0.01, 0.24, 0.06
    rows, columns = np.indices((801, 801))
    z = williams.to_crack(rows, columns, (400.0, 400.5), 0.0, mm)
    series = np.array([1.0, 0, 0.5], complex)
    field = williams.evaluate(series, z) + conduction.departure(z, series, mu)
    spread = gaussian_filter(field.real, blur / mm) + 1j * gaussian_filter(field.imag, blur / mm)
    r, theta = np.abs(z) / mu, np.degrees(np.abs(np.angle(z)))
    ring = (r > 1.3) & (r < 3) & (theta < 120)
    off = [spread[ring] - williams.evaluate(series, z[ring]) - conduction.departure(z[ring], series, mu, b) for b in (blur, 0.0)]
    assert np.abs(off[0]).max() < 0.4 * np.abs(off[1]).max() and np.std(off[0]) < 0.2 * np.std(off[1])


def test_K_is_right_where_the_diffusion_length_is_a_few_pixels_and_these_are_blurred(tmp_path):
    """Titanium at 18 Hz, 3.8 px; the plate is blurred by 0.6 px. Taken for sharp, K was 0.4 % too small, three deviations."""
    big = centre_crack(shape=(320, 440), tip_px=(160.3, 220.6), mm_per_px=0.06)
    seen = -conducted(-big.sum_MPa.astype(complex), 0.06, 2.9, 18.0)[100:220, 140:300]
    plate, usable = centre_crack(tip_px=(60.3, 80.6), mm_per_px=0.06), np.ones(seen.shape, bool)
    rig = rig_of(plate, 2.9, tmp_path)
    first = tip.refine(rig, seen.real, 2.0, usable, (60.3, 80.6), 0.0, 18.0)
    found, flow = adiabatic.refine(rig, seen, 2.0, usable, first, 18.0)
    assert flow is not None and flow.share == pytest.approx(1.0, abs=0.03)
    assert abs(found.K_I / plate.KI_MPa_sqrt_m - 1) < 0.002


@pytest.mark.parametrize("told", [0.8, 1.2])
def test_a_diffusivity_that_the_rig_file_has_wrong_leaves_K_and_T_right(told, tmp_path):
    """Off by a fifth, K was 3 to 5 % wrong, ten deviations: the share, far from one, tells it."""
    big = centre_crack(shape=(320, 440), tip_px=(160.3, 220.6), mm_per_px=0.06)
    seen = -conducted(-big.sum_MPa.astype(complex), 0.06, 2.9, 2.0)[100:220, 140:300]
    plate, usable, rng = centre_crack(tip_px=(60.3, 80.6), mm_per_px=0.06), np.ones(seen.shape, bool), np.random.default_rng(0)
    seen = seen + 3.0 * (rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape))
    rig = rig_of(plate, told * 2.9, tmp_path)
    first = tip.refine(rig, seen.real, 3.0, usable, (60.3, 80.6), 0.0, 2.0)
    found, flow = adiabatic.refine(rig, seen, 3.0, usable, first, 2.0)
    assert flow is not None and flow.mu_mm == pytest.approx((2.9 / np.pi / 2.0) ** 0.5, rel=0.02)
    assert abs(found.K_I - plate.KI_MPa_sqrt_m) < 3 * found.sd[2] and abs(found.T_MPa - plate.T_MPa) < 3 * found.sd[4]


def test_sliding_leaves_the_faces_insulated_and_the_tip_cool():
    z = np.array([0.12 * np.exp(1j * t) for t in (0.5, 1.0, 2.0)])
    whole = (1j * z**-0.5).real + conduction.departure(z, np.array([1j, 0, 0]), 1.0)
    assert np.abs(whole).max() < 0.2 * np.abs(z[0]) ** -0.5  # the singularity is conducted away


@pytest.mark.parametrize(
    "diffusivity, hz", chosen([(14.0, 7.0), (60.0, 10.0), (14.0, 3.0)])
)
def test_tip_and_K_are_right_although_heat_flows(diffusivity, hz, tmp_path):
    view = (slice(100, 220), slice(140, 300))
    big = centre_crack(shape=(320, 440), tip_px=(160.3, 220.6), mm_per_px=0.15)
    seen = -conducted(-big.sum_MPa.astype(complex), 0.15, diffusivity, hz)[view]
    plate = centre_crack(tip_px=(60.3, 80.6), mm_per_px=0.15)
    rig = rig_of(plate, diffusivity, tmp_path)
    rng = np.random.default_rng(3)
    off = []
    for _ in range(6):
        stress = seen + 3.0 * (rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape))
        usable = np.ones(seen.shape, bool)
        first = first_tip.search(rig, stress.real, 3.0, usable, 0.0, hz)[0]
        assert first is not None
        assert abs(first.K_I / plate.KI_MPa_sqrt_m - 1) > 0.02  # what it would be without
        found, flow = adiabatic.refine(rig, stress, 3.0, usable, first, hz)
        assert flow is not None and flow.share == pytest.approx(1.0, abs=0.05)
        off.append([found.K_I / plate.KI_MPa_sqrt_m - 1, found.col_px - 80.6, found.row_px - 60.3])
        assert abs(found.K_I / plate.KI_MPa_sqrt_m - 1) < 3.5 * found.sd[2] / found.K_I
    k, along, across = np.abs(np.mean(off, 0))
    assert k < 0.025 and along < 0.2 and across < 0.2


def test_the_deviation_of_the_share_covers_it_in_stated_and_in_larger_noise():
    """The imaginary part is what the share brings and a rest of the far field's phase; sixty draws each."""
    z = (np.arange(-40, 41)[None, :] + 0.3 + 1j * (np.arange(-30, 31)[:, None] - 0.4)).ravel() * 0.15
    z = z[(np.abs(z) > 0.6) & (np.abs(np.angle(z)) < 2.4)]
    c = np.array([150 + 0j, -40, 9])
    e, stress = conduction.departure(z, c, 0.8), williams.evaluate(c, z)
    rng = np.random.default_rng(7)
    for times in (1.0, 5.0):
        found = [
            conduction.measure(0.8 * e.imag + 0.02 * stress + times * 3.0 * rng.standard_normal(z.size), stress, e, 3.0)
            for _ in range(60)
        ]
        assert 0.75 < np.sqrt(np.mean([((f.value - 0.8) / f.sd) ** 2 for f in found])) < 1.3
        assert np.mean([f.phase_rad for f in found]) == pytest.approx(0.02, abs=0.005)


def test_what_the_faces_do_in_the_wake_is_not_taken_for_conduction(tmp_path):
    """30 MPa out of step with the load within 0.6 mm of the crack, as where the faces rub."""
    big = centre_crack(shape=(320, 440), tip_px=(160.3, 220.6), mm_per_px=0.15)
    seen = -conducted(-big.sum_MPa.astype(complex), 0.15, 14.0, 7.0)[100:220, 140:300]
    rig, rng = rig_of(centre_crack(tip_px=(60.3, 80.6)), 14.0, tmp_path), np.random.default_rng(3)
    stress = seen + 3.0 * (rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape))
    usable, (rows, columns) = np.ones(seen.shape, bool), np.indices(seen.shape)
    first = first_tip.search(rig, stress.real, 3.0, usable, 0.0, 7.0)[0]
    rubbing = 30j * ((columns < 79) & (np.abs(rows - 60.3) < 4))
    shares = [adiabatic.refine(rig, s, 3.0, usable, first, 7.0)[1].share for s in (stress, stress + rubbing)]
    assert shares[0] == pytest.approx(1.0, abs=0.05) and shares[1] == pytest.approx(shares[0], abs=0.01)


def test_a_map_that_shows_no_flow_of_heat_is_fitted_closer_to_the_tip(tmp_path):
    plate = centre_crack(tip_px=(60.3, 80.6))
    rig = rig_of(plate, 14.0, tmp_path)
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((2, *plate.sum_MPa.shape))
    stress = plate.sum_MPa + 4 * noise[0] + 4j * noise[1]
    usable = np.ones(stress.shape, bool)
    first = first_tip.search(rig, stress.real, 4.0, usable, 0.0, 7.0)[0]
    found, flow = adiabatic.refine(rig, stress, 4.0, usable, first, 7.0)
    assert flow == conduction.Flow(0.0, pytest.approx(0.8, abs=0.01))
    assert found.region.inner_mm < first.region.inner_mm and found.sd[0] < first.sd[0]
    assert abs(found.K_I - plate.KI_MPa_sqrt_m) < 3 * found.sd[2]
    again, same = adiabatic.refine(rig, stress, 4.0, usable, found, 7.0, flow)
    assert same == flow and (again.row_px, again.col_px, again.K_I) == (found.row_px, found.col_px, found.K_I)  # not fitted again
    assert again.sd == pytest.approx(found.sd, rel=0.02)


def test_heat_that_reaches_a_quarter_of_the_crack_is_taken_out_although_it_turns_the_far_field(tmp_path):
    """2024 at 2.7 Hz, a crack of 8 mm: without conduction half of K is missing, and the phase taken for 180 degrees is off."""
    diffusivity, hz, mm = 50.0, 2.7, 0.15
    big = centre_crack(shape=(400, 440), tip_px=(200.3, 220.6), mm_per_px=mm, half_mm=8.0)
    view = (slice(140, 260), slice(140, 300))
    seen = -conducted(-big.sum_MPa.astype(complex), mm, diffusivity, hz)[view]
    plate = centre_crack(tip_px=(60.3, 80.6), mm_per_px=mm, half_mm=8.0)
    rig, rng, usable = rig_of(plate, diffusivity, tmp_path), np.random.default_rng(5), np.ones(seen.shape, bool)
    stress = seen + 1.5 * (rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape))
    found_delay = far_field_delay(-stress, 1.5, hz, usable)
    assert found_delay is not None
    turned = stress * np.exp(2j * np.pi * hz * found_delay[0])
    first = first_tip.search(rig, turned.real, 1.5, usable, 0.0, hz)[0]
    assert first is not None and first.K_I < 0.7 * plate.KI_MPa_sqrt_m
    found, flow = adiabatic.refine(rig, turned, 1.5, usable, first, hz)
    assert flow is not None and flow.share == pytest.approx(1.0, abs=0.06)
    assert flow.phase_rad == pytest.approx(2 * np.pi * hz * found_delay[0], abs=0.03)
    assert abs(found.K_I / plate.KI_MPa_sqrt_m - 1) < 0.05
    assert np.hypot(found.row_px - 60.3, found.col_px - 80.6) < 0.5


@pytest.mark.parametrize("true, told, hz", [(4.0, 14.0, 3.0), (4.0, 14.0, 7.0), (14.0, 50.0, 7.0), (14.0, 35.0, 7.0)])
def test_a_diffusivity_of_another_material_is_in_the_deviations(true, told, hz, tmp_path):
    """Stainless steel described as mild steel, this as aluminium: a share of 0.15 to 0.35 was believed, and K wrong by up to 10 %,
    ten deviations and more. In the row after it as well."""
    big = centre_crack(shape=(320, 440), tip_px=(160.3, 220.6), mm_per_px=0.15)
    plate, usable, rng = centre_crack(tip_px=(60.3, 80.6)), np.ones((120, 160), bool), np.random.default_rng(3)
    seen = -conducted(-big.sum_MPa.astype(complex), 0.15, true, hz)[100:220, 140:300]
    rig, flow = rig_of(plate, told, tmp_path), None
    for _ in range(2):
        noisy = seen + 3.0 * (rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape))
        found = tip.refine(rig, noisy.real, 3.0, usable, (60.3, 80.6), 0.0, hz, 0.0, flow)
        found, flow = adiabatic.refine(rig, noisy, 3.0, usable, found, hz, flow)
        assert abs(found.K_I - plate.KI_MPa_sqrt_m) < 2.6 * found.sd[2] and abs(found.T_MPa - plate.T_MPa) < 2.6 * found.sd[4]


@pytest.mark.parametrize("hertz", [(7.0, 7.0, 7.0), (7.0, 7.000007, 7.000014)])
def test_heat_that_does_not_show_is_as_unsure_in_each_row_be_the_load_s_frequency_the_very_same_or_not(hertz, tmp_path):
    plate, usable, rng = centre_crack(tip_px=(60.3, 80.6)), np.ones((120, 160), bool), np.random.default_rng(0)
    rig, flow = rig_of(plate, 14.0, tmp_path), None
    for hz in hertz:
        seen = plate.sum_MPa + 6.0 * (rng.standard_normal(usable.shape) + 1j * rng.standard_normal(usable.shape))
        found = tip.refine(rig, seen.real, 6.0, usable, (60.3, 80.6), 0.0, hz, 0.0, flow)
        found, flow = adiabatic.refine(rig, seen, 6.0, usable, found, hz, flow)
        assert flow.share == 0 and 0.025 < found.doubt[2, 2] ** 0.5 < 0.05


@pytest.mark.parametrize("first_hz, then_hz", [(3.0, 9.0), (15.0, 3.0)])
def test_a_load_that_runs_faster_or_slower_than_before_has_heat_that_flows_as_far_as_it_does_then(first_hz, then_hz, tmp_path):
    """From 3 to 9 Hz K was 7 % too large, 13 deviations, in every row from then on."""
    big = centre_crack(shape=(320, 440), tip_px=(160.3, 220.6), mm_per_px=0.15)
    plate, usable, rng = centre_crack(tip_px=(60.3, 80.6)), np.ones((120, 160), bool), np.random.default_rng(3)
    rig, flow = rig_of(plate, 14.0, tmp_path), None
    for hz in (first_hz, then_hz):
        seen = -conducted(-big.sum_MPa.astype(complex), 0.15, 14.0, hz)[100:220, 140:300]
        seen = seen + rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape)
        found = tip.refine(rig, seen.real, 1.0, usable, (60.3, 80.6), 0.0, hz, 0.0, flow)
        found, flow = adiabatic.refine(rig, seen, 1.0, usable, found, hz, flow)
    assert flow.share == pytest.approx(1.0, abs=0.03) and flow.mu_mm == pytest.approx((14.0 / np.pi / then_hz) ** 0.5, rel=0.02)
    assert abs(found.K_I - plate.KI_MPa_sqrt_m) < 3 * found.sd[2]


@pytest.mark.parametrize("before_rad", [0.1, -0.1])
def test_the_phase_of_the_fix_before_does_not_stay(before_rad, tmp_path):
    """As after a camera that began anew, or a load of another frequency. Where noise hides it in the share, K stayed 2 % too large."""
    big = centre_crack(shape=(320, 440), tip_px=(160.3, 220.6), mm_per_px=0.15)
    seen = -conducted(-big.sum_MPa.astype(complex), 0.15, 14.0, 7.0)[100:220, 140:300]
    rig, usable = rig_of(centre_crack(tip_px=(60.3, 80.6)), 14.0, tmp_path), np.ones(seen.shape, bool)
    for seed in (6, 7):
        rng = np.random.default_rng(seed)
        stress = seen + 4 * (rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape))
        first = tip.refine(rig, stress.real, 4.0, usable, (60.3, 80.6), 0.0, 7.0)
        right, flow = adiabatic.refine(rig, stress, 4.0, usable, first, 7.0)
        old = replace(flow, phase_rad=before_rad)
        first = tip.refine(rig, (stress * np.exp(-1j * before_rad)).real, 4.0, usable, (60.3, 80.6), 0.0, 7.0, 0.0, old)
        found, shown = adiabatic.refine(rig, stress, 4.0, usable, first, 7.0, old)
        assert shown.phase_rad == pytest.approx(flow.phase_rad, abs=0.005)
        assert found.K_I == pytest.approx(right.K_I, rel=0.002)


@pytest.mark.parametrize("off_rad", [0.06, -0.06])
def test_a_phase_that_is_off_changes_nothing(off_rad, tmp_path):
    """3.4 degrees, 1.4 ms at 7 Hz: left in, they made K 2 % too small or 1 % too large, ten deviations."""
    big = centre_crack(shape=(320, 440), tip_px=(160.3, 220.6), mm_per_px=0.15)
    seen = -conducted(-big.sum_MPa.astype(complex), 0.15, 14.0, 7.0)[100:220, 140:300]
    rig, rng = rig_of(centre_crack(tip_px=(60.3, 80.6)), 14.0, tmp_path), np.random.default_rng(3)
    stress = seen + rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape)
    usable = np.ones(seen.shape, bool)
    right, turned = (
        adiabatic.refine(rig, s, 1.0, usable, tip.refine(rig, s.real, 1.0, usable, (60.3, 80.6), 0.0, 7.0), 7.0)
        for s in (stress, stress * np.exp(1j * off_rad))
    )
    assert turned[0].K_I == pytest.approx(right[0].K_I, rel=0.002) and turned[0].T_MPa == pytest.approx(right[0].T_MPa, abs=1.0)
    assert turned[1].share == pytest.approx(right[1].share, abs=0.01) and turned[1].phase_rad == pytest.approx(off_rad, abs=0.01)


def test_a_wrong_phase_beside_a_short_crack_is_not_taken_for_conduction(tmp_path):
    """Three diffusion lengths reach beyond its other tip, where its series holds no more."""
    plate = centre_crack(tip_px=(61.8, 70.2), mm_per_px=0.1, half_mm=1.5, stress_MPa=90.0)
    rig, usable = rig_of(plate, 50.0, tmp_path), np.ones(plate.sum_MPa.shape, bool)
    rng = np.random.default_rng(0)
    noise = 1.3 * (rng.standard_normal(usable.shape) + 1j * rng.standard_normal(usable.shape))
    found = tip.refine(rig, plate.sum_MPa + noise.real, 1.3, usable, (61.8, 70.2), 0.0, 20.0)
    share = adiabatic._share(rig, plate.sum_MPa * np.exp(0.1j) + noise, 1.3, usable, found, np.sqrt(50.0 / np.pi / 20.0))
    assert abs(share.value) < 4 * share.sd and share.phase_rad == pytest.approx(0.1, abs=0.005)


def test_a_tip_fitted_once_more_to_a_cleaner_map_keeps_the_doubt_of_the_heat(tmp_path):
    """As where the specimen's swing, or a short crack's contact, has been taken out of the map."""
    plate = centre_crack(tip_px=(60.3, 80.6))
    rig, usable = rig_of(plate, 14.0, tmp_path), np.ones(plate.sum_MPa.shape, bool)
    plain = tip.refine(rig, plate.sum_MPa, 1.0, usable, (60.3, 80.6), 0.0, 7.0)
    doubted = adiabatic._with_doubt(plain, 0.1, 0.8)
    assert doubted.sd[2] > 2 * plain.sd[2]
    assert doubted.again(plain).sd == pytest.approx(doubted.sd)
    assert doubted.again(doubted).sd == pytest.approx(doubted.sd)


def test_what_one_cleaning_leaves_unsure_is_still_so_after_the_next(tmp_path):
    """What growth smears is taken out first, then a short crack's contact."""
    plate = centre_crack(tip_px=(60.3, 80.6))
    plain = tip.refine(rig_of(plate, 14.0, tmp_path), plate.sum_MPa, 1.0, np.ones(plate.sum_MPa.shape, bool), (60.3, 80.6), 0.0, 7.0)
    once = plain.again(replace(plain, K_I=1.05 * plain.K_I), 0.15, 0.5)
    twice = once.again(replace(plain, T_MPa=plain.T_MPa + 40), 0.15, 0.5)
    assert once.sd[2] == pytest.approx(np.hypot(plain.sd[2], 0.025 * plain.K_I))
    assert twice.sd[2] == pytest.approx(np.hypot(once.sd[2], 0.025 * plain.K_I))  # it has come back by as much
    assert twice.sd[4] == pytest.approx(np.hypot(plain.sd[4], 20.0))
