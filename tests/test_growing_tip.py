"""A crack that grows within the memory: exact maps of a centre crack (closed form) averaged over the places of its tip."""

from dataclasses import replace
from functools import cache

import numpy as np
import plates
import pytest
from test_fix import LOAD, NOISE_K, PLATE, harmonics, rig_for

from edge import growing_tip
from edge.fix import Fixer
from edge.williams import evaluate

FRAMES_PER_S, PERIODS = 25.0, 1500
AGE_SD = PERIODS / 2  # of frames that fade exponentially


@cache
def smeared_plate(grown_px):
    """PLATE as a mean over a memory that fades exponentially, in which the crack grows by grown_px along its line; K is
    that of the mean place."""
    q = (np.arange(24) + 0.5) / 24
    places = (np.log(q) - np.log(q).mean()) * grown_px / 2 / np.log(q).std()
    seen = [
        plates.centre_crack(
            tip_px=(PLATE.tip_px[0], PLATE.tip_px[1] + p), mm_per_px=PLATE.mm_per_px, half_mm=12.0 + p * PLATE.mm_per_px,
            stress_MPa=PLATE.stress_MPa,
        )
        for p in places
    ]  # fmt: skip
    return replace(PLATE, sum_MPa=np.mean([s.sum_MPa for s in seen], axis=0))


def fixed(grown_px, rate=True, seed=0, rate_sd=0.05):
    """The row of a fix of the smeared map; rate: whether growth is known, with the relative deviation rate_sd."""
    plate = smeared_plate(grown_px)
    made = replace(harmonics(plate, seed=seed), age_sd=AGE_SD)
    a_cycle = grown_px * plate.mm_per_px / 2 / (AGE_SD / FRAMES_PER_S * LOAD.frequency_hz)
    fixer = Fixer(rig_for(plate), None, plate.sum_MPa.shape)
    return fixer.fix(made, LOAD, FRAMES_PER_S, rate=(a_cycle, rate_sd * a_cycle) if rate else None)


@pytest.mark.parametrize("grown_px", [1.5, 3.0])
def test_what_growth_within_the_memory_smears_is_put_right(grown_px):
    for seed in range(3):
        stands, grows = (fixed(px, seed=seed).row for px in (0.0, grown_px))  # of the same noise
        assert grows.dKI_MPa_sqrt_m == pytest.approx(stands.dKI_MPa_sqrt_m, rel=0.003)
        assert grows.tip_col_px == pytest.approx(stands.tip_col_px, abs=0.04)
        assert grows.T_MPa == pytest.approx(stands.T_MPa, abs=0.02 * PLATE.stress_MPa)
        assert abs(grows.dKI_MPa_sqrt_m - PLATE.KI_MPa_sqrt_m) < 2.6 * grows.dKI_sd
        left = fixed(grown_px, rate=False, seed=seed).row
        assert left.dKI_MPa_sqrt_m < stands.dKI_MPa_sqrt_m * (1 - 0.002 * grown_px**2)


def test_a_rate_known_badly_widens_what_hangs_on_it():
    well, badly = fixed(3.0).row, fixed(3.0, rate_sd=0.5).row
    changed = badly.dKI_MPa_sqrt_m - fixed(3.0, rate=False).row.dKI_MPa_sqrt_m
    assert badly.dKI_sd == pytest.approx(np.hypot(well.dKI_sd, 2 * (0.5**2 - growing_tip.RATE_SD**2) ** 0.5 * changed), rel=0.02)
    assert badly.crack_sd_mm > well.crack_sd_mm and badly.T_sd > well.T_sd


def test_much_growth_within_the_memory_is_told():
    assert "fast_growth" in fixed(7.0).flags and "fast_growth" not in fixed(3.0).flags


def test_slow_growth_changes_nothing():
    made = harmonics(PLATE)
    fixes = [Fixer(rig_for(PLATE), None, PLATE.sum_MPa.shape).fix(replace(made, age_sd=AGE_SD), LOAD, FRAMES_PER_S, rate=r)
             for r in (None, (1e-6, 1e-7))]  # fmt: skip
    assert fixes[0].row == fixes[1].row


def test_the_second_derivative_is_that_of_the_series():
    """Against differences, of step h: their error goes as h^2."""
    c, z, h = np.array([3 - 1j, 2.0, 0.5 + 0.3j, -0.2j]), np.array([1 + 1j, -0.5 + 2j, 3.0 + 0j]), 1e-3
    by_differences = (evaluate(c, z + h) - 2 * evaluate(c, z) + evaluate(c, z - h)) / h**2
    assert growing_tip.second_derivative(c, z) == pytest.approx(by_differences, rel=1e-5)


def test_maps_keep_what_was_measured():
    plate = smeared_plate(3.0)
    kept = fixed(3.0).maps["h1"]
    sd_K = NOISE_K * np.sqrt(2 / 1500)
    assert np.abs(kept - (-0.5 * plate.sum_MPa * rig_for(plate).specimen.thermoelastic_constant_per_MPa * 295.15)).max() < 8 * sd_K
