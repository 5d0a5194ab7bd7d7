"""The whole program killed while it measures, in small; the long run and all other faults are in tests/endurance."""

import time

import pytest
from endurance import card
from endurance.place import LOAD_HZ, Outcome, recording
from endurance.table import kept_rows, put_section, table
from links import mounted

from edge.fix import Fix, Fixer
from edge.record import read_records
from edge.rig import load_rig
from edge.run import run_command, run_rig


def test_a_killed_run_goes_on_with_number_cycles_and_running_time(tmp_path):
    outcome = card.kills_of_the_program(tmp_path, 2)
    assert outcome.good, outcome.result


def test_the_cycle_count_never_goes_back_where_the_load_signal_is_lost(tmp_path, monkeypatch):
    monkeypatch.setattr(Fixer, "fix", lambda *_: Fix())  # the crack does not matter here
    rig = recording(tmp_path, 26, {"records": {"every_s": 0.25}})
    header, *samples = (tmp_path / "load.csv").read_text().splitlines()
    kept = [s for s in samples if not 12.04 < float(s.split(",")[0]) < 18.0]
    (tmp_path / "load.csv").write_text("\n".join([header, *kept]) + "\n")
    rows = []
    run_rig(load_rig(rig), None, rows.append)
    cycles = [row.cycles for row in rows]
    assert cycles == sorted(cycles) and any("cycles_estimated" in row.flags for row in rows)
    assert abs(cycles[-1] - LOAD_HZ * rows[-1].elapsed_s) <= 2


@pytest.fixture
def quick(tmp_path, monkeypatch):
    """A rig file that gives forty rows, and no fit: the crack does not matter."""
    monkeypatch.setattr(Fixer, "fix", lambda *_: Fix())
    (tmp_path / "in").mkdir()
    return recording(tmp_path / "in", 10, {"records": {"every_s": 0.25}})


def test_rows_that_are_not_on_the_card_in_the_end_are_no_success(tmp_path, quick):
    with mounted(tmp_path / "card", "-t", "tmpfs", "-o", "size=8k", "tmpfs") as folder:
        assert run_command(quick, folder) == 3
        assert 0 < len(read_records(folder).rows) < 40
    assert run_command(quick, tmp_path / "room") == 0


def test_damaged_rows_in_the_middle_are_told_once_at_the_start(tmp_path, quick, caplog):
    out = tmp_path / "out"
    run_rig(load_rig(quick), out)
    path = out / "records.csv"
    lines = path.read_text().splitlines(keepends=True)
    lines[3], lines[5] = lines[3].replace(",", ";", 1), lines[5].replace(",", ";", 1)
    path.write_text("".join(lines))
    run_rig(load_rig(quick), out)
    told = [r.getMessage() for r in caplog.records if "damaged and" in r.getMessage()]
    assert len(told) == 1 and "2 rows damaged and left in place" in told[0] and "row 4: " in told[0]


def test_the_rig_file_is_copied_to_the_card_that_takes_the_first_ones_place(tmp_path, quick):
    out, moved = tmp_path / "out", tmp_path / "moved"

    def tell(row):
        if row.seq == 5:
            out.rename(moved)
        if row.seq > 5:
            time.sleep(0.03)  # a lost card is tried again after half a second

    run_rig(load_rig(quick), out, tell)
    assert (moved / "rig.toml").read_bytes() == (out / "rig.toml").read_bytes() == quick.read_bytes()


@pytest.mark.parametrize("good, verdict", [(True, "holds"), (False, "DOES NOT HOLD"), (None, "not tried")])
def test_the_table_says_what_failed_and_what_was_not_tried(good, verdict):
    assert Outcome("a", "b", "c", good).verdict == verdict


def test_a_section_of_the_note_is_replaced_and_the_others_stay(tmp_path):
    note = tmp_path / "note.md"
    put_section(note, "Faults", table(("fault", "result"), [("a|b", "1")]))
    put_section(note, "Soak", "first")
    put_section(note, "Faults", table(("fault", "result"), [("c", "2")]))
    text = note.read_text()
    assert text == "# Endurance\n\n## Faults\n\n| fault | result |\n| --- | --- |\n| c | 2 |\n\n## Soak\n\nfirst\n"


def test_part_of_the_trials_replaces_their_rows_and_keeps_the_others(tmp_path):
    note = tmp_path / "note.md"
    put_section(note, "Faults", table(("fault", "result"), [("a", "1"), ("b", "2")]))
    put_section(note, "Soak", table(("figure", "value"), [("x", "y")]))
    assert kept_rows(note, "Faults", [("b", "3"), ("c", "4")]) == [["a", "1"], ("b", "3"), ("c", "4")]
    assert kept_rows(tmp_path / "none.md", "Faults", [("b", "3")]) == [("b", "3")]
