"""python tests/bench: speed, start, memory and rows, each against what is asked of it; a table in Markdown.

Everything is measured in one run on one machine, processor time in rounds in which the forms compared take turns,
medians of the rounds' ratios. About five minutes. Needs the packages of the extra `test`.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
    os.environ[name] = "1"
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import logging  # noqa: E402

from bench import accuracy, kernel, memory_use, rows, start, tip_fit, whole_loop  # noqa: E402
from bench.common import machine  # noqa: E402

PARTS = {
    "kernel": kernel.measure,
    "loop": whole_loop.measure,
    "tip": tip_fit.measure,
    "start": start.measure,
    "memory": memory_use.measure,
    "rows": rows.measure,
    "accuracy": accuracy.measure,
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)} (default: all but accuracy, 4 min more)")
    parser.epilog = "example:\n  python tests/bench kernel tip"
    wanted = parser.parse_args().parts or [p for p in PARTS if p != "accuracy"]
    if unknown := [p for p in wanted if p not in PARTS]:
        parser.error(f"part {unknown[0]!r} is none of {', '.join(PARTS)}")
    logging.disable(logging.WARNING)
    print(f"{machine()}; load at the start {os.getloadavg()[0]:.1f}; {time.strftime('%d %B %Y')}\n")
    print("| what | measured | asked | |\n|---|---|---|---|", flush=True)
    missed = 0
    for part in wanted:
        for line in PARTS[part]():
            mark = {True: "yes", False: "**no**", None: ""}[line.ok]
            print(f"| {line.what} | {line.measured} | {line.asked} | {mark} |", flush=True)
            missed += line.ok is False
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
