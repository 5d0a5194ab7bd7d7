"""`bolotip plan`: before the test, which load frequency and memory suit this rig, and what can be expected of them."""

import json
import math
import sys
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from calibration.door import InputError
from edge import plausible
from edge.aliases import collisions
from edge.forecast import (
    NOMINAL_DK,
    TIP_SURE_PX,
    AtFrequency,
    AtSize,
    Basis,
    Fits,
    at_frequency,
    at_sizes,
    basis,
    candidates,
    clear_hz,
    crack_sizes,
    delta_K,
    margin_of,
    view_mm,
)
from edge.rig import FEWEST_CYCLES, FEWEST_FRAMES, Rig, load_rig

GOOD_ENOUGH = 1.15  # of the least cost: the frequency one has planned with is then kept
MEMORIES_S = (10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0)
LONGER_KEPT = 3.0  # times the least memory that is enough: a longer one is only shortened beyond this
K_TARGET = 0.01  # relative deviation of dK from noise and series
TIP_TARGET_MM, TIP_TARGET_OF_WIDTH = 0.05, 0.001  # half of ASTM E647's resolution of the crack size (from memory)
CONTACT_TARGET = 0.1  # of the yield strength; own choice
ROW_BYTES = 320  # with four flags; one more is some ten bytes
PIXEL_BYTES, MAP_BYTES = 25, 10_500  # two complex maps of 8, mean and noise of 4, mask of 1; the rest of the file
THIRD_BYTES = 8  # a pixel, of the map of a third harmonic
DAY_S = 86400.0
WIDTH = 110  # columns of the text
NOT_INCLUDED = (
    f"Least dK: there the tip is placed within {TIP_SURE_PX:g} px (one deviation); well below it fixes without a tip become "
    "common. Growth: between two independent fixes, 95 %. Contact: 4 deviations of one pixel at 2f. All from noise, series "
    "and calibration alone: against a microscope, tips of such fits were 0.24 mm rms off (De Finis et al., Procedia "
    "Structural Integrity 39 (2022) 528)."
)


@dataclass(frozen=True)
class Storage:
    """What the test leaves on the card, and the time of one row on the serial link (NaN: none)."""

    rows_MB_per_day: float
    maps_MB_per_day: float
    days_to_budget: float
    serial_s_per_row: float


@dataclass(frozen=True)
class Plan:
    """Everything `bolotip plan` says. Frequencies: after the rig's memory, for `reference_crack_mm` and
    `reference_dK_MPa_sqrt_m`; sizes: at the recommended frequency and memory, from `far_amplitude_K` (1f, gross)."""

    rig: str
    frequency_hz: float
    frequency_reason: str
    memory_s: float
    memory_reason: str
    rig_memory_s: float
    independent_fix_s: float
    settled_after_s: float
    noise_frame_K: float
    tau_s: float
    K_per_MPa: float
    far_amplitude_K: float
    reference_crack_mm: float
    reference_dK_MPa_sqrt_m: float
    frequencies: tuple[AtFrequency, ...]
    sizes: tuple[AtSize, ...]
    storage: Storage
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]


def make_plan(rig: Rig) -> Plan:
    """The whole calculation."""
    known = basis(rig)
    sizes = crack_sizes(rig)
    seen = view_mm(rig) or (0.0, -1.0)
    in_view = sizes[(sizes >= seen[0]) & (sizes <= seen[1])]
    reference = float(in_view[len(in_view) // 3] if in_view.size else sizes[len(sizes) // 3])
    expected = float(delta_K(rig, sizes[sizes == reference])[0])
    fits = Fits(known, reference)
    frequencies = tuple(at_frequency(known, hz, fits, expected) for hz in candidates(rig))
    chosen, why = recommend_frequency(rig.load.frequency_hz, frequencies)
    memory_s, memory_why = recommend_memory(known, chosen)
    table = tuple(at_sizes(known, chosen.frequency_hz, memory_s))
    s = rig.specimen
    uniform = s.geometry in ("SENT", "SENT-clamped", "MT")
    gross_MPa = 1e3 * (rig.load.nominal_range_kN or math.nan) / (s.width_mm * s.thickness_mm) if uniform else math.nan
    return Plan(
        rig=str(rig.path), frequency_hz=chosen.frequency_hz, frequency_reason=why,
        memory_s=memory_s, memory_reason=memory_why, rig_memory_s=rig.lockin.memory_s,
        independent_fix_s=memory_s, settled_after_s=2 * memory_s,
        noise_frame_K=known.noise_K, tau_s=known.profile.tau_s, K_per_MPa=known.K_per_MPa,
        far_amplitude_K=known.K_per_MPa * gross_MPa / 2, reference_crack_mm=reference,
        reference_dK_MPa_sqrt_m=expected if math.isfinite(expected) else NOMINAL_DK,
        frequencies=frequencies, sizes=table, storage=storage(rig), assumed=known.assumed,
        warnings=tuple(warnings(known, chosen, memory_s, table, frequencies)),
    )  # fmt: skip


def recommend_frequency(planned_hz: float, table: Sequence[AtFrequency]) -> tuple[AtFrequency, str]:
    """The clear frequency of least cost, or the planned one if it is clear and nearly as good; and why."""
    planned = next(f for f in table if f.frequency_hz == planned_hz)
    clear = [f for f in table if f.state == "clear"]
    if not clear:
        return planned, f"no clear frequency was found at this frame rate; {'; '.join(planned.reasons)}"
    best = min(clear, key=lambda f: f.cost)
    first = "smallest dK, " if math.isfinite(best.smallest_dK_MPa_sqrt_m) else ""
    least = f"the least product of {first}smallest contact signal and diffusion length"
    if planned.state == "clear" and planned.cost <= GOOD_ENOUGH * best.cost:
        return planned, f"as planned: clear of collisions, and within {GOOD_ENOUGH - 1:.0%} of {least}"
    if planned.state == "clear":
        return best, f"{least}; {planned_hz:g} Hz is clear too, with {planned.cost / best.cost:.1f} times that product"
    return best, f"{least} of those that are clear; not {planned_hz:g} Hz: {'; '.join(planned.reasons)}"


def recommend_memory(known: Basis, chosen: AtFrequency) -> tuple[float, str]:
    """The shortest memory that gives dK, tip and contact their targets, unless the crack outgrows it; and why."""
    rig, hz, planned_s = known.rig, chosen.frequency_hz, known.rig.lockin.memory_s
    sizes = [a for a in at_sizes(known, hz, planned_s) if math.isfinite(a.tip_sd_mm) and a.small_scale]
    if not sizes:
        return planned_s, "as planned: with no expected dK in view there is nothing to weigh it against"
    start, middle = sizes[0], sizes[(len(sizes) - 1) // 2]
    width = rig.specimen.width_mm
    tip_mm = max(TIP_TARGET_MM, TIP_TARGET_OF_WIDTH * width if math.isfinite(width) else 0.0)
    contact_MPa = CONTACT_TARGET * rig.specimen.yield_strength_MPa
    fits = Fits(known, start.crack_mm)
    clear_s = 1 / max(margin_of(rig, hz, flicker=False), 1e-9)
    least_s = max(FEWEST_FRAMES / rig.camera.frame_rate_hz, FEWEST_CYCLES / hz, clear_s)

    def enough(memory_s: float) -> bool:
        sd, tip_sd = fits.sd(start.dK_MPa_sqrt_m, hz, memory_s)
        contact = chosen.smallest_contact_MPa * math.sqrt(planned_s / memory_s)
        return sd <= K_TARGET * start.dK_MPa_sqrt_m and tip_sd <= tip_mm and contact <= contact_MPa

    target = (
        f"dK within {K_TARGET:.0%} and tip within {tip_mm:.2g} mm (one deviation) at {start.crack_mm:.3g} mm, and "
        f"contact stress from {contact_MPa:.2g} MPa"
    )
    wanted_s = next((m for m in MEMORIES_S if m >= least_s and enough(m)), math.inf)
    longest_s = longest_memory_s(middle, hz, tip_mm)
    if longest_s < min(wanted_s, MEMORIES_S[-1]):
        whole_s = max(math.ceil(least_s), math.floor(longest_s))
        shorter_s = max((m for m in MEMORIES_S if least_s <= m <= longest_s), default=whole_s)
        needs = f"needs {wanted_s:g} s" if wanted_s < math.inf else f"needs more than {MEMORIES_S[-1]:g} s"
        lag = f"the mean of longer ones lags behind the growth by {tip_mm:.2g} mm at {middle.crack_mm:.3g} mm"
        return shorter_s, f"{lag}; {target} {needs}"
    if wanted_s == math.inf:
        return MEMORIES_S[-1], f"even so long it does not give {target}"
    if wanted_s <= planned_s <= min(LONGER_KEPT * wanted_s, longest_s):
        return planned_s, f"as planned: it gives {target}"
    return wanted_s, f"the shortest that gives {target}"


def longest_memory_s(at: AtSize, frequency_hz: float, lag_mm: float) -> float:
    """Memory behind whose estimate the crack is `lag_mm` ahead. Frames fade as exp(-2 t/memory): mean age memory/2."""
    growth = at.growth_mm_per_cycle * frequency_hz
    return 2 * lag_mm / growth if growth > 0 else math.inf


def storage(rig: Rig) -> Storage:
    r = rig.records
    rows = ROW_BYTES * DAY_S / r.every_s
    pixel = PIXEL_BYTES + THIRD_BYTES * (rig.lockin.harmonics > 2)
    maps = (rig.camera.rows * rig.camera.columns * pixel + MAP_BYTES) * DAY_S / r.maps_every_s
    serial = 10 * ROW_BYTES / r.serial_baud if r.serial_port is not None else math.nan  # 8 bits, start and stop
    return Storage(rows / 1e6, maps / 1e6, r.budget_MB * 1e6 / (rows + maps), serial)


def warnings(
    known: Basis, chosen: AtFrequency, memory_s: float, sizes: Sequence[AtSize], frequencies: Sequence[AtFrequency]
) -> Iterable[str]:
    """What to mend before the test: one sentence each."""
    rig, hz = known.rig, chosen.frequency_hz
    planned = next(f for f in frequencies if f.frequency_hz == rig.load.frequency_hz)
    if planned.state != "clear":
        near = clear_hz(rig, planned.frequency_hz, 0.5)
        instead = f"; the nearest clear frequency is {near:g} Hz" if near else ""
        doubt = "do not run at" if planned.state == "collides" else "be careful at"
        yield f"{doubt} {planned.frequency_hz:g} Hz: {'; '.join(planned.reasons)}{instead}"
    yield from collisions(hz, rig.camera.frame_rate_hz, memory_s, rig.lockin.mains_hz).warnings
    if chosen.margin_hz < 1 / memory_s <= margin_of(rig, hz, flicker=False):
        yield (
            f"at {hz:g} Hz flicker or hum of the {rig.lockin.mains_hz:g} Hz mains may be seen at f or 2f if the frame rate is "
            f"0.5 % off its nominal value: keep lamps and their reflections out of the view"
        )
    seen = view_mm(rig)
    if seen is None:
        yield "the crack's path does not cross the image: check datum_px (row, column) and growth_angle_deg"
    elif outside := [a.crack_mm for a in sizes if not a.in_view]:
        yield (
            f"the image holds tips of cracks of {seen[0]:.3g} to {seen[1]:.3g} mm; not in view: "
            + ", ".join(f"{a:.3g}" for a in outside) + " mm"
        )  # fmt: skip
    s = rig.specimen
    if s.geometry != "plate" and (unknown := [a.crack_mm for a in sizes if not math.isfinite(a.K_MPa_sqrt_m_per_kN)]):
        yield f"no handbook K at {', '.join(f'{a:.3g}' for a in unknown)} mm: beyond the range of the solution for {s.geometry}"
    if s.geometry != "plate" and s.paris_C is not None and s.notch_mm < sizes[0].crack_mm:
        yield (f"cycles count from {sizes[0].crack_mm:.3g} mm, not from the notch of {s.notch_mm:g} mm: the life before it, "
               "often the longer part, is not in them")
    if s.geometry == "SENT-clamped" and s.free_length_mm is not None and s.free_length_mm < 2 * s.width_mm:
        yield (f"free_length_mm = {s.free_length_mm:g} is below twice the width: K between such close clamps is not known well "
               "(beam theory)")
    if narrow := [a.crack_mm for a in sizes if a.inner_mm < 0.999 * chosen.diffusion_mm]:
        remedy = "leave inner_mm out or raise it" if rig.fit.inner_mm is not None else "a higher frequency helps"
        yield (
            f"for cracks of {', '.join(f'{a:.3g}' for a in narrow)} mm the fit begins nearer to the tip than the "
            f"diffusion length {chosen.diffusion_mm:.2g} mm, where heat conduction bends the field; {remedy}"
        )
    if wide := [a.crack_mm for a in sizes if a.small_scale is False]:
        rule = "1.25 Pmax/(B yield)" if rig.specimen.geometry == "MT" else "(4/pi)(Kmax/yield)^2"
        yield f"from {min(wide):.3g} mm the ligament is below {rule} at R = 0 (ASTM E647): K no longer describes the tip"
    if faint := [a.crack_mm for a in sizes if a.tip_sd_mm > TIP_SURE_PX * rig.view.mm_per_px]:
        yield (f"for cracks of {', '.join(f'{a:.3g}' for a in faint)} mm dK is below the least dK, and fixes without a tip become common: "
               "more load, more memory or a nearer view")
    for a in sizes:
        if longest_memory_s(a, hz, TIP_TARGET_MM) < memory_s:
            yield f"from {a.crack_mm:.3g} mm the crack grows {TIP_TARGET_MM:g} mm in half the memory: expect a lag"
            break
    counts = known.profile.counts_per_K or rig.camera.counts_per_K
    if counts is not None and 1 / counts > 2 * known.noise_K:
        yield f"one count is {1e3 / counts:.3g} mK, above twice the noise, which then no longer smooths the steps"
    if storage(rig).serial_s_per_row > rig.records.every_s:
        yield f"one row takes {storage(rig).serial_s_per_row:.2g} s on the serial link: raise serial_baud or every_s"


def as_json(plan: Plan) -> str:
    """The plan as JSON; what is not known is null."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: plain(v) for k, v in value.items()}
        if isinstance(value, (tuple, list)):
            return [plain(v) for v in value]
        return None if isinstance(value, float) and not math.isfinite(value) else value

    return json.dumps(plain(asdict(plan)), indent=1, allow_nan=False)


def _number(value: object, digits: int = 3) -> str:
    if not isinstance(value, float):
        return str(value)
    if not math.isfinite(value):
        return "-"
    text = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e" in text and 1 <= abs(value) < 1e9 else text


def _table(*columns: tuple[str, str, Sequence[object]]) -> list[str]:
    """Right-aligned columns of (name, unit, values); a column of which nothing is known is left out."""
    cells = [
        [name, unit, *map(_number, values)]
        for name, unit, values in columns
        if any(not isinstance(v, float) or math.isfinite(v) for v in values)
    ]
    widths = [max(map(len, column)) for column in cells]
    return ["  ".join(c.rjust(w) for c, w in zip(row, widths)).rstrip() for row in zip(*cells)]


def _paragraph(first: str, text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first))


def as_text(plan: Plan) -> str:
    """The plan for a terminal."""
    f, a, out = plan.frequencies, plan.sizes, plan.storage
    lines = [
        f"Plan for {plan.rig}",
        "",
        _paragraph("  load frequency  ", f"{plan.frequency_hz:g} Hz: {plan.frequency_reason}"),
        _paragraph("  memory          ", f"{plan.memory_s:g} s: {plan.memory_reason}"),
        f"  time per fix    independent fixes are {plan.independent_fix_s:g} s apart, settled "
        f"{plan.settled_after_s:g} s after a start or change",
        "",
        _paragraph("", (
            f"Load frequencies for this camera after {plan.rig_memory_s:g} s (one frame: noise "
            f"{1e3 * plan.noise_frame_K:.3g} mK; time constant {1e3 * plan.tau_s:.3g} ms; a crack of "
            f"{plan.reference_crack_mm:.3g} mm, dK {_number(plan.reference_dK_MPa_sqrt_m)} MPa sqrt(m))"
        )),
        *_table(
            ("f", "Hz", [f"{x.frequency_hz:g}" for x in f]), ("", "", [x.state for x in f]),
            ("gain", "1f", [f"{x.gain_1f:.2f}" for x in f]), ("gain", "2f", [f"{x.gain_2f:.2f}" for x in f]),
            ("lag", "1f deg", [f"{-x.lag_1f_deg:.0f}" for x in f]),
            ("lag", "2f deg", [f"{-x.lag_2f_deg:.0f}" for x in f]),
            ("diffusion", "mm", [f"{x.diffusion_mm:.2f}" for x in f]),
            ("region", "mm", [f"{x.inner_mm:.2f}-{x.outer_mm:.1f}" for x in f]),
            ("noise", "1f mK", [1e3 * x.noise_1f_K for x in f]), ("noise", "2f mK", [1e3 * x.noise_2f_K for x in f]),
            ("least dK", "MPa sqrt m", [x.smallest_dK_MPa_sqrt_m for x in f]),
            ("growth", "mm", [x.smallest_growth_mm for x in f]),
            ("contact", "mK", [1e3 * x.smallest_contact_K for x in f]),
            ("contact", "MPa", [x.smallest_contact_MPa for x in f]),
        ),
        "",
        f"Crack sizes at {plan.frequency_hz:g} Hz, {plan.memory_s:g} s (zones: plane stress, the plastic one at R = 0)",
        *_table(
            ("a", "mm", [x.crack_mm for x in a]), ("tip", "", ["seen" if x.in_view else "unseen" for x in a]),
            ("K/kN", "MPa sqrt m", [math.nan if math.isfinite(x.dK_MPa_sqrt_m) else x.K_MPa_sqrt_m_per_kN for x in a]),
            ("dK", "MPa sqrt m", [x.dK_MPa_sqrt_m for x in a]), ("sd", "", [x.dK_sd for x in a]),
            ("tip sd", "mm", [x.tip_sd_mm for x in a]),
            ("plastic", "mm", [x.plastic_zone_mm for x in a]), ("reversed", "mm", [x.reversed_zone_mm for x in a]),
            ("region", "mm", [f"{x.inner_mm:.2f}-{x.outer_mm:.1f}" for x in a]),
            ("1f at", "inner mK", [1e3 * x.inner_amplitude_K for x in a]),
            ("1f at", "outer mK", [1e3 * x.outer_amplitude_K for x in a]),
            ("da/dN", "mm/cycle", [x.growth_mm_per_cycle for x in a]),
            ("cycles", "", [x.cycles for x in a]),
            ("hours", "", [x.cycles / plan.frequency_hz / 3600 for x in a]),
        ),
        "",
        *([f"Far from the crack the 1f amplitude is {_number(1e3 * plan.far_amplitude_K)} mK (gross stress)."]
          if math.isfinite(plan.far_amplitude_K) else []),
        _paragraph("", f"On the card a day: rows {_number(out.rows_MB_per_day, 2)} MB, maps {_number(out.maps_MB_per_day)} MB; "
                   f"older maps are thinned after {_number(out.days_to_budget)} days."),
        _paragraph("", NOT_INCLUDED),
    ]  # fmt: skip
    for heading, sentences in (("Assumed", plan.assumed), ("Mind", plan.warnings)):
        lines += ["", heading, *(_paragraph("  - ", s) for s in sentences)] if sentences else []
    return "\n".join(lines) + "\n"


def main(rig_path: Path, json: bool, picture: Path | None) -> int:
    """The command. InputError: a mistake in the rig file or profile, a picture that cannot be written."""
    rig = load_rig(rig_path, check_files=False)
    for doubt in plausible.of_rig(rig, aliases=False):
        print(f"bolotip: {doubt}", file=sys.stderr)
    plan = make_plan(rig)
    if picture is not None:
        if picture.suffix.lower() != ".png" or not picture.parent.is_dir():
            raise InputError(f"--picture: is {picture}, may be a name that ends in .png, in a folder that exists")
        from edge.plan_picture import draw

        drawn = draw(basis(rig), plan.frequency_hz, plan.memory_s, plan.sizes)
        try:
            picture.write_bytes(drawn)
        except OSError as e:
            raise InputError(f"{picture}: cannot be written ({e.strerror}); check folder, room and rights") from None
    print(as_json(plan) if json else as_text(plan), end="\n" if json else "")
    return 0
