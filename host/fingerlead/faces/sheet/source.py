"""A sheet as LilyPond source: headings, staff, rows, and the paper it is printed on.

The rows under (and over) the staff are words, letters, fingering pictures and the fingers that move between two notes.
Each is LilyPond lyrics with a rhythm of its own. A mark between two notes stands in the middle of the first one's time,
so that LilyPond keeps room for it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from importlib.resources import files
from typing import get_args

from fingering.moves import order
from fingering.notes import ABC_LETTERS, NOTES
from fingering.steps import finger_steps
from fingering.table import standard_table
from fingering.tunes import Embellished
from fingerlead.faces.sheet.notation import music, quoted, scaled
from fingerlead.faces.sheet.piece import Letters, Paper, Pictures, Shape, Sheet, SheetError, SheetPiece, Style
from fingerlead.music.tune import Note, Tune
from fingerlead.phrases import capital

PICTURE_SIZE = 1.0
STRIP_SIZE = 0.9
STRIP_WIDTH = 42  # at least, in staff spaces: two stand side by side
LONGEST_SYLLABLE = 20
_NO_SYLLABLE = (None, "", "_")  # "_" holds the syllable before
# Staff sizes in points, the largest first. 26 is legible on a music stand two metres away.
SIZES = (26, 24, 22, 20, 18)
PAPERS_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_MARGINS_MM = 30.0
_POINT_MM = 0.3515
MOST_SIGNS = 8_000  # notes and grace notes of a sheet: half of what LilyPond engraves in its time
PAGE_EACH_SIZE = 22  # at which a rung is sure to stay on its page
# What LilyPond estimates a system's height by leaves brackets over endings out, up to 3.7 staff spaces each (by trial).
# Where there are some, it keeps twice that between two systems, besides their padding.
_ROOM_FOR_ENDINGS = "\\paper { page-breaking-system-system-spacing.padding = #11 }"
# Widths in staff spaces, found by trial: what LilyPond needs at least, with room to breathe.
_NOTE_WIDTH, _GRACE_WIDTH, _BAR_WIDTH, _CLEF_WIDTH = 3.4, 1.3, 1.5, 7.0


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


def sheet_source(sheet: Sheet, style: Style) -> str:
    """The whole source of a sheet; raises SheetError for what no sheet can show."""
    notes = [note for piece in sheet.pieces for bar in piece.tune.bars for note in bar.notes]
    signs = len(notes) + sum(len(note.graces) for note in notes)
    if signs > MOST_SIGNS:
        raise SheetError(
            f"expected at most {MOST_SIGNS} notes and grace notes on a sheet; got {signs}: print one tune at a time"
        )
    size = min(fitting_size(piece.tune, style.paper) for piece in sheet.pieces)
    if sheet.page_each:
        size = min(size, PAGE_EACH_SIZE)
    parts = [preamble(style.paper, size)]
    if any(bar.ending for piece in sheet.pieces for bar in piece.tune.bars):
        parts.append(_ROOM_FOR_ENDINGS)
    parts.append(header(sheet.title or sheet.pieces[0].title, _sheet_title(sheet), pictures=style.pictures != "none"))
    for number, piece in enumerate(sheet.pieces):
        if number and sheet.page_each:
            parts.append("\\pageBreak")
        parts.append(_score(piece, number, style, first=number == 0 and not sheet.title))
    return "\n".join(parts) + "\n"


def staff_source(piece: SheetPiece, style: Style, width_mm: int = 0) -> str:
    """The staff of one piece alone, without headings, for a picture within a page; of a width, else as on paper."""
    width = f"\\layout {{ line-width = {width_mm}\\mm }}" if width_mm else ""
    return "\n".join((preamble(style.paper, 20), f"\\score {{ {_staff(piece, 0, style)} {width} }}")) + "\n"


def header(title: str, heading: str, pictures: bool = True, steps: bool = True) -> str:
    """The sheet's own title, for the file's properties and as it is printed, and the legend in the footer."""
    return f"\\header {{ pdftitle = {quoted(title)} sheettitle = {heading} legend = {_legend(pictures, steps)} }}"


def preamble(paper: Paper, size: float, across: bool = False) -> str:
    """What every sheet begins with; `across` turns the paper."""
    drawing = files("fingerlead.faces.sheet").joinpath("engraving.ily").read_text(encoding="utf-8")
    width, height = PAPERS_MM[paper][:: -1 if across else 1]
    # A size of our own: LilyPond would turn a known one round, and the page would lie on its side.
    paper_size = (
        f'#(set! paper-alist (cons \'("sheet" . (cons (* {width} mm) (* {height} mm))) paper-alist))\n'
        '#(set-default-paper-size "sheet")'
    )
    return f'\\version "2.24.0"\n#(set-global-staff-size {size})\n{paper_size}\n{drawing}'


def fitting_size(tune: Tune, paper: Paper) -> int:
    """The largest staff size at which each written line of the tune fits on one line of paper."""
    widest, width, breaks = 0.0, _CLEF_WIDTH, False
    for bar in tune.bars:
        graces = sum(len(note.graces) for note in bar.notes)
        width += _BAR_WIDTH + _NOTE_WIDTH * len(bar.notes) + _GRACE_WIDTH * graces
        widest = max(widest, width)
        breaks = breaks or bar.ends_line
        if bar.ends_line:
            width = _CLEF_WIDTH
    if not breaks:
        return SIZES[0]
    room_mm = PAPERS_MM[paper][0] - _MARGINS_MM
    return next((size for size in SIZES if widest * size / 4 * _POINT_MM <= room_mm), SIZES[-1])


def _score(piece: SheetPiece, number: int, style: Style, first: bool) -> str:
    score = f"\\score {{ {_staff(piece, number, style)} \\header {{ heading = {_heading(piece, first)} }} }}"
    pairs = [piece.strips[place : place + 2] for place in range(0, len(piece.strips), 2)]
    below = [f"\\line {{ {' '.join(map(_strip, pair))} }}" for pair in pairs] + (
        [_paragraphs([piece.after])] if piece.after else []
    )
    return "\n".join([score, *map(column, ([line] for line in below))])


def _strip(one: Embellished) -> str:
    """The fingering strip of an embellishment: the holes of each note, and between them the fingers that move."""
    name = capital(f"{one.movement} on {NOTES[one.to_note]}, from {NOTES[one.from_note]}")
    pictures = [_strip_column(one.from_note, standard_table().standard[one.from_note])]
    for step in finger_steps(one.from_note, one.graces, one.to_note):
        moves = [f"({finger} 1 #f)" for finger in step.lifts] + [f"({finger} 1 #t)" for finger in step.lowers]
        pictures.append(f"\\column {{ \\vspace #1 \\moved #{STRIP_SIZE} #'({' '.join(moves)}) }}")
        pictures.append(_strip_column(step.note, step.covered_mask))
    strip = f"\\line {{ {' '.join(pictures)} }} \\hspace #{STRIP_WIDTH}"
    return f"\\column {{ \\vspace #0.6 \\bold {quoted(name)} \\vspace #0.2 {strip} \\vspace #0.8 }}"


def _strip_column(note: int, covered_mask: int) -> str:
    return f"\\center-column {{ \\bold {quoted(ABC_LETTERS[note])} \\holes #{STRIP_SIZE} #{covered_mask} }}"


def _staff(piece: SheetPiece, number: int, style: Style) -> str:
    above = marks_row(piece)
    rows = row_lines(words_row(piece), letters_row(piece, style.letters), pictures_row(piece, style.pictures))
    over = f'\\new Lyrics \\with {{ alignAboveContext = "staff" }} \\lyricmode {{ {above} }}' if above else ""
    return "<<\n" + "\n".join((f'\\new Staff = "staff" {{ {music(piece.tune, number)} }}', over, *rows)) + "\n>>"


def _sheet_title(sheet: Sheet) -> str:
    if not sheet.title:
        return "\\markup \\null"
    lines = [f"\\fontsize #6 \\bold \\wordwrap-string {quoted(sheet.title)}"]
    if sheet.subtitle:
        lines.append(f"\\fontsize #1 \\wordwrap-string {quoted(sheet.subtitle)}")
    return column([*lines, "\\vspace #1"])


def _heading(piece: SheetPiece, first: bool) -> str:
    size = 6 if first else 3
    lines = [] if first else ["\\vspace #1"]
    lines.append(f"\\fontsize #{size} \\bold \\wordwrap-string {quoted(piece.title)}")
    tune = piece.tune
    about = ", ".join(part for part in (tune.rhythm, tune.composer) if part.strip())
    if about:
        lines.append(f"\\italic \\wordwrap-string {quoted(about)}")
    told = [text for text in (piece.trains, *piece.advice) if text]
    if told:
        lines += ["\\vspace #0.3", _paragraphs(told)]
    return column([*lines, "\\vspace #0.6"])


def _paragraphs(texts: list[str]) -> str:
    r"""Texts one below the other, each wrapped: in LilyPond's string, `\n\n` begins the next."""
    return "\\wordwrap-string " + '"' + "\\n\\n".join(quoted(text)[1:-1] for text in texts) + '"'


def column(lines: list[str]) -> str:
    """Lines of markup one below the other."""
    return "\\markup \\sans \\override #'(baseline-skip . 3.4) \\column { " + " ".join(lines) + " }"


def _legend(pictures: bool, steps: bool) -> str:
    if not pictures:
        return "\\markup \\null"
    signs = [("\\disc-sign ##t", "covered"), ("\\disc-sign ##f", "open")]
    if steps:
        signs += [("\\step-sign #1 ##f", "lift"), ("\\step-sign #1 ##t", "put down")]
    shown = " \\hspace #1 ".join(f'{sign} "{word}"' for sign, word in signs)
    if steps:
        shown += ' \\hspace #1 "all together, 1 a hair ahead of 2"'
    return f"\\markup \\sans \\fontsize #-2 \\line {{ {shown} }}"
