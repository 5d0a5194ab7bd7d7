"""Pixels: bad ones, noise, drift, filters and repetition in the camera, counts that were tampered with. Invented data."""

import numpy as np
import pytest
from cameras import FRAME_RATE_HZ, still

from calibration import pixels
from calibration.door import InputError

BIG = (120, 160)


@pytest.mark.parametrize("seed, netd", [(1, 0.030), (2, 0.060), (3, 0.100)])
def test_every_bad_pixel_is_found_and_hardly_any_good_one(seed, netd):
    """Dead, and blinking ones that jump by 2 K in one frame of twenty."""
    frames, number, truth = still(seed, 250, BIG, netd_K=netd, dead=0.002, blinking=0.002, lost=0.01)
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    assert truth.sum() > 50 and not np.any(truth & (found.bad == 0))
    assert np.mean(~truth & (found.bad > 0)) <= 0.0005


def test_each_kind_of_bad_pixel_gets_its_name():
    frames, number, _ = still(4, 300, dead=0.0)
    rng = np.random.default_rng(0)
    frames[:, 5, 5] = 29_500  # constant, but no further off than the others
    frames[:, 6, 6] = np.clip(frames[:, 6, 6] + 900.0, 0, 65535)  # a living pixel, 9 K off
    frames[:, 7, 7] = frames[:, 7, 7] + np.rint(20 * rng.standard_normal(300))  # four times the noise
    frames[150:153, 8, 8] += 120  # three frames of 300: hardly more noise
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    assert [pixels.WHY[found.bad[i, i] - 1] for i in (5, 6, 7, 8)] == ["constant", "far off", "noisy", "jumping"]
    assert np.count_nonzero(found.bad) == 4


def test_noise_drift_and_pattern_are_measured():
    frames, number, _ = still(5, 400, netd_K=0.05, drift_K_per_h=20.0, fixed_pattern_K=0.4)
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    assert found.netd_counts == pytest.approx(np.hypot(5.0, np.sqrt(1 / 12)), abs=4 * found.netd_sd_counts)
    assert 3600 * found.drift_counts_per_s == pytest.approx(2000, abs=4 * 3600 * found.drift_sd_counts_per_s)
    assert found.fixed_counts == pytest.approx(40, rel=0.05)
    assert found.shared_counts < 0.2 and found.lines_hz.size == 0


def test_the_deviation_of_the_noise_covers_it_and_its_spectrum_is_that_of_white_noise():
    """One-sided amplitude density s sqrt(2/rate) (any textbook of signals)."""
    true, z = float(np.hypot(5.0, np.sqrt(1 / 12))), []
    for seed in range(10):
        frames, number, _ = still(60 + seed, 150, (40, 40), netd_K=0.05, dead=0.0)
        found = pixels.find(frames, number, FRAME_RATE_HZ)
        z.append((found.netd_counts - true) / found.netd_sd_counts)
    assert 0.4 < np.sqrt(np.mean(np.square(z))) < 1.7
    assert np.sqrt(np.mean(found.spectrum[3:] ** 2)) == pytest.approx(true * np.sqrt(2 / FRAME_RATE_HZ), rel=0.03)


def test_flicker_is_seen_as_a_line_at_its_alias():
    frames, number, _ = still(6, 400, flicker_K=0.05, flicker_hz=103.0)
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    assert found.lines_hz == pytest.approx([3.0], abs=0.1)  # 103 - 4 x 25
    assert found.shared_counts == pytest.approx(5 / np.sqrt(2), rel=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_a_camera_without_a_filter_is_not_accused(seed):
    frames, number, _ = still(20 + seed, 250, netd_K=0.03 + 0.015 * seed, lost=0.02, drift_K_per_h=10.0)
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    assert found.filter_kind == "none" and found.copies == 1
    assert any("none found" in line for line in found.text(100.0, 7.0))


@pytest.mark.parametrize("weight", [0.1, 0.3, 0.7])
@pytest.mark.parametrize("netd", [0.03, 0.10])
def test_a_recursive_filter_is_found_from_a_weight_of_one_tenth(weight, netd):
    frames, number, _ = still(30, 300, netd_K=netd, filter_weight=weight, lost=0.01)
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    assert found.filter_kind == "recursive"
    assert found.filter_weight == pytest.approx(weight, abs=4 * found.filter_sd)
    assert found.filter_sd < 0.01


def test_what_the_filter_does_to_a_harmonic_is_what_it_does_to_a_sine():
    weight, hz = 0.4, 7.0
    frames, number, _ = still(31, 300, netd_K=0.06, filter_weight=weight)
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    n = np.arange(4000)
    for k in (1, 2):  # 14 Hz is above half the frame rate
        phase = 2 * np.pi * k * hz * n / FRAME_RATE_HZ
        y, last = np.empty(n.size), 0.0
        for i, x in enumerate(np.sin(phase)):
            last = weight * last + (1 - weight) * x
            y[i] = last
        design = np.column_stack([np.sin(phase), np.cos(phase)])[500:]
        a, b = np.linalg.lstsq(design, y[500:], rcond=None)[0]
        assert found.response(k * hz) == pytest.approx(complex(a, b), abs=0.01)
    assert any("at 14 Hz it leaves" in line for line in found.text(100.0, hz))


def test_a_moving_mean_is_told_from_a_recursive_filter():
    frames, number, _ = still(32, 302, netd_K=0.1, dead=0.0)
    mean = np.rint((frames[:-2].astype(float) + frames[1:-1] + frames[2:]) / 3).astype(np.uint16)
    found = pixels.find(mean, number[:-2], FRAME_RATE_HZ)
    assert (found.filter_kind, found.filter_frames) == ("moving mean", 3)
    assert abs(found.response(FRAME_RATE_HZ / 3)) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("copies", [2, 3])
def test_images_that_come_several_times_are_counted(copies):
    frames, number, _ = still(33, 150, netd_K=0.05)
    found = pixels.find(np.repeat(frames, copies, axis=0), np.arange(150 * copies), copies * 9.0)
    assert found.copies == copies and found.filter_kind == "none"
    assert any(f"each image comes {copies} times: the true rate is 9 " in line for line in found.text(100.0, 7.0))


def test_a_shutter_event_is_neither_noise_nor_filter():
    frames, number, _ = still(34, 400, netd_K=0.05, shutter_every_s=5.0, shutter_step_K=0.2, drift_K_per_h=5.0)
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    assert found.netd_counts == pytest.approx(5.0, rel=0.02) and found.filter_kind == "none"
    assert np.count_nonzero(found.bad) <= 15 and 0 < found.repeated < 0.15 and found.copies == 1


def test_few_frames_and_pictures_instead_of_counts_are_refused():
    frames, number, _ = still(35, 60)
    with pytest.raises(InputError, match="60 different frames, may be 100 or more; record 20 s"):
        pixels.find(frames, number, FRAME_RATE_HZ)
    quiet = np.full((200, 20, 20), 3000, np.uint16)
    quiet += (np.random.default_rng(0).random(quiet.shape) < 0.05).astype(np.uint16)
    with pytest.raises(InputError, match="may be 0.4 or more; record raw counts"):
        pixels.find(quiet, np.arange(200), FRAME_RATE_HZ)


def test_a_scene_that_is_not_still_is_refused():
    frames, number, _ = still(36, 200, netd_K=0.05)
    swing = 6 * np.sin(1.7 * np.arange(200))[:, None, None] * np.linspace(-1, 1, 80)  # 60 mK, as a loaded specimen
    with pytest.raises(InputError, match="record a still, even scene, with the machine stopped"):
        pixels.find(np.rint(frames + swing).astype(np.uint16), number, FRAME_RATE_HZ)


def test_raw_counts_pass():
    for seed, more in ((40, {}), (41, {"drift_K_per_h": 60.0}), (42, {"fixed_pattern_K": 0.0}), (43, {"netd_K": 0.02})):
        pixels.refuse_processed(still(seed, 40, **more)[0], "rec")


def test_clipped_counts_are_refused():
    frames, _, _ = still(44, 20)
    with pytest.raises(InputError, match=r"rec: .* clipped at the upper end \(29650\)"):
        pixels.refuse_processed(np.minimum(frames, 29_650), "rec")
    with pytest.raises(InputError, match=r"clipped at the lower end"):
        pixels.refuse_processed(np.maximum(frames, 29_400), "rec")
    with pytest.raises(InputError, match="switch the camera from picture to raw"):
        pixels.refuse_processed((frames // 256).astype(np.uint16), "rec")


@pytest.mark.parametrize("limit", [16_383, 65_535])
def test_a_plate_beyond_the_camera_s_range_is_refused(limit):
    with pytest.raises(InputError, match=rf"plate-40: all counts are {limit}, clipped .*; change the range"):
        pixels.refuse_processed(np.full((40, *BIG), limit, np.uint16), "plate-40")


def test_automatic_gain_is_noticed():
    frames, _, _ = still(45, 40)
    swing = 1 + 0.1 * np.sin(np.arange(40))
    stretched = np.rint(29_500 + (frames - 29_500.0) * swing[:, None, None]).astype(np.uint16)
    with pytest.raises(InputError, match="automatic gain is on; switch it off"):
        pixels.refuse_processed(stretched, "rec")


@pytest.mark.parametrize("weight", [0.0, 0.35])
def test_the_correlation_is_that_of_a_plain_double_loop(weight):
    rng = np.random.default_rng(46)
    noise = rng.standard_normal((60, 5))
    for i in range(1, 60):
        noise[i] += weight * noise[i - 1]
    number = np.delete(np.arange(62), [20, 21])
    fast, _ = pixels.autocorrelation(noise, number)
    plain = []
    for lag in range(2 * pixels.LAGS + 1):
        pairs = [(i, j) for i in range(60) for j in range(60) if number[j] - number[i] == lag and j - i == lag]
        plain.append(np.mean([noise[i] @ noise[j] / 5 for i, j in pairs]) / np.mean(noise**2))
    wander = np.mean(plain[pixels.LAGS + 1 :])
    assert fast == pytest.approx((np.array(plain[: pixels.LAGS + 1]) - wander) / (1 - wander), abs=1e-12)


def test_noise_that_frames_rows_and_columns_share_is_told_apart():
    parts = {"frame_noise_K": 0.012, "row_noise_K": 0.02, "column_noise_K": 0.03}
    for left_out in (None, *parts):
        camera = {k: v for k, v in parts.items() if k != left_out}
        frames, number, _ = still(7, 300, netd_K=0.05, **camera)
        found = pixels.find(frames, number, 25.0)
        told = {"frame_noise_K": found.shared_counts, "row_noise_K": found.row_counts, "column_noise_K": found.column_counts}
        for name, counts in told.items():
            assert counts == pytest.approx(100 * camera.get(name, 0.0), rel=0.15, abs=0.35), (left_out, name)
        total = np.hypot(5.0, np.hypot(found.row_counts, found.column_counts))  # what a pixel of the loop's residual has
        assert found.netd_counts == pytest.approx(total, rel=0.03)
        assert f"in it {found.row_counts:.2f} counts common to those of a row" in found.text(None, 7.0)[1]
