"""The chanter that is passed round a class, as a page shows it: who has it, what is played, and who is next."""

from typing import Any

from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.phrases import capital, listed
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.round import Round
from fingerlead.studio.studio import Studio
from fingerlead.timing.results import Change

NO_PUPIL_HAS_IT = "No pupil has the chanter; what is played now is not recorded."
MOST_NAMED = 5  # of those who are next


def passed_shown(studio: Studio, passed: Round, known: str | None = None) -> dict[str, Any]:
    """Who has the chanter, what is wrong with it, the note that sounds and the last changes; and the order.

    The order is left out where the pupil who has it is `known`.
    """
    (note, late), now = passed.playing, passed.now
    return {
        "now": now,
        "told": _told(studio, now, passed.sentence),
        "note": "" if note is None else NOTES[note],
        "late": [{"text": _change_text(change), "astray": change.verdict == "stray"} for change in late],
        "order": None if known == now else order(studio, now),
    }


def order(studio: Studio, now: str) -> dict[str, Any]:
    """Who plays next, who did before, and who comes then, going round by name; none where there is no other pupil."""
    names = [{"key": pupil.key, "name": pupil.name} for pupil in studio.pupils()]
    at = next((at for at, each in enumerate(names) if each["key"] == now), None)
    others = names if at is None else names[at + 1 :] + names[:at]
    return {
        "next": others[0] if others else None,
        "before": others[-1] if others and at is not None else None,
        "then": others[1:MOST_NAMED],
    }


def _told(studio: Studio, now: str, sentence: str) -> str:
    try:
        who = f"{studio.pupil(now).name} has the chanter." if now else NO_PUPIL_HAS_IT
    except StudioError:
        who = NO_PUPIL_HAS_IT
    return f"{who} {capital(sentence)}" if sentence else who


def _change_text(change: Change) -> str:
    """A change by its notes, with what sounded in between where it was heard."""
    heard = [NOTES[stray.note] for stray in change.strays if stray.heard]
    return change_text(change.from_note, change.to_note) + (f", {listed(heard)} in between" if heard else "")
