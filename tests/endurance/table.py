"""Tables and sections of hw_notes/endurance.md."""

from collections.abc import Iterable, Sequence
from pathlib import Path


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = [header, ["---"] * len(header), *rows]
    return "".join("| " + " | ".join(str(c).replace("|", "/") for c in line) + " |\n" for line in lines)


def put_section(note: Path, title: str, text: str) -> None:
    """Put `text` under the heading `title` of `note`, in the place of what stood there."""
    sections = note.read_text().split("\n## ") if note.exists() else ["# Endurance\n"]
    sections = [sections[0].rstrip("\n"), *[s.rstrip("\n") for s in sections[1:]]]
    new = f"{title}\n\n{text.strip()}"
    titles = [s.split("\n")[0] for s in sections]
    if title in titles:
        sections[titles.index(title)] = new
    else:
        sections.append(new)
    note.write_text("\n\n## ".join(sections) + "\n")


def kept_rows(note: Path, title: str, rows: list[Sequence[str]]) -> list[Sequence[str]]:
    """`rows`, and in their old places those of the table in the section `title` whose first cell is not among them."""
    if not note.exists() or f"\n## {title}\n" not in note.read_text():
        return rows
    section = note.read_text().split(f"\n## {title}\n")[1].split("\n## ")[0]
    old = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| ")][2:]
    new = {row[0]: row for row in rows}
    return [new.pop(row[0], row) for row in old] + list(new.values())
