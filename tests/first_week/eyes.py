"""What a person sees of the practice page: texts that are visible, and the places of what is drawn; nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

NAMES = ("low G", "low A", "B", "C", "D", "E", "F", "high G", "high A")

# Notes are read by where their heads lie between the lines of the staff.
SEE = (Path(__file__).parent / "see.js").read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Seen:
    """`notes` are those on the staff, `lit` the place among them of the one to play, `sentence` the large one.

    `key` is what the one key for what comes next says, `rows` how many are filled of each row, `scrolls` the
    parts of the page that are not whole.
    """

    title: str
    sentence: str
    key: str
    notes: tuple[int, ...]
    lit: int | None
    rows: tuple[int, ...]
    scrolls: tuple[str, ...]
    summary: str


def see(page: Any) -> Seen:
    """Look at the page once."""
    found = page.evaluate(SEE)
    heads, letters = found["heads"], found["letters"]
    # From the top line one step down is one note lower; high A lies a line above it.
    notes = tuple(round(6 - steps) for _, steps in heads)
    for (x, _), note in zip(heads, notes, strict=True):
        near = [letter for at, letter in letters if abs(at - x) < 20]
        assert not near or near == [NAMES[note]], (near, note)
    lit = None
    if found["pointer"] is not None and heads:
        lit = min(range(len(heads)), key=lambda place: abs(heads[place][0] - found["pointer"]))
    return Seen(
        found["title"],
        found["sentence"],
        found["key"],
        notes,
        lit,
        tuple(found["rows"]),
        tuple(found["scrolls"]),
        found["summary"],
    )
