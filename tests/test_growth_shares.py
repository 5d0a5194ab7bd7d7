"""What fixes share and what noise does to the Paris line: against cracks of known law (invented data)."""
import csv
from dataclasses import replace

import numpy as np
import pytest
from growing import Growing

from edge import growth
from edge.growth_analysis import analyse
from edge.growth_fit import degrees_of_freedom
from edge.growth_points import average, usable_fixes
from edge.rate import GrowthWatch
from edge.record import Row
from edge.rig import Rig, View, load_rig


def rig_of(truth: Growing, folder, more: str = "") -> Rig:
    path = truth.write(folder, []) / "rig.toml"
    path.write_text(path.read_text().replace("[load]", f"{more}\n[load]"))
    return load_rig(path, check_files=False)


def test_a_doubtful_thermoelastic_constant_is_in_C_and_the_ratio_and_no_noise_of_m(tmp_path, capsys, monkeypatch):
    """3 %, alike in all fixes: m's deviation stays, C's holds 9 %, the ratio's 3 %."""
    monkeypatch.setattr("edge.growth_figures.draw", lambda *_: None)
    truth, told = Growing(), {}
    rows = truth.rows(np.random.default_rng(8), 60, 0.005, 0.01)
    K0 = rig_of(truth, tmp_path / "rig").specimen.thermoelastic_constant_per_MPa
    for name, common in (("sure", 0.0), ("doubtful", 0.03)):
        folder = truth.write(tmp_path / name, [replace(r, dKI_sd=float(np.hypot(r.dKI_sd, common * r.dKI_MPa_sqrt_m))) for r in rows])
        rig_of_it = folder / "rig.toml"
        rig_of_it.write_text(rig_of_it.read_text().replace("[load]", f"thermoelastic_constant_sd_per_MPa = {common * K0:.4g}\n[load]"))
        assert growth.main([folder]) == 0
        out = capsys.readouterr().out
        with (folder / "growth_fit.csv").open() as f:
            told[name] = next(line for line in csv.DictReader(f) if (line["method"], line["dK"]) == ("secant", "measured")), out
    (sure, _), (doubtful, out) = told["sure"], told["doubtful"]
    assert float(doubtful["m_sd"]) == pytest.approx(float(sure["m_sd"]), rel=0.4)
    half = np.log(float(doubtful["rate_high95"]) / float(doubtful["rate_at_middle_mm_per_cycle"]))
    assert half > 1.96 * 3 * 0.03 > 5 * np.log(float(sure["rate_high95"]) / float(sure["rate_at_middle_mm_per_cycle"]))
    assert "(sd 0.03" in out and "the stress is known to 3 %" in out and "stress is known" not in told["sure"][1]


def test_noise_of_the_sizes_does_not_displace_the_line(tmp_path):
    """14 % of each step, and yet the whole growth is known to 0.2 %: a mean of logarithms would be off by more."""
    truth, off = Growing(), []
    specimen = rig_of(truth, tmp_path).specimen
    for seed in range(12):
        fixes, _ = usable_fixes(truth.rows(np.random.default_rng([seed, 9]), 60, 0.025, 0.005, even="size"))
        line = analyse(fixes, average(fixes), [], specimen).lines["secant", "handbook"]
        x = line.middle_dK
        off.append(np.log10(line.rate(x) / (truth.C * x**truth.m)) / line.log10_rate_sd(x))
    assert abs(np.mean(off)) < 0.8 and np.sqrt(np.mean(np.square(off))) < 1.45


def test_degrees_of_freedom_are_those_of_the_scatter_where_it_is_all_and_fewer_where_it_is_little():
    x, one = np.linspace(1.0, 1.4, 30), np.eye(30)
    assert degrees_of_freedom(x, 0.05**2 * one, one) == pytest.approx(28)
    noise = (np.diff(np.eye(31), axis=0) @ np.diff(np.eye(31), axis=0).T) * 0.05**2  # of steps between noisy sizes
    assert degrees_of_freedom(x, noise + 0.03**2 * one, one) < 20


@pytest.mark.parametrize("ratio, fraction, share", [(0.1, 0.3, 0.7), (-1.0, 0.5, 1.0), (-0.5, 0.4, 0.9)])
def test_effective_dK_of_a_load_that_goes_into_compression(ratio, fraction, share):
    """At R = -1 a crack that opens at zero load has K_max of both: the tensile part's range is taken once."""
    rows = Growing(load_ratio=ratio).rows(np.random.default_rng(3), 40, 0.01, 0.001)
    for row in rows:
        row.opening_fraction, row.opening_sd = fraction, 0.01
    fixes, _ = usable_fixes(rows)
    course = analyse(fixes, average(fixes), [], None).courses[0]
    assert course.dK("effective") / course.dK("measured") == pytest.approx(share, rel=1e-9)


def test_a_stretch_is_not_taken_where_noise_makes_it_look_long_enough(tmp_path):
    """0.01 mm a fix and 0.1 mm of noise: the first stretch that seems to grow enough must not be one of noise."""
    specimen, off = rig_of(Growing(), tmp_path).specimen, []
    for seed in range(2):
        rng, watch = np.random.default_rng([seed, 5]), GrowthWatch(specimen, View(0.15, (0.0, 0.0)), 60.0)
        for k in range(400):
            row = Row(k, elapsed_s=600.0 * k, cycles=1000 * k, crack_mm=15 + 0.01 * k + rng.normal(0, 0.1), crack_sd_mm=0.1,
                      load_range_kN=4.0, load_ratio=0.1)
            watch.follow(row)
            off.append(np.nan if row.rate_mm_per_cycle is None else row.rate_mm_per_cycle / 1e-5 - 1)
    assert abs(np.nanmean(off)) < 0.08 and np.nanstd(off) < 0.25
