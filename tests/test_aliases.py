"""Folding and collisions of harmonics, against the regression matrix of the lock-in itself."""

import numpy as np
import pytest
from more import chosen

from edge.aliases import collisions, folded_hz, margin_hz
from edge.lockin import LockIn

RATES = (8.7, 9.0, 25.0, 27.0, 30.0, 60.0)
MEMORY_S = 10.0
FADED = 5  # memories until the oldest frame weighs exp(-10)
AT_THE_LIMIT = 1 / np.hypot(1, np.pi)  # overlap of two components 1/memory apart under exponential weights


def sampled(frame_rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Times and weights of a fading memory: (sum w)^2 / sum w^2 = memory, so w = exp(2 t / memory)."""
    t = -np.arange(int(FADED * MEMORY_S * frame_rate_hz)) / frame_rate_hz
    return t, np.exp(2 * t / MEMORY_S)


def overlaps(frequency_hz: float, t: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Largest overlap (0..1) of harmonic 1, 2, 3 with the mean, another harmonic or its own mirror image, from the
    Gram matrix of the regression in complex form, exp(i k w t) for k = -3..3: its entries go by the difference of the
    two k, which is 1 to k + 3 for the neighbours of harmonic k."""
    beat = np.cumprod(np.broadcast_to(np.exp(2j * np.pi * frequency_hz * t), (6, t.size)), axis=0)
    gram = np.abs(beat @ weight) / weight.sum()
    return np.maximum.accumulate(gram)[3:]


def inflation(frequency_hz: float, t: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Variance of harmonics 1..3 over that of a well-posed fit of the same memory; mean and drift are fitted too."""
    angle = 2 * np.pi * frequency_hz * np.outer(np.arange(1, 4), t)
    x = np.concatenate([[np.ones_like(t), t / MEMORY_S], np.sin(angle), np.cos(angle)])
    inverse = np.linalg.pinv((x * weight) @ x.T, rcond=1e-13, hermitian=True)
    variance = np.diag(inverse @ ((x * weight**2) @ x.T) @ inverse)[2:].reshape(2, 3).max(axis=0)
    return variance * weight.sum() ** 2 / (weight**2).sum() / 2


# Folding by hand: |k f - n frame rate|, n the nearest whole number.
FOLDS = [
    (7.0, 25.0, 7.0),
    (14.0, 25.0, 11.0),
    (21.0, 25.0, 4.0),
    (12.5, 25.0, 12.5),
    (25.0, 25.0, 0.0),
    (5.0, 8.7, 3.7),
    (10.0, 8.7, 1.3),
    (50.0, 8.7, 2.2),
    (100.0, 9.0, 1.0),
    (50.0, 27.0, 4.0),
    (100.0, 60.0, 20.0),
]


@pytest.mark.parametrize("true_hz, rate_hz, seen_hz", FOLDS)
def test_a_frequency_is_seen_at_its_alias(true_hz, rate_hz, seen_hz):
    assert folded_hz(true_hz, rate_hz) == pytest.approx(seen_hz, abs=1e-9)
    n = np.arange(40)
    assert np.allclose(np.cos(2 * np.pi * true_hz * n / rate_hz), np.cos(2 * np.pi * seen_hz * n / rate_hz))


@pytest.mark.parametrize("rate_hz", chosen(RATES, 0, 2, 4))
def test_spoiled_harmonics_are_those_whose_columns_overlap(rate_hz):
    """Every 0.01 Hz from 0.3 to 25 Hz. Overlaps within 5 % of the limit are left to either side."""
    t, weight = sampled(rate_hz)
    seen = {True: 0, False: 0}
    for f in np.arange(0.3, 25.0, 0.01):
        spoiled = collisions(f, rate_hz, MEMORY_S).spoiled
        for k, overlap in enumerate(overlaps(f, t, weight), start=1):
            if abs(overlap / AT_THE_LIMIT - 1) > 0.05:
                assert (k in spoiled) == (overlap > AT_THE_LIMIT), (f, k, overlap)
                seen[k in spoiled] += 1
    assert seen[True] > 30 and seen[False] > 1000


@pytest.mark.parametrize("rate_hz", RATES)
def test_kept_harmonics_are_as_precise_as_without_any_neighbour(rate_hz):
    t, weight = sampled(rate_hz)
    for f in np.arange(0.3, 25.0, 0.21):
        spoiled = collisions(f, rate_hz, MEMORY_S).spoiled
        kept = [v for k, v in enumerate(inflation(f, t, weight), start=1) if k not in spoiled]
        assert all(v < 1.12 for v in kept), (f, kept)


# Exact collisions at 25 frames/s, worked out by hand, and what must be lost.
EXACT = [
    (25.0, {1, 2, 3}),  # everything stands still
    (12.5, {1, 2, 3}),  # f on half the rate, 2f on the mean, 3f again on half the rate
    (25 / 3, {1, 2, 3}),  # f with 2f, 3f on the mean
    (6.25, {1, 2, 3}),  # f with 3f, 2f on half the rate
    (5.0, {2, 3}),  # 2f with 3f
    (10.0, {2, 3}),
    (25 / 6, {3}),  # 3f on half the rate
    (7.0, set()),
    (9.0, set()),
]


@pytest.mark.parametrize("frequency_hz, lost", EXACT)
def test_the_lock_in_itself_loses_what_is_called_spoiled(frequency_hz, lost):
    lock_in = LockIn((2, 2), harmonics=3, memory_frames=250)
    rng = np.random.default_rng(1)
    for n in range(600):
        frame = (20000 + 5 * rng.standard_normal((2, 2))).astype(np.uint16)
        lock_in.add(frame, n / 25.0, 2 * np.pi * frequency_hz * n / 25.0)
    found = lock_in.solve()
    assert found is not None
    assert {k for k, v in enumerate(found.inflation, start=1) if v > 1.12} == lost
    assert collisions(frequency_hz, 25.0, MEMORY_S).spoiled == lost


def test_a_collision_ends_where_the_separation_reaches_one_over_the_memory():
    """2f and 3f meet at 5 Hz; f off by d moves them apart by 5 d."""
    for memory_s in (10.0, 60.0, 300.0):
        assert collisions(5.0 + 0.99 / memory_s / 5, 25.0, memory_s).spoiled == {2, 3}
        assert collisions(5.0 + 1.01 / memory_s / 5, 25.0, memory_s).spoiled == set()
        assert margin_hz(5.0 + 1.01 / memory_s / 5, 25.0) == pytest.approx(1.01 / memory_s)


def test_only_the_harmonics_asked_for_are_looked_at():
    assert collisions(5.0, 25.0, 60.0, harmonics=2).spoiled == set()
    assert collisions(12.5, 25.0, 60.0, harmonics=1).spoiled == {1}


MAINS = [
    # f, frame rate, mains, lost, warned of
    (10.0, 30.0, 50.0, {1, 2, 3}, "mains flicker of 100 Hz"),  # 50 and 100 Hz at 10 Hz; f and 2f collide anyway
    (4.0, 27.0, 50.0, {2}, "mains hum of 50 Hz"),  # 50 Hz at 4 Hz, 100 Hz at 8 Hz
    (8.0, 27.0, 50.0, {1}, None),  # 100 Hz at 8 Hz
    (2.0, 27.0, 50.0, set(), "2f = 4 Hz"),  # 50 Hz at 4 Hz = 2f
    (8 / 3, 27.0, 50.0, set(), "3f = 8 Hz"),  # 100 Hz at 8 Hz = 3f: no record depends on it
    (4.055, 27.0, 50.0, set(), "wanders"),  # 2f 0.11 Hz beside 100 Hz
    (4.3, 27.0, 50.0, set(), None),
    (4.0, 27.0, 0.0, set(), None),  # no mains in view
    (7.0, 25.0, 50.0, set(), None),  # flicker on the mean is drift
    (6.0, 25.0, 60.0, set(), None),
    (10.0, 25.0, 60.0, {2, 3}, "120 Hz"),  # 60 Hz at 10 Hz = f, 120 Hz at 5 Hz = 2f and 3f
]


@pytest.mark.parametrize("frequency_hz, rate_hz, mains_hz, lost, warned", MAINS)
def test_mains_flicker_spoils_f_and_2f_and_only_warns_otherwise(frequency_hz, rate_hz, mains_hz, lost, warned):
    found = collisions(frequency_hz, rate_hz, 60.0, mains_hz)
    assert found.spoiled == lost
    assert found.flags == tuple(f"collision_{k}f" for k in sorted(lost))
    if warned:
        assert any(warned in text for text in found.reasons + found.warnings)
    else:
        assert not found.warnings


def test_a_reason_names_both_frequencies_and_where_they_are_seen():
    assert collisions(5.0, 25.0, 60.0).reasons == ("2f = 10 Hz and 3f = 15 Hz are seen at the same 10 Hz",)
    (half,) = collisions(25 / 6, 25.0, 60.0).reasons
    assert half == "3f = 12.5 Hz is seen at 12.5 Hz, half the frame rate, where it meets its own mirror image"


def spoils_1f_or_2f(frequency_hz, rate_hz, memory_s, mains_hz=0.0):
    return bool(collisions(frequency_hz, rate_hz, memory_s, mains_hz).spoiled & {1, 2})


@pytest.mark.parametrize("rate_hz", RATES)
def test_the_margin_is_the_resolution_at_which_first_and_second_harmonic_stop_colliding(rate_hz):
    for f in np.arange(0.3, 25.0, 0.07):
        margin = margin_hz(f, rate_hz)
        if margin > 1e-6:
            assert spoils_1f_or_2f(f, rate_hz, 1 / (1.001 * margin))
            assert not spoils_1f_or_2f(f, rate_hz, 1 / (0.999 * margin))


@pytest.mark.parametrize("rate_hz", chosen(RATES, 0, 2, 4))
def test_within_the_tolerance_of_a_clear_frequency_nothing_collides(rate_hz):
    """Frame rate 0.5 % off and load frequency 0.2 % off, each way, with flicker of 50 Hz mains in view."""
    clear = 0
    for f in np.arange(0.5, 25.0, 0.1):
        if margin_hz(f, rate_hz, 50.0, tolerance=0.00702) > 1 / 60:
            clear += 1
            for off in np.linspace(-1, 1, 41):
                assert not spoils_1f_or_2f(f * (1 + 0.002 * off), rate_hz * (1 - 0.005 * off), 60.0, 50.0), (f, off)
    assert clear > 20
