"""The status picture: 480 x 320 pixels for a small display."""

import dataclasses
import textwrap
from collections.abc import Sequence

import numpy as np

from edge.letters import Image, bar, dots, packed, text, width
from edge.record import Row

WIDTH, HEIGHT = 480, 320
PAPER, INK, GRAY, LINE = (255, 255, 255), (30, 30, 30), (110, 110, 110), (215, 215, 215)  # red, green, blue
CURVE, FINE, AMISS = (20, 80, 150), (30, 120, 70), (210, 90, 30)
PLOT = (222, 42, 470, 232)  # left, top, right, bottom
SMALL, PLAIN, TITLE, LARGE = 11, 12, 14, 18  # letters, pixels


@dataclasses.dataclass(frozen=True)
class Part:
    """A source or sink: name, state ("ok" or "waiting") and why, and counts worth telling."""

    name: str
    state: str
    fault: str | None = None
    counts: dict[str, int] = dataclasses.field(default_factory=dict)


def draw(
    title: str, written: str, row: Row | None, history: Sequence[tuple[float, float, float]], parts: Sequence[Part]
) -> bytes:
    """The picture as PNG bytes. history: cycles, crack_mm, crack_sd_mm of the fixes."""
    image = np.full((HEIGHT, WIDTH, 3), PAPER, np.uint8)
    when = written.replace("T", " ").replace("Z", " UTC")
    text(image, (WIDTH - 10 - width(when, PLAIN), 20), when, PLAIN, GRAY)
    text(image, (8, 20), shortened(title, WIDTH - 40 - width(when, PLAIN)), TITLE, INK)
    bar(image, 0, 28, WIDTH, 28, LINE)
    values(image, row)
    plot(image, history)
    foot(image, row, parts)
    return packed(image)


def shortened(words: str, room_px: int) -> str:
    """Their end, as much as there is room for."""
    while width(words, TITLE) > room_px:
        words = words[1:]
    return words


def values(image: Image, row: Row | None) -> None:
    """The last row's values, one above the other."""
    if row is None:
        text(image, (8, 60), "no record yet", TITLE, GRAY)
        return

    def number(value: float | None, form: str) -> str:
        return form.format(value) if value is not None else "-"

    shown = (
        ("crack, mm", number(row.crack_mm, "{:.3f}"), number(row.crack_sd_mm, "±{:.3f}")),
        ("dK_I, MPa sqrt(m)", number(row.dKI_MPa_sqrt_m, "{:.2f}"), number(row.dKI_sd, "±{:.2f}")),
        ("contact, mm", number(row.contact_length_mm, "{:.2f}"), number(row.contact_sd_mm, "±{:.2f}")),
        ("da/dN, mm/cycle", number(row.rate_mm_per_cycle, "{:.2e}"), number(row.rate_sd, "±{:.0e}")),
        ("cycles", number(row.cycles, "{:,d}"), ""),
    )
    for i, (name, value, sd) in enumerate(shown):
        y = 42 + 40 * i
        text(image, (8, y + 3), name, SMALL, GRAY)
        text(image, (8, y + 22), value, LARGE, INK)
        if value != "-":
            text(image, (16 + width(value, LARGE), y + 22), sd, PLAIN, GRAY)


def plot(image: Image, history: Sequence[tuple[float, float, float]]) -> None:
    """Crack size against cycles, with two standard deviations."""
    left, top, right, bottom = PLOT
    for x, y in ((left, top), (right, bottom)):
        bar(image, left, y, right, y, LINE)
        bar(image, x, top, x, bottom, LINE)
    if not history:
        text(image, (left + 80, (top + bottom) // 2), "no crack yet", PLAIN, GRAY)
        return
    cycles, crack, sd = np.array(history, float).T
    x0, x1 = ends(cycles, 1.0)
    y0, y1 = ends(np.concatenate([crack - 2 * sd, crack + 2 * sd]) if len(crack) < 3 else crack, 0.05)
    y0, y1 = y0 - 0.05 * (y1 - y0), y1 + 0.05 * (y1 - y0)
    x = left + 4 + (cycles - x0) / (x1 - x0) * (right - left - 8)
    y, low, high = (
        np.clip(bottom - 4 - (v - y0) / (y1 - y0) * (bottom - top - 8), top, bottom)
        for v in (crack, crack - 2 * sd, crack + 2 * sd)
    )
    x, y, low, high = (np.rint(v).astype(int) for v in (x, y, low, high))
    for at, lowest, highest in zip(x.tolist(), low.tolist(), high.tolist()):
        bar(image, at, highest, at, lowest, LINE)
    dots(image, x, y, 2.0, CURVE)
    for y_at, words in ((top + 12, f"{y1:.2f}"), (top + 26, "mm"), (bottom - 4, f"{y0:.2f}")):
        text(image, (left - 5 - width(words, SMALL), y_at), words, SMALL, GRAY)
    text(image, (left, bottom + 14), f"{x0:,.0f}", SMALL, GRAY)
    last = f"{x1:,.0f} cycles"
    text(image, (right - width(last, SMALL), bottom + 14), last, SMALL, GRAY)


def ends(values: Image, least: float) -> tuple[float, float]:
    """Of an axis: the values' own, `least` apart at least."""
    low, high = float(values.min()), float(values.max())
    more = max(0.0, least - (high - low)) / 2
    return low - more, high + more


def foot(image: Image, row: Row | None, parts: Sequence[Part]) -> None:
    """State of each part, then the flags, as many as fit."""
    bar(image, 0, 252, WIDTH, 252, LINE)
    x = 8
    for part in parts:
        words = f"{part.name}: {part.state}"
        text(image, (x, 270), words, PLAIN, FINE if part.state == "ok" else AMISS)
        x += width(words, PLAIN) + 16
    flags = " ".join(row.flags) if row is not None else ""
    for i, line in enumerate(textwrap.wrap(flags, 64, max_lines=2, placeholder=" ...")):
        text(image, (8, 290 + 18 * i), line, PLAIN, INK)
