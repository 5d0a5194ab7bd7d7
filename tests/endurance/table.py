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
    places = [i for i, s in enumerate(sections) if s.split("\n")[0] == title]
    sections[places[0] : places[0] + 1] = [new] if places else sections[:0]
    if not places:
        sections.append(new)
    note.write_text("\n\n## ".join(sections) + "\n")
