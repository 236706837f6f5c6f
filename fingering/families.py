"""Rungs of embellishments, by families: few for each, and their music made from the table of movements.

Each family has two rungs. The *slow* one stands on one change: it is played plain, then with the movement's notes one
more at a time, then with the whole movement, at any tempo. The other has the movement between many melody notes. A tune
with embellishments is a rung of its own, the last of the families in it.

What comes before what is common practice, no source: single grace notes, then strikes and doublings, throws, grips, and
what is built on them.
"""

from collections.abc import Iterator, Sequence, Set
from functools import lru_cache
from itertools import groupby, pairwise
from typing import NamedTuple

from fingering.movements import forms_between, movements
from fingering.moves import difficulty
from fingering.notes import ABC_LETTERS, NOTES, listed
from fingering.rungs import BEATS, Group, Rung, abc_head, movement_passed_words
from fingering.tunes import EasyTune, easy_tunes

GROUP: Group = "embellishment"
# How many times as long as skilled ones the notes of a movement may be: from a beginner's (a grace note of 200 ms, from
# memory) down to the learner's lengths of the table. Our own choice.
SLOW, BETWEEN, IN_TUNE = 6.0, 3.5, 2.5


class Family(NamedTuple):
    """One family: `slow` is its first change, `row` its melody notes, `on` those embellished, all as ABC letters.

    `needs` are the families that come first.
    """

    key: str
    name: str
    movement: str
    slow: str
    row: str
    on: str
    needs: tuple[str, ...] = ()


FAMILIES = (
    Family("high-g-grace-notes", "high G grace notes", "high G grace note", "AB", "GABAGcdcGAeAfAeA", "GABcdef"),
    Family("d-grace-notes", "D grace notes", "D grace note", "AB", "GABAGcGABGcGBAGA", "GABc"),
    Family("e-grace-notes", "E grace notes", "E grace note", "AB", "GABAGcdcGBAGdcGA", "GABcd"),
    Family("strikes", "strikes", "strike", "AB", "AABBAAeeAABBGccG", "ABcdef"),
    Family(
        "doublings", "doublings", "doubling", "AB", "GABAGcdcGAeAfAeA", "GABcdef",
        ("high-g-grace-notes", "d-grace-notes"),
    ),
    Family("d-throws", "throws on D", "throw", "cd", "cdGdAdGdBdGdcdGd", "d", ("d-grace-notes",)),
    Family("grips", "grips", "grip", "AB", "ABAeAfAe", "ABef", ("d-grace-notes",)),
    Family("birls", "birls", "birl", "BA", "BAeAGAfA", "A", ("strikes",)),
    Family("taorluaths", "taorluaths", "taorluath", "BA", "BAeAfABA", "A", ("grips", "e-grace-notes")),
    Family("crunluaths", "crunluaths", "crunluath", "Ae", "AeGeAeGe", "e", ("taorluaths",)),
)  # fmt: skip
# In a book of ABC each piece has a number of its own.
FIRST_NUMBER, TUNE_NUMBER = 201, 200
# Of the whole movement, twice in a bar: room for ten in a row, as the steps to it begin the row anew.
WHOLE_BARS = 8
_LONG_ROW = 8  # notes; a shorter row has longer notes


@lru_cache(maxsize=1)
def family_rungs() -> tuple[Rung, ...]:
    """The rungs of all families, what is built on others after them."""
    return tuple(rung for number, family in enumerate(FAMILIES) for rung in _rungs(family, FIRST_NUMBER + 2 * number))


def family_rung(movement: str) -> Rung | None:
    """The rung that has a movement between many notes, by the movement's name; None where no family is of it."""
    key = next((family.key for family in FAMILIES if family.movement == movement), None)
    return next((rung for rung in family_rungs() if rung.key == key), None)


def family_turns(passed: Set[str]) -> dict[str, Rung]:
    """For each movement of a family the rung to practise it on: the slow one until that is among the keys `passed`."""
    by_key = {rung.key: rung for rung in family_rungs()}
    keys = {family.movement: (f"{family.key}-slow", family.key) for family in FAMILIES}
    return {movement: by_key[whole if slow in passed else slow] for movement, (slow, whole) in keys.items()}


@lru_cache(maxsize=1)
def tune_rungs() -> tuple[Rung, ...]:
    """A rung for each of the program's own tunes with embellishments."""
    return tuple(_tune_rung(tune) for tune in easy_tunes() if tune.movements)


def graces_before(movement: str, from_note: int, to_note: int) -> tuple[int, ...]:
    """The grace notes of a movement between two melody notes, as they are written; none where it has no sound there."""
    fitting = [
        m for m in movements() if m.name == movement and m.on in (None, to_note) and m.after in (None, from_note)
    ]
    # A form for this very note before stands first.
    for form in sorted(fitting, key=lambda form: form.after is None):
        sounds = form.notes[form.notes[0] == from_note : len(form.notes) - (form.notes[-1] == to_note)]
        named = forms_between(from_note, to_note).get(form.notes)
        if sounds and named is not None and named.movement.name == movement:
            return form.notes
    return ()


def growing(graces: Sequence[int], from_note: int, to_note: int) -> Iterator[tuple[int, ...]]:
    """Grace notes one more at a time, without the last step, which is all of them; each adds a sound of its own."""
    for count in range(1, len(graces)):
        if graces[count - 1] not in ((from_note, to_note) if count == 1 else (to_note,)):
            yield tuple(graces[:count])


def _rungs(family: Family, number: int) -> Iterator[Rung]:
    first, theme = map(ABC_LETTERS.index, family.slow)
    row = tuple(map(ABC_LETTERS.index, family.row))
    slow = f"{family.key}-slow"
    graces = graces_before(family.movement, first, theme)
    trains = f"From {NOTES[first]} to {NOTES[theme]}: plain, then one grace note more at a time, then the whole."
    of = (family.movement,)
    name = f"{family.name}, slow"
    yield _rung(
        slow,
        name,
        trains,
        _slow_abc(first, theme, graces, abc_head(name, number)),
        (first, theme),
        of,
        family.needs,
        SLOW,
    )
    trains, needs = f"{family.name} between many notes.", (slow, *family.needs)
    yield _rung(
        family.key,
        family.name,
        trains,
        _row_abc(family, row, abc_head(family.name, number + 1)),
        (*row, row[0]),
        of,
        needs,
        BETWEEN,
    )


def _tune_rung(tune: EasyTune) -> Rung:
    needs = tuple(family.key for family in FAMILIES if family.movement in tune.movements)
    trains = f"{listed([family.name for family in FAMILIES if family.key in needs])} in a tune."
    row = tuple(note for _, note in tune.melody)
    head, rest = tune.abc.split("\n", 1)
    abc = f"X:{TUNE_NUMBER + int(head.removeprefix('X:'))}\n{rest}"
    return _rung(f"in-{tune.key}", f"in the tune {tune.title}", trains, abc, row, tune.movements, needs, IN_TUNE)


def _rung(
    key: str,
    name: str,
    trains: str,
    abc: str,
    row: Sequence[int],
    movements: tuple[str, ...],
    needs: tuple[str, ...],
    tempo: float,
) -> Rung:
    notes = tuple(note for note, _ in groupby(row))
    hardest = max(difficulty(a, b) for a, b in pairwise(notes))
    passed = movement_passed_words(tempo)
    return Rung(key, name, notes, GROUP, hardest, trains, (), abc, passed, False, movements, needs, tempo)


def _slow_abc(first: int, theme: int, graces: tuple[int, ...], head: str) -> str:
    """The change plain, with more and more of the grace notes, and whole."""
    a = ABC_LETTERS[first]
    steps = [(), (), *growing(graces, first, theme)]
    bars = [f"{a}2 {written(step, theme)}2" for step in steps] + [f"{a} {written(graces, theme)} " * 2] * WHOLE_BARS
    return f"{head}|: {' | '.join(map(str.strip, bars))} :|\n{a}4 |]\n"


def _row_abc(family: Family, row: Sequence[int], head: str) -> str:
    """The row there and back, the movement before each note that has it."""
    on = set(map(ABC_LETTERS.index, family.on))
    beats = BEATS // 2 if len(row) <= _LONG_ROW else 1
    notes = [ABC_LETTERS[row[0]]]
    for before, note in pairwise(row):
        notes.append(written(graces_before(family.movement, before, note) if note in on else (), note))
    lengths = [note + (str(beats) if beats > 1 else "") for note in notes]
    size = BEATS // beats
    bars = [" ".join(lengths[place : place + size]) for place in range(0, len(lengths), size)]
    return f"{head}|: {' | '.join(bars)} :|\n{notes[0]}4 |]\n"


def written(graces: Sequence[int], note: int) -> str:
    """A note with the grace notes before it, as ABC."""
    letters = "".join(ABC_LETTERS[grace] for grace in graces)
    return f"{{{letters}}}{ABC_LETTERS[note]}" if letters else ABC_LETTERS[note]
