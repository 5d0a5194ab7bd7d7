"""Frames that show another moment than their time says. All data are made here."""

from dataclasses import replace

import numpy as np
import plates
import pytest
import recordings

from edge.misplaced import Outlook
from edge.rig import load_rig
from edge.run import run_rig

SHAPE, HZ, RATE = (48, 64), 7.0, 25.0


def frames(times_s: np.ndarray, rng: np.random.Generator, level: float = 30000.0) -> np.ndarray:
    """A flat field that follows the load by 6 counts in noise of 5."""
    signal = 6 * np.sin(2 * np.pi * HZ * times_s)[:, None, None]
    return np.rint(level + signal + rng.normal(0, 5, (times_s.size, *SHAPE))).astype(np.uint16)


@pytest.mark.parametrize("start_s", [0.0, 3e6])
def test_only_frames_that_show_an_earlier_moment_are_left_out(start_s):
    rng, t = np.random.default_rng(1), start_s + np.arange(600) / RATE
    counts = frames(t, rng)
    # within a few frames the load goes by so far between two of them that the one cannot pass for the other
    jump = np.abs(np.diff(np.sin(2 * np.pi * HZ * t), prepend=0))
    stale = [i + int(np.argmax(jump[i : i + 5])) for i in (150, 273, 410, 555)]
    counts[stale] = counts[[i - 1 for i in stale]]
    outlook = Outlook(SHAPE, 2)
    assert [i for i in range(600) if outlook.misplaced(outlook.level(counts[i]), t[i], 2 * np.pi * HZ * t[i])] == stale


def test_a_view_that_has_changed_costs_one_frame_and_is_learnt_anew():
    rng, t = np.random.default_rng(2), np.arange(500) / RATE
    counts = np.concatenate([frames(t[:250], rng), frames(t[250:], rng, level=30020.0)])
    counts[420] = counts[418]  # the load turns by 200 degrees in two frames
    outlook = Outlook(SHAPE, 2)
    assert [i for i in range(500) if outlook.misplaced(outlook.level(counts[i]), t[i], 2 * np.pi * HZ * t[i])] == [250, 420]


def told(counts, t, phase_hz=HZ):
    outlook = Outlook(SHAPE, 2)
    off = [i for i in range(len(t)) if outlook.misplaced(outlook.level(counts[i]), t[i], 2 * np.pi * phase_hz * t[i])]
    return off, outlook


def test_a_few_frames_after_a_jump_of_the_offsets_it_can_foretell_again():
    rng, t = np.random.default_rng(5), np.arange(300) / RATE
    counts = np.concatenate([frames(t[:200], rng), frames(t[200:], rng, level=30050.0)])
    counts[212] = counts[210]
    assert told(counts, t)[0] == [200, 212]


def test_a_copy_among_the_first_frames_is_told_as_soon_as_the_harmonics_are_known():
    rng, t = np.random.default_rng(6), np.arange(100) / RATE
    counts = frames(t, rng)
    assert told(counts, t)[0] == []
    counts[12] = counts[10]
    assert told(counts, t)[0] == [24]


def test_a_phase_that_moves_within_the_memory_wanders():
    rng, t = np.random.default_rng(7), np.arange(1500) / RATE
    counts = frames(t, rng)
    assert not told(counts, t)[1].wanders(60.0)
    assert told(counts, t, 1.003 * HZ)[1].wanders(60.0)  # the load's clock is off: a turn and a quarter in a minute
    fewer = np.delete(counts, 700, axis=0)  # one frame missing, 100 degrees of the load
    assert told(fewer, t[:-1])[1].wanders(60.0)
    restless = np.rint(counts + rng.normal(0, 20, (1500, 1, 1))).astype(np.uint16)
    assert not told(restless, t)[1].wanders(60.0)


def test_where_the_load_does_not_show_nothing_is_left_out():
    rng, t = np.random.default_rng(3), np.arange(400) / RATE
    counts = np.rint(rng.normal(30000, 5, (400, *SHAPE))).astype(np.uint16)
    outlook = Outlook(SHAPE, 3)
    assert not any(outlook.misplaced(outlook.level(c), s, 2 * np.pi * HZ * s) for c, s in zip(counts, t))


def test_copies_whose_originals_were_lost_cost_no_K(tmp_path):
    plate = plates.centre_crack(shape=(60, 80), tip_px=(29.3, 42.6), mm_per_px=0.25)
    made = recordings.render(plate, 800, 4, {"netd_K": 0.03, "lost": 0.0}, {"frequency_hz": 8.76, "sample_rate_hz": 200.0})
    gone = np.arange(120, 780, 22)
    made.frames[gone + 1] = made.frames[gone]
    kept = np.delete(np.arange(800), gone)
    made = replace(made, **{k: getattr(made, k)[kept] for k in ("frames", "arrival_s", "number", "exposure_s")})
    rows = []
    run_rig(load_rig(recordings.save(made, tmp_path, width_mm=100.0).rig), tell=rows.append)
    row = rows[-1]
    assert "misplaced" in row.flags and row.repeated == 0
    # two thirds of what they would take: 30 of 770 frames, half a turn of the load late
    assert row.dKI_MPa_sqrt_m == pytest.approx(plate.KI_MPa_sqrt_m, rel=0.02)
