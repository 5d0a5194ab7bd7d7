"""Gain: kelvin per MPa from a known stress, counts per kelvin from plates; handbook constants beside them. Invented data."""

import numpy as np
import pytest
import scipy.optimize

from calibration import gain
from calibration.door import InputError

SHAPE = (40, 60)
T = 295.0

# K0 = alpha/(rho cp) in 1e-6 per MPa. alpha: materials textbook, table B.6 (read); rho, cp from memory; product computed.
HANDBOOK = [
    ("A36", 11.7e-6, 7850.0, 486.0, 3.07),
    ("304", 17.2e-6, 8000.0, 500.0, 4.30),
    ("2024", 22.9e-6, 2770.0, 875.0, 9.45),
    ("Ti-6Al-4V", 8.6e-6, 4430.0, 526.0, 3.69),
]


def bar(stress_MPa, K0, seed=0, noise_K=0.002, phase_deg=180.0, uneven=0.0):
    """First harmonic of a bar at stress ranges (rows, columns); `uneven`: relative, over the width of the region."""
    rng = np.random.default_rng(seed)
    actual = stress_MPa * (1 + uneven * np.linspace(-1, 1, SHAPE[1]))
    turn = np.exp(1j * np.deg2rad(phase_deg))
    h = 0.5 * K0 * T * actual * turn + noise_K * (rng.standard_normal(SHAPE) + 1j * rng.standard_normal(SHAPE))
    return h, np.full(SHAPE, noise_K)


TENSION = np.full(SHAPE, 80.0)
BENDING = np.broadcast_to(np.linspace(90.0, -90.0, SHAPE[1]), SHAPE)


@pytest.mark.parametrize("name, expansion, density, heat, listed", HANDBOOK, ids=lambda v: v if isinstance(v, str) else "")
def test_a_bar_of_a_handbook_material_gives_the_handbook_constant(name, expansion, density, heat, listed):
    K0 = expansion / (density * heat) * 1e6
    assert K0 == pytest.approx(listed * 1e-6, rel=2e-3)
    found = gain.kelvin_per_MPa(*bar(TENSION, K0), TENSION, T)
    assert found.K0_per_MPa == pytest.approx(K0, abs=4 * found.K0_sd_per_MPa)
    assert found.K0_sd_per_MPa < 0.005 * K0
    assert found.kelvin_per_MPa == pytest.approx(K0 * T, rel=0.005)
    assert abs(found.phase_deg) == pytest.approx(180, abs=1)


def test_bending_needs_no_neutral_axis():
    h, sd = bar(BENDING, 4e-6)
    for shift in (0.0, 25.0):  # the nominal stress counts from a wrong middle
        found = gain.kelvin_per_MPa(h, sd, BENDING + shift, T, bending=True)
        assert found.K0_per_MPa == pytest.approx(4e-6, abs=4 * found.K0_sd_per_MPa)
        assert found.K0_sd_per_MPa < 0.02 * 4e-6


def test_the_fit_agrees_with_scipy():
    h, sd = bar(BENDING, 4e-6, seed=3)
    found = gain.kelvin_per_MPa(h, sd, BENDING, T, bending=True)
    best, covariance = scipy.optimize.curve_fit(
        lambda s, a, b: a * s + b, BENDING.ravel(), -2 * h.real.ravel(), sigma=2 * sd.ravel(), absolute_sigma=True
    )
    assert found.kelvin_per_MPa == pytest.approx(best[0], rel=0.01)  # ours averages blocks first
    assert found.parts["signal and its unevenness"] == pytest.approx(np.sqrt(covariance[0, 0]) / best[0], rel=0.35)


def test_an_unevenly_gripped_bar_is_known_less_well():
    even = gain.kelvin_per_MPa(*bar(TENSION, 3e-6), TENSION, T)
    uneven = gain.kelvin_per_MPa(*bar(TENSION, 3e-6, uneven=0.05), TENSION, T)
    assert uneven.K0_sd_per_MPa > 3 * even.K0_sd_per_MPa
    assert uneven.K0_per_MPa == pytest.approx(3e-6, rel=0.02)


@pytest.mark.parametrize("off_deg", [6.0, -15.0])
def test_what_a_delay_that_is_off_takes_is_in_the_deviation(off_deg):
    h, sd = bar(TENSION, 3e-6)
    found = gain.kelvin_per_MPa(h * np.exp(1j * np.radians(off_deg)), sd, TENSION, T)
    assert abs(found.K0_per_MPa - 3e-6) < 2 * found.K0_sd_per_MPa


def test_known_deviations_are_added_in_squares():
    found = gain.kelvin_per_MPa(*bar(TENSION, 3e-6), TENSION, T, known_sd={"stress": 0.012, "lag": 0.005})
    own = found.parts["signal and its unevenness"]
    assert found.K0_sd_per_MPa / found.K0_per_MPa == pytest.approx(np.sqrt(own**2 + 0.012**2 + 0.005**2))
    assert any("stress 1.20 %" in line for line in found.text(3.1e-6))


def test_nominal_stresses_are_those_of_the_textbook():
    assert gain.tension_stress_MPa(8.4, 4.0, 30.0) == pytest.approx(70.0)  # 8400 N on 120 mm2
    # 2 kN, arm 40 mm, bar 5 x 20 mm: M = 40 N m, I = 3333 mm4, at the surface M c/I = 120 MPa
    assert gain.bending_stress_MPa(2.0, 40.0, 5.0, 20.0, np.array([10.0, 0.0])) == pytest.approx([120.0, 0.0])


REFUSED = {
    "turned": (lambda: (*bar(TENSION, 3e-6, phase_deg=140.0), TENSION, T), "180 .- 20"),
    "compressed": (lambda: (*bar(TENSION, 3e-6, phase_deg=0.0), TENSION, T), "check the sign"),
    "weak": (lambda: (*bar(TENSION, 3e-6, noise_K=1.0), TENSION, T), "180 .- 20|or better"),
    "nothing": (lambda: (*bar(TENSION, 3e-6), np.full(SHAPE, np.nan), T), "0 usable pixels"),
    "flat bending": (lambda: (*bar(TENSION, 3e-6), TENSION, T, True), "span the bar's depth"),
    "stress unknown": (lambda: (*bar(TENSION, 3e-6), TENSION, T, False, {"stress": 0.2}), "most comes from stress"),
}


@pytest.mark.parametrize("make, expected", REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_give_a_constant_is_refused(make, expected):
    with pytest.raises(InputError, match=expected) as caught:
        gain.kelvin_per_MPa(*make())
    assert "\n" not in str(caught.value) and ";" in str(caught.value) + ";"


def level(t, seed, counts_per_K=97.0):
    return 3e4 + counts_per_K * (t - 20) * (1 + 0.01 * np.random.default_rng(seed).standard_normal(SHAPE))


EVERYWHERE = np.ones(SHAPE, bool)


def test_two_plates_give_counts_per_kelvin():
    found = gain.counts_per_kelvin([level(22.0, 1), level(42.0, 1)], (22.0, 42.0), 0.3, EVERYWHERE)
    assert found.counts_per_K == pytest.approx(97.0, abs=0.1)  # mean of 2,400 pixels that differ by 1 %
    assert found.counts_per_K_sd == pytest.approx(97.0 * 0.3 * np.sqrt(2) / 20, rel=1e-3)  # both plates to 0.3 K, 20 K apart
    assert found.unevenness == pytest.approx(0.01, rel=0.1)
    assert found.zero_K == pytest.approx(293.15 - 3e4 / 97.0, abs=0.5)


def test_a_bent_line_of_plates_widens_the_deviation():
    straight = [level(t, 1) for t in (20.0, 30.0, 40.0)]
    found = gain.counts_per_kelvin(straight, (20.0, 30.0, 40.0), 0.3, EVERYWHERE)
    bent = [straight[0], straight[1] + 300, straight[2]]
    assert gain.counts_per_kelvin(bent, (20, 30, 40), 0.3, EVERYWHERE).counts_per_K_sd > 3 * found.counts_per_K_sd


@pytest.mark.parametrize(
    "temperatures, expected",
    [
        ((20.0,), "as many, two or more"),
        ((20.0, 40.0, 60.0), "2 recordings and 3 temperatures"),
        ((40.0, 22.0), "check the order of --temperatures"),
        ((22.0, 24.0), "take plates 10 K or more apart"),
        ((22.0, 22.0), "per kelvin not at all, .* take plates 10 K or more apart"),
    ],
)
def test_plates_that_tell_nothing_are_refused(temperatures, expected):
    with pytest.raises(InputError, match=expected):
        gain.counts_per_kelvin([level(22.0, 1), level(42.0, 1)], temperatures, 0.3, EVERYWHERE)


def test_a_constant_far_from_the_rig_file_s_is_doubted_and_half_a_turn_has_one_sign():
    found = gain.kelvin_per_MPa(*bar(TENSION, 3.1e-6, phase_deg=180.01), TENSION, T)
    assert not any("so far off" in line for line in found.text(3.0e-6)) and any("so far off" in line for line in found.text(9.4e-6))
    assert "phase 180.0 deg" in found.text(3.0e-6)[0]
