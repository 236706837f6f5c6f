"""The rows under (and over) the staff: words, letters, fingering pictures and the fingers that move between two notes.

Each row is LilyPond lyrics with a rhythm of its own. A mark between two notes stands in the middle of the first one's
time, so that LilyPond keeps room for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, get_args

from fingering.notes import ABC_LETTERS, NOTES
from fingering.orders import order
from fingering.table import standard_table
from host.faces.sheet.notation import scaled
from host.faces.sheet.piece import Shape, SheetError
from host.faces.sheet.text import quoted

if TYPE_CHECKING:
    from host.faces.sheet.piece import Letters, Pictures, SheetPiece
    from host.music.tune import Note

PICTURE_SIZE = 1.0
LONGEST_SYLLABLE = 20
_NO_SYLLABLE = (None, "", "_")  # "_" holds the syllable before


@dataclass(frozen=True, slots=True)
class Spot:
    """A note in its place, in the order of writing; `after` is the one that follows in the tune."""

    bar: int
    place: int
    note: Note
    after: Note | None


def spots(piece: SheetPiece) -> list[Spot]:
    """All notes of a piece as they are written."""
    bars = enumerate(piece.tune.bars)
    every = [(index, place, note) for index, bar in bars for place, note in enumerate(bar.notes)]
    following = [note for _, _, note in every[1:]]
    return [Spot(*one, after) for one, after in zip(every, [*following, None], strict=True)]


def words_row(piece: SheetPiece) -> str:
    """The tune's own words, empty where it has none."""
    notes = [spot.note for spot in spots(piece)]
    worded = [place for place, note in enumerate(notes) if note.word not in _NO_SYLLABLE]
    if not worded:
        return ""
    return " ".join(_word(note, hyphens=place < worded[-1]) for place, note in enumerate(notes))


def letters_row(piece: SheetPiece, letters: Letters) -> str:
    """The letter of each note that begins, in the bars that have letters."""
    if letters == "none":
        return ""
    last = piece.letters_until * len(piece.tune.bars)
    tied = False
    row = []
    for spot in spots(piece):
        note = None if tied or spot.bar >= last else spot.note.note
        row.append(_timed("" if note is None else letter(note, letters), spot.note.length))
        tied = spot.note.tie
    return " ".join(row)


def letter(note: int, letters: Letters, size: int = 1) -> str:
    """A note's letter as markup; low or high stands under it in small, so that all letters are on one line."""
    sign = ABC_LETTERS[note].upper()
    height = NOTES[note].partition(" ")[0] if " " in NOTES[note] else ""
    large = f'\\fontsize #{size} \\bold "{sign}"'
    if letters == "short" or not height:
        return f"\\markup {large}"
    skip = 1.7 * 2 ** (size / 6)  # six steps of LilyPond's font size are twice the size
    small = f'\\fontsize #{size - 4} "{height}"'
    return f"\\markup \\override #'(baseline-skip . {skip:.2f}) \\center-column {{ {large} {small} }}"


def pictures_row(piece: SheetPiece, pictures: Pictures) -> str:
    """The holes of a note and, before the next, the fingers that move: at their first appearance or at all of them.

    No fingers are marked where a grace note stands in between, as the change is not a plain one there.
    """
    if pictures == "none":
        return ""
    seen: set[object] = set()
    taught = range(len(NOTES)) if piece.taught is None else piece.taught

    def shows(what: object) -> bool:
        fresh = pictures == "all" or what not in seen
        seen.add(what)
        return fresh

    tied = False
    row = []
    for spot in spots(piece):
        note, after = spot.note.note, spot.after.note if spot.after is not None else None
        picture = holes(note) if note is not None and note in taught and not tied and shows(note) else ""
        mark = ""
        if note is not None and after is not None and note != after and spot.after is not None:
            plain = not spot.after.graces and not spot.note.tie
            if plain and note in taught and after in taught and shows((note, after)):
                mark = moved(note, after)
        if mark:
            row += [_timed(picture, spot.note.length / 2), _timed(mark, spot.note.length / 2)]
        else:
            row.append(_timed(picture, spot.note.length))
        tied = spot.note.tie
    return " ".join(row)


def marks_row(piece: SheetPiece) -> str:
    """The marks of a comparison, empty where there are none."""
    if not piece.marks:
        return ""
    row = []
    for spot in spots(piece):
        mark = piece.marks.get((spot.bar, spot.place))
        text = ""
        if mark is not None:
            if mark.shape not in get_args(Shape):
                raise SheetError(f"expected a mark of the shape {', '.join(get_args(Shape))}; got {mark.shape!r}")
            word = f"\\fontsize #-3 {quoted(mark.word, LONGEST_SYLLABLE)}"
            text = f"\\markup \\center-column {{ {word} \\shape-sign #'{mark.shape} }}"
        row.append(_timed(text, spot.note.length))
    return " ".join(row)


def holes(note: int, size: float = PICTURE_SIZE) -> str:
    """The fingering picture of a note."""
    return f"\\markup \\holes #{size} #{standard_table().standard[note]}"


def moved(from_note: int, to_note: int, size: float = PICTURE_SIZE) -> str:
    """The fingers that move between two notes, numbered in the order that sounds clean."""
    covers = standard_table().standard[to_note]
    moves = " ".join(
        f"({finger} {step} {'#t' if covers >> finger & 1 else '#f'})"
        for step, group in enumerate(order(from_note, to_note), 1)
        for finger in group
    )
    return f"\\markup \\moved #{size} #'({moves})"


def _timed(text: str, length: Fraction) -> str:
    return f"{text or chr(92) + 'skip'} {scaled(length)}"


def _word(note: Note, hyphens: bool) -> str:
    """A syllable; a hyphen is drawn to the next one, where there is one."""
    word = note.word
    if word is None or word in _NO_SYLLABLE:
        return _timed("", note.length)
    text = word[:-1] if hyphens and word.endswith("-") and len(word) > 1 else word
    # As a markup: LilyPond draws a tie for a tilde in a plain syllable.
    syllable = f"\\markup \\concat {{ {quoted(text, LONGEST_SYLLABLE)} }}"
    return _timed(syllable, note.length) + (" --" if text != word else "")


def row_lines(words: str, letters: str, pictures: str) -> Iterator[str]:
    """The rows under the staff that have anything in them, as lines of lyrics."""
    for row, apart in ((words, 0.1), (letters, 0.1), (pictures, 0.3)):
        if row:
            room = f"\\override LyricText.extra-spacing-width = #'(-{apart} . {apart})"
            yield f"\\new Lyrics \\with {{ {room} }} \\lyricmode {{ {row} }}"
