"""Bad input of every kind, in small: each file and wire with edits that hypothesis makes. The long run, and what counts as
right, are in tests/endurance/fuzz.py."""

import tempfile
from pathlib import Path

import numpy as np
import pytest
from endurance import fuzz
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calibration.door import InputError
from edge.sources.recording import RecordedFrames, TiffStack

TARGETS = {t.name: t for t in fuzz.targets()}
EDITS = st.lists(
    st.tuples(
        st.floats(0, 1),
        st.integers(0, 60) | st.just(10**9),
        st.binary(max_size=20) | st.sampled_from(fuzz.TOKENS),
    ),
    max_size=5,
)


@pytest.mark.parametrize("name", TARGETS)
def test_whatever_comes_is_refused_in_one_line_or_passed_over(name):
    target = TARGETS[name]

    @settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.data_too_large])
    @given(EDITS)
    def attempt(edits):
        with tempfile.TemporaryDirectory() as folder:
            target.read(fuzz.edited(target.example, edits), Path(folder))

    attempt()


@pytest.mark.parametrize("name", TARGETS)
def test_the_example_that_is_edited_is_a_good_one(name, tmp_path):
    expected = "refused" if "pickles" in name else "taken"
    assert TARGETS[name].read(TARGETS[name].example, tmp_path) == expected


# --- what the long run has found, so that it stays found


def test_a_header_of_an_npy_file_that_is_no_python_literal_is_refused(tmp_path):
    good = TARGETS["NPY frames"].example
    path = tmp_path / "f.npy"
    path.write_bytes(good[:10] + good[10:].replace(b"{", b"(((", 1)[: len(good) - 10])
    with pytest.raises(InputError, match="not a readable .npy recording"):
        RecordedFrames(path, None, fuzz.ROWS, fuzz.COLUMNS, 25.0)


def test_a_tiff_whose_first_page_is_damaged_is_refused(tmp_path, monkeypatch):
    import cv2

    def fail(*_, **__):
        raise cv2.error("damaged")

    path = tmp_path / "f.tif"
    path.write_bytes(TARGETS["TIFF frames"].example)
    for function in ("imcount", "imreadmulti"):
        with monkeypatch.context() as damaged:
            damaged.setattr(cv2, function, fail)
            with pytest.raises(InputError, match="not a readable TIFF recording"):
                TiffStack(path)


def test_a_tiff_with_pages_of_two_sizes_is_refused_with_the_page(tmp_path):
    import cv2

    path = tmp_path / "f.tif"
    assert cv2.imwritemulti(str(path), [np.zeros((12, 16), np.uint16), np.zeros((10, 16), np.uint16)])
    with RecordedFrames(path, None, 12, 16, 25.0) as source:
        source.read(0.0)
        with pytest.raises(InputError, match=r"page 2 is uint16 of \(10, 16\), the first is uint16 of \(12, 16\)"):
            source.read(0.0)
