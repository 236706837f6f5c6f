"""The fingering chart: the nine notes on one page, on the staff, by letter, and as holes large enough for a wall."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fingering.holes import FINGERS
from fingering.notes import NOTES
from host.faces.sheet.notation import PITCHES, tagged
from host.faces.sheet.piece import note_id
from host.faces.sheet.rows import holes, letter
from host.faces.sheet.source import column, header, preamble
from host.faces.sheet.text import quoted

if TYPE_CHECKING:
    from host.faces.sheet.piece import Style

TITLE = "The nine notes of the chanter"
SUBTITLE = "The standard fingering, from low G to high A. The thumb hole is at the back."
_STAFF_SIZE = 28
_HOLE_SIZE = 2.9
_LETTER_SIZE = 6


def chart_source(style: Style) -> str:
    """The chart as LilyPond source, on paper laid across. Pictures are always there: they are what it is for."""
    notes = " ".join(f"{tagged(note_id(0, place))} {PITCHES[place]}1" for place in range(len(NOTES)))
    names = " ".join(quoted(finger) for finger in FINGERS)
    shown = " ".join(f"{holes(note, _HOLE_SIZE)} 1" for note in range(len(NOTES)))
    label = f"\\markup \\sans \\fontsize #-1 \\fingers #{_HOLE_SIZE} #'({names})"
    rows = [f"\\new Lyrics \\lyricmode {{ \\set stanza = {label} {shown} }}"]
    if style.letters != "none":
        letters = " ".join(f"{letter(note, style.letters, _LETTER_SIZE)} 1" for note in range(len(NOTES)))
        rows.insert(0, f"\\new Lyrics \\lyricmode {{ {letters} }}")
    heading = column(
        [f"\\fontsize #6 \\bold \\wordwrap-string {quoted(TITLE)}", f"\\wordwrap-string {quoted(SUBTITLE)}"]
    )
    staff = f'\\new Staff {{ \\omit Staff.TimeSignature \\cadenzaOn {notes} \\bar "|." }}'
    parts = [preamble(style.paper, _STAFF_SIZE, across=True), header(TITLE, heading, steps=False)]
    parts += ["\\score { <<", staff, *rows, ">> \\layout { indent = 34\\mm ragged-last = ##f ragged-right = ##f } }"]
    return "\n".join(parts) + "\n"
