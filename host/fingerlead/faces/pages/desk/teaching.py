"""Lessons and homework as the desk shows them: what was set, what came of it, and what there is to set."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from fingering.families import family_rung
from fingering.ladder import ladder
from fingering.orders import rungs_in
from fingering.tunes import easy_tunes
from fingerlead.faces.words import practised_name, practised_words
from fingerlead.phrases import counted, day_words
from fingerlead.studio import lessons
from fingerlead.studio.homework import pieces
from fingerlead.studio.index import ENDLESS, IndexedSession
from fingerlead.studio.lessons import Lesson
from fingerlead.studio.outcomes import LessonOutcome, Outcome, current, history, practised_by
from fingerlead.studio.overview import Work
from fingerlead.studio.pupils import new_key
from fingerlead.studio.studio import Studio
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.worth import PairsSummary

MOST_SUGGESTED = 3
# Of the history so many are on the pupil's page, and so many on each page of all.
MOST_LESSONS = 6
A_PAGE = 24
MOST_TAKEN_BACK = 24
MOST_TAKEN_OFF = 8
MOST_MISDATED = 3


def teaching(
    studio: Studio, key: str, sessions: Iterable[IndexedSession], worth_work: Iterable[Work], today: date
) -> dict[str, Any]:
    """What a pupil's page needs of lessons and homework."""
    folder = studio.of(key)
    practised, held = practised_by(folder, sessions, today), lessons.lessons(folder)
    _, taken_off = pieces(folder)
    back = lessons.taken_back(folder)[:MOST_TAKEN_BACK]
    return {
        "lessons": [_lesson_row(each) for each in history(folder, held[:MOST_LESSONS], practised)],
        "earlier_lessons": max(0, len(held) - MOST_LESSONS),
        "lessons_back": [{"id": each.id, "day": day_words(each.day)} for each in back],
        "homework": homework_rows(current(folder, practised, held[0].day if held else "")),
        "taken_off": [{"key": each.key, "name": practised_name(each.key)} for each in taken_off[:MOST_TAKEN_OFF]],
        "to_set": to_set(worth_work),
        "misdated_rungs": [misdated_words(*each) for each in practised.misdated[:MOST_MISDATED]],
        "new_id": new_key(),
    }


def lessons_page(studio: Studio, key: str, today: date, page: int) -> dict[str, Any]:
    """What a page of a pupil's lessons needs, of so many to a page, the latest first."""
    folder = studio.of(key)
    held, practised = lessons.lessons(folder), practised_by(folder, studio.index.sessions(key), today)
    pages = max(1, -(-len(held) // A_PAGE))
    page = min(page, pages)
    first = (page - 1) * A_PAGE
    until = held[first - 1].day if first else ENDLESS
    told = history(folder, held[first : first + A_PAGE], practised, until)
    return {
        "pupil": studio.pupil(key),
        "lessons": list(map(_lesson_row, told)),
        "found": len(held),
        "page": page,
        "notice": "",
        "pages": pages,
        "new_id": new_key(),
    }


def homework_rows(outcomes: Iterable[Outcome]) -> list[dict[str, Any]]:
    """Homework as it was set, the latest first, each with its pieces and what came of them."""
    rows: dict[str, dict[str, Any]] = {}
    for each in outcomes:
        of = each.piece.of
        row = rows.setdefault(of.id, {"day": day_words(of.day), "due": of.due, "note": of.note, "pieces": []})
        row["pieces"].append(piece_row(each))
    return [{**row, "due": day_words(row["due"]) if row["due"] else ""} for row in rows.values()]


def piece_row(outcome: Outcome) -> dict[str, str]:
    """A piece by its name, and what came of it in one word and in a few."""
    key = outcome.piece.key
    return {"key": key, "name": practised_name(key), "came": outcome.came, "words": outcome_words(outcome)}


def outcome_words(outcome: Outcome) -> str:
    """What came of a piece, in a few words."""
    on = f"practised on {counted(outcome.days, 'day')}" if outcome.days else ""
    if outcome.came == "done":
        clean = f"clean on {day_words(outcome.clean)}"
    else:
        clean = f"clean before, on {day_words(outcome.clean)}" if outcome.clean else ""
    return ", ".join(filter(None, (on, clean)))


def misdated_words(key: str, day: str) -> str:
    """What is said of a rung that is noted as clean on an ISO day that cannot be."""
    return (
        f"{practised_name(key)} is noted as clean on {day_words(day)}: the clock was wrong. It does not count; set the "
        "clock of the machine that is practised on"
    )


def _lesson_row(told: LessonOutcome) -> dict[str, Any]:
    lesson: Lesson = told.lesson
    return {
        "id": lesson.id,
        "iso": lesson.day,
        "day": day_words(lesson.day),
        "note": lesson.note,
        "set": [piece_row(each) for each in told.set],
        "clean": practised_words(told.became_clean),
    }


def to_set(worth_work: Iterable[Work]) -> dict[str, Any]:
    """The rungs and tunes that can be set: those that are worth work now, the worst first, then all in their order."""
    return {
        "suggested": [{"key": key, "name": practised_name(key)} for key in rungs_for(worth_work)[:MOST_SUGGESTED]],
        "taught": _numbered(),
        "pairs": [{"key": rung.key, "name": rung.name} for rung in rungs_in("derived") if rung not in rungs_in()],
        "tunes": [{"key": tune.key, "name": tune.title} for tune in easy_tunes()],
    }


def settable() -> Mapping[str, str]:
    """The names of all that can be set as homework, by its key."""
    return {each["key"]: each["name"] for kind in to_set(()).values() for each in kind}


def rungs_for(worth_work: Iterable[Work]) -> list[str]:
    """The keys of the rungs on which this is worked on, in the order given, each once; pairs are worked on in tunes."""
    pairs = {frozenset(rung.notes): rung for rung in ladder() if len(rung.notes) == 2}
    rungs = [
        family_rung(work.of.name)
        if isinstance(work.of, MovementSummary)
        else pairs.get(frozenset((work.of.from_note, work.of.to_note)))
        for work in worth_work
        if not isinstance(work.of, PairsSummary)
    ]
    return list(dict.fromkeys(rung.key for rung in rungs if rung))


def _numbered() -> list[dict[str, str]]:
    return [{"key": rung.key, "name": f"{number}. {rung.name}"} for number, rung in enumerate(rungs_in(), 1)]
