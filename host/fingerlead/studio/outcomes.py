"""What came of homework and of lessons: which pieces were practised, on how many days, and which became clean.

It is told from two things: the sessions, which name the rungs and tunes that were practised and became clean, and the
ladder of a pupil who practises in the studio's folder. Days are ISO texts; what was played on the day on which it was
set counts, and what only a wrong clock can say does not.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

from fingerlead.store.practice_log import passed_days
from fingerlead.studio import homework
from fingerlead.studio.homework import Piece
from fingerlead.studio.index import ENDLESS, IndexedSession
from fingerlead.studio.lessons import Lesson
from fingerlead.studio.overview import is_misdated

# `done`: it became clean on the ladder. `tried`: it was practised. Else `untouched`.
Came = Literal["done", "tried", "untouched"]
# Within the pupil's own folder: progress, and sessions until they are taken in.
PRACTICE = "practice"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a piece: `days` on which it was practised; `clean` is the ISO day on which it became clean, if any.

    A piece that was clean before it was set can only be tried: the ladder counts it no more.
    """

    piece: Piece
    came: Came
    days: int
    clean: str


@dataclass(frozen=True, slots=True)
class LessonOutcome:
    """A lesson, what was set from its day until before the next one, and what became clean from then until then."""

    lesson: Lesson
    set: tuple[Outcome, ...]
    became_clean: tuple[str, ...]


class Practised:
    """On which days a pupil practised which rungs and tunes, and which of them became clean.

    `misdated` are (rung, day) of the pupil's own ladder that only a wrong clock can say: they count for nothing, and
    neither do sessions of such a day.
    """

    def __init__(self, sessions: Iterable[IndexedSession], passed: Mapping[str, Iterable[date]], today: date) -> None:
        self._days: dict[str, set[str]] = defaultdict(set)
        told = [(key, day.isoformat()) for key, days in passed.items() for day in days]
        self.misdated = tuple(each for each in told if is_misdated(each[1], today))
        clean: dict[str, set[str]] = defaultdict(set)
        for key, day in told:
            if not is_misdated(day, today):
                clean[key].add(day)
        for session in sessions:
            if is_misdated(session.day, today):
                continue
            for key in session.rungs:
                self._days[key].add(session.day)
            for key in session.passed:
                clean[key].add(session.day)
        self._clean = {key: sorted(days) for key, days in clean.items()}

    def outcome(self, piece: Piece, until: str = ENDLESS) -> Outcome:
        """What came of a piece from its day until before another."""
        since = piece.of.day
        days = sum(since <= day < until for day in self._days.get(piece.key, ()))
        clean = [day for day in self._clean.get(piece.key, ()) if day < until]
        became = [day for day in clean if day >= since]
        came: Came = "done" if became else "tried" if days else "untouched"
        return Outcome(piece, came, days, (became or clean[-1:] or [""])[0])

    def became_clean(self, since: str, until: str = ENDLESS) -> tuple[str, ...]:
        """The rungs that became clean for the first time from a day until before another, in order of their days."""
        first = sorted((days[0], key) for key, days in self._clean.items() if days)
        return tuple(key for day, key in first if since <= day < until)


def practised_by(folder: Path, sessions: Iterable[IndexedSession], today: date) -> Practised:
    """What the pupil of a folder practised."""
    return Practised(sessions, passed_days(folder / PRACTICE), today)


def current(folder: Path, practised: Practised, lesson: str) -> list[Outcome]:
    """The homework that counts now, the latest first: what was set last, or since the last lesson, and what is not done
    yet. `lesson` is its ISO day, empty before there was one.
    """
    found = [practised.outcome(piece) for piece in homework.pieces(folder)[0]]
    since = min(lesson or ENDLESS, max((each.piece.of.day for each in found), default=ENDLESS))
    return [each for each in found if each.piece.of.day >= since or each.came != "done"]


def untouched(
    folder: Path, sessions_since: Callable[[str], Iterable[IndexedSession]], by: str, today: date
) -> tuple[Piece, ...]:
    """The pieces that are due by an ISO day and were not practised; raises OSError."""
    due = [piece for piece in homework.pieces(folder)[0] if piece.of.due and piece.of.due <= by]
    if not due:
        return ()
    practised = practised_by(folder, sessions_since(min(piece.of.day for piece in due)), today)
    return tuple(piece for piece in due if practised.outcome(piece).came == "untouched")


def history(folder: Path, lessons: Iterable[Lesson], practised: Practised, until: str = ENDLESS) -> list[LessonOutcome]:
    """What came of each lesson, the latest first, until the next one; `until` is the ISO day of the one after them."""
    found = []
    given = homework.all_set(folder)
    for lesson in lessons:
        span = [each for each in given if lesson.day <= each.day < until]
        # Set twice, it is one piece: from the first of its days on.
        pieces = {key: Piece(key, each) for each in span for key in each.pieces}
        outcomes = tuple(practised.outcome(piece, until) for piece in pieces.values())
        found.append(LessonOutcome(lesson, outcomes, practised.became_clean(lesson.day, until)))
        until = lesson.day
    return found
