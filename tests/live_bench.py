"""A simulated bench on two pseudo-terminals in real time: a thermal module and a load board, for tests of the live loop.

Everything it shows is invented. Frames are sent in the framing of hw_notes/serial_frames.md, load samples as
time,value*hh; the clocks at the far ends run at their own rates.
"""

import contextlib
import gc
import os
import subprocess
import sys
import threading
import time
from datetime import date
from pathlib import Path

import numpy as np
from links import Cable

from edge.bench_growth import CrackLaw
from edge.rig import load_rig
from edge.sources.serial_frames import HEADER, SYNC, TIMED
from edge.sources.simulated import SimulatedBench, bench_from_rig

ROOT = Path(__file__).parent.parent
RIG = """[specimen]
geometry = "MT"
width_mm = 60.0
thickness_mm = 4.0
notch_mm = 6.0
material = "mild steel"
temperature_C = 22.0

[load]
source = "serial"
port = "{folder}/load"
frequency_hz = 7.0

[camera]
source = "serial"
port = "{folder}/camera"
rows = {rows}
columns = {columns}
frame_rate_hz = 50.0
counts_per_K = 100.0
zero_K = 0.0
profile = "camera.toml"

[view]
mm_per_px = 0.25
datum_px = [{datum_row}, 6.0]

[lockin]
memory_s = 1.8

[records]
every_s = {every_s}
maps_every_s = 1000.0
folder = "out"
"""
PROFILE = """# An invented microbolometer.
tau_s = 0.0080
tau_sd_s = 0.0001
readout_s = 0.0
readout_sd_s = 0.0001
counts_per_K = 100.0
netd_K = 0.030
made_on = {today}
"""


def crc32(data: bytes) -> bytes:
    import zlib

    return zlib.crc32(data).to_bytes(4, "little")


def frame_bytes(counts: np.ndarray, sequence: int, time_s: float) -> bytes:
    rows, columns = counts.shape
    head = HEADER.pack(SYNC, 1, TIMED, rows, columns, 0, sequence, counts.nbytes, int(time_s * 1e6), 0)[:-4]
    body = head + crc32(head) + counts.astype("<u2").tobytes()
    return body + crc32(body)


def load_line(time_s: float, value: float) -> bytes:
    text = f"{time_s:.6f},{value:.4f}"
    check = 0
    for byte in text.encode():
        check ^= byte
    return f"{text}*{check:02X}\r\n".encode()


class LiveBench:
    """The far ends of two cables, `camera` and `load`. Context manager; sends from entering to leaving.

    true time t of the bench is begin_s + t on the monotonic clock.
    """

    def __init__(self, folder: Path, rows: int = 60, columns: int = 80, every_s: float = 0.5, load_hz: float = 250.0):
        self.folder, self.load_hz = folder, load_hz
        self.rig = folder / "rig.toml"
        self.rig.write_text(RIG.format(folder=folder, rows=rows, columns=columns, datum_row=rows / 2, every_s=every_s))
        (folder / "camera.toml").write_text(PROFILE.format(today=date.today()))
        self.camera, self.load = Cable(folder / "camera"), Cable(folder / "load")
        for cable in (self.camera, self.load):
            os.set_blocking(cable.far, False)
        self.bench = self._bench()
        self.running = threading.Event()
        self.threads: list[threading.Thread] = []
        self.begin_s = 0.0

    def _bench(self) -> SimulatedBench:
        rig = load_rig(self.rig)
        slow = {"C_effective": 1e-12}  # the crack stands still: a live test has no time for growth
        law = {k: v for k, v in slow.items() if k in CrackLaw.__dataclass_fields__}
        return bench_from_rig(rig, camera={"netd_K": 0.030}, law=law, duration_s=150.0)

    def __enter__(self) -> "LiveBench":
        gc.disable()  # over all that a test run has gathered it takes half a second, in which both devices would be silent
        self.begin_s = time.monotonic()
        self.running.set()
        self.threads = [threading.Thread(target=f, daemon=True) for f in (self._send_frames, self._send_load)]
        for thread in self.threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        gc.enable()
        self.running.clear()
        for thread in self.threads:
            thread.join()
        for cable in (self.camera, self.load):
            with contextlib.suppress(OSError):
                cable.unplug()

    def _now(self, rate_hz: float) -> int:
        """Number of the sample or frame that is just over, some hundredths of a second of patience aside."""
        return int((time.monotonic() - self.begin_s - 0.06) * rate_hz)

    def _wait_to(self, time_s: float) -> None:
        time.sleep(max(0.0, self.begin_s + time_s - time.monotonic()))

    def _send_frames(self) -> None:
        frames, rate_hz = self.bench.frames, self.bench.bench.camera.frame_rate_hz
        while self.running.is_set():
            frames._next = max(frames._next, self._now(rate_hz))  # a camera never sends what is long over
            frame = frames.read(0.0)
            assert frame is not None
            self._wait_to(frame.time_s)
            self._send(self.camera, frame_bytes(frame.counts, frame.number, 77.0 + frame.time_s * 1.0002))

    def _send_load(self) -> None:
        number = 0
        while self.running.is_set():
            number = max(number, self._now(self.load_hz))
            t = number / self.load_hz
            self._wait_to(t)
            self._send(self.load, load_line(500.0 + t * 0.9999, float(self.bench.wave.load_kN(t))))
            number += 1

    def _send(self, cable: Cable, data: bytes) -> None:
        """Whole, or not at all where the far end is unplugged or has been deaf for long."""
        give_up_s = time.monotonic() + 1.0
        while data and self.running.is_set() and time.monotonic() < give_up_s:
            try:
                data = data[os.write(cable.far, data) :]
            except BlockingIOError:
                time.sleep(0.001)
            except OSError:
                return

    @staticmethod
    def unplug(cable: Cable) -> None:
        far, near = cable.far, cable.near
        cable.far = -1
        os.close(far)
        os.close(near)
        cable.port.unlink()

    @staticmethod
    def plug(cable: Cable) -> None:
        cable.plug()
        os.set_blocking(cable.far, False)

    def run(self, *arguments: str, **keys: object) -> subprocess.Popen:
        """`bolotip run` on it, in a process of its own."""
        command = [sys.executable, "-m", "edge.cli", "run", str(self.rig), *arguments]
        return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **keys)  # type: ignore[call-overload]
