"""The whole program killed while it measures, in small; the long run and all other faults are in tests/endurance."""

import pytest
from endurance import card
from endurance.place import Outcome
from endurance.table import put_section, table


def test_a_killed_run_goes_on_with_number_cycles_and_running_time(tmp_path):
    outcome = card.kills_of_the_program(tmp_path, 2)
    assert outcome.good, outcome.result


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
