"""Growth rate, remaining cycles and stop request against a crack that grows by a known law (invented data)."""

import dataclasses

import numpy as np
import pytest
from growing import Growing

from edge.rate import GrowthWatch, StopAt, Stretch
from edge.record import Row
from edge.rig import Records, Specimen, View

FINE = {"fixes": 120, "sd_mm": 0.01, "dK_rel_sd": 0.01}


VIEW = View(0.15, (0.0, 0.0))


def specimen(test: Growing) -> Specimen:
    return Specimen(test.geometry, 3e-6, 350.0, 205.0, 14.0, None, test.width_mm, test.thickness_mm, test.notch_mm, 160.0)


def followed(test: Growing, rows: list[Row], target_mm: float | None = None) -> list[Row]:
    """The rows with their growth columns and flags."""
    watch = GrowthWatch(specimen(test), VIEW, 60.0, target_mm)
    done = []
    for row in rows:
        row = dataclasses.replace(row)
        row.flags = (*row.flags, *watch.follow(row))
        done.append(row)
    return done


def true_rate(test: Growing, crack_mm: float) -> float:
    a = np.array([crack_mm])
    return float((test.C * test.dK(a) ** test.m * test.phi(a))[0])


@pytest.mark.parametrize("sd_mm", [0.003, 0.01, 0.05])
def test_the_rate_is_the_true_one_of_the_last_stretch_within_its_deviation(sd_mm):
    """The line's slope belongs to the middle of its stretch: the truth at hand is the secant over such a stretch."""
    test, off = Growing(), []
    for seed in range(12):
        watch = GrowthWatch(specimen(test), VIEW, 60.0)
        for row in test.rows(np.random.default_rng(seed), 200, sd_mm):
            watch.follow(row)
            if row.rate_mm_per_cycle is not None and row.seq % 40 == 0:
                middle = watch._last_stretch().crack_mm
                off.append((row.rate_mm_per_cycle - true_rate(test, middle)) / row.rate_sd)
    assert len(off) > 40
    assert np.sqrt(np.mean(np.square(off))) < 1.5 and abs(np.mean(off)) < 0.6


@pytest.mark.parametrize("understated, forgets", [(1.0, 0.0), (3.0, 0.0), (1.0, 0.6)])
def test_the_deviation_of_a_rate_covers_it_in_more_noise_than_stated_and_in_fixes_that_share_frames(understated, forgets):
    """forgets: correlation of neighbouring fixes; the variance of means is then larger by (1 + rho)/(1 - rho)."""
    rng, z, n = np.random.default_rng(8), [], 60
    for _ in range(60):
        noise = rng.standard_normal(n)
        for i in range(1, n):
            noise[i] = forgets * noise[i - 1] + np.sqrt(1 - forgets**2) * noise[i]
        cycles = 1000.0 * np.arange(n)
        table = np.column_stack([cycles, 10 + 1e-5 * cycles + 0.03 * noise, np.full(n, 0.03 / understated), cycles / 7])
        stretch = Stretch(table, (1 + forgets) / (1 - forgets))
        z.append((stretch.rate - 1e-5) / stretch.rate_sd)
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.3


def test_no_rate_before_the_crack_has_grown_by_the_least_increment():
    test = Growing()
    rows = followed(test, test.rows(np.random.default_rng(1), **FINE))
    first = next(row for row in rows if row.rate_mm_per_cycle is not None)
    assert 0.25 <= first.crack_mm - rows[0].crack_mm < 0.5
    assert all("no_rate" in row.flags for row in rows[: first.seq])
    assert all(row.rate_mm_per_cycle and "no_rate" not in row.flags for row in rows[first.seq :])


def test_noisy_sizes_need_a_longer_stretch():
    """Ten times the precision: with 0.2 mm and few fixes more than 0.25 mm."""
    test = Growing()
    rows = followed(test, test.rows(np.random.default_rng(1), 60, sd_mm=0.2))
    first = next(row for row in rows if row.rate_mm_per_cycle is not None)
    assert test.course()[0][0] + 0.8 < first.crack_mm


def test_cycles_to_target_by_the_constant_rate_first_then_by_the_exponent():
    test = Growing()
    rows = followed(test, test.rows(np.random.default_rng(2), **FINE), target_mm=28.0)
    told = [row for row in rows if row.cycles_to_target is not None]
    assert "constant_rate" in told[0].flags and "constant_rate" not in told[-30].flags
    for row in told:
        left = test.cycles_at(28.0) - row.cycles
        if "constant_rate" in row.flags:
            assert row.cycles_to_target > left  # growth speeds up
        elif left > 0:
            share = 4 * row.rate_sd / row.rate_mm_per_cycle + 0.05
            assert row.cycles_to_target == pytest.approx(left, rel=share, abs=200)
    assert told[-1].cycles_to_target == 0


def test_a_specimen_without_handbook_has_the_constant_rate_only():
    test = Growing()
    watch = GrowthWatch(dataclasses.replace(specimen(test), geometry="plate"), VIEW, 60.0, 28.0)
    for row in test.rows(np.random.default_rng(2), **FINE):
        flags = watch.follow(row)
    assert flags == ["constant_rate"] and row.cycles_to_target == round(0 / row.rate_mm_per_cycle) == 0
    assert watch.exponent() is None


def test_a_stretch_does_not_straddle_an_overload_and_growth_slowed_by_it_does_not_spoil_the_exponent():
    test = Growing(overload_mm=20.0, affected_mm=3.0)
    rows = test.rows(np.random.default_rng(3), 300, 0.01, 0.01)
    watch = GrowthWatch(specimen(test), VIEW, 60.0)
    hit = next(row.seq for row in rows if "overload" in row.flags)
    for row in rows:
        flags = watch.follow(row)
        if hit <= row.seq < hit + 3:
            assert flags == ["no_rate"] and row.rate_mm_per_cycle is None
        if row.rate_mm_per_cycle is not None and row.seq > hit:
            assert watch._last_stretch().first_cycles >= rows[hit].cycles
    assert watch.exponent() == pytest.approx(test.m, rel=0.05)
    after = next(row for row in rows if row.seq > hit and row.rate_mm_per_cycle)
    assert after.rate_mm_per_cycle < 0.5 * true_rate(Growing(), after.crack_mm)


def test_fixes_without_a_usable_tip_are_passed_over():
    test = Growing()
    rows = test.rows(np.random.default_rng(4), **FINE)
    for row in rows[::7]:
        row.crack_mm, row.crack_sd_mm, row.flags = None, None, ("no_tip",)
    for row in rows[3::7]:
        row.crack_mm, row.flags = row.crack_mm + 5.0, ("tip_weak",)
    done = followed(test, rows)
    assert all(row.rate_mm_per_cycle is None and row.flags == ("no_tip",) for row in done[::7])
    middle = done[85]
    assert middle.rate_mm_per_cycle == pytest.approx(true_rate(test, middle.crack_mm), rel=0.2)


def test_a_restart_goes_on_with_the_fixes_before_it():
    test = Growing()
    rows = test.rows(np.random.default_rng(5), **FINE)
    whole = followed(test, rows, 28.0)
    watch = GrowthWatch(specimen(test), VIEW, 60.0, 28.0)
    watch.recall([dataclasses.replace(row) for row in rows[:70]])
    watch.follow(rows[70])
    assert rows[70].rate_mm_per_cycle == whole[70].rate_mm_per_cycle
    assert rows[70].cycles_to_target == whole[70].cycles_to_target


def test_very_many_rows_are_recalled_in_part_but_every_overload_of_them():
    test = Growing(overload_mm=20.0)
    rows = test.rows(np.random.default_rng(7), 9000, 0.01, 0.01)
    watch = GrowthWatch(specimen(test), VIEW, 60.0)
    watch.recall(rows)
    hit = next(row.seq for row in rows if "overload" in row.flags)
    assert hit % 5 and watch.table[0, 0] >= rows[hit].cycles
    assert watch._last_stretch().rate == pytest.approx(true_rate(test, 29.9), rel=0.1)


def test_slow_growth_over_very_many_fixes_still_gives_a_rate_in_bounded_memory():
    watch = GrowthWatch(specimen(Growing()), VIEW, 60.0)
    rng = np.random.default_rng(6)
    for k in range(9000):
        watch._remember((70.0 * k, 14 + 4e-5 * k + 0.003 * rng.standard_normal(), 0.003, 10.0 * k))
    row = Row(seq=1, cycles=630_000, crack_mm=14.36, crack_sd_mm=0.003, elapsed_s=90_000.0)
    assert watch.follow(row) == [] and watch.fixes <= len(watch.table) == 4000
    assert row.rate_mm_per_cycle == pytest.approx(4e-5 / 70, abs=4 * row.rate_sd) and row.rate_sd < 1e-7


def sizes(*crack_mm: float | None, rate: float | None = None) -> list[Row]:
    return [Row(seq=k, cycles=100 * k, crack_mm=a, rate_mm_per_cycle=rate) for k, a in enumerate(crack_mm)]


def asked(records: Records, rows: list[Row]) -> list[int]:
    stop = StopAt(records)
    return [row.seq for row in rows if stop.see(row) is not None]


def test_a_stop_is_asked_for_after_two_fixes_in_a_row_and_then_stands():
    at_20 = Records(stop_at_crack_mm=20.0)
    assert asked(at_20, sizes(19.0, 19.9, 20.1, 20.2, 19.9, None, 20.3)) == [3, 4, 6]
    assert asked(at_20, sizes(19.0, 25.0, 19.1, 25.0, 19.2)) == []  # fixes astray
    assert asked(at_20, sizes(19.0, 20.1, None, 20.2)) == [3]
    assert asked(Records(stop_at_rate_mm_per_cycle=1e-4), sizes(19.0, 19.1, rate=1.1e-4)) == [1]
    assert asked(Records(), sizes(25.0, 26.0, 27.0, rate=1.0)) == []


def test_the_request_says_where_the_crack_is():
    stop = StopAt(Records(stop_at_crack_mm=20.0))
    requests = [stop.see(row) for row in sizes(20.5, 20.6)]
    assert requests[0] is None
    assert (requests[1].seq, requests[1].crack_mm, requests[1].cycles) == (1, 20.6, 100)


def test_a_doubtful_scale_is_in_the_rate_s_deviation_and_not_in_its_weights():
    """1 % of 20 mm is 0.2 mm in each crack_sd_mm, and the same in all fixes: no reason to wait for 2 mm of growth."""
    test, rates = Growing(), {}
    rows = [dataclasses.replace(r, tip_sd_px=0.02 / 0.15) for r in test.rows(np.random.default_rng(8), 60, 0.02)]
    for share in (0.0, 0.01):
        watch = GrowthWatch(specimen(test), View(0.15, (0.0, 0.0), mm_per_px_sd=0.15 * share), 60.0)
        for row in rows:
            row = dataclasses.replace(row, crack_sd_mm=float(np.hypot(0.02, share * row.crack_mm)))
            watch.follow(row)
            if row.rate_sd is not None:
                rates.setdefault(share, []).append((row.rate_mm_per_cycle, row.rate_sd))
    sure, doubtful = np.array(rates[0.0]), np.array(rates[0.01])
    assert len(sure) == len(doubtful)
    assert doubtful[:, 0] == pytest.approx(sure[:, 0], rel=1e-3)
    assert doubtful[:, 1] == pytest.approx(np.hypot(sure[:, 1], 0.01 * sure[:, 0]), rel=1e-3)


@pytest.mark.parametrize("unknown", [slice(0, 120), slice(100, 140)], ids=["at first", "for a while"])
def test_rows_whose_load_is_not_known_do_not_spoil_the_exponent(unknown):
    """As after a run that took its load from the frames, or while a wire was off."""
    test = Growing()
    rows = test.rows(np.random.default_rng(1), 300, 0.01)
    rows[unknown] = [dataclasses.replace(r, load_range_kN=None, load_ratio=None) for r in rows[unknown]]
    done = [r for r in followed(test, rows, 29.0) if r.seq >= 200 and r.cycles_to_target is not None and "constant_rate" not in r.flags]
    off = [r.cycles_to_target / (test.cycles_at(29.0) - r.cycles) - 1 for r in done if r.crack_mm < 27]
    assert len(off) > 20 and np.max(np.abs(off)) < 0.35


@pytest.mark.parametrize("images_hz", [25.0, 9.0])  # the rest of 25 are copies
def test_fixes_of_a_memory_that_fills_tell_the_whole_rate(images_hz):
    """While it does, the mean of the tip's places goes half as fast as the tip (weights alike, then fading by e in half a memory)."""
    rate, hz, fps, memory_s = 1e-3, 7.0, 25.0, 60.0
    test, rows, over_s = Growing(), [], []
    t = np.arange(0.02, 240.0, 0.04)
    for at_s in np.arange(15.0, 200.0, 15.0):
        ages = at_s - t[t < at_s]
        weight = np.exp(-np.minimum(ages, max(0.0, at_s - memory_s)) * 2 / memory_s)
        place = 12.0 + rate * hz * (at_s - float(np.average(ages, weights=weight)))
        over_s.append(weight.sum() ** 2 / (weight**2).sum() / fps)
        frames = round(images_hz * over_s[-1])
        row = Row(len(rows), elapsed_s=at_s, cycles=round(hz * at_s), frames=frames, load_frequency_hz=hz, crack_mm=place)
        row.crack_sd_mm, row.dKI_MPa_sqrt_m, row.load_range_kN, row.load_ratio = 0.003, 20.0, 8.0, 0.1
        rows.append(row)
    watch, told = GrowthWatch(specimen(test), VIEW, memory_s, None, fps), []
    for row, seen_s in zip(rows, over_s, strict=True):
        watch.follow(row, seen_s)
        told += [row.rate_mm_per_cycle] if row.rate_mm_per_cycle else []
    assert len(told) >= 8
    assert told == pytest.approx([rate] * len(told), rel=0.1)  # half the number is the mean age to 5 % while it passes through 4/3
