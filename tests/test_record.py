"""The row's text: columns, digits, checksum; reading files that have been damaged."""

import dataclasses
import math
import subprocess
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from links import invented_row

from calibration.door import InputError
from edge import record
from edge.flags import FLAGS
from edge.record import (
    COLUMNS,
    BadRow,
    Row,
    StopRequest,
    as_array,
    crc32_text,
    decode_row,
    decode_stop,
    encode_row,
    header_line,
    parse_header,
    read_records,
)

# What other people's scripts rely on.
RELIED_ON = """seq time_utc elapsed_s cycles frames load_frequency_hz load_range_kN load_ratio tip_row_px tip_col_px
tip_sd_px crack_mm crack_sd_mm dKI_MPa_sqrt_m dKI_sd dKII_MPa_sqrt_m dKII_sd T_MPa T_sd r2 noise_K contact_length_mm
contact_sd_mm contact_K ahead_K phase_gap_deg opening_fraction opening_sd reversal_mm flags crc32""".split()
NOT_RELIED_ON = [name for name in COLUMNS if name not in RELIED_ON]

# Rows of those columns. Checksums made with GNU gzip, whose trailer holds the same CRC:
#   printf '%s' "$body" | gzip -c | tail -c8 | od -An -tx4 -N4
GOLDEN = {
    (
        "17,2031-05-06T07:08:09Z,170.00,1190,4250,7.00012,9.0123,0.1000,58.123,104.567,0.031,12.9876,0.0047,18.234,"
        "0.12,-0.2345,0.091,-45.67,3.2,0.98765,0.000412,1.234,0.12,0.004567,0.001234,178.3,0.4567,0.023,13.123,"
        "delay_far_field settling,128a717f"
    ): dataclasses.replace(invented_row(17), time_utc="2031-05-06T07:08:09Z", **dict.fromkeys(NOT_RELIED_ON)),
    "0,2031-05-06T07:05:19Z,10.00,0,0,,,,,,,,,,,,,,,,,,,,,,,,,no_load no_tip,aa3eba6c": Row(
        seq=0, time_utc="2031-05-06T07:05:19Z", elapsed_s=10.0, cycles=0, frames=0, flags=("no_load", "no_tip")
    ),
}


def test_checksum_is_the_published_one():
    # Check value of CRC-32/ISO-HDLC (the CRC of ITU-T V.42) for the ASCII digits 1 to 9: published as 0xCBF43926.
    assert crc32_text(b"123456789") == "cbf43926"


@pytest.mark.parametrize("text", GOLDEN)
def test_golden_rows_made_with_another_tool(text):
    assert decode_row(text, RELIED_ON) == GOLDEN[text]
    written = dict(zip(COLUMNS, encode_row(GOLDEN[text]).split(",")))
    assert [written[name] for name in RELIED_ON[:-1]] == text.split(",")[:-1]


def test_another_tool_finds_the_same_checksum_for_a_row_as_written():
    body, _, crc = encode_row(invented_row(41)).rpartition(",")
    trailer = subprocess.run(["gzip", "-c"], input=body.encode(), stdout=subprocess.PIPE, check=True).stdout[-8:-4]
    assert crc == trailer[::-1].hex()  # gzip keeps the CRC with its lowest byte first


# Checksum made with GNU gzip, as above.
GOLDEN_STOP = "STOP 17 12.9876 1190 9a62f379"


def test_golden_stop_request():
    assert StopRequest(17, 12.9876, 1190).encode() == GOLDEN_STOP
    assert decode_stop(GOLDEN_STOP) == StopRequest(17, 12.9876, 1190)


def test_any_flipped_bit_of_a_stop_request_is_caught():
    for flipped in flips(GOLDEN_STOP):
        with pytest.raises(BadRow):
            decode_stop(flipped)


def test_a_stop_request_in_a_capture_of_the_link_is_no_row_and_a_damaged_one_is_told(tmp_path):
    text = [header_line(), encode_row(invented_row(17)), GOLDEN_STOP, GOLDEN_STOP.replace("17", "18")]
    (tmp_path / "records.csv").write_text("\n".join(text) + "\n")
    found = read_records(tmp_path)
    assert [row.seq for row in found.rows] == [17] and [bad.line_number for bad in found.bad] == [4]


def flips(line: str):
    raw = line.encode()
    for place in range(8 * len(raw)):
        flipped = bytearray(raw)
        flipped[place // 8] ^= 1 << place % 8
        yield bytes(flipped).decode("utf-8", "surrogateescape")


def test_any_flipped_bit_of_a_row_is_caught():
    for flipped in flips(encode_row(invented_row(17))):
        with pytest.raises(BadRow):
            decode_row(flipped)


def test_any_flipped_bit_of_the_header_is_caught():
    for flipped in flips(header_line()):
        with pytest.raises(BadRow):
            parse_header(flipped)


def test_columns_that_others_rely_on_are_there():
    assert set(RELIED_ON) <= set(COLUMNS)
    assert COLUMNS[0] == "seq" and COLUMNS[-1] == "crc32"
    assert parse_header(header_line()) == COLUMNS


def test_a_day_of_ordinary_rows_is_below_5_MB():
    line = encode_row(dataclasses.replace(invented_row(9_999_999), cycles=123_456_789, frames=99_999_999))
    assert len(line) + 1 <= 320
    assert (len(line) + 1) * 86400 / 10.0 < 5e6


def test_what_is_not_determined_is_empty():
    line = encode_row(Row(seq=3, crack_mm=math.nan, dKI_sd=math.inf, cycles=None))
    assert line.startswith("3" + "," * (len(COLUMNS) - 1))
    row = decode_row(line)
    assert row.crack_mm is None and row.dKI_sd is None and row.cycles is None and row.flags == ()


def test_angles_are_above_minus_180_and_at_most_180_degrees_and_never_minus_zero():
    rows = [decode_row(encode_row(Row(seq=0, load_h2_deg=a, phase_gap_deg=a))) for a in (-179.97, -0.01, 179.97, -3.0)]
    assert [str(r.load_h2_deg) for r in rows] == ["180.0", "0.0", "180.0", "-3.0"]
    assert [str(r.phase_gap_deg) for r in rows] == ["180.0", "0.0", "180.0", "-3.0"]


finite = st.floats(allow_nan=False, allow_infinity=False, width=32)
NUMBERS = {f.name: finite for f in dataclasses.fields(Row) if f.name not in ("seq", "time_utc", "flags", "extra")}
NUMBERS |= {name: st.integers(0, 2**50) for name in ("cycles", "frames", "cycles_to_target", "lost", "repeated")}
anyrow = st.builds(
    Row,
    seq=st.integers(0, 2**50),
    time_utc=st.none() | st.just("2031-05-06T07:08:09Z"),
    flags=st.lists(st.sampled_from(sorted(FLAGS)), max_size=5, unique=True).map(tuple),
    **{name: st.none() | numbers for name, numbers in NUMBERS.items()},
)
LAST_DIGIT = {"load_h2_deg": 1.0, "phase_gap_deg": 0.1, "elapsed_s": 0.01}
TWO_DIGITS = (
    "load_h2", "motion_px", "rate_sd", "tip_sd_px", "crack_sd_mm", "dKI_sd", "dKII_sd", "T_sd", "contact_sd_mm", "opening_sd",
)


@settings(deadline=None)
@given(anyrow)
def test_round_trip_keeps_the_digits_that_are_written(row):
    line = encode_row(row)
    back = decode_row(line)
    assert encode_row(back) == line
    for name in NUMBERS:
        was, now = getattr(row, name), getattr(back, name)
        assert (was is None) == (now is None)
        last_digit = LAST_DIGIT.get(name, 0.001)
        share = 0.05 if name in TWO_DIGITS else 0.005
        assert was is None or now == pytest.approx(was, rel=1.02 * share, abs=0.51 * last_digit)
    assert (back.seq, back.time_utc, back.flags) == (row.seq, row.time_utc, row.flags)


@settings(deadline=None)
@given(st.text(max_size=200))
def test_no_text_is_taken_for_a_row(text):
    with pytest.raises(BadRow):
        decode_row(text)


def with_crc(body: str) -> str:
    return f"{body},{zlib.crc32(body.encode()):08x}"


@pytest.mark.parametrize(
    "change, reason",
    [
        ({"cycles": "12.5"}, "cycles is .12.5., must be a whole number or empty"),
        ({"crack_mm": "nan"}, "crack_mm is .nan., must be a number or empty"),
        ({"T_MPa": "1e999"}, "T_MPa is .1e999., must be a number"),
        ({"seq": ""}, "seq is empty"),
        ({"r2": "0.9,0.9"}, f"has {len(COLUMNS) + 1} cells, must have {len(COLUMNS)} as the header"),
    ],
)
def test_a_row_with_a_right_checksum_and_a_wrong_cell_names_the_column(change, reason):
    cells = dict(zip(COLUMNS[:-1], encode_row(invented_row(1)).split(",")))
    with pytest.raises(BadRow, match=reason):
        decode_row(with_crc(",".join((cells | change).values())))


def test_unknown_columns_in_any_order_are_kept_as_text():
    header = "crack_mm,humidity,seq," + ",".join(c for c in COLUMNS if c not in ("crack_mm", "seq"))
    names = parse_header(header)
    row = decode_row(with_crc("12.5,44 %,7" + "," * (len(names) - 4)), names)
    assert (row.seq, row.crack_mm, row.extra) == (7, 12.5, (("humidity", "44 %"),))


def test_a_file_with_only_the_columns_others_rely_on_is_read(tmp_path):
    body = ["5", "", "50.00", "350"] + [""] * (len(RELIED_ON) - 5)
    (tmp_path / "records.csv").write_text(",".join(RELIED_ON) + "\n" + with_crc(",".join(body)) + "\n")
    found = read_records(tmp_path)
    assert [(r.seq, r.cycles, r.lost) for r in found.rows] == [(5, 350, None)] and not found.bad


@pytest.mark.parametrize(
    "header, reason",
    [
        ("seq,crack_mm", "must be a header row"),
        (header_line().replace("T_sd", "T_st"), "lacks T_sd"),
        (header_line().replace("crack_mm", "seq"), "names the column seq twice"),
        ("seq,crc32", f"lacks .* and {len(COLUMNS) - 6} more"),
    ],
)
def test_a_header_without_known_columns_is_refused(header, reason):
    with pytest.raises(BadRow, match=reason):
        parse_header(header)


def write(tmp_path, *pieces: bytes):
    path = tmp_path / "records.csv"
    path.write_bytes(b"".join(pieces))
    return path


HEADER = header_line().encode() + b"\n"
ROWS = [encode_row(invented_row(n)).encode() + b"\n" for n in range(6)]


def test_damaged_rows_are_named_by_their_place_and_the_others_are_read(tmp_path):
    damaged = ROWS[2].replace(b"12.9876", b"12.9976")
    found = read_records(write(tmp_path, HEADER, ROWS[0], ROWS[1], damaged, b"\xff\x00\xfe\n", ROWS[4], ROWS[5][:40]))
    assert [row.seq for row in found.rows] == [0, 1, 4]
    assert [bad.line_number for bad in found.bad] == [4, 5]
    assert str(found.bad[0]).startswith("row 4: crc32 is")
    assert found.torn == ROWS[5][:40].decode()


def test_a_file_that_a_spreadsheet_gave_a_byte_order_mark_is_read(tmp_path):
    found = read_records(write(tmp_path, b"\xef\xbb\xbf", HEADER, *ROWS[:2]))
    assert [row.seq for row in found.rows] == [0, 1] and not found.bad


def test_two_rows_run_together_are_not_merged(tmp_path):
    found = read_records(write(tmp_path, HEADER, ROWS[0], ROWS[1][:50], ROWS[2], ROWS[3]))
    assert [row.seq for row in found.rows] == [0, 3] and [bad.line_number for bad in found.bad] == [3]


def test_a_header_with_one_damaged_name_is_reported_and_its_rows_are_read(tmp_path):
    found = read_records(write(tmp_path, HEADER.replace(b"crack_mm", b"crack_om"), ROWS[0]))
    assert [row.crack_mm for row in found.rows] == [12.9876]
    assert found.bad[0].line_number == 1 and "lacks crack_mm" in found.bad[0].reason


def test_a_capture_of_the_link_with_its_repeated_header_is_read(tmp_path):
    found = read_records(write(tmp_path, HEADER, ROWS[0], HEADER, ROWS[1]))
    assert len(found.rows) == 2 and not found.bad


@pytest.mark.parametrize(
    "content, reason",
    [
        (None, "no such file; give the folder"),
        (header_line().replace(",", ";").encode() + b"\n", "row 1: is separated by semicolons; take the file as bolotip wrote it"),
        (header_line().replace(",", "\t").encode() + b"\n", "row 1: is separated by tabs; take the file as bolotip wrote it"),
        (f'"{header_line()}"\n'.replace(",", '","').encode(), "row 1: has cells in quotes; take the file as bolotip wrote it"),
        (header_line().encode() + b",,\n", "row 1: ends with empty columns; take the file as bolotip wrote it"),
        *(
            ((header_line() + "\r\n0,1\r\n").encode(code), "row 1: is UTF-16 text; save as UTF-8 CSV with commas")
            for code in ("utf-16", "utf-16-le", "utf-16-be")
        ),
        (b"\0" * 40 + b",crack_mm\n", "row 1: .*must be a header row"),
        (b"time,load\n1,2\n", "row 1: is .*, must be a header row from seq to crc32"),
        (b"\x89PNG\r\n\x1a\n", "row 1: is"),
    ],
)
def test_a_folder_without_usable_records_is_one_line(tmp_path, content, reason):
    if content is not None:
        write(tmp_path, content)
    with pytest.raises(InputError, match=reason) as caught:
        read_records(tmp_path)
    assert "records.csv" in str(caught.value) and "\n" not in str(caught.value)


def test_an_empty_file_has_no_rows(tmp_path):
    found = read_records(write(tmp_path, b""))
    assert (found.rows, found.bad, found.torn) == ([], [], None)


def test_rows_become_an_array_with_nan_for_what_was_not_determined():
    table = as_array([invented_row(4), Row(seq=5, flags=("no_tip",))])
    assert table["seq"].tolist() == [4, 5] and table["crack_mm"][0] == 12.9876 and np.isnan(table["crack_mm"][1])
    assert table["flags"].tolist() == ["delay_far_field settling", "no_tip"]
    assert as_array([]).shape == (0,)


@pytest.mark.parametrize("word", FLAGS)
def test_each_flag_is_a_short_word_with_one_plain_sentence(word):
    assert word == word.lower() and word.isascii() and word.replace("_", "a").isalnum() and len(word) <= 20
    sentence = FLAGS[word]
    assert sentence[0].isupper() and sentence.endswith(".") and ". " not in sentence and "  " not in sentence


def test_a_long_file_is_read_thinned_with_events_and_the_last_row(tmp_path):
    rows = [Row(seq=k, cycles=10 * k, flags=("overload",) if k in (3, 500) else ()) for k in range(1001)]
    (tmp_path / "records.csv").write_text("\n".join([header_line(), *map(encode_row, rows)]) + "\n")
    found = [r.seq for r in read_records(tmp_path, 50).rows]
    assert 50 <= len(found) <= 102 and found == sorted(found)
    assert {3, 500, 1000} <= set(found)
    assert len(read_records(tmp_path, 1001).rows) == 1001


def test_the_flag_of_a_stop_request_does_not_say_that_it_was_sent():
    assert "went out" not in FLAGS["stop_request"] and "as soon as that works" in FLAGS["stop_request"]


def test_rows_that_tell_of_events_are_kept_however_many_and_cost_no_more_than_others(tmp_path, monkeypatch):
    thinned = []
    thin = record._thinned
    monkeypatch.setattr(record, "_thinned", lambda rows: thinned.append(len(rows)) or thin(rows))
    lines = [encode_row(Row(seq=n, flags=("overload",) * (n % 2))) for n in range(600)]
    (tmp_path / "records.csv").write_text("\n".join([header_line(), *lines]) + "\n")
    rows = read_records(tmp_path, most=50).rows
    assert [r.seq for r in rows if r.flags] == list(range(1, 600, 2)) and rows[-2].seq == 598
    assert 50 <= sum(not r.flags for r in rows) <= 100 and 0 < len(thinned) < 8
