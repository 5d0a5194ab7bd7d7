"""What else stands at 2f: made up from a closed-form plate whose load has a second harmonic, or which swings with the load."""

import numpy as np
import plates
import pytest

from edge.second_harmonic import GRADIENT_VARIANCE, clean, doubts, gradient

K0_T, SD_K = 3.1e-6 * 295.0, 0.002
PLATE = plates.centre_crack(shape=(70, 100), tip_px=(34.3, 45.6), half_mm=12.0, stress_MPa=90.0)
H1 = (-0.5 * K0_T * PLATE.sum_MPa).astype(complex)
ROWS, COLUMNS = np.indices(H1.shape)
X, Y = COLUMNS - PLATE.tip_px[1], ROWS - PLATE.tip_px[0]
FAR = (np.hypot(X, Y) > 15) & ~((X < 0) & (np.abs(Y) < 15))
LOAD_H2 = 0.04 * np.exp(-1.2j)


def noise(seed):
    rng = np.random.default_rng(seed)
    return SD_K * (rng.standard_normal(H1.shape) + 1j * rng.standard_normal(H1.shape))


def swinging(right_px, down_px):
    """h2 of the plate, seen by a camera while it swings by (right, down) sin(phi): sixteen moments of a cycle."""
    h2 = np.zeros(H1.shape, complex)
    for phi in 2 * np.pi * np.arange(16) / 16:
        place = (PLATE.tip_px[0] + down_px * np.sin(phi), PLATE.tip_px[1] + right_px * np.sin(phi))
        seen = plates.centre_crack(H1.shape, place, half_mm=12.0, stress_MPa=90.0)
        h2 += -0.5 * K0_T * seen.sum_MPa * np.sin(phi) * np.exp(-2j * phi) * 2j / 16
    return h2


def left(found):
    """rms of a component in the far field over the noise."""
    return float(np.sqrt(np.mean(np.abs(found.h2[FAR]) ** 2) / 2)) / SD_K


def test_the_load_s_own_second_harmonic_is_taken_out():
    h2 = LOAD_H2 * H1 + noise(1)
    found = clean(H1, h2, SD_K, FAR, LOAD_H2, 1e-3)
    assert found.taken_out and not found.disagrees
    assert left(found) == pytest.approx(1.0, abs=0.03) and left(clean(H1, h2, SD_K, ~FAR & FAR, 0j, 1e-3)) > 1.2


def test_a_far_field_without_it_loses_nothing():
    h2 = noise(2)
    found = clean(H1, h2, SD_K, FAR, 0j, 1e-4)
    assert not found.taken_out and not found.disagrees
    assert np.array_equal(found.h2, h2)


@pytest.mark.parametrize("in_the_map, in_the_signal", [(0j, LOAD_H2), (LOAD_H2, 0j), (LOAD_H2, -LOAD_H2)])
def test_map_and_load_signal_that_contradict_each_other_are_told(in_the_map, in_the_signal):
    found = clean(H1, in_the_map * H1 + noise(3), SD_K, FAR, in_the_signal, 1e-4)
    assert found.disagrees
    assert left(found) == pytest.approx(1.0, abs=0.03)  # the far field itself is believed


@pytest.mark.parametrize("d_px", [(0.6, 0.0), (0.0, 0.6), (-0.4, 0.4)])
def test_what_a_small_swing_brings_to_2f_is_taken_out(d_px):
    """In a hundredth of the noise, so that the far field's slight slopes show."""
    h2 = swinging(*d_px) + 0.01 * noise(4)
    found = clean(H1, h2, 0.01 * SD_K, FAR, 0j, 1e-4)
    before, after = (np.sqrt(np.mean(np.abs(h[FAR]) ** 2)) for h in (h2, found.h2))
    assert before > 5 * 0.01 * SD_K and after < 0.4 * before


def test_a_motion_is_not_seen_as_less_for_the_noise_of_the_field_it_moves():
    d_px, noise_1f = 0.3, 2 * SD_K  # a quarter of the slopes' mean square in the far field is noise
    swung = 0.5j * d_px * gradient(H1)[0]

    def seen_px(seed, h1_sd_K):
        h1, h2 = H1 + 2 * noise([6, seed]), swung + 4 * noise([7, seed])
        found = clean(h1, h2, 4 * SD_K, FAR, 0j, 1e-4, h1_sd_K=h1_sd_K)  # too noisy for it to be taken out
        return found.left_px[0].real, found.left_sd_px[0]

    told = np.array([seen_px(seed, noise_1f) for seed in range(120)])
    mean, sd = told[:, 0].mean(), np.sqrt(np.mean(told[:, 1] ** 2) / 120)
    assert abs(mean - d_px) < 3 * sd and 3 * sd < 0.3 * d_px
    plain = np.mean([seen_px(seed, 0.0)[0] for seed in range(120)])
    assert plain < 0.85 * d_px  # what it looks like with the noise taken for slopes


def test_the_variance_of_a_gradient_in_noise_is_the_one_reckoned_with():
    parts = [np.var(g.real[8:-8, 8:-8]) for g in gradient(noise(8).real / SD_K + 0j)]
    assert np.mean(parts) == pytest.approx(GRADIENT_VARIANCE, rel=0.1)


def test_a_motion_that_was_taken_out_is_not_put_back_for_the_noise_of_its_gradients():
    h1 = H1 + 5 * noise(9)
    h2 = noise(10) - 0.5j * 0.6 * gradient(5 * noise(9))[0]  # what is left where the gradients of a noisy map were taken off
    assert np.array_equal(clean(h1, h2, SD_K, FAR, 0j, 1e-4, h1_sd_K=5 * SD_K, still=True).h2, h2)
    assert not np.array_equal(clean(h1, h2, SD_K, FAR, 0j, 1e-4).h2, h2)


@pytest.mark.parametrize("sd, taken_out", [(1e-3, True), (2e-2, False)])
def test_where_the_far_field_cannot_tell_the_load_signal_does_if_it_is_clear(sd, taken_out):
    few = FAR & (COLUMNS > 97)  # fewer pixels than it takes
    found = clean(H1, LOAD_H2 * H1, SD_K, few, LOAD_H2, sd)
    assert found.taken_out == taken_out and not found.disagrees
    assert found.share_sd == pytest.approx(sd)
    assert np.abs(found.h2).max() == pytest.approx(0 if taken_out else 0.04 * np.abs(H1).max(), abs=1e-12)


def test_the_deviation_of_the_share_is_its_scatter():
    shares, stated = [], []
    for seed in range(100):
        h2 = LOAD_H2 * H1 + noise([5, seed])
        found = clean(H1, h2, SD_K, FAR, LOAD_H2, 1e-3)
        shares.append(np.vdot(H1, h2 - found.h2) / np.vdot(H1, H1) - LOAD_H2)
        stated.append(found.share_sd)
    scatter = np.sqrt(np.mean(np.abs(shares) ** 2) / 2)
    assert scatter == pytest.approx(np.mean(stated), rel=0.2)  # 3 deviations of 200 components


@pytest.mark.parametrize("which, d_px", [(2, (0.2, 0.0)), (3, (0.0, 0.2))])
def test_the_doubt_of_a_swing_is_what_a_swing_so_large_brings(which, d_px):
    maps = doubts(H1, np.diag([0.003**2, 0.0]), np.array([0.2, 0.2]))
    brought = swinging(*d_px).imag  # a quarter turn off h1
    inner = (
        FAR & (np.minimum(ROWS, 69 - ROWS) > 3) & (np.minimum(COLUMNS, 99 - COLUMNS) > 3)
    )  # no slope over the border
    assert maps[which][inner] == pytest.approx(brought[inner], abs=0.05 * np.abs(brought[inner]).max())


@pytest.mark.parametrize("correlation", [0.0, 0.9, -0.6])
def test_the_doubt_of_share_and_offset_has_their_covariance(correlation):
    a, b = 0.003, 0.0004
    maps = doubts(H1, np.array([[a * a, correlation * a * b], [correlation * a * b, b * b]]), np.zeros(2))
    here, there = H1.real[10, 80], H1.real[30, 50]
    assert np.sum(maps[:2, 10, 80] * maps[:2, 30, 50]) == pytest.approx(
        a * a * here * there + correlation * a * b * (here + there) + b * b
    )
    assert not maps[2:].any()
