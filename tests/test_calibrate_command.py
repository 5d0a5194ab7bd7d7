"""`bolotip calibrate` end to end, as hw_notes/calibration.md tells it, on simulated recordings; then a run with the profile.

One camera (invented): tau 8.6 ms, readout 21 ms, delay 47 ms, NETD 60 mK, a few bad pixels.
"""

import dataclasses
import datetime
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import plates
import pytest
import recordings
import tomli
from cameras import step_frames
from test_scale import CENTRE, NOTCH, PX, WIDTH, picture

from calibration.profile import CameraProfile, ResponseRow, bad_pixel_mask, load_profile, save_profile
from edge import calibrate as calibrate_module
from edge import cli
from edge.calibrate_gain import PLAUSIBLE_K0_PER_MPA
from edge.rig import Specimen, load_rig
from edge.run import run_rig
from edge.sources.simulated import Scene
from edge.whole_recording import measure, open_recording

SHAPE = (60, 80)
CAMERA = {
    "tau_s": 0.0086,
    "readout_s": 0.021,
    "frame_delay_s": 0.047,
    "netd_K": 0.06,
    "dead": 0.002,
    "lost": 0.003,
}
SWEEP_HZ = (1.3, 2.9, 5.3, 8.1, 11.3)
PLATE = plates.centre_crack(SHAPE, tip_px=(30.3, 34.6), mm_per_px=0.3, half_mm=8.0)


def record(folder, plate, frames=750, seed=5, scene=None, wave=None, **camera):
    """A recording folder; the camera is the same each time, its bad pixels too (they follow from the seed)."""
    how = {
        "frames": frames,
        "seed": seed,
        "camera": {**CAMERA, **camera},
        "wave": {"sample_rate_hz": 300.0, **(wave or {})},
    }
    return recordings.write(folder, plate, scene=scene, K0_per_MPa=3.1e-6, **how)


def even(temperature_K, shape=SHAPE):
    return Scene(np.full(shape, temperature_K), np.zeros(shape, complex))


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """The afternoon's recordings, and the profile they are to make."""
    home = tmp_path_factory.mktemp("lab")
    quiet = plates.uncracked(SHAPE, 0.01)
    record(home / "still", quiet, 300, scene=even(296.0))
    for i, hz in enumerate(SWEEP_HZ):
        record(home / f"sweep-{hz}", PLATE, 1500, 5, wave={"frequency_hz": hz, "start_deg": 50.0 * i})
    for t in (20, 40):
        record(home / f"plate-{t}", quiet, 60, scene=even(273.15 + t))
    record(home / "bar", plates.uncracked(SHAPE, 70.0))
    big = plates.uncracked((120, 160), 0.01)
    view = record(home / "view", big, 60, scene=Scene(picture(noise=0.0), np.zeros((120, 160), complex)))
    rig = view.rig.read_text().replace("width_mm = 30.0", f"width_mm = {WIDTH}")
    view.rig.write_text(rig.replace("notch_mm = 0.0", f"notch_mm = {NOTCH}"))
    crack = record(home / "crack", PLATE, 1500, 9, wave={"frequency_hz": 7.0})
    made = record(home / "step", quiet, 240)
    frames, exposure_s = step_frames(np.random.default_rng(1), CAMERA, (3.011, 6.027), (0.03, -0.02), 240)
    t = np.arange(0, 9.6, 0.0005)
    switch = np.where((t > 3.011) & (t < 6.027), 5.0, 0.0)
    late = 0.002 * np.abs(np.random.default_rng(2).standard_normal(240))
    stepped = dataclasses.replace(
        made, frames=frames, arrival_s=exposure_s + CAMERA["frame_delay_s"] + late, load_time_s=t, load_kN=switch
    )
    recordings.save(stepped, home / "step")
    assert crack.rig is not None
    return home


def calibrate(lab, capsys, kind, *more, profile="camera.toml", code=0):
    """Runs the command in the lab's folder; `more` may name recordings. Returns what it printed."""
    words = [str(lab / w) if (lab / w).exists() else w for w in map(str, more)]
    result = cli.main(["calibrate", kind, *words, "--profile", str(lab / profile)])
    out, err = capsys.readouterr()
    assert result == code, err
    if code:
        assert out == "" and err.count("\n") == 1 and err.startswith("bolotip")
        return err
    picture = (lab / profile).with_name(f"{(lab / profile).stem}-{kind}.png")
    assert picture.read_bytes()[:4] == b"\x89PNG" and picture.stat().st_size > 10_000
    return out


@pytest.fixture(scope="module")
def calibrated(lab):
    """The profile after pixels, sweep and the plates, in the order of the notes."""
    profile = str(lab / "camera.toml")
    sweep = [str(lab / f"sweep-{hz}") for hz in SWEEP_HZ]
    assert cli.main(["calibrate", "pixels", str(lab / "still"), "--profile", profile]) == 0
    assert cli.main(["calibrate", "sweep", *sweep, "--profile", profile]) == 0
    plates_ = [str(lab / "plate-20"), str(lab / "plate-40")]
    assert cli.main(["calibrate", "gain", *plates_, "--temperatures", "20", "40", "--profile", profile]) == 0
    return lab / "camera.toml"


def test_the_profile_holds_the_camera(calibrated, lab):
    p = load_profile(calibrated)
    assert p.tau_s == pytest.approx(CAMERA["tau_s"], rel=0.02) and abs(p.tau_s - CAMERA["tau_s"]) < 4 * p.tau_sd_s
    assert p.readout_s == pytest.approx(CAMERA["readout_s"], abs=0.5e-3)
    assert p.frame_delay_s == pytest.approx(CAMERA["frame_delay_s"], abs=0.5e-3)
    assert p.counts_per_K == pytest.approx(100.0, rel=0.002)
    assert p.netd_K == pytest.approx(0.06, rel=0.02)
    assert (p.rows, p.columns, p.response, p.missing) == (*SHAPE, (), ())
    assert p.made_on == datetime.date.today()
    assert p.made_from[0] == "pixels still" and "sweep sweep-8.1" in p.made_from and p.made_from[-1] == "gain plate-40"
    frames = np.load(lab / "still" / "frames.npy")
    assert np.array_equal(bad_pixel_mask(p), (frames == frames[0]).all(axis=0))


def test_earlier_profiles_are_kept(calibrated, lab):
    first, second = load_profile(lab / "camera.earlier-1.toml"), load_profile(lab / "camera.earlier-2.toml")
    assert first.made_from == ("tau_s assumed, not measured", "pixels still")  # before the sweep
    assert (first.tau_s, first.tau_sd_s) == (0.010, 0.003) and "readout_s" in first.missing
    assert second.counts_per_K is None and second.tau_s == load_profile(calibrated).tau_s


def test_a_run_with_the_fitted_profile_gives_the_dK_of_the_true_one(calibrated, lab):
    rig, rows = load_rig(lab / "crack" / "rig.toml"), {}
    true = lab / "true.toml"
    timing = {"readout_sd_s": 0.0, "frame_delay_s": CAMERA["frame_delay_s"]}
    save_profile(true, CameraProfile(CAMERA["tau_s"], 0.0, CAMERA["readout_s"], counts_per_K=100.0, **timing))
    for profile in (calibrated, true):
        seen = []
        camera = dataclasses.replace(rig.camera, profile=profile)
        run_rig(dataclasses.replace(rig, camera=camera), lab / f"out-{profile.stem}", seen.append)
        rows[profile] = seen[-1]
    fitted, exact = rows[calibrated].dKI_MPa_sqrt_m, rows[true].dKI_MPa_sqrt_m
    assert fitted == pytest.approx(exact, rel=0.01)
    assert exact == pytest.approx(PLATE.KI_MPa_sqrt_m, rel=0.1)  # both measured something
    assert "uncalibrated" not in rows[calibrated].flags


def test_sweep_says_what_it_found_in_the_region_given(lab, capsys):
    names = [f"sweep-{hz}" for hz in SWEEP_HZ]
    out = calibrate(lab, capsys, "sweep", *names, "--region", "0", "50", "60", "30", profile="region.toml")
    assert int(out.split("far field: ")[1].split()[0]) <= 60 * 30
    p = load_profile(lab / "region.toml")
    assert p.tau_s == pytest.approx(CAMERA["tau_s"], rel=0.05) and p.made_from[0] == "sweep sweep-1.3"
    for word in ("tau ", "readout ", "frame delay ", "conduction ", "chi-square", "+-"):
        assert word in out
    err = calibrate(lab, capsys, "sweep", *names, "--region", "0", "50", "60", "31", profile="region.toml", code=2)
    assert "--region: is 0 50 60 31" in err and "within 60 x 80" in err


def test_step_gives_lag_readout_and_delay(lab, capsys):
    out = calibrate(lab, capsys, "step", "step", profile="step.toml")
    p = load_profile(lab / "step.toml")
    assert p.tau_s == pytest.approx(CAMERA["tau_s"], rel=0.04)
    assert p.readout_s == pytest.approx(CAMERA["readout_s"], abs=0.5e-3)
    assert p.frame_delay_s == pytest.approx(CAMERA["frame_delay_s"], abs=0.5e-3)
    assert out.count("step of") == 2 and "tau by region" in out


@pytest.mark.parametrize("sent_again", [(76,), range(2, 240, 20)])
def test_frames_that_the_camera_sent_twice_are_no_frames_of_a_step(lab, capsys, tmp_path, sent_again):
    frames = np.load(lab / "step" / "frames.npy")
    for i in sent_again:
        frames[i] = frames[i - 1]
    out = calibrate(lab, capsys, "step", broken(lab, tmp_path, "step", frames), profile="twice.toml")
    p = load_profile(lab / "twice.toml")
    for name in ("tau_s", "readout_s", "frame_delay_s"):
        assert abs(getattr(p, name) - CAMERA[name]) < 3 * getattr(p, name.replace("_s", "_sd_s"))
    assert "chance" in out and "fits badly" not in out and "of the frame before among 240 frames: left out" in out


def plain_step(lab, tmp_path, swing=0.0):
    """The step of a camera whose pixels differ by 1 % in gain instead of by a large fixed pattern; the cover takes 0.1 s. swing: of
    the contrast of whole images."""
    frames, _ = step_frames(np.random.default_rng(1), CAMERA, (3.011, 6.027), (0.1, -0.1), 240)
    pattern = 100 * np.random.default_rng(1).standard_normal(SHAPE)  # as step_frames has drawn it
    gains = 1 + 0.01 * np.random.default_rng(3).standard_normal(SHAPE)
    counts = 29_500 + (frames - pattern - 29_500) * gains
    level, gain = counts.mean((1, 2), keepdims=True), 1 + swing * np.sin(np.arange(240))[:, None, None]
    return broken(lab, tmp_path, "step", np.rint(level + (counts - level) * gain).astype(np.uint16))


def test_a_cover_on_its_way_and_pixels_of_unlike_gain_are_no_automatic_gain(lab, capsys, tmp_path):
    calibrate(lab, capsys, "step", plain_step(lab, tmp_path), profile="plain.toml")
    p = load_profile(lab / "plain.toml")
    assert p.tau_s == pytest.approx(CAMERA["tau_s"], rel=0.04) and p.readout_s == pytest.approx(CAMERA["readout_s"], abs=0.5e-3)


def test_automatic_gain_is_found_while_the_scene_of_a_step_stands_still(lab, capsys, tmp_path):
    assert "automatic gain is on" in calibrate(lab, capsys, "step", plain_step(lab, tmp_path, 0.1), profile="swing.toml", code=2)


@pytest.mark.parametrize("top", [16_383, 65_535])
def test_images_stretched_to_both_ends_of_the_scale_are_refused(lab, capsys, tmp_path, top):
    frames = np.load(lab / "still" / "frames.npy") + np.linspace(0, 1000, SHAPE[1])
    low, high = np.percentile(frames, (1, 99), axis=(1, 2), keepdims=True)
    stretched = np.clip((frames - low) / (high - low), 0, 1) * top
    folder = broken(lab, tmp_path, "still", np.rint(stretched).astype(np.uint16))
    err = calibrate(lab, capsys, "pixels", folder, profile="stretched.toml", code=2)
    assert err.startswith(f"bolotip: still: stretches each image to 0..{top}, which is automatic gain; switch automatic gain")


def test_gain_gives_the_constant_of_the_painted_specimen(calibrated, lab, capsys):
    before = calibrated.read_bytes()
    out = calibrate(lab, capsys, "gain", "bar", "--stress-range", "70", "--stress-sd", "0.5")
    assert calibrated.read_bytes() == before  # K0 belongs to the specimen, not to the camera
    lines = tomli.loads(out[out.index("[specimen]") : out.index("\npicture")])["specimen"]
    K0, sd = lines["thermoelastic_constant_per_MPa"], lines["thermoelastic_constant_sd_per_MPa"]
    assert K0 == pytest.approx(3.1e-6, abs=3 * sd) and 0.005 * K0 < sd < 0.02 * K0
    assert "stress 0.50 %" in out


def test_gain_takes_a_delay_that_is_not_measured_from_the_bar_as_the_loop_does(calibrated, lab, capsys):
    text = "\n".join(line for line in calibrated.read_text().splitlines() if not line.startswith("frame_delay"))
    (lab / "no-delay.toml").write_text(text)
    out = calibrate(lab, capsys, "gain", "bar", "--stress-range", "70", profile="no-delay.toml")
    lines = tomli.loads(out[out.index("[specimen]") : out.index("\npicture")])["specimen"]
    assert lines["thermoelastic_constant_per_MPa"] == pytest.approx(3.1e-6, rel=0.02)


def test_gain_takes_the_stress_from_the_rig_s_section(calibrated, lab, capsys):
    out = calibrate(lab, capsys, "gain", "bar")  # 8.4 kN on 30 x 4 mm
    lines = tomli.loads(out[out.index("[specimen]") : out.index("\npicture")])["specimen"]
    assert lines["thermoelastic_constant_per_MPa"] == pytest.approx(3.1e-6, rel=0.02)


def test_gain_needs_a_measured_lag(lab, capsys):
    calibrate(lab, capsys, "pixels", "still", profile="new.toml")
    assert "calibrate a sweep first" in calibrate(lab, capsys, "gain", "bar", profile="new.toml", code=2)


def test_scale_goes_by_edges_and_notch(lab, capsys):
    out = calibrate(lab, capsys, "scale", "view", profile="other.toml")
    view = tomli.loads(out[out.index("[view]") : out.index("\npicture")])["view"]
    assert view["mm_per_px"] == pytest.approx(PX, rel=0.005)
    assert view["datum_px"] == pytest.approx([CENTRE[0] - 1 / PX, CENTRE[1] - WIDTH / 2 / PX], abs=0.6)
    assert not (lab / "other.toml").exists()


def test_scale_goes_by_marks(lab, capsys):
    marks = ["--mark", "30", "10", "0", "0", "--mark", "30", "70", "18", "0", "--mark", "10", "40", "9", "6"]
    out = calibrate(lab, capsys, "scale", "still", *marks, profile="other.toml")
    view = tomli.loads(out[out.index("[view]") : out.index("\npicture")])["view"]
    assert view["mm_per_px"] == pytest.approx(0.3, rel=1e-4) and view["datum_px"] == [30.0, 10.0]


def test_scale_goes_by_the_marks_of_the_notes(lab, capsys):
    """The command line of hw_notes/calibration.md as it stands there: four marks, so the tilt of the view too."""
    notes = (Path(cli.__file__).parent.parent / "hw_notes" / "calibration.md").read_text()
    (words,) = [line.split() for line in notes.splitlines() if line.startswith("bolotip calibrate scale") and "--mark" in line]
    marks = words[words.index("--mark") :]
    out = calibrate(lab, capsys, "scale", "view", *marks, profile="other.toml")
    view = tomli.loads(out[out.index("[view]") : out.index("\npicture")])["view"]
    assert view["mm_per_px"] == pytest.approx(0.15, rel=0.01)
    assert view["datum_px"] == pytest.approx([58.0, 18.0], abs=1.0) and abs(view["growth_angle_deg"]) < 1


def test_pixels_reports_a_filter_with_its_effect(lab, capsys, tmp_path):
    record(tmp_path / "filtered", plates.uncracked(SHAPE, 0.01), 300, scene=even(296.0), filter_weight=0.25)
    out = calibrate(lab, capsys, "pixels", tmp_path / "filtered", profile="filtered.toml")
    assert "recursive, weight of the last image 0.2" in out and "at 7 Hz it leaves" in out and "at 14 Hz" in out
    assert "only the first" not in out


def test_pixels_says_how_many_frames_it_looked_at(lab, capsys, monkeypatch, tmp_path):
    monkeypatch.setattr(calibrate_module, "MOST_VALUES", 0)  # 200 in any case
    record(tmp_path / "long", plates.uncracked(SHAPE, 0.01), 300, scene=even(296.0))
    assert "only the first 200 of 300 frames (8.0 s)" in calibrate(lab, capsys, "pixels", tmp_path / "long", profile="long.toml")


def broken(lab, tmp_path, name, frames=None, rig=None):
    """A copy of a recording with something wrong."""
    folder = tmp_path / name
    folder.mkdir()
    for f in ("load.csv", "frames.csv"):
        (folder / f).write_bytes((lab / name / f).read_bytes())
    np.save(folder / "frames.npy", np.load(lab / name / "frames.npy") if frames is None else frames)
    text = (lab / name / "rig.toml").read_text()
    (folder / "rig.toml").write_text(text if rig is None else text.replace(*rig))
    return folder


def test_what_cannot_be_used_is_refused_in_one_line(lab, capsys, tmp_path):
    names = [f"sweep-{hz}" for hz in SWEEP_HZ]
    assert "4 different ones or more" in calibrate(lab, capsys, "sweep", *names[:3], profile="x.toml", code=2)
    assert "no such file" in calibrate(lab, capsys, "sweep", lab / "nowhere", profile="x.toml", code=2)
    alone = lab / "still" / "frames.npy"
    assert f"{alone}: is no rig file; a recording is a folder" in calibrate(lab, capsys, "pixels", alone, profile="x.toml", code=2)
    assert "no step of more than" in calibrate(lab, capsys, "step", "still", profile="x.toml", code=2)
    assert "make it first" in calibrate(lab, capsys, "pixels", "still", profile="no/x.toml", code=2)
    assert "unrecognized" in calibrate(lab, capsys, "pixels", "still", "view", profile="x.toml", code=2)
    assert "unrecognized" in calibrate(lab, capsys, "pixels", "still", "--region", "0", "0", "9", "9", profile="x.toml", code=2)
    frames = np.load(lab / "bar" / "frames.npy")
    clipped = broken(lab, tmp_path, "bar", np.minimum(frames, int(np.median(frames))))
    assert "clipped" in calibrate(lab, capsys, "sweep", clipped, *names[1:], profile="x.toml", code=2)
    frames = np.load(lab / "still" / "frames.npy")
    stretched = 29_600 + (frames - 29_600.0) * (1 + 0.1 * np.sin(np.arange(len(frames))))[:, None, None]
    gain = broken(lab, tmp_path, "still", np.rint(stretched).astype(np.uint16))
    assert "automatic gain is on" in calibrate(lab, capsys, "pixels", gain, profile="x.toml", code=2)
    free = broken(lab, tmp_path, "sweep-1.3", rig=('source = "recording"\npath = "load.csv"', 'source = "frames"'))
    assert "needs the load signal" in calibrate(lab, capsys, "sweep", free, *names[1:], profile="x.toml", code=2)
    assert not (lab / "x.toml").exists()


def test_another_camera_s_profile_is_not_overwritten(calibrated, lab, capsys):
    before = calibrated.read_bytes()
    err = calibrate(lab, capsys, "pixels", "view", code=2)
    assert "60 x 80 and 120 x 160, may be one size; one profile a camera" in err and calibrated.read_bytes() == before


def test_without_matplotlib_everything_but_the_picture_is_done(lab, capsys, monkeypatch):
    for name in [m for m in sys.modules if m.split(".")[0] == "matplotlib"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    words = ["calibrate", "pixels", str(lab / "still"), "--profile", str(lab / "plain.toml")]
    assert cli.main(words) == 0
    assert "matplotlib is not installed" in capsys.readouterr().out
    assert load_profile(lab / "plain.toml").netd_K == pytest.approx(0.06, rel=0.02)
    assert cli.main([*words, "--picture", str(lab / "p.png")]) == 2


def recorder(folder, seconds):
    """The command line of hw_notes/record.py on the simulated bench, as a user would start it; and its environment."""
    tables = recordings.rig_tables(recordings.render(PLATE, 2), 30.0, 4.0, 3.1e-6)
    tables["specimen"] |= {"geometry": "MT", "width_mm": 60.0, "notch_mm": 6.0}
    tables["load"] = {"source": "simulated", "frequency_hz": 7.0}
    tables["camera"] = {"source": "simulated", "rows": 60, "columns": 80, "frame_rate_hz": 25.0, "counts_per_K": 100.0}
    (folder / "rig.toml").write_text(recordings.toml(tables))
    script = Path(cli.__file__).parent.parent / "hw_notes" / "record.py"
    words = [sys.executable, str(script), str(folder / "rig.toml"), str(folder / "rec"), "--seconds", seconds]
    return words, {**os.environ, "PYTHONPATH": str(script.parent.parent)}


@pytest.mark.parametrize("seconds", ["-3", "nan", "0", "inf"])
def test_the_notes_recorder_refuses_times_that_are_none(seconds, tmp_path):
    words, env = recorder(tmp_path, seconds)
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, env=env)
    assert done.returncode == 2 and done.stderr.count("\n") == 1 and "--seconds: is" in done.stderr


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_the_notes_recorder_stopped_by_hand_leaves_what_came(ending, tmp_path):
    words, env = recorder(tmp_path, "3600")
    rec = tmp_path / "rec"
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env) as running:
        until = time.monotonic() + 60
        while not ((rec / "load.csv").exists() and (rec / "load.csv").stat().st_size > 100_000) and time.monotonic() < until:
            time.sleep(0.02)
        running.send_signal(ending)
        out, err = running.communicate(timeout=60)
    assert running.returncode == 0 and err == ""
    frames = np.load(rec / "frames.npy", mmap_mode="r")
    assert f"{len(frames)} frames" in out and 50 < len(frames) < 90_000
    assert sorted(p.name for p in rec.iterdir()) == ["frames.csv", "frames.npy", "load.csv", "rig.toml"]
    assert len((rec / "frames.csv").read_text().splitlines()) == 1 + len(frames)
    assert open_recording(rec).time_s.size == len(frames)


@pytest.mark.parametrize("spoil, words", [("file", "no folder can be made there"), ("full", "MB are needed")])
def test_the_notes_recorder_says_where_it_cannot_write(spoil, words, tmp_path):
    command, env = recorder(tmp_path, "86400" if spoil == "full" else "1")
    if spoil == "file":
        (tmp_path / "rec").write_text("")
    else:
        rig = tmp_path / "rig.toml"
        rig.write_text(rig.read_text().replace("rows = 60", "rows = 2000").replace("columns = 80", "columns = 2000"))
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, env=env)
    assert done.returncode == 2 and done.stderr.count("\n") == 1 and words in done.stderr


def test_the_notes_recorder_makes_a_folder_that_can_be_calibrated_and_run(lab, capsys, tmp_path):
    words, env = recorder(tmp_path, "12")
    (tmp_path / "rig.toml").write_bytes(b"\xef\xbb\xbf" + (tmp_path / "rig.toml").read_bytes())  # as some editors leave it
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, env=env)
    assert done.returncode == 0, done.stderr
    frames = np.load(tmp_path / "rec" / "frames.npy")
    assert f"{len(frames)} frames" in done.stdout and 290 <= len(frames) <= 301
    rec = open_recording(tmp_path / "rec")
    m = measure(rec)
    assert m.frequency_hz == pytest.approx(7.0, abs=0.01) and m.range_kN > 1
    again = subprocess.run(words, capture_output=True, text=True, timeout=60, env=env)
    assert again.returncode == 2 and "frames.npy: is there already; name a new folder" in again.stderr


@pytest.mark.parametrize("name", ["frames.npy", "frames.csv", "load.csv", "rig.toml"])
def test_the_notes_recorder_overwrites_nothing(name, tmp_path):
    words, env = recorder(tmp_path, "1")
    (tmp_path / "rec").mkdir()
    (tmp_path / "rec" / name).write_text("mine")
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, env=env)
    assert done.returncode == 2 and done.stderr == f"{tmp_path / 'rec' / name}: is there already; name a new folder\n"
    assert [p.read_text() for p in (tmp_path / "rec").iterdir()] == ["mine"]


@pytest.mark.parametrize("stress", ["0.07", "70e6"])
def test_a_nominal_stress_in_another_unit_is_refused(lab, calibrated, capsys, stress):
    err = calibrate(lab, capsys, "gain", "bar", "--stress-range", stress, code=2)
    assert "thermoelastic constant comes out as" in err and "--stress-range is in MPa" in err


def test_gain_keeps_the_noise_in_counts_when_the_kelvin_changes(lab, capsys):
    """A profile of 60 mK at 50 counts/K; the plates tell 100."""
    save_profile(lab / "kelvin.toml", CameraProfile(0.0086, counts_per_K=50.0, netd_K=0.06))
    calibrate(lab, capsys, "gain", "plate-20", "plate-40", "--temperatures", "20", "40", profile="kelvin.toml")
    p = load_profile(lab / "kelvin.toml")
    assert p.counts_per_K == pytest.approx(100.0, rel=0.002) and p.netd_K == pytest.approx(0.03, rel=0.002)


def test_a_reader_that_leaves_does_not_cost_the_profile(lab):
    words = [sys.executable, "-u", "-m", "edge.cli", "calibrate", "pixels", str(lab / "still"), "--profile", str(lab / "head.toml")]
    with subprocess.Popen(words, stdout=subprocess.PIPE, cwd=Path(cli.__file__).parent.parent) as running:
        running.stdout.close()
        assert running.wait(timeout=60) == 0
    assert load_profile(lab / "head.toml").netd_K == pytest.approx(0.06, rel=0.02)


def test_marks_with_exchanged_numbers_are_refused(lab, capsys):
    marks = ["--mark", "0", "0", "30", "10", "--mark", "18", "0", "30", "70"]  # x, y, row, column
    err = calibrate(lab, capsys, "scale", "still", *marks, profile="other.toml", code=2)
    assert "mm per pixel, so that width_mm = 30 spans" in err and "look for exchanged numbers: --mark ROW COL X_MM Y_MM" in err


@pytest.mark.parametrize("typed", [("293", "313"), ("-300", "-280")], ids=" ".join)
def test_temperatures_of_plates_in_kelvin_or_none_at_all_are_refused(lab, calibrated, capsys, typed):
    err = calibrate(lab, capsys, "gain", "plate-20", "plate-40", "--temperatures", *typed, code=2)
    assert f"--temperatures: are {' '.join(typed)}, may be above -273.15 up to 200" in err and "kelvin" in err


def test_the_constant_s_range_is_that_of_the_rig_file():
    limits = Specimen.__dataclass_fields__["thermoelastic_constant_per_MPa"].metadata["limits"]
    assert (limits.low, limits.high) == PLAUSIBLE_K0_PER_MPA


def test_a_running_load_shows_as_flicker_in_what_should_be_still(lab, capsys):
    """What hw_notes/calibration.md says of it: a moderate load is not refused."""
    out = calibrate(lab, capsys, "pixels", "bar", profile="loaded.toml")
    assert "lines of the whole image at 7.00 Hz" in out


def test_a_recording_named_twice_is_refused_however_it_is_written(lab, capsys):
    (lab / "again").symlink_to(lab / "sweep-1.3")
    err = calibrate(lab, capsys, "sweep", *(f"sweep-{hz}" for hz in SWEEP_HZ), "again", profile="twice.toml", code=2)
    assert "again: is named twice" in err


def constant(out):
    """K0 and its deviation as printed for the rig file."""
    lines = tomli.loads(out[out.index("[specimen]") : out.index("\npicture")])["specimen"]
    return lines["thermoelastic_constant_per_MPa"], lines["thermoelastic_constant_sd_per_MPa"]


def test_noise_common_to_all_pixels_is_in_the_constant_s_deviation(calibrated, lab, capsys):
    record(lab / "jumping", plates.uncracked(SHAPE, 70.0), frame_noise_K=0.02)
    K0, sd = constant(out := calibrate(lab, capsys, "gain", "jumping", "--stress-sd", "0.1"))
    assert K0 == pytest.approx(3.1e-6, abs=3 * sd) and 0.02 * K0 < sd < 0.05 * K0  # of 10 such recordings they spread by 2.7 %
    assert "noise common to all pixels" in out


def test_a_weak_signal_does_not_choose_the_pixels_of_the_bar(calibrated, lab, capsys):
    """Of pixels chosen by a signal near the noise those are taken that noise makes larger: K0 came out four times too large here."""
    record(lab / "weak", plates.uncracked(SHAPE, 5.0))
    err = calibrate(lab, capsys, "gain", "weak", code=2)
    assert "times the noise of a pixel, may be 6 or more to choose the pixels by it; give --region" in err
    K0, sd = constant(calibrate(lab, capsys, "gain", "weak", "--region", "0", "0", "60", "80"))
    assert K0 == pytest.approx(3.1e-6, abs=3 * sd)


def test_a_bar_s_load_frequency_outside_the_table_is_refused(lab, capsys):
    rows = (ResponseRow(1.3, 0.99, -4.0), ResponseRow(4.0, 0.97, -12.0))  # the bar is loaded at 7 Hz
    save_profile(lab / "slow.toml", CameraProfile(0.0086, counts_per_K=100.0, response=rows))
    err = calibrate(lab, capsys, "gain", "bar", profile="slow.toml", code=2)
    assert "bar: load frequency is 7 Hz, may be within the profile's table, 1.3 to 4 Hz" in err


def test_a_step_says_that_it_takes_the_place_of_a_table(lab, capsys):
    rows = (ResponseRow(1.3, 0.99, -4.0), ResponseRow(9.0, 0.9, -26.0))
    save_profile(lab / "table.toml", CameraProfile(0.0086, response=rows))
    assert "[[response]] of a sweep gives way" in calibrate(lab, capsys, "step", "step", profile="table.toml")
    assert load_profile(lab / "table.toml").response == () and load_profile(lab / "table.earlier-1.toml").response == rows


@pytest.mark.parametrize("frames", [100, 40])
def test_a_step_says_how_many_frames_it_looked_at(lab, capsys, monkeypatch, frames):
    monkeypatch.setattr(calibrate_module, "MOST_VALUES", frames * SHAPE[0] * SHAPE[1])
    code = 2 if frames == 40 else 0  # the cover moves in frame 75
    told = calibrate(lab, capsys, "step", "step", profile="cut.toml", code=code)
    assert f"only the first {frames} of 240 frames" in told and ("no step of more" in told) == bool(code)


def test_bad_pixels_of_another_image_size_are_refused(lab, capsys):
    (lab / "other-size.png").write_bytes(cv2.imencode(".png", np.zeros((61, 80), np.uint8))[1].tobytes())
    save_profile(lab / "other-size.toml", CameraProfile(0.0086, counts_per_K=100.0, bad_pixels=lab / "other-size.png"))
    err = calibrate(lab, capsys, "gain", "bar", profile="other-size.toml", code=2)
    assert "other-size.png: is of 61 x 80 pixels, may be of 60 x 80 as the recording; calibrate pixels again" in err


def test_where_all_pixels_are_bad_nothing_is_written(lab, capsys):
    (lab / "all.png").write_bytes(cv2.imencode(".png", np.full(SHAPE, 255, np.uint8))[1].tobytes())
    save_profile(lab / "all.toml", CameraProfile(0.0086, bad_pixels=lab / "all.png"))
    for more, where in (((), "all.png"), (("--region", "0", "0", "9", "9"), "--region")):
        words = ("gain", "plate-20", "plate-40", "--temperatures", "20", "40", *more)
        assert f"{where}: leaves bad pixels only" in calibrate(lab, capsys, *words, profile="all.toml", code=2)
    assert load_profile(lab / "all.toml").counts_per_K is None


def test_a_recording_of_an_odd_name_gives_a_profile_that_can_be_read(lab, capsys):
    shutil.copytree(lab / "still", lab / "a\u00a0still")
    calibrate(lab, capsys, "pixels", "a\u00a0still", profile="odd.toml")
    assert load_profile(lab / "odd.toml").made_from[-1] == "pixels a?still"


@pytest.mark.parametrize("times", [lambda t: 1e3 * t, lambda t: 0 * t + 1, lambda t: t / 1e3], ids=["ms", "equal", "ks"])
def test_frame_times_that_are_no_seconds_are_refused(lab, capsys, tmp_path, times):
    folder = broken(lab, tmp_path, "still")
    number, time_s = np.loadtxt(folder / "frames.csv", delimiter=",", skiprows=1).T
    np.savetxt(folder / "frames.csv", np.column_stack([number, times(time_s)]), ["%d", "%.6f"], ",", header="frame,time_s", comments="")
    err = calibrate(lab, capsys, "pixels", folder, profile="x.toml", code=2)
    assert "frames.csv: times are" in err and "give times in seconds (not milliseconds)" in err


def test_frames_in_batches_and_a_pause_among_them_are_taken(lab, tmp_path):
    folder = broken(lab, tmp_path, "still")
    number, time_s = np.loadtxt(folder / "frames.csv", delimiter=",", skiprows=1).T
    for batches, pause_s in ((4, 0.0), (1, 300.0)):
        late = time_s[np.minimum(np.arange(time_s.size) // batches * batches + batches - 1, time_s.size - 1)]
        late = late + np.where(number > 150, pause_s, 0.0)
        np.savetxt(folder / "frames.csv", np.column_stack([number, late]), ["%d", "%.6f"], ",", header="frame,time_s", comments="")
        assert open_recording(folder).time_s.size == number.size


def test_a_recording_at_another_load_frequency_than_its_rig_file_s_is_told_so(lab, capsys, tmp_path):
    names = [f"sweep-{hz}" for hz in SWEEP_HZ]
    far = broken(lab, tmp_path, "sweep-1.3", rig=("frequency_hz = 1.3", "frequency_hz = 11.3"))
    err = calibrate(lab, capsys, "sweep", far, *names[1:], profile="x.toml", code=2)
    assert "with a load near [load] frequency_hz = 11.3 Hz" in err and f"own frequency in {far / 'rig.toml'}" in err


def test_a_lag_given_by_hand_is_not_taken_for_the_assumed_one(lab, capsys):
    save_profile(lab / "hand.toml", CameraProfile(0.0086, 0.003, counts_per_K=100.0))
    assert "is assumed" not in calibrate(lab, capsys, "pixels", "still", profile="hand.toml")
    assert load_profile(lab / "hand.toml").made_from == ("pixels still",)
    assert "is assumed" in calibrate(lab, capsys, "pixels", "still", profile="no-hand.toml")


def test_plates_tell_a_rig_file_s_zero_that_no_longer_fits(lab, capsys, tmp_path):
    """zero_K of 80 counts per kelvin, where the plates tell 100."""
    words = ("gain", "plate-20", "plate-40", "--temperatures", "20", "40")
    assert "warning" not in calibrate(lab, capsys, *words, profile="zero.toml")
    other = broken(lab, tmp_path, "plate-20", rig=("zero_K = 0.0", "zero_K = -73.75"))
    told = calibrate(lab, capsys, words[0], other, *words[2:], profile="zero.toml")
    assert "zero_K = -73.75 makes the plates -73." in told and "give [specimen] temperature_C" in told


def test_a_load_clock_that_runs_off_is_told_by_a_sweep(lab, capsys, calibrated, tmp_path):
    """100 ppm over the minute, 6 ms: the phase smears, which takes of the gain as a larger lag would. In one recording only,
    the phases disagree as well, and the sweep is refused."""
    names = [f"sweep-{hz}" for hz in SWEEP_HZ]
    plain = calibrate(lab, capsys, "sweep", *names, profile="one-clock.toml")
    assert "run apart" not in plain

    def off(some, folder):
        for name in names:
            shutil.copytree(lab / name, folder / name)
        for load in (folder / name / "load.csv" for name in some):
            table = np.loadtxt(load, delimiter=",", skiprows=1)
            table[:, 0] = table[0, 0] + (table[:, 0] - table[0, 0]) * 1.0001
            np.savetxt(load, table, delimiter=",", header="time_s,load_kN", comments="", fmt="%.6f")

    off(names, tmp_path / "all")
    told = calibrate(tmp_path / "all", capsys, "sweep", *names, profile="two-clocks.toml")
    apart = re.findall(r"frames and load run apart by ([\d.]+) ms", told)
    assert [float(ms) for ms in apart] == pytest.approx(len(names) * [6.0], abs=0.5)
    off(names[1:2], tmp_path / "one")
    refused = calibrate(tmp_path / "one", capsys, "sweep", *names, profile="two-clocks.toml", code=2)
    assert "tau is" in refused and f"{names[1]}: frames and load run apart by 6" in refused
