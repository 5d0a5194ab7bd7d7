"""Who may import whom: a module imports only from lower ranks. Read from the syntax tree, wherever the import stands.

A fraction is a rank given within a level so that one step may use another. Whatever is not named is a step (2).
"""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
STEP = 2.0
RANKS = {
    "edge": 0.0,
    "calibration": 0.0,
    "calibration.door": 0.0,
    "calibration.files": 0.0,
    "calibration.robust": 0.0,
    "calibration.gray_png": 0.0,
    "edge.materials": 0.0,
    "edge.flags": 0.0,
    "edge.spoken": 0.0,
    "edge.sources": 0.0,
    "edge.sinks": 0.0,
    "calibration.profile": 0.1,
    "edge.record": 0.1,
    "edge.port": 0.1,
    "edge.sources.base": 0.1,
    "edge.sinks.base": 0.2,
    "edge.sinks.events": 2.1,
    "edge.rig": 0.2,
    "edge.handbook": 0.3,
    "edge.compiled": 0.9,
    "edge.surroundings": 0.9,
    "edge.prior": 1.0,
    "edge.conduction": 1.05,
    "edge.williams": 1.1,
    "edge.wave_fit": 1.1,
    "edge.adiabatic": 2.2,
    "edge.maps": 1.95,
    "edge.region": 1.9,
    "edge.zones": 1.9,
    "edge.sources.capture": 1.9,
    "edge.sources.csv_columns": 1.9,
    "edge.sources.gate": 1.9,
    "edge.sources.far_clock": 1.9,
    "edge.sources.serial_port": 1.9,
    "edge.sources.edge_wave": 1.9,
    "edge.sources.load_lines": 1.9,
    "edge.lockin": 1.9,
    "edge.load_knots": 1.9,
    "edge.letters": 1.9,
    "edge.cycles": 1.9,
    "edge.lone_samples": 1.9,
    "edge.copies": 1.9,
    "edge.bench_growth": 1.5,
    "edge.tip": 2.1,
    "edge.first_tip": 2.2,
    "edge.tip_flags": 2.45,
    "edge.swing": 2.2,
    "edge.sources.simulated": 2.1,
    "edge.contact": 2.2,
    "edge.shared_noise": 2.2,
    "edge.second_look": 2.3,
    "edge.growing_tip": 2.2,
    "edge.wake_1f": 2.3,
    "edge.fix": 2.5,
    "edge.whole_recording": 2.6,
    "edge.plausible": 2.6,
    "edge.by_hand": 2.7,
    "calibration.least_squares": 1.0,
    "calibration.noise_parts": 1.2,
    "calibration.far_field": 1.2,
    "calibration.step_model": 1.2,
    "edge.verdict": 2.3,
    "edge.growth_validity": 2.3,
    "edge.growth_delay": 2.3,
    "edge.growth_analysis": 2.6,
    "edge.growth_figures": 2.8,
    "edge.rate": 2.7,
    "edge.forecast": 3.2,
    "edge.plan_picture": 3.4,
    "edge.pictures": 1.2,
    "edge.bench_field": 1.5,
    "edge.bench_load": 1.5,
    "edge.bench_camera": 1.8,
    "edge.loop": 3.0,
    "edge.run": 3.5,
    "edge.status": 2.1,
    "edge.listening": 2.6,
    "edge.sources.opening": 2.5,
    "edge.demo": 4.5,
    "edge.plan": 4.0,
    "edge.check": 4.0,
    "edge.growth": 4.0,
    "edge.report": 4.0,
    "edge.receive": 4.0,
    "edge.calibrate_shared": 3.8,
    "edge.calibrate_gain": 3.9,
    "edge.calibrate": 4.0,
    "edge.warm_up": 4.0,
    "edge.cli": 5.0,
}
FILES = sorted(f for p in ("edge", "calibration") for f in (ROOT / p).rglob("*.py"))
# modules of the rank table whose code cli.py imports by name only when their command is given
COMMANDS = ("demo", "plan", "check", "growth", "report", "receive", "calibrate", "run", "warm_up")


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


KNOWN = {name_of(f) for f in FILES}


def rank(module: str) -> float:
    return RANKS.get(module, 1.0 if module.endswith("_kernel") else STEP)


def imports(path: Path, source: str) -> set[str]:
    """The project's own modules that `source`, standing in `path`, imports at any depth of its tree."""
    package = name_of(path).split(".") if path.name == "__init__.py" else name_of(path).split(".")[:-1]
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(p for p in (base, node.module or "") if p)
            for a in node.names:
                found.add(f"{module}.{a.name}" if f"{module}.{a.name}" in KNOWN else module)
    return {m for m in found if m.split(".")[0] in ("edge", "calibration")}


def offences(path: Path, source: str) -> list[str]:
    own = name_of(path)
    found = [m for m in imports(path, source) if m != own and rank(m) >= rank(own) and rank(m) > 0.0]
    if own == "edge":  # the package's front for Python users, which names this one module and only when asked
        found = [m for m in found if m != "edge.by_hand"]
    if own.startswith("calibration"):
        found += [m for m in imports(path, source) if m.split(".")[0] == "edge"]
    return sorted(set(found))


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_a_module_imports_only_from_lower_ranks(path):
    assert offences(path, path.read_text()) == []


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_a_module_can_be_read_in_one_sitting(path):
    assert len(path.read_text().splitlines()) <= 360


def test_nothing_but_the_command_line_names_a_command_by_string():
    for path in FILES:
        if name_of(path) != "edge.cli":
            assert "import_module" not in path.read_text(), path


OFFENDING = [
    ("calibration/sweep.py", "from edge import __version__", ["edge"]),
    ("calibration/sweep.py", "def f():\n    import edge.rig", ["edge.rig"]),
    ("edge/rig.py", "from edge.lockin import Lockin", ["edge.lockin"]),
    ("edge/tip.py", "from edge import loop", ["edge.loop"]),
    ("edge/tip.py", "from .loop import run", ["edge.loop"]),
    ("edge/clock.py", "from edge.williams_x import series", ["edge.williams_x"]),
    ("edge/lockin_kernel.py", "import edge.clock", ["edge.clock"]),
    ("edge/sources/uvc.py", "from ..loop import run", ["edge.loop"]),
]


@pytest.mark.parametrize("path, source, expected", OFFENDING)
def test_the_reader_of_imports_sees_an_offence(path, source, expected, monkeypatch):
    monkeypatch.setitem(globals(), "KNOWN", KNOWN | {"edge.loop", "edge.tip"})
    assert offences(ROOT / path, source) == expected


def test_the_ranked_commands_are_those_of_the_command_line():
    source = (ROOT / "edge" / "cli.py").read_text()
    for name in COMMANDS:
        assert f'"edge.{name}"' in source
