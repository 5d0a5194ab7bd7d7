"""A short test on the simulated bench, small image, through the loop and `bolotip growth`; the full one and its limits:
tests/growth_trial.py. The camera is invented to be as quiet as the smaller image needs; margins are those of 22 fixes."""

import growth_trial
import pytest

MARGINS = {
    "m": 0.05,
    "rate at dK": 0.03,
    "contact length": 0.15,
    "opening fraction": 0.06,
    "cycle of the overload": 0.5,
    "delay cycles": 0.15,
    "of them lost": 0.10,
    "rate while running": 0.04,
}


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    trial = growth_trial.Trial(22, 150.0, 20.0, 60, 112, 0.25, 0.020, C_effective=2.62e-7, overload_cycle=9337)
    return growth_trial.run(trial, tmp_path_factory.mktemp("trial"))


@pytest.fixture(scope="module")
def figures(outcome):
    return growth_trial.figures(outcome)


@pytest.mark.parametrize("name", MARGINS)
def test_a_whole_test_comes_out_as_it_was_made(figures, name):
    (figure,) = [f for f in figures if f.name.startswith(name)]
    assert abs(figure.off) <= MARGINS[name], figure


def test_the_line_holds_the_truth_with_its_deviations(outcome):
    law, line = outcome.bench.bench.law, outcome.line
    assert abs(line.m - law.m) < 3 * line.m_sd
    assert abs(outcome.delay.lost_cycles - outcome.bench.life.delay[0]) < 3 * outcome.delay.lost_sd_cycles


def test_nothing_but_the_overload_stands_out(outcome):
    told = [row for row in outcome.rows if {"overload", "underload", "load_step"} & set(row.flags)]
    assert len(told) == 1 and told[0].cycles - outcome.bench.bench.law.overload_cycle in range(1060)
    assert len(outcome.events) == 1
    assert not any({"paused", "no_tip"} & set(row.flags) for row in outcome.rows)
