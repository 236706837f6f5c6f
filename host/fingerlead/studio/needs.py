"""Who needs the teacher first: one reason for each pupil, and one order for all of them.

First come those who asked something that has no answer yet; then those in whom something got worse; then those whose
homework is due and untouched, the longest due first; then those with something to work on; then those of whom a file
cannot be read. Of one reason, what is heard most comes first. Those who do well follow, and last, apart, those who did
not play, the latest first.
"""

import contextlib
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from fingerlead.studio.homework import Piece
from fingerlead.studio.names import plain_name, signs
from fingerlead.studio.outcomes import untouched
from fingerlead.studio.overview import Glance, glances, until
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.questions import Question, unanswered
from fingerlead.studio.studio import Studio

Reason = Literal["asked", "worse", "untouched", "work", "unread", "well", "away"]
REASONS: tuple[Reason, ...] = ("asked", "worse", "untouched", "work", "unread", "well", "away")
Group = Literal["needs you", "doing well", "did not play"]
# The evening before a lesson is when it is asked: what is due tomorrow is due. Our own choice.
DUE_WITHIN = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Need:
    """Why a pupil stands where they stand.

    `untouched` are the pieces of homework that are due and were not practised; `last` is the ISO day on which the pupil
    last played: None where nothing ever was, empty where no file says when. `sign` tells pupils of one name apart.
    `asked` are the questions that have no answer yet.
    """

    glance: Glance
    reason: Reason
    untouched: tuple[Piece, ...]
    last: str | None
    sign: str
    asked: tuple[Question, ...] = ()

    @property
    def group(self) -> Group:
        """Where the pupil stands on the page."""
        return "did not play" if self.reason == "away" else "doing well" if self.reason == "well" else "needs you"


def needs(studio: Studio, today: date, since: str = "") -> list[Need]:
    """All pupils, who needs the teacher first; since an ISO day, or each one's last lesson."""
    pupils = studio.pupils()
    played = studio.index.played_days(until(today))
    told = signs(pupils, played)
    found = []
    for glance in glances(studio.index, pupils, today, since):
        key = glance.pupil.key
        due, asked = _due(studio, key, today), _asked(studio, key)
        last = played[key][1] if key in played else None
        reason: Reason = "asked" if asked else _reason(glance, due)
        found.append(Need(glance, reason, due, last, told.get(key, ""), asked))
    return sorted(found, key=_place)


def _reason(glance: Glance, due: tuple[Piece, ...]) -> Reason:
    if not glance.sessions:
        return "away"
    if any(each.difference.trend == "worse" for each in glance.changed):
        return "worse"
    return "untouched" if due else "work" if glance.first else "unread" if glance.problems else "well"


def _asked(studio: Studio, key: str) -> tuple[Question, ...]:
    with contextlib.suppress(StudioError, OSError):
        return tuple(unanswered(studio.of(key)))
    return ()


def _due(studio: Studio, key: str, today: date) -> tuple[Piece, ...]:
    by = (today + DUE_WITHIN).isoformat()
    # What is wrong with one folder is said on the page of its pupil, and keeps no other pupil from being seen.
    with contextlib.suppress(StudioError, OSError):
        return untouched(studio.of(key), lambda since: studio.index.sessions(key, since), by, today)
    return ()


def _place(need: Need) -> tuple[int, str, int, int, str, str]:
    due = min(piece.of.due for piece in need.untouched) if need.reason == "untouched" else ""
    away = -date.fromisoformat(need.last).toordinal() if need.reason == "away" and need.last else 0
    pupil = need.glance.pupil
    return REASONS.index(need.reason), due, -need.glance.weight_us, away, plain_name(pupil.name), pupil.key
