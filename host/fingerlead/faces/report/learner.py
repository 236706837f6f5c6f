"""Whose playing a report is of: their name, their sessions before and since a day, what was given and what was passed.

A folder is a pupil's in a studio, or a learner's own; of several files nothing is known but the playing. Days are ISO
texts by this machine's calendar; today is an argument.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import NamedTuple

from fingerlead.phrases import day_words, path_text
from fingerlead.store.practice_log import open_progress
from fingerlead.store.session_file import SessionError
from fingerlead.store.session_reading import day_here, read_begin
from fingerlead.studio import pupils as folders
from fingerlead.studio.homework import pieces
from fingerlead.studio.lessons import dividing_day, last_days
from fingerlead.studio.overview import FIRST_DAY, is_misdated, span_of
from fingerlead.timing.analysis import Analysis

ENDING = ".session"
# Where sessions are in a folder of one learner: as they were taken in, as they were practised, or as they are.
PLACES = ("sessions", "practice/sessions", ".")
# How a studio names a session: by its content, which says nothing to people.
_BY_CONTENT = re.compile("[0-9a-f]{32}")


@dataclass(frozen=True, slots=True)
class Played:
    """One file of playing and what came of it; `day` it was played on, ISO, where that is known."""

    name: str
    analysis: Analysis
    day: str = ""


class GivenPiece(NamedTuple):
    """A rung or tune that is set as homework, by its key; until when (ISO), and the teacher's line to go with it."""

    key: str
    due: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Learner:
    """One learner, with what was played in order of time.

    `since` divides what was before from what came since; without it, all is since. `given` is the homework that stands,
    `passed` and `passed_again` are the keys of rungs since that day. `remarks` are sentences on what is left out.
    """

    played: tuple[Played, ...]
    name: str = ""
    since: str = ""
    given: tuple[GivenPiece, ...] = ()
    passed: tuple[str, ...] = ()
    passed_again: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def before(self) -> tuple[Played, ...]:
        """What was played before the day; nothing where there is none."""
        return tuple(each for each in self.played if each.day and each.day < self.since)

    @property
    def after(self) -> tuple[Played, ...]:
        """What was played since the day; all where there is none."""
        return tuple(each for each in self.played if not self.since or each.day >= self.since)


def learner_of_files(files: Iterable[tuple[Path, Analysis]], today: date, since: str = "", name: str = "") -> Learner:
    """What is known of the player of some files; of those without a day, or with one that cannot be, it is remarked."""
    found = [(path, analysis, day_of(path)) for path, analysis in files]
    remarks = [problem for path, _, day in found if (problem := day_problem(path, day, today))]
    if since and (undated := sum(not day for *_, day in found)):
        remarks.append(f"{undated} of the files say no day, and are in neither span.")
    days = ["" if day_problem(path, day, today) else day for path, _, day in found]
    analyses = [(path, analysis) for path, analysis, _ in found]
    return Learner(named(analyses, days), name, since, remarks=tuple(remarks))


def learner_in(
    folder: Path, today: date, since: str, read: Callable[[Path], Analysis | None], name: str = ""
) -> Learner:
    """The learner of a folder: the sessions of the span that a day divides; raises StudioError.

    Without a day it is that of the last lesson, as at the desk. `read` gives None for a file that cannot be read.
    """
    paths, is_pupil = sessions_in(folder), (folder / "pupil.json").exists()
    if not paths and not is_pupil:
        raise folders.StudioError(
            f"{path_text(folder)}: expected sessions (*{ENDING}), or a studio with pupils; there are none. "
            "Take sessions in, or name another folder"
        )
    pupil = folders.read_pupil(folder) if is_pupil else None
    lesson = dividing_day(*last_days(folder, pupil.lesson), today) if pupil else ""
    span = span_of(since or lesson, today)
    dated = sorted((day_of(path), path) for path in paths)
    remarks = [problem for day, path in dated if (problem := day_problem(path, day, today))]
    chosen = [(day, path) for day, path in dated if day >= span.since and not day_problem(path, day, today)]
    analyses = [(day, path, read(path)) for day, path in chosen]
    if unread := sum(not day for day, _ in dated) + sum(analysis is None for *_, analysis in analyses):
        remarks.append(f"{unread} of the files cannot be read, or say no day, and are left out.")
    whole = [(day, path, analysis) for day, path, analysis in analyses if analysis is not None]
    passed, again = open_progress(_practice_in(folder)).passed_between(date.fromisoformat(span.divide), today)
    return Learner(
        named([(path, analysis) for _, path, analysis in whole], [day for day, *_ in whole]),
        name or (pupil.name if pupil else ""),
        span.divide,
        homework_in(folder),
        passed,
        again,
        tuple(remarks),
    )


def sessions_in(folder: Path) -> list[Path]:
    """The session files of a learner's folder. A link is none, so that a folder brings only what is in it."""
    places = [folder / place for place in PLACES if not (folder / place).is_symlink()]
    found = [path for place in places for path in sorted(place.glob(f"*{ENDING}"))]
    return [path for path in found if path.is_file() and not path.is_symlink()]


def named(analyses: list[tuple[Path, Analysis]], days: list[str]) -> tuple[Played, ...]:
    """Playing in order of its days, each with a name for people: its day, where it is named by its content."""
    seen: Counter[str] = Counter()
    found = []
    for (path, analysis), day in sorted(zip(analyses, days, strict=True), key=lambda pair: pair[1]):
        name = day_words(day) if _BY_CONTENT.fullmatch(path.stem) else path_text(path.name)
        seen[name] += 1
        found.append(Played(name if seen[name] == 1 else f"{name} ({seen[name]})", analysis, day))
    return tuple(found)


def day_of(path: Path) -> str:
    """The day a session began; nothing where it says none, or is no session."""
    try:
        return day_here(read_begin(path))
    except SessionError:
        return ""


def day_problem(path: Path, day: str, today: date) -> str:
    """What is wrong with the day of a file, as a sentence; nothing where nothing is."""
    if not is_misdated(day, today):
        return ""
    which = "A session" if _BY_CONTENT.fullmatch(path.stem) else path_text(path.name)
    what = "which is still to come" if day > FIRST_DAY else "where a clock begins that has lost the time"
    return (
        f"{which} is dated {day_words(day)}, {what}: look at the clock of the computer that recorded it. "
        "It is in neither span."
    )


def homework_in(folder: Path) -> tuple[GivenPiece, ...]:
    """The homework that stands in a pupil's folder."""
    standing, _ = pieces(folder)
    return tuple(GivenPiece(piece.key, piece.of.due, piece.of.note) for piece in standing)


def _practice_in(folder: Path) -> Path:
    """Where what was practised is noted: beside the sessions in a learner's folder, apart in a pupil's."""
    return folder / "practice" if (folder / "pupil.json").exists() else folder
