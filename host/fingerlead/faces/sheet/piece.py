"""What a sheet is made of: pieces of music, each with a title, what it trains, advice, and how its helps fade.

A rung, a tune and a pupil's weakest changes all become a `SheetPiece`; the engraving knows nothing else.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from fingering.moves import advice, change_text, move
from fingering.rungs import Rung
from fingering.steps import steps_words
from fingering.tunes import Embellished, embellished
from fingerlead.music.abc import parse_abc
from fingerlead.music.abc_text import AbcError
from fingerlead.music.tune import Tune
from fingerlead.phrases import capital, small

Letters = Literal["full", "short", "none"]
Pictures = Literal["first", "all", "none"]
Paper = Literal["a4", "letter"]
Shape = Literal["cross", "square", "triangle", "ring"]

# The first notes of a piece keep their letters, the rest is read: how much of it, by the third of the ladder that a
# rung stands in. Our own choice.
# So many strips of embellishments leave room for the music on one page.
MOST_STRIPS = 4
LETTERS_BY_THIRD = (Fraction(1), Fraction(1, 2), Fraction(1, 4))


class SheetError(Exception):
    """A sheet that cannot be made; its text is one plain sentence."""


@dataclass(frozen=True, slots=True)
class Style:
    """What is printed for all pieces alike. `full` letters have their low or high; `first` is a note's first place."""

    paper: Paper = "a4"
    letters: Letters = "full"
    pictures: Pictures = "first"


@dataclass(frozen=True, slots=True)
class StaffMark:
    """A sign above a note, for comparing what was played with what is written: a shape, and a word beside it."""

    shape: Shape
    word: str


@dataclass(frozen=True, slots=True)
class SheetPiece:
    """One piece on a sheet. All texts may come from strangers; they are printed as they stand.

    `letters_until` is the share of its bars that has letters under the notes. Where `taught` is given, only these notes
    and the changes between them get fingering pictures. `marks` stand above notes, by bar and place in it. `after` is
    printed below the music, and above it a fingering strip of each embellishment in `strips`.
    """

    title: str
    tune: Tune
    trains: str = ""
    advice: tuple[str, ...] = ()
    after: str = ""
    letters_until: Fraction = Fraction(1)
    taught: tuple[int, ...] | None = None
    marks: Mapping[tuple[int, int], StaffMark] = field(default_factory=dict)
    strips: tuple[Embellished, ...] = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that is printed together. Without a title of its own, the first piece's is the sheet's.

    `page_each` begins a new page for each piece.
    """

    pieces: tuple[SheetPiece, ...]
    title: str = ""
    subtitle: str = ""
    page_each: bool = False


def note_id(bar: int, place: int, piece: int = 0) -> str:
    """The id in the SVG of the note `tune.bars[bar].notes[place]` of a piece; all count from 0."""
    return f"n{piece}-{bar}-{place}"


def tune_piece(tune: Tune, fade: bool = False) -> SheetPiece:
    """A tune, with the order of fingers for its hardest change; `fade` leaves the letters out of its second half."""
    title = tune.title or (f"Tune {tune.number}" if tune.number else "A tune without a title")
    return SheetPiece(title, tune, advice=_tune_advice(tune), letters_until=Fraction(1, 2) if fade else Fraction(1))


def rung_piece(rung: Rung, number: int, count: int, fade: bool = True) -> SheetPiece:
    """A rung, which is the `number`-th of `count` from the bottom of its ladder.

    The higher it stands, the fewer letters it has; above the first third, notes that are mixed in from below have no
    pictures any more.
    """
    third = min(3 * (number - 1) // max(count, 1), 2) if fade else 0
    if rung.movements:
        return _movement_piece(rung, LETTERS_BY_THIRD[third])
    return SheetPiece(
        capital(rung.name),
        _rung_tune(rung),
        trains=capital(rung.trains),
        advice=tuple(change_advice(a, b) for a, b in dict.fromkeys((*rung.out, *rung.back))),
        after=f"How it is passed: {small(rung.passed)}",
        letters_until=LETTERS_BY_THIRD[third],
        taught=rung.notes if third else None,
    )


def _movement_piece(rung: Rung, letters_until: Fraction) -> SheetPiece:
    """A rung of embellishments: how its fingers go stands in its strips, and for the first in words too."""
    strips = embellished(rung.abc, rung.movements)
    first = strips[0]
    return SheetPiece(
        capital(rung.name),
        _rung_tune(rung),
        trains=capital(rung.trains),
        advice=(steps_words(first.from_note, first.graces, first.to_note),),
        after=f"How it is passed: {small(rung.passed)}",
        letters_until=letters_until,
        taught=(),
        strips=strips[:MOST_STRIPS],
    )


def change_advice(from_note: int, to_note: int) -> str:
    """A change and the order of its fingers, in a sentence."""
    return f"{capital(change_text(from_note, to_note))}: {small(advice(from_note, to_note))}"


def _rung_tune(rung: Rung) -> Tune:
    try:
        tunes, _ = parse_abc(rung.abc, f"rung {rung.key}")
    except AbcError as error:
        raise SheetError(str(error)) from None
    return tunes[0]


def _tune_advice(tune: Tune) -> tuple[str, ...]:
    """The order of fingers for the change that is hardest of those in which another note could sound."""
    changes = {
        (first.note, second.note)
        for first, second in zip(tune.played(), tune.played()[1:], strict=False)
        if first.note != second.note and not second.graces
    }
    risky = [change for change in (move(a, b) for a, b in sorted(changes)) if change.possible_strays]
    if not risky:
        return ()
    hardest = max(risky, key=lambda change: change.difficulty)
    pair = hardest.from_note, hardest.to_note
    return (f"The hardest change here is {change_text(*pair)}: {small(advice(*pair))}",)
