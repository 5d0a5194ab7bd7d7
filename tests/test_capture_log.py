"""A device that comes and goes all the time does not flood the log."""

import logging

from edge.sources.capture import LINES, LINES_SPAN_S, Capture, Device


class Loose(Device[int]):
    name = "camera /dev/loose"

    def connect(self) -> None: ...

    def read(self) -> list[int]:
        return []

    def disconnect(self) -> None: ...


def test_a_loose_plug_writes_so_many_lines_in_a_while_and_tells_how_many_more(caplog, monkeypatch):
    now_s = [2 * LINES_SPAN_S]
    monkeypatch.setattr("edge.sources.capture.time.monotonic", lambda: now_s[0])
    capture = Capture(Loose(), lambda _: 1, 100)
    with caplog.at_level(logging.WARNING):
        for _ in range(30):
            capture._report("lost", "hung up")
            capture._works()
        assert len(caplog.messages) == LINES and caplog.messages[0] == "camera /dev/loose: hung up; waiting for it"
        now_s[0] += LINES_SPAN_S
        capture._report("lost", "hung up")
    assert caplog.messages[LINES] == f"camera /dev/loose: {60 - LINES} more lines of the same kind"
    assert len(caplog.messages) == LINES + 2


def test_a_plug_that_is_loose_for_a_day_fills_less_than_a_megabyte_of_log(caplog, monkeypatch):
    """Every ten seconds, under a name as long as those that stay (wiring.md)."""
    now_s = [0.0]
    monkeypatch.setattr("edge.sources.capture.time.monotonic", lambda: now_s[0])
    name = "[camera] port /dev/serial/by-id/usb-Silicon_Labs_CP2102N_USB_to_UART_Bridge_Controller_0001-if00-port0"
    monkeypatch.setattr(Loose, "name", name)
    capture = Capture(Loose(), lambda _: 1, 100)
    with caplog.at_level(logging.WARNING):
        for now_s[0] in range(0, 86_400, 10):
            capture._report("lost", "could not open port: [Errno 2] No such file or directory")
            capture._works()
    stamp = len("2031-05-06T07:08:09Z ") + 1
    assert 100_000 < sum(len(m) + stamp for m in caplog.messages) < 1_000_000
