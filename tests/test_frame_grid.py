"""The grid of a whole recording below late arrivals, and how well its place is known. Arrivals are invented."""

import numpy as np
import pytest

from edge.whole_recording import CLOCK_SD_S, Recorded, frame_grid

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
