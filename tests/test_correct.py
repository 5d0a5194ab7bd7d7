"""Correction of lag, readout and delay on frames made in the time domain, and the delay taken from the far field."""

import numpy as np
import plain
import plates
import pytest
from scipy.signal import lfilter

from calibration.profile import CameraProfile, ResponseRow
from edge.correct import correct, delayed, far_field_delay

FRAME_HZ, COUNTS_PER_K, ROWS = 25.0, 80.0, 6
FINE_S = 2e-5
TRUE = (0.2 * np.exp(1j * np.deg2rad(180.0)), 0.03 * np.exp(1j * np.deg2rad(70.0)))  # K, h_1 and h_2


def seen(load_hz, lags_s, readout_s, delay_s, frames=400):
    """Harmonic maps (2, ROWS, 1) in counts of a detector that follows T(t) by dS/dt = (T - S)/tau (one or more in a
    row), integrated in small steps; a frame stamped t shows in row r what it had at t - delay - readout r/ROWS."""
    fine = np.arange(0, frames / FRAME_HZ + 1.5, FINE_S) - 1.5
    phi = 2 * np.pi * load_hz * fine
    signal = sum(np.imag(h * np.exp(1j * k * phi)) for k, h in enumerate(TRUE, start=1))
    for tau in lags_s:
        a = np.exp(-FINE_S / tau)
        signal = lfilter([(1 - a) / 2, (1 - a) / 2], [1, -a], signal)
    stamp = np.arange(frames) / FRAME_HZ
    shown = [np.interp(stamp - delay_s - readout_s * r / ROWS, fine, signal) for r in range(ROWS)]
    maps = plain.batch_lockin(COUNTS_PER_K * np.stack(shown, 1), stamp, 2 * np.pi * load_hz * stamp, 2).maps
    return maps.reshape(2, ROWS, 1)


def apart(corrected):
    """Largest relative error of each harmonic over the rows."""
    return [np.abs(corrected.maps[k] / TRUE[k] - 1).max() for k in (0, 1)]


# 7 Hz: 2f = 14 Hz lies above half the frame rate (12.5 Hz) and is seen at 11 Hz; 20 Hz: 1f at 5 Hz, 2f = 40 Hz at 10 Hz
@pytest.mark.parametrize("load_hz", [1.0, 7.0, 11.0, 20.0, 31.0])
@pytest.mark.parametrize("delay_s", [0.0, 0.017, -0.004])
def test_lag_readout_and_delay_are_taken_out_at_the_true_frequency(load_hz, delay_s):
    profile = CameraProfile(tau_s=0.010, readout_s=0.012, frame_delay_s=delay_s, counts_per_K=COUNTS_PER_K)
    maps = seen(load_hz, [0.010], 0.012, delay_s)
    assert max(apart(correct(maps, load_hz, profile, COUNTS_PER_K))) < 2e-3
    wrong_lag = CameraProfile(tau_s=0.013, readout_s=0.012, frame_delay_s=delay_s)
    assert min(apart(correct(maps, load_hz, wrong_lag, COUNTS_PER_K))) > 0.01


def test_a_delay_given_by_the_caller_wins_over_the_profile():
    profile = CameraProfile(tau_s=0.010, readout_s=0.012, frame_delay_s=0.030)
    maps = seen(7.0, [0.010], 0.012, 0.005)
    corrected = correct(maps, 7.0, profile, COUNTS_PER_K, frame_delay_s=0.005)
    assert max(apart(corrected)) < 2e-3 and corrected.frame_delay_s == 0.005
    assert min(apart(correct(maps, 7.0, profile, COUNTS_PER_K))) > 0.1


def test_a_delay_made_longer_afterwards_is_the_longer_delay():
    profile = CameraProfile(tau_s=0.010, readout_s=0.012)
    maps = seen(7.0, [0.010], 0.012, 0.008)
    at_once, later = correct(maps, 7.0, profile, COUNTS_PER_K, 0.008), correct(maps, 7.0, profile, COUNTS_PER_K, 0.005)
    longer = delayed(later, 7.0, 0.003)
    assert max(apart(longer)) < 2e-3 and longer.maps == pytest.approx(at_once.maps)
    assert longer.frame_delay_s == pytest.approx(0.008)


def test_a_measured_response_takes_the_place_of_the_first_order_model():
    lags = [0.008, 0.005]
    rows = []
    for hz in (4.0, 7.0, 9.0, 14.0, 16.0):
        r = np.prod([1 / (1 + 2j * np.pi * hz * tau) for tau in lags])
        rows.append(ResponseRow(hz, abs(r), float(np.degrees(np.angle(r)))))
    table = CameraProfile(tau_s=0.010, frame_delay_s=0.0, response=tuple(rows))
    maps = seen(7.0, lags, 0.0, 0.0)
    assert max(apart(correct(maps, 7.0, table, COUNTS_PER_K))) < 2e-3
    assert min(apart(correct(maps, 7.0, CameraProfile(tau_s=0.010, frame_delay_s=0.0), COUNTS_PER_K))) > 0.02


def test_without_a_profile_counts_become_kelvin_and_nothing_else():
    maps = seen(7.0, [0.010], 0.012, 0.005)
    corrected = correct(maps, 7.0, None, COUNTS_PER_K)
    assert corrected.maps == pytest.approx(maps / COUNTS_PER_K)
    assert corrected.gain.tolist() == [1, 1] and not corrected.gain_sd.any() and not corrected.phase_sd_rad.any()


def test_stated_deviations_are_those_of_a_profile_drawn_at_random():
    """tau_sd_s to relative gain and phase; timing to phase: scatter of corrected maps over profiles drawn from it."""
    rng = np.random.default_rng(1)
    stated = CameraProfile(
        tau_s=0.010,
        tau_sd_s=0.0004,
        readout_s=0.012,
        readout_sd_s=0.0008,
        frame_delay_s=0.005,
        frame_delay_sd_s=0.0003,
    )
    maps = np.ones((2, 101, 1), complex)
    drawn = []
    for _ in range(400):
        tau, readout, delay = (0.010, 0.012, 0.005) + rng.standard_normal(3) * (0.0004, 0.0008, 0.0003)
        drawn.append(correct(maps, 7.0, CameraProfile(tau, readout_s=readout, frame_delay_s=delay), 1.0).maps[:, 50, 0])
    corrected = correct(maps, 7.0, stated, 1.0)
    assert corrected.gain_sd == pytest.approx(np.std(np.log(np.abs(drawn)), axis=0), rel=0.12)
    assert corrected.phase_sd_rad == pytest.approx(np.std(np.unwrap(np.angle(drawn), axis=0), axis=0), rel=0.12)
    assert corrected.gain == pytest.approx(1 / np.sqrt(1 + (2 * np.pi * 7.0 * np.array([1, 2]) * 0.010) ** 2))


def far_field(plate, delay_s, frequency_hz, noise_K, seed=1):
    """First-harmonic map of a plate as a camera sees it that late, with noise in each component."""
    rng = np.random.default_rng(seed)
    h = -0.5 * 3.1e-6 * 295.0 * plate.sum_MPa * np.exp(-2j * np.pi * frequency_hz * delay_s)
    return h + noise_K * (rng.standard_normal(h.shape) + 1j * rng.standard_normal(h.shape))


@pytest.fixture(scope="module")
def plate():
    return plates.centre_crack(shape=(60, 80), tip_px=(29.3, 42.6))


@pytest.mark.parametrize("frequency_hz", [3.0, 20.0])
@pytest.mark.parametrize("turn", [-0.45, -0.1, 0.0, 0.24, 0.26, 0.45])
def test_delay_of_the_far_field_is_found_up_to_whole_periods(plate, turn, frequency_hz):
    delay_s = turn / frequency_hz
    h = far_field(plate, delay_s, frequency_hz, 0.0018)
    found, sd = far_field_delay(h, 0.0018, frequency_hz, np.ones(h.shape, bool))
    assert abs(found - delay_s) < 4 * sd
    assert sd * 360 * frequency_hz < 0.2  # degrees


def test_deviation_of_the_far_field_delay_covers_the_error(plate):
    z = []
    for seed in range(120):
        h = far_field(plate, 0.005, 7.0, 0.004, seed)
        found, sd = far_field_delay(h, 0.004, 7.0, np.ones(h.shape, bool))
        z.append((found - 0.005) / sd)
    assert 0.8 < np.sqrt(np.mean(np.square(z))) < 1.25


def test_compressed_parts_do_not_turn_the_far_field_round():
    """Bending: a third of the view is compressed, half a turn from the rest."""
    x = np.linspace(1, -0.5, 80)[None, :] * np.ones((60, 1))
    bent = plates.CrackedPlate(60 * x, (0, 0), 0.0, 0.15, 0.0, 60.0, 0.0, 0.0, 0.0)
    h = far_field(bent, 0.004, 7.0, 0.0018)
    found, sd = far_field_delay(h, 0.0018, 7.0, np.ones(h.shape, bool))
    assert abs(found - 0.004) < 4 * sd


def test_dead_pixels_and_places_outside_the_specimen_do_not_count(plate):
    h = far_field(plate, 0.004, 7.0, 0.0018)
    usable = np.ones(h.shape, bool)
    usable[:, :20] = False
    h[:, :20] = 5.0
    h[3, 30] = np.nan
    found, sd = far_field_delay(h, 0.0018, 7.0, usable)
    assert abs(found - 0.004) < 4 * sd


@pytest.mark.parametrize(
    "diffusivity_mm2_per_s, frequency_hz, most_deg",
    [(14.0, 7.0, 1.0), (14.0, 20.0, 1.0), (50.0, 20.0, 1.0), (50.0, 7.0, 2.0)],
)
def test_heat_conduction_at_the_tip_hardly_turns_the_far_field(diffusivity_mm2_per_s, frequency_hz, most_deg):
    """18 mm x 24 mm of steel and aluminium. Heat that flows at the tip turns the phase there by tens of degrees
    (approximate: see `plates.conducted`). Two degrees cost 0.06 % of the stress and turn 2f by four."""
    plate = plates.centre_crack()
    h = plates.conducted(far_field(plate, 0.004, frequency_hz, 0.0), 0.15, diffusivity_mm2_per_s, frequency_hz)
    h = h + (far_field(plate, 0.0, frequency_hz, 0.0018) - far_field(plate, 0.0, frequency_hz, 0.0))
    found, _ = far_field_delay(h, 0.0018, frequency_hz, np.ones(h.shape, bool))
    assert abs(found - 0.004) * 360 * frequency_hz < most_deg


def test_no_delay_from_noise_alone():
    rng = np.random.default_rng(1)
    h = 0.002 * (rng.standard_normal((60, 80)) + 1j * rng.standard_normal((60, 80)))
    assert far_field_delay(h, 0.002, 7.0, np.ones(h.shape, bool)) is None
    assert far_field_delay(h, 0.002, 7.0, np.zeros(h.shape, bool)) is None
