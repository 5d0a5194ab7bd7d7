"""Load phase from invented load samples whose phase is known in closed form."""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.signal import sawtooth

from edge import wave_fit, wave_kernel
from edge.phase import LoadPhase

TURN = 2 * np.pi


@dataclass
class Wave:
    """P(t) = mean + amplitude [sin phi + h2 sin(2 phi + h2_deg)]; the phase runs at frequency_hz (1 + walk cos(...)),
    changes to `then_hz` at `change_s` and stands still, at mean load, from pause_s[0] to pause_s[1]."""

    frequency_hz: float = 7.0
    mean_kN: float = 5.5
    amplitude_kN: float = 4.5
    h2: float = 0.0
    h2_deg: float = 0.0
    walk: float = 0.0
    walk_s: float = 20.0
    change_s: float = np.inf
    then_hz: float = 7.0
    pause_s: tuple[float, float] = (np.inf, np.inf)
    start_rad: float = 0.4
    samples_hz: float = 1000.0
    noise: float = 0.002  # of the amplitude
    jitter_s: float = 0.0

    def run_s(self, t):
        from_s, to_s = self.pause_s
        return np.where(t < from_s, t, np.where(t < to_s, from_s, t - (to_s - from_s))) if np.isfinite(from_s) else t

    def phase(self, t):
        t = self.run_s(np.asarray(t, float))
        swing = self.walk * self.walk_s / TURN * np.sin(TURN * t / self.walk_s)
        before, after = np.minimum(t, self.change_s), np.maximum(t - self.change_s, 0)
        return TURN * (self.frequency_hz * (before + swing) + self.then_hz * after) + self.start_rad

    def load_kN(self, t):
        phi = self.phase(t)
        on = (t < self.pause_s[0]) | (t >= self.pause_s[1])
        return self.mean_kN + on * self.amplitude_kN * (
            np.sin(phi) + self.h2 * np.sin(2 * phi + np.deg2rad(self.h2_deg))
        )

    def samples(self, seconds, seed=1):
        rng = np.random.default_rng(seed)
        t = np.arange(int(seconds * self.samples_hz)) / self.samples_hz
        p = self.load_kN(t) + self.noise * self.amplitude_kN * rng.standard_normal(t.size)
        return t + self.jitter_s * rng.standard_normal(t.size), p


def follow_samples(t, p, nominal_hz, frame_hz=25.0, piece_s=0.2):
    """Feed in pieces, ask for the phase as the loop does: once it is settled. Returns the tracker, the times asked for
    and the phases (nan: none)."""
    phase = LoadPhase(nominal_hz)
    order = np.argsort(t, kind="stable")
    pieces = np.searchsorted(t[order], np.arange(piece_s, t.max() + piece_s, piece_s))
    frames = np.arange(0, t.max(), 1 / frame_hz)
    found: list[float] = []
    for start, end in zip(np.append(0, pieces), pieces):
        phase.feed(t[order[start:end]], p[order[start:end]])
        while len(found) < frames.size and phase.covered_to_s() >= frames[len(found)]:
            value = phase.at(frames[len(found)])
            found.append(np.nan if value is None else value)
    return phase, frames[: len(found)], np.array(found)


def follow(wave, seconds, nominal_hz=None, **how):
    phase, times, found = follow_samples(*wave.samples(seconds), nominal_hz or wave.frequency_hz, **how)
    assert times[-1] > seconds - 6 / wave.frequency_hz - 2  # it keeps up
    return phase, times, found


def error_deg(found, wave, times):
    """Phase error, folded into (-180, 180]."""
    return np.degrees(np.angle(np.exp(1j * (found - wave.phase(times)))))


def rms(x):
    return float(np.sqrt(np.mean(np.square(x))))


@pytest.mark.parametrize("samples_hz", [50.0, 100.0, 500.0, 2000.0])
@pytest.mark.parametrize("jitter_s", [0.0, 5e-4])
def test_phase_of_a_steady_load_at_any_sample_rate(samples_hz, jitter_s):
    """Jitter of 0.5 ms at 7 Hz is 1.3 degrees a sample; a window of a second averages it."""
    wave = Wave(samples_hz=samples_hz, jitter_s=jitter_s)
    phase, times, found = follow(wave, 20.0)
    assert np.isfinite(found).all()
    allowed = 4 * np.degrees(np.hypot(wave.noise, TURN * 7.0 * jitter_s)) * np.sqrt(2 / samples_hz) * 1.5 + 0.02
    assert rms(error_deg(found, wave, times)) < allowed
    state = phase.state(2.0, 18.0)
    assert state.frequency_hz == pytest.approx(7.0, rel=2e-4)
    assert state.range_kN == pytest.approx(9.0, rel=0.005)
    assert state.ratio == pytest.approx(0.1, abs=0.003)


@pytest.mark.parametrize(
    "frequency_hz, samples_hz", [(0.5, 100.0), (2.0, 50.0), (20.0, 50.0), (20.0, 1000.0), (60.0, 500.0)]
)
def test_phase_at_slow_and_fast_loads(frequency_hz, samples_hz):
    wave = Wave(frequency_hz, samples_hz=samples_hz)
    phase, times, found = follow(wave, 60.0)
    settled = times > 10.0
    assert np.isfinite(found[settled]).all()
    assert rms(error_deg(found, wave, times)[settled]) < 0.3
    assert phase.state(10.0, 50.0).frequency_hz == pytest.approx(frequency_hz, rel=2e-4)


@pytest.mark.parametrize("walk_s", [10.0, 60.0])
def test_a_frequency_that_walks_by_a_fifth_of_a_per_cent_is_followed(walk_s):
    wave = Wave(walk=0.002, walk_s=walk_s)
    _, times, found = follow(wave, 150.0)
    error = error_deg(found, wave, times)
    assert np.abs(error).max() < 1.0 and rms(error) < 0.2


def test_phase_rises_without_jumps_from_frame_to_frame():
    wave = Wave(walk=0.002, walk_s=10.0)
    _, _, found = follow(wave, 60.0)
    steps = np.diff(found) * 25.0 / TURN
    assert steps == pytest.approx(7.0, rel=0.004)


def test_a_pause_has_no_phase_and_afterwards_it_is_right_again():
    wave = Wave(pause_s=(30.3, 60.3))
    phase, times, found = follow(wave, 100.0)
    inside = (times > 32.0) & (times < 59.0)
    outside = (times < 28.0) | (times > 63.0)
    assert np.isnan(found[inside]).all()
    assert np.isfinite(found[outside]).all()
    assert np.nanmax(np.abs(error_deg(found, wave, times)[outside])) < 1.0
    border = ~inside & ~outside & np.isfinite(found) & ((times < 30.3) | (times > 60.3))
    assert np.abs(error_deg(found, wave, times)[border]).max() < 5.0  # no wrong phase beside it
    assert phase.state(61.0, 100.0).frequency_hz == pytest.approx(7.0, rel=2e-4)
    assert phase.state(35.0, 55.0) is None


@pytest.mark.parametrize("seed", range(6))
def test_after_a_pause_a_load_of_ten_samples_a_cycle_is_found_again(seed):
    """In a pause the strongest frequency is one of the noise, up to five times as high: samples are then no rarer than they were."""
    wave = Wave(frequency_hz=20.184, samples_hz=200.0, pause_s=(15.3, 25.3))
    _, times, found = follow_samples(*wave.samples(45.0, seed), 20.0)
    assert np.isfinite(found[(times < 13) | (times > 29)]).all()


def test_sparse_samples_are_not_taken_for_the_mirror_image_beyond_a_multiple_of_half_their_rate():
    """17.2 Hz in 8.7 samples/s are 17.6 Hz as well."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        t = np.arange(80) / 8.7
        p = np.sin(TURN * 17.2 * t + rng.uniform(0, TURN)) + 0.05 * rng.standard_normal(80)
        assert wave_fit.near_frequency(t, p, 17.15, 8.7) == pytest.approx(17.2, abs=0.05)


def test_a_phase_given_inside_the_pause_is_only_at_its_very_ends():
    """Frames of the standing specimen that are taken for cycling ones bias the amplitude."""
    wave = Wave(pause_s=(30.3, 60.3))
    _, times, found = follow(wave, 100.0)
    standing = (times >= 30.3) & (times < 60.3) & np.isfinite(found)
    assert np.count_nonzero(standing) <= 25  # one second of a memory of a minute


@pytest.mark.parametrize("creep_kN_per_s", [0.01, 0.1])
def test_a_held_load_that_creeps_is_a_pause_and_the_phase_comes_back(creep_kN_per_s):
    wave = Wave(pause_s=(30.3, 60.3))
    t, p = wave.samples(100.0)
    held = (t >= 30.3) & (t < 60.3)
    _, times, found = follow_samples(t, p + np.where(held, creep_kN_per_s * (t - 30.3), 0), 7.0)
    assert times[-1] > 97.0
    assert np.count_nonzero(np.isfinite(found[(times >= 30.3) & (times < 60.3)])) <= 25
    after = times > 63.0
    assert np.isfinite(found[after]).all() and np.abs(error_deg(found, wave, times)[after]).max() < 1.0


@pytest.mark.parametrize("then_hz", [7.2, 9.0, 5.0, 12.0])
def test_a_change_of_frequency_is_followed_within_seconds(then_hz):
    wave = Wave(change_s=30.0, then_hz=then_hz)
    phase, times, found = follow(wave, 60.0)
    error = error_deg(found, wave, times)
    away = (times < 29.0) | (times > 36.0)
    assert np.isfinite(found[away]).all() and np.abs(error[away]).max() < 1.0
    near = ~away & np.isfinite(found)
    assert np.count_nonzero(np.abs(error[near]) > 20) <= 15  # of frames; 0.6 s
    assert phase.state(40.0, 57.0).frequency_hz == pytest.approx(then_hz, rel=2e-4)


@pytest.mark.parametrize("nominal_hz", [3.0, 6.5, 7.5, 15.0])
def test_the_nominal_frequency_may_be_off_by_a_factor(nominal_hz):
    wave = Wave(7.0)
    phase, times, found = follow(wave, 30.0, nominal_hz)
    settled = times > 6.0
    assert np.abs(error_deg(found, wave, times)[settled]).max() < 0.5
    assert phase.frequency_hz == pytest.approx(7.0, rel=1e-3)


@pytest.mark.parametrize("h2, h2_deg", [(0.03, 40.0), (0.10, -120.0), (0.005, 180.0)])
def test_second_harmonic_of_the_load_in_amplitude_and_phase(h2, h2_deg):
    wave = Wave(h2=h2, h2_deg=h2_deg)
    phase, times, found = follow(wave, 70.0)
    state = phase.state(5.0, 65.0)
    assert np.abs(state.h2 - h2 * np.exp(1j * np.deg2rad(h2_deg))) < 4 * max(state.h2_sd, 2e-5)
    assert np.abs(error_deg(found, wave, times)).max() < 0.5  # phi is that of the fundamental
    assert state.range_kN == pytest.approx(9.0, rel=0.002)


def test_the_deviation_of_the_second_harmonic_is_its_scatter():
    off = []
    for seed in range(12):
        phase = LoadPhase(7.0)
        phase.feed(*Wave(h2=0.03, samples_hz=200.0, noise=0.01).samples(40.0, seed))
        state = phase.state(2.0, 38.0)
        off.append((state.h2 - 0.03) / state.h2_sd)
    assert 0.4 < np.sqrt(np.mean(np.abs(off) ** 2)) < 1.6


def test_a_pure_load_has_no_second_harmonic():
    state = follow(Wave(), 70.0)[0].state(5.0, 65.0)
    assert np.abs(state.h2) < 4 * state.h2_sd < 1e-3


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"samples_hz": 50.0, "noise": 0.02},
        {"frequency_hz": 20.0, "samples_hz": 100.0, "noise": 0.02},
        {"samples_hz": 20.0, "jitter_s": 2e-4},  # few a cycle: not one of them may go uncounted
        {"frequency_hz": 12.3, "samples_hz": 40.0, "jitter_s": 2e-4},
        {"samples_hz": 30.0, "jitter_s": 2e-4},
        {"walk": 0.002, "h2": 0.1, "noise": 0.05},
        {"pause_s": (60.2, 62.2)},
        {"pause_s": (60.2, 90.2)},
        {"change_s": 100.0, "then_hz": 9.0},
        {"frequency_hz": 0.5},
        {"mean_kN": -20.0, "jitter_s": 3e-4},
        {"noise": 0.12},  # as of a small load on a large machine's cell
        {"noise": 0.2, "samples_hz": 2000.0},
        {"noise": 0.24},  # some of its windows are too noisy for a phase
        {"noise": 0.12, "walk": 0.002},
        {"noise": 0.12, "change_s": 100.0, "then_hz": 9.0},
    ],
    ids=str,
)
def test_cycle_count_is_exact(settings):
    """Against the closed-form phase, at the end and on the way: never off by more than the cycle under way."""
    wave = Wave(**settings)
    phase, _, _ = follow(wave, 303.0)
    for t in (120.0, 200.0, 300.0):
        if phase.knots[0].time_s < t:  # the last minute or so is kept
            assert phase.cycles_at(t) == pytest.approx((wave.phase(t) - wave.start_rad) / TURN, abs=1.01)


@pytest.mark.parametrize(("noise", "most_off"), [(0.1, 2.01), (0.12, 6.01), (0.2, 30.01)])
def test_noise_of_a_load_that_stands_is_not_counted_as_long_as_it_stands(noise, most_off):
    """But for the windows at both ends of the pause, which hold load and noise. A minute of this noise crosses the counter's
    levels 30, 190 and 2,100 times."""
    wave = Wave(noise=noise, pause_s=(60.2, 120.2))
    phase, _, _ = follow(wave, 183.0)
    assert phase.cycles_at(180.0) == pytest.approx((wave.phase(180.0) - wave.start_rad) / TURN, abs=most_off)
    assert "paused" in {k.trouble for k in phase.knots}


@pytest.mark.parametrize("noise", [0.002, 0.1, 0.2])
@pytest.mark.parametrize("hole_s", [2.0, 30.0])
def test_cycles_of_a_hole_in_the_samples_are_told_as_estimated_in_a_noisy_load_too(noise, hole_s):
    wave = Wave(noise=noise)
    t, p = wave.samples(123.0)
    there = (t < 60.0) | (t > 60.0 + hole_s)
    phase, _, _ = follow_samples(t[there], p[there], 7.0)
    assert "cycles_estimated" in phase.take_remarks(120.0)
    assert phase.cycles_at(120.0) == pytest.approx((wave.phase(120.0) - wave.start_rad) / TURN, abs=1.01)


def test_the_way_the_samples_are_cut_into_pieces_does_not_matter():
    t, p = Wave(walk=0.002).samples(30.0)
    trackers = []
    for piece in (37, 500, 5000):
        tracker = LoadPhase(7.0)
        for i in range(0, t.size, piece):
            tracker.feed(t[i : i + piece], p[i : i + piece])
        trackers.append(tracker)
    first = [k.phase_rad for k in trackers[0].knots]
    for other in trackers[1:]:
        assert [k.phase_rad for k in other.knots] == pytest.approx(first, abs=1e-9)
        assert other.cycles == trackers[0].cycles


def test_samples_out_of_order_or_sent_twice_do_no_harm():
    wave = Wave()
    t, p = wave.samples(30.0)
    rng = np.random.default_rng(4)
    tracker = LoadPhase(7.0)
    for i in range(0, t.size, 200):
        swapped = np.arange(i, i + 200)
        swapped[10:14] = swapped[13:9:-1]
        piece = np.concatenate([swapped, rng.integers(i, i + 200, 5)])
        tracker.feed(t[piece], p[piece])
    times = np.arange(2.0, 27.0, 0.04)
    assert np.abs(error_deg(np.array([tracker.at(x) for x in times], float), wave, times)).max() < 0.3
    assert tracker.cycles_at(25.0) == pytest.approx(25 * 7, abs=1.01)


@pytest.mark.parametrize("gap_s", [0.05, 3.0])
def test_missing_samples_leave_no_wrong_phase(gap_s):
    wave = Wave()
    t, p = wave.samples(60.0)
    kept = (t < 30.0) | (t >= 30.0 + gap_s)
    _, times, found = follow_samples(t[kept], p[kept], 7.0)
    assert np.nanmax(np.abs(error_deg(found, wave, times))) < 3.0
    assert np.isfinite(found[(times < 28.5) | (times > 32.0 + gap_s)]).all()


T_S = np.arange(30000) / 1000.0
STEPS = np.random.default_rng(3).standard_normal(T_S.size)
NO_LOAD = {  # name: samples of half a minute, kN
    "constant": np.full(T_S.size, 3.0),
    "steps": 3.0 + np.floor(T_S / 7.3),
    "noise": 3.0 + 0.1 * STEPS,
    "drift": 3.0 + 0.01 * T_S + 0.001 * STEPS,
    "random walk": 3.0 + 0.01 * np.cumsum(STEPS),
}


@pytest.mark.parametrize("load_kN", NO_LOAD.values(), ids=NO_LOAD)
def test_a_signal_without_cycles_has_no_phase_and_counts_next_to_nothing(load_kN):
    tracker = LoadPhase(7.0)
    for i in range(0, T_S.size, 200):
        tracker.feed(T_S[i : i + 200], load_kN[i : i + 200])
    assert np.mean([k.good for k in tracker.knots]) <= 0.05
    assert tracker.cycles_at(28.0) < 0.02 * 7 * 28


@pytest.mark.parametrize("tone_hz", [8.0, 20.0, 50.0])
def test_hum_on_the_wire_of_a_load_that_stands_is_not_counted(tone_hz):
    t = np.arange(0.0, 200.0, 0.002)
    p = 5.0 + np.where(t < 60, 4.0 * np.sin(2 * np.pi * 10.0 * t), 0.016 * np.sin(2 * np.pi * tone_hz * t))
    phase = LoadPhase(10.0)
    for i in range(0, t.size, 100):
        phase.feed(t[i : i + 100], p[i : i + 100])
    assert phase.cycles_at(199.0) == pytest.approx(600, abs=1.01)
    assert phase.at(150.0) is None and phase.trouble_at(150.0) == "paused"


def test_the_load_is_averaged_over_the_whole_memory():
    t = np.arange(0.0, 600.0, 0.01)
    p = 5.0 + (4.0 - t / 300) * np.sin(2 * np.pi * 5.0 * t)
    phase = LoadPhase(5.0, memory_s=500.0)
    phase.feed(t, p)
    assert phase.state(98.0, 598.0).range_kN == pytest.approx(2 * (4.0 - 348 / 300), rel=2e-3)


def test_one_overload_does_not_shift_the_phase():
    """One cycle of one and a half times the peak load among steady ones."""
    wave = Wave()
    t, p = wave.samples(40.0)
    n = np.floor((wave.phase(t)) / TURN)
    half = (n == 140) & (np.sin(wave.phase(t)) > 0)
    p[half] = 5.5 + 2.11 * (p[half] - 5.5)
    tracker = LoadPhase(7.0)
    tracker.feed(t, p)
    times = np.arange(2.0, 37.0, 0.04)
    found = np.array([tracker.at(x) for x in times], float)
    assert np.nanmax(np.abs(error_deg(found, wave, times))) < 5.0
    assert tracker.cycles_at(38.0) == pytest.approx(38 * 7, abs=1.01)


def test_nothing_is_known_before_the_first_window_and_nothing_invented_long_after_the_last():
    tracker = LoadPhase(7.0)
    assert tracker.at(0.0) is None and tracker.state(0.0, 10.0) is None and tracker.cycles_at(1.0) == 0
    tracker.feed(*Wave().samples(10.0))
    assert tracker.at(5.0) is not None
    assert tracker.at(20.0) is None


@pytest.mark.parametrize("hz", [11.0, 12.0, 12.2, 24.0])
@pytest.mark.parametrize("pause_s", [(np.inf, np.inf), (20.3, 50.1)])
def test_a_sparse_signal_near_half_the_rate_it_comes_at_has_its_phase_and_none_in_a_pause(hz, pause_s):
    """At the half itself a sine's samples may all be nil: noise was explained there by an amplitude of ten thousand million."""
    wave = Wave(hz, samples_hz=25.0, noise=0.01, pause_s=pause_s)
    t, p = wave.samples(110.0)
    tracker, times = LoadPhase(hz, 25.0), np.arange(70.0, 100.0, 0.2)
    for i in range(0, t.size, 5):
        tracker.feed(t[i : i + 5], p[i : i + 5])
    found = np.array([tracker.at(x) for x in times], float)
    assert np.isfinite(found).mean() > 0.95 and np.nanmax(np.abs(error_deg(found, wave, times))) < 15
    assert np.isinf(pause_s[0]) or all(tracker.at(x) is None for x in np.arange(26.0, 44.0, 0.2))
    assert tracker.state(70.0, 100.0).range_kN == pytest.approx(9.0, rel=0.02)


def test_a_hole_behind_any_sample_of_a_sparse_signal_is_a_hole_and_no_load_that_stands_still():
    """As of frames from a camera that was away: the last window before it may hold a single sample."""
    for last in range(300, 340):
        t = np.arange(1000) / 25
        t = t[(t < (last - 0.5) / 25) | (t > (last + 74.5) / 25)]
        tracker = LoadPhase(7.0, 25.0)
        tracker.feed(t, np.sin(TURN * 7.0 * t))
        assert {k.trouble for k in tracker.knots} <= {"", "load_uneven"}, last
        good = [k for k in tracker.knots if k.good]
        assert good[-1].cycles - good[0].cycles == pytest.approx(7.0 * (good[-1].time_s - good[0].time_s), abs=0.1), last


@pytest.mark.parametrize("rows", [wave_kernel.ROWS, wave_kernel.THIRD])
@pytest.mark.parametrize("samples, cycles, off", [(1000, 7.0, 0.0), (40, 4.2, 1e5), (1200, 4.0, 0.0), (17, 5.3, -3.0)])
def test_the_fit_of_a_window_equals_its_plain_twin(samples, cycles, off, rows):
    rng = np.random.default_rng(samples)
    t = np.sort(rng.uniform(-0.5, 0.5, samples))
    p = off + np.sin(TURN * cycles * t) + 0.1 * rng.standard_normal(samples)
    x, b = np.empty((rows, samples)), np.empty(rows)
    squares = wave_kernel.kernel()(t, p, TURN * cycles, 1.0, x, b)
    (s, c), (s2, c2), (s3, c3) = ((np.sin(k * TURN * cycles * t), np.cos(k * TURN * cycles * t)) for k in (1, 2, 3))
    columns = np.stack([np.ones(samples), t, s, c, t * s, t * c, s2, c2, s3, c3][:rows])
    expected = np.linalg.lstsq(columns.T, p, rcond=None)[0]
    assert x == pytest.approx(columns, abs=1e-12)
    assert b == pytest.approx(expected, rel=1e-9, abs=1e-9 * max(1, abs(off)))
    assert squares == pytest.approx(np.sum((p - expected @ columns) ** 2), rel=1e-6)


@pytest.mark.parametrize("cycles", [0.0, 0.01, 500.0])
def test_a_window_whose_regressors_depend_on_each_other_is_left_to_another_way(cycles):
    """No cycle, a hundredth of one, and one that falls between evenly spaced samples."""
    t, b = (np.arange(1000) - 499.5) / 1000, np.empty(wave_kernel.ROWS)
    assert wave_kernel.kernel()(t, np.ones(1000), TURN * cycles, 1.0, np.empty((wave_kernel.ROWS, 1000)), b) == -1
    assert wave_fit.fit_harmonics(t, 3 + t, cycles).noise_kN < 1e-6  # a line, which the regressors hold


@pytest.mark.parametrize("hz", [0.71, 1.74, 3.1])
@pytest.mark.parametrize("flat", [1.0, 1.6], ids=["triangle", "trapezoid"])
def test_a_load_of_straight_lines_has_the_frequency_and_range_of_its_fundamental(hz, flat):
    """Its third harmonic, left in a window's fit, made them 0.1 to 0.2 % too large, and h2 some 0.2 %."""
    t = np.arange(0, 60 / hz**0.5, 0.005)
    p = 4 * np.clip(flat * sawtooth(TURN * hz * t + np.pi / 2, 0.5), -1, 1)
    tracker = LoadPhase(hz)
    tracker.feed(t, p)
    found = tracker.state(5.0, tracker.covered_to_s())
    fundamental = flat * 8 / np.pi**2 * np.sin(np.pi / 2 / flat)  # Fourier series, any textbook
    assert found.frequency_hz == pytest.approx(hz, rel=5e-4)
    assert found.range_kN == pytest.approx(8 * fundamental, rel=6e-4)
    assert abs(found.h2) < 8e-4
    at = np.linspace(5.0, tracker.covered_to_s() - 1, 200)
    off = np.exp(1j * (np.array([tracker.at(s) for s in at]) - TURN * hz * at))
    assert np.abs(np.angle(off)).max() < 1.5e-3
