"""From pieces to pages: the one way in for the command line, the report and the page.

The fingering chart shows the nine notes on one page, on the staff, by letter, and as holes large enough for a wall.
Homework is a pupil's weakest changes, one rung of the ladder each, on one sheet.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from fingering.holes import FINGERS
from fingering.ladder import ladder
from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.faces.sheet.lilypond import Format, engrave
from fingerlead.faces.sheet.notation import PITCHES, quoted, tagged
from fingerlead.faces.sheet.piece import (
    Letters,
    Sheet,
    SheetPiece,
    StaffMark,
    Style,
    change_advice,
    note_id,
    rung_piece,
)
from fingerlead.faces.sheet.source import column, header, holes, letter, preamble, sheet_source, staff_source
from fingerlead.music.tune import Tune
from fingerlead.phrases import capital
from fingerlead.timing.summary import ChangeSummary, Summary, WrittenSummary

TITLE = "The nine notes of the chanter"
SUBTITLE = "The standard fingering, from low G to high A. The thumb hole is at the back."
_STAFF_SIZE = 28
_HOLE_SIZE = 2.9
_LETTER_SIZE = 6
MOST = 3  # changes of a homework

Changed = tuple[int, int]


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


_HEARD = {
    "stray": "another note sounded in between",
    "apart": "the fingers were not together",
    "wrong": "another note was played",
}


def weakest(summary: Summary, most: int = MOST) -> dict[Changed, str]:
    """The changes to work on and what was heard of them, the worst first, each pair of notes once.

    Empty where nothing stands out. Those that stand out come before strays that may be chance.
    """
    worth = [
        ((one.of.from_note, one.of.to_note), _HEARD[one.kind], one.times, one.of_all)
        for one in summary.worth_work()
        if isinstance(one.of, ChangeSummary | WrittenSummary)
    ]
    if worth:
        by_chance = (change for change in summary.ranked() if change.astray)
        worth += [((c.from_note, c.to_note), _HEARD["stray"], len(c.astray), c.count) for c in by_chance]
    chosen: dict[frozenset[int], tuple[Changed, str]] = {}
    for change, what, times, of_all in worth:
        if len(set(change)) == 2:
            chosen.setdefault(frozenset(change), (change, f"{what} in {times} of {of_all}"))
    return dict(list(chosen.values())[:most])


def homework(
    changes: Sequence[Changed], pupil: str = "", day: str = "", reasons: Mapping[Changed, str] | None = None
) -> Sheet:
    """A sheet of one rung for each change (from, to). `reasons` say what was heard; `day` is printed as it stands."""
    pieces = [_piece(change, (reasons or {}).get(change, "")) for change in changes]
    # How a rung is passed is the same for all of them: it is said once.
    pieces = [replace(piece, after="") for piece in pieces[:-1]] + pieces[-1:]
    subtitle = ", ".join(part for part in (f"for {pupil}" if pupil else "", day) if part)
    return Sheet(tuple(pieces), "Homework", capital(subtitle), page_each=True)


def _piece(change: Changed, reason: str) -> SheetPiece:
    rungs = ladder()
    number, rung = next(
        (number, rung) for number, rung in enumerate(rungs, 1) if len(rung.notes) > 1 and set(rung.notes) == set(change)
    )
    piece = rung_piece(rung, number, len(rungs))
    name = change_text(*change)
    first = change_advice(*change)
    return replace(
        piece,
        trains=f"To work on: {name}{f' ({reason})' if reason else ''}.",
        advice=(first, *(line for line in piece.advice if line != first)),
    )


def pages(sheet: Sheet, style: Style, format: Format) -> tuple[bytes, ...]:
    """A sheet as one PDF, or as one SVG or PNG for each page; raises SheetError."""
    return engrave(sheet_source(sheet, style), format)


def staff_svg(
    tune: Tune,
    marks: Mapping[tuple[int, int], StaffMark] | None = None,
    letters: Letters = "none",
    width_mm: int = 0,
) -> str:
    """A tune's staff alone as SVG, to stand within a page; raises SheetError.

    Each note is a group with the id `note_id(bar, place)`. `marks` stand above notes, by bar and place in the tune.
    `width_mm` is that of a line of notes, else a sheet of paper's.
    """
    piece = SheetPiece(tune.title, tune, marks=marks or {})
    source = staff_source(piece, Style(letters=letters, pictures="none"), width_mm)
    return engrave(source, "svg", cropped=True)[0].decode("utf-8")
