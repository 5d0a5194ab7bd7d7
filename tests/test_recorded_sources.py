"""Recordings as sources: good files give their frames and samples, bad ones one line that names file, row and remedy."""

import tracemalloc

import cv2
import numpy as np
import pytest

from calibration.door import InputError
from edge import decimal_kernel
from edge.sources.base import EndOfSource
from edge.sources.csv_columns import CsvColumns
from edge.sources.recording import RecordedFrames, RecordedLoad, open_stack

SHAPE = (12, 16)


def counts(n, seed=1):
    return np.random.default_rng(seed).integers(0, 65536, (n, *SHAPE)).astype(np.uint16)


def tiff(path, frames):
    assert cv2.imwritemulti(str(path), list(frames), [cv2.IMWRITE_TIFF_COMPRESSION, 1])
    return path


def npy(path, frames):
    np.save(path, frames)
    return path


def csv(path, lines):
    path.write_text("".join(line + "\n" for line in lines))
    return path


def all_of(source):
    out = []
    try:
        while True:
            out.append(source.read(0.0))
    except EndOfSource:
        return out


@pytest.mark.parametrize("write, name", [(npy, "f.npy"), (tiff, "f.tif"), (tiff, "f.TIFF")])
@pytest.mark.parametrize("n", [1, 63, 64, 65, 150])
def test_every_frame_comes_out_once_in_order_bit_for_bit(tmp_path, write, name, n):
    made = counts(n)
    with RecordedFrames(write(tmp_path / name, made), None, *SHAPE, 25.0) as source:
        frames = all_of(source)
    assert [f.number for f in frames] == list(range(n))
    assert [f.time_s for f in frames] == pytest.approx(np.arange(n) / 25.0)
    assert all(f.counts.dtype == np.uint16 and np.array_equal(f.counts, m) for f, m in zip(frames, made, strict=True))
    with pytest.raises(EndOfSource):
        source.read(0.0)


@pytest.mark.parametrize(
    "header, row",
    [
        ("frame,time_s", "{i},{t}"),
        ("time_s", "{t}"),
        ("camera,time_s,frame", "A7,{t},{i}"),
        (" frame , time_s ", " {i} , {t} "),
    ],
)
def test_arrival_times_come_from_the_column_of_that_name(tmp_path, header, row):
    times = np.cumsum(np.random.default_rng(1).uniform(0.03, 0.05, 20))
    lines = [header] + [row.format(i=i, t=f"{t:.6f}") for i, t in enumerate(times)]
    source = RecordedFrames(npy(tmp_path / "f.npy", counts(20)), csv(tmp_path / "t.csv", lines), *SHAPE, 25.0)
    assert [f.time_s for f in all_of(source)] == pytest.approx(times, abs=1e-6)


def test_a_recording_larger_than_memory_is_never_read_whole(tmp_path):
    path = tmp_path / "f.npy"
    made = np.lib.format.open_memmap(path, "w+", np.uint16, (200_000, 64, 64))  # 1.6 GB, mostly holes
    made[123_456] = 7
    del made
    tracemalloc.start()
    stack = open_stack(path, 64, 64)
    assert stack.count == 200_000 and (stack.frame(123_456) == 7).all() and not stack.frame(5).any()
    assert tracemalloc.get_traced_memory()[1] < 1e6
    tracemalloc.stop()


def test_a_frame_handed_over_is_the_callers_own(tmp_path):
    made = counts(3)
    source = RecordedFrames(npy(tmp_path / "f.npy", made), None, *SHAPE, 25.0)
    source.read(0.0).counts[:] = 0  # the file is open for reading only
    assert np.array_equal(source.read(0.0).counts, made[1])
    assert np.array_equal(np.load(tmp_path / "f.npy"), made)


def write_pickle(path):
    np.save(path, np.array([{"a": 1}], object), allow_pickle=True)


def cut(path, make, share):
    make(path)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * share)])


GRAY8 = [np.zeros(SHAPE, np.uint8)] * 3
COLOUR = [np.zeros((*SHAPE, 3), np.uint16)] * 3
BAD_STACKS = {
    "missing": ("f.npy", lambda p: None, ["no such file", "[camera] path"]),
    "other ending": ("f.mkv", lambda p: p.write_bytes(b"x"), ["'.mkv'", ".npy, .tif or .tiff"]),
    "text": ("f.npy", lambda p: p.write_text("hello"), ["not a readable .npy"]),
    "empty": ("f.npy", lambda p: p.write_bytes(b""), ["not a readable .npy"]),
    "cut in the middle": (
        "f.npy",
        lambda p: cut(p, lambda q: np.save(q, counts(9)), 0.5),
        ["shorter than its header says: still being copied", "copy it again"],
    ),
    "cut in its header": ("f.npy", lambda p: cut(p, lambda q: np.save(q, counts(9)), 0.01), ["not a readable .npy"]),
    "objects": ("f.npy", write_pickle, ["not a readable .npy"]),
    "floats": ("f.npy", lambda p: np.save(p, counts(3).astype(float)), ["float64", "may be uint16"]),
    "one image": ("f.npy", lambda p: np.save(p, counts(3)[0]), ["(12, 16)", "(frames, rows, columns)"]),
    "other size": (
        "f.npy",
        lambda p: np.save(p, np.zeros((3, 10, 16), np.uint16)),
        ["10 rows and 16 columns", "set them"],
    ),
    "turned": (
        "f.npy",
        lambda p: np.save(p, np.zeros((3, 16, 12), np.uint16)),
        ["rows = 12, columns = 16", "swap them"],
    ),
    "zip of arrays": ("f.npy", lambda p: np.savez(open(p, "wb"), a=counts(2)), [".npy"]),
    "tiff missing": ("f.tif", lambda p: None, ["no such file"]),
    "tiff text": ("f.tif", lambda p: p.write_text("hello"), ["not a readable TIFF"]),
    "tiff empty": ("f.tif", lambda p: p.write_bytes(b""), ["not a readable TIFF"]),
    "tiff of 8 bits": ("f.tif", lambda p: tiff(p, GRAY8), ["uint8", "16-bit"]),
    "tiff in colour": ("f.tif", lambda p: tiff(p, COLOUR), ["3 channels", "16-bit gray"]),
    "tiff turned": ("f.tif", lambda p: tiff(p, [np.zeros((16, 12), np.uint16)] * 2), ["swap them"]),
}


@pytest.mark.parametrize("name, make, parts", BAD_STACKS.values(), ids=BAD_STACKS.keys())
def test_a_bad_stack_is_refused_with_one_line_that_names_it(tmp_path, name, make, parts, capfd):
    make(tmp_path / name)
    with pytest.raises(InputError) as error:
        RecordedFrames(tmp_path / name, None, *SHAPE, 25.0)
    message = str(error.value)
    assert message.startswith(str(tmp_path / name)) and "\n" not in message
    assert all(part in message for part in parts), message


def test_a_tiff_cut_in_the_middle_gives_the_pages_that_are_whole(tmp_path):
    made = counts(100)
    path = tiff(tmp_path / "f.tif", made)
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    frames = all_of(RecordedFrames(path, None, *SHAPE, 25.0))
    assert 30 < len(frames) <= 50
    assert all(np.array_equal(f.counts, made[f.number]) for f in frames[:-1])


GOOD_TIMES = ["frame,time_s"] + [f"{i},{0.04 * i:.3f}" for i in range(10)]
BAD_TIMES = {
    "missing": (None, ["no such file", "time_s"]),
    "empty": ([], ["row 1", "time_s is missing"]),
    "no header": (GOOD_TIMES[1:], ["row 1", "put time_s above it"]),
    "other separator": ([line.replace(",", ";") for line in GOOD_TIMES], ["row 1", "separate columns with commas"]),
    "too few rows": (GOOD_TIMES[:6], ["has 5 rows for 10 frames", "one row a frame"]),
    "a word": (GOOD_TIMES[:4] + ["3,soon"] + GOOD_TIMES[5:], ["row 5", "'3,soon'"]),
    "a short row": (GOOD_TIMES[:4] + ["3"] + GOOD_TIMES[5:], ["row 5", "'3'"]),
    "not finite": (GOOD_TIMES[:4] + ["3,nan"] + GOOD_TIMES[5:], ["row 5", "not finite"]),
    "backwards": (GOOD_TIMES[:4] + ["3,0.01"] + GOOD_TIMES[5:], ["row 5", "before the row above"]),
}


@pytest.mark.parametrize("lines, parts", BAD_TIMES.values(), ids=BAD_TIMES.keys())
def test_bad_frame_times_are_refused_with_file_and_row(tmp_path, lines, parts):
    path = tmp_path / "t.csv"
    if lines is not None:
        csv(path, lines)
    with pytest.raises(InputError) as error:
        all_of(RecordedFrames(npy(tmp_path / "f.npy", counts(10)), path, *SHAPE, 25.0))
    message = str(error.value)
    assert message.startswith(str(path)) and "\n" not in message
    assert all(part in message for part in parts), message


def load_csv(tmp_path, n=10000, rate=1000.0):
    t = np.arange(n) / rate
    p = 5 + 4 * np.sin(7 * t)
    np.savetxt(tmp_path / "l.csv", np.column_stack([t, p]), "%.6f", ",", header="time_s,load_kN", comments="")
    return tmp_path / "l.csv", np.round(t, 6), np.round(p, 6)


def test_load_samples_come_out_once_each_up_to_the_time_asked_for(tmp_path):
    path, t, p = load_csv(tmp_path)
    source = RecordedLoad(path, 1.0, 0.0)
    times, loads = [], []
    for until in (-1.0, 0.0, 0.0005, 3.0, 3.0, 4.0965, 9.0, 50.0, 60.0):
        new_t, new_p = source.read(until)
        assert (new_t <= until).all() and new_t.shape == new_p.shape
        times.append(new_t)
        loads.append(new_p)
        assert np.concatenate(times).size == np.count_nonzero(t <= until)
    assert np.concatenate(times) == pytest.approx(t) and np.concatenate(loads) == pytest.approx(p)
    assert source.ended


def test_numbers_may_be_spelt_in_any_way_that_python_takes(tmp_path):
    """Rows are read all at once where they can be, one by one else; both ways mean the same."""
    plain_rows, odd_rows = ["0.001,-.5e1", " 2E-3 ,+5.0 "], ["0_1.0,5"]
    for rows, times in ((plain_rows, [0.001, 0.002]), (plain_rows + odd_rows, [0.001, 0.002, 1.0])):
        path = csv(tmp_path / "l.csv", ["time_s,load_kN", *rows])
        t, p = RecordedLoad(path, 1.0, 0.0).read(9.0)
        assert t.tolist() == times and p[:2].tolist() == [-5.0, 5.0]


def test_a_recording_cut_short_while_it_is_read_ends_there(tmp_path, caplog):
    path = npy(tmp_path / "f.npy", counts(20))
    with RecordedFrames(path, None, *SHAPE, 25.0) as source:
        source.read(0.0)
        with open(path, "r+b") as file:
            file.truncate(path.stat().st_size // 2)
        assert len(all_of(source)) < 10
    assert "f.npy: frame 10 of 20 cannot be read" in caplog.text


def test_a_tiff_with_a_damaged_page_ends_before_it_and_says_so(tmp_path, caplog):
    images = np.random.default_rng(1).integers(0, 60000, (100, 48, 64)).astype(np.uint16)
    assert cv2.imwritemulti(str(path := tmp_path / "f.tif"), list(images))  # compressed, most of it pixels
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2 : len(raw) // 2 + 4] = b"\xff" * 4
    path.write_bytes(raw)
    with RecordedFrames(path, None, 48, 64, 25.0) as source:
        read = len(all_of(source))
    assert 40 < read < 60 and f"f.tif: frame {read + 1} of 100 cannot be read" in caplog.text


def test_load_rows_from_far_ahead_are_left_out_and_their_number_told(tmp_path, caplog):
    rows = [f"{i / 1000},5" for i in range(3000)]
    rows[1000:1003] = ["1000,5", "1001,5", "1002,5"]
    t, _ = RecordedLoad(csv(tmp_path / "l.csv", ["time_s,load_kN", *rows]), 1.0, 0.0).read(9.0)
    assert t.size == 2997 and "time_s 1000 stands before 1.003; 3 rows left out" in caplog.text


@pytest.mark.parametrize("write, name", [(npy, "f.npy"), (tiff, "f.tif")])
def test_a_crop_takes_its_part_of_each_image(tmp_path, write, name):
    made = counts(5)
    with RecordedFrames(write(tmp_path / name, made), None, 6, 9, 25.0, (4, 7, 6, 9)) as source:
        np.testing.assert_array_equal([f.counts for f in all_of(source)], made[:, 4:10, 7:16])
    with pytest.raises(InputError, match="12 rows and 16 columns, too few for .* crop_px"):
        RecordedFrames(tmp_path / name, None, *SHAPE, 25.0, (4, 7, *SHAPE))


def test_load_samples_of_an_unsteady_clock_come_out_in_order(tmp_path):
    t = np.arange(3000) / 1000 + np.random.default_rng(1).normal(0, 0.002, 3000)
    path = csv(tmp_path / "l.csv", ["time_s,load_kN", *(f"{s:.6f},{s:.6f}" for s in t)])
    times, loads = RecordedLoad(path, 1.0, 0.0).read(1.0)
    assert (np.diff(times[:900]) >= 0).all() and (times == loads).all()


def test_load_has_not_ended_before_its_last_sample_is_near(tmp_path):
    source = RecordedLoad(load_csv(tmp_path)[0], 1.0, 0.0)
    source.read(2.0)
    assert not source.ended


def test_load_is_scaled_and_shifted_to_kN(tmp_path):
    path, _, p = load_csv(tmp_path, 100)
    assert RecordedLoad(path, -2.5, 10.0).read(1.0)[1] == pytest.approx(10 - 2.5 * p)


def test_a_torn_last_row_is_left_out(tmp_path):
    for torn in ("0.003000,5.0", "0.003000,", "0.0030", "0.003000,5.0e"):
        path = tmp_path / "l.csv"
        path.write_text("time_s,load_kN\n0.001000,5.1\n0.002000,5.2\n" + torn)
        times, _ = RecordedLoad(path, 1.0, 0.0).read(9.0)
        assert times[:2] == pytest.approx([0.001, 0.002]) and times.size <= 3
        assert times.size == 2 or torn == "0.003000,5.0"  # it could be whole


@pytest.mark.parametrize("bad_row", [3, 4097, 4098, 9000])
def test_a_bad_load_row_is_named_as_a_spreadsheet_counts_it(tmp_path, bad_row):
    path, *_ = load_csv(tmp_path)
    lines = path.read_text().splitlines()
    lines[bad_row - 1] = "oops,1.0"
    source = RecordedLoad(csv(path, lines), 1.0, 0.0)
    with pytest.raises(InputError) as error:
        source.read(60.0)
    assert str(error.value).startswith(f"{path}: row {bad_row}: is 'oops,1.0'")


@pytest.mark.parametrize("columns", ["time_s,force", "t,load_kN", "zeit;kraft", "zeit\tkraft"])
def test_load_without_its_columns_is_refused(tmp_path, columns):
    with pytest.raises(InputError, match="row 1.*(missing.*time_s,load_kN|may be time_s,load_kN; separate)"):
        RecordedLoad(csv(tmp_path / "l.csv", [columns, "0,1"]), 1.0, 0.0).read(1.0)


def test_a_missing_load_file_is_named(tmp_path):
    with pytest.raises(InputError, match="l.csv: no such file"):
        RecordedLoad(tmp_path / "l.csv", 1.0, 0.0)


def test_a_load_file_with_a_header_only_ends_at_once(tmp_path):
    source = RecordedLoad(csv(tmp_path / "l.csv", ["time_s,load_kN"]), 1.0, 0.0)
    times, loads = source.read(1.0)
    assert times.size == loads.size == 0 and source.ended


def test_line_ends_and_the_byte_order_mark_of_office_software_do_no_harm(tmp_path):
    path = tmp_path / "l.csv"
    for text in ("time_s,load_kN\r\n0.1,5\r\n0.2,6\r\n", "\ufefftime_s,load_kN\n0.1,5\n0.2,6\n"):
        path.write_bytes(text.encode())
        assert RecordedLoad(path, 1.0, 0.0).read(1.0)[1].tolist() == [5, 6]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("name", ["time_s,load_kN", "zeit\tkraft"])
def test_utf_16_text_is_said_so(tmp_path, encoding, name):
    path = tmp_path / "l.csv"
    path.write_bytes(f"{name}\r\n0.1,5\r\n".encode(encoding))
    with pytest.raises(InputError, match=r"l.csv: row 1: is UTF-16 text; save it as UTF-8 \(CSV\)$"):
        RecordedLoad(path, 1.0, 0.0).read(1.0)


def test_a_header_of_nuls_after_a_power_cut_is_not_taken_for_utf_16(tmp_path):
    (tmp_path / "l.csv").write_bytes(bytes(50) + b"\n0.1,5\n")
    with pytest.raises(InputError, match="row 1.*is missing"):
        RecordedLoad(tmp_path / "l.csv", 1.0, 0.0).read(1.0)


def test_names_in_quotes_are_read(tmp_path):
    path = csv(tmp_path / "l.csv", ['"time_s","load_kN"', "0.1,5", "0.2,6"])
    assert RecordedLoad(path, 1.0, 0.0).read(1.0)[1].tolist() == [5, 6]


@pytest.mark.parametrize("header, says", [("time_s,load_N", True), ("time_s,force", False), ("t,load_N", True), ("t,load_kN", False)])
def test_a_load_in_newtons_is_told_how_to_be_kilonewtons(tmp_path, header, says):
    with pytest.raises(InputError, match="the header should be time_s,load_kN") as error:
        RecordedLoad(csv(tmp_path / "l.csv", [header, "0.1,5"]), 1.0, 0.0).read(1.0)
    assert str(error.value).endswith("; values in kN (N: [load] scale_kN_per_unit = 0.001)") == says


def test_numbers_in_quotes_are_refused_with_the_remedy(tmp_path):
    path = csv(tmp_path / "l.csv", ['"time_s","load_kN"', '"0.1","5"'])
    with pytest.raises(InputError, match="row 2: .*leave the quotes out"):
        RecordedLoad(path, 1.0, 0.0).read(1.0)


def test_a_folder_is_no_file(tmp_path):
    for name in ("l.csv", "t.csv", "f.npy", "g.npy"):
        (tmp_path / name).mkdir() if name != "g.npy" else npy(tmp_path / name, counts(2))
    with pytest.raises(InputError, match="l.csv: is a folder"):
        RecordedLoad(tmp_path / "l.csv", 1.0, 0.0)
    with pytest.raises(InputError, match="f.npy: is a folder"):
        open_stack(tmp_path / "f.npy", *SHAPE)
    with pytest.raises(InputError, match="t.csv: is a folder"):
        RecordedFrames(tmp_path / "g.npy", tmp_path / "t.csv", *SHAPE, 25.0).read(0.0)


@pytest.mark.parametrize("more", [0, 1, 5000])
def test_rows_without_frames_are_told_once_at_the_end(tmp_path, caplog, more):
    path = csv(tmp_path / "t.csv", ["time_s", *(f"{0.04 * i:.2f}" for i in range(10 + more))])
    with RecordedFrames(npy(tmp_path / "f.npy", counts(10)), path, *SHAPE, 25.0) as source:
        assert len(all_of(source)) == 10 and all_of(source) == []
    said = f"{path}: has {10 + more} rows for 10 frames in f.npy; one row a frame is needed"
    assert [r.getMessage() for r in caplog.records] == ([said] if more else [])


def test_a_bad_row_that_no_frame_needs_does_not_end_the_run(tmp_path, caplog):
    path = csv(tmp_path / "t.csv", ["time_s", *(f"{0.04 * i:.2f}" for i in range(12)), "0.01"])
    assert len(all_of(RecordedFrames(npy(tmp_path / "f.npy", counts(10)), path, *SHAPE, 25.0))) == 10
    assert "has 12 rows" in caplog.text


def test_blank_lines_at_the_end_do_no_harm(tmp_path):
    path = csv(tmp_path / "l.csv", ["time_s,load_kN", "0.1,5", "0.2,6", "", ""])
    assert RecordedLoad(path, 1.0, 0.0).read(1.0)[1].tolist() == [5, 6]


CELLS = ["0", "-0", "7", "-7.", ".5", "-.5", "0.1", "1234567.89", "-0.000001", "999999999999999", "0.12345678901234"]


def test_plain_decimals_are_read_as_float_reads_them():
    parse, rng = decimal_kernel.kernel(), np.random.default_rng(1)
    cells = CELLS + [f"{x:.{d}f}" for x, d in zip(rng.normal(0, 1e3, 300), rng.integers(0, 10, 300))] + ["3"]
    values = np.empty(len(cells))
    lines = "".join(f"{a},{b}\n" for a, b in zip(cells[::2], cells[1::2]))
    assert parse(np.frombuffer(lines.encode(), np.uint8), 2, values) == len(cells)
    assert values.tolist() == [float(c) for c in cells]


@pytest.mark.parametrize("text", ["1,2", "1,2,\n", "1\n2\n", "1,2\n3\n", ",1\n", "1,\n", "1,-\n", "1,.\n", "1,2\n3", "1, 2\n"] + [
    f"1,{cell}\n" for cell in ("1e3", "nan", "1_0", "--1", "1-", "1.2.3", "+1", "1234567890123456", "\u0663")
])  # fmt: skip
def test_what_is_not_plain_is_left_to_the_other_reader(text):
    assert decimal_kernel.kernel()(np.frombuffer(text.encode(), np.uint8), 2, np.empty(20)) == -1


def test_a_long_table_with_one_number_spelt_otherwise_is_read_all_the_same(tmp_path):
    rows = [f"{i / 1000},{i % 7 - 3}.25" for i in range(3000)]
    (tmp_path / "plain.csv").write_text("\n".join(["time_s,load_kN", *rows]) + "\n")
    rows[2000] = "2.0 , 2.25e0"
    (tmp_path / "load.csv").write_text("\n".join(["time_s,load_kN", *rows]) + "\n")
    plain, other = (np.concatenate(list(CsvColumns(tmp_path / n, ("load_kN", "time_s")).chunks())) for n in ("plain.csv", "load.csv"))
    plain[2000] = 2.25, 2.0
    assert np.array_equal(other, plain)


def test_rows_are_the_same_wherever_a_chunk_ends(tmp_path):
    rows = [f"{i / 1000},{(i * 37) % 101 - 50}.{i % 10}" + ("0" * 300 if i == 70 else "") for i in range(200)]
    (tmp_path / "load.csv").write_bytes(("time_s,load_kN\r\n" + "\r\n".join(rows) + "\r\n\r\n0.2,1\r\n0.201,").encode())
    whole = np.array([[float(c) for c in row.split(",")] for row in [*rows, "0.2,1"]])
    for chunk in (1, 7, 64, 301, 100_000):
        assert np.array_equal(np.concatenate(list(CsvColumns(tmp_path / "load.csv", ("time_s", "load_kN"), chunk).chunks())), whole)


def test_a_bad_row_is_named_by_its_number_in_whatever_chunk_it_stands(tmp_path):
    rows = [f"{i / 1000},5" for i in range(200)]
    rows[150] = "0.15,five"
    path = csv(tmp_path / "load.csv", ["time_s,load_kN", *rows])
    for chunk in (10, 333, 100_000):
        with pytest.raises(InputError, match="row 152: is '0.15,five'"):
            list(CsvColumns(path, ("time_s", "load_kN"), chunk).chunks())
