"""The compiled kernel's cache: missing, full or damaged, the kernel comes all the same."""

import numba
import numpy as np
import pytest

from edge import compiled, lockin_kernel
from edge.warm_up import main


@pytest.fixture
def anew(monkeypatch, tmp_path, caplog):
    """A function that makes the kernel as a fresh process would, with an empty cache of its own."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))  # numba reads all of them again when any has changed
    numba.config.reload_config()
    yield lockin_kernel.kernel.__wrapped__
    monkeypatch.undo()
    numba.config.reload_config()


def works(kernel):
    planes, energy = np.zeros((2, 1), np.float32), np.zeros(1)
    n, frame = lockin_kernel.GROUP, np.full(1, 3, np.uint16)
    kernel(planes, energy, np.ones(1, np.float32), *[frame] * n, np.ones((n, 2)), np.ones(n), n, 0.0, *np.zeros((2, 2, 2)))
    return planes[0, 0] == n * 2 and energy[0] == n * 4


def test_a_damaged_cache_is_removed_and_does_no_harm(anew, tmp_path, caplog):
    """As after a power cut while it was written."""
    assert works(anew()) and not caplog.messages
    files = [f for f in tmp_path.rglob("*.nb?") if f.is_file()]
    assert {f.suffix for f in files} == {".nbi", ".nbc"}
    for file in files:
        file.write_bytes(file.read_bytes()[:20])
    assert works(anew())
    assert len(caplog.messages) == 1 and "damaged" in caplog.messages[0] and str(tmp_path) in caplog.messages[0]
    assert not [f for f in files if f.exists()]


def test_without_a_folder_to_write_to_it_is_compiled_and_the_remedy_said(anew, monkeypatch, caplog):
    """numba's own answer where none of its folders can be written."""
    real = numba.njit

    def nowhere(cache, **settings):
        if cache:
            raise RuntimeError("cannot cache function 'accumulate': no locator available for file 'lockin_kernel.py'")
        return real(**settings)

    monkeypatch.setattr(compiled, "njit", nowhere)
    kernel = anew()
    assert works(kernel) and kernel.stats.cache_path is None
    assert len(caplog.messages) == 1 and "NUMBA_CACHE_DIR" in caplog.messages[0]


def test_on_a_full_card_it_is_compiled_for_this_run(anew, monkeypatch, caplog):
    real, calls = compiled._called, []

    def full(kernel, once):
        calls.append(kernel)
        if len(calls) == 1:
            raise OSError(28, "No space left on device")
        return real(kernel, once)

    monkeypatch.setattr(compiled, "_called", full)
    assert works(anew()) and len(calls) == 2
    assert len(caplog.messages) == 1 and "No space left on device" in caplog.messages[0]


def test_warm_up_tells_where_the_kernel_is_kept(capsys):
    assert main() == 0
    assert f"kept in {lockin_kernel.kernel().stats.cache_path}" in capsys.readouterr().out
