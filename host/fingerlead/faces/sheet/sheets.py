"""From pieces to pages: the one way in for the command line, the report and the page.

The fingering chart shows the nine notes on one page, on the staff, by letter, and as holes large enough for a wall.
Homework is a pupil's weakest changes and embellishments, one rung of the ladder each, on one sheet.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from fingering.families import family_rung, graces_before
from fingering.holes import FINGERS
from fingering.ladder import ladder
from fingering.moves import change_text
from fingering.notes import NOTES
from fingering.steps import steps_words
from fingering.tunes import Embellished
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
from fingerlead.timing.movement_sums import MovementOn, MovementSummary, movement_title
from fingerlead.timing.summary import ChangeSummary, Summary
from fingerlead.timing.worth import WrittenSummary

TITLE = "The nine notes of the chanter"
SUBTITLE = "The standard fingering, from low G to high A. The thumb hole is at the back."
_STAFF_SIZE = 28
_HOLE_SIZE = 2.9
_LETTER_SIZE = 6
MOST = 3  # rungs of a homework

Changed = tuple[int, int]
Weak = Changed | MovementOn


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
    "movement": "not as written",
}


def weakest(summary: Summary, most: int = MOST) -> dict[Weak, str]:
    """What to work on and what was heard of it, the worst first, each pair of notes and each embellishment once.

    Empty where nothing stands out. What stands out comes before strays that may be chance. An embellishment that no
    rung trains is left out.
    """
    worth: list[tuple[Weak, str, int, int]] = []
    for one in summary.worth_work():
        if isinstance(one.of, ChangeSummary | WrittenSummary):
            worth.append(((one.of.from_note, one.of.to_note), _HEARD[one.kind], one.times, one.of_all))
        elif isinstance(one.of, MovementSummary) and family_rung(one.of.name) is not None:
            worth.append(((one.of.name, one.of.to_note), _HEARD[one.kind], one.times, one.of_all))
    if worth:
        by_chance = (change for change in summary.ranked() if change.astray)
        worth += [((c.from_note, c.to_note), _HEARD["stray"], len(c.astray), c.count) for c in by_chance]
    chosen: dict[frozenset[int | str], tuple[Weak, str]] = {}
    for weak, what, times, of_all in worth:
        once: frozenset[int | str] = frozenset(weak[:1] if isinstance(weak[0], str) else weak)
        if isinstance(weak[0], str) or len(once) == 2:
            chosen.setdefault(once, (weak, f"{what} in {times} of {of_all}"))
    return dict(list(chosen.values())[:most])


def homework(
    chosen: Sequence[Weak], pupil: str = "", day: str = "", reasons: Mapping[Weak, str] | None = None
) -> Sheet:
    """A sheet of one rung for each change (from, to) and each embellishment on a note (name, to).

    `reasons` say what was heard; `day` is printed as it stands. An embellishment has a rung: see `weakest`.
    """
    pieces = [_piece(weak, (reasons or {}).get(weak, "")) for weak in chosen]
    # How a rung is passed is the same for all of them: it is said once.
    pieces = [replace(piece, after="") for piece in pieces[:-1]] + pieces[-1:]
    subtitle = ", ".join(part for part in (f"for {pupil}" if pupil else "", day) if part)
    return Sheet(tuple(pieces), "Homework", capital(subtitle), page_each=True)


def _piece(weak: Weak, reason: str) -> SheetPiece:
    why = f" ({reason})" if reason else ""
    if isinstance(weak[0], str):
        name, to_note = weak[0], weak[1]
        rung = family_rung(name)
        assert rung is not None  # `weakest` names no others
        piece = replace(rung_piece(rung, 1, 1), trains=f"To work on: {movement_title((name, to_note))}{why}.")
        # First as it goes on this note, be it in the rung or not.
        from_note = NOTES.index("low G" if NOTES[to_note] == "low A" else "low A")
        graces = graces_before(name, from_note, to_note)
        if not graces:
            return piece
        others = [strip for strip in piece.strips if strip.to_note != to_note]
        strips = (Embellished(name, from_note, graces, to_note), *others)
        return replace(
            piece, advice=(steps_words(from_note, graces, to_note),), strips=strips[: max(len(piece.strips), 1)]
        )
    change, rungs = (weak[0], weak[1]), ladder()
    number, rung = next(
        (number, rung) for number, rung in enumerate(rungs, 1) if len(rung.notes) > 1 and set(rung.notes) == set(change)
    )
    piece = rung_piece(rung, number, len(rungs))
    first = change_advice(*change)
    return replace(
        piece,
        trains=f"To work on: {change_text(*change)}{why}.",
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
