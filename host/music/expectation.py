"""The notes that a tune or an exercise asks a chanter to hold, in order.

A chanter cannot part two equal notes without a grace note or a rest between them: such a pair is one held note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fingering.notes import NOTES
from host.music.tune import Tune


class ExpectationError(ValueError):
    """Nothing, or nothing playable, to compare with."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One note to be held, 0 to 8, and the grace notes before it.

    `bar` is its number as players count, None without bars; `begins_bar` where it is the first of its bar; `place` is
    (index of the bar, index of the note in it) in the tune.
    """

    note: int
    graces: tuple[int, ...] = ()
    bar: int | None = None
    begins_bar: bool = False
    place: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is to be held, under the name of the tune."""

    name: str
    notes: tuple[Wanted, ...]


def expect(what: Tune | Sequence[int] | Expectation, name: str = "") -> Expectation:
    """What a tune, or a plain row of notes 0 to 8, asks for; raises ExpectationError where that is no note at all."""
    if isinstance(what, Expectation):
        expectation = what
    elif isinstance(what, Tune):
        expectation = Expectation(name or what.title or f"tune {what.number}", _of_tune(what))
    else:
        expectation = Expectation(name, _of_notes(what))
    if not expectation.notes:
        title = f" {expectation.name!r}" if expectation.name else ""
        raise ExpectationError(f"expected an exercise with notes to play; the exercise{title} has none")
    return expectation


def _of_notes(notes: Sequence[int]) -> tuple[Wanted, ...]:
    wanted: list[Wanted] = []
    for note in notes:
        if note not in range(len(NOTES)):
            raise ExpectationError(f"expected notes from 0 to {len(NOTES) - 1}, low G to high A; got {note!r}")
        if not wanted or wanted[-1].note != note:
            wanted.append(Wanted(note))
    return tuple(wanted)


def _of_tune(tune: Tune) -> tuple[Wanted, ...]:
    wanted: list[Wanted] = []
    first, ends_at, bar_before = tune.first_bar_number, None, (-1, -1)
    for note in tune.played():
        joined = wanted and wanted[-1].note == note.note and not note.graces and note.starts_at == ends_at
        ends_at = note.starts_at + note.length
        if not joined:
            # A bar that is played again begins anew: its places start over.
            begins_bar = note.bar != bar_before[0] or note.place <= bar_before[1]
            wanted.append(Wanted(note.note, note.graces, note.bar + first, begins_bar, (note.bar, note.place)))
        bar_before = (note.bar, note.place)
    return tuple(wanted)
