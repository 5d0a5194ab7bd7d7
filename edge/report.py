"""`bolotip report DIR`: one self-contained HTML page from a folder of records and maps.

Order: read, and name what is damaged; judge; draw the maps until the page is large enough; draw the quantities over the
fixes; write the page under a temporary name and put it in place.
"""
from __future__ import annotations

import csv
import os
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from calibration.door import InputError, counted
from edge import map_pictures as draw
from edge import page
from edge.flags import FLAGS
from edge.growth_validity import BY_HAND, kept_out
from edge.history_pictures import CRACK, HEALTH, history
from edge.maps import PHASE_FLOOR, BadMaps, Maps, Marks, list_maps, read_maps
from edge.page import Fix, thousands, with_interval
from edge.pictures import Picture
from edge.profile_pictures import along_picture, around_picture
from edge.record import RecordFile, Row, left_beside, read_records
from edge.rig import Camera, find_rig
from edge.terminal import Progress
from edge.verdict import LIMITS_IN_WORDS, Verdict, judge

MAPS_BUDGET_BYTES = 1_850_000   # of pictures behind the slider; a third more as text in the page
MOST_FIXES = 24                 # behind the slider
OF_1F = 2                       # pictures of a fix that need no second harmonic; they come first
FEW = 5                         # maps that set the common colour scales
LAST_ROWS = 12
BAD_ROWS_SHOWN = 50
SAFETY = ("bolotip is no safety device: it measures, it protects nobody. Never start, stop or approach a test on the "
          "strength of this page; the test frame's own limits, the rules of the place and qualified people come first.")
INVENTED = "Simulated bench: every number on this page is invented."
EMPTY = "A tick on the lower edge is a fix without a value."
WIDTH = ("On this page \u00b1 is half a 95 % interval (1.96 standard deviations); the records, the lines of bolotip run and the "
         "status picture give one standard deviation.")
BARS = f"Bars are 95 % intervals (1.96 standard deviations). {EMPTY}"
FIT_COLUMNS = {"method": "method", "dK": "\u0394K", "rates": "rates", "C_mm_per_cycle": "C (mm/cycle)", "m": "m",
               "m_low95": "m from (95 %)", "m_high95": "m to (95 %)", "scatter_log10": "scatter (log10)"}


def main(folder: Path, out: Path | None = None) -> int:
    """Write the page (default: report.html in the folder). InputError: no records, no valid row, page not writable."""
    import matplotlib  # noqa: F401  (if missing, said before any work is done)
    records = read_records(folder)
    if not records.rows:
        raise InputError(f"{records.path}: {counted(len(records.bad), 'damaged row')} and no valid one, must be at least one; "
                         f"{records.remedy}")
    for bad in records.bad[:BAD_ROWS_SHOWN]:
        _complain(f"{records.path}: row {bad.line_number}: {bad.reason}; left out")
    if more := len(records.bad[BAD_ROWS_SHOWN:]):
        _complain(f"{records.path}: {more} more damaged rows; left out")
    if records.torn is not None:
        _complain(f"{records.path}: the last row is torn off; left out")
    for beside in left_beside([records.path]):
        _complain(f"{beside}: its rows stand under another header row (damaged, or of another version); left out: copy it to a folder "
                  "of its own for a page")
    home = records.path.parent
    target = home/"report.html" if out is None else out/"report.html" if out.is_dir() else out
    fixes, note, broken = draw_fixes(home, records.rows)
    for reason in broken.values():
        _complain(f"{reason}; left out")
    camera = _camera(home)
    verdict = judge(records, list(broken), camera.frame_rate_hz if camera is not None else None)
    text = compose(home, records, verdict, fixes, note, camera is not None and camera.source == "simulated")
    _write(target, text)
    size_MB = len(text.encode(errors="replace")) / 1e6
    print(f"{target}: {counted(len(records.rows), 'fix', 'fixes')}, {len(fixes)} with maps, {size_MB:.1f} MB")
    return 0


def _camera(home: Path) -> Camera | None:
    """Of the rig file in or beside the folder."""
    try:
        rig = find_rig(home)
    except InputError as error:
        _complain(f"{error}; the page does without the rig file")
        return None
    return rig.camera if rig is not None else None


def _complain(line: str) -> None:
    print(f"bolotip: {line}", file=sys.stderr)


def _write(target: Path, text: str) -> None:
    beside = target.with_name(target.name+".part")
    try:
        beside.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")
        os.replace(beside, target)
    except OSError as error:
        reason = error.strerror or error
        raise InputError(f"{target}: cannot be written ({reason}); choose another with --out") from None


def compose(home: Path, records: RecordFile, verdict: Verdict, fixes: Sequence[Fix], note: str, simulated: bool = False) -> str:
    """The page's text, part by part."""
    rows = records.rows
    span = " to ".join(dict.fromkeys(row.time_utc for row in (rows[0], rows[-1]) if row.time_utc)) or "time unknown"
    head = [*([page.paragraph(INVENTED)] if simulated else []),
            page.paragraph(f"{span} \u00b7 page made {datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}", quiet=True),
            page.banner(verdict.level, verdict.word, [finding.text for finding in verdict.findings]),
            page.facts(_facts(rows)), page.paragraph(WIDTH, quiet=True), page.paragraph(SAFETY, quiet=True)]
    flags = [(word, str(count), FLAGS.get(word, "This version has no explanation for this word."))
             for word, count in verdict.flags.most_common()]
    sections = [
        page.section("Crack and stress intensity", page.paragraph(BARS, quiet=True), page.grid(history(rows, CRACK))),
        page.section("Maps", page.paragraph(note, quiet=True), page.slider(fixes) if fixes else ""),
        page.section("Growth rates", *_growth(home, records.path)),
        page.section("Load and camera", page.paragraph(EMPTY, quiet=True), page.grid(history(rows, HEALTH))),
        page.section("Flags", page.table(["flag", "fixes", "meaning"], flags, ["meaning"]) if flags
                     else page.paragraph("No flag in any fix.")),
        page.section(f"Last {counted(min(LAST_ROWS, len(rows)), 'fix', 'fixes')}", _last_rows(rows)),
        page.section("How the verdict is reached", page.paragraph(LIMITS_IN_WORDS, quiet=True), *_damaged(records)),
    ]
    place = home.resolve()
    title = f"Crack growth record {'/'.join(place.parts[-2:] if place.name == 'out' else place.parts[-1:])}"
    return page.document(title, head, sections, page.paragraph(SAFETY, quiet=True))


def _damaged(records: RecordFile) -> list[str]:
    rows = [(str(bad.line_number), bad.reason) for bad in records.bad[:BAD_ROWS_SHOWN]]
    title = page.paragraph(f"Damaged rows of {records.path.name} (row 1 is the header):")
    return [title, page.table(["row", "reason"], rows, ["reason"])] if rows else []


def _facts(rows: Sequence[Row]) -> list[tuple[str, str]]:
    tips = [row for row in rows if row.crack_mm is not None]
    cycles = [row.cycles for row in rows if row.cycles is not None]
    pairs = [("fixes", str(len(rows))), ("load cycles at the end", thousands(cycles[-1]) if cycles else "unknown")]
    if tips:
        first, last = tips[0], tips[-1]
        pairs += [("crack size, first", with_interval(first.crack_mm, first.crack_sd_mm, "mm")),
                  ("crack size, last", with_interval(last.crack_mm, last.crack_sd_mm, "mm")),
                  ("\u0394K_I, last", with_interval(last.dKI_MPa_sqrt_m, last.dKI_sd, "MPa\u221am")),
                  ("T range, last", with_interval(last.T_MPa, last.T_sd, "MPa"))]
    contact = [row for row in rows if row.contact_length_mm is not None]
    if contact:
        length = with_interval(contact[-1].contact_length_mm, contact[-1].contact_sd_mm, "mm")
        return [*pairs, (f"contact length, last of {len(contact)}", length)]
    looked = any({"no_contact", "ahead_only"} & set(row.flags) for row in rows)
    return [*pairs, ("contact length", "none found" if looked else "not determined")]


def evenly(count: int, most: int) -> list[int]:
    """At most `most` of 0 ... count-1, evenly spread, first and last among them."""
    return sorted({round(i) for i in np.linspace(0, count-1, min(count, most))}) if count else []


def draw_fixes(home: Path, rows: Sequence[Row]) -> tuple[list[Fix], str, dict[str, str]]:
    """(fixes behind the slider, sentence about them, {name of a broken maps file: its path and the reason}). Maps are read one by one:
    a long test's do not fit into a small computer's memory. One is drawn first and tells how many can follow."""
    by_seq = {row.seq: row for row in rows}
    files = list_maps(home)
    usable: list[Path] = []
    few: list[Maps] = []
    broken: dict[str, str] = {}
    full: Path | None = None  # the last of which nothing is withheld
    chosen = [files[i] for i in evenly(len(files), MOST_FIXES)]
    for k, (seq, path) in enumerate(chosen):
        try:
            maps = read_maps(path)
        except BadMaps as error:
            broken[path.name] = str(error)
            continue
        usable.append(path)
        spoiled = _withheld(by_seq.get(seq))
        full = full if spoiled else path
        if 1 not in spoiled and (k in evenly(len(chosen), FEW) or not few):
            few.append(replace(maps, h2=None) if spoiled else maps)
    if not usable:
        return [], "None of the maps files could be read." if files else "No maps in this folder.", broken
    scales = draw.common_scales(few)
    full = full or usable[-1]
    first = _fix(read_maps(full), by_seq, scales)
    room = max(MAPS_BUDGET_BYTES//max(sum(len(p.png) for p in first.pictures), 1), 2)
    shown = [usable[i] for i in evenly(len(usable), room)]
    fixes, progress = [], Progress("maps")
    for k, path in enumerate(shown, start=1):
        fixes.append(first if path == full else _fix(read_maps(path), by_seq, scales))
        progress(k/len(shown))
    progress.clear()
    note = f"{len(shown)} of the folder's {len(files)} maps files are shown"
    note += ", evenly chosen to keep the page small." if len(shown) < len(files) else "."
    return fixes, note+" Colour scales are the same in every fix; the 2f phase counts from each fix's contact.", broken


def _withheld(row: Row | None) -> list[int]:
    """Harmonics that fell on something else: their maps are no measurement."""
    return [k for k in (1, 2) if row is not None and f"collision_{k}f" in row.flags]


def _fix(maps: Maps, by_seq: dict[int, Row], scales: draw.Scales) -> Fix:
    row = by_seq.get(maps.seq)
    marks = _marks(row) if row else Marks()
    per_MPa = "" if maps.stress_per_K is None else f" 1 MPa is an amplitude of {500/maps.stress_per_K:.2g} mK."
    drawn: list[tuple[Callable[[], bytes | None], str, str]] = [
        (lambda: draw.stress_picture(maps, scales),
         f"1f map, peak to peak.{per_MPa} Solid black: measured isopachics (lightly smoothed); dashed white: fitted "
         "ones; dotted: fit region; cross: fitted tip.",
         f"map of the {'stress-sum' if maps.stress_per_K else 'temperature'} range with isopachics"),
        (lambda: draw.misfit_picture(maps, scales),
         "Measured minus fitted stress sum in the fit region: a good fit leaves noise without a pattern.",
         "map of the misfit"),
        (lambda: draw.second_amplitude_picture(maps, scales, marks),
         "2f amplitude. Cross: fitted tip; solid blue bar: end of contact; dashed red bar: phase reversal.", "map of 2f amplitude"),
        (lambda: draw.second_phase_picture(maps, marks),
         f"2f phase; where contact was found, less the contact's own: dark is in phase with it, light half a turn from it. "
         f"Hatched where the amplitude is below {PHASE_FLOOR:g} standard deviations of the noise.",
         "map of 2f phase"),
        (lambda: along_picture(maps, marks), "2f along the crack line, mean of a strip of three pixels.",
         "2f amplitude and phase along the crack line"),
        (lambda: around_picture(maps), "2f around the tip, on a ring at the inner radius of the fit.",
         "2f amplitude and phase around the tip"),
    ]
    spoiled = _withheld(row)
    if spoiled:
        drawn = [] if 1 in spoiled else drawn[:OF_1F]
    pictures = [Picture(png, caption, alt) for picture, caption, alt in drawn if (png := picture()) is not None]
    left_out = f"{' and '.join(f'{k}f' for k in spoiled)} withheld ({', '.join(f'collision_{k}f' for k in spoiled)})"
    return Fix(maps.seq, _label(maps.seq, row), tuple(pictures), left_out if spoiled else "")


def _marks(row: Row) -> Marks:
    contact = None if row.contact_length_mm is None else -row.contact_length_mm
    reversal = None if row.reversal_mm is None or row.crack_mm is None else row.reversal_mm-row.crack_mm
    return Marks(contact, reversal)


def _label(seq: int, row: Row | None) -> str:
    if row is None:
        return f"fix {seq}: its row is not in the records"
    cycles = "" if row.cycles is None else f", {thousands(row.cycles)} cycles"
    crack = "no tip" if row.crack_mm is None else f"crack {with_interval(row.crack_mm, row.crack_sd_mm, 'mm')}"
    return f"fix {seq}{cycles}: {crack}"


def _growth(home: Path, records_path: Path) -> list[str]:
    """What `bolotip growth` left in the folder, or how to get it."""
    lines = _csv_rows(home/"growth_fit.csv")
    named = (("growth_aN.png", "Crack size against load cycles."),
             ("growth_rate.png", "Growth rate against stress-intensity range" + (" with the Paris line." if lines else ": no Paris line.")))
    pictures = [Picture((home/name).read_bytes(), caption, caption) for name, caption in named if (home/name).is_file()]
    if not pictures and not lines:
        return [page.paragraph("Not computed yet: bolotip growth on this folder adds growth rates and the Paris fit; "
                               "make the report again after it.")]
    parts = [page.grid(pictures)] if pictures else []
    columns = [name for name in FIT_COLUMNS if lines and name in lines[0]]
    if columns:
        formula = "Paris fit, da/dN = C \u0394K^m with \u0394K in MPa\u221am; the rates are in growth.csv."
        cells = [[_short(line[name] or "") for name in columns] for line in lines]
        parts += [page.paragraph(formula), page.table([FIT_COLUMNS[name] for name in columns], cells)]
    parts += [page.paragraph(text, quiet=True) for text in [*_left_out(_csv_rows(home/"growth.csv")), BY_HAND]]
    newest = max((home/name).stat().st_mtime for name in ("growth_aN.png", "growth_rate.png", "growth_fit.csv") if (home/name).is_file())
    if newest < records_path.stat().st_mtime:
        parts.insert(0, page.paragraph("These results are older than the last record: run bolotip growth again."))
    return parts


def _left_out(rates: Sequence[dict[str, str]]) -> list[str]:
    """For each method how many of its rates are in no Paris line, and why."""
    said = []
    for method in dict.fromkeys(rate.get("method") or "" for rate in rates):
        words = [kept_out(method, (rate.get("invalid") or "").split(), (rate.get("remarks") or "").split())
                 for rate in rates if rate.get("method") == method]
        why = ", ".join(f"{word} {count}" for word, count in Counter(w for some in words for w in some).most_common())
        said.append(f"{method}: {sum(map(bool, words))} of {counted(len(words), 'rate')} left out of the line"
                    + (f" ({why}; one rate may have several)." if why else "."))
    return said


def _csv_rows(path: Path) -> list[dict[str, str]]:
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", errors="replace", newline="") as file:
        try:
            return list(csv.DictReader(file))
        except csv.Error as e:
            raise InputError(f"{path}: is no table any more ({e}); run bolotip growth again") from None


def _short(text: str) -> str:
    """A number to three digits; other text as it is."""
    try:
        return f"{float(text):.3g}"
    except ValueError:
        return text


def _last_rows(rows: Sequence[Row]) -> str:
    names = ["fix", "time (UTC)", "cycles", "crack size (mm)", "\u0394K_I (MPa\u221am)", "\u0394K_II (MPa\u221am)",
             "T (MPa)", "contact (mm)", "opening", "flags"]
    cells = [(str(row.seq), row.time_utc or "", "" if row.cycles is None else thousands(row.cycles),
              with_interval(row.crack_mm, row.crack_sd_mm), with_interval(row.dKI_MPa_sqrt_m, row.dKI_sd),
              with_interval(row.dKII_MPa_sqrt_m, row.dKII_sd), with_interval(row.T_MPa, row.T_sd),
              with_interval(row.contact_length_mm, row.contact_sd_mm),
              with_interval(row.opening_fraction, row.opening_sd), " ".join(row.flags)) for row in rows[-LAST_ROWS:]]
    return page.table(names, cells, ["flags"])
