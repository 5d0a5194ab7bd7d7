"""Lag, readout and frame delay from one specimen under one load range at several load frequencies.

At load frequency f the camera answers the far field with

    h(row, column) = S(row, column) / (1 - i k/w) * R(w) * exp(-i w (d + r row/rows)),      w = 2 pi f

S is the adiabatic map, real and common to all recordings; k (1/s) the slow-end loss by heat conduction, a high-pass of
the region as a whole; R = 1/(1 + i w tau) the detector; d the frame delay; r the readout. First step (far_field): gain,
phase and slope of the phase over the rows, for each recording. Second step, here: the model is fitted to these.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.door import InputError
from calibration.far_field import Answer, Run, answers, far_field
from calibration.least_squares import Solution, chance_of_more, solve
from calibration.profile import CameraProfile, ResponseRow, direction

FEWEST = 4
LEAST_SPAN = 2.5  # highest over lowest frequency
LEAST_LAG = 0.05  # tau times 2 pi f of the fastest load: the gain has fallen by 0.1 %, the phase is a delay's within 0.002 degrees
WORST_INFLATION = 2.0  # of the variance by harmonics that nearly fold together
WIDEST_LOAD = 0.2  # relative difference of load ranges: beyond it contact and plasticity differ
USUAL_DELAY_S = (-0.005, 0.150)  # common practice: USB, serial and network cameras stay below
SEARCHED_DELAY_S = (-0.050, 0.500)
GOOD_TAU = 0.01  # relative deviation beyond which a sweep is told to be a weak one
REJECTED = 0.001  # chance below which the first-order model is taken to fail ...
MATERIAL = 0.005  # ... if it also misses a point by more than this, relative or in rad


@dataclass(frozen=True)
class Sweep:
    """Second step. Points of gain and phase (rad) have scale, delay and conduction taken out: the detector alone."""

    tau_s: float
    tau_sd_s: float
    readout_s: float
    readout_sd_s: float
    frame_delay_s: float
    frame_delay_sd_s: float
    conduction_per_s: float
    conduction_sd_per_s: float
    chi2: float
    dof: int
    chance: float
    first_order: bool
    other_delays_s: tuple[float, ...]  # as good at these frequencies, but longer than cameras are
    frequency_hz: np.ndarray
    gain: np.ndarray
    gain_sd: np.ndarray
    phase: np.ndarray
    phase_sd: np.ndarray
    slope: np.ndarray
    slope_sd: np.ndarray
    slope_model: np.ndarray
    region: np.ndarray

    @property
    def model(self) -> np.ndarray:
        """First-order response at the frequencies."""
        return 1 / (1 + 2j * np.pi * self.frequency_hz * self.tau_s)

    def into(self, profile: CameraProfile) -> CameraProfile:
        """`profile` with these constants, and with the measured table where first order does not fit."""
        rows = zip(self.frequency_hz, self.gain, np.degrees(self.phase), self.gain_sd, np.degrees(self.phase_sd))
        return dataclasses.replace(
            profile,
            tau_s=self.tau_s,
            tau_sd_s=self.tau_sd_s,
            readout_s=self.readout_s,
            readout_sd_s=self.readout_sd_s,
            frame_delay_s=self.frame_delay_s,
            frame_delay_sd_s=self.frame_delay_sd_s,
            response=() if self.first_order else tuple(ResponseRow(*(float(v) for v in row)) for row in rows),
            missing=(),
        )

    def text(self) -> list[str]:
        """What was found, one line each, with standard deviations."""
        misfit = np.log(self.gain * np.exp(1j * self.phase) / self.model)
        low, high = self.frequency_hz.min(), self.frequency_hz.max()
        out = [
            f"far field: {np.count_nonzero(self.region)} pixels, {self.frequency_hz.size} recordings, {low:.3g} to {high:.3g} Hz",
            f"tau         {1e3 * self.tau_s:8.3f} +- {1e3 * self.tau_sd_s:.3f} ms",
            f"readout     {1e3 * self.readout_s:8.3f} +- {1e3 * self.readout_sd_s:.3f} ms, {direction(self.readout_s, self.readout_sd_s)}",
            f"frame delay {1e3 * self.frame_delay_s:8.3f} +- {1e3 * self.frame_delay_sd_s:.3f} ms",
            f"conduction  {self.conduction_per_s:8.3f} +- {self.conduction_sd_per_s:.3f} 1/s: leaves "
            f"{100 * self._slow_end():.2f} % at {low:.3g} Hz; taken out",
            f"chi-square {self.chi2:.1f} for {self.dof} degrees of freedom: chance {self.chance:.2g}; largest misfit "
            f"{100 * np.abs(misfit.real).max():.2f} % and {np.degrees(np.abs(misfit.imag).max()):.2f} deg",
        ]
        if self.tau_sd_s > GOOD_TAU * self.tau_s:
            out.append(
                f"tau is known to {100 * self.tau_sd_s / self.tau_s:.1f} % only: more pixels in view, longer recordings or higher "
                f"load frequencies would give {100 * GOOD_TAU:g} %"
            )
        if self.other_delays_s:
            also = ", ".join(f"{1e3 * d:.0f}" for d in self.other_delays_s)
            out.append(f"a delay of {also} ms would fit as well; cameras stay below 150 ms, so it is left aside")
        if not self.first_order:
            out.append("a first-order lag does not fit: the measured table [[response]] is written instead of it")
        elif self.chance < REJECTED:
            out.append("the misfit is more than noise but small: first order is kept, with deviations widened to match")
        return out

    def _slow_end(self) -> float:
        return float(1 / np.abs(1 - 1j * self.conduction_per_s / (2 * np.pi * self.frequency_hz.min())))


def fit(runs: Sequence[Run], usable: np.ndarray) -> Sweep:
    """Camera constants from `runs` of one specimen; `usable` (rows, columns) bool: pixels that may serve.

    InputError: too few, too close or aliased frequencies, unequal load, no signal, an ambiguous delay, a weak tau.
    """
    runs = sorted(runs, key=lambda run: run.frequency_hz)
    refuse(runs)
    region = far_field(runs, usable)
    answer = answers(runs, region)
    w = 2 * np.pi * np.array([run.frequency_hz for run in runs])
    readout, readout_sd, slope_model = _readout(w, answer)
    first, others = _best_delay(w, answer)
    chance = chance_of_more(first.chi2, first.dof)
    misfit = _residual(w, answer, first.x)
    material = np.max(np.abs(misfit)) > MATERIAL
    first_order = not (chance < REJECTED and material)
    trust = 1.0 if chance >= REJECTED else np.sqrt(first.chi2 / first.dof)
    best = first if first_order else _second_order(w, answer, first)
    gain, gain_sd, phase, phase_sd = _points(w, answer, best)
    tau, tau_sd = first.x[1], first.sd[1] * trust
    if tau * w.max() < LEAST_LAG:
        raise InputError(
            f"sweep: no lag shows up to {w.max() / (2 * np.pi):.3g} Hz (tau is {1e3 * tau:.2g} ms), and so small a one can't be told "
            f"from a delay; add recordings at higher load frequencies, or make the profile by hand with tau_s from the maker"
        )
    if not tau < 1 or tau_sd > 0.1 * tau:
        raise InputError(
            f"sweep: tau is {1e3 * tau:.2g} +- {1e3 * tau_sd:.2g} ms, may be known to 10 % or better; add recordings at "
            f"higher load frequencies, or longer ones"
        )
    delay_sd = np.hypot(best.sd[2] * (trust if first_order else 1), answer.mean_row * readout_sd)
    return Sweep(
        tau_s=float(tau),
        tau_sd_s=float(tau_sd),
        readout_s=float(readout),
        readout_sd_s=float(readout_sd),
        frame_delay_s=float(best.x[2] - answer.mean_row * readout),
        frame_delay_sd_s=float(delay_sd),
        conduction_per_s=float(best.x[3]),
        conduction_sd_per_s=float(best.sd[3]),
        chi2=first.chi2,
        dof=first.dof,
        chance=chance,
        first_order=first_order,
        other_delays_s=tuple(d - answer.mean_row * readout for d in others),
        frequency_hz=w / (2 * np.pi),
        gain=gain,
        gain_sd=gain_sd,
        phase=phase,
        phase_sd=phase_sd,
        slope=answer.slope,
        slope_sd=answer.slope_sd,
        slope_model=slope_model,
        region=region,
    )


def refuse(runs: Sequence[Run]) -> None:
    """InputError where the recordings (in rising order of frequency) can't carry a fit."""
    hz = np.array([run.frequency_hz for run in runs])
    distinct = 1 + np.count_nonzero(np.diff(hz) > 0.05 * hz[:-1])
    listed = ", ".join(f"{f:.3g}" for f in hz)
    if distinct < FEWEST:
        raise InputError(
            f"sweep: load frequencies are {listed} Hz, may be {FEWEST} different ones or more (5 advised, 60 s each); "
            f"record more"
        )
    if hz[-1] < LEAST_SPAN * hz[0]:
        raise InputError(
            f"sweep: load frequencies are {listed} Hz, the highest may be {LEAST_SPAN:g} times the lowest or more; widen "
            f"the span"
        )
    for run in runs:
        if run.inflation > WORST_INFLATION:
            raise InputError(
                f"{run.name}: load frequency {run.frequency_hz:.4g} Hz folds onto zero or another harmonic at this frame "
                f"rate, may be one that keeps them apart; shift it by a few per cent (bolotip plan lists them)"
            )
    loads = np.array([run.range_kN for run in runs])
    if loads.max() - loads.min() > WIDEST_LOAD * loads.mean():
        worst = runs[int(np.argmax(np.abs(loads - np.median(loads))))]
        raise InputError(
            f"{worst.name}: load range is {worst.range_kN:.4g} kN, may be the {np.median(loads):.4g} kN of the others; "
            f"record all at one load range"
        )


def _readout(w: np.ndarray, a: Answer) -> tuple[float, float, np.ndarray]:
    """Readout, its deviation, and the slopes of the fit -w r + q/w; q is conduction that differs from row to row."""
    design = np.stack([-w, 1 / w], axis=1) / a.slope_sd[:, None]
    x, *_ = np.linalg.lstsq(design, a.slope / a.slope_sd, rcond=None)
    left = a.slope / a.slope_sd - design @ x
    spread = float(left @ left) / (w.size - 2)
    sd = np.sqrt(np.linalg.inv(design.T @ design)[0, 0])
    if chance_of_more(spread * (w.size - 2), w.size - 2) < REJECTED:
        sd *= np.sqrt(spread)
    return float(x[0]), float(sd), design @ x * a.slope_sd


def _model(w: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Log of the complex answer; x = log scale, tau, delay at the mean row, conduction, and a second-order term."""
    detector = 1 + 1j * w * x[1] - (w**2 * x[4] if len(x) > 4 else 0)
    return x[0] - np.log(1 - 1j * x[3] / w) - np.log(detector) - 1j * w * x[2]


def _residual(w: np.ndarray, a: Answer, x: np.ndarray) -> np.ndarray:
    """Log gain and phase of the data less the model (2 J,); the phase to the nearest turn."""
    left = a.log_gain + 1j * a.phase - _model(w, x)
    return np.concatenate([left.real, np.angle(np.exp(1j * left.imag))])


def _solve(w: np.ndarray, a: Answer, start: np.ndarray) -> Solution:
    sd = np.concatenate([a.gain_sd, a.phase_sd])
    scale = np.array([0.01, 1e-3, 1e-3, 0.1, 1e-5])[: len(start)]
    return solve(lambda x: _residual(w, a, x) / sd, start, scale)


def _best_delay(w: np.ndarray, a: Answer) -> tuple[Solution, list[float]]:
    """First-order fit from every delay that may lie in the right valley: a wrong one would have to be wrong by a whole
    number of cycles at every frequency. Also the other delays that fit as well."""
    delays = np.arange(*SEARCHED_DELAY_S, 0.1 / w.max())
    found: list[Solution] = []
    for tau in (0.004, 0.008, 0.012, 0.018):
        log_scale = np.mean(a.log_gain + 0.5 * np.log1p((w * tau) ** 2))
        left = a.phase[:, None] + np.arctan(w * tau)[:, None] + w[:, None] * delays
        cost = np.sum(1 - np.cos(left), axis=0)
        valley = np.flatnonzero((cost <= np.roll(cost, 1)) & (cost <= np.roll(cost, -1)))
        for i in valley[np.argsort(cost[valley])][:6]:
            one = _solve(w, a, np.array([log_scale, tau, delays[i], 0.0]))
            if not any(abs(one.x[2] - other.x[2]) < 1e-4 for other in found):
                found.append(one)
    found.sort(key=lambda one: one.chi2)
    enough = 25 * max(1.0, found[0].chi2 / found[0].dof)
    good = [one for one in found if one.chi2 < found[0].chi2 + enough and abs(one.x[3]) < w.min()]
    usual = [one for one in good if USUAL_DELAY_S[0] <= one.x[2] <= USUAL_DELAY_S[1]]
    if len(usual) > 1 or (not usual and len(good) != 1):
        listed = " and ".join(f"{1e3 * one.x[2]:.0f} ms" for one in (usual or good)[:3]) or "none"
        raise InputError(
            f"sweep: delays that fit are {listed}, may be one only: these load frequencies can't tell the whole cycles "
            f"apart; add one that has no common divisor with the others, a slow one best"
        )
    best = usual[0] if usual else good[0]
    return best, [one.x[2] for one in good if one is not best]


def _second_order(w: np.ndarray, a: Answer, first: Solution) -> Solution:
    """A detector of second order, only to find scale, delay and conduction for the points of a measured table."""
    return _solve(w, a, np.append(first.x, 1e-5))


def _points(w: np.ndarray, a: Answer, fitted: Solution) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Gain and phase of the detector alone and their deviations, those of scale and conduction included."""
    x = fitted.x
    rest = _model(w, np.array([x[0], 0.0, x[2], x[3]]))
    gain = np.exp(a.log_gain - rest.real)
    phase = np.angle(np.exp(1j * (a.phase - rest.imag)))
    lag = np.unwrap(np.concatenate([[0.0], phase]))[1:]
    led = fitted.sd[3] / w  # the delay's own deviation goes with frame_delay_sd_s
    return gain, gain * np.hypot(a.gain_sd, fitted.sd[0]), lag, np.hypot(a.phase_sd, led)
