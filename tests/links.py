"""For tests of sinks and receiver: a serial cable made of a pseudo-terminal, a small mounted card, and invented rows."""

import contextlib
import os
import select
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from edge.record import Row, encode_row, header_line


class Cable:
    """A pty pair. The program under test opens `port` (a link, so that a new cable can take its place)."""

    def __init__(self, port: Path):
        self.port = port
        self.plug()

    def plug(self) -> None:
        self.far, self.near = os.openpty()
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(os.ttyname(self.near))

    def unplug(self) -> None:
        os.close(self.far)
        os.close(self.near)
        self.port.unlink()

    def read(self, timeout_s: float = 0.0) -> bytes:
        """What has arrived; with a time-out, wait for it."""
        ready, _, _ = select.select([self.far], [], [], timeout_s)
        return os.read(self.far, 65536) if ready else b""

    def read_to(self, seq: int, pump: Callable[[], None] = lambda: None, timeout_s: float = 10.0) -> bytes:
        """Everything up to the end of the row `invented_row(seq)`, or of a header row behind it; `pump` is called in between."""
        got, last, end_s = b"", encode_row(invented_row(seq)).encode() + b"\n", time.monotonic() + timeout_s
        while not got.endswith((last, last + header_line().encode() + b"\n")):
            assert time.monotonic() < end_s, f"row {seq} did not come"
            got += self.read(0.01)
            pump()
        return got

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.far, data) :]


@contextlib.contextmanager
def mounted(folder: Path, *arguments: str):
    """A small file system, mounted at `folder` while the test runs; skips the test (`pytest.skip.Exception`) where none can be."""
    folder.mkdir(exist_ok=True)
    if os.geteuid() != 0:
        pytest.skip("mounting a small card needs root")
    done = subprocess.run(["mount", *arguments, str(folder)], capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"no small card can be mounted here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False, capture_output=True)  # some tests have taken it away themselves


def invented_row(seq: int) -> Row:
    """A full row of invented values, of ordinary length."""
    return Row(
        seq=seq,
        time_utc=f"2031-05-06T{seq // 3600 % 24:02d}:{seq // 60 % 60:02d}:{seq % 60:02d}Z",
        elapsed_s=10.0 * seq,
        cycles=70 * seq,
        frames=250 * seq,
        load_frequency_hz=7.00012,
        load_range_kN=9.0123,
        load_ratio=0.1,
        load_h2=0.00123,
        load_h2_deg=-123.4,
        tip_row_px=58.123,
        tip_col_px=104.567,
        tip_sd_px=0.031,
        crack_mm=12.9876,
        crack_sd_mm=0.0047,
        dKI_MPa_sqrt_m=18.234,
        dKI_sd=0.12,
        dKII_MPa_sqrt_m=-0.2345,
        dKII_sd=0.091,
        T_MPa=-45.67,
        T_sd=3.2,
        r2=0.98765,
        noise_K=0.000412,
        contact_length_mm=1.234,
        contact_sd_mm=0.12,
        contact_K=0.004567,
        ahead_K=0.001234,
        phase_gap_deg=178.3,
        opening_fraction=0.4567,
        opening_sd=0.023,
        reversal_mm=13.123,
        irwin_mm=12.612,
        motion_px=0.0312,
        slip_px=1.25,
        rate_mm_per_cycle=1.23e-05,
        rate_sd=1.2e-06,
        cycles_to_target=1234567,
        lost=2,
        repeated=1,
        flags=("delay_far_field", "settling"),
    )
