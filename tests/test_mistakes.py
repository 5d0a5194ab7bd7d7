"""Mistakes that newcomers make, each through the command line: one line that names file, key or row and says what to do.

Refusals end with exit code 2 and say nothing else; what may be meant after all runs on and is doubted in one line.
"""

import fcntl
import os
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import invented_folder
import numpy as np
import plates
import pytest
import recordings

from calibration.door import InputError
from edge import cli, demo, plausible
from edge.record import Row
from edge.rig import load_rig

MM, SHAPE, HALF_MM = 0.5, (40, 48), 8.0


@pytest.fixture(scope="module")
def right(tmp_path_factory) -> Path:
    """A recording in which nothing is wrong: a centre crack in a wide sheet; and an output folder. All invented."""
    folder = tmp_path_factory.mktemp("right")
    plate = plates.centre_crack(SHAPE, (19.3, 30.6), mm_per_px=MM, half_mm=HALF_MM, stress_MPa=100.0)
    rig = {
        "specimen": {"geometry": "MT", "notch_mm": 3.0, "temperature_C": 21.85},
        "load": {"scale_kN_per_unit": 1.0},
        "view": {"datum_px": [19.3, 14.6]},
        "lockin": {"memory_s": 8.0},
        "records": {"every_s": 4.0},
    }
    recordings.write(folder, plate, rig=rig, profile={"made_on": "2031"}, width_mm=200.0, frames=250, seed=3)
    camera = folder / "camera.toml"
    camera.write_text(camera.read_text().replace('made_on = "2031"', "made_on = 2026-06-01"))
    invented_folder.write_folder(folder / "out", fixes=4, with_maps=0)
    return folder


@pytest.fixture
def here(right, tmp_path, monkeypatch) -> Path:
    """A copy of `right` to spoil, as the working folder."""
    for path in right.iterdir():
        (tmp_path / path.name).symlink_to(path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


# ways to spoil a folder


def swap(old: str, new: str, name: str = "rig.toml") -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        text = (folder / name).read_text()
        assert text.count(old) == 1, (old, text)
        write(name, text.replace(old, new))(folder)

    return spoil


def write(name: str, text: str | bytes) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())

    return spoil


def frames(array: np.ndarray) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        (folder / "frames.npy").unlink()
        np.save(folder / "frames.npy", array)

    return spoil


def scaled(name: str, factor: float, shift: float = 0.0) -> Callable[[Path], None]:
    """The time_s column of a CSV, times `factor` plus `shift`."""

    def spoil(folder: Path) -> None:
        head, *lines = (folder / name).read_text().splitlines()
        at = head.split(",").index("time_s")
        rows = [line.split(",") for line in lines]
        for cells in rows:
            cells[at] = f"{float(cells[at]) * factor + shift:.6f}"
        write(name, "\n".join([head, *(",".join(cells) for cells in rows)]) + "\n")(folder)

    return spoil


def every_nth(name: str, n: int) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        head, *lines = (folder / name).read_text().splitlines()
        write(name, "\n".join([head, *lines[::n]]) + "\n")(folder)

    return spoil


def first_half(name: str) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        raw = (folder / name).read_bytes()
        write(name, raw[: len(raw) // 2])(folder)

    return spoil


def recorded_by(text: str) -> Callable[[Path], None]:
    """Another camera in the rig file."""
    return swap('source = "recording"\npath = "frames.npy"\ntimes = "frames.csv"', text)


def live_load(text: str) -> Callable[[Path], None]:
    return swap('source = "recording"\npath = "load.csv"', text)


def both(*spoils: Callable[[Path], None]) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        for one in spoils:
            one(folder)

    return spoil


def folder_for(name: str) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        (folder / name).unlink()
        (folder / name).mkdir()

    return spoil


def nothing(folder: Path) -> None:
    """The mistake is in the command line."""


@dataclass(frozen=True)
class Mistake:
    name: str
    spoil: Callable[[Path], None]
    says: str  # pattern: where it is, what it was, what to do
    command: str = "run rig.toml --out new"
    code: int = 2


UVC = 'source = "uvc"\ndevice = 77'
SERIAL = 'source = "serial"\nport = "/dev/ttyNONE"'
FROM_FRAMES = 'source = "frames"'

REFUSED = [
    # the rig file as a file
    Mistake("rig file missing", nothing, r"rigg\.toml: no such file; check the name", "run rigg.toml"),
    Mistake("folder for rig file", nothing, r"\.: is a folder; give the file", "run ."),
    Mistake("frames for rig file", nothing, r"frames\.npy: .*(TOML|UTF-8)", "run frames.npy"),
    Mistake("profile for rig file", nothing, r"camera\.toml: is a camera profile, may be a rig file", "run camera.toml"),
    Mistake("decimal comma in TOML", swap("width_mm = 200.0", "width_mm = 200,0"), r"rig\.toml: not valid TOML.*line 3.*point"),
    Mistake("home of nobody", swap('"frames.npy"', '"~nobody-here/frames.npy"'), r"\[camera\] path: no such file.*~nobody-here"),
    Mistake("name too long for a file", swap('"frames.npy"', f'"{"a" * 300}.npy"'), r"File name too long; give a shorter one"),
    Mistake("400 digits", swap("width_mm = 200.0", f"width_mm = 1{'0' * 400}"), r"\[specimen\] width_mm: is 1000"),
    Mistake("400 digits of a whole number", swap("rows = 40", f"rows = 1{'0' * 400}"), r"\[camera\] rows: is "),
    Mistake("4,000 hexadecimal digits", swap("rows = 40", f"rows = 0x{'f' * 4000}"), r"\[camera\] rows: is "),
    Mistake("unit behind the number", swap("width_mm = 200.0", "width_mm = 200 mm"), r"rig\.toml: not valid TOML.*line 3"),
    Mistake("text without quotes", swap('geometry = "MT"', "geometry = MT"), r"not valid TOML.*line 2.*double quotes"),
    Mistake("saved in another encoding", write("rig.toml", "# größe\n".encode("latin-1")), r"rig\.toml: byte 4 .*save.* UTF-8"),
    # keys
    Mistake("misspelt key", swap("width_mm", "widht_mm"), r'\[specimen\] widht_mm: unknown key; nearest is "width_mm"'),
    Mistake("misspelt table", swap("[specimen]", "[speciman]"), r'\[speciman\]: unknown table; nearest is "specimen"'),
    Mistake("key in the wrong table", swap("[view]", "[view]\nwidth_mm = 3"), r"\[view\] width_mm: .*width_mm belongs under \[specimen\]"),
    Mistake("no header above a table", swap("[view]", ""), r"\[camera\] mm_per_px: unknown key; mm_per_px belongs under \[view\]"),
    Mistake("key of two tables in a third", swap("[view]", "[view]\nbaud = 3"), r"\[view\] baud: unknown key; known: "),
    Mistake("missing key", swap("mm_per_px = 0.5\n", ""), r"\[view\] mm_per_px: is missing, may be a number"),
    Mistake("text for number", swap("width_mm = 200.0", 'width_mm = "200"'), r'width_mm: is "200", may be a number'),
    Mistake("number for text", swap('geometry = "MT"', "geometry = 3"), r"geometry: is 3, may be one of SENT"),
    Mistake("unknown geometry", swap('"MT"', '"M(T)"'), r'geometry: is "M\(T\)", may be SENT.*nearest is "MT"'),
    Mistake("unknown material", swap('"mild steel"', '"milde steel"'), r"material: .*nearest is \"mild steel\"", "plan rig.toml"),
    # units and sizes
    Mistake("negative thickness", swap("thickness_mm = 4.0", "thickness_mm = -4.0"), r"thickness_mm: is -4.0, may be .*mm"),
    Mistake("width in metres", swap("width_mm = 200.0", "width_mm = 0.2"), r"width_mm: is 0.2, .*1 m is 1000 mm"),
    Mistake("K0 per pascal", swap("3.1e-06", "3.1e-12"), r"constant_per_MPa: is 3.1e-12, .*1 per Pa is 1e6 per MPa"),
    Mistake("K0 in millionths", swap("3.1e-06", "3.1"), r"constant_per_MPa: is 3.1, .*steel has about 3e-6"),
    Mistake("yield in pascal", swap("[load]", "yield_strength_MPa = 350e6\n[load]"), r"yield_strength_MPa: .*1e6 Pa is 1 MPa"),
    Mistake("modulus in MPa", swap("[load]", "youngs_modulus_GPa = 205000\n[load]"), r"youngs_modulus_GPa: .*1000 MPa is 1 GPa"),
    Mistake("diffusivity in m2/s", swap("[load]", "thermal_diffusivity_mm2_per_s = 1.4e-5\n[load]"), r"1 mm2/s is 1e-6 m2/s"),
    Mistake("notch longer than width", swap("notch_mm = 3.0", "notch_mm = 120.0"), r"notch_mm: is 120, may be below 100 mm"),
    Mistake("pixel in micrometres", swap("mm_per_px = 0.5", "mm_per_px = 500"), r"mm_per_px: is 500, .*150 um is 0.150"),
    Mistake("pixels per millimetre", swap("mm_per_px = 0.5", "mm_per_px = 18.0"), r"mm_per_px: is 18, .*not pixels for one mm"),
    Mistake(
        "datum outside", swap("datum_px = [19.3, 14.6]", "datum_px = [900.0, 14.6]"), r"datum_px: row is 900.*order is \[row, column\]"
    ),
    Mistake("angle in radians", swap("[records]", "[fit]\nhalf_angle_deg = 2.4\n[records]"), r"half_angle_deg: .*not radians"),
    Mistake("frame period for rate", swap("frame_rate_hz = 25.0", "frame_rate_hz = 0.04"), r"frame_rate_hz: .*not seconds a frame"),
    Mistake(
        "no zero, no temperature",
        both(swap("zero_K = 0.0\n", ""), swap("temperature_C = 21.85\n", "")),
        r"temperature_C: is missing.*zero_K",
    ),
    Mistake("memory too short", swap("memory_s = 8.0", "memory_s = 0.5"), r"memory_s: is 0.5, may be"),
    Mistake("memory of two cycles", swap("frequency_hz = 7.0", "frequency_hz = 0.2"), r"memory_s: is 8, may be 15 s or more"),
    # the load
    Mistake(
        "cycles a minute",
        swap("frequency_hz = 7.0", "frequency_hz = 420.0"),
        r"frequency_hz: is 420, but the load in load\.csv swings at (?:6\.99|7\.0)\d* Hz",
    ),
    Mistake("load file missing", swap('"load.csv"', '"laod.csv"'), r"\[load\] path: no such file laod\.csv; relative paths start"),
    Mistake("folder for the load", folder_for("load.csv"), r"\[load\] path: load\.csv is a folder"),
    Mistake("folder for the frames", folder_for("frames.npy"), r"\[camera\] path: frames\.npy is a folder"),
    Mistake("folder for the times", folder_for("frames.csv"), r"\[camera\] times: frames\.csv is a folder"),
    Mistake("load of another kind", swap('"load.csv"', '"load.xlsx"'), r"\[load\] path: is \"load.xlsx\", may end in .csv"),
    Mistake(
        "load with other columns",
        write("load.csv", "t,P\n0,1\n"),
        r"load\.csv: row 1: columns are 't,P', .*header should be time_s,load_kN",
    ),
    Mistake("load without header", write("load.csv", "0,1\n1,2\n"), r"load\.csv: row 1: .*put time_s,load_kN above it"),
    Mistake(
        "load from a spreadsheet", write("load.csv", "time_s;load_kN\n0,001;1,5\n"), r"row 1: .*commas and write decimals with a point"
    ),
    Mistake("decimal comma in CSV", write("load.csv", "time_s,load_kN\n0,001,1,5\n"), r"row 2: has 4 cells for 2 columns; .*point"),
    Mistake(
        "word in the load", write("load.csv", "time_s,load_kN\n0.001,1.5\n0.002,oops\n"), r"row 3: is '0.002,oops', .*correct or delete"
    ),
    Mistake("empty load", write("load.csv", "time_s,load_kN\n"), r"load\.csv: holds 0 load samples"),
    Mistake("load in milliseconds", scaled("load.csv", 1e3), r"samples in load\.csv are 1 s apart; .*not milliseconds"),
    Mistake("load on another clock", scaled("load.csv", 1.0, 1.7e9), r"load\.csv: row 2: load begins at 17\d+ s.*one clock"),
    Mistake("live load, recorded frames", live_load(SERIAL), r'\[load\] source: is "serial", may be "recording" or "frames"'),
    Mistake("clamped without length", swap('"MT"', '"SENT-clamped"'), r"free_length_mm: is missing; .*between the grips"),
    # the frames
    Mistake("frames missing", swap('"frames.npy"', '"frame.npy"'), r"\[camera\] path: no such file frame\.npy"),
    Mistake(
        "rows and columns swapped",
        both(swap("rows = 40", "rows = 48"), swap("columns = 48", "columns = 40")),
        r"images have 40 rows and 48 columns, .*swap them",
    ),
    Mistake("frames as floats", frames(np.zeros((3, *SHAPE))), r"frames\.npy: holds float64 .*may be uint16"),
    Mistake("8-bit frames", frames(np.zeros((3, *SHAPE), np.uint8)), r"frames\.npy: holds uint8 .*may be uint16"),
    Mistake("one image", frames(np.zeros(SHAPE, np.uint16)), r"holds uint16 of shape \(40, 48\), may be uint16 \(frames,"),
    Mistake("empty recording", frames(np.zeros((0, *SHAPE), np.uint16)), r"frames\.npy: holds no frames; record again"),
    Mistake("text for frames", write("frames.npy", "time,value\n"), r"frames\.npy: not a readable \.npy"),
    Mistake("times in milliseconds", scaled("frames.csv", 1e3), r"frames\.csv: times are (39|40).* apart, .*not milliseconds"),
    Mistake("times for fewer frames", write("frames.csv", "frame,time_s\n0,0.0\n1,0.04\n"), r"frames\.csv: has 2 rows for 250 frames"),
    Mistake("frames cut short", first_half("frames.npy"), r"frames\.npy: is shorter than its header says: .*copy it again"),
    Mistake(
        "times cut short",
        first_half("frames.csv"),
        r"frames\.csv: has 1\d\d rows for 250 frames in frames\.npy; one row a frame is needed: ends at \d\.\d+ s, the frames go on to "
        r"9\.9\d+ s; still being copied, or cut short\?",
    ),
    Mistake(
        "no such camera",
        both(recorded_by(UVC), live_load(FROM_FRAMES)),
        r"rig\.toml \[camera\] device 77: /dev/video77 is not there; .*group video",
    ),
    Mistake("no such port", both(recorded_by(SERIAL), live_load(FROM_FRAMES)), r"rig\.toml \[camera\] port /dev/ttyNONE"),
    # the profile
    Mistake("profile missing", swap('"camera.toml"', '"cam.toml"'), r"\[camera\] profile: no such file cam\.toml; relative paths start"),
    Mistake("rig file for profile", swap('"camera.toml"', '"rig.toml"'), r"rig\.toml: is a rig file, may be a camera profile"),
    Mistake("lag in milliseconds", swap("tau_s = 0.01\n", "tau_s = 10\n", "camera.toml"), r"camera\.toml tau_s: is 10, .*10 ms is 0.010"),
    Mistake("NETD in millikelvin", swap("netd_K = 0.05", "netd_K = 50", "camera.toml"), r"netd_K: is 50, .*50 mK is 0.050"),
    Mistake("misspelt in the profile", swap("tau_s =", "tau =", "camera.toml"), r'camera\.toml tau: unknown key; nearest is "tau_s"'),
    # output
    Mistake("a file for the folder", write("new", ""), r"new/records\.csv: cannot be written \(new is a file\); give a folder"),
    Mistake("demo where nothing can be made", nothing, r"/proc/x: cannot be written .*give a folder that you may", "demo /proc/x"),
    Mistake("demo in a file", write("f", ""), r"f: cannot be written .*give a folder that you may write to", "demo f"),
    Mistake("demo twice", write("records.csv", ""), r"out: holds records already; give another folder", "demo ."),
    Mistake(
        "demo over a rig file",
        lambda folder: (folder / "out").unlink(),
        r"rig\.toml: is there already and not the demo's; give another folder",
        "demo .",
    ),
    Mistake("report of nothing", nothing, r"records\.csv: no such file; give the folder that", "report ."),
    Mistake("report of a missing folder", nothing, r"nowhere: no such file", "report nowhere"),
    Mistake("report of the rig file", nothing, r"rig\.toml: is no records file; give the folder that .* wrote", "report rig.toml"),
    Mistake("report of a page", write("r.html", "<p>"), r"r\.html: is no records file; give the folder that", "report r.html"),
    Mistake("growth of maps", write("maps-1.npz", b"PK"), r"maps-1\.npz: is no records file; give the folder that", "growth maps-1.npz"),
    Mistake("records of something else", write("records.csv", "a,b\n1,2\n"), r"records\.csv: row 1: .*header", "report ."),
    Mistake(
        "records of another version",
        write("records.csv", "seq,crack,crc32\n1,2,3\n"),
        r"row 1: the header lacks time_utc.*same version",
        "growth .",
    ),
    Mistake("too few rows for a rate", nothing, r"out/records\.csv: .*points.*go on recording", "growth out"),
    Mistake(
        "picture without a folder",
        nothing,
        r"--picture: is nowhere/p.png, may be .*folder that exists",
        "plan rig.toml --picture nowhere/p.png",
    ),
    Mistake("no such serial port", nothing, r"/dev/ttyNONE: .*give the port", "receive /dev/ttyNONE new"),
    # calibration
    Mistake(
        "no such recording", nothing, r"rec-1: no such file; a recording is a folder with", "calibrate step rec-1 --profile camera.toml"
    ),
    Mistake(
        "one frequency for a sweep",
        nothing,
        r"load frequencies are 7 Hz, may be 4 .*record more",
        "calibrate sweep . --profile camera.toml",
    ),
    Mistake("no step", nothing, r"step: no step of more than .*draw the cover", "calibrate step . --profile camera.toml"),
    Mistake(
        "mark beside the picture",
        nothing,
        r"mark at row 800, column 5 is not in the picture of .*exchanged",
        "calibrate scale . --mark 800 5 0 0 --mark 5 20 4 0 --profile camera.toml",
    ),
    Mistake("gain before sweep", nothing, r"fresh\.toml: has no measured lag yet.*sweep first", "calibrate gain . --profile fresh.toml"),
    Mistake("one plate", nothing, r"1 recordings and 2 temperatures", "calibrate gain . --temperatures 20 30 --profile fresh.toml"),
    Mistake(
        "region outside",
        nothing,
        r"--region: is 0 0 99 99, .*within 40 x 48",
        "calibrate gain . --temperatures 20 --region 0 0 99 99 --profile camera.toml",
    ),
    Mistake(
        "picture of no known kind",
        nothing,
        r"--picture: is p.tex, may be a name that ends in .png",
        "calibrate pixels . --profile c.toml --picture p.tex",
    ),
    Mistake(
        "calibration's picture without a folder",
        nothing,
        r"--picture: is nowhere/p.png, may be .*folder that exists",
        "calibrate scale . --profile c.toml --picture nowhere/p.png",
    ),
    Mistake("two bars", nothing, r"gain: 2 recordings, may be one of a bar; .*--temperatures", "calibrate gain . . --profile camera.toml"),
    Mistake("two views", nothing, r"unrecognized arguments: out", "calibrate scale . out --profile camera.toml"),
    Mistake(
        "decimal comma in a temperature",
        nothing,
        r"--temperatures: is '20,4', may be a number, decimals with a point",
        "calibrate gain . . --temperatures 20,4 40.1 --profile camera.toml",
    ),
    Mistake("profile into no folder", nothing, r"there is no folder nowhere; make it first", "calibrate step . --profile nowhere/c.toml"),
    # usage
    Mistake("misspelt command", nothing, r"'rnu' is no command; nearest is \"run\"", "rnu rig.toml"),
    Mistake("misspelt option", nothing, r"unrecognized arguments: --ouput", "run rig.toml --ouput x"),
    Mistake("no rig file", nothing, r"RIG\.toml", "run"),
    Mistake("word for a baud rate", nothing, r"is 'fast', may be a whole number above 0", "receive /dev/x new --baud fast"),
]


def test_there_are_enough_of_them():
    names = [m.name for m in REFUSED]
    assert len(names) == len(set(names)) >= 75


@pytest.mark.parametrize("mistake", REFUSED, ids=lambda m: m.name)
def test_a_mistake_gets_one_line_with_place_and_remedy(mistake, here, capsys, caplog):
    if mistake.name == "demo twice":
        (here / "out").unlink()
        (here / "out").mkdir()
        (here / "out" / "records.csv").touch()
    mistake.spoil(here)
    code = cli.main(mistake.command.split())
    out, err = capsys.readouterr()
    assert code == mistake.code
    line = err.rstrip("\n")
    assert re.search(mistake.says, line), line
    assert line.startswith("bolotip") and len(line) < 500
    assert err.count("\n") == 1 and out == "", (err, out)


def test_a_port_without_permission_and_one_in_use_say_so(here, monkeypatch, capsys):
    import serial

    for number, words in ((13, "Permission denied"), (16, "Device or resource busy"), (11, "in use by another program")):

        def opened(*_, **__):
            raise serial.SerialException(number, os.strerror(number))  # noqa: B023

        monkeypatch.setattr(serial, "Serial", opened)
        assert cli.main(["receive", "/dev/ttyUSB0", "new"]) == 2
        err = capsys.readouterr().err
        assert words in err and "/dev/ttyUSB0" in err and "group dialout, not in use" in err and err.count("\n") == 1


def test_a_camera_that_another_program_holds_says_so(here, monkeypatch, capsys):
    both(recorded_by('source = "uvc"\ndevice = "/dev/null"'), live_load(FROM_FRAMES))(here)
    assert cli.main(["run", "rig.toml", "--out", "new"]) == 2  # it is there and does not open
    err = capsys.readouterr().err
    assert re.search(r"device /dev/null: cannot be opened as a camera; .*not in use\)", err) and err.count("\n") == 1, err


def test_a_demo_stopped_by_hand_says_what_exists_and_asks_for_no_growth(here, monkeypatch, capsys):
    def stopped(rig, frames, load, out, tell):
        out.mkdir()
        return SimpleNamespace(stop=True, totals=SimpleNamespace(seq=6))

    monkeypatch.setattr(demo, "run_sources", stopped)
    assert cli.main(["demo", "new"]) == 0
    out, err = capsys.readouterr()
    assert out.splitlines()[-1] == "Stopped before its end: 6 fixes in new/out, no growth rates and no report." and err == ""
    (here / "new" / "out").rmdir()
    profile = here / "new" / "camera.toml"
    profile.write_text(re.sub(r"made_on = .*", "made_on = 2026-01-01", profile.read_text()))
    assert cli.main(["demo", "new"]) == 0  # what is there is the demo's own, of another day
    (here / "new" / "out").rmdir()
    profile.write_text(profile.read_text().replace("0.0100", "0.0080"))
    assert cli.main(["demo", "new"]) == 2 and "0.0080" in profile.read_text()
    assert "new/camera.toml: is there already and not the demo's" in capsys.readouterr().err


def test_a_second_run_into_the_same_folder_is_refused(here, capsys):
    (here / "new").mkdir()
    with open(here / "new" / "records.csv", "w") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        assert cli.main(["run", "rig.toml", "--out", "new"]) == 2
    assert "another process is writing records there; end it or give another folder" in capsys.readouterr().err


def test_folders_of_two_specimens_do_not_make_one_test(here, capsys):
    for name, width in (("one", 200.0), ("two", 100.0)):
        invented_folder.write_folder(here / name, fixes=12, with_maps=0)
        text = (here / "rig.toml").read_text().replace("width_mm = 200.0", f"width_mm = {width}")
        (here / name / "rig.toml").write_text(text)
    assert cli.main(["growth", "one", "two"]) == 2
    assert re.search(r"two/rig\.toml: specimen width_mm is 100.*one test only", capsys.readouterr().err)


def test_a_missing_extra_is_named_with_its_line(here, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    assert cli.main(["report", "out"]) == 2
    assert "pip install 'bolotip[report]'" in capsys.readouterr().err


# what is doubted: the run goes on


DOUBTED = [
    (
        "temperature in kelvin",
        swap("temperature_C = 21.85", "temperature_C = 295"),
        r"temperature_C: is 295; if that is kelvin, write 21.85",
    ),
    ("notch in metres", swap("notch_mm = 3.0", "notch_mm = 0.003"), r"notch_mm: is 0.003; if that is metres, write 3"),
    ("pixels per mm, just possible", swap("mm_per_px = 0.5", "mm_per_px = 2.0"), r"mm_per_px: is 2; if that is pixels .*write 0.5"),
    ("growth angle in radians", swap("growth_angle_deg = 0.0", "growth_angle_deg = 3.14159"), r"growth_angle_deg: .*radians, write 180"),
    ("one harmonic", swap("harmonics = 2", "harmonics = 1"), r"harmonics: is 1: the columns of contact"),
    (
        "load in newton",
        swap('path = "load.csv"', 'path = "load.csv"\nnominal_range_kN = 80000'),
        r"nominal_range_kN: 8e\+04 kN over 200 x 4 mm is 1e\+05 MPa, above the yield .*in N",
    ),
    (
        "aliasing frequency",
        swap("frame_rate_hz = 25.0", "frame_rate_hz = 21.0"),
        r"frequency_hz: is 7 at 21 frames/s: f = 7 Hz and 2f = 14 Hz are seen at the same 7 Hz .*bolotip plan",
    ),
    ("zero in Celsius", swap("zero_K = 0.0", "zero_K = 273.15"), r"zero_K, counts_per_K: .*the first image 568"),
    (
        "kelvin per count",
        swap("counts_per_K = 100.0", "counts_per_K = 0.01", "camera.toml"),
        r"first image 2.9\de\+06 K; .*not kelvin for one count",
    ),
    (
        "zero of other counts per kelvin",
        both(swap("counts_per_K = 100.0", "counts_per_K = 90.0"), swap("zero_K = 0.0", "zero_K = -32.8")),
        r"zero_K, counts_per_K: are -32.8 K and 90 counts/K, the profile's 100 counts/K moves the surface by -32.\d K",
    ),
    (
        "frequency off",
        swap("frequency_hz = 7.0", "frequency_hz = 3.0"),
        r"frequency_hz: is 3, but the load in load\.csv swings at (?:6\.99|7\.0)\d* Hz",
    ),
    (
        "load sampled twice a cycle",
        every_nth("load.csv", 65),
        r"frequency_hz: is 7, but samples in load\.csv are 0\.06\d* s apart: 2\.\d a cycle, too few to count",
    ),
]


def test_a_load_that_ends_before_the_frames_is_told_with_the_seconds(here):
    head, *lines = (here / "load.csv").read_text().splitlines()
    t = np.array([float(line.split(",")[0]) for line in lines])
    for end_s, says in ((5.0, True), (9.5, False)):  # of frames that end at 9.96 s
        write("load.csv", "\n".join([head, *(line for line, at in zip(lines, t) if at <= end_s)]) + "\n")(here)
        for times in (True, False):
            if not times:
                (here / "untimed.toml").write_text((here / "rig.toml").read_text().replace('times = "frames.csv"\n', ""))
            found = plausible.check_recording(load_rig("rig.toml" if times else "untimed.toml"))
            assert len(found) == says
            if says:
                assert re.fullmatch(r"load\.csv: ends at (4\.99|5)\d* s, the frames go on to (9\.9|10)\d* s; still .*short\?", found[0])


def test_load_times_of_an_unsteady_clock_are_doubted_and_rows_in_disorder_refused(here):
    rows = (here / "load.csv").read_text().splitlines()
    t = np.array([row.split(",") for row in rows[1:]], float)
    (here / "load.csv").unlink()  # it is a link
    for off_s in (0.002, 0.2):
        times = t[:, 0] + np.random.default_rng(1).normal(0, off_s, len(t))
        np.savetxt(here / "load.csv", np.column_stack([times, t[:, 1]]), ["%.6f", "%.5f"], ",", header=rows[0], comments="")
        if off_s < 0.1:
            found = list(plausible.check_recording(load_rig("rig.toml")))
            assert len(found) == 1 and "an unsteady clock: times go back by up to" in found[0]
        else:
            with pytest.raises(InputError, match="time goes back; sort the rows"):
                list(plausible.check_recording(load_rig("rig.toml")))


@pytest.mark.parametrize("spoil, says", [d[1:] for d in DOUBTED], ids=[d[0] for d in DOUBTED])
def test_what_is_hardly_meant_is_doubted_in_one_line(spoil, says, here):
    spoil(here)
    rig = load_rig("rig.toml")
    found = [*plausible.of_rig(rig), *plausible.check_recording(rig)]
    assert len(found) == 1 and re.search(says, found[0]) and found[0].startswith("rig.toml ["), found


def test_a_right_recording_is_not_doubted_and_a_wrong_load_unit_is_once_while_it_runs(here, capsys, caplog):
    assert cli.main(["run", "rig.toml", "--out", "new"]) == 0
    said = capsys.readouterr().err + caplog.text
    assert "MPa" not in said and "camera.toml" not in said, said
    swap("scale_kN_per_unit = 1.0", "scale_kN_per_unit = 0.1")(here)
    swap("rows = 40\n", "rows = 60\n", "camera.toml")(here)  # a profile of another camera
    assert cli.main(["run", "rig.toml", "--out", "newer"]) == 0
    said = capsys.readouterr().err + caplog.text
    assert len(re.findall(r"row \d+: dKI is \d.* of the handbook's .*scale_kN_per_unit", said)) == 1
    assert len(re.findall(r"made with 60 rows, this camera has 40: is it another camera\?", said)) == 1


def row(**values) -> Row:
    """A settled row of `right` in which nothing is wrong, but for `values`."""
    good = {
        "elapsed_s": 100.0,
        "frames": 200, "load_frequency_hz": 7.0, "load_range_kN": 80.0, "load_ratio": 0.1, "tip_row_px": 19.3, "tip_col_px": 30.6,
        "crack_mm": 8.0, "crack_sd_mm": 0.02, "dKI_MPa_sqrt_m": 15.9, "dKI_sd": 0.2,
    }  # fmt: skip
    return Row(seq=5, **{**good, **values})


ROW_DOUBTS = [
    ("right", {}, None),
    ("tip weak, so nothing is said", {"dKI_MPa_sqrt_m": 1.0, "dKI_sd": 0.05, "flags": ("tip_weak",)}, None),
    ("rows and columns of the datum swapped", {"tip_row_px": 35.0, "tip_col_px": 20.0}, r"tip lies 71 degrees off .*\[row, column\]"),
    ("datum beyond the notch", {"crack_mm": 1.5, "tip_col_px": 17.6, "dKI_MPa_sqrt_m": 6.9}, r"crack_mm is 1.5, less than notch_mm = 3"),
    ("dK absurd", {"dKI_MPa_sqrt_m": 0.016, "dKI_sd": 0.0002}, r"dKI is 0.016 .*0.001\d* of the handbook's.*units"),
    ("load in N", {"load_range_kN": 80000.0}, r"8e\+04 kN over .*in N, scale_kN_per_unit is 0.001"),
    ("compression for tension", {"load_ratio": 10.0}, r"load_ratio is 10: compression throughout.*turn the sign"),
    ("a crack that shuts in compression", {"load_ratio": -1.0, "dKI_MPa_sqrt_m": 7.95}, None),
    ("a notch that does not", {"load_ratio": -1.0}, None),
    ("more than a load of both signs can make", {"load_ratio": -1.0, "dKI_MPa_sqrt_m": 30.0}, r"dKI is 30 .*3.77 of the handbook's"),
    ("image frozen", {"flags": ("frozen", "no_tip"), "frames": None, "crack_mm": None}, r"same image again and again"),
]


@pytest.mark.parametrize("values, says", [d[1:] for d in ROW_DOUBTS], ids=[d[0] for d in ROW_DOUBTS])
def test_rows_that_can_hardly_be_are_doubted_once(values, says, right):
    doubts = plausible.Doubts(load_rig(right / "rig.toml"))
    found = doubts.see(row(**values))
    assert [] == doubts.see(row(**values))
    if says is None:
        assert found == []
    else:
        assert len(found) == 1 and found[0].startswith("row 5: ") and re.search(says, found[0]), found


def test_a_load_or_tip_that_is_nowhere_is_said_after_some_rows(right):
    doubts = plausible.Doubts(load_rig(right / "rig.toml"))
    silent = {"load_frequency_hz": None, "load_range_kN": None, "crack_mm": None, "frames": None, "flags": ("no_load",)}
    said = [doubts.see(row(**silent)) for _ in range(4)]
    assert [len(s) for s in said] == [0, 1, 0, 0] and "load.csv" in said[1][0] and "[load] frequency_hz = 7 Hz" in said[1][0]
    said = [doubts.see(row(crack_mm=None, flags=("no_tip",))) for _ in range(4)]
    assert [len(s) for s in said] == [0, 0, 1, 0] and "mm_per_px" in said[2][0] and doubts.at_end() == []


def test_tips_that_stay_weak_are_asked_whether_they_are_sought_in_a_wrong_place(right):
    """One may be chance, and its dK tells nothing of units."""
    outside = {"tip_row_px": 35.0, "tip_col_px": 20.0, "dKI_MPa_sqrt_m": 1.0, "dKI_sd": 0.05}
    for before, says in ((1, 0), (2, 0), (3, 1)):
        doubts = plausible.Doubts(load_rig(right / "rig.toml"))
        said = [doubts.see(row(flags=("tip_weak",), **outside)) for _ in range(before)]
        assert [len(s) for s in said] == [0] * (before - says) + [1] * says
    assert "the tip lies 71 degrees off" in said[-1][0]
    doubts.see(row())
    assert doubts.weak == 0


@pytest.mark.parametrize("flag, says", [("delay_disagrees", True), ("delay_far_field", False)])
def test_a_delay_that_disagrees_is_named_where_no_tip_was_found(right, flag, says):
    doubts = plausible.Doubts(load_rig(right / "rig.toml"))
    doubts.see(row(crack_mm=None, flags=("no_tip", flag)))
    (end,) = doubts.at_end()
    assert end.endswith("; the profile's frame_delay_s disagrees with the image (delay_disagrees): another camera's profile?") == says
    doubts.see(row(crack_mm=None, flags=("no_tip", "settling")))
    said = [doubts.see(row(crack_mm=None, flags=("no_tip",))) for _ in range(3)]
    assert ("another camera's profile?" in " ".join(sum(said, []))) == says


def test_a_run_of_one_row_without_load_is_told_why_at_its_end(right):
    doubts = plausible.Doubts(load_rig(right / "rig.toml"))
    assert doubts.at_end() == doubts.see(row(load_frequency_hz=None, crack_mm=None, frames=None, flags=("no_load",))) == []
    assert len(doubts.at_end()) == 1 and "no cyclic load near" in doubts.at_end()[0]


@pytest.mark.parametrize("source, says", [("frames", 0), ("recording", 1)])
def test_a_camera_that_is_away_is_no_load_that_is_looked_for_in_vain_in_its_frames(right, source, says):
    rig = load_rig(right / "rig.toml")
    doubts = plausible.Doubts(replace(rig, load=replace(rig.load, source=source)))
    without = {"load_frequency_hz": None, "crack_mm": None, "frames": None, "elapsed_s": 1000.0}
    away = [doubts.see(row(flags=("no_load", "waiting_frames"), **without)) for _ in range(5)]
    assert len(sum(away, [])) == says
    stands = [doubts.see(row(flags=("no_load",), **without)) for _ in range(5)]
    assert len(sum(away + stands, [])) == 1, "which is told once it is so"


def test_a_tip_that_was_found_before_is_not_told_as_never_found(right):
    for before, says in ((0, "found so far;"), (1, "found any more;")):
        doubts = plausible.Doubts(load_rig(right / "rig.toml"))
        said = [doubts.see(r) for r in [row()] * before + [row(crack_mm=None, flags=("no_tip",))] * 5]
        assert says in " ".join(sum(said, []))


def test_what_is_doubtful_about_a_profile_does_not_stand_beside_an_error(here, capsys, caplog):
    swap("rows = 40\n", "rows = 60\n", "camera.toml")(here)  # a profile of another camera
    assert cli.main(["run", "rig.toml", "--out", "rig.toml"]) == 2
    assert "camera.toml" not in capsys.readouterr().err + caplog.text


def test_a_short_run_without_a_tip_is_told_why_at_its_end(right):
    rig = load_rig(right / "rig.toml")
    for flags, tips, says in ((("no_tip", "settling"), 0, 1), (("collision_1f",), 0, 0), (("no_tip", "settling"), 1, 0)):
        doubts = plausible.Doubts(rig)
        for crack_mm in [None, None, 9.0][: 2 + tips]:
            assert doubts.see(row(crack_mm=crack_mm, flags=flags)) == []
        assert len(doubts.at_end()) == says


def test_the_handbook_agrees_with_the_right_recording_s_field(right):
    """Or the doubt above would be about the test's own plate: K of the closed form against that of the wide M(T)."""
    from edge.handbook import delta_K_MPa_sqrt_m

    s = load_rig(right / "rig.toml").specimen
    book = float(delta_K_MPa_sqrt_m(s.geometry, 80.0, HALF_MM, s.width_mm, s.thickness_mm))
    assert book == pytest.approx(100.0 * np.sqrt(np.pi * HALF_MM * 1e-3), rel=0.01)
