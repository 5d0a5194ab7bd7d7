"""The notes for users say what the program has: every column, every flag, every command that is typed, every link."""

import base64
import cmath
import math
import re
import shlex
import subprocess
import sys
from dataclasses import MISSING
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.door import Limits, _may_be, _types, file_keys
from calibration.profile import CameraProfile
from edge import cli, growth
from edge.flags import FLAGS
from edge.growth_validity import INVALID, REMARKS
from edge.record import COLUMNS
from edge.rig import TABLES, load_rig

ROOT = Path(__file__).parent.parent
NOTES = sorted((ROOT / "hw_notes").glob("*.md"))
TEXTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *NOTES]
RIG_FILE = (ROOT / "hw_notes" / "rig_file.md").read_text()
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


def cells(text: str) -> list[list[str]]:
    """Rows of the tables that begin with a word in backquotes."""
    return [[c.strip() for c in line.strip("|").split("|")] for line in text.splitlines() if line.startswith("| `")]


def default(value: object) -> str:
    """As the note has it: needed, – for none, else the value."""
    if value is MISSING:
        return "needed"
    unknown = value in (None, ()) or (isinstance(value, float) and not math.isfinite(value))
    return "–" if unknown else f"{value:g}" if isinstance(value, float) else str(value)


@pytest.mark.parametrize("name, cls", [*TABLES.items(), ("profile", CameraProfile)])
def test_the_note_has_every_key_of_the_rig_file_and_the_profile_as_they_are(name, cls):
    heading = "\n## The camera profile\n" if name == "profile" else f"\n### [{name}]\n"
    found = cells(RIG_FILE.split(heading)[1].split("\n## ")[0].split("\n### ")[0])
    assert {key.strip("`") for key, *_ in found} == {f.name for f in file_keys(cls)}
    said = {key.strip("`"): (may_be, without) for key, may_be, without, *_ in found}
    for field in file_keys(cls):
        limits = field.metadata.get("limits", Limits())
        may_be = f"one of {', '.join(f'`{c}`' for c in limits.choices)}" if limits.choices else _may_be(_types(cls)[field.name], limits)
        may_be = re.sub(r"[\d.]+e\+0\d", lambda m: f"{float(m[0]):.0f}", may_be)
        assert said[field.name] == (may_be, default(field.default)), field.name
    assert all(meaning for *_, meaning in found)


def test_the_rig_file_to_copy_is_one(tmp_path):
    (tmp_path / "rig.toml").write_text(RIG_FILE.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    rig = load_rig(tmp_path / "rig.toml")
    assert (rig.camera.source, rig.load.source) == ("uvc", "serial")


def test_the_sweep_s_loop_gives_each_recording_its_own_load_frequency(tmp_path):
    """The loop of the calibration note as it stands there, with someone who presses Enter and a recorder that says what it got."""
    (tmp_path / "rig.toml").write_text(RIG_FILE.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    note = (ROOT / "hw_notes" / "calibration.md").read_text()
    loop = "for f in" + note.split("for f in", 1)[1].split("\ndone\n")[0] + "\ndone\n"
    script = "python() { echo $2 $3; }\n" + loop
    done = subprocess.run(["bash", "-c", script], cwd=tmp_path, input="\n" * 9, capture_output=True, text=True)
    told = [line.split() for line in done.stdout.splitlines()]
    assert [folder for _, folder in told] == [f"rec-{f}" for f in ("1.3", "2.9", "5.3", "8.1", "11.3")]
    for rig, folder in told:
        assert load_rig(tmp_path / rig, check_files=False).load.frequency_hz == float(folder.removeprefix("rec-"))


def test_every_column_and_word_of_the_growth_tables_is_explained_and_none_that_is_not_there():
    text = (ROOT / "hw_notes" / "growth.md").read_text().split("\n## After the test\n")[1].split("\n## ")[0]
    found = re.findall(r"`(\w+)`", "".join(first for first, *_ in cells(text)))
    assert sorted(found) == sorted([*growth.COLUMNS, *growth.FIT_COLUMNS, *INVALID, *REMARKS])


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
            words = [w for w in shlex.split(part) if not re.match("[A-Z_]+=", w)]
            at = next((i for i, w in enumerate(words) if w.endswith("bin/bolotip") or (i == 0 and w == "bolotip")), None)
            if at is not None:
                parser.parse_args(words[at + 1 :])


def test_the_lags_of_the_physics_note_are_those_of_the_formula():
    lines = (ROOT / "hw_notes" / "physics.md").read_text().splitlines()
    frequencies = next([float(f) for f in re.findall(r"(\d+) Hz", line)] for line in lines if line.startswith("| [C] | 1 Hz"))
    found = [line for line in lines if line.startswith("| τ = ")]
    assert len(found) == 3
    for line in found:
        tau_s = float(re.search(r"τ = (\d+) ms", line).group(1)) / 1e3
        wanted = [1 / complex(1, 2 * math.pi * f * tau_s) for f in frequencies]
        assert re.findall(r"[\d.]+ / \d+°", line) == [f"{abs(r):.3f} / {-math.degrees(cmath.phase(r)):.0f}°" for r in wanted]


def shoot(*words):
    """`python hw_notes/picture.py`: exit code and what it said."""
    ended = subprocess.run([sys.executable, ROOT / "hw_notes" / "picture.py", *words], capture_output=True, text=True)
    return ended.returncode, ended.stderr


def test_a_page_without_a_picture_of_the_readme_s_is_one_line_with_the_remedy(tmp_path):
    page = tmp_path / "report.html"
    page.write_text("<p>nothing measured</p>")
    code, said = shoot(page, tmp_path / "out.png")
    assert code == 1 and said.count("\n") == 1 and not (tmp_path / "out.png").exists()
    assert str(page) in said and "map of the stress-sum range" in said and "bolotip demo" in said
    code, said = shoot(tmp_path / "none.html", tmp_path / "out.png")
    assert code == 1 and said.count("\n") == 1 and "none.html" in said
    code, said = shoot()
    assert code == 1 and said.startswith("usage: ") and said.count("\n") == 1


@pytest.mark.parametrize("fixes", [1, 2, 5])
def test_the_readme_s_picture_is_made_of_any_number_of_fixes(tmp_path, fixes):
    pixels = base64.b64encode(cv2.imencode(".png", np.full((40, 60, 3), 90, np.uint8))[1].tobytes()).decode()
    names = ["map of the stress-sum range", "map of 2f amplitude"] * fixes + ["Crack size against", "Growth rate against"]
    (tmp_path / "report.html").write_text("".join(f'<img alt="{n} x" src="data:image/png;base64,{pixels}">' for n in names))
    assert shoot(tmp_path / "report.html", tmp_path / "out.png") == (0, "")
    assert cv2.imread(str(tmp_path / "out.png")).shape[0] > 600
