"""The accuracy table's machinery in little: a few renders within the limits, and a table that shows what is over them.

The table itself is `python tests/accuracy`, its results hw_notes/accuracy.md.
"""

import dataclasses

import numpy as np
import pytest
from accuracy import conditions, measure, table
from more import chosen

BY_NAME = {c.name: c for c in conditions.everything()}
PX, DK_SHARE, NOISE = 0.3, 0.03, 1.05  # of a single render; 2.5 times the table's rms limits
RESULT = {
    "condition": "none", "group": "timing", "tip": True, "settled": True, "cycles_off": 0.2, "lost_off": 0,
    "copies_off": 0, "frequency_off": 0.0, "words": [], "contact_true_mm": 2.0, "contact": True, "tips_in_rows": 6,
}  # fmt: skip


@pytest.mark.parametrize("name, index", chosen([("none", 0), ("8.7 frames/s, load 5 Hz", 1)], 1))
def test_a_render_of_each_base_scene_comes_out_near_the_truth(name, index):
    seen = measure.compare(BY_NAME[name], index)
    assert seen["settled"] and seen["tip"] and seen["contact"]
    assert max(abs(seen["row_px"]), abs(seen["col_px"])) < PX
    assert abs(seen["dK_off"]) < DK_SHARE
    assert abs(seen["contact_off_mm"]) < 4 * seen["contact_sd_mm"]
    assert 0.95 < seen["map1"] < NOISE and 0.95 < seen["map2"] < NOISE
    assert abs(seen["cycles_off"]) < 1.5 and seen["lost_off"] == 0 and seen["copies_off"] == 0


@pytest.mark.parametrize("index", chosen([0, 2]))
def test_a_restless_camera_s_open_crack_comes_out_near_the_truth_and_without_contact(index):
    seen = measure.compare(BY_NAME["open crack, rows, columns and frames restless"], index)
    assert seen["tip"] and not seen["contact"]
    assert max(abs(seen["row_px"]), abs(seen["col_px"])) < PX and abs(seen["dK_off"]) < DK_SHARE
    assert abs(seen["z_T"]) < 4 and seen["T_sd"] < 0.15


def test_a_wrong_response_of_the_camera_shows_in_the_figures(monkeypatch):
    """The same render with a detector twice as slow as the profile says: gain at 7 Hz 0.75 instead of 0.92."""
    honest = measure.rig_of

    def slower(condition, setting, made, folder):
        camera = dataclasses.replace(made.camera, tau_s=made.camera.tau_s / 2)
        return honest(condition, setting, dataclasses.replace(made, camera=camera), folder)

    monkeypatch.setattr(measure, "rig_of", slower)
    seen = measure.compare(dataclasses.replace(BY_NAME["none"], camera={"tau_s": 0.020}), 1)
    gain = abs(1 + 2j * np.pi * 7 * 0.010) / abs(1 + 2j * np.pi * 7 * 0.020)
    assert seen["dK_off"] == pytest.approx(gain - 1, abs=DK_SHARE)
    assert seen["map1"] > 2 * NOISE


def test_renders_are_the_same_on_every_call_and_differ_among_each_other():
    condition = dataclasses.replace(BY_NAME["5 % of frames lost"], frames=40)
    (_, first, a), (_, _, b), (_, other, c) = (measure.make(condition, i) for i in (1, 1, 3))
    assert np.array_equal(a.frames, b.frames) and np.array_equal(a.number, b.number)
    assert first.plate.tip_px != other.plate.tip_px and not np.array_equal(a.frames[0], c.frames[0])


def test_conditions_have_names_of_their_own_and_are_as_many_as_the_readme_says():
    names = [c.name for c in conditions.everything()]
    assert len(set(names)) == len(names)
    assert sum(c.group in table.GROUPS for c in conditions.everything()) == 75
    assert {c.group for c in conditions.everything()} == {*table.GROUPS, "open", "uncracked", "faint", "collision"}


@pytest.mark.parametrize("key, within, over", [
    ("col_px", 0.11, 0.13), ("row_px", -0.11, -0.13), ("dK_off", 0.006, 0.016), ("T_off", 0.04, -0.06),
    ("map1", 1.04, 1.06), ("map2", 1.04, 1.06),
])  # fmt: skip
def test_the_table_marks_what_is_over_its_limit(key, within, over):
    condition = BY_NAME["none"]
    assert "**" not in table.line(condition, [{**RESULT, key: within}] * 4)
    assert "**" in table.line(condition, [{**RESULT, key: over}] * 4)


def test_the_table_marks_missed_contact_lost_settings_and_absent_flags():
    condition = dataclasses.replace(BY_NAME["none"], words=("paused",))
    line = table.line(condition, [RESULT, {**RESULT, "contact": False, "cycles_off": 3.0, "settled": False}])
    assert "**1**/2" in line and "cycles miscounted: 1" in line and "not settled at the end: 1" in line
    assert "flag paused absent: 2" in line


def test_a_bias_of_few_renders_is_marked_only_where_noise_cannot_explain_it():
    wide, narrow = np.array([-0.01, 0.03, -0.01, 0.03]), np.array([0.009, 0.011, 0.01, 0.01])
    assert table.sure_bias(wide) == 0 and table.sure_bias(narrow) > table.DK_BIAS


def test_coverage_counts_intervals_that_hold_the_truth():
    z = np.array([0.0, 1.9, -1.9, 2.0, -3.0, 0.5, 0.5, 0.5, 0.5, 0.5])
    shown = table.coverage([{**RESULT, "z_dK": float(v), "z_T": 0.1} for v in z])
    assert "| ΔK | (10) **80.0** %" in shown and "| T | (10) **100.0** %" in shown
