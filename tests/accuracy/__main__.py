"""python tests/accuracy: render, run, compare, and write the table.

Results go to a file of JSON lines as they come, each with a fingerprint of the code; a second call with the same code
goes on where the first ended. Runs in the repository's root with the packages of the extra `test`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import platform
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from accuracy import conditions, drawn, measure, table  # noqa: E402
from accuracy.conditions import Condition  # noqa: E402

SPECIAL = {"open": 4, "uncracked": 3, "faint": 1}  # sets of 100 renders, and of how many conditions each is made


def fingerprint() -> str:
    """Of the product's code and of what makes the renders."""
    files = sorted([*ROOT.glob("edge/**/*.py"), *ROOT.glob("calibration/*.py"), *ROOT.glob("tests/accuracy/*.py")])
    files += [ROOT / "tests" / name for name in ("recordings.py", "plates.py", "fem.py")]
    keep = [f for f in files if f.name not in ("table.py", "__main__.py")]
    return hashlib.sha1(b"".join(f.read_bytes() for f in keep)).hexdigest()[:12]


def work(task: tuple[str, int]) -> dict:
    """One render; an error is a result, too."""
    name, index = task
    condition = next((c for c in conditions.everything() if c.name == name), None)
    try:
        return drawn.compare(index) if condition is None else measure.compare(condition, index)
    except Exception as error:  # the table must show it, not end with it
        group = condition.group if condition is not None else drawn.NAME
        return {"condition": name, "index": index, "group": group, "error": f"{type(error).__name__}: {error}"}


def number_of(condition: Condition, args: argparse.Namespace) -> int:
    if condition.group in SPECIAL:
        return -(-args.false // SPECIAL[condition.group])
    return args.renders


def read(path: Path, code: str) -> dict[tuple[str, int], dict]:
    lines = path.read_text().splitlines() if path.exists() else []
    found = [json.loads(x) for x in lines]
    return {(r["condition"], r["index"]): r for r in found if r["code"] == code}


def machine() -> str:
    cpu = next(
        (x.split(":")[1].strip() for x in open("/proc/cpuinfo") if x.startswith("model name")), platform.machine()
    )
    return (
        f"{cpu}, {os.cpu_count()} cores, {platform.system()} {platform.machine()}, Python {platform.python_version()}"
    )


def document(chosen: list[Condition], done: dict, code: str, command: str) -> str:
    known = {c.name for c in chosen} | {drawn.NAME}
    results = [r for r in done.values() if "error" not in r and r["condition"] in known]
    errors = [f"- {r['condition']}, render {r['index']}: {r['error']}" for r in done.values() if "error" in r]
    text = (ROOT / "tests/accuracy/preface.md").read_text()
    parts = [
        text, f"Command: `{command}`  \nMachine: {machine()}  \nCode: {code} (SHA-1 of its files, shortened); "
        f"{len(results)} renders.\n", table.tables(chosen, results), "\n## Coverage of the 95 % intervals\n",
        table.coverage(results), "\n## What must not be seen, and what must\n", table.specials(chosen, results),
        "\n## Harmonics that fold together\n", table.collisions(chosen, results),
        "\n## Settings drawn at random\n", table.drawn(results),
    ]  # fmt: skip
    return "\n".join(parts + (["\n## Renders that ended with an error\n", *errors] if errors else [])) + "\n"


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python tests/accuracy", description=__doc__.split("\n")[0],
        epilog="example: python tests/accuracy --only pause --renders 4",
    )  # fmt: skip
    parser.add_argument("--renders", type=int, default=8, help="a condition (default 8)")
    parser.add_argument("--false", type=int, default=100, help="open, uncracked and faint renders each (default 100)")
    parser.add_argument("--drawn", type=int, default=100, help="renders of settings drawn at random (default 100)")
    parser.add_argument(
        "--only", action="append", help="conditions or groups whose name contains this; may be repeated"
    )
    parser.add_argument("--quick", action="store_true", help="one render a condition, four of each special set")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop then; the next call goes on")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--results", type=Path, default=Path(tempfile.gettempdir()) / "bolotip-accuracy.jsonl")
    parser.add_argument(
        "--out", type=Path, help="the table; default hw_notes/accuracy.md, with --only or --quick standard output"
    )
    args = parser.parse_args()
    if args.quick:
        args.renders, args.false, args.drawn = 1, 4, 4
    chosen = [
        c for c in conditions.everything() if not args.only or any(o in c.name or o == c.group for o in args.only)
    ]
    code = fingerprint()
    done = read(args.results, code)
    numbers = [(c.name, number_of(c, args)) for c in chosen]
    if not args.only or drawn.NAME in args.only:
        numbers.append((drawn.NAME, args.drawn))
    tasks = [(name, i) for name, n in numbers for i in range(n) if (name, i) not in done]
    tasks.sort(key=lambda t: t[1])  # so that a table of a run cut short has some renders of every condition
    end = time.monotonic() + 60 * args.minutes
    with args.results.open("a") as out, multiprocessing.Pool(args.processes) as pool:
        for count, result in enumerate(pool.imap_unordered(work, tasks), start=1):
            out.write(json.dumps({**result, "code": code}) + "\n")
            out.flush()
            done[result["condition"], result["index"]] = result
            print(f"\r{count}/{len(tasks)}", end="", file=sys.stderr, flush=True)
            if time.monotonic() > end:
                print(f"\n{len(tasks) - count} renders are left; call again", file=sys.stderr)
                break
    print(file=sys.stderr)
    page = document(chosen, done, code, f"python tests/accuracy --renders {args.renders} --false {args.false} --drawn {args.drawn}")
    target = args.out or (None if args.only or args.quick else ROOT / "hw_notes" / "accuracy.md")
    if target is None:
        print(page)
    else:
        target.write_text(page)
    return 0


if __name__ == "__main__":
    sys.exit(main())
