"""A pupil who is far away, as the desk shows them: questions and answers, passages, and the bundles each way."""

from collections.abc import Sequence
from typing import Any

from fingerlead.bundle.keys import BundleError, key_words
from fingerlead.bundle.teacher_side import TeacherSide
from fingerlead.faces.words import clock_text, practised_name, practised_names
from fingerlead.phrases import day_words
from fingerlead.studio import questions
from fingerlead.studio.pupils import new_key
from fingerlead.studio.questions import Question, Reply
from fingerlead.studio.studio import Studio

# Of what was asked so many are shown, the latest first; those without an answer are all shown.
MOST_ASKED = 12


def apart(studio: Studio, key: str) -> dict[str, Any]:
    """What a pupil's page needs of questions and bundles; raises StudioError, OSError."""
    folder = studio.of(key)
    asked, replies = questions.questions(folder), questions.replies(folder)
    waiting = {each.id for each in questions.unanswered(folder)}
    latest = {each.id for each in asked[-MOST_ASKED:]}
    return {
        "asked": [_asked_row(studio, each, replies) for each in asked[::-1] if each.id in waiting | latest],
        "unasked": [_reply_row(each) for each in replies[::-1] if not each.answers][:MOST_ASKED],
        "bundle": _bundle(TeacherSide(studio), key),
        "answer_id": new_key(),
    }


def _bundle(side: TeacherSide, key: str) -> dict[str, Any]:
    """Whose key is known, and the words of this side; or why there are none."""
    try:
        exchange = side.exchange(key)
        known, file = bool(exchange.other), exchange.next_file("from teacher")
        return {"known": known, "words": key_words(side.key().public), "file": file, "problem": ""}
    except BundleError as error:
        return {"known": False, "words": "", "file": "", "problem": str(error)}


def _asked_row(studio: Studio, each: Question, replies: Sequence[Reply]) -> dict[str, Any]:
    return {
        "id": each.id,
        "day": day_words(each.day),
        "text": each.asked,
        "piece": practised_name(each.piece) if each.piece in practised_names() else "",
        "session": each.session if each.session and studio.index.has(each.session) else "",
        "at": clock_text(each.at_us),
        "at_us": each.at_us,
        "passage": bool(each.passage),
        "answers": [_reply_row(one) for one in replies if one.answers == each.id],
    }


def _reply_row(each: Reply) -> dict[str, Any]:
    return {"id": each.id, "day": day_words(each.day), "text": each.text, "passage": bool(each.passage)}
