"""What a teacher's studio has for a pupil who practises on this machine, and the way home for what was played."""

from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

from fingerlead.bundle.keys import BundleError
from fingerlead.bundle.pupil_side import MODELS, PupilSide
from fingerlead.faces.words import clock_text, practised_names
from fingerlead.phrases import day_words
from fingerlead.store.practice_log import passed_days
from fingerlead.studio import pupils, questions
from fingerlead.studio import studio as studios
from fingerlead.studio.names import signs
from fingerlead.studio.outcomes import PRACTICE, Outcome, Practised, current, practised_by
from fingerlead.studio.pupils import Pupil, StudioError
from fingerlead.studio.questions import Reply
from fingerlead.studio.studio import Studio

MOST_REMARKS = 12


def pupil_named(studio: Studio, name: str) -> Pupil:
    """The pupil with a name, however it is written, or with a key; raises StudioError."""
    there = studio.pupils()
    found = [pupil for pupil in there if pupil.key == name or pupil.name.casefold() == name.strip().casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        told = signs(there, studio.index.played_days())
        keys = ", ".join(f"{pupil.key} ({sign})" if (sign := told.get(pupil.key)) else pupil.key for pupil in found)
        raise StudioError(f"two pupils are called {name}; name one by its key: {keys}")
    names = ", ".join(pupil.name for pupil in there[:20]) or "no pupils yet"
    raise StudioError(f"expected a pupil of this studio; there is no {name}. There are: {names}")


def from_teacher(studio: Studio, key: str, today: date) -> dict[str, Any]:
    """The homework that counts now and the remarks, the newest first, as the practice page shows them."""
    folder, sessions = studio.of(key), studio.index.sessions(key)
    practised = practised_by(folder, sessions, today)
    outcomes = current(folder, practised, studio.pupil(key).lesson)
    return _given(folder, outcomes, {session.digest: session.day for session in sessions})


def from_bundles(practice: Path, today: date) -> dict[str, Any]:
    """The same of a teacher who is far away, with what was asked and answered, and the model takes.

    `practice` is the folder of the pupil's own sessions and progress. `apart` says that there are bundles.
    """
    side = PupilSide(practice)
    folder, practised = side.folder, Practised((), passed_days(practice), today)
    asked, replies = questions.questions(folder)[-MOST_REMARKS:], questions.replies(folder)
    try:
        known = bool(side.exchange.other)
    except BundleError:
        known = False
    rows = [(each, [one for one in replies if one.answers == each.id]) for each in asked[::-1]]
    return {
        **_given(folder, current(folder, practised, ""), pupils.played_days(folder)),
        "apart": True,
        "known": known,
        "asked": [
            {"day": day_words(each.day), "text": each.asked, "answers": [_answer(one) for one in answers]}
            for each, answers in rows
        ],
        "unasked": [_answer(one) for one in replies[::-1] if not one.answers][:MOST_REMARKS],
        "models": sorted(path.stem for path in (folder / MODELS).glob("*.session"))[:MOST_REMARKS],
    }


def _answer(reply: Reply) -> dict[str, Any]:
    return {"day": day_words(reply.day), "text": reply.text, "heard": reply.id if reply.passage else ""}


def _given(folder: Path, outcomes: Iterable[Outcome], days: Mapping[str, str]) -> dict[str, Any]:
    """The homework that counts and the remarks of a folder; `days` are those of sessions."""
    counts = [each.piece for each in outcomes]
    names = practised_names()
    remarks = sorted(pupils.remarks(folder), key=lambda remark: (remark.day, remark.at_us), reverse=True)
    return {
        "day": counts[0].of.day if counts else "",
        "note": "\n".join(dict.fromkeys(piece.of.note for piece in counts if piece.of.note)),
        "items": [
            {"key": piece.key, "name": names[piece.key], "due": day_words(piece.of.due) if piece.of.due else ""}
            for piece in counts
            if piece.key in names
        ],
        "remarks": [
            {"day": days.get(each.session, ""), "at": clock_text(each.at_us), "text": each.text}
            for each in remarks[:MOST_REMARKS]
        ],
    }


def practice_folder(studio: Studio, key: str) -> Path:
    """Where the pupil's progress is kept, and sessions until they are taken in."""
    return studio.of(key) / PRACTICE


def bring_home(studio: Studio, key: str) -> int:
    """Take in what was played, also what a crash has left; how many sessions were new."""
    return studios.bring_home(studio, key, practice_folder(studio, key) / "sessions")
