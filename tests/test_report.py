"""The report page: what is on it, what it says about damage, and that a browser shows it whole."""
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
    invented_rows,
    write_folder,
    write_maps,
    write_records,
)

from calibration.door import InputError
from edge import demo, page, pictures, report
from edge.flags import FLAGS
from edge.record import Row, header_line

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


@pytest.fixture(scope="module")
def one_panel():
    return pictures.series_picture(np.arange(3.0), "x", "y", [pictures.Series("a", np.arange(3.0))])


@pytest.fixture
def panels_alike(one_panel, monkeypatch):
    """For tests of the page's words: its thirteen panels against cycles are one, drawn once."""
    monkeypatch.setattr("edge.history_pictures.series_picture", lambda *_: one_panel)


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


@pytest.mark.usefixtures("panels_alike")
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


@pytest.mark.long
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


@pytest.mark.usefixtures("panels_alike")
def test_growth_results_are_taken_in_when_they_are_there(one_panel, tmp_path):
    write_text_folder(tmp_path)
    assert "Not computed yet" in make(tmp_path).words()
    figure = one_panel + b"growth"   # not the bytes of the page's own panels; what follows a PNG's end is ignored
    (tmp_path/"growth_rate.png").write_bytes(figure)
    (tmp_path/"growth_aN.png").write_bytes(figure)
    (tmp_path/"growth_fit.csv").write_text("method,dK,rates,C_mm_per_cycle,m,m_low95,m_high95\n"
                                           "secant,measured,9,1.2e-9,3.21,3.0,3.4\n")
    seen = make(tmp_path)
    assert "Not computed yet" not in seen.words() and "3.21" in seen.words() and "older than" not in seen.words()
    assert base64.b64encode(figure).decode() in {a["src"].split(",")[1] for a in seen.all("img")}
    os.utime(tmp_path/"records.csv", ns=((tmp_path/"growth_rate.png").stat().st_mtime_ns+10**9,)*2)
    assert "older than the last record" in make(tmp_path).words()


def test_a_panel_shows_every_series_and_names_no_other():
    """Motion that never stood out is not in the legend; points at zero stand above the ticks of fixes without a value."""
    nothing, zeros = np.full(3, np.nan), np.array([0.0, np.nan, 0.0])
    axes = pictures.new_figure(4, 3).add_axes((0, 0, 1, 1))
    pictures.draw_series(axes, np.arange(3.0), [pictures.Series("motion", nothing), pictures.Series("shift", zeros)], True)
    assert axes.get_legend_handles_labels()[1] == ["shift"]
    assert axes.get_ylim() == pytest.approx((-0.07, 1.0))
    axes = pictures.new_figure(4, 3).add_axes((0, 0, 1, 1))
    pictures.draw_series(axes, np.arange(3.0), [pictures.Series(name, np.arange(3.0)) for name in "ab"], False)
    first, second = (c.lines[0] for c in axes.containers)
    assert first.get_zorder() > second.get_zorder() and second.get_markerfacecolor() == "none"


@pytest.mark.parametrize(("sd", "hidden"), [(None, False), (0.0, False), (np.nan, False), (0.003, True), (0.2, False)])
def test_the_caption_knows_bars_too_short_to_be_seen(sd, hidden):
    size = np.array([8.0, np.nan, 17.0])
    series = [pictures.Series("tip", size, None if sd is None else np.full(3, sd)), pictures.Series("reversal", size)]
    assert pictures.bars_hidden(series, False) is hidden


# ---- damage

@pytest.mark.usefixtures("panels_alike")
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
    assert "Sequence numbers missing: 4 (1 fix)" in words
    assert "Data quality: Poor" in words   # one in eight


@pytest.mark.usefixtures("panels_alike")
def test_a_rig_file_that_cannot_be_read_is_named_and_the_page_made_without_it(tmp_path, capsys):
    write_records(tmp_path, invented_rows(8))
    (tmp_path/"rig.toml").write_text("[specimen\n")
    assert "Crack and stress intensity" in make(tmp_path).words()
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{tmp_path/'rig.toml'}" in line and "the page does without" in line


@pytest.mark.usefixtures("panels_alike")
def test_one_picture_of_growth_alone_is_shown(tmp_path):
    write_records(tmp_path, invented_rows(8))
    (tmp_path/"growth_rate.png").write_bytes(b"invented")
    assert "Growth rate against stress-intensity range" in make(tmp_path).words()


@pytest.mark.usefixtures("panels_alike")
def test_a_torn_last_row_is_told(tmp_path, capsys):
    path = write_records(tmp_path, invented_rows(8))
    path.write_bytes(path.read_bytes()[:-40])
    assert "torn off" in make(tmp_path).words()
    assert f"{path}: the last row is torn off" in capsys.readouterr().err


@pytest.mark.usefixtures("panels_alike")
def test_rows_kept_under_a_number_beside_the_records_are_told(tmp_path, capsys):
    path = write_records(tmp_path, invented_rows(8))
    (tmp_path / "records-1.csv").write_bytes(path.read_bytes())
    (tmp_path / "records-monday.csv").write_bytes(path.read_bytes())  # somebody's own copy
    make(tmp_path)
    told = capsys.readouterr().err
    assert f"{tmp_path / 'records-1.csv'}: its rows stand under another header row (damaged, or of another version); left out" in told
    assert "monday" not in told


@pytest.mark.usefixtures("panels_alike")
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


@pytest.mark.parametrize(("flags", "said"), [
    ((), "not determined"), (("collision_2f",), "not determined"), (("no_contact",), "none found"), (("ahead_only",), "none found")])
def test_no_contact_is_found_only_where_it_was_looked_for(flags, said):
    rows = [Row(seq=0, flags=("settling",)), Row(seq=1, crack_mm=9.0, flags=flags)]
    assert ("contact length", said) in report._facts(rows)


@pytest.mark.usefixtures("panels_alike")
@pytest.mark.parametrize("source", ["simulated", "recording"])
def test_the_page_of_a_simulated_bench_says_first_that_it_is_invented(tmp_path, source):
    write_text_folder(tmp_path)
    text = demo.RIG if source == "simulated" else demo.RIG.replace('source = "simulated"', 'source = "recording"\npath = "x.{}"')
    (tmp_path/"rig.toml").write_text(text.replace("{}", "csv", 1).replace("{}", "npy"))
    words = make(tmp_path).words()
    assert ("Simulated bench: every number on this page is invented." in words) == (source == "simulated")
    assert source == "recording" or words.index("Simulated bench") < words.index("Data quality")


@pytest.mark.usefixtures("panels_alike")
def test_maps_of_withheld_harmonics_are_not_drawn_and_set_no_scale(tmp_path, monkeypatch):
    rows = invented_rows(4)
    rows[1].flags += ("collision_2f",)
    rows[3].flags += ("collision_1f", "collision_2f")
    write_records(tmp_path, rows)
    for seq in (2, 3):
        write_maps(tmp_path, seq, 9.0)
    write_maps(tmp_path, 4, 9.0, noise_K=16.0)
    scales = []
    true_scales = report.draw.common_scales
    monkeypatch.setattr(report.draw, "common_scales", lambda few: scales.append(true_scales(few)) or scales[0])
    seen = make(tmp_path)
    described = Counter(a["alt"] for a in seen.all("img"))
    assert described["map of the stress-sum range with isopachics"] == 2 and described["map of 2f amplitude"] == 1
    assert described["2f amplitude and phase along the crack line"] == described["map of 2f phase"] == 1
    words = seen.words()
    assert "2f withheld (collision_2f)" in words and "1f and 2f withheld (collision_1f, collision_2f)" in words
    assert scales[0].range_high < 2000 and "3 of the folder's 3 maps files" in words


@pytest.mark.parametrize(("prepare", "line"), [
    (lambda d: None, "records.csv: no such file"),
    (lambda d: write_records(d, []), "records.csv: 0 damaged rows and no valid one"),
    (lambda d: (d/"records.csv").write_bytes(b""), "records.csv: 0 damaged rows and no valid one, must be at least one; record with"),
    (lambda d: (d/"records.csv").write_bytes(bytes(4000)), "must be at least one; it holds nothing but zeros, as after a power cut"),
    (lambda d: (d/"records.csv").write_text(f"{header_line()}\n1,2\n1,3\n"),
     "records.csv: 2 damaged rows and no valid one, must be at least one; take the file as bolotip wrote it"),
])
def test_a_folder_without_records_is_one_clear_line(tmp_path, prepare, line):
    prepare(tmp_path)
    with pytest.raises(InputError, match=re.escape(line)) as caught:
        report.main(tmp_path)
    assert "\n" not in str(caught.value)
    assert not (tmp_path/"report.html").exists()


@pytest.mark.usefixtures("panels_alike")
def test_a_place_that_cannot_be_written_is_one_clear_line(tmp_path):
    write_text_folder(tmp_path, 2)
    with pytest.raises(InputError, match="cannot be written .*--out"):
        report.main(tmp_path, tmp_path/"nowhere"/"page.html")


@pytest.mark.usefixtures("panels_alike")
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
@pytest.mark.parametrize(("width", "anchor", "shown"), [
    (1280, "", "4"), (1000, "#fix-2", "2"), (390, "#fix-3", "3"), (390, "#fix-1", "1")])
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
