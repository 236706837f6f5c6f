"""Lessons as a dated history: the day of each, and the teacher's own note on it, which is private.

`lessons.jsonl` in a pupil's folder only grows. What it says hangs on no order of its lines, so that two copies are put
together by having the lines of both; a lesson that was changed in both stands twice, and none of the words is lost:
    {"id": "0f3a…", "day": "2026-11-12", "note": "the birl at last", "instead_of": ["77c1…"]}
    {"id": "0f3a…", "taken_back": true}
Older files know one day alone, that of the last lesson, in `pupil.json`: it is the first of the history.
"""

import contextlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

from fingerlead.store.files import append_line, objects_in
from fingerlead.studio.pupils import (
    LONGEST_NOTE,
    StudioError,
    day_text,
    id_of,
    is_key,
    known_day,
    new_key,
    read_pupil,
    refuse_longer,
    text,
    texts,
    tidy,
)
from fingerlead.studio.saves import StaleError, merge

FILE = "lessons.jsonl"


@dataclass(frozen=True, slots=True)
class Lesson:
    """One lesson: its day, ISO, and what the teacher wrote down of it."""

    id: str
    day: str
    note: str = ""


def lessons(folder: Path) -> list[Lesson]:
    """The lessons that stand, the latest first; raises OSError."""
    return _told(folder, _first_day(folder))[0]


def taken_back(folder: Path) -> list[Lesson]:
    """The lessons that were taken back and can be put back, the latest first; raises OSError."""
    return _told(folder, _first_day(folder))[1]


def last_days(folder: Path, first: str) -> tuple[str, str]:
    """The days of the last lesson and of the one before it; empty where there was none. `first` is in `pupil.json`.

    Raises OSError.
    """
    days = sorted({lesson.day for lesson in _told(folder, first)[0]}, reverse=True)
    last, before, *_ = *days, "", ""
    return last, before


def dividing_day(last: str, before: str, today: date) -> str:
    """The day of the lesson since which playing is told; empty where there is none.

    On the day of a lesson it is the one before: what was played since then is what this lesson is about.
    """
    return last if last < today.isoformat() else before


def write_down(folder: Path, day: str, note: str, today: date, instead_of: str = "", id: str = "") -> Lesson:
    """Write a lesson down, or another day and note `instead_of` one that stands; raises StudioError, OSError.

    Of one that was changed since, what both have changed raises StaleError. `id` names it where it is sent once more
    because no answer came: what is there already is not written twice.
    """
    on, words = day_text(day), tidy(note, lines=True)
    if not on or on > today.isoformat():
        raise StudioError(f"expected the day of a lesson, today or before; got {on or 'none'}. Choose another")
    refuse_longer(words, LONGEST_NOTE, "a note")
    named = {lesson.id: lesson for lesson in _read(objects_in(folder / FILE))} if is_key(id) else {}
    if named.get(id) == Lesson(id, on, words):
        return named[id]
    if instead_of and instead_of not in {lesson.id for lesson in lessons(folder)}:
        instead_of, on, words = _with_later(folder, instead_of, on, words)
    lesson = Lesson(id if is_key(id) and id not in named else new_key(), on, words)
    append_line(folder / FILE, {**asdict(lesson), "instead_of": [instead_of] if instead_of else []})
    return lesson


def _with_later(folder: Path, id: str, day: str, note: str) -> tuple[str, str, str]:
    """The lesson that stands instead of one that was changed since, with the day and the note that take in both.

    Raises StudioError; StaleError where both have changed the same.
    """
    rows = [row for row in objects_in(folder / FILE) if is_key(text(row, "id"))]
    written = {lesson.id: lesson for lesson in _read(rows)}
    before, ids = written.get(id), {id}
    for row in rows:
        if ids & set(texts(row, "instead_of")):
            ids.add(text(row, "id"))
    later = next((lesson for lesson in lessons(folder) if lesson.id in ids), None)
    if later is None:
        raise StudioError("expected a lesson that stands; this one was taken back since. Put it back, then change it")
    was = {} if before is None else {"day": before.day, "note": before.note}
    stored = {"day": later.day, "note": later.note}
    merged = merge(was, {"day": day, "note": note}, stored, {"day": "", "note": ""})
    if merged.clashes:
        raise StaleError(merged, {"instead_of": later.id})
    return later.id, merged.fields["day"], merged.fields["note"]


def take_back(folder: Path, id: str) -> None:
    """Take a lesson back; what was written stays in the file. Raises StudioError, OSError."""
    _expect(id, lessons(folder), "stands; this one was changed or taken back already")
    append_line(folder / FILE, {"id": id, "taken_back": True})


def put_back(folder: Path, id: str) -> None:
    """Put back a lesson that was taken back; raises StudioError, OSError."""
    lesson = _expect(id, taken_back(folder), "was taken back; this one stands, or never was")
    append_line(folder / FILE, {**asdict(lesson), "id": new_key(), "instead_of": [id]})


def add_day(folder: Path, day: str) -> None:
    """Have the one day that another copy of `pupil.json` knows in the history, once; raises OSError."""
    id = id_of({"lesson": day})
    if id not in {text(row, "id") for row in objects_in(folder / FILE)}:
        append_line(folder / FILE, {**asdict(Lesson(id, day)), "instead_of": []})


def _first_day(folder: Path) -> str:
    with contextlib.suppress(StudioError):
        return read_pupil(folder).lesson
    return ""


def _expect(id: str, among: list[Lesson], what: str) -> Lesson:
    found = next((lesson for lesson in among if lesson.id == id), None)
    if found is None:
        raise StudioError(f"expected a lesson that {what}")
    return found


def _told(folder: Path, day: str) -> tuple[list[Lesson], list[Lesson]]:
    """The lessons that stand, and those that were taken back, the latest first; `day` is that in `pupil.json`."""
    rows = [row for row in objects_in(folder / FILE) if is_key(text(row, "id"))]
    gone = {text(row, "id") for row in rows if row.get("taken_back") is True}
    replaced = {id for row in rows for id in texts(row, "instead_of")}
    found = {lesson.id: lesson for lesson in _read(rows)}
    if day and day not in {lesson.day for lesson in found.values() if lesson.id not in gone | replaced}:
        first = Lesson(id_of({"lesson": day}), day)
        found[first.id] = first
    left = sorted((one for one in found.values() if one.id not in replaced), key=lambda one: (one.day, one.id))
    return [one for one in left[::-1] if one.id not in gone], [one for one in left[::-1] if one.id in gone]


def _read(rows: list[dict[str, object]]) -> Iterator[Lesson]:
    for row in rows:
        id, day = text(row, "id"), known_day(row, "day")
        if row.get("taken_back") is not True and is_key(id) and day:
            yield Lesson(id, day, tidy(text(row, "note"), lines=True)[:LONGEST_NOTE])
