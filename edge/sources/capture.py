"""Capture apart from the estimation: one thread a device, a bounded queue, reconnection with growing pauses.

The loop may be busy for seconds; frames and load samples must get their arrival times meanwhile. So a thread reads the
device, stamps what comes and queues it. A device that is lost, silent or delivers what cannot be used is a state
("waiting"), one log line and another attempt later, never an exception in the loop.
"""

import collections
import logging
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Generic, TypeVar

from calibration.door import InputError
from edge.sources.base import Frame, FrameSource
from edge.spoken import LINES, LINES_SPAN_S, FewLines

log = logging.getLogger(__name__)
FIRST_WAIT_S = 0.5  # before a lost device is tried again; doubles up to LONGEST_WAIT_S
LONGEST_WAIT_S = 10.0
SILENT_S = 5.0  # without anything usable for this long: state "waiting"
FIRST_FRAMES_S = 8.0  # how long the start waits for images to judge
FRAME_ROOM_BYTES = 16_000_000  # of waiting frames: 10 s and more of a small camera
REOPEN_S = 30.0  # a device that is open and dead for this long is closed and opened again

Item = TypeVar("Item")


class Device(ABC, Generic[Item]):
    """A piece of hardware as the capture thread sees it."""

    name: str = ""  # as log lines call it
    remedy: str = ""  # what to look at where it cannot be opened
    pause_s: float = 0.0  # so long a silence is no fault of it

    @property
    def complaint(self) -> str | None:
        """Why what it delivers cannot be used, with the remedy; None while it can."""
        return None

    @property
    def settled(self) -> bool:
        """Enough has come to know whether it can be used."""
        return True

    @abstractmethod
    def connect(self) -> None:
        """OSError: not now. InputError: never as it is named."""

    @abstractmethod
    def read(self) -> list[Item]:
        """What has come, after a fraction of a second at the latest; may be nothing. OSError: the device is lost."""

    @abstractmethod
    def disconnect(self) -> None:
        """Let go of the device in whatever condition; never raises."""


class Capture(Generic[Item]):
    """Runs `device` in a thread. Items wait in a queue of `room_bytes`; when it is full the oldest are dropped.

    state: "ok", or "waiting" with `fault` saying why. dropped: items that found no room. losses: connections lost.
    """

    def __init__(self, device: Device[Item], size: Callable[[Item], int], room_bytes: int):
        self.device, self.size, self.room_bytes = device, size, room_bytes
        self.fault: str | None = None
        self.dropped = self.losses = 0
        self._queue: collections.deque[Item] = collections.deque()
        self._queued_bytes = 0
        self._arrived = threading.Condition()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"capture {device.name}", daemon=True)
        self._connected = False
        self._wait_s = FIRST_WAIT_S
        self._said: set[str] = set()  # kinds of fault logged since it last worked
        self.say = FewLines(lambda text: log.warning("%s: %s", device.name, text), LINES, LINES_SPAN_S, "lines of the same kind")
        self._crash: BaseException | None = None
        self._heard_s = self._opened_s = time.monotonic()

    @property
    def state(self) -> str:
        return "ok" if self.fault is None else "waiting"

    def start(self, first_wait_s: float, absent_is_a_state: bool = False) -> None:
        """Open the device and wait until it is known to be usable, at most `first_wait_s`.

        InputError: it cannot be opened, or what it delivers cannot be used. A silent device is a state; with
        `absent_is_a_state` so are those.
        """
        if absent_is_a_state:  # as after a power cut, when this computer is up before they are
            self._thread.start()
            return
        try:
            self.device.connect()
        except OSError as e:
            raise InputError(f"{self.device.name}: {e.strerror or e}; {self.device.remedy}") from None
        self._connected = True
        self._heard_s = self._opened_s = time.monotonic()
        self._thread.start()
        with self._arrived:
            self._arrived.wait_for(self._known, first_wait_s)
        if self.device.complaint is not None:
            self.close()
            raise InputError(f"{self.device.name}: {self.device.complaint}")

    def _known(self) -> bool:
        return (
            self.device.complaint is not None or self._crash is not None or (self.device.settled and bool(self._queue))
        )

    def get(self, timeout_s: float) -> Item | None:
        """The oldest item, or None where none came within `timeout_s`."""
        with self._arrived:
            self._arrived.wait_for(lambda: self._queue or self._crash, timeout_s)
            if self._queue:
                item = self._queue.popleft()
                self._queued_bytes -= self.size(item)
                return item
        self._raise_crash()
        return None

    def get_all(self) -> list[Item]:
        """Everything that waits, at once."""
        with self._arrived:
            items, self._queued_bytes = list(self._queue), 0
            self._queue.clear()
        if not items:
            self._raise_crash()
        return items

    def _raise_crash(self) -> None:
        if self._crash is not None:  # an error of this program, not of the device: it must be seen
            raise self._crash

    def close(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)  # a driver that does not come back is left to the end of the process
        elif not self._thread.ident:
            self.device.disconnect()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._step()
        except BaseException as e:
            self._crash = e
            with self._arrived:
                self._arrived.notify_all()
        finally:
            self.device.disconnect()

    def _step(self) -> None:
        """One attempt to connect or one read."""
        try:
            if not self._connected:
                self.device.connect()
                self._connected = True
                self._opened_s = time.monotonic()
            items = self.device.read()
            now_s = time.monotonic()
            silent_s = now_s - max(self._heard_s, self._opened_s)
            if not items and silent_s > max(REOPEN_S, self.device.pause_s) and self.device.complaint is None:
                raise OSError(f"silent for {REOPEN_S:g} s")
        except (OSError, InputError) as e:
            self._lost(getattr(e, "strerror", None) or str(e))
            return
        if items:
            self._heard_s = now_s
            self._works()
            self._put(items)
        elif self.device.complaint is not None:
            self._report("unusable", self.device.complaint)
        elif silent_s > max(SILENT_S, self.device.pause_s):
            self._report("silent", f"silent for {SILENT_S:g} s")
        if self.device.complaint is not None:
            with self._arrived:
                self._arrived.notify_all()

    def _put(self, items: list[Item]) -> None:
        with self._arrived:
            for item in items:
                self._queue.append(item)
                self._queued_bytes += self.size(item)
            while self._queued_bytes > self.room_bytes and len(self._queue) > 1:
                self._queued_bytes -= self.size(self._queue.popleft())
                self.dropped += 1
            self._arrived.notify_all()

    def _lost(self, why: str) -> None:
        if self._connected:
            self.losses += 1
        self._report("lost", why)
        self.device.disconnect()
        self._connected = False
        self._stop.wait(self._wait_s)
        self._wait_s = min(2 * self._wait_s, LONGEST_WAIT_S)

    def _report(self, kind: str, why: str) -> None:
        self.fault = why
        if kind not in self._said:  # one line for each kind of loss, none for each vain attempt
            self._said.add(kind)
            self.say(f"{why}; waiting for it")

    def _works(self) -> None:
        self._wait_s = FIRST_WAIT_S
        if self.fault is not None:
            self.say("works again")
            self.fault = None
            self._said.clear()


class CapturedFrames(FrameSource):
    """Live frames. state: "ok" or "waiting", `fault` says why; dropped: frames the loop was too slow for; losses:
    how often the camera was lost. `read` never raises for a fault of the camera."""

    live = True

    def __init__(self, device: Device[Frame], wait: bool = False):
        self._capture: Capture[Frame] = Capture(device, lambda frame: frame.counts.nbytes, FRAME_ROOM_BYTES)
        self._capture.start(FIRST_FRAMES_S, wait)

    @property
    def fault(self) -> str | None:
        return self._capture.fault

    @property
    def dropped(self) -> int:
        return self._capture.dropped

    @property
    def losses(self) -> int:
        return self._capture.losses

    def read(self, timeout_s: float) -> Frame | None:
        return self._capture.get(timeout_s)

    def close(self) -> None:
        self._capture.close()
