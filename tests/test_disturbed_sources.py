"""Sources that are not what the rig file says, or not what they were: the whole loop on recordings made here."""

import numpy as np
import plates
import pytest

from edge.bench_field import Ahead, Contact
from edge.region import bad_pixels

PLATE = plates.centre_crack(shape=(60, 80), tip_px=(29.3, 45.6), half_mm=8.0)
HALF_A_MINUTE = {"frames": 750, "width_mm": 100.0, "wave": {"sample_rate_hz": 200.0}}


def write_load(made, load_kN):
    table = np.column_stack([made.load_time_s, load_kN])
    np.savetxt(made.rig.parent / "load.csv", table, "%.6f", ",", header="time_s,load_kN", comments="")


def write_frames(made, kept, arrival_s):
    np.save(made.rig.parent / "frames.npy", made.frames[kept])
    table = np.column_stack([np.arange(kept.size), arrival_s])
    np.savetxt(made.rig.parent / "frames.csv", table, ["%d", "%.6f"], ",", header="frame,time_s", comments="")


def assert_K(row):
    assert row.dKI_MPa_sqrt_m == pytest.approx(PLATE.KI_MPa_sqrt_m, abs=3.5 * row.dKI_sd)


def test_samples_spoilt_by_a_loose_wire_are_told_and_make_no_event(run_recording):
    def disturb(made):
        load_kN = made.load_kN.copy()
        load_kN[333::400] = 0.0  # every other second
        write_load(made, load_kN)

    run = run_recording(PLATE, before=disturb, **HALF_A_MINUTE)
    assert all("load_spikes" in r.flags for r in run.rows)
    assert not {"overload", "underload", "load_uneven", "load_step"} & {f for r in run.rows for f in r.flags}
    assert run.rows[-1].cycles == pytest.approx(7 * run.rows[-1].elapsed_s, abs=1.5)
    assert run.rows[-1].frames > 740
    assert_K(run.rows[-1])


@pytest.mark.parametrize("said_hz", [9.0, 20.0, 30.0])
def test_a_frame_rate_that_is_not_the_rig_files_is_told_and_harms_nothing(run_recording, said_hz):
    row = run_recording(PLATE, rig={"camera": {"frame_rate_hz": said_hz}}, **HALF_A_MINUTE).rows[-1]
    assert "other_rate" in row.flags and row.lost < 10
    assert row.frames == pytest.approx(750, abs=10)
    assert_K(row)


def test_after_a_change_of_the_frame_rate_the_estimate_is_begun_anew(run_recording):
    def slow_down(made):  # from 25 to 16.7 frames/s
        kept = np.concatenate([np.arange(0, 600, 2), np.arange(600, 1500, 3)])
        write_frames(made, kept, made.arrival_s[kept])

    settings = {**HALF_A_MINUTE, "frames": 1500, "camera": {"lost": 0.0, "frame_rate_hz": 50.0}}
    run = run_recording(PLATE, before=slow_down, rig={"camera": {"frame_rate_hz": 25.0}}, **settings)
    first, last = run.rows[0], run.rows[-1]
    assert "other_rate" not in first.flags and {"other_rate", "settling"} <= set(last.flags)
    assert last.frames < 300
    assert_K(first)
    assert_K(last)


def test_frames_in_heaps_are_left_out_and_told(run_recording):
    def heap(made):
        write_frames(made, np.arange(len(made.arrival_s)), np.ceil(made.arrival_s / 0.4) * 0.4)

    rows = run_recording(PLATE, before=heap, **HALF_A_MINUTE).rows
    assert all("untimed" in r.flags and r.dKI_MPa_sqrt_m is None for r in rows)


def test_a_view_more_than_half_of_which_never_changes_has_the_noise_of_the_rest():
    noise, mean = np.zeros((40, 60)), np.full((40, 60), 3000.0)
    noise[24:] = 5 + 0.1 * np.random.default_rng(1).standard_normal((16, 60))
    noise[30, 30] = 50.0
    expected = np.ones((40, 60), bool)
    expected[24:] = False
    expected[30, 30] = True
    assert np.array_equal(bad_pixels(mean, noise), expected)


@pytest.mark.parametrize("times", [2, 3])
def test_a_camera_that_sends_every_image_several_times_is_measured_by(run_recording, times):
    def repeat(made):
        made.frames[:] = made.frames[np.arange(750) // times * times]
        write_frames(made, np.arange(made.frames.shape[0]), made.arrival_s)

    rows = run_recording(PLATE, before=repeat, camera={"lost": 0.0, "readout_s": 0.0}, **HALF_A_MINUTE).rows
    assert rows[-1].frames == pytest.approx(750 / times, abs=10) and "repeated" in rows[-1].flags
    assert "frozen" not in rows[-1].flags
    assert_K(rows[-1])


def test_a_damaged_time_of_a_load_sample_costs_that_sample_only(run_recording):
    def damage(made):
        made.load_time_s[2000] = 3000.0
        write_load(made, made.load_kN)

    rows = run_recording(PLATE, before=damage, **HALF_A_MINUTE).rows
    assert rows[-1].frames > 740 and rows[-1].cycles == pytest.approx(7 * rows[-1].elapsed_s, abs=1.5)
    assert_K(rows[-1])


def test_edges_of_an_image_without_fixed_pattern_are_no_stuck_pixels():
    noise, mean = np.full((60, 80), 5.0), np.full((60, 80), 3000.0)
    mean[:, 40] += 6.0  # a faint line
    mean[20, 20] += 400.0
    found = bad_pixels(mean, noise)
    assert found[20, 20] and np.count_nonzero(found) == 1


@pytest.mark.parametrize("netd_K, told", [(0.030, True), (0.045, False)])
def test_a_camera_that_is_noisier_than_it_was_is_told(run_recording, netd_K, told):
    rows = run_recording(PLATE, profile={"netd_K": netd_K}, **HALF_A_MINUTE).rows  # the recording has 50 mK
    assert all(("noisy" in r.flags) == told for r in rows)


def test_a_slow_reflection_on_the_tip_is_told_and_takes_neither_tip_nor_contact(run_recording):
    def shine(made):
        rows, columns = np.indices(made.frames.shape[1:])
        spot = np.exp(-(np.hypot(rows - PLATE.tip_px[0], columns - PLATE.tip_px[1] + 8) ** 2) / (2 * 14.0**2))
        t = made.exposure_s / made.exposure_s[-1]
        slow_K = 0.2 * np.sin(2 * np.pi * 1.7 * t) + 0.1 * np.sin(2 * np.pi * 4.1 * t + 1)
        counts = made.frames + slow_K[:, None, None] * spot * made.camera.counts_per_K
        made.frames[:] = np.where(made.dead, made.frames, np.clip(np.rint(counts), 0, 65535))
        write_frames(made, np.arange(len(made.frames)), made.arrival_s)

    settings = {**HALF_A_MINUTE, "frames": 1500, "contact": Contact(), "ahead": Ahead(), "camera": {"lost": 0.0}}
    row = run_recording(PLATE, before=shine, **settings).rows[-1]
    assert "noisy" in row.flags
    assert np.hypot(row.tip_row_px - PLATE.tip_px[0], row.tip_col_px - PLATE.tip_px[1]) < 0.12
    assert row.contact_length_mm == pytest.approx(2.0, abs=0.6)
    assert_K(row)
