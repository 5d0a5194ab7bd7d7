"""Cycles of invented load: their number, peaks and valleys, and what stands out of them."""

import numpy as np
import pytest
from more import chosen

from edge.bench_load import LoadWave
from edge.cycles import NUMBER, PEAK, RANGE, TIME, VALLEY, CycleCounter, Judge, LoadEvent
from edge.phase import LoadPhase

TURN = 2 * np.pi
PEAK_KN, VALLEY_KN = 10.0, 1.0


def load(cycles, samples_per_cycle=50, noise_kN=0.02, seed=1, frequency_hz=7.0, own_middle=False):
    """Samples of cycles with the given (peak, valley) each, half a turn at a time, from the middle of a rising half:
    the machine's middle, or each cycle's own."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(len(cycles) * samples_per_cycle)) / samples_per_cycle
    number, part = t.astype(int), t % 1
    peak, valley = np.array(cycles, float).T
    middle = (peak + valley)[number] / 2 if own_middle else (PEAK_KN + VALLEY_KN) / 2
    swing = np.where(part < 0.5, peak[number] - middle, middle - valley[number])
    p = middle + swing * np.sin(TURN * part) + noise_kN * rng.standard_normal(t.size)
    return t / frequency_hz, p


def plain(count, changed=None):
    """(peak, valley) of `count` cycles, some of them changed."""
    cycles = [(PEAK_KN, VALLEY_KN)] * count
    for number, extremes in (changed or {}).items():
        cycles[number] = extremes
    return cycles


def follow(t, p, nominal_hz=7.0, piece=500):
    phase = LoadPhase(nominal_hz)
    for i in range(0, t.size, piece):
        phase.feed(t[i : i + piece], p[i : i + piece])
    return phase


def events(*args, **how) -> list[LoadEvent]:
    return follow(*load(*args, **how)).take_events(np.inf)


def told(found):
    return [(e.kind, e.cycles, e.count) for e in found]


def over(number, peak=15.0, count=1):
    return dict.fromkeys(range(number, number + count), (peak, VALLEY_KN))


def under(number, valley=-5.0, count=1):
    return dict.fromkeys(range(number, number + count), (PEAK_KN, valley))


STANDING_OUT = {  # name: cycles that differ, what is to be told
    "overload": (over(300), [("overload", 300, 1)]),
    "small overload": (over(300, 12.0), [("overload", 300, 1)]),
    "overload twice the peak": (over(300, 20.0), [("overload", 300, 1)]),
    "block of overloads": (over(300, count=10), [("overload", 300, 10)]),
    "two overloads": (over(200) | over(300), [("overload", 200, 1), ("overload", 300, 1)]),
    "underload": (under(300), [("underload", 300, 1)]),
    "block of underloads": (under(300, count=5), [("underload", 300, 5)]),
    "overload then underload": (
        {300: (15.0, -5.0)},
        [("overload", 300, 1), ("underload", 300, 1)],
    ),
    "underload before overload": (
        under(300) | over(302),
        [("underload", 300, 1), ("overload", 302, 1)],
    ),
    "soon after the start": (over(20), [("overload", 20, 1)]),
}


@pytest.mark.parametrize("changed, expected", STANDING_OUT.values(), ids=STANDING_OUT)
def test_what_stands_out_is_told_with_its_cycle(changed, expected):
    found = events(plain(500, changed))
    assert told(found) == expected
    for event in found:
        peak, valley = changed[event.cycles]
        assert (event.peak_kN, event.valley_kN) == pytest.approx((peak, valley), abs=0.1)
        assert event.time_s * 7.0 == pytest.approx(event.cycles, abs=0.1)


STEPS = {  # name: share of peak and valley from cycle 300 on, how far off the cycle told may be
    "down by 3 %": (0.97, 3),
    "down by 10 %": (0.90, 0),
    "up by 5 %": (1.05, 0),
    "up by 30 %": (1.30, 0),
    "down to a third": (0.33, 1),
    "up to three times": (3.0, 1),
}


@pytest.mark.parametrize("share, off", STEPS.values(), ids=STEPS)
def test_a_lasting_change_is_a_step_and_no_overload(share, off):
    found = events(plain(300) + [(PEAK_KN * share, VALLEY_KN * share)] * 300, own_middle=True)
    assert [e.kind for e in found] == ["load_step"]
    assert abs(found[0].cycles - 300) <= off
    assert (found[0].peak_kN, found[0].valley_kN) == pytest.approx((PEAK_KN * share, VALLEY_KN * share), abs=0.1)


def test_every_step_of_load_shedding_is_told_and_the_count_stays_exact():
    shares = 0.95 ** np.arange(8)
    t, p = load([(PEAK_KN * s, VALLEY_KN * s) for s in shares for _ in range(200)], own_middle=True)
    phase = follow(t, p)
    found = phase.take_events(np.inf)
    assert [e.kind for e in found] == ["load_step"] * 7
    assert [e.cycles for e in found] == pytest.approx(200 * np.arange(1, 8), abs=2)
    assert phase.cycles_at(220.0) == pytest.approx(220 * 7.0, abs=0.1)


def test_an_overload_put_on_slowly_between_pauses_is_one_cycle():
    """The machine stops at the middle, is driven by hand to the overload in seconds, and goes on."""
    t, p = load(plain(200))
    end, step = t[-1], t[1] - t[0]
    by_hand = np.concatenate(
        [np.full(3000, 5.5), np.linspace(5.5, 15, 2500), np.linspace(15, 1, 2500), np.linspace(1, 5.5, 1000)]
    )
    p_all = np.concatenate([p, by_hand, p])
    found = follow(np.arange(p_all.size) * step, p_all).take_events(np.inf)
    assert told(found) == [("overload", 200, 1)]
    assert found[0].peak_kN == pytest.approx(15.0, abs=0.1) and found[0].time_s == pytest.approx(end, abs=28.0)


PLAIN_TESTS = {
    "still noise": {},
    "much noise": {"noise_kN": 0.2},
    "walk": {"walk": 0.002, "walk_period_s": 20.0},
    "fast walk": {"walk": 0.01, "walk_period_s": 7.0, "noise_kN": 0.05},
    "second harmonic": {"h2": 0.1, "h2_deg": 40.0},
    "jitter": {"jitter_s": 5e-4},
    "ten samples a cycle": {"sample_rate_hz": 70.7, "noise_kN": 0.02},
    "three samples a cycle": {"sample_rate_hz": 21.3},
    "pause": {"pause_from_s": 100.3, "pause_to_s": 140.0},
    "change of frequency": {"step_at_s": 100.0, "step_frequency_hz": 7.6, "noise_kN": 0.05},
}


@pytest.mark.parametrize("name", chosen(PLAIN_TESTS, *range(0, len(PLAIN_TESTS), 2)))
def test_nothing_stands_out_of_a_plain_test(name):
    """Some 2,000 cycles each, with every disturbance that the simulated bench has."""
    wave = LoadWave(**PLAIN_TESTS[name])
    end = int(300.0 * wave.sample_rate_hz)
    phase = follow(*wave.samples(0, end, np.random.default_rng([5, len(name)])), piece=int(wave.sample_rate_hz / 2))
    assert phase.take_events(np.inf) == []
    assert phase.counter.cycles > 1800


def test_a_load_that_grows_at_the_start_has_no_overload():
    """A controller brings the amplitude up over a hundred cycles."""
    grown = np.minimum(1.0, 0.2 + 0.008 * np.arange(500))
    middle = (PEAK_KN + VALLEY_KN) / 2
    found = events([(middle + 4.5 * g, middle - 4.5 * g) for g in grown])
    assert {e.kind for e in found} <= {"load_step"}
    assert len(found) <= 8


def test_events_are_handed_out_once_and_not_before_their_time():
    phase = follow(*load(plain(500, over(200) | under(400))))
    assert told(phase.take_events(28.0)) == []
    assert told(phase.take_events(29.0)) == [("overload", 200, 1)]
    assert told(phase.take_events(40.0)) == []
    assert told(phase.take_events(99.0)) == [("underload", 400, 1)]


def judged(peaks_kN, samples_per_cycle=50.0):
    """Events of complete cycles with these peaks, ten at a time."""
    judge, n = Judge(), len(peaks_kN)
    table = np.empty((5, n))
    table[NUMBER], table[TIME], table[PEAK], table[VALLEY] = np.arange(n), np.arange(n) / 7.0, peaks_kN, VALLEY_KN
    table[RANGE] = table[PEAK] - table[VALLEY]
    for i in range(0, n, 10):
        judge.see(table[:, i : i + 10], samples_per_cycle)
    return [(e.kind, e.cycles) for e in judge.events]


def test_a_load_that_scatters_by_a_twentieth_of_its_range_has_no_overloads():
    """The largest of two thousand stands 3.5 deviations out."""
    peaks = PEAK_KN + 0.05 * (PEAK_KN - VALLEY_KN) * np.random.default_rng(3).standard_normal(2000)
    assert (peaks > PEAK_KN + 0.15 * (PEAK_KN - VALLEY_KN)).any()
    assert judged(peaks) == []
    peaks[1500] = PEAK_KN + 0.8 * (PEAK_KN - VALLEY_KN)
    assert judged(peaks) == [("overload", 1500)]


@pytest.mark.parametrize(
    "beyond, samples, told", [(0.2, 50, True), (0.12, 50, False), (0.2, 4, False), (0.35, 4, True)]
)
def test_few_samples_a_cycle_may_miss_the_peak_and_that_is_allowed_for(beyond, samples, told):
    """With four, the largest lies up to (1 - cos 45 deg)/2 = 0.15 of the range below the peak; with fifty, 0.001."""
    peaks = np.full(200, PEAK_KN)
    peaks[150] += beyond * (PEAK_KN - VALLEY_KN)
    assert judged(peaks, samples) == ([("overload", 150)] if told else [])


def twin(p, low, high):
    """(number, peak, valley) of each complete cycle, sample by sample."""
    found, state, count, cycle = [], 0, 0, None
    for value in p:
        if value > high and state < 0:
            if cycle is not None:
                found.append((count, max(cycle), min(cycle)))
            count, cycle = count + 1, []
        state = 1 if value > high else -1 if value < low else state
        if cycle is not None:
            cycle.append(value)
    return count, found


@pytest.mark.parametrize("seed", range(5))
def test_the_counter_equals_its_twin_however_the_samples_are_cut(seed):
    rng = np.random.default_rng(seed)
    p = np.cumsum(rng.standard_normal(4000)) % 11 - 5.5  # nothing like a load
    t = np.arange(p.size) / 100.0
    counter, seen = CycleCounter(), []
    counter.judge.see = lambda cycles, samples: seen.extend(zip(*cycles[[0, 2, 3]]))  # type: ignore
    counter.set_levels(0.3, 4.0)
    cuts = np.sort(rng.integers(0, p.size, 60))
    for piece in zip(np.split(t, cuts), np.split(p, cuts)):
        counter.add(*piece)
    count, cycles = twin(p, *counter.levels)
    assert counter.cycles == count > 20
    assert seen == cycles


def test_samples_wait_for_the_first_levels_and_all_their_cycles_are_counted():
    t, p = load(plain(10))
    counter = CycleCounter()
    counter.add(t[:300], p[:300])
    assert counter.cycles == 0
    counter.set_levels(5.5, 4.5)
    counter.add(t[300:], p[300:])
    assert counter.cycles == 9  # crossings after the start, which is one itself


def test_a_cycle_without_end_keeps_memory_bounded():
    counter = CycleCounter()
    counter.set_levels(5.5, 4.5)
    for k in range(300):
        counter.add(np.arange(1000) / 1e3 + k, np.full(1000, 9.0))
    assert counter.open_kN.size <= 61_000 and counter.cycles == 0
    counter.add(np.array([301.0, 302.0]), np.array([1.0, 9.0]))
    assert counter.cycles == 1


@pytest.mark.parametrize("at_s", [25.0, 25.27, 25.54])
def test_cycles_go_on_evenly_over_windows_that_give_no_phase(at_s):
    """There the count stands for the cycles, half a one more or less."""
    t, p = load(plain(300))
    phase = follow(t, np.where((t > at_s) & (t < at_s + 0.07), 15.0, p))
    assert not all(k.good for k in phase.knots)
    off = [phase.cycles_at(s) - 7.0 * s for s in np.arange(22, 30, 0.05)]
    assert np.abs(off).max() < 0.6


TROUBLE = {
    "pause": (lambda t, p: (t, np.where((t > 20) & (t < 30), 5.5, p)), 25.0, "paused"),
    "overload": (lambda t, p: (t, np.where((t > 25) & (t < 25.07), 15.0, p)), 25.0, "load_uneven"),
    "hours of pause": (lambda t, p: (t, np.where((t > 20) & (t < 60), 5.5, p)), 55.0, "paused"),
    "no samples": (lambda t, p: (t[(t < 20) | (t > 30)], p[(t < 20) | (t > 30)]), 20.6, "waiting_load"),
}


@pytest.mark.parametrize("change, at_s, word", TROUBLE.values(), ids=TROUBLE)
def test_why_there_is_no_phase(change, at_s, word):
    t, p = change(*load(plain(490), noise_kN=0.0))
    phase = follow(t, p)
    assert phase.at(at_s) is None
    assert phase.trouble_at(at_s) == word
