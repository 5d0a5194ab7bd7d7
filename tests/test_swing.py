"""How far a cracked plate swings, from the second harmonic around its tip, where dissipation stands there as well."""

from types import SimpleNamespace

import numpy as np
import pytest

from edge import swing
from edge.region import Region
from edge.swing import View

VIEW = View(0.0, 0.06, -0.5 * 3.1e-6 * 295.0)
SERIES = np.array([2 * 20.0 / np.sqrt(2 * np.pi) * np.sqrt(1e3), -40.0, 3.0], complex)  # 20 MPa sqrt(m)
SD_K, TAILS_MM = 0.001, (0.375, 0.6)
Y, X = np.mgrid[-3.5:3.5:0.06, -3.5:3.5:0.06]
RING = (np.hypot(X, Y) > 1.125) & (np.hypot(X, Y) < 3.5) & ~((X < 0) & (np.abs(Y) < 0.75))
Z = (X + 1j * Y)[RING]


def measured(d_px, zone_K, tails_mm, seed):
    """With a bell of dissipation 0.4 mm wide, 0.35 mm ahead of the tip, whose tail reaches into the ring."""
    one, two = swing.seen(SERIES, Z, np.array(d_px, complex), VIEW)
    rng = np.random.default_rng(seed)
    two = two + zone_K * np.exp(1.3j) * np.exp(-0.5 * np.abs((Z - 0.35) / 0.4) ** 2)
    noise = SD_K * (rng.standard_normal((2, Z.size)) + 1j * rng.standard_normal((2, Z.size)))
    return swing.measure(SERIES, Z, one + noise[0], two + noise[1], SD_K, VIEW, tails_mm=tails_mm)


@pytest.mark.parametrize("d_px", [(0.5, -0.3), (-0.4, 0.2)])
def test_a_swing_is_measured_right_beside_a_zone_of_dissipation(d_px):
    found = [measured(d_px, 0.010, TAILS_MM, seed) for seed in range(40)]
    off = np.array([f.d_px - d_px for f in found])
    sd = np.array([f.doubt_px for f in found]).mean(axis=0)
    mean = off.mean(axis=0)
    assert np.all(np.maximum(np.abs(mean.real), np.abs(mean.imag)) < 0.7 * sd) and np.all(sd < 0.03)
    assert np.all(np.sqrt(np.mean(np.abs(off) ** 2, axis=0) / 2) < 1.3 * sd)  # of a component
    plain = np.mean([measured(d_px, 0.010, (), seed).d_px - d_px for seed in range(40)], axis=0)
    assert abs(plain[0]) > 1.5 * sd[0]  # what the zone's tail is taken for


def test_where_nothing_dissipates_its_tails_cost_little():
    with_tails, without = (measured((0.5, -0.3), 0.0, tails, 1).doubt_px for tails in (TAILS_MM, ()))
    assert np.all(with_tails < 2.0 * without)


def test_a_plate_that_stands_still_is_not_said_to_swing_for_its_dissipation():
    assert not any(measured((0.0, 0.0), 0.030, TAILS_MM, seed).clear for seed in range(20))
    assert all(measured((0.0, 0.0), 0.030, (), seed).clear for seed in range(3))


@pytest.mark.parametrize("d_px, with_tails", [((0.0, 0.0), False), ((0.5, -0.3), True)])
def test_tails_widen_the_doubt_of_a_swing_that_is_seen_and_of_no_other(d_px, with_tails):
    found = SimpleNamespace(coefficients=SERIES, region=Region(1.125, 3.5, 180.0, 0.75, 15, None, 0.75))
    z = X + 1j * Y
    one, two = swing.seen(SERIES, z, np.array(d_px, complex), VIEW)
    rng = np.random.default_rng(3)
    maps = np.stack([one, two]) + SD_K * (rng.standard_normal((2, *z.shape)) + 1j * rng.standard_normal((2, *z.shape)))
    told = swing._measured(found, z, np.ones(z.shape, bool), maps, SD_K, VIEW, 0.0)
    ring = found.region.holds(z)
    plain, wider = (swing.measure(SERIES, z[ring], *maps[:, ring], SD_K, VIEW, tails_mm=tails) for tails in ((), TAILS_MM))
    assert wider.doubt_px[0] > 1.1 * plain.doubt_px[0] or not with_tails
    assert told.doubt_px == pytest.approx((wider if with_tails else plain).doubt_px)
