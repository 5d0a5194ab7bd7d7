"""A device that comes and goes all the time does not flood the log."""

import logging

from edge.sources.capture import LINES_A_MINUTE, Capture, Device


class Loose(Device[int]):
    name = "camera /dev/loose"

    def connect(self) -> None: ...

    def read(self) -> list[int]:
        return []

    def disconnect(self) -> None: ...


def test_a_loose_plug_writes_so_many_lines_a_minute_and_tells_how_many_more(caplog, monkeypatch):
    now_s = [1200.0]
    monkeypatch.setattr("edge.sources.capture.time.monotonic", lambda: now_s[0])
    capture = Capture(Loose(), lambda _: 1, 100)
    with caplog.at_level(logging.WARNING):
        for _ in range(30):
            capture._report("lost", "hung up")
            capture._works()
        assert len(caplog.messages) == LINES_A_MINUTE and caplog.messages[0] == "camera /dev/loose: hung up; waiting for it"
        now_s[0] += 60.0
        capture._report("lost", "hung up")
    assert caplog.messages[LINES_A_MINUTE] == f"camera /dev/loose: {60 - LINES_A_MINUTE} more lines of the same kind"
    assert len(caplog.messages) == LINES_A_MINUTE + 2
