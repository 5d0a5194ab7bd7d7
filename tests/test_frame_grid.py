"""The grid of a whole recording below late arrivals, and how well its place is known. Arrivals are invented."""

import numpy as np
import pytest

from edge.whole_recording import CLOCK_SD_S, LATE_PARTS, Recorded, frame_grid

DELAYS = {
    "half of normal ones": lambda rng, n: np.abs(rng.standard_normal(n)),
    "exponential ones": lambda rng, n: rng.exponential(1.0, n),
}


@pytest.mark.parametrize("delay", DELAYS.values(), ids=DELAYS)
def test_the_deviation_of_the_grid_covers_it(delay):
    off = []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        exposed = 0.0403 * np.arange(300) + rng.uniform(0, 1)
        arrival = np.maximum.accumulate(exposed + 0.002 * delay(rng, 300))
        number, grid = frame_grid(arrival, 25.0)
        assert np.array_equal(number, np.arange(300))
        recorded = Recorded("", None, None, number, grid, float(np.mean(arrival - grid)))
        off.append(np.mean(grid - exposed) / recorded.timing_sd_s)
        assert recorded.timing_sd_s > CLOCK_SD_S
    assert 0.4 < np.sqrt(np.mean(np.square(off))) < 1.4
    assert abs(np.mean(off)) < 0.7


@pytest.mark.parametrize(("rate_hz", "jitter_s"), [(25.0, 0.010), (30.0, 0.010), (60.0, 0.005)])
def test_a_very_late_frame_before_a_lost_one_does_not_move_the_grid(rate_hz, jitter_s):
    """Late by nearly a period, with its follower lost, it is given the follower's slot and seems to come before its exposure."""
    for seed in range(20):
        rng = np.random.default_rng([seed, 3])
        n = round(60 * rate_hz)
        exposure_s = rng.uniform() + np.arange(n) / rate_hz * (1 + rng.uniform(-3e-4, 3e-4))
        arrival_s = np.maximum.accumulate(exposure_s + np.abs(rng.normal(0, jitter_s, n)))
        kept = rng.random(n) > 0.05
        _, time_s = frame_grid(arrival_s[kept], rate_hz)
        assert abs(np.median(time_s - exposure_s[kept])) < 5 * LATE_PARTS * jitter_s / n
