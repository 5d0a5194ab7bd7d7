"""What the report says and draws of growth rates, and of records that are damaged all over; axes and colours of its pictures."""
import re

import numpy as np
import pytest
from growing import Growing
from invented_folder import invented_rows, write_maps, write_records

from calibration.door import InputError
from edge import growth, growth_figures, history_pictures, map_pictures, pictures, report
from edge.growth_analysis import analyse
from edge.growth_points import average, usable_fixes
from edge.maps import read_maps


@pytest.fixture
def words(monkeypatch):
    """The page's words without its panels, which take long."""
    monkeypatch.setattr("edge.report.history", lambda *_: [])

    def of(folder):
        assert report.main(folder) == 0
        return re.sub(r"<[^>]*>", " ", (folder / "report.html").read_text(encoding="utf-8"))

    return of


def damaged(folder, rows, bad):
    """Records of which `bad` rows got another crack size than their checksum was made for."""
    path = write_records(folder, rows)
    lines = path.read_text().split("\n")
    lines[1 : bad + 1] = [line.replace(",", ",9", 1) for line in lines[1 : bad + 1]]
    path.write_text("\n".join(lines))
    return folder


def test_a_folder_of_damaged_rows_alone_is_one_line(tmp_path, capsys):
    with pytest.raises(InputError, match="60 damaged rows and no valid one"):
        report.main(damaged(tmp_path, invented_rows(60), 60))
    assert capsys.readouterr().err == ""


def test_of_many_damaged_rows_fifty_are_named_and_the_rest_counted(tmp_path, capsys, words):
    words(damaged(tmp_path, invented_rows(60), 57))
    errors = capsys.readouterr().err.splitlines()
    assert len(errors) == 51 and errors[-1].endswith("records.csv: 7 more damaged rows; left out")


def test_the_page_says_how_many_rates_are_in_no_line_and_why(tmp_path, capsys, words):
    truth = Growing(first_mm=12.3, last_mm=24.0)
    assert growth.main([truth.write(tmp_path, truth.rows(np.random.default_rng(1), 60, 0.01, even="size"))]) == 0
    found = words(tmp_path)
    told = re.search(r"secant: (\d+) of (\d+) rates left out of the line \(.*precrack (\d+)", found)
    printed = capsys.readouterr().out
    every, fit = map(int, re.search(r"secant: (\d+) rates, (\d+) for the Paris line", printed).groups())
    assert told and int(told[2]) == every and int(told[1]) == every - fit
    assert f"precrack {told[3]}:" in printed and "with the Paris line" in found
    assert "To be checked by hand, since one camera cannot see it" in found


def test_no_caption_speaks_of_a_line_that_is_not_there(tmp_path, words):
    write_records(tmp_path, invented_rows(8))
    (tmp_path / "growth_rate.png").write_bytes(b"invented")
    (tmp_path / "growth_fit.csv").write_text("method,dK,rates,C_mm_per_cycle,m,m_low95,m_high95\n")
    found = words(tmp_path)
    assert "no Paris line" in found and "with the Paris" not in found


@pytest.mark.parametrize("top, label", [(1.9e4, "load cycles"), (2.1e4, "load cycles (thousands)"), (3e7, "load cycles (millions)")])
def test_cycles_are_shown_in_units_that_can_be_read(top, label, monkeypatch):
    factor = {"load cycles": 1, "load cycles (thousands)": 1e3, "load cycles (millions)": 1e6}[label]
    drawn = []
    monkeypatch.setattr(growth_figures, "png", lambda figure: drawn.append(figure.axes[0]) or b"")
    fixes, _ = usable_fixes(Growing().rows(np.random.default_rng(2), 20, 0.01))
    fixes.cycles[:] *= top / fixes.cycles[-1]
    growth_figures.size_picture(analyse(fixes, average(fixes), [], None), fixes, [])
    assert drawn[0].get_xlabel() == label and drawn[0].get_xlim()[1] == pytest.approx(top / factor, rel=0.1)
    assert pictures.cycle_axis(np.array([0.0, top]), np.zeros(2))[1] == label


def test_the_legend_says_of_which_rates_the_line_is(monkeypatch):
    drawn = []
    monkeypatch.setattr(growth_figures, "png", lambda figure: drawn.append(figure.axes[0]) or b"")
    fixes, _ = usable_fixes(Growing().rows(np.random.default_rng(3), 40, 0.01))
    growth_figures.rate_picture(analyse(fixes, average(fixes), [], None))
    assert any("Paris line of the secant rates" in text for text in drawn[0].get_legend_handles_labels()[1])


def test_the_axis_of_a_share_ends_at_one(monkeypatch):
    drawn = {}
    monkeypatch.setattr(pictures, "png", lambda figure: drawn.setdefault(figure.axes[0].get_ylabel(), figure.axes[0]) and b"")
    rows = invented_rows(8)
    for row in rows:
        row.r2 = 0.9995
    history_pictures.history(rows, history_pictures.HEALTH)
    assert drawn["R\u00b2 of the fit"].get_ylim()[1] == 1.0


def test_the_misfit_s_colours_run_both_ways_from_white_at_zero(tmp_path, monkeypatch):
    drawn = []
    monkeypatch.setattr(map_pictures, "png", lambda figure: drawn.append(figure.axes[0].images[0]) or b"")
    maps = read_maps(write_maps(tmp_path, 1, 9.0))
    map_pictures.misfit_picture(maps, map_pictures.common_scales([maps]))
    image = drawn[0]
    low, zero, high = image.cmap(image.norm([image.norm.vmin, 0.0, image.norm.vmax]))[:, :3]
    assert image.norm.vmin == -image.norm.vmax and zero.min() > 0.95
    assert low[2] > low[0] + 0.2 and high[0] > high[2] + 0.2
