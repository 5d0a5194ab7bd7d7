"""`bolotip check`: what it finds on recordings, on absent devices, and on two serial wires."""

import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import recordings
from live_bench import LiveBench
from test_loop import FEW_SAMPLES, SMALL

from edge import check, cli, listening
from edge.rig import load_rig

PROFILE = {"netd_K": 0.05, "frame_delay_s": 0.005, "frame_delay_sd_s": 0.0005}


def write(folder: Path, rig=None, profile=None, **settings) -> Path:
    keys = {"frames": 250, "width_mm": 100.0, "wave": FEW_SAMPLES, **settings}
    profile = {**PROFILE, **(profile or {})}
    made_on = profile.pop("made_on", str(date.today()))
    path = recordings.write(folder, SMALL, rig=rig, profile=profile, **keys).rig
    with (folder / "camera.toml").open("a") as f:
        f.write(f"made_on = {made_on}\n")
    return path


def attention(rig: Path, seconds: float = 10.0) -> dict[str, str]:
    """Topic -> text and remedy of what needs attention, clock and board aside: they are this computer's."""
    found = [f for f in check.check(load_rig(rig), seconds) if not f.ok and f.topic not in ("clock", "board")]
    assert all(f.text and "\n" not in f.text + f.remedy for f in found)
    return {f.topic: f"{f.text}; {f.remedy}" for f in found}


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    return write(tmp_path_factory.mktemp("good"))


def test_a_good_recording_is_all_right_and_its_figures_are_told(good, capsys):
    assert attention(good) == {}
    assert cli.main(["check", str(good)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in ("25 frames/s, 250 frames", "0 frames lost", "50 mK a frame", "7 Hz, range", "ratio 0.100", "100 samples/s", "MB free"):
        assert words in out, words


def test_as_json_it_says_the_same(good, capsys):
    assert cli.main(["check", str(good), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {"profile", "camera", "noise", "load", "aliases", "card", "clock", "board"} <= {f["topic"] for f in told["findings"]}
    assert told["possible"] and told["ok"] == all(f["ok"] for f in told["findings"])


FINDINGS = [  # what is wrong, settings of the recording, topic, words of text and remedy
    ("losses", {"camera": {"lost": 0.05}}, "camera", ["frames lost", "cable"]),
    ("copies", {"camera": {"repeated": 0.15}}, "camera", ["copies"]),
    ("noise", {"camera": {"netd_K": 0.1}}, "noise", ["2.0 times", "50 mK", "focus"]),
    ("another frequency", {"rig": {"load": {"frequency_hz": 7.4}}}, "load", ["7 Hz", "says 7.4", "frequency_hz = 7"]),
    ("load in newton", {"rig": {"load": {"scale_kN_per_unit": 1000.0}}}, "load", ["kN over 100 x 4 mm", "yield", "scale_kN_per"]),
    ("load in meganewton", {"rig": {"load": {"scale_kN_per_unit": 0.001, "nominal_range_kN": 9.0}}}, "load",
     ["0.024 kN is 0.0027 times", "nominal_range_kN", "scale_kN_per"]),
    ("another frame rate", {"rig": {"camera": {"frame_rate_hz": 27.0}}}, "camera", ["says 27", "frame_rate_hz = 2"]),
    ("aliases", {"wave": {"frequency_hz": 5.0, **FEW_SAMPLES}}, "aliases", ["2f", "3f", "bolotip plan"]),
    ("an old profile", {"profile": {"made_on": "2020-01-02"}}, "profile", ["days old", "calibrate"]),
    ("another camera's profile", {"profile": {"rows": 120}}, "profile", ["120 rows"]),
    ("another lens", {"profile": {"lens": "9 mm"}, "rig": {"camera": {"lens": "13 mm"}}}, "profile", ["9 mm", "13 mm"]),
    ("a profile with holes", {"profile": {"readout_s": None}}, "profile", ["readout_s", "sweep"]),
    ("no profile", {"rig": {"camera": {"profile": None}}}, "profile", ["uncalibrated", "calibrate"]),
    ("small card", {"rig": {"records": {"budget_MB": 1e7}}}, "card", ["MB free", "budget_MB = "]),
]


@pytest.mark.parametrize("settings, topic, words", [f[1:] for f in FINDINGS], ids=[f[0] for f in FINDINGS])
def test_what_is_wrong_is_told_with_its_remedy(tmp_path, settings, topic, words):
    found = attention(write(tmp_path, **settings))
    assert set(found) == {topic}
    assert all(word in found[topic] for word in words), found[topic]


@pytest.mark.parametrize("hz, outside", [((10, 30), 7), ((1, 9), 14)], ids=["above", "below"])
def test_a_table_that_leaves_the_load_out_is_told_with_both_its_ends(tmp_path, hz, outside):
    rig = write(tmp_path)
    with (tmp_path / "camera.toml").open("a") as f:
        f.writelines(f"[[response]]\nfrequency_hz = {x}\ngain = 0.9\nphase_deg = -9\ngain_sd = 0.0\nphase_sd_deg = 0.0\n" for x in hz)
    told = attention(rig)["profile"]
    assert f"from {hz[0]} to {hz[1]} Hz, {outside} Hz is outside; bolotip calibrate sweep that takes {outside} Hz in" in told


def noise_mK(rig: Path) -> float:
    (found,) = (f for f in check.check(load_rig(rig), 10.0) if f.topic == "noise")
    return float(found.text.split(" mK a frame")[0])


@pytest.mark.parametrize("load", [{}, {"pause_from_s": 0.0, "pause_to_s": 100.0}], ids=["load", "no load"])
def test_copies_do_not_hide_the_noise(tmp_path, load):
    rig = write(tmp_path, wave={**FEW_SAMPLES, **load})
    frames = np.load(tmp_path / "frames.npy")
    np.save(tmp_path / "frames.npy", frames[np.arange(len(frames)) // 3 * 3])
    assert noise_mK(rig) == pytest.approx(50, abs=4)


@pytest.mark.parametrize("hz", [2.3, 5.2, 7.0])
def test_a_load_is_found_in_the_images_of_a_camera_that_sends_each_of_them_three_times(tmp_path, hz):
    made = recordings.render(SMALL, frames=120, camera={"frame_rate_hz": 9.0}, wave={"frequency_hz": hz, **FEW_SAMPLES}, width_mm=100.0)
    rig = {"load": {"source": "frames", "path": None}, "camera": {"frame_rate_hz": 27.0}}
    saved = recordings.save(recordings.sent_again(made, 3), tmp_path, rig=rig, width_mm=100.0)
    (told,) = (f for f in check.check(load_rig(saved.rig), 10.0) if f.topic == "load")
    assert told.ok and abs(float(told.text.split(" Hz")[0]) / hz - 1) < 2e-3, told.text


@pytest.mark.parametrize("hz, lost", [(4.5, "f = 4.5 Hz is seen at 4.5 Hz"), (2.25, "2f = 4.5 Hz is seen at 4.5 Hz"), (2.0, None)])
def test_what_folds_together_is_told_by_the_rate_of_the_images_and_not_of_their_copies(tmp_path, hz, lost):
    """At 27 frames/s none of these does."""
    made = recordings.render(SMALL, frames=120, camera={"frame_rate_hz": 9.0}, wave={"frequency_hz": hz, **FEW_SAMPLES}, width_mm=100.0)
    rig = {"camera": {"frame_rate_hz": 27.0}}
    saved = recordings.save(recordings.sent_again(made, 3), tmp_path, rig=rig, profile=PROFILE, width_mm=100.0)
    told = [f.text for f in check.check(load_rig(saved.rig), 10.0) if f.topic == "aliases" and not f.ok]
    assert any(text.startswith(lost) for text in told) if lost else told == []


def test_the_noise_is_that_of_the_newest_frames_where_memory_is_short(good, monkeypatch):
    monkeypatch.setattr(listening, "MOST_BYTES", 1)
    assert noise_mK(good) == pytest.approx(50, abs=4)


@pytest.mark.parametrize("words", ["stretches each image to 0..65535, which is automatic gain; switch", "delivers 8-bit values"])
def test_a_recording_of_a_processed_picture_is_told(tmp_path, words):
    rig = write(tmp_path)
    frames = np.load(tmp_path / "frames.npy").astype(float)
    low, high = np.percentile(frames, (1, 99), axis=(1, 2), keepdims=True)
    stretched = np.clip((frames - low) / (high - low), 0, 1)
    top = 65_535 if "65535" in words else 255
    np.save(tmp_path / "frames.npy", np.rint(top * stretched).astype(np.uint16))
    assert words in attention(rig)["camera"]


def test_a_load_that_stands_still_is_told(tmp_path):
    found = attention(write(tmp_path, wave={"pause_from_s": 0.0, "pause_to_s": 100.0, **FEW_SAMPLES}))
    assert "no cyclic load" in found["load"] and "100 samples/s came" in found["load"]


def test_devices_that_are_not_there_are_both_told_and_no_run_is_possible(tmp_path, capsys):
    live = LiveBench(tmp_path)
    for cable in (live.camera, live.load):
        cable.unplug()
    assert cli.main(["check", str(live.rig), "--seconds", "1"]) == 2
    out, err = capsys.readouterr()
    for name in ("camera", "load"):
        assert f"{live.rig} [{name}] port {tmp_path}/{name}: No such file" in out
    assert err.splitlines()[-1].endswith("no run is possible: camera, load")


def test_a_folder_that_cannot_be_written_makes_a_run_impossible(good, tmp_path):
    (tmp_path / "file").write_text("in its place")
    rig = load_rig(good)
    rig = replace(rig, records=replace(rig.records, folder=tmp_path / "file" / "out"))
    (found,) = check.of_card(rig)
    assert not found.ok and not found.usable and "cannot be written" in found.text


def test_the_folder_that_the_run_will_be_given_is_the_one_that_is_tried(good, tmp_path, capsys):
    (tmp_path / "file").write_text("in its place")
    assert check.main(good, out=tmp_path / "file" / "out") == 2
    assert "no run is possible: card" in capsys.readouterr().err
    assert check.main(good, out=tmp_path / "out") == 0
    assert f"free in {tmp_path}" in capsys.readouterr().out


def test_the_link_s_port_is_tried(good, tmp_path):
    rig = load_rig(good)
    rig = replace(rig, records=replace(rig.records, serial_port=str(tmp_path / "ttyS9")))
    (found,) = check.of_link(rig)
    assert not found.ok and found.usable and "No such file" in found.text
    for name, source in (("load", rig.load), ("camera", rig.camera)):
        there = replace(source, source="serial", port=str(tmp_path / "x" / ".." / "ttyS9"))
        (found,) = check.of_link(replace(rig, **{name: there}))
        assert found.text == f"{tmp_path}/ttyS9: [records] serial_port and [{name}] port are one port" and not found.ok


ZONES = [([41000, 52500], True, "52 degrees"), ([88000], False, "heat sink"), ([], True, "no temperature")]


@pytest.mark.parametrize("millidegrees, ok, words", ZONES)
def test_the_board_s_temperature_is_the_hottest_of_its_zones(tmp_path, millidegrees, ok, words):
    for i, value in enumerate(millidegrees):
        (tmp_path / f"thermal_zone{i}").mkdir()
        (tmp_path / f"thermal_zone{i}" / "temp").write_text(f"{value}\n")
    (tmp_path / "thermal_zone9").mkdir()  # without a reading
    found = check.of_board(tmp_path)
    assert found.ok == ok and words in found.text + found.remedy


@pytest.mark.parametrize("state, ok, words", [(0, True, "is synchronised"), (5, False, "is not synchronised"), (-1, True, "does not tell")])
def test_the_clock_is_told_whatever_it_is(monkeypatch, state, ok, words):
    monkeypatch.setattr(check.ctypes, "CDLL", lambda *_, **__: SimpleNamespace(adjtimex=lambda _: state))
    found = check.of_clock()
    assert found.topic == "clock" and found.usable and found.ok == ok and words in found.text


def test_live_sources_are_listened_to(tmp_path):
    with LiveBench(tmp_path) as live:
        findings = check.check(load_rig(live.rig), 3.0)
        assert {f.topic for f in findings if not f.ok} <= {"clock", "board", "camera"}, "a busy machine may lose frames"
        assert all(f.usable for f in findings)
        told = " ".join(f.text for f in findings)
        assert "250 samples/s" in told or "249 samples/s" in told or "251 samples/s" in told
        assert "computed from the baud rate" in told and " mK a frame, the profile says 30 mK" in told


@pytest.mark.parametrize("frames, seconds, advice", [(51, 250.0, 590), (3, 10.0, 400), (0, 10.0, 1200), (110, 10.0, 60)])
def test_how_long_to_listen_goes_by_the_frames_that_came(frames, seconds, advice):
    assert check.longer(SimpleNamespace(frames=frames, seconds=seconds)) == advice
