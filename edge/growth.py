"""`bolotip growth DIR [DIR ...]`: records to crack growth rates, Paris fit, delays; two tables, two figures.

    folders -> rows joined by cycles -> usable fixes -> points wide enough apart -> rates, checks, Paris line, delays

Into the output folder go growth.csv (one row a rate), growth_fit.csv (one row a Paris line), growth_aN.png and
growth_rate.png. The rig file in the folder (or, failing that, beside it) gives dimensions; without one the handbook and
the checks that need dimensions fall away.
"""
from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.door import InputError, counted
from calibration.profile import load_profile, response_sd
from calibration.robust import robust_sd
from edge.contact import irwin_tip
from edge.correct import scale_sd
from edge.growth_analysis import KINDS, Analysis, Course, analyse
from edge.growth_delay import Delay
from edge.growth_events import Event, find_events, guesses, read_events, refined
from edge.growth_points import (
    FALL_MM,
    ROUNDED,
    Fall,
    Fixes,
    Placed,
    Points,
    average,
    falls,
    join,
    mean_age_cycles,
    moves,
    noise_inflation,
    own_sd_mm,
    seen_over_s,
    shortening,
    usable_fixes,
)
from edge.growth_validity import INVALID, REMARKS
from edge.record import Row, left_beside, read_records
from edge.rig import Rig, View, find_rig

DEFAULT_MEMORY_S = 60.0
FEWEST_POINTS = 4
SPREAD_OF_RATIO = 0.05        # of R, beyond which one line is doubtful (common practice, no source)
COLUMNS = ("method", "cycles", "crack_mm", "crack_sd_mm", "rate_mm_per_cycle", "rate_sd_mm_per_cycle",
           "dK_measured_MPa_sqrt_m", "dK_measured_sd", "dK_handbook_MPa_sqrt_m", "measured_over_handbook",
           "dK_eff_MPa_sqrt_m", "dK_eff_sd", "opening_fraction", "load_range_kN", "load_ratio", "plane_deg",
           "gradient_per_mm", "fixes", "invalid", "remarks")
FIT_COLUMNS = ("method", "dK", "rates", "C_mm_per_cycle", "log10_C", "log10_C_sd", "m", "m_sd", "m_low95", "m_high95",
               "middle_dK_MPa_sqrt_m", "rate_at_middle_mm_per_cycle", "rate_low95", "rate_high95", "low_dK_MPa_sqrt_m",
               "high_dK_MPa_sqrt_m", "scatter_log10")


def main(dirs: Sequence[Path], out: Path | None = None) -> int:
    """The command. Writes into `out`, else the first folder; prints the summary. InputError on unusable input."""
    dirs = [Path(d) for d in dirs]
    files = [read_records(d) for d in dirs]
    rigs = [find_rig(d) for d in dirs]
    rig = _same_specimen(dirs, rigs)
    rows, notes = join([f.rows for f in files])
    notes = [f"{f.path}: {bad}" for f in files for bad in f.bad] + notes
    notes += [f"{f.path}: the last row is torn off; left out" for f in files if f.torn is not None]
    beside = left_beside([f.path for f in files])
    notes += [f"{p}: its rows stand under another header row (damaged, or of another version); left out: give it beside the folder"
              for p in beside]
    views = [r.view if r else None for r in rigs]
    hz = [r.load_frequency_hz for r, _ in rows if r.load_frequency_hz]
    shared = [dK_shared(r, float(np.median(hz)) if hz else None) for r in rigs]
    rows = [(replace(r, crack_sd_mm=own_sd_mm(r, views[k]), dKI_sd=own_dK_sd(r, shared[k][0])), k) for r, k in rows]
    if common_dK := max(stress for _, stress in shared):
        notes.append(f"the stress is known to {100 * common_dK:.2g} % (thermoelastic constant, camera's gain), alike in all fixes: dK "
                     "measured in growth.csv may be off by that on top of its deviation; C and the ratio to the handbook have it in theirs")
    if common := max((v.mm_per_px_sd / v.mm_per_px for v in views if v), default=0.0):
        notes.append(f"the scale is known to {100 * common:.2g} %, alike in all fixes: on top of what follows, rates and crack "
                     f"sizes may be off by that, dK measured by {50 * common:.2g} %; no exponent is")
    ages = np.zeros(len(rows))
    for k, of_folder in enumerate(rigs):
        if of_folder is not None:
            its = [i for i, (_, at) in enumerate(rows) if at == k]
            over_s = seen_over_s([rows[i][0] for i in its], of_folder.lockin.memory_s, of_folder.camera.frame_rate_hz)
            ages[its] = [mean_age_cycles(rows[i][0], s) for i, s in zip(its, over_s)]
    fixes, left_out = usable_fixes([r for r, _ in rows], [tip_place_mm(r, views[k]) for r, k in rows], ages)
    folders = [d if d.is_dir() else d.parent for d in dirs]
    exact, unused = exact_events(folders, [f.rows for f in files], rows)
    notes += unused
    told = [r for r, _ in rows]
    events = sorted({*refined(find_events(told), exact), *exact}, key=lambda e: e.cycles)
    memory_s = rig.lockin.memory_s if rig else DEFAULT_MEMORY_S
    inflation = noise_inflation(np.array([np.nan if r.elapsed_s is None else r.elapsed_s for r, _ in rows]), memory_s)
    _one_crack(dirs, fixes)
    guessed = guesses(told)
    points = average(fixes, inflation, [*(e.best_cycles for e in events), *(sum(between) / 2 for between in guessed)])
    if len(points.at) < FEWEST_POINTS:
        bad = [f"{f.path}: {counted(len(f.bad), 'row is', 'rows are')} damaged, as {f.bad[0]}" for f in files if f.bad]
        bad += [f.remedy if f.bad else f"{f.path} has no row: {f.remedy}" for f in files if not f.rows][:1]
        if uncounted := sum(r.cycles is None for f in files for r in f.rows):
            bad.append(f"{counted(uncounted, 'row has', 'rows have')} no cycles, without which there is no rate; see to the load signal")
        raise InputError(f"{files[0].path}: {counted(len(fixes), 'usable fix makes', 'usable fixes make')} "
                         f"{counted(len(points.at), 'point')} at least {points.step_mm:.2f} mm apart, may be {FEWEST_POINTS} or more; "
                         + "; ".join([*bad, *left_out, *["go on recording"] * (not bad)]))
    if rig is None:
        notes.append("no rig file in or beside the folders: no handbook dK and no checks that need dimensions")
    fallen = falls(fixes)
    found = analyse(fixes, points, events, rig.specimen if rig else None, inflation, fallen, guessed, common_dK)
    folder = out or folders[0]
    notes += [*other_rigs(folders, rigs), *doubts(found, points, fallen), *of_the_load(told)]
    _write(folder, found, points)
    for line in [*summary(found, fixes, points, len(rows), notes + left_out), *three_tips([r for r, _ in rows], rig)]:
        print(line)
    try:
        from edge.growth_figures import draw
        draw(folder, found, fixes, events)
        print(f"wrote growth.csv, growth_fit.csv, growth_aN.png and growth_rate.png into {folder}")
    except ModuleNotFoundError as e:
        if e.name != "matplotlib":
            raise
        print(f"wrote growth.csv and growth_fit.csv into {folder}; figures need: pip install 'bolotip[report]'")
    return 0


def exact_events(folders: Sequence[Path], of_each: Sequence[Sequence[Row]], joined: Sequence[Placed]) -> tuple[list[Event], list[str]]:
    """Those of each folder's events.csv, moved on as its rows were; and notes on files that cannot be used."""
    exact: list[Event] = []
    notes: list[str] = []
    for folder, by in dict(zip(folders, moves(of_each, joined))).items():
        path, on = folder / "events.csv", max(by, default=0)
        if len(by) > 1 and path.exists():
            notes.append(f"{path}: not used, as the cycle count began anew within this folder; overloads are those flagged in the rows")
        elif path.exists():
            exact += [replace(e, cycles=e.cycles + on, after_cycles=e.after_cycles + on) for e in read_events(path)]
    return exact, notes


def dK_shared(rig: Rig | None, frequency_hz: float | None) -> tuple[float, float]:
    """What all dKI_sd of a rig's records have in them alike, relative: all of it, and its part of the stress."""
    if rig is None:
        return 0.0, 0.0
    profile = load_profile(rig.camera.profile) if rig.camera.profile and rig.camera.profile.exists() else None
    return scale_sd(rig, response_sd(profile, frequency_hz or rig.load.frequency_hz)[0] if profile else 0.0)


def own_dK_sd(row: Row, shared: float) -> float | None:
    """The row's dKI_sd without what all fixes share, which averages out neither of dK nor of C, and is no noise that blurs m.
    Less is not told by a record's two digits than a tenth of the variance."""
    if not shared or row.dKI_sd is None or row.dKI_MPa_sqrt_m is None:
        return row.dKI_sd
    return max(row.dKI_sd**2 - (shared * row.dKI_MPa_sqrt_m) ** 2, ROUNDED * row.dKI_sd**2) ** 0.5


def _same_specimen(dirs: Sequence[Path], rigs: Sequence[Rig | None]) -> Rig | None:
    """The one rig. InputError if the folders are of different specimens."""
    known = [(d, r) for d, r in zip(dirs, rigs) if r]
    for _, rig in known[1:]:
        for key in ("geometry", "width_mm", "thickness_mm", "notch_mm"):
            mine, first = getattr(rig.specimen, key), getattr(known[0][1].specimen, key)
            if mine != first and not (mine != mine and first != first):
                raise InputError(f"{rig.path}: specimen {key} is {mine}, but {first} in {known[0][1].path}; "
                                 f"give folders of one test only")
    return known[0][1] if known else None


def other_rigs(folders: Sequence[Path], rigs: Sequence[Rig | None]) -> list[str]:
    """Rig files of later runs in a folder, which are not read; and materials that differ from one folder to the next."""
    notes = [f"{folder}: {path.name} is of a later run; rig.toml is used" for folder in dict.fromkeys(folders)
             for path in sorted(folder.glob("rig-*.toml"))]
    known = [r for r in rigs if r]
    for key in ("thermoelastic_constant_per_MPa", "yield_strength_MPa"):
        values = dict.fromkeys(getattr(r.specimen, key) for r in known)
        if len(values) > 1:
            notes.append(f"[specimen] {key} is {' and '.join(f'{v:g}' for v in values)} in the rig files, of one test it is one value; "
                         f"records are taken as they are")
    return notes


def doubts(found: Analysis, points: Points, fallen: Sequence[Fall]) -> list[str]:
    """What makes a line doubtful as a whole."""
    notes = [f"near cycle {f.cycles:.0f} the crack is {f.mm:.2f} mm shorter than before (has the camera or the zero moved?); rates up "
             f"to cycle {f.until_cycles:.0f} do not count" for f in fallen]
    at = points.at
    standing = np.flatnonzero(np.diff(at.cycles) <= 0)
    if len(standing):
        notes.append(f"the count of cycles stands at {at.cycles[standing[0]]:.0f} while the crack grows; those rates do not count")
    stepped = np.mean(["load_step" in words for words in found.courses[0].invalid])
    if stepped > 0.5:
        notes.append(f"the load changes by more than 2 % within {100 * stepped:.0f} % of the steps: growth evaluates constant amplitude, "
                     f"not load that is shed as the crack grows (dK-decreasing)")
    ratio = np.concatenate([c.load_ratio[c.fits()] for c in found.courses])
    ratio = ratio[np.isfinite(ratio)]
    if len(ratio) and np.ptp(ratio) > SPREAD_OF_RATIO:
        notes.append(f"R is {ratio.min():.2f} to {ratio.max():.2f} among the rates of one Paris line, and growth depends on R: C, m and "
                     f"their intervals are of no material; give each R a folder of its own")
    return notes


def of_the_load(rows: Sequence[Row]) -> list[str]:
    """What the rows' load makes doubtful."""
    notes = []
    if guessed := [r for r in rows if "cycles_estimated" in r.flags]:
        notes.append(f"near cycle {guessed[0].cycles} cycles were taken from time and frequency (cycles_estimated, "
                     f"{counted(len(guessed), 'row')}): rates across such a place do not count")
    if any(r.load_ratio is not None and r.load_ratio > 1 for r in rows):
        notes.append("R is above 1: the load is compressive throughout, there is no dK of the handbook; is the sign of "
                     "scale_kN_per_unit right?")
    if any(r.load_ratio is None for r in rows):
        notes.append("rows without load_ratio: the ligament was judged as at R = 0, which is the least it needs")
    return notes


def _one_crack(dirs: Sequence[Path], fixes: Fixes) -> None:
    """InputError where the crack gets shorter: rows of several tests."""
    place, fall_mm = shortening(fixes.crack_mm)
    if fall_mm > FALL_MM:
        raise InputError(f"{', '.join(map(str, dirs))}: near cycle {fixes.cycles[place]:.0f} the crack is {fall_mm:.1f} mm "
                         f"shorter than before; give rows of one test only, in a folder of their own")


def tip_place_mm(row: Row, view: View | None) -> tuple[float, float]:
    """The tip along and across (counter-clockwise of) the nominal growth direction from the datum; NaN if unknown."""
    if view is None or row.tip_row_px is None or row.tip_col_px is None:
        return np.nan, np.nan
    right, up = row.tip_col_px - view.datum_px[1], view.datum_px[0] - row.tip_row_px
    c, s = np.cos(np.radians(view.growth_angle_deg)), np.sin(np.radians(view.growth_angle_deg))
    return view.mm_per_px * (c * right + s * up), view.mm_per_px * (c * up - s * right)


def _number(value: float, digits: int = 5) -> str:
    return "" if not np.isfinite(value) else f"{value:.{digits}g}"


def _table(path: Path, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("w", newline="", encoding="utf-8") as f:
            writer = csv.writer(f, lineterminator="\n")
            writer.writerow(columns)
            writer.writerows(rows)
    except OSError as e:
        raise InputError(f"{path}: cannot be written ({e.strerror}); choose another folder with --out") from None


def _write(folder: Path, found: Analysis, points: Points) -> None:
    _table(folder / "growth.csv", COLUMNS, (row for c in found.courses for row in _rate_rows(c, points)))
    _table(folder / "growth_fit.csv", FIT_COLUMNS, _fit_rows(found))


def _rate_rows(course: Course, points: Points) -> Iterable[Sequence[object]]:
    r = course.rates
    measured, book, effective = (course.dK(kind) for kind in ("measured", "handbook", "effective"))
    measured_sd, effective_sd = course.dK_sd("measured"), course.dK_sd("effective")
    for k in range(len(r.rate)):
        first, last = r.window[k]
        yield (r.method, f"{r.cycles[k]:.0f}", _number(r.crack_mm[k], 6), _number(r.crack_sd_mm[k], 3),
               _number(r.rate[k]), _number(r.rate_sd[k], 3), _number(measured[k]), _number(measured_sd[k], 3),
               _number(book[k]), _number(measured[k] / book[k], 4), _number(effective[k]), _number(effective_sd[k], 3),
               _number(course.opening_fraction[k], 3), _number(course.load_range_kN[k]),
               _number(course.load_ratio[k], 3), _number(course.angle_deg[k], 3), _number(course.gradient_per_mm[k], 3),
               int(points.count[first:last + 1].sum()), " ".join(course.invalid[k]), " ".join(course.remarks[k]))


def _fit_rows(found: Analysis) -> Iterable[Sequence[object]]:
    for (method, kind), line in found.lines.items():
        rate, half = float(line.rate(line.middle_dK)), line.t95 * float(line.log10_rate_sd(line.middle_dK))
        yield (method, kind, line.points, _number(10**line.log10_C), f"{line.log10_C:.4f}", _number(line.log10_C_sd, 3),
               f"{line.m:.4f}", _number(line.m_sd, 3), f"{line.m - line.t95 * line.m_sd:.4f}",
               f"{line.m + line.t95 * line.m_sd:.4f}", _number(line.middle_dK), _number(rate),
               _number(rate * 10**-half), _number(rate * 10**half), _number(line.low_dK), _number(line.high_dK),
               _number(line.scatter, 3))


def summary(found: Analysis, fixes: Fixes, points: Points, rows: int, notes: Sequence[str]) -> Iterable[str]:
    """What the command prints, line by line."""
    yield from (f"note: {note}" for note in notes)
    yield (f"{counted(rows, 'row')}, {counted(len(fixes), 'usable fix', 'usable fixes')}, "
           f"{counted(len(points.at), 'point')} at least {points.step_mm:.2f} mm apart; "
           f"crack {points.at.crack_mm[0]:.2f} to {points.at.crack_mm[-1]:.2f} mm in "
           f"{points.at.cycles[-1] - points.at.cycles[0]:.0f} cycles")
    for course in found.courses:
        yield f"{course.rates.method}: {len(course.rates.rate)} rates, {course.fits().sum()} for the Paris line"
        for words, meaning in ((course.invalid, INVALID), (course.remarks, REMARKS)):
            for word, explained in meaning.items():
                if count := sum(word in w for w in words):
                    yield f"  {word} {count}: {explained}"
    yield ""
    yield "Paris line da/dN = C dK^m (mm/cycle, MPa sqrt(m)), 95 % intervals"
    yield (f"{'method':<11}{'dK':<11}{'rates':>5}  {'m':>5} {'interval':>14}  {'C':>10}  {'rate at middle dK':<34}"
           f"{'material scatter':>16}")
    for (method, kind), line in found.lines.items():
        rate, half = float(line.rate(line.middle_dK)), line.t95 * float(line.log10_rate_sd(line.middle_dK))
        interval = f"{line.m - line.t95 * line.m_sd:.2f} to {line.m + line.t95 * line.m_sd:.2f}"
        middle = f"{rate:.3g} ({rate * 10**-half:.3g} to {rate * 10**half:.3g}) at {line.middle_dK:.3g}"
        yield (f"{method:<11}{kind:<11}{line.points:>5}  {line.m:>5.2f} {interval:>14}  {10**line.log10_C:>10.3g}  "
               f"{middle:<34}{100 * (10**line.scatter - 1):>14.1f} %")
    unsettled = [(c.rates.method, kind) for c in found.courses for kind in KINDS
                 if c.enough(kind) and (c.rates.method, kind) not in found.lines]
    for method, kind in unsettled:
        yield f"{method:<11}{kind:<11}withheld: the fit does not settle on one line (rates of several kinds, or too noisy; see growth.csv)"
    if not found.lines and not unsettled:
        yield "none: fewer than four rates that count and have a dK"
    if found.calibration:
        c = found.calibration
        yield (f"dK measured over handbook: {c.ratio:.3f} (sd {c.ratio_sd:.3f}), drift {100 * c.drift_per_mm:+.2f} % "
               f"per mm (sd {100 * c.drift_sd_per_mm:.2f})")
        if abs(c.ratio - 1) > max(0.05, 3 * c.ratio_sd):
            yield "  off 1 by more than 5 %: look at thermoelastic constant, mm_per_px, load scale, grips, profile"
        if abs(c.drift_per_mm) > 3 * c.drift_sd_per_mm:
            yield "  it drifts with the crack: look at fit region, boundary conditions of the grips, closure"
    yield from (_delay_line(event, delay) for event, delay in found.delays)


def three_tips(rows: Sequence[Row], rig: Rig | None) -> list[str]:
    """Fitted tip, Irwin's and the 2f phase reversal compared over the test: one line, or none where 2f shows no reversal."""
    if rig is None:
        return []
    behind, shift = [], []
    for r in rows:
        if r.crack_mm is None or r.reversal_mm is None or r.dKI_MPa_sqrt_m is None or r.load_ratio is None:
            continue
        irwin = irwin_tip(r.crack_mm, r.dKI_MPa_sqrt_m, r.dKI_sd or 0.0, r.load_ratio, rig.specimen.yield_strength_MPa)
        if irwin is not None:
            behind.append(r.crack_mm - r.reversal_mm)
            shift.append(r.crack_mm - irwin[0])
    if len(behind) < FEWEST_POINTS:
        return []
    scatter = robust_sd(np.array(behind))
    return [f"tips: the 2f phase reverses {np.median(behind):+.2f} mm behind the fitted tip (median of {len(behind)} fixes, one "
            f"scatters by {scatter:.2f}), Irwin's plastic zone says {np.median(shift):+.2f} mm"]


def _delay_line(event: Event, delay: Delay | None) -> str:
    start = f"{event.kind} at cycle {event.best_cycles:.0f} (sd {event.sd_cycles:.0f})"
    if delay is None:
        return f"{start}: too few fixes or too little growth around it, or no Paris line, for a delay"
    if not delay.significant:
        lost = f"lost cycles {delay.lost_cycles:.0f}, sd {delay.lost_sd_cycles:.0f}"
        return f"{start}: no delay beyond the noise ({lost})"
    return (f"{start}, crack {delay.crack_mm:.2f} mm: growth {'slowed' if delay.lost_cycles > 0 else 'hastened'} over "
            f"{delay.affected_mm:.2f} mm (sd {delay.affected_sd_mm:.2f}), delay {delay.delay_cycles:.0f} cycles "
            f"(sd {delay.delay_sd_cycles:.0f}), {delay.lost_cycles:.0f} more than without it "
            f"(sd {delay.lost_sd_cycles:.0f})")
