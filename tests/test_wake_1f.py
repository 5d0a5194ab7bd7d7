"""The contact of a short crack at 1f: how much of it the second harmonic tells of, and a tip that it leaves in place."""

import numpy as np
import plates
import pytest
from recordings import thermal_scene
from test_fix import COUNTS_PER_K, fixed, rig_for, with_zones

from edge import fix, wake_1f
from edge.bench_field import Ahead, Contact, contact_harmonics
from edge.closure import Closure, Shapes

SHORT = plates.centre_crack(tip_px=(61.8, 84.2), mm_per_px=0.1, half_mm=1.5, stress_MPa=90.0)
CONTACT, OPEN = Contact(0.6, 60.0), Contact(0.0)
PEAK_K = 0.008  # of the zone ahead, which would hide this contact under its tail if it were twice as high
RIG = rig_for(SHORT)


def seen(contact, seed=0):
    """Exact maps at f and 2f, contact in both, and a quarter of the usual noise."""
    made = with_zones(SHORT, contact=contact, seed=seed, peak_K=PEAK_K)
    made.maps[0] += COUNTS_PER_K * thermal_scene(SHORT, contact, Ahead(PEAK_K), sub=3).zones[0]
    return made


def K_and_T(contact, seeds=4):
    """Mean K over the true one, mean T and mean deviations, over the remote stress."""
    rows = [fixed(seen(contact, seed), rig=RIG).row for seed in range(seeds)]
    assert all((row.contact_length_mm is not None) == (contact is CONTACT) for row in rows)
    K, s = SHORT.KI_MPa_sqrt_m, SHORT.stress_MPa
    return np.mean([(r.dKI_MPa_sqrt_m / K, r.T_MPa / s, r.dKI_sd / K, r.T_sd / s) for r in rows], axis=0)


def test_contact_of_a_short_crack_leaves_its_K_and_T_as_without_it(monkeypatch):
    opened, touching = K_and_T(OPEN), K_and_T(CONTACT)
    monkeypatch.setattr(fix.wake_1f, "without_contact", lambda rig, maps, sd_K, per_K, usable, found, *rest: found)
    left_in = K_and_T(CONTACT)
    for i, limit in ((0, 0.02), (1, 0.12)):  # and what it does where it is left in
        assert abs(touching[i] - opened[i]) < min(limit, 0.5 * abs(left_in[i] - opened[i]))
        assert touching[i + 2] > abs(touching[i] - opened[i])
    assert np.all(K_and_T(OPEN) == opened)  # no contact, nothing taken out


def test_a_short_crack_that_stands_still_is_not_said_to_move():
    """Its zones reach as far as its ring, where they were taken for the gradient of a field that swings."""
    for seed in range(4):
        found = fixed(seen(CONTACT, seed), rig=RIG)
        assert "motion" not in found.flags and not found.row.motion_px


@pytest.mark.parametrize("width_mm", [0.15, 0.25, 0.4])
def test_the_amount_of_contact_at_2f_is_within_its_deviation(width_mm):
    contact = Contact(0.8, 60.0, width_mm=width_mm)
    zones = thermal_scene(SHORT, contact, Ahead())
    alone = np.abs(thermal_scene(SHORT, contact, Ahead(0.0)).zones[1])
    rows, columns = np.indices(alone.shape)
    z = (columns - SHORT.tip_px[1]) + 1j * (SHORT.tip_px[0] - rows)
    off, sd_K, all_of_it = [], 0.0025, np.ones(alone.shape, bool)
    for seed in range(20):
        rng = np.random.default_rng(seed)
        h2 = zones.zones[1] + sd_K * (rng.standard_normal(alone.shape) + 1j * rng.standard_normal(alone.shape))
        at_2f, relative_sd = wake_1f.contact_2f(h2, sd_K, all_of_it, z, Shapes(0.0, 8.0, 3.5, 4.0), all_of_it)
        assert relative_sd < 0.25
        off.append((at_2f.sum() / alone.sum() - 1) / relative_sd)
    assert abs(np.mean(off)) < 1.0 and np.sqrt(np.mean(np.square(off))) < 1.6


@pytest.mark.parametrize("fraction", [0.2, 0.35, 0.5])
def test_first_over_second_harmonic_by_the_opening_load(fraction):
    """Of the clipped sine, half wave: 1/2 over 2/(3 pi) (mathematical handbooks)."""
    h = contact_harmonics(fraction)
    known, sd = wake_1f.ratio(Closure(opening_fraction=fraction, opening_sd=0.02))
    assert known == pytest.approx(abs(h[0] / h[1]), rel=0.01) and 0.01 < sd < 0.2
    if fraction == 0.5:
        assert known == pytest.approx(3 * np.pi / 4, rel=0.01)
    unknown, wide = wake_1f.ratio(Closure())
    assert abs(unknown - known) < 1.6 * wide


@pytest.mark.parametrize("width_px", [2.2, 2.57, 3.0])
def test_the_flank_of_the_contact_that_the_ring_sees_is_within_its_deviation(width_px):
    """Four pixels off the crack a width that is off by 8 % is a quarter of the contact."""
    rows, columns = np.indices((60, 60))
    z = (columns - 30.2) + 1j * (29.7 - rows)
    shapes, ring = Shapes(0.0, 6.0, 3.5, 4.0), (np.abs(z.imag) > 3.75) & (np.abs(z) < 10.5)
    true = 0.013 * wake_1f.taper(z.real, 0.0, 6.0) * np.exp(-0.5 * (z.imag / width_px) ** 2)
    off = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        h2 = true - 0.01j * np.exp(-0.5 * np.abs(z - 3.5) ** 2 / 16) + 5e-4 * (rng.standard_normal((2, 60, 60)).T @ [1, 1j]).T
        at_2f, relative_sd = wake_1f.contact_2f(h2, 5e-4, np.ones(z.shape, bool), z, shapes, ring)
        off.append([at_2f[ring].sum() / true[ring].sum() - 1, relative_sd])
    error, sd = np.array(off).T
    assert abs(error.mean()) < 0.06 and np.sqrt(np.mean((error / sd) ** 2)) < 1.6 and sd.max() < 0.2
