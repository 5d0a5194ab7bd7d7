"""What a command says while it runs: compact rows on a terminal, plain ones in a log; share done and time left."""

import io

import pytest

from edge import terminal
from edge.record import Row

ROW = Row(seq=12, elapsed_s=3900.0, cycles=27300, crack_mm=10.293, crack_sd_mm=0.006, dKI_MPa_sqrt_m=16.88, dKI_sd=0.18,
          contact_length_mm=2.25, rate_mm_per_cycle=6.4e-5, flags=("delay_far_field", "frames_gap", "constant_rate"))


class Screen(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize("width", [80, 100, 200])
def test_a_row_fits_on_one_line_of_the_terminal(width):
    line = terminal.compact(ROW, width)
    assert len(line) <= width and "\n" not in line
    assert all(text in line for text in ("10.293 ±0.006", "16.88 ±0.18", "2.25", "6.4e-05"))
    assert line.endswith("…") or line.endswith("constant_rate")
    assert terminal.compact(Row(seq=1), width).count("-") == 6  # what was not determined


def test_headings_stand_over_their_columns():
    line = terminal.compact(ROW, 200)
    for word, value in (("time s", "3900"), ("cycles", "27300"), ("crack mm", "10.293"), ("dK MPa", "16.88"), ("mm/cycle", "6.4e-05")):
        start, at = terminal.HEADING.index(word), line.index(value)
        assert start < at + len(value) and at < start + len(word) + 3, word


def test_rows_are_compact_under_one_heading_on_a_terminal_and_whole_in_a_log(monkeypatch):
    monkeypatch.setattr("sys.stdout", Screen())
    tell = terminal.Teller()
    assert tell(ROW).startswith(terminal.HEADING + "\n") and "\n" not in tell(ROW)
    monkeypatch.setattr("sys.stdout", io.StringIO())
    line = terminal.Teller()(ROW)
    assert line == terminal.one_line(ROW) and "constant_rate" in line and "\x1b" not in line


@pytest.fixture
def clock(monkeypatch):
    now = [100.0]
    monkeypatch.setattr(terminal.time, "monotonic", lambda: now[0])
    return now


def test_progress_tells_share_and_time_left_over_and_over_on_a_terminal(clock):
    screen = Screen()
    progress = terminal.Progress("recording", screen)
    clock[0] += 0.5
    progress(0.01)
    assert screen.getvalue() == ""  # what is over at once says nothing
    clock[0] += 29.5
    progress(0.25)
    assert screen.getvalue() == "\r\x1b[Krecording: 25%, about 2 min left"
    progress(0.26)  # too soon for another
    progress.clear()
    assert screen.getvalue().endswith("left\r\x1b[K") and screen.getvalue().count("left") == 1


def test_progress_in_a_log_is_a_plain_line_a_minute(clock):
    log = io.StringIO()
    progress = terminal.Progress("recording", log)
    for second in range(1, 301):
        clock[0] += 1.0
        progress(second / 600)
    progress.clear()
    assert log.getvalue().splitlines()[0] == "recording: 10%, about 9 min left"
    assert len(log.getvalue().splitlines()) == 5 and "\x1b" not in log.getvalue()


def test_work_without_an_end_says_nothing_of_it(clock):
    screen = Screen()
    progress = terminal.Progress("camera", screen)
    clock[0] += 1e4
    progress(None)
    assert screen.getvalue() == ""


def test_a_terminal_that_has_gone_stops_nothing(clock):
    class Gone(Screen):
        def write(self, text):
            raise OSError(5, "Input/output error")

    progress = terminal.Progress("recording", Gone())
    clock[0] += 10.0
    progress(0.5)
    progress.clear()


@pytest.mark.parametrize("seconds, words", [(0.2, "1 s left"), (89, "89 s left"), (90, "2 min left"), (7200, "2.0 h left")])
def test_time_left_in_words(seconds, words):
    assert terminal.time_left(seconds) == words
