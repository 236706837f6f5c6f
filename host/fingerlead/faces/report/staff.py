"""The little staff of a report: what to play this week, as two to six notes to be gone over again and again.

LilyPond engraves it; where that is not installed, words name the notes.
"""

import re
from functools import lru_cache
from typing import NamedTuple

from markupsafe import Markup

from fingering.families import graces_before
from fingering.notes import ABC_LETTERS, NOTES
from fingering.orders import every_rung
from fingerlead.faces.sheet.piece import SheetError
from fingerlead.faces.sheet.sheets import staff_svg
from fingerlead.music.abc import parse_abc
from fingerlead.timing.evenings import What

MOST_NOTES = 6
# Without a meter: it is played over and over.
HEAD = "X:1\nM:none\nL:1/4\nK:HP\n"


class LittleStaff(NamedTuple):
    """The staff as SVG, empty where it cannot be engraved here; and its notes in words."""

    svg: Markup
    words: str


NOTHING = LittleStaff(Markup(""), "")


def drawn(svg: str) -> Markup:
    """A staff as it stands in a page: engraved by the program's own notation, with LilyPond's own escaped texts.

    Its notes' ids would stand in a page as often as its staves. A page of the desk lets no style in but its own; that
    of a staff is of white space alone.
    """
    return Markup(re.sub(r"<style.*?</style>| id=\"n\d+-\d+-\d+\"", "", svg, flags=re.DOTALL))


def staff_of(what: What) -> LittleStaff:
    """A change twice over, or a movement twice; nothing for a movement that the table does not have."""
    name, to_note = what
    if not isinstance(name, str):
        return _engraved((name, to_note) * 2)
    for from_note in _nearest(to_note):
        if graces := graces_before(name, from_note, to_note):
            return _engraved((from_note, to_note) * 2, graces)
    return NOTHING


def staff_of_rung(key: str) -> LittleStaff:
    """The notes of a rung by its key; nothing for what is no rung, or holds one note."""
    rung = every_rung().get(key)
    if rung is None or len(rung.notes) < 2:
        return NOTHING
    if rung.movements:
        found = (staff_of((rung.movements[0], note)) for note in rung.notes)
        return next((staff for staff in found if staff.words), NOTHING)
    return _engraved(rung.notes * 2 if len(rung.notes) == 2 else rung.notes[:MOST_NOTES])


@lru_cache(maxsize=64)
def _engraved(notes: tuple[int, ...], graces: tuple[int, ...] = ()) -> LittleStaff:
    """Some notes on a staff; the `graces` come before every second one."""
    written = "".join(ABC_LETTERS[grace] for grace in graces)
    before = (f"{{{written}}}" if graces and place % 2 else "" for place in range(len(notes)))
    abc = " ".join(grace + ABC_LETTERS[note] for grace, note in zip(before, notes, strict=True))
    words = ", ".join(NOTES[note] for note in notes)
    try:
        svg = staff_svg(parse_abc(f"{HEAD}{abc} |]\n")[0][0], letters="full")
    except SheetError:
        return LittleStaff(Markup(""), words)
    return LittleStaff(drawn(svg), words)


def _nearest(to_note: int) -> list[int]:
    """The other notes, the nearest below first: what a movement is most often played from (our own choice)."""
    others = [note for note in range(len(NOTES)) if note != to_note]
    return sorted(others, key=lambda note: (note > to_note, abs(note - to_note)))
