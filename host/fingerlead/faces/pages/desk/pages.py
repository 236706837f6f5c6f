"""A pupil's page of the desk as HTML, and what every page of the desk is drawn with.

All text of people is escaped by the templates; strips and charts are made here from numbers.
"""

import contextlib
from collections import defaultdict
from collections.abc import Sequence, Set
from datetime import date
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from fingering.orders import order_of, rungs_in
from fingerlead.faces.pages.desk import words as say
from fingerlead.faces.pages.desk.apart import apart
from fingerlead.faces.pages.desk.charts import charts
from fingerlead.faces.pages.desk.moments import moment, movement_moment
from fingerlead.faces.pages.desk.teaching import teaching
from fingerlead.faces.pages.desk.versions import folder_notice, versions
from fingerlead.faces.pages.kit import templates
from fingerlead.faces.report.comparison import JUDGED, difference_row, is_told
from fingerlead.faces.report.numbers import movement_rows
from fingerlead.faces.strip_svg import StripPage
from fingerlead.faces.words import practised_words
from fingerlead.phrases import capital, counted, day_words
from fingerlead.store.practice_log import open_progress
from fingerlead.store.session_file import SessionError
from fingerlead.studio import pupils as folders
from fingerlead.studio.index import ENDLESS, DaySpan, IndexedSession, analysed
from fingerlead.studio.names import signs
from fingerlead.studio.overview import (
    Lot,
    Work,
    between,
    glances,
    is_misdated,
    lots_since,
    until,
    weeks,
    what_of,
    worth_work,
    worths,
)
from fingerlead.studio.saves import fields_of, write_fields
from fingerlead.studio.studio import Studio
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.fault_words import not_as_written
from fingerlead.timing.movement_sums import MovementSummary, counted_movements
from fingerlead.timing.progress import Tally
from fingerlead.timing.summary import heard_stray_us

PACKAGE = "fingerlead.faces.pages.desk"
MOST_STRIPS = 3
MOST_UNCLEAN = 12
MOST_SESSIONS = 30
HANDS = {"left": "left hand on top", "right": "right hand on top"}


@cache
def style() -> str:
    """What pages and reports share, the picture of a chanter, and the desk's own."""
    report, kit, own = files("fingerlead.faces.report"), files("fingerlead.faces.pages.kit"), files(PACKAGE)
    parts = (report / "templates" / "style.css", kit / "static" / "chanter.css", own / "static" / "desk.css")
    return "".join(part.read_text(encoding="utf-8") for part in parts)


def render(name: str, **values: Any) -> str:
    """A template filled in."""
    return templates.render(PACKAGE, name, hands=HANDS, **values)


def pupil_page(studio: Studio, key: str, today: date, divide: str = "", notice: str = "") -> str:
    """One pupil; `divide` is the day on which before ends and after begins, by default the last lesson before today."""
    others = versions(studio, key)
    pupil = studio.pupil(key)
    (glance,) = glances(studio.index, [pupil], today, folders.day_text(divide))
    divide, tomorrow = glance.since, until(today)
    sessions = studio.index.sessions(key)
    odd = [session for session in sessions if is_misdated(session.day, today)]
    dated = [session for session in sessions if session not in odd]
    span = DaySpan(glance.before, divide, tomorrow)
    by_what, compared = weeks(studio.index, key, span), between(studio.index, key, span)
    lots = lots_since(studio.index, key, span)
    work, sums = worth_work(lots), [lot for lot in lots if isinstance(lot, MovementSummary)]
    since_then = [lot for lot in lots if isinstance(lot, Tally | MovementSummary)]
    played: dict[str, list[MovementSummary]] = defaultdict(list)
    for _, digest, one in studio.index.movements(key):
        played[digest].append(one)
    folder, strips = studio.of(key), StripPage()
    worst, pictures = (
        _worst(studio, key, glance.since, work, lots, strips),
        charts(by_what, since_then, glance.before, divide),
    )
    parts = {"worst-h": worst, "movements-h": sums, "weeks-h": pictures, "compared-h": compared}
    return render(
        "pupil.html",
        pupil=pupil,
        was=write_fields(fields_of(pupil)),
        versions=others,
        sign=signs(studio.pupils(), studio.index.played_days()).get(key, ""),
        without=[part for part, there in parts.items() if not there],
        sentence=say.glance_sentence(glance),
        since=day_words(glance.since),
        divide=divide,
        before=day_words(glance.before),
        today=day_words(today.isoformat()),
        days=len({session.day for session in dated if session.day}),
        minutes=counted(round(sum(session.playing_us for session in dated) / 60_000_000), "minute"),
        misdated=say.misdated_sentence([session.day for session in odd]),
        recent_days=glance.days,
        recent_minutes=counted(round(glance.playing_us / 60_000_000), "minute"),
        unread_files=folders.unread_files(folder),
        unclean=_unclean(folder),
        rung=furthest_rung({rung for session in sessions for rung in session.rungs}),
        charts=pictures,
        worst=worst,
        stands_out=glance.first is not None,
        strips=strips,
        movements=movement_rows(sums),
        compared=[difference_row(*each) for each in compared.items() if is_told(each[1])],
        clean=sum(not is_told(each) for each in compared.values()),
        judged=JUDGED,
        sessions=[_session_row(each, played[each.digest]) for each in reversed(sessions[-MOST_SESSIONS:])],
        more_sessions=max(0, len(sessions) - MOST_SESSIONS),
        iso_today=today.isoformat(),
        notice=notice or folder_notice(studio),
        **teaching(studio, key, sessions, work, today),
        **apart(studio, key),
    )


def _worst(
    studio: Studio, key: str, since: str, work: list[Work], lots: list[Lot], strips: StripPage
) -> list[dict[str, Any]]:
    """The worst since the last lesson, each with its worst instance, and of a change one from before beside it."""
    heard = [worth for lot in lots for worth in worths(lot) if worth.weight_us]
    shown = work[:MOST_STRIPS] or sorted(heard, key=lambda worth: worth.weight_us)[-1:]
    return [_worst_of(studio, key, since, each, strips) for each in shown]


def _worst_of(studio: Studio, key: str, since: str, work: Work, strips: StripPage) -> dict[str, Any]:
    found: list[dict[str, Any]] = []
    if isinstance(work.of, MovementSummary):
        instance = _movement_instance(studio, key, work.of, strips, since)
        found = [instance] if instance else []
    elif isinstance(work.of, Tally):
        now, before = (_instance(studio, key, work, strips, *span) for span in ((since, ENDLESS), ("", since)))
        pair = {f"The worst since {day_words(since)}": now, "The worst before that": before}
        found = [{"kind": kind, **one} for kind, one in pair.items() if one]
    name, _, told = say.work_sentence(work).partition(": ")
    return {"name": name, "sentence": capital(told), "strips": found}


def _instance(studio: Studio, key: str, work: Work, strips: StripPage, since: str, until: str) -> dict[str, Any] | None:
    """The worst instance of a change in a span of days, from the session in which it cost most."""
    cost = [
        (worth.weight_us, digest)
        for _, digest, tally in studio.index.tallies(key, since, until, work.key)  # type: ignore[arg-type]
        for worth in worths(tally)
        if worth.kind == work.kind and worth.weight_us
    ]
    if not cost:
        return None
    _, digest = max(cost)
    analysis = _analysis(studio, digest)
    if analysis is None:
        return None
    same = [c for c in analysis.changes if (c.from_note, c.to_note) == work.key and c.verdict == work.kind]
    worst = max(same, key=lambda change: (heard_stray_us(change), change.spread_us), default=None)
    return None if worst is None else {"digest": digest, **moment(analysis, worst, strips)}


def _movement_instance(
    studio: Studio, key: str, wanted: MovementSummary, strips: StripPage, since: str
) -> dict[str, Any] | None:
    """A movement with the fault that it has most, from the session in which it went wrong most."""
    cost = [
        (one.wrong, digest)
        for _, digest, one in studio.index.movements(key, since)
        if what_of(one) == what_of(wanted) and one.wrong
    ]
    if not cost or not wanted.faults:
        return None
    ((most, _),) = wanted.faults.most_common(1)
    _, digest = max(cost)
    analysis = _analysis(studio, digest)
    if analysis is None:
        return None
    same = (m for m in counted_movements(analysis) if (m.written, m.to_note) == what_of(wanted))
    found = next((movement for movement in same if most in not_as_written(movement)), None)
    if found is None:
        return None
    return {"kind": f"One since {day_words(since)}", "digest": digest, **movement_moment(analysis, found, strips)}


def _analysis(studio: Studio, digest: str) -> Analysis | None:
    """A session analysed; None where it cannot be read."""
    with contextlib.suppress(SessionError, folders.StudioError):
        return analysed(studio.session_path(digest))[1]
    return None


def _session_row(session: IndexedSession, movements: Sequence[MovementSummary]) -> dict[str, Any]:
    return {
        "digest": session.digest,
        "day": day_words(session.day),
        "minutes": f"{session.playing_us / 60_000_000:.1f}",
        "rungs": practised_words(session.rungs),
        "asked": sum(one.count for one in movements),
        "wrong": sum(one.wrong for one in movements),
        "problem": session.problem,
    }


def _unclean(folder: Path) -> str:
    """The rungs that the pupil went on from while they were not yet clean."""
    left = open_progress(folder / "practice").unclean()[:MOST_UNCLEAN]
    return practised_words(left)


def furthest_rung(keys: Set[str]) -> str:
    """The highest of some rungs, with its number where it is that of the page's own list of rungs."""
    order = order_of(keys)
    rungs = reversed(list(enumerate(rungs_in(order), 1)))
    names = ((f"{number}, " if order == "taught" else "") + rung.name for number, rung in rungs if rung.key in keys)
    return next(names, "")
