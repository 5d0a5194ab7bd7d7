"""The report as HTML: one page, nothing fetched, laid out for phone, desk and paper. Plain text is escaped here."""
from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from edge.pictures import INTERVAL, Picture


@dataclass(frozen=True)
class Fix:
    """The pictures of one fix behind the slider, the line that names it and a sentence in place of pictures left out."""
    seq: int
    label: str
    pictures: tuple[Picture, ...]
    left_out: str = ""


STYLE = """
:root { --ink: #1d2227; --quiet: #56606a; --line: #d5dade; --panel: #f6f7f8; --accent: #0072B2; }
* { box-sizing: border-box; }
body { margin: 0; color: var(--ink); background: white; font: 16px/1.5 system-ui, "DejaVu Sans", Arial, sans-serif; }
main, header, footer { max-width: 84rem; margin: 0 auto; padding: 0 1.2rem; }
h1 { font-size: 1.5rem; margin: 1.2rem 0 0; overflow-wrap: anywhere; }
h2 { font-size: 1.2rem; margin: 2.2rem 0 .6rem; padding-top: .5rem; border-top: 1px solid var(--line); }
p { margin: .5rem 0; max-width: 60rem; overflow-wrap: anywhere; }
.quiet, figcaption, dt { color: var(--quiet); }
.quiet, figcaption { font-size: .875rem; }
.verdict { border-left: .5rem solid; padding: .5rem 1rem; margin: 1rem 0; background: var(--panel); }
.verdict strong { font-size: 1.15rem; }
.verdict ul { margin: .4rem 0; padding-left: 1.2rem; overflow-wrap: anywhere; }
.level0 { border-color: #009E73; } .level1 { border-color: #E69F00; } .level2 { border-color: #D55E00; }
dl.facts { display: grid; grid-template-columns: repeat(auto-fit, minmax(10rem, 1fr)); gap: .8rem; margin: 1rem 0; }
dl.facts div { border: 1px solid var(--line); border-radius: .4rem; padding: .5rem .6rem; }
dt { font-size: .8rem; }
dd { margin: 0; font-weight: 600; font-size: .95rem; overflow-wrap: break-word; }
.grid { display: grid; gap: 1.2rem 1.6rem; grid-template-columns: repeat(auto-fit, minmax(min(100%, 23rem), 1fr)); }
figure { margin: 0; max-width: 36rem; break-inside: avoid; }
figure img { width: 100%; height: auto; display: block; }
.slider { position: sticky; top: 0; z-index: 1; background: white; border-bottom: 1px solid var(--line);
  padding: .5rem 0; margin-bottom: 1rem; display: grid; grid-template-columns: auto 1fr auto; gap: .3rem .8rem;
  align-items: center; }
.slider[hidden], .fix[hidden] { display: none; }
.slider output { grid-column: 1 / -1; font-variant-numeric: tabular-nums; }
.slider input { width: 100%; min-width: 0; accent-color: var(--accent); }
.slider button { font: inherit; min-width: 2.8rem; min-height: 2.4rem; border: 1px solid var(--line);
  border-radius: .4rem; background: var(--panel); color: var(--ink); }
table { border-collapse: collapse; width: 100%; font-size: .875rem; font-variant-numeric: tabular-nums; }
th, td { text-align: left; vertical-align: top; padding: .35rem .7rem .35rem 0; border-bottom: 1px solid var(--line); }
td { overflow-wrap: anywhere; }
td:first-child { overflow-wrap: normal; min-width: 9rem; }
td.words { min-width: 14rem; }
footer { margin: 2.5rem auto 2rem; border-top: 1px solid var(--line); padding-top: .8rem; }
@media (max-width: 62rem) {
  thead { display: none; }
  tr { display: grid; grid-template-columns: 1fr 1fr; gap: 0 1rem; padding: .5rem 0;
    border-bottom: 1px solid var(--line); }
  td { border: 0; padding: .1rem 0; }
  td.words { grid-column: 1 / -1; min-width: 0; }
  td[data-name]::before { content: attr(data-name); display: block; font-size: .75rem; color: var(--quiet); }
}
@media print {
  .slider button, .slider input { display: none; }
  .slider { position: static; }
  body { font-size: 11pt; print-color-adjust: exact; }
}
"""

SCRIPT = """
const fixes = [...document.querySelectorAll('.fix')];
if (fixes.length) {
  const bar = document.getElementById('fix-bar'), text = document.getElementById('fix-text');
  const show = i => {
    i = Math.max(0, Math.min(fixes.length - 1, i));
    fixes.forEach((fix, k) => { fix.hidden = k !== i; });
    bar.value = i;
    text.textContent = fixes[i].dataset.label;
    bar.setAttribute('aria-valuetext', fixes[i].dataset.label);
  };
  const named = () => fixes.findIndex(fix => '#fix-' + fix.dataset.seq === location.hash);
  bar.addEventListener('input', () => show(Number(bar.value)));
  document.getElementById('fix-back').addEventListener('click', () => show(Number(bar.value) - 1));
  document.getElementById('fix-on').addEventListener('click', () => show(Number(bar.value) + 1));
  window.addEventListener('hashchange', () => { if (named() >= 0) show(named()); });
  document.querySelector('.slider').hidden = false;
  show(named() >= 0 ? named() : fixes.length - 1);
}
"""

# The policy makes the browser itself refuse anything that is not in the file.
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'"
HEAD = f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,">
<style>{STYLE}</style>
<noscript><style>.fix[hidden] {{ display: block; }}</style></noscript>"""


def document(title: str, head: Iterable[str], sections: Iterable[str], foot: str) -> str:
    """The whole page; title is plain text, the rest HTML."""
    return "\n".join((
        HEAD, f"<title>{escape(title)}</title>", "</head>", "<body>", f"<header><h1>{escape(title)}</h1>", *head,
        "</header>", "<main>", *sections, "</main>", f"<footer>{foot}</footer>", f"<script>{SCRIPT}</script>",
        "</body>", "</html>", ""))


def section(title: str, *parts: str) -> str:
    """A titled part of the page; parts are HTML."""
    return f"<section><h2>{escape(title)}</h2>\n"+"\n".join(parts)+"</section>"


def paragraph(text: str, quiet: bool = False) -> str:
    """Plain text as a paragraph."""
    return f'<p{" class=quiet" if quiet else ""}>{escape(text)}</p>'


def banner(level: int, word: str, sentences: Iterable[str]) -> str:
    """The verdict: the word is written out, the colour only supports it."""
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
    return f'<div class="verdict level{level}"><strong>Data quality: {escape(word)}</strong><ul>{items}</ul></div>'


def facts(pairs: Iterable[tuple[str, str]]) -> str:
    """Tiles of name and value."""
    tiles = "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in pairs)
    return f'<dl class="facts">{tiles}</dl>'


def image(picture: Picture) -> str:
    """A figure with its picture inlined."""
    data = base64.b64encode(picture.png).decode("ascii")
    return (f'<figure><img alt="{escape(picture.alt)}" src="data:image/png;base64,{data}">'
            f"<figcaption>{escape(picture.caption)}</figcaption></figure>")


def grid(pictures: Iterable[Picture]) -> str:
    """Pictures side by side as the width allows."""
    return f'<div class="grid">{"".join(map(image, pictures))}</div>'


def slider(fixes: Sequence[Fix]) -> str:
    """Control and all fixes, the last one shown; without scripts every fix is shown and the control is not."""
    last = len(fixes)-1
    control = (
        '<div class="slider" hidden><button id="fix-back" type="button" aria-label="fix before">\u25c0</button>'
        f'<input id="fix-bar" type="range" min="0" max="{last}" value="{last}" step="1" aria-label="fix shown">'
        '<button id="fix-on" type="button" aria-label="next fix">\u25b6</button>'
        '<output id="fix-text" for="fix-bar"></output></div>')
    return control+"\n".join(_fix(fix, hidden=k < last) for k, fix in enumerate(fixes))


def _fix(fix: Fix, hidden: bool) -> str:
    attributes = f'data-seq="{fix.seq}" data-label="{escape(fix.label)}"{" hidden" if hidden else ""}'
    left_out = paragraph(fix.left_out) if fix.left_out else ""
    return f'<div class="fix" {attributes}><noscript>{paragraph(fix.label)}</noscript>{grid(fix.pictures)}{left_out}</div>'


def table(names: Sequence[str], rows: Iterable[Sequence[str]], wordy: Sequence[str] = ()) -> str:
    """A table that becomes a list of cards on a narrow screen; columns named in `wordy` get room for sentences."""
    head = "".join(f"<th>{escape(name)}</th>" for name in names)
    kinds = [f'data-name="{escape(name)}"'+(" class=words" if name in wordy else "") for name in names]
    lines = ["".join(f"<td {kind}>{escape(cell or chr(0x2013))}</td>" for kind, cell in zip(kinds, row, strict=True))
             for row in rows]
    body = "\n".join(f"<tr>{line}</tr>" for line in lines)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def thousands(count: int) -> str:
    """84 000: a narrow space between groups of three, as ISO 80000-1 has it (from memory)."""
    return f"{count:,}".replace(",", "\u202f")


def with_interval(value: float | None, sd: float | None, unit: str = "") -> str:
    """'12.34 \u00b1 0.05 mm': half the 95 % interval to two digits, the value to the same place; '' without a value."""
    if value is None:
        return ""
    tail = f" {unit}" if unit else ""
    if sd is None or not sd > 0:
        return f"{value:.4g}{tail}".replace("-", "\u2212")
    half = INTERVAL*sd
    digits = max(1-math.floor(math.log10(half)), 0)
    return f"{value:.{digits}f} \u00b1\u00a0{half:.{digits}f}{tail}".replace("-", "\u2212")
