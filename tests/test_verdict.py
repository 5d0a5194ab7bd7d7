"""The verdict on a records file follows the limits that the report prints."""
from dataclasses import replace
from pathlib import Path

import pytest
from invented_folder import invented_rows

from edge import page, verdict
from edge.record import RecordFile, Row


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


def short(row):
    row.flags += ("irwin",)


def uncertain(row):
    row.dKI_sd = 0.1*row.dKI_MPa_sqrt_m


@pytest.mark.parametrize(("count", "change", "level", "sentence"), [
    (0, no_tip, verdict.GOOD, "A tip was found in 20 of 20 fixes under load."),
    (2, no_tip, verdict.GOOD, "A tip was found in 18 of 20 fixes under load."),
    (3, no_tip, verdict.CARE, "A tip was found in 17 of 20 fixes under load."),
    (11, no_tip, verdict.POOR, "A tip was found in 9 of 20 fixes under load."),
    (15, standing, verdict.GOOD, "A tip was found in 5 of 5 fixes under load (15 more"),
    (20, standing, verdict.POOR, "No fix under settled load among 20"),
    (20, losing, verdict.CARE, "4000 frames lost (6.3 % of the frames)"),  # of 12,600 s at 5 frames/s
    (1, uncalibrated, verdict.CARE, "Flag uncalibrated in 1 of 20 fixes"),
    (11, poor_fit, verdict.CARE, "R\u00b2 = 0.800"),
    (5, short, verdict.GOOD, "The ligament is too short for K in 5 of them (flag irwin)."),
    (11, short, verdict.CARE, "The ligament is too short for K in 11 of them (flag irwin)."),
    (11, uncertain, verdict.CARE, "\u0394K_I has a standard deviation of 10 % (median)"),
])
def test_the_verdict_follows_its_printed_limits(count, change, level, sentence):
    found = verdict.judge(records(changed(count, change)), frame_rate_hz=5.0)
    assert found.level == level
    assert any(sentence in finding.text for finding in found.findings), [f.text for f in found.findings]


@pytest.mark.parametrize(("flag", "consequence"), [
    ("delay_disagrees", "\u0394K is too small: frame_delay_s does not fit this load signal or camera"),
    ("readout_disagrees", "the profile's readout_s is not this camera's"),
    ("phase_wanders", "amplitudes and \u0394K are too small"),
    ("clipped", "the load signal touches its converter's end"),
])
def test_records_whose_values_a_flag_calls_wrong_are_not_called_good(flag, consequence):
    def doubted(row):
        row.flags += (flag,)

    found = verdict.judge(records(changed(20, doubted)))
    assert found.level == verdict.CARE
    assert f"Flag {flag} in 20 of 20 fixes: {consequence}." in [f.text for f in found.findings]


def test_repeated_and_missing_sequence_numbers_are_told():
    rows = invented_rows(12)
    del rows[4:7]
    texts = [f.text for f in verdict.judge(records([*rows, rows[-1]])).findings]
    assert "Sequence numbers missing: 5\u20137 (3 fixes)." in texts
    assert "More than once: 1 sequence number." in texts


def test_lost_frames_are_no_share_of_what_is_not_known():
    assert "4000 frames lost, 0 repeated." in [f.text for f in verdict.judge(records(changed(20, losing))).findings]


def test_a_crack_that_gets_shorter_is_told():
    rows = invented_rows(30)
    again = [replace(row, seq=30 + row.seq, cycles=row.cycles + 130000) for row in rows]
    found = verdict.judge(records([*rows, *again]))
    assert found.level == verdict.POOR and any("shorter than before: rows of more than one test" in f.text for f in found.findings)
    strays = [replace(row, crack_mm=row.crack_mm - 3.0 * (row.seq in (9, 17))) if row.crack_mm else row for row in rows]
    assert verdict.judge(records(strays)).level == verdict.GOOD


@pytest.mark.parametrize(("value", "sd", "text"), [
    (12.3456, 0.0234, "12.346 \u00b1\u00a00.046 mm"), (-59.27, 1.5, "\u221259.3 \u00b1\u00a02.9 mm"),
    (1234.5, 60.0, "1234 \u00b1\u00a0118 mm"), (0.5, None, "0.5 mm"), (0.5, 0.0, "0.5 mm"), (None, 0.1, "")])
def test_values_carry_half_their_95_percent_interval(value, sd, text):
    assert page.with_interval(value, sd, "mm") == text
