"""Motion with the load and slow slip, on made-up mean images whose shift is known."""

import numpy as np
import pytest
from scipy.special import erf

from edge import motion
from edge.record import Row

SHAPE, SD_K, PATTERN_K = (60, 90), 0.002, 0.02
ROWS, COLUMNS = np.indices(SHAPE).astype(float)
GOOD = np.zeros(SHAPE, bool)
PHI = 2 * np.pi * np.arange(16)[:, None] / 16


def scene(right_px=0.0, down_px=0.0, across=True):
    """Mean temperature, K: a specimen 2 K warmer than what is behind it, its edge upright (and across below), with a slow
    slope of its own; shifted."""
    x, y = COLUMNS - right_px, ROWS - down_px
    inside = 0.5 * (1 + np.tanh((x - 15.0) / 1.2)) * (0.5 * (1 - np.tanh((y - 50.0) / 1.2)) if across else 1)
    return 295.0 + inside * (2.0 + 0.02 * (x - 45.0) + 0.01 * (y - 20.0))


def seen(d_px, seed=0, pattern_K=PATTERN_K):
    """Mean image with the camera's fixed pattern, and h1, h2 of the scene that swings by d_px [right, down] sin(phi)."""
    rng, maps = np.random.default_rng(seed), np.zeros((2, *SHAPE), complex)
    for phi in 2 * np.pi * np.arange(16) / 16:
        swung = scene(d_px[0] * np.sin(phi), d_px[1] * np.sin(phi))
        maps += np.stack([swung * np.exp(-1j * phi), swung * np.exp(-2j * phi)]) * 2j / 16
    maps += SD_K * (rng.standard_normal(maps.shape) + 1j * rng.standard_normal(maps.shape))
    return scene() + pattern_K * rng.standard_normal(SHAPE), maps


@pytest.mark.parametrize("d_px", [(0.3, 0.0), (0.0, -0.3), (0.15, 0.25)])
def test_a_swing_is_measured_at_the_edges_with_its_direction(d_px):
    off = []
    for seed in range(8):
        mean_K, maps = seen(d_px, seed)
        found = motion.measure(mean_K, maps, GOOD, np.full(2, SD_K))
        off.append(found.amplitude_px[0] - d_px)
        assert found.size_px == pytest.approx(np.hypot(*d_px), rel=0.02)
        assert np.all(np.abs(found.amplitude_px[0].imag) < 0.02)  # in step with the load
    assert np.abs(np.mean(off, axis=0)).max() < 0.003


@pytest.mark.parametrize("d_px", [(0.3, 0.0), (0.0, -0.3)])
def test_a_fixed_pattern_of_a_sixth_of_the_edge_does_not_make_a_swing_look_smaller(d_px):
    found = [motion.measure(*seen(d_px, seed, 0.3), GOOD, np.full(2, SD_K)).size_px for seed in range(12)]
    assert np.mean(found) == pytest.approx(0.3, rel=0.02)


@pytest.mark.long
@pytest.mark.parametrize("pattern_K, share", [(0.1, 1.0), (0.3, 1.0), (0.5, 1.02)])
def test_a_strong_fixed_pattern_does_not_make_a_swing_look_smaller(pattern_K, share):
    """What records_and_flags.md says of `motion_px`; the edge's step is 2 K, and a pattern of half of it mostly hides the swing."""
    found = [motion.measure(*seen((0.3, 0.0), seed, pattern_K), GOOD, np.full(2, SD_K)) for seed in range(16)]
    assert np.mean([m.size_px / 0.3 for m in found if m is not None]) == pytest.approx(share, abs=0.05)
    hidden = [motion.measure(*seen((0.3, 0.0), seed, 1.0), GOOD, np.full(2, SD_K)) is None for seed in range(16)]
    assert sum(hidden) > 8


@pytest.mark.parametrize("d_px", [(0.1, 0.0), (0.3, 0.0), (0.5, 0.0)])
def test_what_is_left_of_an_edge_where_pixels_are_trusted_is_far_below_their_noise(d_px):
    """Along an edge it adds up: what was left of one in a strip of the profile once made contact of an open crack."""
    found = motion.measure(*seen(d_px), GOOD, np.full(2, SD_K))
    edge = np.hypot(*np.gradient(0.5 * (1 + np.tanh((COLUMNS - 15.0) / 1.2)) * 0.5 * (1 - np.tanh((ROWS - 50.0) / 1.2)) * 2.0))
    near = (ROWS < 40) & (np.abs(COLUMNS - 15) < 10) & ~found.unsure
    assert near.any() and d_px[0] * edge[near].max() < 0.15 * SD_K


def test_a_sharp_edge_that_swings_by_a_pixel_behind_a_strong_pattern_is_marked_over_its_whole_length():
    """A step of 2 K whose gradient hardly stands clear of a pattern of 1 K."""
    x, left = np.arange(160.0), []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        maps = [np.mean(erf((x - 18.2 - np.sin(PHI)) / 1.0) * np.exp(-1j * k * PHI), axis=0) * 2j for k in (1, 2)]
        noise = SD_K * (rng.standard_normal((2, 120, 160)) + 1j * rng.standard_normal((2, 120, 160)))
        maps = np.stack([np.broadcast_to(m, (120, 160)) for m in maps]) + noise
        mean_K = 295.0 + erf((x - 18.2) / 1.0) + rng.standard_normal((120, 160))
        found = motion.measure(mean_K, maps, np.zeros(mean_K.shape, bool), np.full(2, SD_K))
        assert found.unsure[:, 16:21].all()
        beside = ~found.unsure[:, 10:28]
        left += [np.abs(m[:, 10:28][beside] / SD_K) ** 2 / 2 for m in maps]
    assert np.mean(np.concatenate(left)) < 1.1  # no more than noise


def test_a_fixed_pattern_over_an_even_specimen_brings_nothing_into_the_maps():
    for seed in range(4):
        pattern = 1.0 * np.random.default_rng(seed).standard_normal((120, 160))
        field = motion.soft_field(295.0 + pattern, np.ones(pattern.shape, bool))
        assert np.abs(np.gradient(field)).max() < 1e-9
        tilted = motion.soft_field(295.0 + pattern + 0.02 * np.indices(pattern.shape)[1], np.ones(pattern.shape, bool))
        assert np.gradient(tilted)[1] == pytest.approx(0.02, abs=0.001)


def test_what_stands_still_is_not_said_to_move():
    for seed in range(8):
        mean_K, maps = seen((0.0, 0.0), seed)
        assert motion.measure(mean_K, maps, GOOD, np.full(2, SD_K)) is None
    flat = np.full(SHAPE, 295.0) + PATTERN_K * np.random.default_rng(1).standard_normal(SHAPE)
    assert motion.measure(flat, seen((0.3, 0.0))[1], GOOD, np.full(2, SD_K)) is None  # no edge to see it by


@pytest.mark.parametrize("d_px, slope_K_per_px", [((0.3, 0.0), 0.02), ((0.0, 0.3), 0.01)])
def test_the_swing_is_taken_out_on_the_specimen_and_its_edges_are_marked(d_px, slope_K_per_px):
    mean_K, maps = seen(d_px)
    found = motion.measure(mean_K, maps, GOOD, np.full(2, SD_K))
    inside = (COLUMNS > 25) & (ROWS < 40)
    still = motion.compensate(maps, mean_K, found, inside)
    before, after = (abs(m[0][inside].real.mean()) for m in (maps, still))
    assert before == pytest.approx(0.3 * slope_K_per_px, rel=0.1) and after < 0.2 * before
    at_the_edge = (np.abs(COLUMNS - 15) < 2) & (ROWS < 40) if d_px[0] else (np.abs(ROWS - 50) < 2) & (COLUMNS > 25)
    assert found.unsure[at_the_edge].all() and not found.unsure[inside].any()


def followed(way_px, across=True, seed=0):
    """Slip told by images along a way of [right, down] shifts, each with the same fixed pattern."""
    rng, slip = np.random.default_rng(seed), motion.Slip()
    pattern = PATTERN_K * rng.standard_normal(SHAPE)
    for right, down in way_px:
        slip.follow(scene(right, down, across) + pattern + SD_K * rng.standard_normal(SHAPE), GOOD)
    return slip


@pytest.mark.parametrize("end_px", [(1.8, 0.0), (0.0, -1.2), (-0.9, 0.6)])
def test_slow_slip_adds_up_over_many_images(end_px):
    slip = followed([np.array(end_px) * share for share in np.linspace(0, 1, 13)])
    assert slip.shift_px == pytest.approx(end_px, abs=0.1)
    assert np.all(np.abs(slip.shift_px - end_px) < 3 * slip.sd_px + 0.01)
    assert np.linalg.norm(slip.sd_px) >= motion.STEP_SD * motion.STEP_PX  # every step may be a tenth too small


def test_slip_of_a_view_without_edges_is_not_told_as_none():
    rng, slip = np.random.default_rng(4), motion.Slip()
    for _ in range(2):
        slip.follow(295.0 + SD_K * rng.standard_normal(SHAPE), GOOD)
        assert not slip.seen
    assert followed([(0.0, 0.0)]).seen and followed([(0.0, 0.0), (0.2, 0.25)], across=False).seen
    slip.recall(Row(seq=1, slip_px=2.6), 2.5, 0.0)  # of an edge that was seen before a restart
    assert slip.seen


def test_slip_along_a_straight_edge_is_not_claimed_and_does_not_spoil_that_across_it():
    for seed in range(4):
        slip = followed([(0.0, 0.0), (0.2, 0.25)], across=False, seed=seed)
        assert abs(slip.shift_px[0] - 0.2) < 3 * slip.sd_px[0] < 0.1
        assert slip.shift_px[1] == 0.0


@pytest.mark.parametrize("angle_deg, shift_px", [(0.0, (2.5, 0.0)), (90.0, (0.0, -2.5)), (180.0, (-2.5, 0.0))])
def test_after_a_restart_the_slip_goes_on_in_the_direction_of_growth(angle_deg, shift_px):
    slip = motion.Slip()
    slip.recall(Row(seq=1, slip_px=2.6), 2.5, angle_deg)
    assert slip.shift_px == pytest.approx(shift_px, abs=1e-9)
