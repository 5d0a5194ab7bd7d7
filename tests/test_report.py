"""The report page: what is on it, what it says about damage, and that its overlays stand where physics puts them."""
import base64
import json
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from html import unescape
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from invented_folder import (
    HALF_ANGLE_DEG,
    INNER_MM,
    MM_PER_PX,
    NOISE_K,
    OUTER_MM,
    invented_rows,
    westergaard,
    write_folder,
    write_maps,
    write_records,
)

from calibration.door import InputError
from edge import map_pictures, page, pictures, report, verdict
from edge import maps as maps_file
from edge.flags import FLAGS
from edge.record import RecordFile, Row

VOID = {"meta", "link", "img", "input", "br"}


class Page(HTMLParser):
    """Tags, attributes and text of a page; fails on tags that do not close in order."""

    def __init__(self, text: str):
        super().__init__()
        self.open, self.tags, self.text = [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.text.append(data)

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]

    def words(self):
        return re.sub(r"\s+", " ", " ".join(self.text))


def make(folder: Path) -> Page:
    assert report.main(folder) == 0
    return Page((folder/"report.html").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A folder of 4 fixes with all maps, and its page."""
    folder = write_folder(tmp_path_factory.mktemp("records")/"plate <b>7 & 8", fixes=4)
    return folder, make(folder)


def write_text_folder(folder: Path, fixes: int = 6) -> Path:
    """Records without maps: quick to report."""
    write_records(folder, invented_rows(fixes))
    return folder


# ---- the page

def test_the_page_needs_nothing_but_itself(whole):
    folder, seen = whole
    addresses = [a[key] for _, a in seen.tags for key in ("src", "href", "action", "data") if key in a]
    assert len(addresses) > 30
    assert all(address.startswith("data:") for address in addresses)
    text = (folder/"report.html").read_text(encoding="utf-8")
    without_pictures = re.sub(r"base64,[A-Za-z0-9+/=]+", "", text)
    assert not re.search(r"https?:|//[a-z]|@import|url\(|fetch\(|XMLHttp", without_pictures)
    assert "default-src 'none'" in text


def test_pictures_are_real_pngs_and_described(whole):
    from PIL import Image
    images = whole[1].all("img")
    for attributes in images:
        assert len(attributes["alt"]) > 8
        with Image.open(BytesIO(base64.b64decode(attributes["src"].split(",", 1)[1]))) as picture:
            assert picture.format == "PNG" and picture.width > 400
            assert len(picture.getcolors(256)) > 8
    described = Counter(a["alt"] for a in images)
    assert described["map of the stress-sum range with isopachics"] == 4
    assert described["map of 2f amplitude"] == described["map of 2f phase"] == 4
    assert described["map of the misfit"] == 3   # one has no tip
    assert described["2f amplitude and phase along the crack line"] == 3


def test_text_from_outside_is_escaped(whole):
    assert "plate <b>7 & 8" in whole[1].words()
    assert not whole[1].all("b")


def test_slider_runs_over_the_fixes_and_starts_at_the_last(whole):
    bar = next(a for a in whole[1].all("input"))
    assert (bar["type"], bar["min"], bar["max"], bar["value"]) == ("range", "0", "3", "3")
    blocks = [a for a in whole[1].all("div") if a.get("class") == "fix"]
    assert [b["data-seq"] for b in blocks] == ["1", "2", "3", "4"]
    assert ["hidden" in b for b in blocks] == [True]*3+[False]
    assert blocks[0]["data-label"].endswith("no tip")
    assert re.search(r"crack 1[34]\.\d+\s\u00b1\s0\.0\d+ mm", blocks[-1]["data-label"])


def test_the_page_says_it_is_no_safety_device(whole):
    assert "no safety device" in whole[1].words()


def test_every_flag_that_occurs_is_explained_and_no_other(tmp_path):
    rows = invented_rows(5)
    rows[2].flags += ("near_edge", "from_the_future")
    write_records(tmp_path, rows)
    words = make(tmp_path).words()
    used = {flag for row in rows for flag in row.flags}-{"from_the_future"}
    assert len(used) >= 5
    for flag, sentence in FLAGS.items():
        assert (sentence in words) == (flag in used), flag
    assert "no explanation for this word" in words


def test_forty_fixes_with_maps_stay_below_three_megabytes(tmp_path, monkeypatch):
    write_folder(tmp_path, fixes=40)
    drawn = []
    true_fix = report._fix

    def fewer(maps, by_seq, scales):   # to save time three of four fixes repeat pictures: here only their size counts
        if drawn and len(drawn) % 4:
            fix = page.Fix(maps.seq, "repeated", drawn[-1].pictures)
        else:
            fix = true_fix(maps, by_seq, scales)
        drawn.append(fix)
        return fix

    monkeypatch.setattr(report, "_fix", fewer)
    seen = make(tmp_path)
    blocks = [a for a in seen.all("div") if a.get("class") == "fix"]
    assert 10 <= len(blocks) <= report.MOST_FIXES
    assert (blocks[0]["data-seq"], blocks[-1]["data-seq"]) == ("1", "40")
    assert f"{len(blocks)} of the folder's 40 maps files are shown" in seen.words()
    assert (tmp_path/"report.html").stat().st_size < 3e6


@pytest.mark.parametrize(("count", "most", "wanted"), [
    (0, 5, []), (1, 5, [0]), (2, 5, [0, 1]), (5, 5, [0, 1, 2, 3, 4]), (100, 3, [0, 50, 99]), (7, 2, [0, 6])])
def test_an_even_choice_keeps_first_and_last(count, most, wanted):
    assert [abs(a-b) <= 1 for a, b in zip(report.evenly(count, most), wanted, strict=True)] == [True]*len(wanted)
    if wanted:
        assert (report.evenly(count, most)[0], report.evenly(count, most)[-1]) == (0, count-1)


def test_growth_results_are_taken_in_when_they_are_there(tmp_path):
    write_text_folder(tmp_path)
    assert "Not computed yet" in make(tmp_path).words()
    figure = pictures.series_picture(np.arange(3.0), "x", "y", [pictures.Series("a", np.arange(3.0))])
    (tmp_path/"growth_rate.png").write_bytes(figure)
    (tmp_path/"growth_aN.png").write_bytes(figure)
    (tmp_path/"growth_fit.csv").write_text("method,dK,rates,C_mm_per_cycle,m,m_low95,m_high95\n"
                                           "secant,measured,9,1.2e-9,3.21,3.0,3.4\n")
    seen = make(tmp_path)
    assert "Not computed yet" not in seen.words() and "3.21" in seen.words() and "older than" not in seen.words()
    assert base64.b64encode(figure).decode() in {a["src"].split(",")[1] for a in seen.all("img")}
    os.utime(tmp_path/"records.csv", ns=((tmp_path/"growth_rate.png").stat().st_mtime_ns+10**9,)*2)
    assert "older than the last record" in make(tmp_path).words()


# ---- damage

def test_a_flipped_byte_is_named_by_row_on_stderr_and_page(tmp_path, capsys):
    path = write_records(tmp_path, invented_rows(8))
    raw = bytearray(path.read_bytes())
    start = [m.end() for m in re.finditer(rb"\n", raw)][3]   # row 5: the fourth fix
    raw[start+25] ^= 0x01
    path.write_bytes(raw)
    words = make(tmp_path).words()
    errors = capsys.readouterr().err
    assert f"{path}: row 5: crc32 is" in errors and errors.count("\n") == 1
    assert "1 row is damaged and left out (1 with a wrong CRC): row 5 of records.csv" in words
    assert "Sequence numbers missing: 4 (1 fixes)" in words
    assert "Data quality: Poor" in words   # one in eight


def test_a_torn_last_row_is_told(tmp_path, capsys):
    path = write_records(tmp_path, invented_rows(8))
    path.write_bytes(path.read_bytes()[:-40])
    assert "torn off" in make(tmp_path).words()
    assert f"{path}: the last row is torn off" in capsys.readouterr().err


def test_broken_maps_are_named_and_the_others_shown(tmp_path, capsys):
    write_folder(tmp_path, fixes=4, with_maps=2)
    (tmp_path/"maps-000003.npz").write_bytes((tmp_path/"maps-000003.npz").read_bytes()[:5000])
    np.savez(tmp_path/"maps-000001.npz", h1=np.zeros((4, 4), complex), h2=np.zeros((4, 5), complex))
    np.savez(tmp_path/"maps-000002.npz", something=np.zeros(3))
    words = make(tmp_path).words()
    errors = capsys.readouterr().err
    assert "maps-000003.npz: cannot be read" in errors and "maps-000002.npz: has no array h1" in errors
    assert "maps-000001.npz: h1 (4, 4), h2 (4, 5)" in errors
    assert "maps-000001.npz, maps-000002.npz, maps-000003.npz" in words and "1 of the folder's 4 maps files" in words


def test_maps_without_tip_second_harmonic_or_material_are_drawn(tmp_path):
    write_text_folder(tmp_path, 3)
    path = write_maps(tmp_path, 2, 9.0)
    with np.load(path) as data:
        arrays = {key: data[key] for key in ("h1", "mm_per_px")}
    np.savez(path, **arrays, h2=np.full(arrays["h1"].shape, np.nan, complex))
    seen = make(tmp_path)
    described = [a["alt"] for a in seen.all("img")]
    assert "map of the temperature range with isopachics" in described and "map of 2f amplitude" not in described


@pytest.mark.parametrize(("prepare", "line"), [
    (lambda d: None, "records.csv: no such file"),
    (lambda d: write_records(d, []), "records.csv: 0 damaged and no valid row"),
    (lambda d: (d/"records.csv").write_bytes(b""), "records.csv: 0 damaged and no valid row"),
])
def test_a_folder_without_records_is_one_clear_line(tmp_path, prepare, line):
    prepare(tmp_path)
    with pytest.raises(InputError, match=re.escape(line)) as caught:
        report.main(tmp_path)
    assert "\n" not in str(caught.value)
    assert not (tmp_path/"report.html").exists()


def test_a_place_that_cannot_be_written_is_one_clear_line(tmp_path):
    write_text_folder(tmp_path, 2)
    with pytest.raises(InputError, match="cannot be written .*--out"):
        report.main(tmp_path, tmp_path/"nowhere"/"page.html")


def test_the_page_can_go_elsewhere(tmp_path):
    write_text_folder(tmp_path, 2)
    (tmp_path/"desk").mkdir()
    assert report.main(tmp_path, tmp_path/"desk") == 0
    assert report.main(tmp_path, tmp_path/"page.html") == 0
    assert sorted(p.name for p in tmp_path.rglob("*.html")) == ["page.html", "report.html"]
    assert not list(tmp_path.rglob("*.part"))


def test_importing_the_command_does_not_draw_in_matplotlib():
    code = "import sys, edge.report; sys.exit('matplotlib' in sys.modules or 'cv2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=Path(__file__).parent.parent, check=False).returncode == 0


# ---- the verdict

def records(rows: list[Row], **other) -> RecordFile:
    return RecordFile(**{"rows": rows, "bad": [], "torn": None, "path": Path("records.csv"), **other})


def changed(count: int, change) -> list[Row]:
    """20 good rows, the last `count` of them changed."""
    rows = invented_rows(21)[1:]
    for row in rows[len(rows)-count:]:
        change(row)
    return rows


def no_tip(row):
    row.tip_row_px = row.crack_mm = None
    row.flags += ("no_tip",)


def standing(row):
    no_tip(row)
    row.flags += ("no_load",)


def losing(row):
    row.lost = 200


def uncalibrated(row):
    row.flags += ("uncalibrated",)


def poor_fit(row):
    row.r2 = 0.8


def uncertain(row):
    row.dKI_sd = 0.1*row.dKI_MPa_sqrt_m


@pytest.mark.parametrize(("count", "change", "level", "sentence"), [
    (0, no_tip, verdict.GOOD, "A tip was found in 20 of 20 fixes under load."),
    (2, no_tip, verdict.GOOD, "A tip was found in 18 of 20 fixes under load."),
    (3, no_tip, verdict.CARE, "A tip was found in 17 of 20 fixes under load."),
    (11, no_tip, verdict.POOR, "A tip was found in 9 of 20 fixes under load."),
    (15, standing, verdict.GOOD, "A tip was found in 5 of 5 fixes under load (15 more"),
    (20, standing, verdict.POOR, "No fix under settled load among 20"),
    (20, losing, verdict.CARE, "4000 frames lost (12 % of the frames)"),
    (1, uncalibrated, verdict.CARE, "Flag uncalibrated in 1 of 20 fixes"),
    (11, poor_fit, verdict.CARE, "R\u00b2 = 0.800"),
    (11, uncertain, verdict.CARE, "\u0394K_I has a standard deviation of 10 % (median)"),
])
def test_the_verdict_follows_its_printed_limits(count, change, level, sentence):
    found = verdict.judge(records(changed(count, change)))
    assert found.level == level
    assert any(sentence in finding.text for finding in found.findings), [f.text for f in found.findings]


def test_repeated_and_missing_sequence_numbers_are_told():
    rows = invented_rows(12)
    del rows[4:7]
    texts = [f.text for f in verdict.judge(records([*rows, rows[-1]])).findings]
    assert "Sequence numbers missing: 5\u20137 (3 fixes)." in texts
    assert "1 sequence numbers occur more than once." in texts


@pytest.mark.parametrize(("value", "sd", "text"), [
    (12.3456, 0.0234, "12.346\u00a0\u00b1\u00a00.046 mm"), (-59.27, 1.5, "\u221259.3\u00a0\u00b1\u00a02.9 mm"),
    (1234.5, 60.0, "1234\u00a0\u00b1\u00a0118 mm"), (0.5, None, "0.5 mm"), (0.5, 0.0, "0.5 mm"), (None, 0.1, "")])
def test_values_carry_half_their_95_percent_interval(value, sd, text):
    assert page.with_interval(value, sd, "mm") == text


# ---- what is drawn

@pytest.mark.parametrize(("angle_deg", "tip_px"), [
    (0.0, (58.3, 90.2)), (90.0, (70.0, 80.4)), (180.0, (61.7, 70.1)), (-35.0, (50.3, 60.0))])
def test_fitted_isopachics_lie_on_the_closed_form_in_every_direction(tmp_path, angle_deg, tip_px):
    """Westergaard's plate is no crack-tip series: six terms come within 1 MPa of it in the fit region."""
    path = write_maps(tmp_path, 3, 12.0, angle_deg=angle_deg, tip_px=tip_px, noise_K=0.0, terms=6)
    maps = maps_file.read_maps(path)
    z = maps_file.crack_coordinates(maps, maps.tip)
    truth, _ = westergaard(12.0, angle_deg, tip_px)
    fitted = maps_file.fitted_range(z, maps.tip)
    inside = maps_file.in_fit_region(z, maps.tip)
    share = np.pi*(OUTER_MM**2-INNER_MM**2)*HALF_ANGLE_DEG/180/MM_PER_PX**2
    assert inside.sum() == pytest.approx(share, rel=0.02)
    assert np.array_equal(np.isfinite(fitted), inside)
    assert np.abs(fitted-truth)[inside].max() < 1.0
    assert maps_file.measured_range(maps)[inside & maps.mask] == pytest.approx(truth[inside & maps.mask], abs=1e-3)


def test_marks_stand_where_the_record_puts_them():
    row = Row(seq=1, crack_mm=12.0, contact_length_mm=1.5, reversal_mm=12.3)
    marks = report._marks(row)
    assert (marks.contact_end_mm, marks.reversal_mm) == (-1.5, pytest.approx(0.3))
    assert report._marks(Row(seq=1, reversal_mm=12.3)) == maps_file.Marks(None, None)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, -35.0])
def test_drawing_places_undo_crack_coordinates(tmp_path, angle_deg):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0, angle_deg=angle_deg))
    col, row = map_pictures._place(maps, maps.tip, maps_file.crack_coordinates(maps, maps.tip))
    assert np.allclose(row, np.arange(120)[:, None]) and np.allclose(col, np.arange(160)[None, :])


def test_a_finer_grid_passes_through_the_pixels(tmp_path):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    coarse, fine = (maps_file.crack_coordinates(maps, maps.tip, finer) for finer in (1, 3))
    assert np.allclose(fine[::3, ::3], coarse)


@pytest.mark.parametrize("seed", range(5))
def test_noise_of_a_map_is_found_beside_a_crack(tmp_path, seed):
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0, seed=seed))
    assert maps_file.component_noise_K(maps.h2, maps.mask) == pytest.approx(NOISE_K, rel=0.03)


def test_phase_is_hidden_in_noise_and_shown_in_the_zones(tmp_path):
    """Of pure noise exp(-9/2) = 1.1 % rises above three deviations (Rayleigh distribution)."""
    maps = maps_file.read_maps(write_maps(tmp_path, 3, 12.0))
    phase = maps_file.phase_deg(maps.h2, maps.mask, maps_file.component_noise_K(maps.h2, maps.mask))
    z = maps_file.crack_coordinates(maps, maps.tip)
    shown = np.isfinite(phase)
    assert shown[maps.mask & (np.abs(z) > 3)].mean() == pytest.approx(np.exp(-4.5), rel=0.2)
    behind, ahead = (np.abs(z+0.4) < 0.2), (np.abs(z-0.4) < 0.2)
    assert shown[behind].all() and np.median(phase[behind]) == pytest.approx(35, abs=6)
    assert shown[ahead].all() and np.median(phase[ahead]) == pytest.approx(-160, abs=8)


def test_bins_hold_the_complex_mean_of_their_pixels():
    h = np.array([[1+1j, 3, 5j], [10, 20, 30]])
    x = np.array([[0.1, 0.2, 1.5], [0.3, 9.0, 1.1]])
    chosen = np.array([[True, True, True], [False, True, True]])
    mean, count = maps_file.binned(h, x, chosen, np.array([0.0, 1.0, 2.0, 3.0]))
    assert count.tolist() == [2, 2, 0]
    assert mean[:2] == pytest.approx([2+0.5j, 15+2.5j]) and np.isnan(mean[2])


def test_smoothing_for_contours_keeps_holes_and_plateaus():
    values = np.full((9, 9), 7.0)
    values[2:4, 3] = np.nan
    assert np.array_equal(np.isnan(map_pictures.smoothed(values)), np.isnan(values))
    assert map_pictures.smoothed(values)[np.isfinite(values)] == pytest.approx(7.0)


def test_bars_span_95_percent_and_stay_in_view():
    figure = pictures.new_figure(4, 3)
    axes = figure.add_axes((0, 0, 1, 1))
    value, sd = np.array([5.0, np.nan, 7.0]), np.array([1.0, 1.0, np.nan])
    pictures.draw_series(axes, np.array([1.0, 2.0, 3.0]), [pictures.Series("a", value, sd)], zero=False)
    bars = axes.containers[0].lines[2][0].get_segments()
    assert [bar[:, 1].tolist() for bar in bars] == [pytest.approx([3.04, 6.96]), [7.0, 7.0]]
    low, high = axes.get_ylim()
    assert low < 3.04 and high > 7.0
    tick = next(line for line in axes.lines if line.get_marker() == "|")
    assert tick.get_xdata().tolist() == [2.0]   # the fix without a value


@pytest.mark.parametrize(("low", "high", "zero", "wanted"), [
    (3.0, 5.0, False, (2.94, 5.06)), (9.0, 9.0, False, (8.91, 9.09)), (0.0, 0.0, False, (-1.0, 1.0)),
    (2.0, 5.0, True, (0.0, 5.3)), (-2.0, 3.0, True, (-2.3, 3.3)), (0.0, 0.0, True, (0.0, 1.0))])
def test_axis_limits_neither_clip_nor_magnify_steadiness(low, high, zero, wanted):
    assert pictures.y_limits(low, high, zero) == pytest.approx(wanted)


@pytest.mark.parametrize(("cycles", "x", "label"), [
    ([100, 200], [100, 200], "load cycles"), ([1e4, 5e4], [10, 50], "load cycles (thousands)"),
    ([np.nan, np.nan], [1, 2], "time (h)")])
def test_the_axis_is_cycles_where_they_were_counted(cycles, x, label):
    got, got_label = pictures.cycle_axis(np.array(cycles, float), np.array([3600.0, 7200.0]))
    assert got.tolist() == x and got_label == label


# ---- in a browser

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
# The page reports from inside a frame of the wanted width: a browser's own window cannot be made as narrow as a phone.
PROBE = """<script>addEventListener('load', () => {
  const seen = [...document.querySelectorAll('body *')].filter(e => e.checkVisibility());
  const clipped = seen.filter(e => e.getBoundingClientRect().right > innerWidth + 0.5
    || e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline');
  parent.postMessage({
    inner: innerWidth, scroll: document.documentElement.scrollWidth, clipped: clipped.map(e => e.tagName),
    fixes: seen.filter(e => e.className === 'fix').map(f => f.dataset.seq),
    label: document.querySelector('output').textContent,
    empty: [...document.images].filter(i => i.checkVisibility() && !i.naturalWidth).length}, '*');
});</script></body>"""
FRAME = """<!DOCTYPE html><title>waiting</title>
<iframe src="probe.html%s" style="border: 0; width: %dpx; height: 900px"></iframe>
<script>addEventListener('message', e => { document.title = JSON.stringify(e.data); });</script>"""


@pytest.mark.skipif(BROWSER is None, reason="no chromium on this computer to open the page in")
@pytest.mark.parametrize(("width", "anchor", "shown"), [(1280, "", "4"), (390, "#fix-3", "3"), (390, "#fix-1", "1")])
def test_the_page_opens_in_a_browser_with_nothing_clipped(whole, tmp_path, width, anchor, shown):
    text = (whole[0]/"report.html").read_text(encoding="utf-8")
    (tmp_path/"probe.html").write_text(text.replace("</body>", PROBE), encoding="utf-8")
    (tmp_path/"frame.html").write_text(FRAME % (anchor, width), encoding="utf-8")
    run = subprocess.run([
        BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
        "--disable-background-networking", "--disable-component-update", "--enable-logging=stderr", "--v=0",
        f"--user-data-dir={tmp_path/'browser'}", "--window-size=1400,1000", "--virtual-time-budget=3000", "--dump-dom",
        f"file://{tmp_path/'frame.html'}"], capture_output=True, text=True, timeout=60, check=False)
    assert "CONSOLE" not in run.stderr
    title = re.search(r"<title>({.*})</title>", run.stdout)
    assert title, run.stderr[-400:]
    seen = json.loads(unescape(title.group(1)))
    assert seen["inner"] == width and seen["scroll"] <= width
    assert seen["clipped"] == [] and seen["empty"] == 0
    assert seen["fixes"] == [shown] and seen["label"].startswith(f"fix {shown},")
