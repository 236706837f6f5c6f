"""A report as one self-contained page, good on screen, phone and paper: one sheet for a parent, two for the teacher.

The teacher's page on screen has the whole report folded below the two sheets. All text is escaped by the templates but
for strips, staves and pictures of the pulse, which are made here from numbers.
"""

from datetime import date
from typing import Any, Literal

from markupsafe import Markup

from fingerlead.faces.report.compared import compared
from fingerlead.faces.report.front import front
from fingerlead.faces.report.learner import Learner
from fingerlead.faces.report.overleaf import overleaf
from fingerlead.faces.report.whole import whole
from fingerlead.faces.strip_svg import StripPage
from fingerlead.faces.templates import templates
from fingerlead.phrases import date_text, day_words
from fingerlead.timing.pulse import OnsetOf
from fingerlead.timing.summary import summarise

PACKAGE = "fingerlead.faces.report"
Reader = Literal["parent", "teacher"]
# Whether the whole report is below the teacher's two sheets: folded on screen and not printed, open, or not at all.
Whole = Literal["folded", "open", "none"]


def render(
    learner: Learner, made_on: date, reader: Reader = "teacher", shown: Whole = "folded", onset: OnsetOf = "theme"
) -> str:
    """The page as HTML, with its own style. `onset` is what of an embellished note is on the beat."""
    values = _values(learner, made_on, reader, shown, onset, on_paper=shown == "none")
    return templates(PACKAGE).get_template("page.html").render(values)


def sheets(learner: Learner, made_on: date, reader: Reader) -> Markup:
    """The sheets alone, without the whole report, to stand in a page that has this style already."""
    values = _values(learner, made_on, reader, "none", "theme", on_paper=False)
    return Markup(templates(PACKAGE).get_template("sheets.html").render(values))


def title_of(learner: Learner) -> str:
    """Whose report it is, or else of what."""
    if learner.name:
        return learner.name
    if len(learner.played) == 1:
        only = learner.played[0]
        return f"Practice on {day_words(only.day)}" if only.day else only.name
    return f"{len(learner.played)} sessions"


def footing(learner: Learner, made_on: date) -> str:
    """What stands at the foot of each page of paper: when it was made, and with which settings."""
    if not learner.played:
        return date_text(made_on)
    settings = learner.played[0].analysis.settings
    return (
        f"{date_text(made_on)}; strays heard from {settings.heard_us // 1_000} ms, "
        f"together within {settings.stage_us // 1_000} ms"
    )


def _values(
    learner: Learner, made_on: date, reader: Reader, shown: Whole, onset: OnsetOf, on_paper: bool
) -> dict[str, Any]:
    summary, rows = summarise((each.analysis for each in learner.after), onset), compared(learner)
    for_teacher = reader == "teacher"
    strips = StripPage()
    # A sheet of paper is a page of its own; on screen both sheets are one.
    front_strips = StripPage("front") if on_paper else strips
    values = {
        "title": title_of(learner),
        "front_strips": front_strips,
        "strips": strips,
        "front": front(learner, summary, rows, front_strips),
        "overleaf": overleaf(learner, summary, rows, strips, onset) if for_teacher else None,
        "shown": shown,
        "table": learner.played[0].analysis.table.name if learner.played else "",
        "made_on": date_text(made_on),
        "footing": footing(learner, made_on),
        "whole": "",
    }
    if for_teacher and shown != "none" and learner.played:
        found = whole(list(learner.played), strips, learner.since, onset)
        values["whole"] = Markup(templates(PACKAGE).get_template("whole.html").render(found, strips=strips))
    return values
