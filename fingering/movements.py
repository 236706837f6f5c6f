"""Grace notes and embellishments as the notes that sound, and the naming of those that were played.

A movement is a row of tables/movements.toml: the notes that sound, in order, before the melody note it leads to. Its
names, forms and sources stand there. This room only tells an ornament from strays; how well it was played is not asked.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

from fingering.moves import possible_strays
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


def name_movement(sounded: tuple[int, ...], from_note: int, to_note: int) -> Movement | None:
    """The movement that was played between two held notes (which may be the same), or None.

    `sounded` are the notes heard between them, in order, neighbours that are equal merged; returns to either held note
    may be among them. Sought in turn: the movement as the table has it; without its first note where that is the one
    held before (the half form that is then heard); with both held notes left out on either side. What the direct
    change can sound by itself, each note once, is no movement but strays.
    """
    if not sounded or _may_be_strays(sounded, from_note, to_note):
        return None
    spelled, thinned = _spellings(from_note, to_note)
    found = spelled.get(sounded)
    if found is None:
        thin = _without(sounded, from_note, to_note)
        if thin and not _may_be_strays(thin, from_note, to_note):
            found = thinned.get(thin)
    return found


def _forms(row: dict[str, Any]) -> Iterator[Movement]:
    after = ABC_LETTERS.index(row["after"]) if "after" in row else None
    for letters, spelling in row["notes"].items():
        for form in [spelling] if isinstance(spelling, str) else spelling:
            notes = tuple(map(ABC_LETTERS.index, form))
            for on in [None] if letters == "any" else map(ABC_LETTERS.index, letters):
                yield Movement(row["name"], row["family"], notes, on, row["opening"], row["source"], after)


def _may_be_strays(sounded: tuple[int, ...], from_note: int, to_note: int) -> bool:
    return len(set(sounded)) == len(sounded) and possible_strays(from_note, to_note).issuperset(sounded)


def _without(notes: tuple[int, ...], from_note: int, to_note: int) -> tuple[int, ...]:
    return tuple(note for note in notes if note not in (from_note, to_note))


@lru_cache(maxsize=81)
def _spellings(from_note: int, to_note: int) -> tuple[dict[tuple[int, ...], Movement], dict[tuple[int, ...], Movement]]:
    """What may be heard between two notes, as spelled and with both notes left out; the better reading stands first."""
    fitting = [m for m in movements() if m.on in (None, to_note) and m.after in (None, from_note)]
    spelled: dict[tuple[int, ...], Movement] = {}
    for movement in fitting:
        spelled.setdefault(movement.notes, movement)
    for movement in fitting:
        if movement.notes[0] == from_note and len(movement.notes) > 1:
            spelled.setdefault(movement.notes[1:], movement)
    thinned: dict[tuple[int, ...], Movement] = {}
    # The fewer notes left out, the better the reading; the sort keeps the table's order among equals.
    thin = [(_without(movement.notes, from_note, to_note), movement) for movement in fitting]
    for notes, movement in sorted(thin, key=lambda pair: len(pair[1].notes) - len(pair[0])):
        if notes:
            thinned.setdefault(notes, movement)
    return spelled, thinned
