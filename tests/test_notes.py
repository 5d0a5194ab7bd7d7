"""The notes for users say what the program has: every column, every flag, every command that is typed, every link."""

import re
import shlex
from pathlib import Path

import pytest

from edge import cli
from edge.flags import FLAGS
from edge.record import COLUMNS

ROOT = Path(__file__).parent.parent
NOTES = sorted((ROOT / "hw_notes").glob("*.md"))
TEXTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *NOTES]
RECORDS = (ROOT / "hw_notes" / "records_and_flags.md").read_text()


def rows(heading: str) -> dict[str, list[str]]:
    """Rows of the table under a heading: each word in backquotes of the first cell, and the other cells."""
    body = RECORDS.split(f"\n## {heading}\n")[1].split("\n## ")[0]
    cells = [[c.strip() for c in line.strip("|").split("|")] for line in body.splitlines() if line.startswith("| `")]
    return {word: rest for first, *rest in cells for word in re.findall(r"`(\w+)`", first)}


def test_every_column_is_explained_and_none_that_is_not_there():
    assert set(rows("Columns")) == set(COLUMNS)
    assert all(meaning for _, meaning in rows("Columns").values())


def test_every_flag_is_explained_with_what_to_do_and_none_that_is_not_there():
    found = rows("Flags")
    assert set(found) == set(FLAGS)
    assert all(meaning and remedy for meaning, remedy in found.values())


@pytest.mark.parametrize("path", TEXTS, ids=lambda p: p.name)
def test_files_that_are_named_exist(path):
    named = set(re.findall(r"\b((?:hw_notes|edge|tests|calibration)/[\w/]+\.(?:py|md|toml|ino|service|png))\b", path.read_text()))
    named |= {f"hw_notes/{name}" for name in re.findall(r"\b(\w+\.md)\b", path.read_text()) if name not in ("README.md", "DEVELOPERS.md")}
    missing = [name for name in named if not (ROOT / name).exists() and not (ROOT / Path(name).name).exists()]
    assert missing == []


@pytest.mark.parametrize("path", TEXTS, ids=lambda p: p.name)
def test_commands_that_are_typed_are_understood(path):
    """Those in code blocks, as a whole; words in capitals stand for names."""
    parser = cli.make_parser()
    blocks = re.findall(r"```sh\n(.*?)```", path.read_text(), re.DOTALL)
    for line in "\n".join(blocks).splitlines():
        for part in re.split(r"&&|;", line.split(" #")[0]):
            words = shlex.split(part)
            if words and words[0].split("/")[-1] == "bolotip":
                parser.parse_args(words[1:])
