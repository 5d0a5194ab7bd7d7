"""The fit region: distances to the features of a plate, its area, what widens its core, and which pixels are bad."""

from dataclasses import replace

import numpy as np
import plates
import pytest
from test_tip import rig_for

from edge import handbook
from edge.region import (
    Region,
    at_an_end,
    bad_pixels,
    choose,
    feature_mm,
    heat_room_mm,
    ligament_mm,
    quiet,
    specimen,
    wandering,
)
from edge.rig import Fit

PLATE = plates.centre_crack()
W = 40.0


def specimen_of(geometry):
    return rig_for(PLATE, geometry, W).specimen


@pytest.mark.parametrize("geometry, crack_mm, ligament", [("SENT", 12.0, 28.0), ("CT", 12.0, 28.0), ("MT", 12.0, 8.0)])
def test_the_ligament_reaches_to_the_far_edge(geometry, crack_mm, ligament):
    """M(T): from a tip 12 mm off the centre line to the edge 20 mm off it."""
    assert ligament_mm(specimen_of(geometry), crack_mm) == ligament


@pytest.mark.parametrize("crack_mm", [10.0, 16.0, 24.0])
def test_in_a_compact_specimen_the_loading_holes_are_the_next_feature(crack_mm):
    """Their outlines drawn point by point (ASTM E647: W/4 wide, 0.275 W off the crack's line; from memory)."""
    turn = 2 * np.pi * np.arange(3600) / 3600
    outline = 0.275j * W + 0.125 * W * np.exp(1j * turn)
    nearest = min(np.abs(outline - crack_mm).min(), W - crack_mm)
    assert feature_mm(specimen_of("CT"), crack_mm) == pytest.approx(0.8 * nearest, rel=1e-4)


@pytest.mark.parametrize(
    "geometry, crack_mm, feature",
    [("SENT", 8.0, 8.0), ("SENT", 30.0, 8.0), ("MT", 6.0, 6.0), ("MT", 15.0, 5.0), ("plate", 30.0, 30.0)],
)
def test_else_it_is_the_mouth_or_the_far_edge(geometry, crack_mm, feature):
    assert feature_mm(specimen_of(geometry), crack_mm) == pytest.approx(feature)


@pytest.mark.parametrize("half_angle_deg, wake_mm", [(180.0, 0.75), (140.0, 0.0), (180.0, 0.0)])
def test_the_area_is_that_of_the_pixels_it_holds(half_angle_deg, wake_mm):
    region = Region(1.0, 5.0, half_angle_deg, wake_mm, 15, None)
    step = 0.01
    x = np.arange(-6, 6, step)
    held = np.count_nonzero(region.holds(x[None, :] + 1j * x[:, None])) * step**2
    assert region.area_mm2 == pytest.approx(held, rel=0.005)


def test_the_core_is_left_out_as_far_as_pixels_heat_or_yielding_spoil_it():
    """Each in turn the largest: 4.5 pixels; the diffusion length; 1.5 times the reversed plastic zone."""
    steel, crack = rig_for(PLATE, "plate", diffusivity_mm2_per_s=14.0), 40.0
    mu = float(handbook.diffusion_length_mm(14.0, 2.0))
    zone = float(handbook.cyclic_zone_radius_mm(100.0, steel.specimen.yield_strength_MPa))
    assert 1.5 * zone > mu > 4.5 * 0.15
    assert choose(steel, crack, 0.0, 2.0, conducting=False).inner_mm == pytest.approx(4.5 * 0.15)
    assert choose(steel, crack, 0.0, 2.0).inner_mm == pytest.approx(mu)
    assert choose(steel, crack, 100.0, 2.0).inner_mm == pytest.approx(1.5 * zone)
    assert choose(steel, 4.0, 100.0, 2.0).inner_mm == pytest.approx(0.25 * 4.0)  # a short crack leaves no room
    assert choose(replace(steel, fit=Fit(inner_mm=0.2)), crack, 100.0, 2.0).inner_mm == 0.2


def test_quiet_is_what_lies_ahead_and_beside_and_well_away_from_core_and_wake():
    z = np.array([2.1, 1.9, 2.1j, -2.1, 5 * np.exp(1j * np.deg2rad(150.0)), 3 * np.exp(1j * np.deg2rad(-130.0))])
    wide_wake = Region(0.6, 5.0, 180.0, 1.0, 15, None)
    assert quiet(z, wide_wake, 2.0).tolist() == [True, False, True, False, False, True]
    assert quiet(z, replace(wide_wake, inner_mm=1.2, wake_mm=0.5), 2.0).tolist() == [False] * 5 + [True]
    assert quiet(z, replace(wide_wake, zones_mm=1.2), 2.0).tolist() == [False] * 5 + [True]


def test_zones_reach_as_far_where_a_short_crack_leaves_less_room_to_leave_out():
    steel = rig_for(PLATE, "plate", diffusivity_mm2_per_s=14.0)
    short, long = (choose(steel, crack_mm, 5.0, 7.0, conducting=False) for crack_mm in (1.5, 40.0))
    assert short.inner_mm == short.wake_mm == pytest.approx(0.25 * 1.5)
    assert short.zones_mm == long.zones_mm == max(long.inner_mm, long.wake_mm) == 0.75


@pytest.mark.parametrize("geometry, first_mm, last_mm", [("SENT", 0.0, W), ("MT", -W / 2, W / 2), ("CT", -np.inf, W)])
def test_the_specimen_ends_two_pixels_inside_its_edges(geometry, first_mm, last_mm):
    mm = 0.5
    rig = rig_for(plates.centre_crack(shape=(20, 160), tip_px=(10.0, 60.0), mm_per_px=mm), geometry, W)
    x = (np.arange(160) - rig.view.datum_px[1]) * mm
    assert np.array_equal(specimen(rig, (20, 160))[7], (x > first_mm + 2 * mm) & (x < last_mm - 2 * mm))


def test_dead_blinking_and_stuck_pixels_are_bad_and_noisier_ones_are_not():
    rng = np.random.default_rng(1)
    mean, noise = 29_500 + 5 * rng.standard_normal((60, 80)), 5 + 0.1 * rng.standard_normal((60, 80))
    noise[10, 10], noise[20, 20], noise[30, 30], mean[40, 40], noise[50, 50] = 0.0, 20.0, np.nan, 29_900, 6.0
    bad = bad_pixels(mean, noise)
    assert np.argwhere(bad).tolist() == [[10, 10], [20, 20], [30, 30], [40, 40]]


def wandering_view(size_px: int, times: float, white: bool):
    """A map of 2f, noise of one frame and bad pixels, with a patch `times` as noisy: at all frequencies, or slow."""
    rng = np.random.default_rng(2)
    patch = np.zeros((60, 80), bool)
    patch[20 : 20 + size_px, 30 : 30 + size_px] = True
    noise = (5 + 0.05 * rng.standard_normal(patch.shape)) * np.where(patch, times, 1.0)
    h = (rng.standard_normal(patch.shape) + 1j * rng.standard_normal(patch.shape)) * np.where(patch & white, times, 1.0)
    return h + 0.5 * patch, noise, patch


@pytest.mark.parametrize(
    "size_px, times, white, spared",
    [(20, 2.8, False, True), (20, 2.8, True, False), (5, 2.8, False, False), (20, 8.0, False, False)],
)
def test_an_area_whose_noise_is_slow_is_not_bad_but_clusters_and_what_is_noisy_at_2f_are(size_px, times, white, spared):
    h, noise, patch = wandering_view(size_px, times, white)
    bad = bad_pixels(np.full(patch.shape, 29_500.0) + np.random.default_rng(3).standard_normal(patch.shape), noise)
    assert np.array_equal(bad, patch)
    assert np.array_equal(wandering(h, noise, bad), patch if spared else np.zeros_like(patch))


def test_counts_at_either_end_of_sixteen_bits_are_known():
    assert (
        at_an_end(np.array([0, 1, 2, 29_500, 65_400, 65_401, 65_535])).tolist() == [True] * 2 + [False] * 3 + [True] * 2
    )


@pytest.mark.parametrize(
    "notch_mm, width_mm, diffusion_mm, room_mm",
    [(0.0, None, 1.0, 10.0), (4.0, 8.0, 1.0, 6.0), (4.0, 1.6, 1.0, 10.0), (1.0, 2.0, 3.0, 10.0), (11.0, 22.0, 1.0, 0.0)],
    ids=["no notch", "hole", "slot", "hole smaller than heat reaches", "tip in the hole"],
)
def test_heat_has_room_as_far_as_a_hole_and_past_a_slot(notch_mm, width_mm, diffusion_mm, room_mm):
    specimen = replace(specimen_of("plate"), notch_mm=notch_mm, notch_width_mm=width_mm)
    assert heat_room_mm(specimen, 10.0, diffusion_mm) == room_mm
