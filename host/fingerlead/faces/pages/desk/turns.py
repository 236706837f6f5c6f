"""The chanter that is passed round a class, as a page shows it: who has it, what is played, and who is next."""

from typing import Any

from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.phrases import capital, listed
from fingerlead.studio.names import signs
from fingerlead.studio.round import Round
from fingerlead.studio.studio import Studio
from fingerlead.timing.results import Change

NO_PUPIL_HAS_IT = "No pupil has the chanter; what is played now is not recorded."
MOST_NAMED = 5  # of those who are next


def passed_shown(studio: Studio, passed: Round, known: str | None = None) -> dict[str, Any]:
    """What is wrong with the chanter, the note that sounds and the last changes; who has it, and the order.

    The last two are left out where the pupil who has it is `known`: a page asks often.
    """
    (note, late), now = passed.playing, passed.now
    return {
        "now": now,
        "trouble": capital(passed.sentence),
        "note": "" if note is None else NOTES[note],
        "late": [{"text": _change_text(change), "astray": change.verdict == "stray"} for change in late],
        "order": None if known == now else order(studio, now),
    }


def order(studio: Studio, now: str) -> dict[str, Any]:
    """Who has the chanter, in a sentence; who is next, who had it before, and who comes then, going round by name.

    Pupils of one name are told apart. There is none of them where there is no other pupil.
    """
    pupils = studio.pupils()
    apart = signs(pupils, studio.index.played_days())
    names = {each.key: f"{each.name} ({apart[each.key]})" if each.key in apart else each.name for each in pupils}
    keys = list(names)
    at = keys.index(now) if now in names else None
    others = keys if at is None else keys[at + 1 :] + keys[:at]
    following = [{"key": key, "name": names[key]} for key in others]
    return {
        "who": NO_PUPIL_HAS_IT if at is None else f"{names[now]} has the chanter.",
        "next": following[0] if following else None,
        "before": following[-1] if following and at is not None else None,
        "then": following[1:MOST_NAMED],
    }


def _change_text(change: Change) -> str:
    """A change by its notes, with what sounded in between where it was heard."""
    heard = [NOTES[stray.note] for stray in change.strays if stray.heard]
    return change_text(change.from_note, change.to_note) + (f", {listed(heard)} in between" if heard else "")
