"""The camera profile: its file, its response and what it admits not to know."""

import cmath
import dataclasses
import datetime
import math
import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration import profile as module
from calibration.door import InputError
from calibration.profile import (
    CameraProfile,
    ResponseRow,
    bad_pixel_mask,
    covers,
    direction,
    load_profile,
    response,
    response_sd,
    save_profile,
    warnings,
)

TODAY = datetime.date(2031, 6, 1)

# Gain and lag of a first-order lag, R = 1/sqrt(1 + (w tau)^2), lag = atan(w tau): by hand from the textbook form.
FIRST_ORDER = [  # tau in s, frequency in Hz, gain, lag in degrees
    (0.010, 1.0, 0.998, 4),
    (0.010, 5.0, 0.954, 17),
    (0.010, 10.0, 0.847, 32),
    (0.010, 20.0, 0.623, 51),
    (0.008, 20.0, 0.705, 45),
    (0.012, 20.0, 0.553, 56),
]


@pytest.mark.parametrize("tau_s, hz, gain, lag_deg", FIRST_ORDER)
def test_gain_and_lag_are_those_of_a_first_order_detector(tau_s, hz, gain, lag_deg):
    r = response(CameraProfile(tau_s=tau_s), hz)
    assert abs(r) == pytest.approx(gain, abs=6e-4)
    assert -math.degrees(cmath.phase(r)) == pytest.approx(lag_deg, abs=0.51)


def test_a_readout_that_may_be_chance_has_no_direction():
    assert "read upwards" in direction(0.02, 1e-4) and "read downwards" in direction(-3e-4, 1e-4)
    assert all("alike within two deviations" in direction(s, 1e-4) for s in (0.0, -5e-6, 1.5e-4))


def test_the_sign_is_that_of_a_detector_followed_in_time():
    """tau dy/dt + y = sin(w t), integrated step by step; then y is fitted by least squares to A sin(wt) + B cos(wt)."""
    tau, hz, dt = 0.011, 6.0, 1e-5
    t = np.arange(0, 1.0, dt)
    y, out = 0.0, np.empty(t.size)
    for i, ti in enumerate(t):
        out[i] = y
        y += dt / tau * (math.sin(2 * math.pi * hz * (ti + dt / 2)) - y)
    late = t > 0.5
    design = np.column_stack([np.sin(2 * np.pi * hz * t[late]), np.cos(2 * np.pi * hz * t[late])])
    a, b = np.linalg.lstsq(design, out[late], rcond=None)[0]
    assert complex(a, b) == pytest.approx(
        response(CameraProfile(tau_s=tau), hz), abs=1e-3
    )  # A sin(wt + theta): A e^(i theta)


@pytest.mark.parametrize("hz", [0.5, 5.0, 14.0, 25.0])
def test_the_deviation_of_the_response_is_that_of_drawn_time_constants(hz):
    p = CameraProfile(tau_s=0.010, tau_sd_s=0.0004)
    drawn = 1 / (1 + 2j * np.pi * hz * np.random.default_rng(5).normal(p.tau_s, p.tau_sd_s, 200_000))
    gain_sd, phase_sd = response_sd(p, hz)
    assert gain_sd == pytest.approx(np.std(np.log(np.abs(drawn))), rel=0.02)
    assert phase_sd == pytest.approx(np.std(np.angle(drawn)), rel=0.02)


def two_lags(hz: float) -> complex:
    """A detector that is not first order: two lags of 9 and 3 ms in a row."""
    return 1 / ((1 + 2j * math.pi * hz * 0.009) * (1 + 2j * math.pi * hz * 0.003))


def measured(hz: list[float], delay_s: float = 0.0) -> CameraProfile:
    values = [two_lags(f) * cmath.exp(-2j * math.pi * f * delay_s) for f in hz]
    rows = (ResponseRow(f, abs(v), math.degrees(cmath.phase(v)), 0.01, 1.0) for f, v in zip(hz, values))
    return CameraProfile(tau_s=0.010, response=tuple(rows))


def test_a_measured_table_replaces_the_first_order_model():
    p = measured([1.0, 3.0, 6.0, 10.0, 15.0, 21.0])
    for row in p.response:
        at = cmath.rect(row.gain, math.radians(row.phase_deg))
        assert response(p, row.frequency_hz) == pytest.approx(at, abs=1e-12)
    for hz in (2.0, 7.3, 13.0, 18.0):
        assert response(p, hz) == pytest.approx(two_lags(hz), abs=2e-3)
        assert abs(response(CameraProfile(tau_s=0.010), hz) - two_lags(hz)) > 2e-2  # the table matters


def test_a_phase_that_passes_180_degrees_is_unwrapped():
    p = measured([1.0, 3.0, 6.0, 10.0, 15.0, 21.0], delay_s=0.015)
    assert p.response[-1].phase_deg > 0 > p.response[-2].phase_deg  # written in one turn, it jumps
    for hz in (12.0, 16.0, 18.0, 20.0):
        assert response(p, hz) == pytest.approx(two_lags(hz) * cmath.exp(-2j * math.pi * hz * 0.015), abs=3e-3)


def test_the_deviation_of_a_table_is_its_own():
    gain_sd, phase_sd = response_sd(measured([2.0, 10.0]), 10.0)
    assert gain_sd == pytest.approx(0.01 / abs(two_lags(10.0)))
    assert phase_sd == pytest.approx(math.radians(1.0))


@pytest.mark.parametrize("hz, inside", [(1.7, False), (1.85, True), (5.0, True), (10.9, True), (11.1, False)])
def test_a_table_is_trusted_only_a_tenth_beyond_its_ends(hz, inside):
    assert covers(measured([2.0, 10.0]), hz) is inside
    assert covers(CameraProfile(tau_s=0.010), hz)


FULL = CameraProfile(
    tau_s=0.0103,
    tau_sd_s=0.0002,
    readout_s=0.012,
    readout_sd_s=0.0004,
    frame_delay_s=0.031,
    frame_delay_sd_s=0.0003,
    counts_per_K=99.5,
    netd_K=0.048,
    response=(ResponseRow(1.0, 0.99, -4.0, 0.001, 0.1), ResponseRow(9.0, 0.86, -31.0, 0.002, 0.2)),
    rows=120,
    columns=160,
    lens='9 mm "wide" \\ f/1',
    made_on=datetime.date(2031, 5, 4),
    made_from=("rec-1Hz", "rec-9Hz"),
)


def test_a_profile_is_read_back_as_it_was_saved(tmp_path):
    save_profile(tmp_path / "camera.toml", FULL)
    assert load_profile(tmp_path / "camera.toml") == FULL
    assert [f.name for f in tmp_path.iterdir()] == ["camera.toml"]


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 1), st.floats(1e-3, 1e5), st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1))
def test_any_numbers_and_names_survive_the_file(tmp_path_factory, tau_s, counts, lens):
    path = tmp_path_factory.mktemp("profile") / "camera.toml"
    saved = CameraProfile(tau_s=tau_s, counts_per_K=counts, lens=lens)
    save_profile(path, saved)
    assert load_profile(path) == saved


def test_only_tau_is_required_and_what_is_assumed_is_named(tmp_path):
    (tmp_path / "camera.toml").write_text("tau_s = 0.010\n")
    p = load_profile(tmp_path / "camera.toml")
    assert (p.readout_s, p.tau_sd_s, p.frame_delay_s) == (0.0, 0.0, None)
    assert set(p.missing) == {"readout_s", "readout_sd_s", "tau_sd_s"}
    save_profile(tmp_path / "again.toml", p)
    assert load_profile(tmp_path / "again.toml").missing == p.missing  # saving does not turn assumptions into values


def test_an_earlier_profile_is_kept_beside_the_new_one(tmp_path):
    path = tmp_path / "camera.toml"
    for tau_s in (0.008, 0.009, 0.010):
        save_profile(path, CameraProfile(tau_s=tau_s))
    kept = {f.name: load_profile(f).tau_s for f in tmp_path.iterdir()}
    assert kept == {"camera.toml": 0.010, "camera.earlier-1.toml": 0.008, "camera.earlier-2.toml": 0.009}


def test_a_save_that_fails_leaves_the_profile_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "camera.toml"
    save_profile(path, FULL)

    def full_card(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module.os, "fsync", full_card)
    with pytest.raises(InputError, match="No space left on device"):
        save_profile(path, CameraProfile(tau_s=0.009))
    monkeypatch.undo()
    assert load_profile(path) == FULL and os.listdir(tmp_path) == ["camera.toml"]
    with pytest.raises(InputError, match="cannot be written"):
        save_profile(tmp_path / "nowhere" / "camera.toml", FULL)


@pytest.mark.parametrize("wrong", [{"netd_K": 500.0}, {"counts_per_K": math.nan}, {"lens": "a\nb"}, {"lens": "\udce9"}], ids=repr)
def test_a_profile_that_could_not_be_read_again_is_not_written(tmp_path, wrong):
    path = tmp_path / "camera.toml"
    save_profile(path, FULL)
    with pytest.raises(InputError, match="camera.toml: stays as it is") as caught:
        save_profile(path, dataclasses.replace(FULL, **wrong))
    assert "\n" not in str(caught.value)
    assert load_profile(path) == FULL and os.listdir(tmp_path) == ["camera.toml"]


def test_one_row_without_deviations_leaves_the_others_theirs(tmp_path):
    rows = "".join(ROW.format(hz, 0.9) + "gain_sd = 0.002\nphase_sd_deg = 0.1\n" for hz in (1, 5))
    (tmp_path / "camera.toml").write_text("tau_s = 0.01\n" + rows + ROW.format(7, 0.9))
    p = load_profile(tmp_path / "camera.toml")
    save_profile(tmp_path / "again.toml", p)
    assert load_profile(tmp_path / "again.toml") == p and p.missing[-2:] == ("gain_sd", "phase_sd_deg")
    assert response_sd(p, 3.0)[0] == pytest.approx(0.002 / 0.9)


ROW = "[[response]]\nfrequency_hz = {}\ngain = {}\nphase_deg = -4\n"
WRONG = {
    "": r"tau_s: is missing, may be a number from 0 to 1 s",
    "tau_s = 10": r"tau_s: is 10, may be a number from 0 to 1 s; microbolometers have 0.006 to 0.015 s",
    "tau_s = 0.01\nreadout_ms = 12": r'readout_ms: unknown key; nearest is "readout_s"',
    "tau_s = 0.01\nmissing = []": r"missing: unknown key",
    "tau_s = 0.01\ncounts_per_K = 0": r"counts_per_K: is 0, may be a number above 0 to 100000 counts per kelvin",
    "tau_s = 0.01\nmade_on = '4 May 2031'": r'made_on: is "4 May 2031", may be a date as 2031-12-24',
    "tau_s = 0.01\nbad_pixels = 'bad.png'": r"bad_pixels: no such file .*bad.png; put the PNG beside the profile",
    "tau_s = 0.01\n" + ROW.format(5, 0.9): r"response: is one row, may be at least two",
    "tau_s = 0.01\n" + ROW.format(5, 0.9) + ROW.format(2, 0.9): r"response: frequencies are .*rising order",
    "tau_s = 0.01\n" + ROW.format(5, 0.9) + ROW.format(7, "-1"): r"response\[1\] gain: is -1, may be a number above 0",
    "tau_s = 0.01\nresponse = 3": r"response: is 3, may be an array",
}


@pytest.mark.parametrize("text, expected", WRONG.items())
def test_a_wrong_profile_gets_its_one_line(tmp_path, text, expected):
    (tmp_path / "camera.toml").write_text(text)
    with pytest.raises(InputError, match=expected) as caught:
        load_profile(tmp_path / "camera.toml")
    assert "\n" not in str(caught.value)


def test_a_date_may_stand_in_quotes(tmp_path):
    (tmp_path / "camera.toml").write_text('tau_s = 0.01\nmade_on = "2031-05-04"\n')
    assert load_profile(tmp_path / "camera.toml").made_on == datetime.date(2031, 5, 4)


def test_bad_pixels_come_from_the_png_beside_the_profile(tmp_path):
    import cv2

    image = np.zeros((120, 160), np.uint8)
    image[7, 9] = 255
    cv2.imwrite(str(tmp_path / "bad.png"), image)
    (tmp_path / "camera.toml").write_text('tau_s = 0.01\nbad_pixels = "bad.png"\n')
    p = load_profile(tmp_path / "camera.toml")
    assert np.argwhere(bad_pixel_mask(p)).tolist() == [[7, 9]]
    save_profile(tmp_path / "again.toml", p)
    assert load_profile(tmp_path / "again.toml").bad_pixels == tmp_path / "bad.png"
    (tmp_path / "bad.png").write_bytes(b"no picture")
    with pytest.raises(InputError, match="not a readable image"):
        bad_pixel_mask(p)


def test_a_fitting_profile_raises_no_warning():
    assert warnings(FULL, 120, 160, FULL.lens, TODAY) == []
    assert warnings(FULL, 120, 160, None, TODAY) == []


@pytest.mark.parametrize(
    "made_on, rows, columns, lens, expected",
    [
        (datetime.date(2030, 5, 31), 120, 160, None, "366 days old"),
        (datetime.date(2031, 6, 2), 120, 160, None, "in the future"),
        (None, 120, 160, None, "no date"),
        (TODAY, 160, 160, None, "120 rows, this camera has 160"),
        (TODAY, 120, 120, None, "160 columns, this camera has 120"),
        (TODAY, 120, 160, "4 mm", 'the rig has "4 mm"'),
    ],
)
def test_an_old_or_foreign_profile_is_warned_of(made_on, rows, columns, lens, expected):
    found = warnings(dataclasses.replace(FULL, made_on=made_on), rows, columns, lens, TODAY)
    assert len(found) == 1 and expected in found[0]


def test_bad_pixels_of_another_image_size_are_warned_of(tmp_path):
    import cv2

    cv2.imwrite(str(tmp_path / "bad.png"), np.zeros((60, 80), np.uint8))
    found = warnings(dataclasses.replace(FULL, bad_pixels=tmp_path / "bad.png"), 120, 160, None, TODAY)
    assert len(found) == 1 and "is of 60 x 80 pixels, this camera has 120 x 160: it is not used" in found[0]


def test_a_lag_written_as_a_lead_is_warned_of():
    rows = (ResponseRow(1.0, 0.99, 4.0), ResponseRow(9.0, 0.86, 31.0))
    found = warnings(CameraProfile(tau_s=0.01, response=rows, made_on=TODAY), 120, 160, None, TODAY)
    assert len(found) == 1 and "a lag is written negative" in found[0]
