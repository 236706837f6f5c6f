"""A pupil's report from the desk: the sheet for a parent, or those for the teacher, as a page of the desk or as PDF."""

import contextlib
from datetime import date
from pathlib import Path
from typing import cast, get_args

from fingerlead.faces.pages.desk.pages import render
from fingerlead.faces.report.learner import Learner, learner_in
from fingerlead.faces.report.page import Reader, footing, sheets
from fingerlead.faces.report.page import render as report
from fingerlead.faces.report.paper import Paper, PdfError, to_pdf
from fingerlead.store.session_file import SessionError
from fingerlead.studio.index import analysed
from fingerlead.studio.pupils import StudioError, day_text
from fingerlead.studio.studio import Studio
from fingerlead.timing.analysis import Analysis


def report_page(studio: Studio, key: str, today: date, reader: str, since: str = "") -> str:
    """The report as a page of the desk; raises StudioError."""
    learner, whom = _learner(studio, key, today, since), _reader(reader)
    return render(
        "report.html",
        key=key,
        whose=learner.name,
        reader=whom,
        since=learner.since,
        sheets=sheets(learner, today, whom),
        footing=footing(learner, today),
        notice="",
    )


def report_pdf(studio: Studio, key: str, today: date, reader: str, since: str = "", paper: str = "a4") -> bytes:
    """The report as PDF; raises StudioError."""
    if paper not in get_args(Paper):
        raise StudioError(f"expected paper a4 or letter; got {paper[:20]!r}")
    text = report(_learner(studio, key, today, since), today, _reader(reader), "none")
    try:
        return to_pdf(text, cast("Paper", paper))
    except PdfError as error:
        raise StudioError(str(error)) from None


def _reader(text: str) -> Reader:
    if text not in get_args(Reader):
        raise StudioError(f"expected a report for parent or teacher; got {text[:20]!r}")
    return cast("Reader", text)


def _learner(studio: Studio, key: str, today: date, since: str) -> Learner:
    return learner_in(studio.of(key), today, day_text(since), _read)


def _read(path: Path) -> Analysis | None:
    with contextlib.suppress(SessionError):
        return analysed(path)[1]
    return None
