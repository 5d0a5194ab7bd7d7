"""A whole test on the simulated bench through the real loop, compared with what the bench knows. All data are invented.

    python tests/growth_trial.py [SEED ...]   about four minutes a seed; prints the table, puts it into hw_notes/growth.md

A plate with a central crack, one overload; 48 fixes in bursts, the load sampled all the time; then `bolotip growth` as a
user would call it; three times with other noise. And ten plain tests of the load signal, in which nothing may stand out.
"""

import contextlib
import csv
import io
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1])]

from edge import growth
from edge.bench_growth import grow
from edge.bench_load import LoadWave
from edge.growth_analysis import analyse
from edge.growth_delay import Delay
from edge.growth_events import Event, find_events, read_events, refined
from edge.growth_fit import Line
from edge.growth_points import average, noise_inflation, usable_fixes
from edge.phase import LoadPhase
from edge.record import Row, read_records
from edge.rig import Rig, load_rig
from edge.run import run_sources
from edge.sources.simulated import SimulatedBench, Truth, bench_from_rig

NOTES = Path(__file__).parents[1] / "hw_notes" / "growth.md"
BEGIN, END = "<!-- made by python tests/growth_trial.py -->", "<!-- end of what it made -->"
RIG = """[specimen]
geometry = "MT"
width_mm = 60.0
thickness_mm = 4.0
notch_mm = 6.0
material = "mild steel"
temperature_C = 22.0
[load]
source = "simulated"
frequency_hz = 7.0
[camera]
source = "simulated"
rows = {rows}
columns = {columns}
frame_rate_hz = 25.0
counts_per_K = 100.0
zero_K = 0.0
profile = "camera.toml"
[view]
mm_per_px = {mm_per_px}
datum_px = [{datum_row}, 10.0]
[lockin]
memory_s = {memory_s}
harmonics = 3
[records]
every_s = {every_s}
maps_every_s = 1e6
target_crack_mm = 17.0
"""
PROFILE = """tau_s = 0.0100
tau_sd_s = 0.0001
readout_s = 0.0120
readout_sd_s = 0.0002
counts_per_K = 100.0
netd_K = {netd_K}
"""


@dataclass(frozen=True)
class Trial:
    """Settings of the simulated test; the defaults are the full one."""

    fixes: int = 48
    every_s: float = 900.0
    memory_s: float = 60.0
    rows: int = 120
    columns: int = 160
    mm_per_px: float = 0.15
    netd_K: float = 0.050
    C_effective: float = 2.0e-8
    overload_cycle: int = 122_222
    seed: int = 1

    def bench(self, rig: Rig) -> SimulatedBench:
        law = {"overload_cycle": self.overload_cycle, "start_mm": 7.5, "C_effective": self.C_effective, "m": 3.0}
        # a real camera's shutter holds its zero; a drift of kelvins would change K by a third of a per cent each
        drift = {"drift_K_per_h": 0.02}
        seconds = self.fixes * self.every_s + 2.0
        return bench_from_rig(rig, camera=drift, law=law, seed=self.seed, duration_s=seconds)


@dataclass(frozen=True)
class Outcome:
    """What came of it, with the truth beside it."""

    bench: SimulatedBench
    rows: list[Row]
    truths: list[Truth]  # of each row, half a memory before it
    line: Line  # secant, measured dK
    event: Event
    delay: Delay
    events: list[Event]  # of events.csv
    memory_s: float

    @property
    def true_delay_cycles(self) -> float:
        """From the overload until growth is back on its course."""
        life = self.bench.life
        slow = np.flatnonzero(life.gamma < 1)
        return float(life.cycles[min(slow[-1] + 1, len(life.cycles) - 1)] - life.cycles[slow[0]])


def run(trial: Trial, folder: Path) -> Outcome:
    """The test in `folder`, its rows and what `bolotip growth` makes of them."""
    (folder / "rig.toml").write_text(RIG.format(**vars(trial), datum_row=trial.rows / 2))
    (folder / "camera.toml").write_text(PROFILE.format(**vars(trial)))
    rig = load_rig(folder / "rig.toml")
    bench = trial.bench(rig)
    out = folder / "out"
    run_sources(rig, bench.frames, bench.load, out)
    with contextlib.redirect_stdout(io.StringIO()):
        growth.main([out], None)
    rows = read_records(out).rows
    events = read_events(out / "events.csv") if (out / "events.csv").exists() else []
    fixes, _ = usable_fixes(rows, [growth.tip_place_mm(row, rig.view) for row in rows])
    found = refined(find_events(rows), events)
    inflation = noise_inflation(np.array([row.elapsed_s for row in rows]), rig.lockin.memory_s)
    analysis = analyse(fixes, average(fixes, inflation, [e.best_cycles for e in found]), found, rig.specimen, inflation)
    _same_as_the_table(out, analysis.lines["secant", "measured"])
    event, delay = analysis.delays[0]
    assert delay is not None
    truths = [bench.truth((row.elapsed_s or 0.0) - trial.memory_s / 6) for row in rows]
    line = analysis.lines["secant", "measured"]
    return Outcome(bench, rows, truths, line, event, delay, events, trial.memory_s)


def _same_as_the_table(out: Path, line: Line) -> None:
    """The figures compared are those the command wrote."""
    with (out / "growth_fit.csv").open() as f:
        told = next(r for r in csv.DictReader(f) if (r["method"], r["dK"]) == ("secant", "measured"))
    assert abs(float(told["m"]) - line.m) < 1e-3


@dataclass(frozen=True)
class Figure:
    name: str
    true: str
    found: str
    off: float
    limit: float

    @property
    def kept(self) -> bool:
        return abs(self.off) <= self.limit

    def __str__(self) -> str:
        off, limit = (f"{x:.3f}" if self.limit < 1 else f"{x:.0f}" for x in (self.off, self.limit))
        return f"{self.name}: true {self.true}, found {self.found}, off {off}, may be {limit}"


def figures(o: Outcome) -> list[Figure]:
    """The comparison: relative where the limit is."""
    law, line, delay = o.bench.bench.law, o.line, o.delay
    middle = float(np.sqrt(o.truths[0].delta_K_MPa_sqrt_m * o.truths[-1].delta_K_MPa_sqrt_m))
    rate, true_rate = float(line.rate(middle)), law.C * middle**law.m
    seen = [(r, t) for r, t in zip(o.rows, o.truths) if r.contact_length_mm is not None]
    contact = np.array([r.contact_length_mm / t.contact_length_mm - 1 for r, t in seen])
    strong = [(r, t) for r, t in seen if r.opening_fraction is not None and r.contact_K >= 6 * r.noise_K]
    opening = np.array([r.opening_fraction - t.opening_fraction for r, t in strong])
    rates = [(r, t) for r, t in zip(o.rows, o.truths) if r.rate_mm_per_cycle is not None and not _slowed(o, r)]
    rate_off = np.array([r.rate_mm_per_cycle / _rate_of_stretch(o, r) - 1 for r, _ in rates])
    told = [r for r in o.rows if r.cycles_to_target is not None and "constant_rate" not in r.flags and not _slowed(o, r)]
    undisturbed = grow(replace(law, overload_cycle=None), 1e6)  # nobody foresees an overload
    left = np.interp(17.0, undisturbed.crack_mm, undisturbed.cycles) - np.array(
        [np.interp(o.bench.life.crack_at(r.cycles or 0), undisturbed.crack_mm, undisturbed.cycles) for r in told]
    )
    left_off = np.array([r.cycles_to_target or 0 for r in told]) - np.maximum(left, 0.0)
    lost, affected = o.bench.life.delay

    def rms(x: np.ndarray) -> float:
        return float(np.sqrt(np.mean(x**2))) if x.size else float("nan")

    return [
        Figure("m", f"{law.m:.2f}", f"{line.m:.3f} ± {line.m_sd:.3f}", line.m / law.m - 1, 0.03),
        Figure(
            f"rate at dK {middle:.1f} MPa√m, mm/cycle", f"{true_rate:.3g}", f"{rate:.3g}", rate / true_rate - 1, 0.05
        ),
        Figure(
            "contact length, mm (rms)",
            f"{min(t.contact_length_mm for _, t in seen):.2f} to {max(t.contact_length_mm for _, t in seen):.2f}",
            f"{len(seen)} of {len(o.rows)} fixes, mean off {100 * contact.mean():+.1f} %, "
            f"{100 * np.mean(np.abs(contact) <= 0.15):.0f} % within the limit",
            rms(contact),
            0.15,
        ),
        Figure(
            "opening fraction where contact ≥ 6 × noise (rms)",
            f"{law.opening_fraction:.3f}",
            f"{len(strong)} fixes, mean off {opening.mean():+.3f}, "
            f"{100 * np.mean(np.abs(opening) <= 0.06):.0f} % within the limit",
            rms(opening),
            0.06,
        ),
        Figure(
            "cycle of the overload",
            f"{law.overload_cycle}",
            " ".join(f"{e.cycles:.0f}" for e in o.events) or "none",
            o.events[0].cycles - (law.overload_cycle or 0) if len(o.events) == 1 else np.inf,
            0.5,
        ),
        Figure(
            "delay cycles",
            f"{o.true_delay_cycles:.0f}",
            f"{delay.delay_cycles:.0f} ± {delay.delay_sd_cycles:.0f}",
            delay.delay_cycles / o.true_delay_cycles - 1,
            0.15,
        ),
        Figure(
            "of them lost", f"{lost:.0f}", f"{delay.lost_cycles:.0f} ± {delay.lost_sd_cycles:.0f}",
            delay.lost_cycles / lost - 1, 0.15,
        ),
        Figure(
            "affected length, mm", f"{affected:.2f}", f"{delay.affected_mm:.2f} ± {delay.affected_sd_mm:.2f}",
            delay.affected_mm / affected - 1, 0.15,
        ),
        Figure(
            "rate while running, off the slowed stretch (rms)",
            "of its own stretch",
            f"{len(rates)} fixes, mean off {100 * rate_off.mean():+.1f} %",
            rms(rate_off),
            0.10,
        ),
        Figure(
            "cycles left to 17 mm, by the exponent (rms)",
            f"{left.max():.0f} to {max(0.0, left.min()):.0f}" if told else "",
            f"{len(told)} fixes, mean off {left_off.mean():+.0f} cycles" if told else "none told",
            rms(left_off) / left.max() if told else np.inf,
            0.05,
        ),
    ]  # fmt: skip


def _slowed(o: Outcome, row: Row) -> bool:
    start = o.bench.bench.law.overload_cycle or np.inf
    return start - 1 <= (row.cycles or 0) <= start + 1.2 * o.true_delay_cycles


def _rate_of_stretch(o: Outcome, row: Row) -> float:
    """True secant rate over the stretch of at least 0.25 mm and three fixes that ends at `row`."""
    life, end = o.bench.life, row.cycles or 0
    starts = [r.cycles or 0 for r in o.rows if (r.cycles or 0) < end][:-1]
    a = float(life.crack_at(end))
    start = next(n for n in reversed(starts) if a - float(life.crack_at(n)) >= 0.25)
    return (a - float(life.crack_at(start))) / (end - start)


PLAIN = {
    "nothing": {},
    "noise of 2 % of the range": {"noise_kN": 0.17},
    "frequency walks by 0.2 %": {"walk": 0.002},
    "frequency walks by 1 % in 7 s": {"walk": 0.01, "walk_period_s": 7.0},
    "second harmonic of 5 %": {"h2": 0.05, "h2_deg": 90.0},
    "second harmonic of 10 %, noise": {"h2": 0.1, "h2_deg": -40.0, "noise_kN": 0.1},
    "jitter of 0.5 ms": {"jitter_s": 5e-4},
    "ten samples a cycle": {"sample_rate_hz": 71.0, "noise_kN": 0.02},
    "pause of a minute": {"pause_from_s": 3000.3, "pause_to_s": 3060.0},
    "another frequency": {"step_at_s": 3000.0, "step_frequency_hz": 7.7, "noise_kN": 0.05},
}


def plain_test(name: str, seconds: float = 7200.0, seed: int = 1) -> tuple[int, list[str]]:
    """Cycles counted, and what stood out (nothing should) of a load without overload."""
    wave = replace(LoadWave(sample_rate_hz=175.0), **PLAIN[name])
    phase, rng = LoadPhase(7.0), np.random.default_rng([seed, list(PLAIN).index(name)])
    for first in range(0, int(seconds * wave.sample_rate_hz), 2000):
        phase.feed(*wave.samples(first, first + 2000, rng))
    return phase.counter.cycles, [f"{e.kind} at {e.cycles}" for e in phase.take_events(np.inf)]


def rows_of(every: list[list[Figure]]) -> list[str]:
    """Lines of the table: each figure of all seeds."""
    lines = ["| quantity | true | found | off | limit | kept |", "|---|---|---|---|---|---|"]
    for same in zip(*every):
        first = same[0]
        places = 0 if first.limit >= 1 else 3
        cells = "<br>".join(f.found for f in same), "<br>".join(f"{f.off:+.{places}f}" for f in same)
        kept = "yes" if all(f.kept for f in same) else "**no**"
        lines.append(f"| {first.name} | {first.true} | {cells[0]} | {cells[1]} | {first.limit:.{places}f} | {kept} |")
    return lines


def main() -> int:
    started = time.process_time()
    seeds = [int(word) for word in sys.argv[1:]] or [1, 2, 3]
    outcomes = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            outcomes.append(run(Trial(seed=seed), Path(folder)))
        print("\n".join(rows_of([figures(outcomes[-1])])), flush=True)
    o, every = outcomes[0], [figures(one) for one in outcomes]
    lines = [
        f"{len(o.rows)} fixes, crack {o.truths[0].crack_mm:.1f} to {o.truths[-1].crack_mm:.1f} mm, dK "
        f"{o.truths[0].delta_K_MPa_sqrt_m:.1f} to {o.truths[-1].delta_K_MPa_sqrt_m:.1f} MPa√m, overload of 1.5 times "
        f"the peak; seeds {', '.join(map(str, seeds))}, one below the other. All data are invented.",
        "",
        *rows_of(every),
    ]
    kept = all(figure.kept for one in every for figure in one)
    lines += ["", "Plain tests, two hours of load each, in which nothing may stand out:", ""]
    lines += ["| load | cycles | stood out |", "|---|---|---|"]
    for name in PLAIN:
        cycles, found = plain_test(name)
        lines.append(f"| {name} | {cycles} | {', '.join(found) or 'nothing'} |")
        kept &= not found
    print("\n".join(lines))
    print(f"\n{'all limits kept' if kept else 'LIMITS MISSED'}, {time.process_time() - started:.0f} s of processor time")
    if NOTES.exists() and BEGIN in (text := NOTES.read_text()):
        head, rest = text.split(BEGIN)
        NOTES.write_text(f"{head}{BEGIN}\n\n" + "\n".join(lines) + f"\n\n{END}{rest.split(END)[1]}")
        print(f"written into {NOTES}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
