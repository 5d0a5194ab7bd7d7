"""What `bolotip growth` smooths away, and how well it tells delays; the two tables of hw_notes/growth.md. All data are invented.

    python tests/growth_limits.py   some two minutes; prints the tables, puts them into hw_notes/growth.md
"""

import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1])]

from growing import Growing

from edge import growth
from edge.growth_analysis import Analysis, analyse
from edge.growth_events import Event, find_events, refined
from edge.growth_fit import FEWEST_RATES
from edge.growth_points import average, usable_fixes
from edge.record import Row
from edge.rig import load_rig

NOTES = Path(__file__).parents[1] / "hw_notes" / "growth.md"
MARKS = "<!-- {}: made by python tests/growth_limits.py -->\n\n", "<!-- end of {} -->"
PLATE = Growing("MT", 80.0, 4.0, 5.0, 30.0, first_mm=7.0, last_mm=26.0)
SMOOTHED = [Growing(), PLATE, Growing("SENT", notch_mm=7.0, first_mm=9.0, last_mm=25.0),
            Growing("ESET", notch_mm=10.0, first_mm=12.0, last_mm=30.0)]  # fmt: skip
SD_MM, TESTS, TWO_SIDED_95 = 0.02, 20, 1.96


@dataclass(frozen=True)
class Linear(Growing):
    """Growth that an overload brings down to `drop` of its rate and that recovers linearly with the crack."""

    drop: float = 0.15

    def phi(self, a: np.ndarray) -> np.ndarray:
        gone = (a - (self.overload_mm or np.inf)) / self.affected_mm
        return np.where((gone >= 0) & (gone < 1), self.drop + (1 - self.drop) * gone, 1.0)


STRONG, MOST = Growing(overload_mm=18.0), Growing(overload_mm=19.0, p=1.2, affected_mm=3.5)
WEAK = Growing(overload_mm=17.0, p=0.6, affected_mm=2.0)
FADES = [("strong, 3 mm", STRONG, 0.0), ("strong, 3 mm", STRONG, 0.03), ("weak, 2 mm", WEAK, 0.0), ("weak, 2 mm", WEAK, 0.03),
         ("very strong, 3.5 mm", MOST, 0.0), ("very strong, 3.5 mm", MOST, 0.03),
         ("strong, M(T)", Growing("MT", 80.0, 4.0, 5.0, 30.0, first_mm=7.0, last_mm=26.0, overload_mm=12.0), 0.0),
         *((f"linear from {drop:g}, {mm:g} mm", Linear(overload_mm=18.0, affected_mm=mm, drop=drop), 0.0)
           for drop, mm in ((0.5, 2.0), (0.15, 3.0), (0.05, 3.0)))]  # fmt: skip


class Quiet:
    """A generator whose noise is nil."""

    def normal(self, mean: float, sd: float, size: int | None = None) -> np.ndarray:
        return np.zeros(() if size is None else size)


def analysed(truth: Growing, rows: list[Row], events: Sequence[Event] = ()) -> Analysis:
    with tempfile.TemporaryDirectory() as folder:
        rig = load_rig(truth.write(Path(folder), rows) / "rig.toml", check_files=False)
    fixes, _ = usable_fixes(rows, [growth.tip_place_mm(row, rig.view) for row in rows])
    events = refined(find_events(rows), events)
    return analyse(fixes, average(fixes, 1.0, [e.best_cycles for e in events]), events, rig.specimen)


def off_the_law(truth: Growing, fixes: int, even: str) -> dict[str, np.ndarray]:
    """By method: the rates that count over C dK^m at their crack size, less 1, from fixes without noise."""
    found = analysed(truth, truth.rows(Quiet(), fixes, SD_MM, 0.0, even))
    return {
        c.rates.method: (c.rates.rate / (truth.C * c.dK("handbook") ** truth.m) - 1)[
            c.fits() & np.array([not remarks for remarks in c.remarks])
        ]
        for c in found.courses
    }


def smoothing() -> list[str]:
    """The table of what the two methods make of growth without noise."""
    lines = ["| m | fixes | polynomial: in the mean of a test | one rate at most | secant: mean | one rate |", "|---|---|---|---|---|---|"]
    for m in (3.0, 6.0):
        for many in ((25,), (60, 200, 600)):
            every: dict[str, list[np.ndarray]] = {"polynomial": [], "secant": []}
            for truth in SMOOTHED:
                law = type(truth)(**{**vars(truth), "m": m, "C": truth.C * 15.0 ** (3.0 - m)})
                for fixes in many:
                    for even in ("cycles", "size"):
                        for method, off in off_the_law(law, fixes, even).items():
                            every[method] += [off] if off.size >= FEWEST_RATES else []
            cells = []
            for offs in every.values():
                means = [round(100 * float(off.mean()), 1) + 0.0 for off in offs]  # no -0.0
                cells += [f"{min(means):+.1f} to {max(means):+.1f} %", f"{100 * max(np.abs(off).max() for off in offs):.1f} %"]
            lines.append(f"| {m:g} | {' to '.join(map(str, dict.fromkeys((many[0], many[-1]))))} | {' | '.join(cells)} |")
    return lines


def delays() -> list[str]:
    """The table of how far delays are off, in their own deviations."""
    head = ["fade", "material's scatter, log10 of a step", "delay off/sd", "lost off/sd", "affected length off/sd", "delay off, mean"]
    lines = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    for name, truth, scatter in FADES:
        off, relative = [], []
        for seed in range(TESTS):
            rng = np.random.default_rng([seed, 5])
            rows = truth.rows(rng, 60, SD_MM, 0.01, scatter=scatter)
            start, delay, lost = _true(truth, rows)
            ((_, d),) = analysed(truth, rows, [Event("overload", start, start)]).delays
            if d is None:
                continue
            off.append([(d.delay_cycles - delay) / d.delay_sd_cycles, (d.lost_cycles - lost) / d.lost_sd_cycles,
                        (d.affected_mm - truth.affected_mm) / d.affected_sd_mm])  # fmt: skip
            relative.append(d.delay_cycles / delay - 1)
        rms, inside = np.sqrt(np.mean(np.square(off), axis=0)), 100 * np.mean(np.abs(off) < TWO_SIDED_95, axis=0)
        cells = [f"{r:.2f} ({i:.0f} %)" for r, i in zip(rms, inside)]
        lines.append(f"| {name} | {scatter:g} | {' | '.join(cells)} | {100 * np.mean(relative):+.1f} % |")
        print(lines[-1], flush=True)
    return lines


def _true(truth: Growing, rows: list[Row]) -> tuple[float, float, float]:
    """The overload's cycle, delay and lost cycles on the rows' own way through the scattering material."""
    a, n = truth.course()
    start, end = (truth.cycles_at(mm) for mm in (truth.overload_mm, truth.overload_mm + truth.affected_mm))
    smooth = np.round(np.linspace(0, n[-1], len(rows)))
    start, end = np.interp([start, end], smooth, [row.cycles or 0 for row in rows])
    inside = (a >= truth.overload_mm) & (a <= truth.overload_mm + truth.affected_mm)
    undisturbed = np.trapezoid(1 / (truth.C * truth.dK(a[inside]) ** truth.m), a[inside])
    return float(start), float(end - start), float(end - start - undisturbed)


def main() -> int:
    for name, make in TABLES.items():
        lines = make()
        print("\n".join(lines), flush=True)
        begin, end = (mark.format(name) for mark in MARKS)
        head, rest = NOTES.read_text().split(begin)
        NOTES.write_text(head + begin + "\n".join(lines) + "\n\n" + end + rest.split(end)[1])
    return 0


TABLES: dict[str, Callable[[], list[str]]] = {"smoothing": smoothing, "delays": delays}

if __name__ == "__main__":
    sys.exit(main())
