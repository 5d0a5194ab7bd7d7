"""The command line: which command, with which arguments. No physics, and no numpy until a command needs it."""

import argparse
import difflib
import importlib
import io
import os
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NoReturn

from calibration.door import GoneError, InputError
from edge.spoken import open_streams, with_remedy

DONE, BAD_INPUT, GONE, INTERRUPTED = 0, 2, 3, 130

# One thread is plenty for these images and leaves the rest of a small board alone; whoever sets them is obeyed.
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")

CALIBRATIONS = (
    (
        "sweep",
        "detector lag, row readout and frame delay from the same load range at several frequencies",
        "four or more recording folders (five advised), one a load frequency",
        "+",
        "bolotip calibrate sweep rec-1Hz rec-2Hz rec-5Hz rec-8Hz rec-11Hz --profile camera.toml",
    ),
    (
        "step",
        "lag, readout and delay from a warm or cold plate that a cover in front of it bares at once",
        "a recording folder",
        1,
        "bolotip calibrate step rec-step --profile camera.toml",
    ),
    (
        "pixels",
        "bad pixels, noise, fixed pattern, drift and on-camera filters from a still, even scene",
        "a recording folder",
        1,
        "bolotip calibrate pixels rec-still --profile camera.toml",
    ),
    (
        "gain",
        "kelvin per MPa from a bar of known nominal stress, or counts per kelvin from two plate temperatures",
        "the bar's recording folder, or one a plate",
        "+",
        "bolotip calibrate gain rec-bar --profile camera.toml",
    ),
    (
        "scale",
        "millimetres per pixel, datum and growth direction from edges or marked points",
        "a recording folder",
        1,
        "bolotip calibrate scale rec-still --profile camera.toml",
    ),
)


class _Parser(argparse.ArgumentParser):
    """argparse with one line instead of the usage text for a mistake."""

    def error(self, message: str) -> NoReturn:
        print(f"{self.prog}: {message}; see {self.prog} --help", file=sys.stderr)
        raise SystemExit(BAD_INPUT)


def _call(module: str, function: str = "main") -> Callable[..., int]:
    """The function behind a command, imported only now so that other commands start fast."""
    handler: Callable[..., int] = getattr(importlib.import_module(module), function)
    return handler


def _positive(kind: type) -> Callable[[str], Any]:
    """An argparse type: a number above zero, with a message that says so."""

    def parse(text: str) -> Any:
        try:
            value = kind(text)
        except ValueError:
            value = 0
        if not 0 < value < 1e9:
            raise argparse.ArgumentTypeError(f"is {text!r}, may be a {'whole ' if kind is int else ''}number above 0 and below 1e9")
        return value

    return parse


def _number(text: str) -> float:
    """An argparse type: any finite number, with a message that says how to write it."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e9:
        raise argparse.ArgumentTypeError(f"is {text!r}, may be a number, decimals with a point")
    return value


def _command(commands: Any, name: str, does: str, handler: Callable[..., int], example: str, more: str = "") -> _Parser:
    parser: _Parser = commands.add_parser(
        name,
        help=does,
        description=does[0].upper() + does[1:] + "." + (f"\n\n{more}" if more else ""),
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(handler=handler)
    return parser


def _add_calibrations(commands: Any) -> None:
    parser = _command(
        commands,
        "calibrate",
        "measure one property of the camera or the view, for the camera profile or the rig file",
        lambda a: _call("edge.calibrate")(a),
        CALIBRATIONS[0][4],
        "Each recording is a folder with frames, times, load and a rig.toml. What belongs to the camera is written into the\n"
        "profile; what belongs to the rig file (scale, the product of gain) is printed as its lines.",
    )
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True, parser_class=_Parser)
    for name, does, what, count, example in CALIBRATIONS:
        kind = _command(kinds, name, does, lambda a: _call("edge.calibrate")(a), example)
        kind.add_argument("recordings", type=_path, nargs=count, metavar="REC", help=what)
        kind.add_argument("--profile", type=_path, required=True, metavar="CAMERA.toml", help="the profile to write")
        kind.add_argument("--picture", type=_path, metavar="FILE.png", help="where to draw the fit and its residuals")
        _calibration_options(kind, name)


def _calibration_options(kind: _Parser, name: str) -> None:
    if name not in ("scale", "pixels"):
        region = ("ROW", "COL", "ROWS", "COLUMNS")
        kind.add_argument("--region", type=int, nargs=4, metavar=region, help="pixels to use (default: all that show it)")
    if name == "gain":
        number = _positive(float)
        kind.add_argument("--stress-range", type=number, metavar="MPA", help="(default: load range over the rig's section)")
        kind.add_argument("--stress-sd", type=number, default=1.0, metavar="PERCENT", help="of the stress (default: 1)")
        kind.add_argument("--bending-arm", type=number, metavar="MM", help="four-point bending: outer to inner roller")
        kind.add_argument("--temperatures", type=_number, nargs="+", metavar="C", help="of the plates, one a recording")
        kind.add_argument("--temperature-sd", type=number, default=0.3, metavar="K", help="of a plate (default: 0.3)")
    if name == "scale":
        mark = ("ROW", "COL", "X_MM", "Y_MM")
        told = "a marked point: x from the datum along growth, y to its left; repeat for each"
        kind.add_argument("--mark", type=_number, nargs=4, action="append", metavar=mark, help=told)


def _add_demo(commands: Any) -> None:
    p = _command(
        commands,
        "demo",
        "the main job on a simulated rig, with invented data; no hardware",
        lambda a: _call("edge.demo")(a.dir),
        "bolotip demo",
    )
    p.add_argument("dir", type=_path, nargs="?", metavar="DIR", help="output folder (default: bolotip-demo)")


def _path(text: str) -> Path:
    """An empty one is a shell variable that was not set, not the folder one happens to be in."""
    if not text.strip():
        raise argparse.ArgumentTypeError("is empty, may be a path")
    return Path(text)


def _run(a: argparse.Namespace) -> int:
    endings = (signal.SIGTERM, signal.SIGINT)  # heeded from the start, not only when the loop runs
    before = {ending: signal.signal(ending, signal.default_int_handler) for ending in endings}
    try:
        code: int = _call("edge.run", "run_command")(a.rig, a.out, a.status, a.wait)
    except KeyboardInterrupt:
        for ending in endings:
            signal.signal(ending, signal.SIG_IGN)
        code = _say("stopped before the first frame", DONE)
    finally:
        for ending, handler in before.items():  # asked again while the process ends: it does, with the code of its run
            signal.signal(ending, signal.SIG_IGN if a.last else handler)
    return code


def _add_run(commands: Any) -> None:
    p = _command(
        commands,
        "run",
        "measure, on live sources or on a recording",
        _run,
        "bolotip run rig.toml --out night-1",
        "Ends with the recording, on Ctrl-C or on SIGTERM, with the last record written.",
    )
    p.add_argument("rig", type=_path, metavar="RIG.toml", help="the rig file")
    p.add_argument("--out", type=_path, metavar="DIR", help="output folder, instead of the rig file's [records] folder")
    p.add_argument("--status", type=_path, metavar="DIR", help="keep status.json and status.png there (a tmpfs is best)")
    p.add_argument("--wait", action="store_true", help="wait for a live camera or load signal that is not there yet")


def _add_plan(commands: Any) -> None:
    p = _command(
        commands,
        "plan",
        "before the test: usable load frequencies, expected signal, noise, time per fix, K and life",
        lambda a: _call("edge.plan")(a.rig, a.json, a.picture),
        "bolotip plan rig.toml --picture plan.png",
    )
    p.add_argument("rig", type=_path, metavar="RIG.toml", help="the rig file")
    p.add_argument("--json", action="store_true", help="print JSON instead of text")
    p.add_argument("--picture", type=_path, metavar="FILE.png", help="draw the plan as well")


def _add_check(commands: Any) -> None:
    p = _command(
        commands,
        "check",
        "before the start: open every source for a few seconds and say what is wrong, with the remedy",
        lambda a: _call("edge.check")(a.rig, a.seconds, a.json, a.out),
        "bolotip check rig.toml --seconds 30",
        "Ends with 0 where a run is possible, whatever needs attention, else with 2. Not beside a run: it needs the ports.",
    )
    p.add_argument("rig", type=_path, metavar="RIG.toml", help="the rig file")
    p.add_argument("--seconds", type=_positive(float), metavar="S", help="how long to listen (default: 10)")
    p.add_argument("--out", type=_path, metavar="DIR", help="output folder that the run will be given")
    p.add_argument("--json", action="store_true", help="print JSON instead of text")


def _add_growth(commands: Any) -> None:
    p = _command(
        commands,
        "growth",
        "crack growth rates, Paris fit and validity checks from finished or running records",
        lambda a: _call("edge.growth")(a.dirs, a.out),
        "bolotip growth night-1 night-2 --out growth",
    )
    p.add_argument("dirs", type=_path, nargs="+", metavar="DIR", help="output folders of one test, in any order")
    p.add_argument("--out", type=_path, metavar="DIR", help="where to write (default: the first DIR)")


def _add_report(commands: Any) -> None:
    p = _command(
        commands,
        "report",
        "one self-contained HTML page with pictures",
        lambda a: _call("edge.report")(a.dir, a.out),
        "bolotip report night-1",
        "Needs matplotlib: pip install 'bolotip[report]'.",
    )
    p.add_argument("dir", type=_path, metavar="DIR", help="an output folder with records.csv")
    p.add_argument("--out", type=_path, metavar="FILE.html", help="the page (default: DIR/report.html)")


def _add_receive(commands: Any) -> None:
    p = _command(
        commands,
        "receive",
        "the desk end of the serial link: check each record, store it, count losses",
        lambda a: _call("edge.receive")(a.port, a.dir, a.baud, a.seconds),
        "bolotip receive /dev/ttyUSB0 night-1",
    )
    p.add_argument("port", metavar="PORT", help="the serial port, for example /dev/ttyUSB0")
    p.add_argument("dir", type=_path, metavar="DIR", help="folder for records.csv")
    p.add_argument("--baud", type=_positive(int), default=115200, metavar="N", help="baud rate (default: 115200)")
    p.add_argument("--seconds", type=_positive(float), metavar="S", help="stop after so long (default: never)")


def _add_warm_up(commands: Any) -> None:
    _command(
        commands,
        "warm-up",
        "compile the kernel once after installation, so that later starts are fast",
        lambda a: _call("edge.warm_up")(),
        "bolotip warm-up",
        "Run it as the user who will measure. The compiled kernel is kept in the folder that NUMBA_CACHE_DIR\n"
        "names; without it beside the program or, where that cannot be written, in that user's ~/.cache.",
    )


COMMANDS: dict[str, Callable[[Any], None]] = {
    "demo": _add_demo,
    "run": _add_run,
    "plan": _add_plan,
    "check": _add_check,
    "calibrate": _add_calibrations,
    "growth": _add_growth,
    "report": _add_report,
    "receive": _add_receive,
    "warm-up": _add_warm_up,
}


def make_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    from edge import __version__

    parser = _Parser(
        prog="bolotip",
        description="Crack tip, stress-intensity range and closure from a low-cost infrared camera during the test.\n"
        "bolotip is a measuring instrument, not a safety device: it must not be what stops a machine.",
        epilog="example:\n  bolotip demo",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"bolotip {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=_Parser)
    for add in COMMANDS.values():
        add(commands)
    return parser


def _hint(arguments: Sequence[str]) -> str | None:
    """The line for a mistyped command, or None."""
    if not arguments or arguments[0].startswith("-") or arguments[0] in COMMANDS:
        return None
    near = difflib.get_close_matches(arguments[0], COMMANDS, n=1, cutoff=0.5)
    what = f'nearest is "{near[0]}"' if near else "may be " + ", ".join(COMMANDS)
    return f"{arguments[0]!r} is no command; {what}; see bolotip --help"


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command. Returns the exit code: 0 done, 2 bad usage or input, 3 a source or sink gone for good.
    Without `arguments`: those of the process, which ends after it."""
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    open_streams()
    if isinstance(sys.stdout, io.TextIOWrapper):  # a terminal without ±, a file name that is no text: no reason to stop
        sys.stdout.reconfigure(errors="replace")
    given = list(sys.argv[1:] if arguments is None else arguments)
    if hint := _hint(given):
        return _say(hint, BAD_INPUT)
    try:
        parsed = make_parser().parse_args(given, argparse.Namespace(last=arguments is None))
    except SystemExit as e:  # --help and --version leave this way too
        return e.code if isinstance(e.code, int) else DONE
    try:
        code: int = parsed.handler(parsed)
        sys.stdout.flush()  # so that a reader gone away shows here
        return code
    except InputError as e:
        return _say(e, BAD_INPUT)
    except GoneError as e:
        return _say(e, GONE)
    except ModuleNotFoundError as e:
        if e.name != "matplotlib":
            raise
        return _say("this needs matplotlib; install with: pip install 'bolotip[report]'", BAD_INPUT)
    except KeyboardInterrupt:
        return _say("stopped", INTERRUPTED)
    except BrokenPipeError:  # the reader of our output, head or less, has left
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as e:
        if (told := with_remedy(e)) is None:
            raise
        return _say(told, BAD_INPUT)


def _say(what: object, code: int) -> int:
    print("bolotip: " + " ".join(str(what).split("\n")), file=sys.stderr, flush=True)
    return code


if __name__ == "__main__":
    sys.exit(main())
