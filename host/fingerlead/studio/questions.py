"""What a pupil asks and the teacher answers, each with the place it is about; and passages, to hear, of either.

`questions.jsonl` in a folder only grows, and hangs on no order of its lines: copies and bundles are put together by
having the lines of both:
    {"id": "0f3a…", "day": "2026-11-12", "asked": "Why does it squeak?", "piece": "low-a-c", "session": "", "at_us": 0,
     "passage": ""}
    {"id": "77c1…", "day": "2026-11-13", "answers": "0f3a…", "text": "Your ring finger. Listen:", "passage": "FINGER…"}
A passage is kept as the text that it is sent by. A question without words is one that came in a chat; an answer to no
question is what the teacher sends unasked.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import TypeVar

from fingerlead.store.files import append_line, objects_in
from fingerlead.store.passage import PassageError, decode_passage
from fingerlead.studio.pupils import (
    GREATEST_US,
    LONGEST_KEY,
    LONGEST_REMARK,
    StudioError,
    is_key,
    known_day,
    new_key,
    refuse_longer,
    text,
    tidy,
)

FILE = "questions.jsonl"
# Letters of the name of a session.
LONGEST_DIGEST = 64
# As much as a line takes beside the words.
LONGEST_PASSAGE = 1 << 15
Kept = TypeVar("Kept", "Question", "Reply")


@dataclass(frozen=True, slots=True)
class Question:
    """A pupil's question, about a rung or tune (`piece`), a moment of a session (`at_us`) or a passage, or nothing."""

    id: str
    day: str
    asked: str
    piece: str = ""
    session: str = ""
    at_us: int = 0
    passage: str = ""


@dataclass(frozen=True, slots=True)
class Reply:
    """A teacher's answer to the question with the id `answers`, or to none."""

    id: str
    day: str
    answers: str
    text: str
    passage: str = ""


def ask(folder: Path, question: Question, day: date) -> Question:
    """Write a question down, by an id that is drawn unless it has one; asked once more it is there already.

    Raises StudioError, OSError.
    """
    asked = tidy(question.asked, lines=True)
    if not asked and not question.passage:
        raise StudioError("expected a question; it is empty. Write one")
    refuse_longer(asked, LONGEST_REMARK, "a question")
    check_passage(question.passage)
    there = {each.id: each for each in questions(folder)}
    if question.id in there and there[question.id].asked == asked:
        return there[question.id]
    id = question.id if is_key(question.id) and question.id not in there else new_key()
    kept = replace(question, id=id, day=day.isoformat(), asked=asked)
    append_line(folder / FILE, asdict(kept))
    return kept


def reply(folder: Path, answers: str, words: str, day: date, passage: str = "", id: str = "") -> Reply:
    """Answer a question, or send words and a passage unasked; sent once more it is there already.

    Raises StudioError, OSError.
    """
    words = tidy(words, lines=True)
    if not words and not passage:
        raise StudioError("expected an answer; it is empty. Write one")
    refuse_longer(words, LONGEST_REMARK, "an answer")
    check_passage(passage)
    if answers and answers not in {each.id for each in questions(folder)}:
        raise StudioError("expected a question of this pupil; there is none of this name. Load the page anew")
    there = {each.id: each for each in replies(folder)}
    if id in there and there[id].text == words:
        return there[id]
    kept = Reply(id if is_key(id) and id not in there else new_key(), day.isoformat(), answers, words, passage)
    append_line(folder / FILE, asdict(kept))
    return kept


def questions(folder: Path) -> list[Question]:
    """All questions, the earliest first; raises OSError."""
    return _in_order(filter(None, map(_question, objects_in(folder / FILE))))


def replies(folder: Path) -> list[Reply]:
    """All answers, the earliest first; raises OSError."""
    return _in_order(filter(None, map(_reply, objects_in(folder / FILE))))


def unanswered(folder: Path) -> list[Question]:
    """The questions that have no answer yet, the earliest first; raises OSError."""
    answered = {each.answers for each in replies(folder)}
    return [each for each in questions(folder) if each.id not in answered]


def passages(folder: Path) -> dict[str, str]:
    """The messages of the passages of questions and answers, by their ids; raises OSError."""
    found = {each.id: each.passage for each in questions(folder)} | {each.id: each.passage for each in replies(folder)}
    return {id: message for id, message in found.items() if message}


def check_passage(message: str) -> None:
    """Raise StudioError where a text holds no passage; an empty one is none and may be."""
    if message:
        refuse_longer(message, LONGEST_PASSAGE, "a passage")
        try:
            decode_passage(message)
        except PassageError as error:
            raise StudioError(str(error)) from None


def _in_order(found: Iterable[Kept]) -> list[Kept]:
    # Of one id the first line counts.
    kept: dict[str, Kept] = {}
    for each in found:
        kept.setdefault(each.id, each)
    return sorted(kept.values(), key=lambda each: each.day)


def _question(row: Mapping[str, object]) -> Question | None:
    """The question of a line, of which nothing is taken on trust; None where it has none."""
    id, at_us, passage = text(row, "id"), row.get("at_us"), _passage(row)
    asked = tidy(text(row, "asked"), lines=True)[:LONGEST_REMARK]
    if not is_key(id) or "asked" not in row or not (asked or passage):
        return None
    moment = at_us if type(at_us) is int and 0 <= at_us <= GREATEST_US else 0
    piece, session = tidy(text(row, "piece"))[:LONGEST_KEY], tidy(text(row, "session"))[:LONGEST_DIGEST]
    return Question(id, known_day(row, "day"), asked, piece, session, moment, passage)


def _reply(row: Mapping[str, object]) -> Reply | None:
    id, passage, words = text(row, "id"), _passage(row), tidy(text(row, "text"), lines=True)[:LONGEST_REMARK]
    if not is_key(id) or "answers" not in row or not (words or passage):
        return None
    return Reply(id, known_day(row, "day"), text(row, "answers"), words, passage)


def _passage(row: Mapping[str, object]) -> str:
    """The message of a passage as it stands: it is read where it is heard."""
    message = text(row, "passage")
    return message if len(message) <= LONGEST_PASSAGE else ""
