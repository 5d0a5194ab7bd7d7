"""The command line as its user meets it: help with an example, one line for a mistake, exit codes, a quick start."""

import os
import signal
import subprocess
import sys
import time
import types
from pathlib import Path

import cv2
import numpy as np
import plates
import pytest
import recordings

from calibration import sweep
from calibration.door import GoneError, InputError
from edge import cli
from edge.record import read_records

ROOT = Path(__file__).parent.parent
COMMANDS = ["demo", "run", "plan", "check", "calibrate", "growth", "report", "receive", "warm-up"]
KINDS = ["sweep", "step", "pixels", "gain", "scale"]
HELPED = [[c] for c in COMMANDS] + [["calibrate", k] for k in KINDS]


def stand_in(monkeypatch, module: str, function):
    """Puts a module with one function in the place of a command's own, which other tests run."""
    made = types.ModuleType(module)
    setattr(made, "run_command" if module == "edge.run" else "main", function)
    monkeypatch.setitem(sys.modules, module, made)


@pytest.mark.parametrize("words", HELPED, ids=" ".join)
def test_help_ends_with_one_worked_example_that_parses(words, capsys):
    assert cli.main([*words, "--help"]) == 0
    *_, heading, example = capsys.readouterr().out.rstrip().splitlines()
    assert heading == "example:"
    program, *arguments = example.split()
    assert program == "bolotip" and arguments[: len(words)] == words
    cli.make_parser().parse_args(arguments)


def test_help_of_the_sweep_asks_for_as_many_recordings_as_are_accepted(capsys):
    assert cli.main(["calibrate", "sweep", "--help"]) == 0
    assert sweep.FEWEST == 4 and "four or more recording folders (five advised)" in " ".join(capsys.readouterr().out.split())


def test_every_command_of_the_help_is_known_to_the_hint_for_mistypes(capsys):
    cli.main(["--help"])
    listed = capsys.readouterr().out
    for name in COMMANDS:
        assert f"\n    {name} " in listed or f"\n    {name}\n" in listed
        assert cli._hint([name]) is None


MISTAKES = [
    ([], "COMMAND"),
    (["rnu", "rig.toml"], 'nearest is "run"'),
    (["x"], "may be demo, run, plan"),
    (["run"], "RIG.toml"),
    (["run", "rig.toml", "--ouput", "x"], "unrecognized arguments: --ouput"),
    (["calibrate"], "KIND"),
    (["calibrate", "swep", "rec", "--profile", "c.toml"], "sweep"),
    (["calibrate", "step", "rec"], "--profile"),
    (["receive", "/dev/ttyUSB0", "out", "--baud", "fast"], "is 'fast', may be a whole number above 0"),
    (["receive", "/dev/ttyUSB0", "out", "--seconds", "nan"], "may be a number above 0"),
    (["check", "rig.toml", "--seconds", "1e9"], "is '1e9', may be a number above 0 and below 1e9"),
    (["growth"], "DIR"),
    (["run", "rig.toml", "--out", ""], "--out: is empty"),
]


@pytest.mark.parametrize("arguments, expected", MISTAKES)
def test_wrong_usage_gets_one_line_and_exit_2(arguments, expected, capsys):
    assert cli.main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.startswith("bolotip") and expected in err


def raises(error):
    def function(*_):
        raise error

    return function


ENDINGS = [
    (InputError("rig.toml [load] path: no\nsuch file"), 2, "bolotip: rig.toml [load] path: no such file\n"),
    (GoneError("/dev/ttyUSB0: gone for 60 s"), 3, "bolotip: /dev/ttyUSB0: gone for 60 s\n"),
    (ModuleNotFoundError("x", name="matplotlib"), 2, "install with: pip install 'bolotip[report]'\n"),
    (KeyboardInterrupt(), 130, "bolotip: stopped\n"),
    (PermissionError(13, "Permission denied", "/root/x"), 2, "bolotip: /root/x: Permission denied; check its owner"),
]


@pytest.mark.parametrize("error, code, line", ENDINGS, ids=lambda v: type(v).__name__)
def test_each_ending_has_its_exit_code_and_one_line(monkeypatch, capsys, error, code, line):
    stand_in(monkeypatch, "edge.report", raises(error))
    assert cli.main(["report", "out"]) == code
    err = capsys.readouterr().err
    assert line in err and err.count("\n") == 1


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_stopped_before_its_loop_has_begun_ends_as_asked(ending):
    """A start that takes for ever, in a process of its own; in short sleeps, as a signal just before one does not end it."""
    start = (
        "import sys, time, types; from edge import cli; made = types.ModuleType('edge.run')\n"
        "made.run_command = lambda *_: (print('starting', flush=True), [time.sleep(0.1) for _ in range(600)])\n"
        "sys.modules['edge.run'] = made; sys.exit(cli.main(['run', 'rig.toml']))"
    )
    process = subprocess.Popen([sys.executable, "-c", start], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "starting\n"
    process.send_signal(ending)
    assert process.communicate(timeout=30)[1] == "bolotip: stopped before the first frame\n" and process.returncode == 0


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_a_second_signal_leaves_the_exit_code_as_it_is(ending):
    """One in the run, one while the interpreter closes down."""
    start = (
        f"import atexit, os, sys, types; from edge import cli; made = types.ModuleType('edge.run')\n"
        f"ask = lambda *_: os.kill(os.getpid(), {ending:d})\n"
        "made.run_command = ask; sys.modules['edge.run'] = made; atexit.register(ask); sys.exit(cli.main())"
    )
    done = subprocess.run([sys.executable, "-c", start, "run", "rig.toml"], cwd=ROOT, capture_output=True, text=True, timeout=30)
    assert (done.returncode, done.stderr) == (0, "bolotip: stopped before the first frame\n")


def test_a_fault_of_the_program_itself_is_not_dressed_up_as_the_user_s(monkeypatch):
    for error in (ZeroDivisionError(), ModuleNotFoundError("x", name="numpy")):
        stand_in(monkeypatch, "edge.report", raises(error))
        with pytest.raises(type(error)):
            cli.main(["report", "out"])


CALLS = [
    ("edge.run", "run rig.toml --out o --status s --wait", (Path("rig.toml"), Path("o"), Path("s"), True)),
    ("edge.run", "run rig.toml", (Path("rig.toml"), None, None, False)),
    ("edge.demo", "demo", (None,)),
    ("edge.demo", "demo d", (Path("d"),)),
    ("edge.plan", "plan rig.toml --json", (Path("rig.toml"), True, None)),
    ("edge.plan", "plan rig.toml --picture p.png", (Path("rig.toml"), False, Path("p.png"))),
    ("edge.check", "check rig.toml --out o", (Path("rig.toml"), None, False, Path("o"))),
    ("edge.check", "check rig.toml --seconds 4 --json", (Path("rig.toml"), 4.0, True, None)),
    ("edge.growth", "growth a b --out c", ([Path("a"), Path("b")], Path("c"))),
    ("edge.report", "report a", (Path("a"), None)),
    ("edge.receive", "receive /dev/x a --baud 9600 --seconds 5", ("/dev/x", Path("a"), 9600, 5.0)),
]


@pytest.mark.parametrize("module, line, expected", CALLS, ids=lambda v: v if isinstance(v, str) else "")
def test_arguments_reach_the_command_and_its_exit_code_comes_back(monkeypatch, module, line, expected):
    seen = []
    stand_in(monkeypatch, module, lambda *a: seen.append(a) or 3)
    assert cli.main(line.split()) == 3
    assert seen == [expected]


@pytest.mark.parametrize("kind", KINDS)
def test_calibrations_get_their_recordings_and_profile(monkeypatch, kind):
    seen = []
    stand_in(monkeypatch, "edge.calibrate", lambda a: seen.append(a) or 0)
    assert cli.main(["calibrate", kind, "rec", "--profile", "c.toml"]) == 0
    assert (seen[0].kind, seen[0].recordings, seen[0].profile) == (kind, [Path("rec")], Path("c.toml"))


def run(code: str, **more) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60, **more)


def test_help_needs_none_of_the_heavy_libraries():
    heavy = ["numpy", "cv2", "numba", "matplotlib", "serial", "tomli", "scipy"]
    code = f"import sys; from edge.cli import main; main(['--help']); print([m for m in {heavy} if m in sys.modules])"
    assert run(code).stdout.rstrip().endswith("[]")


def test_a_run_needs_no_opencv(tmp_path):
    """It would take as much memory as all the rest of the loop (`python tests/bench memory`)."""
    made = recordings.write(tmp_path, plates.centre_crack(), frames=300, rig={"records": {"every_s": 5}})
    cv2.imwrite(str(tmp_path / "bad.png"), np.zeros(made.frames.shape[1:], np.uint8))
    with (tmp_path / "camera.toml").open("a") as profile:
        profile.write('bad_pixels = "bad.png"\n')
    command = ["run", str(made.rig), "--status", str(tmp_path / "status")]
    done = run(f"import sys; from edge.cli import main; print(main({command}), 'cv2' in sys.modules)")
    assert cv2.imread(str(tmp_path / "status" / "status.png")) is not None
    assert done.stdout.splitlines()[-1] == "0 False", done.stderr
    assert any(row.crack_mm is not None for row in read_records(tmp_path / "out").rows)


def test_help_comes_within_three_tenths_of_a_second():
    def seconds() -> float:
        start = time.perf_counter()
        assert run("import sys; from edge.cli import main; sys.exit(main(['--help']))").returncode == 0
        return time.perf_counter() - start

    assert (
        min(seconds() for _ in range(5)) < 0.3
    )  # the best of five: this asks for the work done, not for a quiet machine


def test_commands_run_on_one_thread_unless_told_otherwise(monkeypatch):
    for name in cli.ONE_THREAD:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")
    seen = {}
    stand_in(monkeypatch, "edge.demo", lambda _: seen.update(os.environ) or 0)
    cli.main(["demo"])
    assert (seen["OPENBLAS_NUM_THREADS"], seen["OMP_NUM_THREADS"], seen["NUMBA_NUM_THREADS"]) == ("1", "1", "2")


def test_a_reader_that_leaves_early_is_no_error():
    code = "import sys; from edge import cli; cli._call = lambda *a: (lambda *b: print('x' * 10**6) or 0)\n"
    code += "sys.exit(cli.main(['plan', 'rig.toml']))"
    child = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    child.stdout.close()
    assert child.stderr.read() == b"" and child.wait(60) == 0
    child.stderr.close()


def ci(folder: Path, readme: str) -> subprocess.CompletedProcess:
    (folder / ".ci").mkdir()
    (folder / ".ci" / "run").write_bytes((ROOT / ".ci" / "run").read_bytes())
    (folder / "README.md").write_text(readme)
    return subprocess.run(["bash", folder / ".ci" / "run"], capture_output=True, text=True, timeout=60)


LINE = "python3 -m venv .venv-test"


def test_a_terminal_without_the_signs_of_a_row_stops_nothing():
    """A row holds ± and √; a service or a terminal may have another encoding than UTF-8."""
    says = "cli._call = lambda *_: lambda *_: print('12 ± 1 MPa√m \\udce4') or 0"
    script = f"import sys; from edge import cli; {says}; sys.exit(cli.main(['demo']))"
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1"}
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, env=environment, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout == "12 ± 1 MPa?m ?\n".encode("latin-1")


@pytest.mark.parametrize("end, code", [("&& true", 0), ("&& false", 1)])
def test_the_ci_script_runs_the_readme_line_in_a_new_environment(tmp_path, end, code):
    (tmp_path / ".venv-test").mkdir()
    (tmp_path / ".venv-test" / "old").touch()
    readme = (
        f"# x\n```sh\n{LINE} --without-pip && test ! -e .venv-test/old && test -x .venv-test/bin/python {end}\n```\n"
    )
    assert ci(tmp_path, readme).returncode == code


@pytest.mark.parametrize("readme, count", [("# x\n", 0), (f"{LINE}\n{LINE} && true\n", 2)])
def test_the_ci_script_fails_loudly_unless_there_is_one_line(tmp_path, readme, count):
    result = ci(tmp_path, readme)
    assert result.returncode == 1 and f"has {count} lines" in result.stderr


@pytest.mark.parametrize("name", ["file", "file/below"])
def test_a_demo_that_has_no_place_to_write_is_refused_in_one_line(name, tmp_path, capsys):
    (tmp_path / "file").touch()
    assert cli.main(["demo", str(tmp_path / name)]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1 and "give a folder that you may write to" in err
