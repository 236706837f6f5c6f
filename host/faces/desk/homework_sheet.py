"""The homework that was given, as a sheet for the music stand."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from fingering.ladder import find_rung, ladder
from fingering.tunes import easy_tunes
from host.faces.studio_words import day_words
from host.store.studio.pupils import StudioError

if TYPE_CHECKING:
    from host.store.studio.pupils import Homework


def homework_pdf(given: Homework, pupil: str) -> bytes:
    """The sheet as PDF; raises StudioError where it cannot be engraved."""
    from host.faces.sheet.pages import pages
    from host.faces.sheet.piece import Sheet, SheetError, Style, rung_piece, tune_piece
    from host.music.abc import parse_abc

    rungs = ladder()
    pieces = []
    for key in given.rungs:
        try:
            rung = find_rung(rungs, key)
        except ValueError:
            continue
        pieces.append(rung_piece(rung, rungs.index(rung) + 1, len(rungs)))
    for tune in easy_tunes():
        if tune.key in given.tunes:
            pieces.append(tune_piece(parse_abc(tune.abc)[0][0], True))
    if not pieces:
        raise StudioError("none of the rungs and tunes given is known here; give others")
    day = day_words(given.day or date.min.isoformat())
    subtitle = ", ".join(part for part in (f"For {pupil}", day, given.note) if part)
    try:
        return pages(Sheet(tuple(pieces), "Homework", subtitle, page_each=True), Style(), "pdf")[0]
    except SheetError as error:
        raise StudioError(f"the sheet cannot be engraved: {error}") from None
