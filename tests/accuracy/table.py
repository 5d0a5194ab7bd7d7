"""The results as Markdown: one line a condition, coverage of the 95 % intervals, and the sets that may show nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from accuracy.conditions import Condition

Result = dict[str, Any]
DK_RMS, DK_BIAS, T_LIMIT, NOISE_LIMIT = 0.015, 0.007, 0.05, 1.05
COVERAGE = (0.90, 0.98)
HEAD = (
    "| condition | n | tip row, px | tip col, px | ΔK rms, % | ΔK bias, % | T rms, σ | T bias, σ | 1f noise | 2f noise "
    "| contact found | contact rms, mm | remarks |"
)
GROUPS = {
    "timing": "Timing", "camera": "Camera", "motion": "Motion", "load path": "Load path", "frame rate": "Frame rates",
    "crack": "Cracks", "together": "All together",
}  # fmt: skip


def values(results: Iterable[Result], key: str) -> np.ndarray:
    found = [r[key] for r in results if r.get(key) is not None]
    return np.array([v for v in found if np.isfinite(v)], float)


def rms(v: np.ndarray) -> float:
    return float(np.sqrt(np.mean(v**2))) if v.size else float("nan")


def mean(v: np.ndarray) -> float:
    return float(np.mean(v)) if v.size else float("nan")


def sure_bias(v: np.ndarray) -> float:
    """How much of the mean is beyond two of its own deviations: what few renders can't blame on noise."""
    if v.size < 4:
        return 0.0
    return max(0.0, abs(mean(v)) - 2 * float(np.std(v, ddof=1)) / np.sqrt(v.size))


def cell(value: float, form: str, over: bool) -> str:
    text = "–" if not np.isfinite(value) else format(value, form)
    return f"**{text}**" if over and text != "–" else text


def line(condition: Condition, results: list[Result]) -> str:
    """One line of the table; what is over its limit is bold."""
    row, col = rms(values(results, "row_px")), rms(values(results, "col_px"))
    dK, T = values(results, "dK_off"), values(results, "T_off")
    cells = [condition.name, str(len(results))]
    cells += [cell(v, ".3f", v > condition.tip_limit_px) for v in (row, col)]
    cells += [cell(100 * rms(dK), ".2f", rms(dK) > DK_RMS), cell(100 * mean(dK), "+.2f", sure_bias(dK) > DK_BIAS)]
    cells += [cell(rms(T), ".3f", rms(T) > T_LIMIT), cell(mean(T), "+.3f", sure_bias(T) > T_LIMIT)]
    for key in ("map1", "map2"):
        v = mean(values(results, key))
        cells.append(cell(v, ".3f", v > NOISE_LIMIT))
    touching = [r for r in results if r["contact_true_mm"] > 0]
    if touching and 2 not in condition.withheld:
        found = sum(bool(r.get("contact")) for r in touching)
        cells.append(cell(found, "d", found < len(touching)) + f"/{len(touching)}")
    else:
        cells.append("–")
    cells += [cell(rms(values(results, "contact_off_mm")), ".2f", False), remarks(condition, results)]
    return "| " + " | ".join(cells) + " |"


def remarks(condition: Condition, results: list[Result]) -> str:
    """Where something beside the numbers is not as it should be: each with the number of renders it concerns."""
    checks: list[tuple[str, Callable[[Result], bool]]] = [
        ("no tip", lambda r: not r["tip"]),
        ("not settled at the end", lambda r: not r["settled"]),
        ("cycles miscounted", lambda r: abs(r["cycles_off"]) > 1.5),
        ("lost frames miscounted", lambda r: r["lost_off"] != 0),
        ("copies miscounted", lambda r: r["copies_off"] != 0),
        ("load frequency off by 0.1 %", lambda r: abs(r["frequency_off"]) > 1e-3),
    ]
    checks += [(f"flag {w} absent", lambda r, w=w: w not in r["words"]) for w in condition.words]
    counts = [(text, sum(bool(test(r)) for r in results)) for text, test in checks]
    return "; ".join(f"{text}: {n}" for text, n in counts if n)


def tables(conditions: list[Condition], results: list[Result]) -> str:
    """The lines of every group that has results."""
    by = {c.name: [r for r in results if r["condition"] == c.name] for c in conditions}
    parts = []
    for group, title in GROUPS.items():
        lines = [line(c, by[c.name]) for c in conditions if c.group == group and by[c.name]]
        if lines:
            parts += [f"\n### {title}\n", HEAD, "|---" * 13 + "|", *lines]
    return "\n".join(parts)


INTERVALS = {
    "crack size, by crack_sd_mm": "z_crack", "tip along the crack, by tip_sd_px": "z_along",
    "tip across it, by tip_sd_px": "z_across", "ΔK": "z_dK", "ΔK_II": "z_dKII", "T": "z_T", "contact length": "z_contact",
}  # fmt: skip


def coverage(results: list[Result]) -> str:
    """How often the truth lies within 1.96 stated deviations, over all cracked renders that gave a tip."""
    used = [r for r in results if r["group"] in GROUPS and r.get("z_dK") is not None]
    plain = [r for r in used if r["group"] != "motion" and "together" not in r["group"]]
    return intervals({"all renders": used, "without motion and all together": plain})


def intervals(sets: dict[str, list[Result]]) -> str:
    """Coverage of each interval in each set."""
    out = ["| interval | " + " | ".join(f"{name} (n): covered; rms of error/deviation" for name in sets) + " |"]
    out.append("|---" * (1 + len(sets)) + "|")
    for name, key in INTERVALS.items():
        cells = [name]
        for chosen in sets.values():
            z = values(chosen, key)
            share = mean((np.abs(z) < 1.96).astype(float))
            over = not COVERAGE[0] <= share <= COVERAGE[1]
            cells.append(f"({z.size}) " + cell(100 * share, ".1f", over) + f" %; {rms(z):.2f}")
        out.append("| " + " | ".join(cells) + " |")
    return "\n".join(out)


FAR_OFF = 4.0  # deviations


def drawn(results: list[Result]) -> str:
    """Coverage, and every render in which something is not as it should be."""
    r = sorted((x for x in results if x["group"] == "drawn"), key=lambda x: x["index"])
    if not r:
        return "–"
    tips = [x for x in r if x["tip"]]
    touching = [x for x in tips if x["contact_true_mm"] > 0]
    dK, own = values(tips, "dK_off"), values(tips, "dK_own_off")
    out = [
        f"{len(r)} renders; tip found in {len(tips)}; ΔK rms error {100 * rms(dK):.2f} %, with K₀ and scale as they truly are "
        f"{100 * rms(own):.2f} %, largest {100 * np.abs(own).max():.1f} %; "
        f"false contact in {sum(bool(x['contact']) for x in tips if not x['contact_true_mm'])} of {len(tips) - len(touching)}; "
        f"contact, from strong to far below the noise, found in {sum(bool(x['contact']) for x in touching)} of {len(touching)}.\n",
        intervals({"all": tips, "at rest": [x for x in tips if not x["slips"]], "slipping": [x for x in tips if x["slips"]]}),
        f"\nWithout a tip, with a false contact, or off by more than {FAR_OFF:g} deviations:\n",
    ]
    for x in r:
        off = [f"{name} {x[key]:+.1f}" for name, key in INTERVALS.items() if abs(x.get(key) or 0) > FAR_OFF]
        if not x["tip"]:
            off.append("no tip: " + " ".join(x["flags"]))
        elif x["contact"] and not x["contact_true_mm"]:
            off.append("false contact")
        if off:
            out.append(f"- {x['index']}: {x['drawn']}{', slips' if x['slips'] else ''}: {'; '.join(off)}")
    return "\n".join(out)


def specials(conditions: list[Condition], results: list[Result]) -> str:
    """False contacts, false tips, missed contacts: in the last rows, and in any row."""
    out = ["| set | renders | in the last row | in any row |", "|---|---|---|---|"]
    for c in conditions:
        r = [x for x in results if x["condition"] == c.name]
        if not r or c.group not in ("open", "uncracked", "faint"):
            continue
        n = len(r)
        if c.group == "uncracked":
            last, ever, text = sum(x["tip"] for x in r), sum(x["tips_in_rows"] > 0 for x in r), "false tip"
        elif c.group == "open":
            last = sum(bool(x.get("contact")) for x in r)
            ever, text = sum(x["contacts_in_rows"] > 0 for x in r), "false contact"
        else:
            last = sum(not x.get("contact") for x in r)
            ever, text = "–", "missed contact"  # earlier rows have more noise
        out.append(f"| {c.name}: {text} | {n} | {cell(last, 'd', last > 0)} | {ever} |")
    return "\n".join(out)


def collisions(conditions: list[Condition], results: list[Result]) -> str:
    """Harmonics that fold together: withheld and flagged, the other kept."""
    out = [
        "| condition | lost | n | withheld and flagged | other kept: tip rms, px | ΔK rms, % |",
        "|---|---|---|---|---|---|",
    ]
    for c in conditions:
        r = [x for x in results if x["condition"] == c.name]
        if c.group != "collision" or not r:
            continue
        wrong = sum((1 in c.withheld and x["tip"]) or bool(x.get("contact")) or x["tips_in_rows"] == 0 and 1 not in c.withheld
                    or any(w not in x["flags"] for w in c.words) for x in r)  # fmt: skip
        off = rms(np.concatenate([values(r, "row_px"), values(r, "col_px")]))
        lost = ", ".join(f"{k}f" for k in sorted(c.withheld))
        out.append(
            f"| {c.name} | {lost} | {len(r)} | {cell(len(r) - wrong, 'd', wrong > 0)} | {cell(off, '.3f', off > c.tip_limit_px)} "
            f"| {cell(100 * rms(values(r, 'dK_off')), '.2f', rms(values(r, 'dK_off')) > DK_RMS)} |"
        )
    return "\n".join(out)
