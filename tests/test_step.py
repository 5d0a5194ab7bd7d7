"""Step: lag, readout and delay from a plate that is uncovered, below the frame period. Frames are invented."""

import numpy as np
import pytest
import scipy.optimize
from cameras import step_frames

from calibration import step, sweep
from calibration.door import InputError
from calibration.far_field import Run
from calibration.profile import CameraProfile
from calibration.step_model import switch_edges
from edge.correct import correct

CAMERA = {"tau_s": 0.010, "readout_s": 0.012, "netd_K": 0.05}


def fitted(seed, camera, delay_s=0.031, switch=True, **how):
    frames, exposure_s = step_frames(np.random.default_rng(seed), camera, **{"shape": (40, 54), **how})
    moments = how.get("moments_s", (3.0,))
    return step.fit(frames, exposure_s + delay_s, np.ones(frames.shape[1:], bool), moments if switch else ())


CAMERAS = [
    ({"tau_s": 0.006, "readout_s": 0.030, "netd_K": 0.05}, 3.022),
    ({"tau_s": 0.008, "readout_s": 0.0, "netd_K": 0.03}, 3.035),
    ({"tau_s": 0.010, "readout_s": 0.016, "netd_K": 0.10}, 3.027),
    ({"tau_s": 0.015, "readout_s": 0.008, "netd_K": 0.10}, 3.013),
    ({"tau_s": 0.009, "readout_s": -0.020, "netd_K": 0.05}, 3.008),  # reads downwards
]


@pytest.mark.parametrize("camera, moment", CAMERAS, ids=lambda v: f"{v['tau_s']}" if isinstance(v, dict) else f"{v}")
def test_one_step_of_200_frames_gives_the_camera_s_constants(camera, moment):
    found = fitted(1, camera, moments_s=(moment,))
    assert found.tau_s == pytest.approx(camera["tau_s"], rel=0.04)
    assert found.readout_s == pytest.approx(camera["readout_s"], abs=0.5e-3)
    assert found.frame_delay_s == pytest.approx(0.031, abs=0.5e-3)
    assert abs(found.tau_s - camera["tau_s"]) < 4 * found.tau_sd_s
    assert abs(found.readout_s - camera["readout_s"]) < 4 * found.readout_sd_s
    assert abs(found.frame_delay_s - 0.031) < 4 * found.frame_delay_sd_s


def test_the_fit_agrees_with_scipy_on_the_rows_of_one_frame_and_the_next():
    """One step everywhere at once: what is left is a plain exponential of two variables, fitted here by curve_fit."""
    camera = {**CAMERA, "netd_K": 0.03}
    frames, t = step_frames(np.random.default_rng(4), camera, (3.005,))
    found = step.fit(frames, t, np.ones(frames.shape[1:], bool))
    assert found.frame_delay_s is None
    after, before = frames[84:130].mean(axis=0), frames[30:74].mean(axis=0)
    left = ((after - frames[74:79]) / (after - before)).mean(axis=2)
    row = np.arange(60) / 60

    def model(_, tau, readout, moment):
        return np.exp(-np.maximum(t[74:79, None] - moment - readout * row, 0) / tau).ravel()

    (tau, readout, moment), _ = scipy.optimize.curve_fit(model, None, left.ravel(), (0.012, 0.01, 3.0))
    assert found.tau_s == pytest.approx(tau, abs=1.5 * found.tau_sd_s)  # ours also asks for the cover's own way
    assert found.readout_s == pytest.approx(readout, abs=1.5 * found.readout_sd_s)
    assert found.steps[0].time_s == pytest.approx(moment, abs=1.5 * found.steps[0].time_sd_s)


@pytest.mark.parametrize("downwards", [False, True], ids=["read upwards", "read downwards"])
def test_step_sweep_and_correction_mean_the_same_by_readout(downwards):
    """One camera told as a machine: rows are exposed one after the other within 18 ms, the frame is stamped 40 ms after
    the first exposure. What its profile says of row r must be the same from a step and from sines, and must put the
    sines of all rows in step again."""
    rows, stamps = 24, np.arange(200) * 0.04
    exposed = 0.018 * (np.arange(rows) if downwards else np.arange(rows)[::-1]) / rows - 0.040  # from the stamp

    def lagged_step(t):  # first order, of a step from 320 K to 305 K at 3.013 s
        return 305 + 15 * np.exp(-np.maximum(t - 3.013, 0) / 0.009)

    def frames_of(scene):
        image = np.repeat(scene(stamps[:, None] + exposed)[:, :, None], 32, axis=2)
        return np.rint(100 * (image + 0.05 * np.random.default_rng(2).standard_normal(image.shape))).astype(np.uint16)

    by_step = step.fit(frames_of(lagged_step), stamps, np.ones((rows, 32), bool), [3.013])
    runs = []
    for f in (1.3, 2.9, 5.3, 8.1, 11.3):
        w = 2 * np.pi * f
        seen = frames_of(lambda t, w=w: 300 - (np.exp(1j * w * t) / (1 + 1j * w * 0.009)).imag)  # cools when pulled
        design = np.column_stack([np.sin(w * stamps), np.cos(w * stamps), np.ones(200)])
        a, b, _ = np.linalg.lstsq(design, seen.reshape(200, -1).astype(float), rcond=None)[0]
        h1 = (a + 1j * b).reshape(rows, 32)
        runs.append(Run(f"{f}", f, h1, np.full(h1.shape, 0.5), 8.4, 1e-4, 5e-6, 0.0, 1.0))
    by_sweep = sweep.fit(runs, np.ones((rows, 32), bool))
    sign = -1 if downwards else 1
    for found in (by_step, by_sweep):
        assert found.tau_s == pytest.approx(0.009, rel=0.02)
        assert found.readout_s == pytest.approx(sign * 0.018, abs=0.5e-3)
        assert found.frame_delay_s == pytest.approx(-exposed[0], abs=0.5e-3)
        profile = found.into(CameraProfile(tau_s=0.01))
        h1 = correct(runs[3].h1[None], runs[3].frequency_hz, profile, 100.0).maps[0].mean(axis=1)
        assert np.degrees(np.angle(-h1)) == pytest.approx(0, abs=3)  # 52 degrees apart before
        assert -h1.real == pytest.approx(1.0, abs=0.02)


def test_a_cover_that_takes_its_time_across_the_image_does_no_harm():
    found = fitted(2, CAMERA, moments_s=(3.011,), crossings_s=(-0.05,))
    assert found.tau_s == pytest.approx(0.010, rel=0.01)
    assert found.steps[0].crossing_s == pytest.approx(-0.05, abs=1e-3)
    assert found.readout_sd_s > 1e-3  # the edge may have been out of square: one step cannot tell, and says so
    assert abs(found.readout_s - 0.012) < 3 * found.readout_sd_s


def test_a_cover_too_slow_for_the_levels_is_refused():
    assert fitted(2, CAMERA, moments_s=(3.011,), crossings_s=(0.2,)).tau_s == pytest.approx(0.010, rel=0.01)
    with pytest.raises(InputError, match=r"the cover took 40.* ms to cross the image, may be up to 250 ms; draw it in one go, faster"):
        fitted(2, CAMERA, moments_s=(3.011,), crossings_s=(0.4,))


def test_opposite_steps_tell_an_edge_out_of_square_from_the_readout():
    how = {"moments_s": (3.004, 6.031), "crossings_s": (0.03, -0.04), "frames": 240, "tilt": 0.06}
    found = fitted(3, CAMERA, **how)
    assert len(found.steps) == 2 and found.steps[0].size > 0 > found.steps[1].size
    assert found.readout_s == pytest.approx(0.012, abs=0.2e-3) and found.readout_sd_s < 0.2e-3
    assert found.frame_delay_s == pytest.approx(0.031, abs=0.5e-3)
    one = fitted(3, CAMERA, moments_s=(3.004,), crossings_s=(0.03,), tilt=0.06)
    assert abs(one.readout_s - 0.012) > 1e-3 and one.readout_sd_s > 0.5e-3  # which a single one takes for readout


def test_an_edge_out_of_focus_is_seen_and_allowed_for():
    found = fitted(5, CAMERA, moments_s=(3.0,), crossings_s=(0.06,), soft_s=0.010)
    assert found.softness_s == pytest.approx(0.010, abs=1.5e-3)
    assert found.tau_s == pytest.approx(0.010, rel=0.04)
    assert any("bring it into focus" in line for line in found.text())
    assert fitted(5, CAMERA, crossings_s=(0.06,)).softness_s is None


@pytest.mark.parametrize("counts_per_s", [-5.0, -20.0, 20.0])
def test_a_plate_that_cools_or_warms_meanwhile_does_no_harm(counts_per_s):
    rng = np.random.default_rng(9)
    frames, t = step_frames(rng, {**CAMERA, "netd_K": 0.03}, (3.007,))
    drift = counts_per_s * np.maximum(t - 3.007, 0)[:, None, None]  # of a step of 1500 counts, 15 K
    drifting = np.rint(
        frames + rng.uniform(-0.5, 0.5, frames.shape) + drift
    )  # as a signal is that was not rounded before
    found = step.fit(drifting.astype(np.uint16), t, np.ones(frames.shape[1:], bool))
    assert abs(found.tau_s - 0.010) < 3 * found.tau_sd_s < 3 * 1e-4
    assert abs(found.readout_s - 0.012) < 3 * found.readout_sd_s


def test_images_that_jump_as_a_whole_are_allowed_for():
    """A fiftieth of a kelvin in all pixels of a frame would shift tau by several of the deviations of plain noise."""
    scores = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        frames, t = step_frames(rng, CAMERA, (3.014 + 0.001 * seed,))
        frames = np.rint(frames + 2.0 * rng.standard_normal((len(frames), 1, 1))).astype(np.uint16)
        found = step.fit(frames, t, np.ones(frames.shape[1:], bool))
        assert found.tau_sd_s < 0.02 * found.tau_s
        scores.append(
            [(found.tau_s - 0.010) / found.tau_sd_s, (found.readout_s - 0.012) / found.readout_sd_s, found.chi2 / found.dof]
        )
    tau, readout, chi2 = np.array(scores).T
    assert np.sqrt(np.mean(tau**2)) < 1.7 and np.sqrt(np.mean(readout**2)) < 1.7
    assert np.mean(chi2) == pytest.approx(1.0, abs=0.1)


def test_the_delay_of_several_strokes_is_their_mean_and_what_they_share_stays():
    strokes = tuple(step.One(0, at, 2e-4, 0.0, 100.0) for at in (3.030, 6.034, 9.032))
    alone, shared = 4e-8 * np.eye(3), np.full((3, 3), 4e-8)
    edges = np.array([3.0, 6.0, 9.0])
    assert step._delay(strokes, alone, edges, 0.0, 0.0) == pytest.approx((0.032, 2e-4 / np.sqrt(3)))
    assert step._delay(strokes, shared, edges, 3e-4, 1e-4) == pytest.approx((0.032, np.sqrt(4e-8 + 9e-8 / 3 + 1e-8)))
    assert step._delay(strokes[:1], alone, edges[:2], 1e-3, 0.0) == pytest.approx((0.030, np.hypot(2e-4, 1e-3)))


def test_a_detector_that_is_not_of_first_order_is_noticed():
    found = fitted(6, CAMERA, moments_s=(3.01,), crossings_s=(0.05,), tau2_s=0.004)
    assert any("fits badly" in line for line in found.text())


def test_a_filter_in_the_camera_that_no_lag_can_stand_for_is_refused():
    """Of a weight of 0.1: tau comes out half as large again, with a deviation of a thousandth."""
    frames, t = step_frames(np.random.default_rng(1), CAMERA, (3.011, 6.027), (0.03, -0.02), 240, shape=(40, 54))
    seen = frames.astype(float)
    for i in range(1, len(seen)):
        seen[i] = 0.1 * seen[i - 1] + 0.9 * seen[i]
    with pytest.raises(InputError, match=r"tau is .* by region of the image, may be alike to 2 %; switch filters"):
        step.fit(np.rint(seen).astype(np.uint16), t, np.ones(frames.shape[1:], bool))


def test_regions_of_the_image_have_their_own_lag():
    found = fitted(7, CAMERA, moments_s=(3.006,))
    assert np.isfinite(found.regions_tau_s).all()
    z = (found.regions_tau_s - 0.010) / found.regions_sd_s
    assert np.abs(z).max() < 4


def test_the_step_goes_into_a_profile_and_keeps_a_delay_it_did_not_measure():
    before = CameraProfile(tau_s=0.009, frame_delay_s=0.05, frame_delay_sd_s=0.001, missing=("readout_s",))
    after = fitted(1, CAMERA, switch=False).into(before)
    assert after.frame_delay_s == 0.05 and after.tau_s != 0.009 and after.missing == ()
    assert fitted(1, CAMERA).into(before).frame_delay_s == pytest.approx(0.031, abs=0.5e-3)


def test_a_delay_kept_without_deviation_stays_without_one():
    before = CameraProfile(tau_s=0.009, frame_delay_s=0.05, missing=("readout_s", "frame_delay_sd_s"))
    assert fitted(1, CAMERA, switch=False).into(before).missing == ("frame_delay_sd_s",)
    assert fitted(1, CAMERA).into(before).missing == ()


def test_a_delay_that_is_badly_seen_is_left_out_and_said():
    frames, exposure_s = step_frames(np.random.default_rng(1), CAMERA, (3.013,), shape=(40, 54))
    for edge_sd_s, told in ((1e-4, True), (1e-3, False)):  # a switch sampled every few milliseconds
        found = step.fit(frames, exposure_s + 0.031, np.ones(frames.shape[1:], bool), [3.013], edge_sd_s)
        assert (found.frame_delay_s is not None) == told
        assert any("left out, as known to 1.0" in line for line in found.text()) == (not told)


def no_step():
    return step_frames(np.random.default_rng(8), CAMERA, (99.0,))


REFUSED = {
    "no step": (no_step, "no step of more than"),
    "too early": (lambda: step_frames(np.random.default_rng(8), CAMERA, (0.1,)), "no step of more than"),
    "too late": (lambda: step_frames(np.random.default_rng(8), CAMERA, (7.7,)), "quiet frames"),
    "too weak": (
        lambda: step_frames(
            np.random.default_rng(8), {"tau_s": 0.006, "readout_s": 0.0, "netd_K": 0.1}, (3.021,), size_K=5.0
        ),
        "2 % or better",
    ),
    "too slow": (lambda: step_frames(np.random.default_rng(8), {**CAMERA, "tau_s": 0.15}, (3.0,)), "moved slowly"),
}


@pytest.mark.parametrize("make, expected", REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_be_told_is_refused_with_a_remedy(make, expected):
    frames, t = make()
    with pytest.raises(InputError) as caught:
        step.fit(frames, t, np.ones(frames.shape[1:], bool))
    assert expected in str(caught.value) and ";" in str(caught.value) and "\n" not in str(caught.value)


def test_the_edges_of_a_switch_are_found_and_a_load_is_not_taken_for_one():
    t = np.arange(0, 8, 0.001)
    switch = np.where((t > 3.0042) & (t < 6.1), 5.0, 0.0) + 0.02 * np.random.default_rng(0).standard_normal(t.size)
    assert switch_edges(t, switch) == pytest.approx([3.0045, 6.0995], abs=1e-6)
    for signal in (np.sin(40 * t), np.zeros_like(t), 0.01 * np.random.default_rng(0).standard_normal(t.size)):
        assert switch_edges(t, signal).size == 0
