"""The recursive lock-in against batch least squares, and its kernel against a plain twin."""

import numpy as np
import plain
import pytest

from edge import lockin, lockin_kernel
from edge.lockin import LockIn
from edge.lockin_kernel import BLOCK, GROUP

EQUAL = 1e-4  # of one frame's noise: how far recursive and batch estimate may be apart
SHAPE = (5, 11)
RATE_HZ, LOAD_HZ = 25.0, 7.0


def group(frames, base, x=None, decays=(1.0,) * GROUP, n=GROUP, trend=0.0):
    """Arguments of the kernel after planes and energy, in its types; the normal matrices come last."""
    x = np.ones((GROUP, 2)) if x is None else np.asarray(x, float)
    sums = np.zeros((2, x.shape[1], x.shape[1]))
    return np.asarray(base, np.float32), *np.asarray(frames, np.uint16), x, np.asarray(decays, float), n, trend, *sums


def twin(planes, energy, base, *given):
    """The same by `plain.accumulate`: (planes, energy, both normal matrices) after the group."""
    frames, (x, decays, n, trend, *sums) = given[:GROUP], given[GROUP:]
    w = np.append(np.cumprod(decays[n - 1 : 0 : -1])[::-1], 1.0)  # what comes after a frame fades it
    fade, x, w = float(np.float32(np.prod(decays[:n]))), x[:n], w[:, None]  # rounded, as the pixels have it
    after = plain.accumulate(planes, energy, base, np.stack(frames[:n]), trend * x[:, 1], w * x, w[:, 0], fade)
    return *after, fade * sums[0] + (w * x).T @ x, fade**2 * sums[1] + (w**2 * x).T @ x


@pytest.fixture(params=["compiled", "interpreted"])
def accumulate(request):
    """The kernel as it runs, and as Python runs it, where coverage sees it."""
    return lockin_kernel.kernel() if request.param == "compiled" else lockin_kernel.accumulate


@pytest.mark.parametrize("pixels", [1, 2, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK + 1])
@pytest.mark.parametrize("decay", [1.0, 0.97])
def test_kernel_equals_its_plain_twin(accumulate, pixels, decay):
    rng = np.random.default_rng(pixels)
    planes, energy = np.zeros((6, pixels), np.float32), np.zeros(pixels)
    base = rng.integers(20000, 40000, pixels)
    wanted_planes, wanted_energy = planes.astype(float), energy.copy()
    for n in (GROUP, GROUP, 1, GROUP - 1, GROUP):  # frames in the group
        frames = base + rng.integers(-300, 300, (GROUP, pixels))
        decays = decay * rng.uniform(0.9, 1, GROUP)
        given = group(frames, base, rng.standard_normal((GROUP, 6)), decays, n, rng.uniform(-5, 5))
        for total in given[-2:]:
            total[:] = rng.standard_normal((6, 6))
        wanted_planes, wanted_energy, *wanted_sums = twin(wanted_planes, wanted_energy, *given)
        fade = accumulate(planes, energy, *given)
        assert fade == pytest.approx(np.prod(decays[:n]), rel=1e-7)
        assert np.array(given[-2:]) == pytest.approx(np.array(wanted_sums), rel=1e-12, abs=1e-12)
    assert planes == pytest.approx(wanted_planes, rel=1e-5, abs=1e-2)
    assert energy == pytest.approx(wanted_energy, rel=1e-5)


def test_kernel_subtracts_the_base_without_wrapping_around(accumulate):
    """Counts are unsigned: the ends of their range on both sides of the base."""
    frames = np.zeros((GROUP, 4))
    frames[0] = 0, 65535, 0, 65535
    planes, energy = np.zeros((2, 4), np.float32), np.zeros(4)
    accumulate(planes, energy, *group(frames, [65535, 0, 0, 65535], n=1))
    assert planes[0].tolist() == [-65535, 65535, 0, 0]
    assert energy == pytest.approx([65535.0**2, 65535.0**2, 0, 0])


@pytest.mark.parametrize("pixels", [1, BLOCK + 1])
def test_kernel_keeps_a_nan_of_the_base_where_it_is(accumulate, pixels):
    base = np.full(pixels, 100.0)
    base[pixels // 2] = np.nan
    planes, energy = np.zeros((4, pixels), np.float32), np.zeros(pixels)
    given = group(np.full((GROUP, pixels), 120), base, [[1.0, 0.5, -0.5, 0.0]] * GROUP)
    wanted_planes, wanted_energy, *_ = twin(planes.copy(), energy.copy(), *given)
    accumulate(planes, energy, *given)
    assert np.array_equal(np.isnan(planes), np.isnan(wanted_planes)) and np.isnan(planes[:, pixels // 2]).all()
    assert np.array_equal(planes, wanted_planes.astype(np.float32), equal_nan=True)
    assert np.array_equal(energy, wanted_energy, equal_nan=True)


def test_kernel_is_compiled_for_one_set_of_types_before_the_first_frame():
    estimate = LockIn((3, 7), 3, 100)
    for i in range(2 * GROUP + 1):
        counts = np.full((3, 7), 1000 + i, np.uint16)
        counts.flags.writeable = i % 2 > 0  # some sources hand out what stands in bytes
        estimate.add(counts if i % 3 else np.tile(counts, 2)[:, ::2], i / RATE_HZ, 1.7 * i)
    estimate.solve()
    assert len(lockin_kernel.kernel().signatures) == 1


class Run:
    """Invented frames: pattern, drift and steps of the level, a wave of three harmonics, white noise; some lost."""

    def __init__(
        self, frames=600, harmonics=2, noise=5.0, drift_per_s=0.5, steps=(), lost=0.0, load_hz=LOAD_HZ, seed=1
    ):
        rng = np.random.default_rng(seed)
        number = np.flatnonzero(rng.random(frames) >= lost)
        self.slots = np.diff(number, prepend=number[0] - 1)
        self.time_s = number / RATE_HZ
        self.phase_rad = 2 * np.pi * load_hz * self.time_s + 0.3
        self.harmonics, self.steps = harmonics, steps
        self.stretch = np.searchsorted(np.array(steps, float), np.arange(number.size), side="right")
        n = SHAPE[0] * SHAPE[1]
        self.h = 10 * (rng.standard_normal((3, n)) + 1j * rng.standard_normal((3, n))) / np.arange(1, 4)[:, None]
        level = 30000 + 500 * rng.standard_normal(n) + 200 * rng.standard_normal((len(steps) + 1, n))[self.stretch]
        level = level + np.outer(self.time_s, drift_per_s * (1 + 0.2 * rng.standard_normal(n)))
        wave = sum((self.h[k - 1] * np.exp(1j * k * self.phase_rad)[:, None]).imag for k in range(1, harmonics + 1))
        self.frames = np.rint(level + wave + noise * rng.standard_normal(wave.shape)).astype(np.uint16)

    def through(self, memory_frames, solve_every=None):
        lockin = LockIn(SHAPE, self.harmonics, memory_frames)
        for i, counts in enumerate(self.frames):
            if i in self.steps:
                lockin.new_baseline()
            lockin.add(counts.reshape(SHAPE), self.time_s[i], self.phase_rad[i], int(self.slots[i]))
            if solve_every and i % solve_every == 0:
                lockin.solve()
        return lockin.solve()

    def at_once(self, memory_frames):
        weights = plain.fading_weights(self.slots, memory_frames, self.steps)
        return plain.batch_lockin(self.frames, self.time_s, self.phase_rad, self.harmonics, weights, self.stretch)


# memory in frames, settings of the run, rows (solves) in between
CASES = {
    "all frames alike": (1000, {}, None),
    "three harmonics": (1000, {"harmonics": 3}, None),
    "one harmonic": (1000, {"harmonics": 1, "frames": 100}, None),
    "few frames": (1000, {"frames": 12}, None),
    "fading memory": (150, {}, None),
    "fading memory, frames lost": (150, {"lost": 0.2}, None),
    "solved in between": (150, {"lost": 0.2}, 37),
    "drift": (1000, {"drift_per_s": 4.0}, 250),
    "drift, fading memory": (150, {"drift_per_s": 20.0}, 50),
    "new baseline": (1000, {"steps": (250,)}, None),
    "three baselines": (1000, {"steps": (100, 140, 400), "harmonics": 3}, None),
    "new baselines, fading memory": (150, {"steps": (250, 500), "lost": 0.1}, None),
    "new baselines, drift, fading memory, solved in between": (
        150,
        {"steps": (250, 500), "drift_per_s": 20.0, "lost": 0.1},
        40,
    ),
    "stretches too short for a drift": (1000, {"steps": (200, 201, 203)}, None),
    "quiet camera": (1000, {"noise": 0.5}, None),
}


@pytest.mark.parametrize("memory, settings, solve_every", CASES.values(), ids=CASES.keys())
def test_recursive_estimate_equals_batch_least_squares(memory, settings, solve_every):
    run = Run(**settings)
    found, wanted = run.through(memory, solve_every), run.at_once(memory)
    apart = np.abs(found.maps.reshape(run.harmonics, -1) - wanted.maps)
    assert np.all(apart <= EQUAL * wanted.noise), (apart / wanted.noise).max()
    assert found.noise.ravel() == pytest.approx(wanted.noise, rel=0.002)
    assert found.amplitude_sd == pytest.approx(wanted.sd, rel=1e-3)


@pytest.mark.parametrize("solve_every", [50, 250])
@pytest.mark.parametrize("memory", [150, 1000])
def test_a_big_drift_leaves_the_harmonics_equal_to_batch_least_squares(memory, solve_every):
    """100 counts a second over 24 s is 480 times the noise: 1 K/s at 100 counts/K, far more than any warm-up."""
    run = Run(drift_per_s=100.0)
    found, wanted = run.through(memory, solve_every), run.at_once(memory)
    assert np.all(np.abs(found.maps.reshape(2, -1) - wanted.maps) <= EQUAL * wanted.noise)



@pytest.mark.parametrize("memory_s, drift_K_per_h", [(60, 10), (60, 60), (300, 1), (300, 60)])
def test_noise_stays_true_while_the_camera_warms_up(memory_s, drift_K_per_h):
    """25 frames/s, 100 counts/K, noise 50 mK: a warm-up of 1 K a minute, rows every 10 s."""
    run = Run(frames=int(3 * memory_s * RATE_HZ), drift_per_s=drift_K_per_h * 100 / 3600)
    found = run.through(memory_s * RATE_HZ, 250)
    assert found.noise == pytest.approx(np.sqrt(5.0**2 + 1 / 12), rel=5 / np.sqrt(2 * memory_s * RATE_HZ))


def test_solving_part_by_part_is_solving_at_once(monkeypatch):
    run = Run(steps=(250, 500), drift_per_s=20.0)
    at_once = run.through(150, 40)
    monkeypatch.setattr(lockin, "PART", 7)
    in_parts = run.through(150, 40)
    for name in ("maps", "mean", "noise", "amplitude_sd"):
        assert getattr(in_parts, name) == pytest.approx(getattr(at_once, name), rel=1e-6, abs=1e-6)


def test_memory_keeps_the_effective_number_of_frames():
    run = Run(frames=700)
    assert run.through(1000).frames == pytest.approx(700)
    assert run.through(150).frames == pytest.approx(150, abs=1)
    weights = plain.fading_weights(run.slots, 150)
    assert run.through(150).frames == pytest.approx(weights.sum() ** 2 / np.sum(weights**2), rel=1e-3)


@pytest.mark.parametrize("lost, copies", [(0.0, 1), (0.3, 1), (0.0, 3)])
def test_the_memory_is_as_long_in_time_whatever_is_lost_or_repeated(lost, copies):
    """Mean age of what the estimate goes by, half a memory; a camera that shows each image three times over included."""
    memory, rng = 300, np.random.default_rng(4)
    number = np.flatnonzero(rng.random(8 * memory) >= lost)
    number = number[number % copies == 0]
    lockin, slots = LockIn((1, 1), 1, memory), np.diff(number, prepend=number[0] - 1)
    for n, step in zip(number, slots, strict=True):
        lockin.add(np.zeros((1, 1), np.uint16), n / RATE_HZ, 1.7 * n, int(step))
    weights = plain.fading_weights(slots, memory)
    age = number[-1] - number
    assert weights @ age / weights.sum() == pytest.approx(memory / 2, rel=0.03)
    variance = weights @ age**2 / weights.sum() - (weights @ age / weights.sum()) ** 2
    assert lockin.solve().age_sd == pytest.approx(variance**0.5, rel=1e-9)
    assert lockin.effective_periods == pytest.approx(memory, rel=0.01)
    assert lockin.effective_frames == pytest.approx(weights.sum() ** 2 / np.sum(weights**2), rel=1e-9)
    assert lockin.effective_frames == pytest.approx(memory * number.size / (8 * memory), rel=0.05)


def test_effective_frames_pass_the_memory_by_a_third_at_most_and_settle_at_it():
    """Closed form, from the sums of a first memory of equal weights, q = decay^n each after n more frames, and of the
    geometric series: M (1 + q)^2 / (1 + 3 q^2), largest, 4/3 M, at q = 1/3."""
    memory = 300
    lockin, seen = LockIn((1, 1), 1, memory), []
    for i in range(6 * memory):
        lockin.add(np.zeros((1, 1), np.uint16), i / RATE_HZ, 1.7 * i)
        seen.append(lockin.effective_frames)
    q = ((memory - 1) / (memory + 1)) ** np.arange(5 * memory)
    assert seen[:memory] == pytest.approx(np.arange(1, memory + 1))
    assert seen[memory:] == pytest.approx(memory * (1 + q) ** 2 / (1 + 3 * q**2), rel=0.01)
    assert max(seen) == pytest.approx(4 / 3 * memory, rel=0.005) and seen[-1] == pytest.approx(memory, rel=0.01)


def test_noise_of_the_harmonics_is_at_the_cramer_rao_bound():
    """Each component of h_k has variance 2 s^2/N at best (Kay, Fundamentals of Statistical Signal Processing 1993, from
    memory); s includes rounding, 1/12. The estimate states it, and the scatter over pixels and runs agrees."""
    frames, noise = 500, 5.0
    errors = []
    for seed in range(24):
        run = Run(frames=frames, noise=noise, seed=seed)
        found = run.through(1000)
        errors.append(found.maps.reshape(2, -1) - run.h[:2])
    bound = np.sqrt(2 * (noise**2 + 1 / 12) / frames)
    scatter = np.std(np.concatenate([np.real(errors), np.imag(errors)]), axis=(0, 2))
    assert scatter == pytest.approx(bound, rel=0.05)  # 2640 values: 1.4 % deviation
    assert found.amplitude_sd * np.median(found.noise) == pytest.approx(bound, rel=0.05)
    assert found.inflation == pytest.approx(1, abs=0.02)


def test_residual_noise_is_the_camera_noise_at_every_pixel():
    run = Run(frames=800, noise=8.0)
    found = run.through(2000)
    expected = np.sqrt(8.0**2 + 1 / 12)
    assert found.noise == pytest.approx(expected, rel=4.5 / np.sqrt(2 * 800))  # 55 pixels, 4.5 deviations
    assert found.noise.std() > 0.2 * expected / np.sqrt(2 * 800)  # it is each pixel's own


@pytest.mark.parametrize("memory, steps", [(1000, ()), (100, ()), (1000, (200,))])
@pytest.mark.parametrize("solve_every", [None, 60])
def test_mean_is_the_level_over_the_memory_without_the_wave(memory, steps, solve_every):
    """The waves weigh 10 counts here and don't average out over a fading memory; after a step, only what came after."""
    run = Run(frames=500, drift_per_s=20.0, steps=steps)
    found = run.through(memory, solve_every)
    weights = plain.fading_weights(run.slots, memory, steps) * (run.stretch == run.stretch[-1])
    wave = sum((run.h[k - 1] * np.exp(1j * k * run.phase_rad)[:, None]).imag for k in (1, 2))
    level = weights @ (run.frames - wave) / weights.sum()
    assert found.mean.ravel() == pytest.approx(level, abs=0.3)


def test_right_after_a_new_baseline_the_estimate_is_that_of_the_past():
    run = Run(frames=300)
    lockin = LockIn(SHAPE, 2, 1000)
    for i in range(300):
        lockin.add(run.frames[i].reshape(SHAPE), run.time_s[i], run.phase_rad[i])
    before = lockin.solve()
    lockin.new_baseline()
    after = lockin.solve()
    assert after.maps == pytest.approx(before.maps, abs=1e-4 * 5)
    assert after.mean == pytest.approx(before.mean, abs=15)
    assert after.noise == pytest.approx(before.noise, rel=2e-3)


# load frequency at 25 frames/s; inflation of harmonics 1, 2, 3. 5 Hz: 10 Hz and 15 Hz both show at 10 Hz; 25/3 Hz: 3f
# shows as a constant, 1f and 2f both at 25/3 Hz; 6.25 Hz: 18.75 Hz shows at 6.25 Hz, 12.5 Hz has no phase
FOLDED = [(7.0, (1, 1, 1)), (5.0, (1, np.inf, np.inf)), (25 / 3, (np.inf,) * 3), (6.25, (np.inf,) * 3)]


@pytest.mark.parametrize("load_hz, expected", FOLDED)
def test_harmonics_that_fold_together_are_said_to_be_lost_and_leave_the_others_whole(load_hz, expected):
    run = Run(frames=500, harmonics=3, load_hz=load_hz)
    found = run.through(1000)
    assert found.inflation == pytest.approx(np.array(expected, float), rel=0.03)
    for k in np.flatnonzero(np.isfinite(expected)):
        off = np.abs(found.maps[k].ravel() - run.h[k])
        assert np.sqrt(np.mean(off**2)) < 1.3 * np.sqrt(2) * 5.0 * np.sqrt(2 / 500)


def test_harmonics_that_nearly_fold_together_have_the_larger_deviation_that_batch_least_squares_gives():
    """5.005 Hz: 2f shows at 10.01, 3f at 9.985 Hz, half a beat in 20 s; 1f is alone."""
    run = Run(frames=500, harmonics=3, load_hz=5.005)
    found, wanted = run.through(1000), run.at_once(1000)
    assert found.amplitude_sd == pytest.approx(wanted.sd, rel=1e-3)
    assert found.inflation == pytest.approx(wanted.sd**2 * 500 / 2, rel=2e-3)
    assert found.inflation[0] < 1.02 and found.inflation[1] > 1.5 and found.inflation[2] > 1.5


def test_no_estimate_from_too_few_frames_or_right_after_reset():
    run = Run(frames=100)
    lockin = LockIn(SHAPE, 2, 1000)
    assert lockin.solve() is None
    for i in range(100):
        lockin.add(run.frames[i].reshape(SHAPE), run.time_s[i], run.phase_rad[i])
        if i == 5:
            assert lockin.solve() is None
    assert lockin.solve() is not None
    lockin.reset()
    assert lockin.solve() is None


def test_reset_forgets_everything():
    first, second = Run(frames=300, seed=1), Run(frames=300, seed=2)
    used, fresh = LockIn(SHAPE, 2, 100), LockIn(SHAPE, 2, 100)
    for i in range(300):
        used.add(first.frames[i].reshape(SHAPE), first.time_s[i], first.phase_rad[i])
    used.reset()
    for estimate in (used, fresh):
        for i in range(300):
            estimate.add(second.frames[i].reshape(SHAPE), second.time_s[i], second.phase_rad[i])
    assert np.array_equal(used.solve().maps, fresh.solve().maps)
