"""Samples of the load signal that stand alone. All signals are made here."""

import numpy as np
import pytest

from edge.lone_samples import NEEDED, lone
from edge.phase import LoadPhase

AMPLITUDE_KN = 4.5


def wave(samples, per_cycle, noise=0.0, start=0.3):
    x = AMPLITUDE_KN * np.sin(2 * np.pi * np.arange(samples) / per_cycle + start)
    return 5.0 + x + noise * AMPLITUDE_KN * np.random.default_rng(1).standard_normal(samples)


@pytest.mark.parametrize("per_cycle", [8.3, 14.0, 50.0, 143.0, 3000.0])
@pytest.mark.parametrize("height", [-100.0, -1.2, 1.2, 100.0])
def test_every_sample_that_stands_alone_is_found_and_no_other(per_cycle, height):
    p = wave(2000, per_cycle, noise=0.01)
    places = np.array([NEEDED, 177, 500, 501 + 3, 1333, 2000 - NEEDED - 1])
    p[places] += height * AMPLITUDE_KN
    assert np.flatnonzero(lone(p, AMPLITUDE_KN)).tolist() == places.tolist()


@pytest.mark.parametrize(
    "load_kN",
    [
        *(wave(3000, n, noise=0.03) for n in (8.0, 9.7, 20.0, 143.0)),
        10 * wave(3000, 14.0),  # ten times the load it was
        np.where(wave(3000, 20.0) > 5.0, 9.0, 0.0),  # from valve to valve
        np.where(wave(3000, 20.3) > 5.0, 9.0, 0.0) + wave(3000, 143.0, noise=0.03),
        np.interp(np.arange(3000) % 20, [0, 10, 20], [0.0, 9.0, 0.0]),  # a triangle
        np.interp(np.arange(3000) % 20, [0, 18, 20], [0.0, 9.0, 0.0]),  # a saw
        np.where(np.arange(3000) // 14 == 100, 3.0, 1.0) * (5 + AMPLITUDE_KN * np.sin(2 * np.pi * np.arange(3000) / 14)),  # one overload
        5.0 + 0.02 * AMPLITUDE_KN * np.random.default_rng(2).standard_normal(3000),  # the machine stands
        np.round(wave(3000, 100.0)),
    ],
)
def test_no_sample_of_a_load_that_a_machine_can_run_stands_alone(load_kN):
    assert not lone(load_kN, AMPLITUDE_KN).any()


def test_what_stands_out_all_the_time_is_the_load_itself():
    p = wave(1000, 143.0)
    p[::20] += 3 * AMPLITUDE_KN
    assert not lone(p, AMPLITUDE_KN).any()


def test_too_few_samples_to_judge_by_are_left_alone():
    assert not lone(np.array([0.0, 0.0, 0.0, 9.0, 0.0, 0.0]), AMPLITUDE_KN).any()


@pytest.mark.parametrize("samples_hz, piece", [(100.0, 1), (100.0, 1000), (1000.0, 40), (1000.0, 1000)])
@pytest.mark.parametrize("value_kN", [0.0, -40.0, 15.0, 3e5])
def test_a_disturbed_wire_makes_no_cycle_no_overload_and_no_gap(samples_hz, piece, value_kN):
    """A sample a second, from the first one on."""
    t = np.arange(0.0, 30.0, 1 / samples_hz)
    p = wave(t.size, samples_hz / 7.0, start=0.0)
    p[np.arange(5, t.size - 40, int(samples_hz)) + np.random.default_rng(3).integers(0, 30, 30)] = value_kN
    phase = LoadPhase(7.0)
    for i in range(0, t.size, piece):
        phase.feed(t[i : i + piece], p[i : i + piece])
    assert phase.cycles_at(28.0) == pytest.approx(7 * 28.0, abs=1.01)
    assert phase.take_events(30.0) == []
    assert phase.take_remarks(2.0) == ["load_spikes"] and not phase.take_remarks(2.0)
    times = np.arange(0.5, 28.0, 0.04)
    off = np.array([phase.at(x) for x in times], float) - 2 * np.pi * 7.0 * times
    assert np.abs(np.angle(np.exp(1j * off))).max() < np.deg2rad(1.0)


@pytest.mark.parametrize("noise", [0.05, 0.1])
def test_a_noisy_wire_is_no_disturbance_once_its_noise_is_known(noise):
    load = LoadPhase(7.0)
    for i, piece in enumerate(np.array_split(wave(60_000, 143.0, noise), 1500)):
        load.feed((40 * i + np.arange(40)) / 1000.0, piece)
        if i == 75:
            load.take_remarks(3.0)
    assert "load_spikes" not in load.remarks
    assert load.cycles == pytest.approx(60_000 / 143.0, abs=10)  # up to the middle of the last window
