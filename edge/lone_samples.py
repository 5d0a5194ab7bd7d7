"""Samples of the load signal that stand alone: a disturbance on the wire, a digit lost on a serial line.

One such sample would be counted as a cycle or told as an overload, and would spoil the window it stands in. What a sample
should be is interpolated from two on each side (cubic, any textbook): a wave of eight samples a cycle or more is off by
less than a fifteenth of its amplitude, a step or a kink by less than `SHARE` of what the neighbours span, or as much on
both sides of it.
"""

import numpy as np

from calibration.robust import MAD_TO_SD

NEEDED = 3  # samples on each side, for a sample to be judged
SHARE = 0.2  # of the amplitude or of what the neighbours span: less neither makes a cycle nor an overload
WEIGHT = 1.39  # deviation of what a sample is off by, over that of the noise: (1 + (4² + 4² + 1 + 1)/6²)^(1/2)
NOISES = 6 * WEIGHT  # times the noise of a sample: six deviations of what it is off by noise, its own and its neighbours'
ALONE = 1.25  # times as far off as the samples beside it; one off by itself has 1.5
FEWEST_PER_CYCLE = 8.0
ROUGH = 0.3  # of the swing: noise that is more of it than any wave of so few samples a cycle would look like
FEWEST_ROUGH = 40  # samples that tell noise from a wave
MOST = 0.02  # of the samples: more are no disturbance but the load's own way


def lone(load_kN: np.ndarray, amplitude_kN: float, noise_kN: float = 0.0) -> np.ndarray:
    """Which of the samples (n,) stand alone, of a load of about that amplitude and of the noise it is known to have: bool
    (n,), False for the first and last `NEEDED`, which cannot be judged."""
    found = np.zeros(load_kN.size, bool)
    if load_kN.size <= 2 * NEEDED:
        return found
    p = load_kN
    off = np.abs(p[2:-2] - (4 * (p[1:-3] + p[3:-1]) - (p[:-4] + p[4:])) / 6)
    here, before, after = off[1:-1], off[:-2], off[2:]
    least_kN = max(SHARE * amplitude_kN, NOISES * noise_kN)
    if not (here > least_kN).any():  # as nearly always
        return found
    around = np.stack([p[1:-5], p[2:-4], p[4:-2], p[5:-1]])
    least = np.maximum(SHARE * np.ptp(around, axis=0), least_kN)
    found[NEEDED:-NEEDED] = (here > least) & (here > ALONE * before) & (here > ALONE * after)
    if np.count_nonzero(found) > 1 + MOST * found.size:
        found[:] = False
    return found


def noise_alone(load_kN: np.ndarray) -> float:
    """Noise of a sample, kN, of a load (n,) in which no wave has been found yet: 0 where there may be one.

    What most samples are off by beside their neighbours is the noise of a load that stands still; of a wave of few samples a
    cycle it is more, but small beside its swing.
    """
    if load_kN.size <= FEWEST_ROUGH:
        return 0.0
    off = np.abs(load_kN[2:-2] - (4 * (load_kN[1:-3] + load_kN[3:-1]) - (load_kN[:-4] + load_kN[4:])) / 6)
    noise_kN = MAD_TO_SD * float(np.median(off)) / WEIGHT
    swing_kN = float(np.subtract(*np.percentile(load_kN, (95, 5)))) / 2
    return noise_kN if noise_kN > ROUGH * swing_kN else 0.0
