"""The stress-sum series fit against closed-form plates, its plain twin, and its own stated deviations."""

import numpy as np
import plain
import plates
import pytest

from edge import williams
from edge.prior import Prior

HALF_MM, STRESS_MPA, PX = 12.0, 60.0, 0.15
K_MPA_SQRT_M = STRESS_MPA * np.sqrt(np.pi * HALF_MM * 1e-3)
TERMS = 6


def ring(inner_mm=0.8, outer_mm=6.0, half_angle_deg=140.0):
    """Pixel centres around a tip between two pixels, in crack coordinates, complex mm."""
    z = (np.arange(-60, 61)[None, :] + 0.3 + 1j * (np.arange(-60, 61)[:, None] - 0.4)).ravel() * PX
    return z[(np.abs(z) > inner_mm) & (np.abs(z) < outer_mm) & (np.abs(np.angle(z)) < np.deg2rad(half_angle_deg))]


def centre_crack(z, beta_deg=0.0):
    return plates.centre_crack_sum(z.real, z.imag, HALF_MM, STRESS_MPA, beta_deg)


def series(coefficients, z):
    return sum((c * z ** (n / 2 - 1)).real for n, c in enumerate(coefficients, start=1))


@pytest.mark.parametrize("terms", [2, 3, 4, 6, 9])
def test_fit_equals_its_plain_twin_without_prior(terms):
    z = ring()
    stress = centre_crack(z, 20.0) + np.random.default_rng(1).standard_normal(z.size)
    found = williams.fit(z, stress, 1.0, terms, None)
    b = plain.williams_fit(z.real, z.imag, stress, terms)
    wanted = [complex(b[2], b[3]), complex(b[4], 0)] + [complex(b[i], b[i + 1]) for i in range(5, b.size, 2)]
    assert found.coefficients == pytest.approx(np.array(wanted), rel=1e-5, abs=1e-6)
    assert found.shift == pytest.approx(2 * complex(b[0], b[1]) / wanted[0], rel=1e-5)
    model = plain.williams_design(z.real, z.imag, terms) @ b
    assert found.r2 == pytest.approx(1 - np.sum((stress - model) ** 2) / np.sum((stress - stress.mean()) ** 2))
    assert found.chi2 == pytest.approx(np.sum((stress - model) ** 2) / (z.size - b.size))


@pytest.mark.parametrize("fades_over_mm, sd", [(12.0, 1.0), (6.0, 10.0), (36.0, 0.3)])
def test_fit_with_prior_equals_its_plain_twin(fades_over_mm, sd):
    """The prior as one more equation for each coefficient, c_n = 0 within factor |c_1| L^(-(n-1)/2); the fits under
    several factors are averaged as the density of the whole map's normal distribution, written out, weighs them."""
    z, scale = ring(1.0, 2.6)[::3], 150.0
    stress = centre_crack(z, 20.0) + sd * np.random.default_rng(1).standard_normal(z.size)
    found = williams.fit(z, stress, sd, TERMS, Prior(fades_over_mm), scale)
    columns = plain.williams_design(z.real, z.imag, TERMS)

    def prior_sd(factor):
        wide = {3: max(factor, williams.PRIOR_3)}
        higher = [wide.get(n, factor) * scale * fades_over_mm ** (-(n - 1) / 2) for n in range(3, TERMS + 1) for _ in "ri"]
        return np.array([1e4] * 4 + [williams.PRIOR_T * scale * fades_over_mm**-0.5, *higher])

    likely = []
    for factor in williams.PRIORS:
        covariance = (columns * prior_sd(factor) ** 2) @ columns.T + sd**2 * np.eye(z.size)
        likely.append(-stress @ np.linalg.solve(covariance, stress) - np.linalg.slogdet(covariance)[1])
    weight = np.exp(0.5 * (np.array(likely) - max(likely)))
    fits = [plain.williams_fit(z.real, z.imag, stress, TERMS, prior_sd(f) / sd) for f in williams.PRIORS]
    b = weight @ np.array(fits) / weight.sum()
    assert found.coefficients[0] == pytest.approx(complex(b[2], b[3]), rel=1e-4)
    assert found.T_MPa == pytest.approx(b[4], rel=1e-4)
    assert found.coefficients[2:] == pytest.approx(b[5::2] + 1j * b[6::2], rel=1e-3, abs=1e-4)


def test_design_is_the_real_part_of_the_powers():
    z, unit = ring(), 2.5
    wanted = plain.williams_design(z.real / unit, z.imag / unit, TERMS)
    np.testing.assert_allclose(williams.design(z, TERMS, unit).T, wanted, rtol=0, atol=1e-9)
    np.testing.assert_allclose(williams.design(z, TERMS, unit, shift=False).T, wanted[:, 2:], rtol=0, atol=1e-9)


def test_coefficients_of_the_centre_crack_are_those_of_its_expansion():
    """2 s (z+a)/sqrt(z (z+2a)) - s = s sqrt(2a) [z^(-1/2) + 3/(4a) z^(1/2) - 5/(32 a^2) z^(3/2) + ...] - s, expanded by
    hand; K_I = s sqrt(pi a), T = -s."""
    z = ring(0.5, 5.0)
    found = williams.fit(z, centre_crack(z), 1.0, 10, None)
    c1 = STRESS_MPA * np.sqrt(2 * HALF_MM)
    wanted = [c1, -STRESS_MPA, 0.75 * c1 / HALF_MM, 0.0, -5 / 32 * c1 / HALF_MM**2]
    assert found.coefficients[:2] == pytest.approx(wanted[:2], rel=1e-3, abs=0.01)
    assert found.coefficients[2:5] == pytest.approx(wanted[2:], rel=0.05, abs=0.05)
    assert found.K == pytest.approx(K_MPA_SQRT_M, rel=1e-3)
    assert found.T_MPa == pytest.approx(-STRESS_MPA, rel=2e-3)
    assert abs(found.shift) < 1e-3


@pytest.mark.parametrize("beta_deg", [0.0, 30.0, -30.0, 60.0])
def test_inclined_crack_gives_both_modes_and_T_with_their_signs(beta_deg):
    """K_I = s sqrt(pi a) cos^2, K_II = s sqrt(pi a) sin cos, T = -s cos 2b: Tada, Paris & Irwin (from memory)."""
    z, b = ring(), np.deg2rad(beta_deg)
    found = williams.fit(z, centre_crack(z, beta_deg), 1.0, TERMS, Prior(HALF_MM))
    assert found.K.real == pytest.approx(K_MPA_SQRT_M * np.cos(b) ** 2, abs=0.01 * K_MPA_SQRT_M)
    assert found.K.imag == pytest.approx(K_MPA_SQRT_M * np.sin(b) * np.cos(b), abs=0.01 * K_MPA_SQRT_M)
    assert found.T_MPa == pytest.approx(-STRESS_MPA * np.cos(2 * b), abs=0.05 * STRESS_MPA)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 180.0, -37.0])
def test_growth_in_any_direction_of_the_image(angle_deg):
    plate = plates.centre_crack(shape=(90, 90), tip_px=(45.3, 44.6), angle_deg=angle_deg, beta_deg=30.0, blur_px=0.0)
    rows, columns = np.indices((90, 90))
    z = williams.to_crack(rows, columns, plate.tip_px, angle_deg, PX)
    x, y = plates.crack_coordinates(rows, columns, plate.tip_px, angle_deg, PX)
    assert z == pytest.approx(x + 1j * y)
    use = (np.abs(z) > 0.8) & (np.abs(z) < 6) & (np.abs(np.angle(z)) < np.deg2rad(140))
    found = williams.fit(z[use], plate.sum_MPa[use], 1.0, TERMS, Prior(HALF_MM))
    assert found.K == pytest.approx(complex(plate.KI_MPa_sqrt_m, plate.KII_MPa_sqrt_m), abs=0.015 * K_MPA_SQRT_M)


def test_of_the_derivatives_by_the_tip_only_one_lies_outside_the_series():
    """s(z - d) = s(z) + d c_1/2 z^(-3/2) + terms of the series, to first order in d."""
    z, c = ring(1.0), np.array([150 + 30j, -40, 9 - 4j, 2 + 1j, -0.4, 0.1j])
    d = 1e-5 * np.exp(0.7j)
    change = (series(c, z - d) - series(c, z)) / abs(d)
    columns = plain.williams_design(z.real, z.imag, len(c))
    b = np.linalg.lstsq(columns, change, rcond=None)[0]
    assert np.abs(change - columns @ b).max() < 1e-3 * np.abs(change).max()
    assert complex(b[0], b[1]) == pytest.approx(c[0] / 2 * d / abs(d), rel=1e-3)
    without = columns[:, 2:]
    left = change - without @ np.linalg.lstsq(without, change, rcond=None)[0]
    assert np.abs(left).max() > 0.1 * np.abs(change).max()


@pytest.mark.parametrize("off_mm", [0.02 + 0.01j, -0.1 + 0.05j, 0.15j, 0.2 + 0.0j])
def test_a_misplaced_tip_is_told_how_far_to_move(off_mm):
    """Fitted about a place that is `off` the tip: the step leads back, but for the second order."""
    z = ring()
    stress = plates.centre_crack_sum((z + off_mm).real, (z + off_mm).imag, HALF_MM, STRESS_MPA, 20.0)
    found = williams.fit(z, stress, 1.0, TERMS, Prior(HALF_MM))
    assert abs(found.shift + off_mm) < 0.01 + 1.0 * abs(off_mm) ** 2 / 0.8


def test_evaluate_gives_the_series():
    z, c = ring(), np.array([150 + 30j, -40, 9 - 4j, 2 + 1j])
    assert williams.evaluate(c, z) == pytest.approx(series(c, z))
    x, y = z.real, z.imag
    assert williams.evaluate(c, z) == pytest.approx(
        plain.williams_design(x, y, 4, with_step=False) @ [150, 30, -40, 9, -4, 2, 1]
    )


def scores(draws, sd, make, fit):
    """(estimate - truth) / stated deviation of step x, step y, K_I, K_II, T over `draws` noisy maps."""
    rng, z, out = np.random.default_rng(8), ring(), []
    for _ in range(draws):
        c = make(rng)
        found = fit(z, series(c, z) + sd * rng.standard_normal(z.size), sd)
        K = np.conj(c[0]) * np.sqrt(2 * np.pi) / 2 * np.sqrt(1e-3)
        off = np.array([*(found.shift.real, found.shift.imag), *(found.K.real - K.real, found.K.imag - K.imag)])
        out.append(np.append(off, found.T_MPa - c[1].real) / np.sqrt(np.diag(found.covariance)))
    return np.array(out)


def test_stated_deviations_cover_the_truth_without_prior():
    """250 draws: the scores' spread is known within 4.5 %, their mean within 0.063."""
    true = np.array([150 + 20j, -40, 9 - 4j, 0.5j])
    z = scores(250, 6.0, lambda rng: true, lambda z, s, sd: williams.fit(z, s, sd, 4, None))
    assert np.std(z, axis=0) == pytest.approx(1.0, abs=0.14)
    assert np.abs(z.mean(axis=0)).max() < 0.2


def test_stated_deviations_cover_the_truth_where_higher_terms_are_only_believed_to_fade():
    """Coefficients drawn from the prior itself (smallest factor), noise small: truncation is most of the deviation."""
    L, c1 = 8.0, 150.0

    def draw(rng):
        n = np.arange(3, TERMS + 1)
        spread = np.where(n == 3, williams.PRIOR_3, williams.PRIORS[0])
        higher = rng.standard_normal((2, n.size)) * spread * c1 * L ** (-(n - 1) / 2)
        return np.array([c1, williams.PRIOR_T * c1 * L**-0.5 * rng.standard_normal(), *(higher[0] + 1j * higher[1])])

    z = scores(250, 1.0, draw, lambda z, s, sd: williams.fit(z, s, sd, TERMS, Prior(L), c1))
    assert np.std(z, axis=0) == pytest.approx(1.0, abs=0.14)


def test_noise_larger_than_stated_enlarges_the_deviations_and_smaller_does_not_shrink_them():
    rng, z = np.random.default_rng(2), ring()
    noise = rng.standard_normal(z.size)
    plain_fit = williams.fit(z, centre_crack(z) + 4 * noise, 4.0, TERMS, Prior(HALF_MM))
    rough = williams.fit(z, centre_crack(z) + 12 * noise, 4.0, TERMS, Prior(HALF_MM))
    smooth = williams.fit(z, centre_crack(z) + 1 * noise, 4.0, TERMS, Prior(HALF_MM))
    ratio = np.sqrt(np.diag(rough.covariance) / np.diag(plain_fit.covariance))
    assert ratio[2:] == pytest.approx(3.0, rel=0.1)
    assert np.diag(smooth.covariance)[2:] == pytest.approx(np.diag(plain_fit.covariance)[2:], rel=0.1)


def test_too_few_pixels_raise():
    z = ring()[:5]
    with pytest.raises(np.linalg.LinAlgError):
        williams.fit(np.repeat(z[:1], 100), np.ones(100), 1.0, TERMS, None)


@pytest.mark.parametrize("gain_sd", [0.0, 0.03])
def test_deviations_hold_where_the_gain_differs_from_pixel_to_pixel(gain_sd):
    """Such pixels scatter with the signal: most near the tip, where its place is told."""
    rng = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(-4.0, 4.01, 0.1) + 0.03, np.arange(-4.0, 4.01, 0.1) + 0.02)
    z = (x + 1j * y).ravel()
    z = z[(np.abs(z) > 0.45) & (np.abs(z) < 4) & (np.abs(np.angle(z)) < 2.6)]
    true = williams.evaluate(np.array([500.0, -60.0, 20.0 + 5.0j, 3.0]), z)
    off = []
    for _ in range(60):
        seen = true * (1 + gain_sd * rng.standard_normal(z.size)) + 4.0 * rng.standard_normal(z.size)
        found = williams.fit(z, seen, 4.0, 5, None)
        off.append(np.array([found.shift.real, found.shift.imag]) / np.sqrt(np.diag(found.covariance))[:2])
    assert 0.8 < np.sqrt(np.mean(np.square(off))) < 1.2
