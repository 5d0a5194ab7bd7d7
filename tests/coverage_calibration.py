"""How often the calibrations' 95 % intervals hold the truth, and how far off they are at worst.

    python tests/coverage_calibration.py [--trials N] [--only KIND] [--save FILE] [--notes]

Each trial draws a camera (tau 6 to 15 ms, readout 0 to 30 ms either way, delay 0 to 120 ms, NETD 30 to 100 mK),
simulates its recordings and calibrates it; a crack seen by it is then fixed with the true and the fitted profile. All of
it is invented. Exit code 1 where an interval covers less than 90 % or more than 98 %, or where what is promised is
missed. 200 trials take about ten minutes; --save keeps each trial as it ends, and a second start goes on from there;
--notes puts the table into hw_notes/calibration.md. The default tests use the same trials, a few of each.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parent.parent), str(Path(__file__).parent)]

import recordings
from cameras import (
    FRAME_RATE_HZ,
    SWEEP_HZ,
    drawn_camera,
    measured,
    run_of,
    step_frames,
    still,
    sweep_recordings,
)

from calibration import gain, pixels, scale, step, sweep
from calibration.door import InputError
from calibration.profile import CameraProfile
from edge.fix import Fixer
from edge.load_knots import LoadState
from edge.rig import load_rig
from edge.whole_recording import LATE_PARTS, Measured, frame_grid

VIEW = (120, 160)  # of a common small module; of the pixels' and of K0's trials less, for time
NOTES = Path(__file__).parents[1] / "hw_notes" / "calibration.md"
BEGIN, END = "<!-- made by python tests/coverage_calibration.py --notes -->", "<!-- end of what it made -->"


@dataclass
class Trial:
    """values: truth, estimate and deviation by name; limits: what came out (may be up to the promised, see PROMISED)."""

    values: dict[str, tuple[float, float, float]]
    limits: dict[str, float] = field(default_factory=dict)


def sweep_trial(seed: int) -> Trial:
    """A sweep; and the crack of its fourth recording, fixed with the fitted profile and with the true one."""
    camera = drawn_camera(np.random.default_rng([seed, 1]))
    runs, usable, crack = [], np.ones(VIEW, bool), None
    for f, made in sweep_recordings(camera, seed, VIEW):
        m, timing_sd_s = measured(made)
        runs.append(run_of(m, timing_sd_s, f"{f:g} Hz"))
        usable &= ~made.dead
        if f == SWEEP_HZ[3]:
            crack = made, m
    found = sweep.fit(runs, usable)
    assert crack is not None
    true = CameraProfile(camera["tau_s"], readout_s=camera["readout_s"], frame_delay_s=camera["frame_delay_s"])
    fitted, exact = (dK_of(*crack, profile) for profile in (found.into(true), true))
    return Trial(
        {
            "tau": (camera["tau_s"], found.tau_s, found.tau_sd_s),
            "readout": (camera["readout_s"], found.readout_s, found.readout_sd_s),
            "delay": (camera["frame_delay_s"], found.frame_delay_s, found.frame_delay_sd_s),
        },
        {"dK with the fitted profile": abs(fitted / exact - 1)},
    )


def dK_of(made: recordings.Recording, m: Measured, profile: CameraProfile) -> float:
    """dK of a recording's harmonics by the loop's own fix."""
    with tempfile.TemporaryDirectory() as folder:
        tables = recordings.rig_tables(made, 30.0, 4.0, recordings.K0_PER_MPA)
        (path := Path(folder) / "rig.toml").write_text(recordings.toml(tables))
        rig = load_rig(path, check_files=False)
    state = LoadState(m.frequency_hz, m.range_kN, m.range_sd * m.range_kN, 0.1, 0j, 1e-3)
    fix = Fixer(rig, profile, VIEW).fix(m.harmonics, state, FRAME_RATE_HZ)
    assert fix.row.dKI_MPa_sqrt_m is not None, fix.flags
    return fix.row.dKI_MPa_sqrt_m


def step_trial(seed: int) -> Trial:
    """One step of 200 frames at 25 frames/s with a switch at the cover, sampled at 10 kHz."""
    rng = np.random.default_rng([seed, 2])
    camera = drawn_camera(rng)
    moment = 3.0 + rng.uniform(0, 1 / FRAME_RATE_HZ)
    frames, exposure_s = step_frames(rng, camera, (moment,), shape=VIEW)
    late = 0.002 * np.abs(rng.standard_normal(len(frames)))
    arrival_s = np.maximum.accumulate(exposure_s + camera["frame_delay_s"] + late)
    _, time_s = frame_grid(arrival_s, FRAME_RATE_HZ)
    edge_s = (np.floor(moment * 1e4) + 0.5) / 1e4
    sd = np.hypot(1e-4 / np.sqrt(12), LATE_PARTS * np.mean(arrival_s - time_s) / len(frames))
    found = step.fit(frames, time_s, np.ones(frames.shape[1:], bool), [edge_s], float(sd))
    values = {
        "tau (step)": (camera["tau_s"], found.tau_s, found.tau_sd_s),
        "readout (step)": (camera["readout_s"], found.readout_s, found.readout_sd_s),
    }
    if found.frame_delay_s is not None:  # else left out as too badly seen
        values["delay (step)"] = (camera["frame_delay_s"], found.frame_delay_s, found.frame_delay_sd_s)
    return Trial(values)


def pixels_trial(seed: int) -> Trial:
    """Bad pixels (dead, blinking by 2 K in one frame of twenty, noisy, 9 K off), NETD and drift without a filter; the
    weight of a recursive filter on another recording."""
    rng = np.random.default_rng([seed, 3])
    netd, drift, weight = rng.uniform(0.03, 0.10), rng.uniform(-5, 5), rng.uniform(0.1, 0.6)
    how = {"netd_K": netd, "drift_K_per_h": drift, "fixed_pattern_K": 0.5, "dead": 0.002, "blinking": 0.002}
    frames, number, bad = still(seed, **how)
    for more in (lambda n: 900.0, lambda n: np.rint(300 * netd * rng.standard_normal(n))):
        row, column = rng.integers(0, frames.shape[1]), rng.integers(0, frames.shape[2])
        if not bad[row, column]:
            frames[:, row, column] = np.clip(frames[:, row, column] + more(len(frames)), 0, 65535)
            bad[row, column] = True
    found = pixels.find(frames, number, FRAME_RATE_HZ)
    frames, number, _ = still(seed + 10_000, netd_K=rng.uniform(0.03, 0.10), filter_weight=weight, lost=0.01)
    filtered = pixels.find(frames, number, FRAME_RATE_HZ)
    seen = np.hypot(netd, 0.01 / np.sqrt(12))  # rounding to hundredths of a kelvin is part of the noise
    return Trial(
        {
            "NETD": (seen, found.netd_counts / 100, found.netd_sd_counts / 100),
            "drift": (drift, 36 * found.drift_counts_per_s, 36 * found.drift_sd_counts_per_s),
            "filter weight": (weight, filtered.filter_weight, filtered.filter_sd),
        },
        {
            "bad pixels missed": float(np.count_nonzero(bad & (found.bad == 0))),
            "good pixels taken for bad": float(np.mean(~bad & (found.bad > 0))),
            "filter of weight 0.1 to 0.6 missed": float(filtered.filter_kind != "recursive"),
            "filter found where there is none": float(found.filter_kind != "none"),
        },
    )


def gain_trial(seed: int) -> Trial:
    """K0 of a bar in tension and in bending, stress known to 1 %, unevenly gripped."""
    rng = np.random.default_rng([seed, 4])
    out = {}
    for bending in (False, True):
        true = rng.uniform(2e-6, 1e-5)
        nominal = np.full((40, 60), 50.0) if not bending else np.broadcast_to(np.linspace(80, -80, 60), (40, 60))
        actual = nominal * (1 + 0.01 * rng.standard_normal())
        h1 = -0.5 * true * 295.0 * actual + 0.002 * (rng.standard_normal((40, 60)) + 1j * rng.standard_normal((40, 60)))
        found = gain.kelvin_per_MPa(h1, np.full((40, 60), 0.002), nominal, 295.0, bending, {"stress": 0.01})
        name = "K0 in bending" if bending else "K0 in tension"
        out[name] = (true, found.K0_per_MPa, found.K0_sd_per_MPa)
    levels = [np.full((20, 20), 100 * (t + 0.3 * rng.standard_normal()) + 3e4) for t in (20.0, 30.0, 40.0)]
    plates_found = gain.counts_per_kelvin(levels, (20.0, 30.0, 40.0), 0.3, np.ones((20, 20), bool))
    out["counts per kelvin"] = (100.0, plates_found.counts_per_K, plates_found.counts_per_K_sd)
    return Trial(out)


def scale_trial(seed: int) -> Trial:
    """Twelve marks on a surface seen square, each found to 0.2 px."""
    rng = np.random.default_rng([seed, 5])
    mm = np.array([(x, y) for x in (0, 6, 12, 18) for y in (-7, 0, 7)], float)
    mm_per_px, angle = rng.uniform(0.1, 0.3), np.deg2rad(rng.uniform(-180, 180))
    turned = (mm[:, 0] + 1j * mm[:, 1]) * np.exp(1j * angle) / mm_per_px
    datum = rng.uniform(40, 60, 2)
    px = np.column_stack([datum[0] - turned.imag, datum[1] + turned.real]) + 0.2 * rng.standard_normal(mm.shape)
    found = scale.from_marks(px, mm)
    assert found.datum_px is not None
    off = (found.growth_angle_deg - np.degrees(angle) + 180) % 360 - 180
    return Trial(
        {
            "scale": (mm_per_px, found.mm_per_px, found.mm_per_px_sd),
            "datum row": (datum[0], found.datum_px[0], found.datum_sd_px),
            "growth angle": (0.0, off, found.growth_angle_sd_deg),
        }
    )


TRIALS = {f.__name__.removesuffix("_trial"): f for f in (sweep_trial, step_trial, pixels_trial, gain_trial, scale_trial)}
RELATIVE, ABSOLUTE = "%", "ms"
PROMISED = {  # largest error of a quantity
    "tau": (RELATIVE, 2.0),
    "tau (step)": (RELATIVE, 4.0),
    "readout": (ABSOLUTE, 0.5),
    "delay": (ABSOLUTE, 0.5),
    "readout (step)": (ABSOLUTE, 0.5),
    "delay (step)": (ABSOLUTE, 0.5),
}
LIMITS = {  # largest value
    "dK with the fitted profile": ("relative to that with the true one", 0.01),
    "bad pixels missed": ("of 10 to 30 in 4,800", 0.0),
    "good pixels taken for bad": ("share of the pixels", 0.0005),
    "filter of weight 0.1 to 0.6 missed": ("", 0.0),
    "filter found where there is none": ("", 0.0),
}


def run_trials(kind: str, count: int, save: Path | None) -> tuple[list[Trial], int]:
    """Trials 0 to count - 1, those already in `save` from there; and how many cameras were refused."""
    trials, refused, done = [], 0, {}
    if save is not None and save.exists():
        kept = (json.loads(line) for line in save.read_text().splitlines())
        done = {one["seed"]: one for one in kept if one["kind"] == kind}
    for seed in range(count):
        one = done.get(seed)
        if one is None:
            try:
                trial = TRIALS[kind](seed)
                one = {"kind": kind, "seed": seed, "values": trial.values, "limits": trial.limits}
            except InputError as e:
                one = {"kind": kind, "seed": seed, "refused": str(e)}
            if save is not None:
                with save.open("a") as f:
                    f.write(json.dumps(one, default=float) + "\n")
        if "refused" in one:
            refused += 1
        else:
            trials.append(Trial(one["values"], one["limits"]))
    return trials, refused


def table(trials: list[Trial]) -> tuple[list[str], bool]:
    """One line a quantity, and whether all is as promised."""
    lines, good = [], True
    for name in dict.fromkeys(name for t in trials for name in t.values):
        told = [t.values[name] for t in trials if name in t.values]
        truth, value, sd = np.array(told).T
        z = (value - truth) / sd
        covered = float(np.mean(np.abs(z) <= 1.96))
        unit, limit = PROMISED.get(name, ("", np.inf))
        error = np.abs(value - truth) * 100 / np.abs(truth) if unit == RELATIVE else np.abs(value - truth) * 1e3
        worst = f"{error.max():.2g} {unit} of {limit:g} {unit}" if unit else "–"
        held = 0.90 <= covered <= 0.98 and error.max() <= limit if unit else 0.90 <= covered <= 0.98
        good &= held
        left_out = f", {len(trials) - len(told)} left out" if len(told) < len(trials) else ""
        lines.append(f"| {name}{left_out} | {100 * covered:.1f} % | {z.std():.2f} | {z.mean():+.2f} | {worst} | {_yes(held)} |")
    for name in trials[0].limits:
        worst, (what, limit) = max(t.limits[name] for t in trials), LIMITS[name]
        good &= worst <= limit
        lines.append(f"| {name} {what} | – | – | – | {worst:.2g} of {limit:g} | {_yes(worst <= limit)} |")
    return lines, good


def _yes(held: bool) -> str:
    return "yes" if held else "**no**"


def main() -> int:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--only", choices=TRIALS)
    parser.add_argument("--save", type=Path, metavar="FILE", help="one JSON line a trial; a second start goes on")
    parser.add_argument("--notes", action="store_true", help=f"put the table into {NOTES.name}")
    args = parser.parse_args()
    lines = ["| quantity | covered | spread, sd | mean, sd | largest error | kept |", "|---|---|---|---|---|---|"]
    counts, all_good = [], True
    for kind in TRIALS if args.only is None else [args.only]:
        start = time.process_time()
        trials, refused = run_trials(kind, args.trials, args.save)
        more, good = table(trials)
        lines += more
        all_good &= good
        counts.append(f"{kind} {len(trials)}" + (f" and {refused} refused" if refused else ""))
        print(f"{kind}: {time.process_time() - start:.0f} s of processor time", file=sys.stderr)
    lines = [f"Trials: {', '.join(counts)}.", "", *lines]
    print("\n".join(lines))
    if args.notes:
        head, rest = NOTES.read_text().split(BEGIN)
        NOTES.write_text(f"{head}{BEGIN}\n\n" + "\n".join(lines) + f"\n\n{END}{rest.split(END)[1]}")
    return int(not all_good)


if __name__ == "__main__":
    sys.exit(main())
