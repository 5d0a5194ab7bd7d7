"""The status picture: 480 x 320 pixels for a small display, drawn with opencv's own letters (ASCII and ±)."""

import dataclasses
import textwrap
from collections.abc import Sequence

import numpy as np

from edge.record import Row

WIDTH, HEIGHT = 480, 320
PAPER, INK, GRAY, LINE = (255, 255, 255), (30, 30, 30), (110, 110, 110), (215, 215, 215)  # blue, green, red
CURVE, FINE, AMISS = (150, 80, 20), (70, 120, 30), (30, 90, 210)
PLOT = (222, 42, 470, 232)  # left, top, right, bottom
Image = np.ndarray


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
    import cv2

    image = np.full((HEIGHT, WIDTH, 3), PAPER, np.uint8)
    text(image, (8, 20), title[-30:], 0.5)
    text(image, (WIDTH - 190, 20), written.replace("T", " ").replace("Z", " UTC"), 0.42, GRAY)
    cv2.line(image, (0, 28), (WIDTH, 28), LINE, 1)
    values(image, row)
    plot(image, history)
    foot(image, row, parts)
    return bytes(cv2.imencode(".png", image)[1])


def text(image: Image, at: tuple[int, int], words: str, size: float = 0.45, colour: tuple[int, ...] = INK) -> None:
    """Left end of the base line at (x, y)."""
    import cv2

    plain = words.replace("±", "+").encode("ascii", "replace").decode()
    cv2.putText(image, plain, at, cv2.FONT_HERSHEY_SIMPLEX, size, colour, 1, cv2.LINE_AA)
    for i in (i for i, letter in enumerate(words) if letter == "±"):  # the bar below its plus
        left, right = at[0] + width(plain[:i], size), at[0] + width(plain[: i + 1], size)
        cv2.line(image, (left + 2, at[1]), (right - 2, at[1]), colour, 1)


def values(image: Image, row: Row | None) -> None:
    """The last row's values, one above the other."""
    if row is None:
        text(image, (8, 60), "no record yet", 0.55, GRAY)
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
        text(image, (8, y + 3), name, 0.36, GRAY)
        text(image, (8, y + 22), value, 0.6)
        if value != "-":
            text(image, (110, y + 22), sd, 0.4, GRAY)


def plot(image: Image, history: Sequence[tuple[float, float, float]]) -> None:
    """Crack size against cycles, with two standard deviations."""
    import cv2

    left, top, right, bottom = PLOT
    cv2.rectangle(image, (left, top), (right, bottom), LINE, 1)
    if not history:
        text(image, (left + 80, (top + bottom) // 2), "no crack yet", 0.45, GRAY)
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
    for xi, a, b in zip(np.rint(x).astype(int), np.rint(low).astype(int), np.rint(high).astype(int)):
        cv2.line(image, (int(xi), int(a)), (int(xi), int(b)), LINE, 1)
    points = np.rint(np.column_stack([x, y])).astype(np.int32)
    for point in points:
        cv2.circle(image, (int(point[0]), int(point[1])), 2, CURVE, -1, cv2.LINE_AA)
    for y_at, words in ((top + 12, f"{y1:.2f}"), (top + 26, "mm"), (bottom - 4, f"{y0:.2f}")):
        text(image, (left - 5 - width(words, 0.36), y_at), words, 0.36, GRAY)
    text(image, (left, bottom + 14), f"{x0:,.0f}", 0.36, GRAY)
    last = f"{x1:,.0f} cycles"
    text(image, (right - width(last, 0.36), bottom + 14), last, 0.36, GRAY)


def width(words: str, size: float) -> int:
    import cv2

    return int(cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, size, 1)[0][0])


def ends(values: Image, least: float) -> tuple[float, float]:
    """Of an axis: the values' own, `least` apart at least."""
    low, high = float(values.min()), float(values.max())
    more = max(0.0, least - (high - low)) / 2
    return low - more, high + more


def foot(image: Image, row: Row | None, parts: Sequence[Part]) -> None:
    """State of each part, then the flags, as many as fit."""
    import cv2

    cv2.line(image, (0, 252), (WIDTH, 252), LINE, 1)
    x = 8
    for part in parts:
        words = f"{part.name}: {part.state}"
        text(image, (x, 270), words, 0.42, FINE if part.state == "ok" else AMISS)
        x += width(words, 0.42) + 16
    flags = " ".join(row.flags) if row is not None else ""
    for i, line in enumerate(textwrap.wrap(flags, 68, max_lines=2, placeholder=" ...")):
        text(image, (8, 290 + 18 * i), line, 0.4)
