"""Faults injected with the real thing; the table of hw_notes/endurance.md.

    python tests/endurance              all faults, 500 kills; some minutes
    python tests/endurance --kills 20 --only full_card
    python tests/endurance --fuzz 5000  the long fuzz of files and wires as well
    python tests/soak.py                the soak is a command of its own

Needs root for the mounted cards; says so where it lacks it. Writes the table into hw_notes/endurance.md with --note.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
import tempfile
import time
from pathlib import Path

import pytest

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(name, "1")
ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from endurance import card, fuzz, live  # noqa: E402
from endurance.place import Outcome  # noqa: E402
from endurance.table import kept_rows, put_section, table  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=500, metavar="N", help="of the writing process (default: 500)")
    parser.add_argument("--program-kills", type=int, default=30, metavar="N", help="of the whole program (default: 30)")
    parser.add_argument("--only", metavar="WORD", help="trials whose name holds this word; --note keeps the rest")
    parser.add_argument("--fuzz", type=int, default=0, metavar="N", help="the long fuzz as well, N examples of each kind")
    parser.add_argument("--note", type=Path, metavar="FILE.md", help="put the table into this note")
    a = parser.parse_args()
    logging.disable(logging.CRITICAL)
    outcomes = []
    for trial in [*card.trials(a.kills, a.program_kills), *live.trials()]:
        name = trial.__name__ if trial.__name__ != "<lambda>" else trial.__code__.co_names[0]
        if a.only and a.only not in name:
            continue
        started = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="endurance-", ignore_cleanup_errors=True) as place:
            try:
                outcome = trial(Path(place))
            except pytest.skip.Exception as e:  # this machine lacks what the trial needs; the text says what
                outcome = Outcome(name.replace("_", " "), "", str(e), None)
        outcomes.append(outcome)
        print(f"{outcome.verdict}: {outcome.fault} ({time.monotonic() - started:.0f} s)\n    {outcome.result}", flush=True)
    for target in fuzz.targets() if a.fuzz else []:
        if not a.only or a.only in target.name:
            outcomes.append(fuzz.campaign(target, a.fuzz))
            print(f"{outcomes[-1].verdict}: {outcomes[-1].fault}\n    {outcomes[-1].result}", flush=True)
    rows = [(o.fault, o.how, o.result, o.verdict) for o in outcomes]
    if a.note:
        rows = kept_rows(a.note, "Faults", rows) if a.only else rows
        put_section(a.note, "Faults", table(("fault", "how it is injected", "result", "verdict"), rows))
    return 0 if all(o.good is not False for o in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main())
