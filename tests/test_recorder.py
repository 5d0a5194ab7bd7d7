"""hw_notes/record.py by its functions; its command line stands in test_calibrate_command.py."""

import importlib.util
import threading
from pathlib import Path

import numpy as np
import pytest

from calibration.door import read_toml
from edge.sources.base import Frame, FrameSource, LoadSource

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def recorder():
    spec = importlib.util.spec_from_file_location("notes_record", ROOT / "hw_notes" / "record.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class Camera(FrameSource):
    """Falls silent after ten images."""

    live = True

    def __init__(self, now):
        self.now, self.sent = now, 0

    def read(self, timeout_s):
        if self.sent == 10:
            self.now[0] += timeout_s
            return None
        self.sent += 1
        self.now[0] += 0.04
        return Frame(self.sent, self.now[0], np.zeros((60, 80), np.uint16))


class NoLoad(LoadSource):
    live = True

    def read(self, until_s):
        return np.empty(0), np.empty(0)


def test_a_camera_that_falls_silent_does_not_keep_the_recorder_for_ever(recorder, tmp_path, monkeypatch):
    now = [100.0]
    monkeypatch.setattr(recorder.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(recorder, "open_sources", lambda rig: (Camera(now), NoLoad()))
    (tmp_path / "rig.toml").write_text(
        '[specimen]\ngeometry = "plate"\nmaterial = "mild steel"\ntemperature_C = 22.0\n'
        '[load]\nsource = "frames"\nfrequency_hz = 7.0\n'
        '[camera]\nsource = "uvc"\nrows = 60\ncolumns = 80\nframe_rate_hz = 25.0\ncounts_per_K = 100.0\n'
        "[view]\nmm_per_px = 0.15\ndatum_px = [30.0, 20.0]\n"
    )
    assert recorder.record(tmp_path / "rig.toml", tmp_path / "rec", 2.0, threading.Event()) == 10
    assert 2.0 < now[0] - 100.0 < 20.0 and np.load(tmp_path / "rec" / "frames.npy").shape == (10, 60, 80)


def test_the_rig_file_beside_a_recording_keeps_its_profile_and_its_letters(recorder, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", "/home/somebody")
    document = {"camera": {"source": "uvc", "lens": "9.1 mm \U0001f52d \\ \"", "profile": "~/camera.toml"}, "load": {"source": "frames"}}
    (tmp_path / "rig.toml").write_text(recorder.as_recording(document, tmp_path, True))
    camera = read_toml(tmp_path / "rig.toml")["camera"]
    assert (camera["lens"], camera["profile"]) == ("9.1 mm \U0001f52d \\ \"", "/home/somebody/camera.toml")
