"""From pieces to pages: the one way in for the command line, the report and the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from host.faces.sheet.lilypond import engrave
from host.faces.sheet.piece import Mark, SheetPiece, Style
from host.faces.sheet.source import sheet_source, staff_source

if TYPE_CHECKING:
    from host.faces.sheet.lilypond import Format
    from host.faces.sheet.piece import Letters, Sheet
    from host.music.tune import Tune


def pages(sheet: Sheet, style: Style, format: Format) -> tuple[bytes, ...]:
    """A sheet as one PDF, or as one SVG or PNG for each page; raises SheetError."""
    return engrave(sheet_source(sheet, style), format)


def staff_svg(tune: Tune, marks: Mapping[tuple[int, int], Mark] | None = None, letters: Letters = "none") -> str:
    """A tune's staff alone as SVG, to stand within a page; raises SheetError.

    Each note is a group with the id `note_id(bar, place)`. `marks` stand above notes, by bar and place in the tune.
    """
    piece = SheetPiece(tune.title, tune, marks=marks or {})
    return engrave(staff_source(piece, Style(letters=letters, pictures="none")), "svg", cropped=True)[0].decode("utf-8")
