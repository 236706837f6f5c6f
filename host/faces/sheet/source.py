"""A sheet as LilyPond source: headings, staff, rows, and the paper it is printed on."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING

from host.faces.sheet.notation import music
from host.faces.sheet.piece import SheetError
from host.faces.sheet.rows import letters_row, marks_row, pictures_row, row_lines, words_row
from host.faces.sheet.text import quoted

if TYPE_CHECKING:
    from host.faces.sheet.piece import Paper, Sheet, SheetPiece, Style
    from host.music.tune import Tune

# Staff sizes in points, the largest first. 26 is legible on a music stand two metres away.
SIZES = (26, 24, 22, 20, 18)
PAPERS_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_MARGINS_MM = 30.0
_POINT_MM = 0.3515
MOST_SIGNS = 8_000  # notes and grace notes of a sheet: half of what LilyPond engraves in its time
PAGE_EACH_SIZE = 22  # at which a rung is sure to stay on its page
# What LilyPond estimates a system's height by leaves brackets over endings out, up to 3.7 staff spaces each (by trial).
# Where there are some, it reckons with twice that between two systems, besides their padding.
_ROOM_FOR_ENDINGS = "\\paper { page-breaking-system-system-spacing.padding = #11 }"
# Widths in staff spaces, found by trial: what LilyPond needs at least, with room to breathe.
_NOTE_WIDTH, _GRACE_WIDTH, _BAR_WIDTH, _CLEF_WIDTH = 3.4, 1.3, 1.5, 7.0


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


def staff_source(piece: SheetPiece, style: Style) -> str:
    """The staff of one piece alone, without headings, for a picture within a page."""
    return "\n".join((preamble(style.paper, 20), f"\\score {{ {_staff(piece, 0, style)} }}")) + "\n"


def header(title: str, heading: str, pictures: bool = True, steps: bool = True) -> str:
    """The sheet's own title, for the file's properties and as it is printed, and the legend in the footer."""
    return f"\\header {{ pdftitle = {quoted(title)} sheettitle = {heading} legend = {_legend(pictures, steps)} }}"


def preamble(paper: Paper, size: float, across: bool = False) -> str:
    """What every sheet begins with; `across` turns the paper."""
    drawing = files("host.faces.sheet").joinpath("engraving.ily").read_text(encoding="utf-8")
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
    return f"{score}\n{column([_paragraphs([piece.after])])}" if piece.after else score


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
        shown += ' \\hspace #1 "same number: together"'
    return f"\\markup \\sans \\fontsize #-2 \\line {{ {shown} }}"
