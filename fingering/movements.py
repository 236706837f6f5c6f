"""Grace notes and embellishments as the notes that sound, and the naming of those that were played.

A movement is a row of tables/movements.toml: the notes that sound, in order, before the melody note it leads to. Its
names, forms and sources stand there. What is told of a movement is not asked here, nor what may be a stray.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, NamedTuple

from fingering.notes import ABC_LETTERS

Opening = Literal["high G", "high A", "none"]


@dataclass(frozen=True, slots=True)
class Movement:
    """One form of a movement. `notes` are sounding notes 0 to 8; `on` is the melody note it leads to, None for any.

    `opening` is the grace note in front. `after` is the melody note it must follow, None for any.
    """

    name: str
    family: str
    notes: tuple[int, ...]
    on: int | None
    opening: Opening
    source: str
    after: int | None = None


@lru_cache(maxsize=1)
def movements() -> tuple[Movement, ...]:
    """All forms of all movements, in the order of the table, which settles what sounds alike."""
    import tomllib
    from importlib.resources import files

    text = (files("fingering") / "tables" / "movements.toml").read_text(encoding="utf-8")
    return tuple(form for row in tomllib.loads(text)["movement"] for form in _forms(row))


class Form(NamedTuple):
    """Notes as they are heard, one way in which a movement sounds; `left_out` counts the notes of it that are not."""

    movement: Movement
    left_out: int


@lru_cache(maxsize=81)
def forms_between(from_note: int, to_note: int) -> Mapping[tuple[int, ...], Form]:
    """What every movement may sound like between two melody notes (which may be the same), by what is heard.

    A first note that sounds already is no sound of its own (the half form that is then heard), and a last note that is
    the melody note merges with it. Where two movements sound alike, the one that leaves out fewer notes gives the name,
    then the one that stands first in the table. Forms that leave out inner notes equal to either melody note count what
    they leave out.
    """
    fitting = [m for m in movements() if m.on in (None, to_note) and m.after in (None, from_note)]
    found: dict[tuple[int, ...], Form] = {}
    for movement in fitting:
        found.setdefault(movement.notes, Form(movement, 0))
    for movement in fitting:
        notes = movement.notes
        first, last = notes[0] == from_note, notes[-1] == to_note
        for begin, end in ((first, 0), (0, last), (first, last)):
            found.setdefault(notes[begin : len(notes) - end], Form(movement, 0))
    thin = [(_without(m.notes, from_note, to_note), m) for m in fitting]
    for notes, movement in sorted(thin, key=lambda pair: len(pair[1].notes) - len(pair[0])):
        found.setdefault(notes, Form(movement, len(movement.notes) - len(notes)))
    found.pop((), None)
    return found


def _forms(row: dict[str, Any]) -> Iterator[Movement]:
    after = ABC_LETTERS.index(row["after"]) if "after" in row else None
    for letters, spelling in row["notes"].items():
        for form in [spelling] if isinstance(spelling, str) else spelling:
            notes = tuple(map(ABC_LETTERS.index, form))
            for on in [None] if letters == "any" else map(ABC_LETTERS.index, letters):
                yield Movement(row["name"], row["family"], notes, on, row["opening"], row["source"], after)


def _without(notes: tuple[int, ...], from_note: int, to_note: int) -> tuple[int, ...]:
    return tuple(note for note in notes if note not in (from_note, to_note))
