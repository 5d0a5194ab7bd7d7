"""What is missing, scattered or guessed in a test's records: which rates still count, what the Paris line says, what is told."""
import csv
import re
from dataclasses import replace

import numpy as np
import pytest
from growing import Growing

from calibration.door import InputError
from edge import growth, growth_figures, growth_fit, growth_validity
from edge.growth_analysis import analyse
from edge.growth_points import average, usable_fixes
from edge.record import Row
from edge.rig import load_rig

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


@pytest.fixture(autouse=True)
def undrawn(monkeypatch):
    monkeypatch.setattr(growth_figures, "draw", lambda *_: None)


def table(folder, name="growth.csv", **only):
    with (folder / name).open(newline="") as f:
        return [row for row in csv.DictReader(f) if all(row[k] == v for k, v in only.items())]


def evaluated(truth, rows, folder, capsys):
    assert growth.main([truth.write(folder, rows)]) == 0
    return capsys.readouterr().out


def analysed(rows, specimen=None):
    fixes, _ = usable_fixes(rows)
    return analyse(fixes, average(fixes), [], specimen)


@pytest.fixture
def specimen(tmp_path):
    """Of `Growing()`, so strong that its ligament is always large enough."""
    return replace(load_rig(Growing().write(tmp_path / "of", []) / "rig.toml", check_files=False).specimen, yield_strength_MPa=900.0)


@pytest.mark.parametrize("column, kinds", [
    ("dKI_MPa_sqrt_m", ["measured", "effective"]), ("opening_fraction", ["effective"]), ("load_range_kN", ["handbook"]),
])
def test_one_fix_without_a_value_costs_the_rates_it_is_in_and_no_other(column, kinds, specimen):
    """Forty fixes wide apart, the thirtieth without it: two secants and seven parabolas go, no line is lost."""
    truth = Growing(last_mm=28.0)
    rows = truth.rows(np.random.default_rng(1), 40, 0.01, even="size", opening=0.3)
    setattr(rows[29], column, None)
    found = analysed(rows, specimen)
    for course, gone in zip(found.courses, (2, 7)):
        for kind in kinds:
            assert np.isnan(course.dK(kind)).sum() == np.isnan(course.dK_sd(kind)).sum() == gone
            assert (course.rates.method, kind) in found.lines


def test_a_line_through_scattering_material_is_that_of_ordinary_least_squares(specimen):
    """0.15 dex from step to step, 32 steps of 0.5 mm: weights that follow the line would count low rates for more."""
    truth, rng, covered, off = Growing(), np.random.default_rng(2), 0, []
    for _ in range(20):
        found = analysed(truth.rows(rng, 33, 0.003, 0.003, even="size", scatter=0.15), specimen)
        course, line = found.courses[0], found.lines["secant", "handbook"]
        count = course.fits()
        m, log10_C = np.polyfit(course.log10_dK["handbook"][count], np.log10(course.rates.rate[count]), 1)
        middle = np.log10(line.middle_dK)
        assert line.m == pytest.approx(m, abs=0.1 * line.m_sd)
        assert np.log10(line.rate(line.middle_dK)) == pytest.approx(log10_C + m * middle, abs=0.1 * line.log10_rate_sd(line.middle_dK))
        off.append(float(np.log10(line.rate(line.middle_dK) / (truth.C * line.middle_dK**truth.m))))
        covered += abs(off[-1]) < line.t95 * line.log10_rate_sd(line.middle_dK)
    assert covered >= 17 and abs(np.mean(off)) < 3 * 0.15 / np.sqrt(20 * 32)  # three deviations of the mean


def test_a_crack_that_stands_for_millions_of_cycles_makes_no_steep_secant_line(specimen):
    truth = Growing()
    rows = truth.rows(np.random.default_rng(3), 60, 0.01, even="size")
    rows += [replace(rows[-1], seq=60 + k, cycles=rows[-1].cycles + 30_000 * (k + 1),
                     crack_mm=rows[-1].crack_mm + 0.01 * np.random.default_rng(k).standard_normal()) for k in range(99)]
    lines = analysed(rows, specimen).lines
    for kind in ("measured", "handbook"):
        line = lines["secant", kind]
        assert abs(line.m - truth.m) < min(1.5, line.t95 * line.m_sd)


@pytest.mark.parametrize("fixes", [12, 25])
def test_the_secant_line_s_deviations_hold_what_smoothing_takes_away(fixes, specimen):
    """Few fixes of 0.002 mm over a crack that ends five times as fast: what the chord smooths is more than the noise."""
    truth, rng, errors = Growing(m=4.0, last_mm=30.0), np.random.default_rng(4), []
    for _ in range(10):
        line = analysed(truth.rows(rng, fixes, 0.002), specimen).lines["secant", "handbook"]
        off = np.log10(line.rate(line.middle_dK) / (truth.C * line.middle_dK**truth.m))
        errors.append([(line.m - truth.m) / line.m_sd, off / line.log10_rate_sd(line.middle_dK)])
    assert (np.mean(np.abs(errors) < 2.3, axis=0) >= 0.9).all()


def test_a_ligament_is_judged_at_R_of_zero_where_the_ratio_is_unknown(tmp_path, capsys):
    truth = Growing(first_mm=20.0, last_mm=38.0)
    rows = [replace(row, load_ratio=None) for row in truth.rows(np.random.default_rng(5), 40, 0.01)]
    assert "the ligament was judged as at R = 0" in evaluated(truth, rows, tmp_path, capsys)
    at_zero = evaluated(replace(truth, load_ratio=0.0), [replace(row, load_ratio=0.0) for row in rows], tmp_path / "zero", capsys)
    assert "judged as" not in at_zero
    words = [[("ligament" in row["invalid"]) for row in table(folder)] for folder in (tmp_path, tmp_path / "zero")]
    assert words[0] == words[1] and any(words[0]) and not all(words[0])


def test_a_load_compressive_throughout_has_no_dK_of_the_handbook_and_is_doubted(tmp_path, capsys):
    truth = Growing(load_ratio=10.0)
    said = evaluated(truth, truth.rows(np.random.default_rng(6), 40, 0.01), tmp_path, capsys)
    assert "R is above 1" in said and all(row["dK_handbook_MPa_sqrt_m"] == "" for row in table(tmp_path))


def test_a_rate_is_out_of_the_precrack_only_with_its_whole_window(tmp_path, capsys):
    """Notch 12 mm, 1 mm out of it: 13 mm. The parabola's middle is beyond it long before its first point is."""
    truth = Growing(first_mm=12.2, last_mm=20.0)
    evaluated(truth, truth.rows(np.random.default_rng(7), 27, 0.002, even="size"), tmp_path, capsys)  # 0.3 mm apart
    early = [float(row["crack_mm"]) for row in table(tmp_path, method="polynomial") if "precrack" in row["invalid"]]
    late = [float(row["crack_mm"]) for row in table(tmp_path, method="polynomial") if "precrack" not in row["invalid"]]
    assert max(early) == pytest.approx(12.8 + 0.9, abs=0.02) and min(late) == pytest.approx(13.1 + 0.9, abs=0.02)


def test_rates_over_cycles_that_were_not_counted_do_not_count(tmp_path, capsys):
    """Machine stood, count ran on: 800000 cycles without growth between two rows, the later one flagged."""
    truth = Growing()
    rows = truth.rows(np.random.default_rng(8), 200, 0.01, 0.005)
    for row in rows[100:]:
        row.cycles += 800_000
    rows[100].flags = ("cycles_estimated",)
    said = evaluated(truth, rows, tmp_path, capsys)
    assert f"near cycle {rows[100].cycles} cycles were taken from time" in said and "do not count" in said
    guessed = [row for row in table(tmp_path, method="secant") if "cycles_estimated" in row["invalid"]]
    assert len(guessed) == 1 and rows[99].cycles < float(guessed[0]["cycles"]) < rows[100].cycles
    assert sum("cycles_estimated" in row["invalid"] for row in table(tmp_path, method="polynomial")) == 6
    for row in table(tmp_path, "growth_fit.csv", dK="handbook"):
        assert float(row["m"]) == pytest.approx(truth.m, abs=0.1)


def test_a_line_that_does_not_settle_is_said_to_be_withheld(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(growth_fit, "CONVERGED", -1.0)
    said = evaluated(Growing(), Growing().rows(np.random.default_rng(9), 40, 0.01), tmp_path, capsys)
    assert len(re.findall(r"withheld: the fit does not settle", said)) == 4 and "fewer than four rates" not in said


def test_the_gradient_is_the_handbook_s_where_the_measured_dK_is_missing(specimen):
    """A window without all of its measured dK takes the handbook's in the whole, lest a calibration look like a slope."""
    truth = Growing(last_mm=20.0)
    rows = truth.rows(np.random.default_rng(10), 24, 0.001, 0.0001, even="size")
    for row in rows:
        row.dKI_MPa_sqrt_m *= 1.2
    rows[12].dKI_MPa_sqrt_m = None
    at = average(usable_fixes(rows)[0]).at
    window = np.array([[k, k + 6] for k in range(len(at) - 6)])
    slope, _ = growth_validity.gradient_per_mm(at, window, specimen)
    a = at.crack_mm[window.mean(axis=1).astype(int)]
    assert slope == pytest.approx(np.log(truth.dK(a + 0.01) / truth.dK(a - 0.01)) / 0.02, abs=0.003)


def test_unusable_rows_are_counted_by_their_flag(tmp_path):
    rows = [replace(row, flags=("tip_weak",)) for row in Growing().rows(np.random.default_rng(11), 50)]
    rows[3].flags = ("no_load", "tip_weak")
    with pytest.raises(InputError, match=r"0 usable fixes .*50 rows without a usable tip \(tip_weak 49, no_load tip_weak 1\)"):
        growth.main([Growing().write(tmp_path, rows)])


def test_load_that_is_shed_as_the_crack_grows_is_said_not_to_be_evaluated(tmp_path, capsys):
    truth = Growing()
    rows = truth.rows(np.random.default_rng(12), 40, 0.01, 0.002, even="size")
    assert "dK-decreasing" not in evaluated(truth, rows, tmp_path / "constant", capsys)
    for row in rows:
        row.load_range_kN *= 0.95 ** ((row.crack_mm - 14) / 0.4)
    assert "not load that is shed as the crack grows (dK-decreasing)" in evaluated(truth, rows, tmp_path / "shed", capsys)


def test_no_rows_no_guesses():
    assert growth.guesses([]) == growth.guesses([Row(seq=1, cycles=5, flags=("cycles_estimated",))]) == []


@pytest.mark.parametrize("seed", [0, 4, 6])
def test_opening_fractions_that_scatter_far_beyond_their_deviations_make_no_line_and_spoil_none(seed, tmp_path, capsys):
    rng = np.random.default_rng(seed)
    rows = Growing().rows(rng, 25, 0.0012, 1e-3)
    for row in rows:
        row.opening_fraction, row.opening_sd = float(np.clip(rng.normal(0.3, 0.3), 0.02, 0.98)), 0.02
    told = evaluated(Growing(), rows, tmp_path, capsys)
    assert re.search("(secant|polynomial) +effective +withheld: the fit does not settle", told)
    assert {r["dK"] for r in table(tmp_path, "growth_fit.csv", method="secant")} >= {"measured", "handbook"}


@pytest.mark.parametrize("apart", [4, 6])
def test_overloads_in_short_succession_are_survived(apart, tmp_path, capsys):
    """4 to 6 fixes, 0.1 to 0.2 mm apart."""
    rows = Growing().rows(np.random.default_rng(28), 400, 0.02)
    for k in (200, 200 + apart):
        rows[k].flags = ("overload",)
    told = evaluated(Growing(), rows, tmp_path, capsys)
    assert len(re.findall(r"^overload at cycle \d+ .*no delay beyond the noise", told, re.MULTILINE)) == 2


def test_rows_at_one_cycle_count_and_without_a_dK_above_nil_are_told_without_warnings_of_the_interpreter(tmp_path, capsys):
    rows = Growing().rows(np.random.default_rng(5), 60)
    rows[30].cycles = rows[29].cycles
    rows[40].dKI_MPa_sqrt_m = 0.0
    assert "60 usable fixes" in evaluated(Growing(), rows, tmp_path, capsys)  # warnings are errors here
    assert all(r["dK_measured_MPa_sqrt_m"] != "0" for r in table(tmp_path))
