"""Frames of a thermal module on a serial port, in the framing of hw_notes/serial_frames.md.

Driver time: the module's clock, where it sends one, is put on the monotonic clock by the lower envelope of the
arrivals; else a frame has the arrival of its last byte.
"""

import struct
import zlib
from dataclasses import dataclass

import numpy as np

from edge.rig import Camera
from edge.sources.base import Frame
from edge.sources.capture import CapturedFrames, Device
from edge.sources.far_clock import FarClock
from edge.sources.gate import GAIN_OFF, Gate
from edge.sources.serial_port import SerialPort

SYNC = b"\xa5IR\x5a"
VERSION = 1
HEADER = struct.Struct("<4sBBHHHIIQI")  # sync, version, flags, rows, columns, reserved, sequence, length, time, CRC-32
TIMED, GAIN_IS_AUTOMATIC = 1, 2  # flags
LARGEST_SIDE = 4096
MOST_UNTIMED = 32  # frames that wait for the module's clock to be understood
LARGEST_JUMP = 1000  # in sequence; more is a module that has begun anew
TURN = 1 << 32  # of the sequence


@dataclass(frozen=True)
class WireFrame:
    """One frame as it came: counts (rows, columns) uint16, sequence, the module's time in s or None."""

    sequence: int
    far_s: float | None
    automatic_gain: bool
    counts: np.ndarray


class FrameDecoder:
    """Bytes in, cut anywhere; whole frames out. Holds one frame's bytes at most.

    size: the (rows, columns) wanted; frames of another size are reported in `other_size` and passed over unread.
    bad: headers or payloads that failed their CRC. noise_bytes: bytes outside frames.
    """

    def __init__(self, largest_bytes: int):
        self.largest_bytes = largest_bytes  # of a payload
        self.bad = self.noise_bytes = 0
        self.other_size: tuple[int, int] | None = None
        self._buffer = bytearray()
        self._pass_over = 0

    def reset(self) -> None:
        """The port was opened anew: half a frame will not be continued."""
        self._buffer.clear()
        self._pass_over = 0

    def feed(self, data: bytes) -> list[WireFrame]:
        self._buffer += data
        frames: list[WireFrame] = []
        while self._one(frames):
            pass
        return frames

    def _one(self, frames: list[WireFrame]) -> bool:
        """One step through the buffer; False where more bytes are needed."""
        buffer = self._buffer
        if self._pass_over:
            n = min(self._pass_over, len(buffer))
            del buffer[:n]
            self._pass_over -= n
            return n > 0
        start = buffer.find(SYNC)
        if start != 0:
            noise = start if start > 0 else max(0, len(buffer) - len(SYNC) + 1)
            self.noise_bytes += noise
            del buffer[:noise]
            return start > 0
        if len(buffer) < HEADER.size:
            return False
        _, version, flags, rows, columns, _, sequence, length, time_us, crc = HEADER.unpack_from(buffer)
        if zlib.crc32(buffer[: HEADER.size - 4]) != crc or version != VERSION or length != 2 * rows * columns:
            return self._skip_sync()
        if not (0 < rows <= LARGEST_SIDE and 0 < columns <= LARGEST_SIDE) or length > self.largest_bytes:
            self.other_size = (rows, columns)
            self._pass_over = HEADER.size + length + 4
            return True
        end = HEADER.size + length
        if len(buffer) < end + 4:
            return False
        if zlib.crc32(buffer[:end]) != int.from_bytes(buffer[end : end + 4], "little"):
            return self._skip_sync()
        counts = np.frombuffer(bytes(buffer[HEADER.size : end]), "<u2").astype(np.uint16).reshape(rows, columns)
        far_s = time_us * 1e-6 if flags & TIMED else None
        frames.append(WireFrame(sequence, far_s, bool(flags & GAIN_IS_AUTOMATIC), counts))
        del buffer[: end + 4]
        return True

    def _skip_sync(self) -> bool:
        """This was no frame, or a damaged one: the next may begin within it."""
        self.bad += 1
        del self._buffer[: len(SYNC)]
        return True


class SerialDevice(Device[Frame]):
    """The module as the capture thread sees it. lost: frames missing in the sequence."""

    def __init__(self, camera: Camera):
        assert camera.port is not None
        self.name = f"[camera] port {camera.port}"
        self.remedy = "give the port of the thermal module, for example /dev/ttyACM0 (group dialout, not in use)"
        self.port = SerialPort(camera.port, camera.baud, self.name)
        top, left, rows, columns = camera.crop_px or (0, 0, camera.rows, camera.columns)
        self.decoder = FrameDecoder(2 * (top + 2 * rows) * (left + 2 * columns))
        self.lost = 0
        self._gate, self._clock = Gate(camera), FarClock()
        self._untimed: list[tuple[int, WireFrame]] = []
        self._number = -1  # of the last frame; losses leave gaps
        self._sequence: int | None = None
        self._far_s: float | None = None  # of the last frame

    @property
    def complaint(self) -> str | None:
        return self._gate.complaint

    @property
    def settled(self) -> bool:
        return self._gate.settled

    def connect(self) -> None:
        self.port.open()
        self.decoder.reset()
        self._begin_anew()
        self._gate.reset()

    def _begin_anew(self) -> None:
        self._clock.forget()
        self._untimed.clear()
        self._sequence = self._far_s = None

    def disconnect(self) -> None:
        self.port.close()

    def read(self) -> list[Frame]:
        arrival_s, data = self.port.read()
        out: list[Frame] = []
        for frame in self.decoder.feed(data):
            self._count(frame.sequence)
            if frame.automatic_gain:
                self._gate.refuse(f"says that its automatic gain is on; {GAIN_OFF}")
            elif frame.far_s is None:
                out += self._gate.take(self._number, arrival_s, frame.counts)
            else:
                if self._far_s is not None and frame.far_s <= self._far_s:  # the module's clock was set back, or it has begun anew
                    self._clock.restart(arrival_s)
                    self._untimed.clear()
                self._far_s = frame.far_s
                self._clock.add(frame.far_s, arrival_s)
                self._untimed.append((self._number, frame))
                del self._untimed[:-MOST_UNTIMED]
        if self.decoder.other_size is not None:
            self._gate.refuse_size(*self.decoder.other_size)
            self.decoder.other_size = None
        if self._untimed and self._clock.wrong_unit(arrival_s):
            self._gate.refuse("stamps its frames in another unit than microseconds; send these, or clear the time flag")
            self._untimed.clear()
        if self._clock.trusted:
            for number, frame in self._untimed:
                time_s = min(arrival_s, self._clock.at(frame.far_s or 0.0))
                out += self._gate.take(number, time_s, frame.counts)
            self._untimed.clear()
        return out

    def _count(self, sequence: int) -> None:
        """A running number from a sequence that wraps, has gaps and may begin anew."""
        step = 1 if self._sequence is None else (sequence - self._sequence) % TURN
        if not 1 <= step <= LARGEST_JUMP:
            if step:  # 0 comes from a module that does not count
                self._begin_anew()
            step = 1
        self._sequence = sequence
        self._number += step
        self.lost += step - 1


class SerialFrames(CapturedFrames):
    """A live thermal module on a serial port. InputError: no such port, another size than the rig file's, automatic
    gain, 8-bit values. A port that is silent is a state."""

    def __init__(self, camera: Camera, wait: bool = False):
        self._device = SerialDevice(camera)
        super().__init__(self._device, wait)

    @property
    def lost(self) -> int:
        """Frames missing in the module's own count."""
        return self._device.lost

    @property
    def bad(self) -> int:
        """Headers and payloads that failed their check."""
        return self._device.decoder.bad

    @property
    def noise_bytes(self) -> int:
        """Bytes outside frames."""
        return self._device.decoder.noise_bytes
