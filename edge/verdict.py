"""Judges a records file: what was recorded, how far it can be trusted, in words.

The limits are this project's own choice (common practice, no source) and are printed on the report page.
"""
from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.door import counted
from edge.growth_points import FALL_MM, shortening
from edge.record import RecordFile, Row, as_array

GOOD, CARE, POOR = 0, 1, 2
WORDS = ("Good", "Usable with care", "Poor")
# Flags that excuse a missing tip: such rows do not count against the share of tips found.
IDLE = frozenset({"no_load", "paused", "settling", "waiting_frames", "waiting_load"})
TIPS_GOOD, TIPS_POOR = 0.90, 0.50  # share of the fixes under load
BAD_ROWS_POOR = 0.05  # share of all rows
LOST_CARE = 0.02  # share of the frames
R2_CARE = 0.90  # median over the fixes
DKI_SD_CARE = 0.05  # median relative standard deviation
SHORT_CARE = 0.5  # share of the fixes with a tip; a test run to its end has some, and growth keeps them out of its line
GAPS_SHOWN = 8
DOUBTFUL = {
    "uncalibrated": "amplitudes and \u0394K are too small by the camera's lag",
    "readout_assumed": "phases may slope from the top of the image to the bottom",
    "sd_assumed": "the intervals are too narrow",
    "cycles_estimated": "part of the cycles was not counted from the load",
    "delay_disagrees": "\u0394K is too small: frame_delay_s does not fit this load signal or camera",
    "readout_disagrees": "the profile's readout_s is not this camera's",
    "phase_wanders": "amplitudes and \u0394K are too small",
    "clipped": "the load signal touches its converter's end",
}
LIMITS_IN_WORDS = (
    f"Good: a tip in at least {TIPS_GOOD:.0%} of the fixes under load, no damaged or missing row, at most "
    f"{LOST_CARE:.0%} of the frames lost, median R\u00b2 at least {R2_CARE}, median standard deviation of \u0394K_I at "
    f"most {DKI_SD_CARE:.0%}, complete camera profile that agrees with the far field, frames and load in step, load signal "
    f"within its converter's range, ligament long enough for K in {SHORT_CARE:.0%}, cycles counted. Poor: a tip in fewer than "
    f"{TIPS_POOR:.0%}, or more than {BAD_ROWS_POOR:.0%} of the rows damaged. All else: usable with care. These limits are "
    "this project's own choice."
)


@dataclass(frozen=True)
class Finding:
    """One sentence on the data and how grave it is (GOOD, CARE, POOR)."""
    level: int
    text: str


@dataclass(frozen=True)
class Verdict:
    """Overall level, sentences (gravest first) and how often each flag occurs."""
    level: int
    findings: tuple[Finding, ...]
    flags: Counter[str]

    @property
    def word(self) -> str:
        return WORDS[self.level]


def frames_lost(rows: Sequence[Row], frame_rate_hz: float | None) -> tuple[int, float]:
    """Frames lost in all and their share of all frames that the camera should have sent; NaN where its rate is not known
    (the column `frames` is the effective number in the memory, it does not add up)."""
    lost = sum(row.lost or 0 for row in rows)
    due = (rows[-1].elapsed_s or 0.0) * (frame_rate_hz or 0.0) if rows else 0.0
    return lost, lost / due if due > 0 else float("nan")


def missing_seq(rows: Sequence[Row]) -> list[tuple[int, int]]:
    """Gaps in `seq` as (first missing, last missing)."""
    numbers = sorted({row.seq for row in rows})
    return [(a + 1, b - 1) for a, b in zip(numbers, numbers[1:], strict=False) if b > a + 1]


def median(values: np.ndarray) -> float:
    """Median without the NaN; NaN when there is nothing else."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def judge(records: RecordFile, broken_maps: Sequence[str] = (), frame_rate_hz: float | None = None) -> Verdict:
    """Verdict on the file. broken_maps: names of maps files that could not be read; frame_rate_hz: of the rig file."""
    rows = records.rows
    flags = Counter(flag for row in rows for flag in row.flags)
    found = [*_tips(rows, flags), *_rows(records), *_fit(rows), *_frames(rows, frame_rate_hz), *_growth(rows)]
    if broken_maps:
        found.append(Finding(CARE, f"Maps files that cannot be read and are left out: {', '.join(broken_maps)}."))
    found += [Finding(CARE, f"Flag {flag} in {flags[flag]} of {counted(len(rows), 'fix', 'fixes')}: {consequence}.")
              for flag, consequence in DOUBTFUL.items() if flags[flag]]
    found.sort(key=lambda finding: -finding.level)
    return Verdict(max(finding.level for finding in found), tuple(found), flags)


def _tips(rows: Sequence[Row], flags: Counter[str]) -> list[Finding]:
    running = [row for row in rows if row.tip_row_px is not None or not IDLE & set(row.flags)]
    with_tip = sum(row.tip_row_px is not None for row in running)
    idle = len(rows) - len(running)
    aside = f" ({idle} more while the load stood, a signal was missing or the lock-in settled)" if idle else ""
    if not running:
        return [Finding(POOR, f"No fix under settled load among {len(rows)}: nothing to judge a crack by.")]
    share = with_tip / len(running)
    level = GOOD if share >= TIPS_GOOD else POOR if share < TIPS_POOR else CARE
    found = [Finding(level, f"A tip was found in {with_tip} of {counted(len(running), 'fix', 'fixes')} under load{aside}.")]
    if flags["tip_weak"]:
        found.append(_doubt(flags["tip_weak"] > (1 - TIPS_GOOD) * len(running),
                            f"The fit is weak in {flags['tip_weak']} of them (flag tip_weak)."))
    if flags["irwin"]:
        found.append(_doubt(flags["irwin"] > SHORT_CARE * with_tip,
                            f"The ligament is too short for K in {flags['irwin']} of them (flag irwin)."))
    return found


def _rows(records: RecordFile) -> list[Finding]:
    found = []
    bad = len(records.bad)
    if bad:
        level = POOR if bad > BAD_ROWS_POOR * (bad + len(records.rows)) else CARE
        checksums = sum("crc32 is" in row.reason for row in records.bad)
        places = row_list([row.line_number for row in records.bad])
        subject = f"{counted(bad, 'row')} {'is' if bad == 1 else 'are'}"
        found.append(Finding(level, f"{subject} damaged and left out ({checksums} with a wrong CRC): {places} of "
                                    f"{records.path.name}."))
    if records.torn is not None:
        found.append(Finding(CARE, "The last row is torn off, as after a power cut, and left out."))
    gaps = missing_seq(records.rows)
    if gaps:
        names = ", ".join(str(a) if a == b else f"{a}\u2013{b}" for a, b in gaps[:GAPS_SHOWN])
        more = " and more" if len(gaps) > GAPS_SHOWN else ""
        count = sum(b - a + 1 for a, b in gaps)
        found.append(Finding(CARE, f"Sequence numbers missing: {names}{more} ({counted(count, 'fix', 'fixes')})."))
    repeats = len(records.rows) - len({row.seq for row in records.rows})
    if repeats:
        found.append(Finding(CARE, f"More than once: {counted(repeats, 'sequence number')}."))
    return found or [Finding(GOOD, f"{counted(len(records.rows), 'row')}, each with a correct CRC, and none is missing.")]


def _fit(rows: Sequence[Row]) -> list[Finding]:
    table = as_array(rows)
    found = []
    r2 = median(table["r2"])
    if np.isfinite(r2):
        text = f"The fit explains a share R\u00b2 = {r2:.3f} of the stress map near the tip (median)."
        found.append(_doubt(r2 < R2_CARE, text))
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = median(table["dKI_sd"] / np.abs(table["dKI_MPa_sqrt_m"]))
    if np.isfinite(relative):
        text = f"\u0394K_I has a standard deviation of {100 * relative:.2g} % (median)."
        found.append(_doubt(relative > DKI_SD_CARE, text))
    noise = median(table["noise_K"])
    if np.isfinite(noise):
        found.append(Finding(GOOD, f"The first-harmonic amplitude has a noise of {1e3 * noise:.2g} mK (median)."))
    return found


def _growth(rows: Sequence[Row]) -> list[Finding]:
    """A crack that gets shorter is not one crack."""
    fixes = [row for row in rows if row.crack_mm is not None and "tip_weak" not in row.flags]
    place, fall_mm = shortening(np.array([row.crack_mm for row in fixes], float))
    if fall_mm <= FALL_MM:
        return []
    return [Finding(POOR, f"Near seq {fixes[place].seq} the crack is {fall_mm:.1f} mm shorter than before: rows of more than "
                          "one test, or another datum.")]


def _frames(rows: Sequence[Row], frame_rate_hz: float | None) -> list[Finding]:
    if all(row.lost is None for row in rows):
        return [Finding(GOOD, "Lost frames were not counted in these records.")]
    lost, share = frames_lost(rows, frame_rate_hz)
    repeated = sum(row.repeated or 0 for row in rows)
    part = f" ({100 * share:.2g} % of the frames)" if np.isfinite(share) else ""
    text = f"{lost} frames lost{part}, {repeated} repeated."
    return [_doubt(share > LOST_CARE, text)]


def _doubt(doubtful: bool, text: str) -> Finding:
    return Finding(CARE if doubtful else GOOD, text)


def row_list(numbers: Sequence[int], most: int = 12) -> str:
    """'row 7' or 'rows 7, 9, 12', at most `most` of them."""
    names = ", ".join(map(str, numbers[:most])) + (f" and {len(numbers) - most} more" if len(numbers) > most else "")
    return f"row{'s' if len(numbers) != 1 else ''} {names}"
