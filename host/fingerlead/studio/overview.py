"""Pupils at a glance: what changed since the last lesson, what to work on first, and who shares a fault.

Days are ISO texts in UTC; today is an argument. Everything comes from the index: no session is opened.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, TypeVar

from fingerlead.studio.index import Index, IndexedSession
from fingerlead.studio.pupils import Pupil
from fingerlead.timing.movement_sums import MovementOn, MovementSummary, movements_together
from fingerlead.timing.progress import Difference, Fault, Side, Tally, compare, together
from fingerlead.timing.summary import MOVEMENT_WEIGHT_US, stands_out

Change = tuple[int, int]
What = Change | MovementOn
Played = Tally | MovementSummary
T = TypeVar("T", Tally, MovementSummary)
# Of each change and movement before (False) and after (True) a day: what is compared of it, and how much it weighs.
Sums = dict[What, dict[bool, tuple[Side, int]]]
# What pupils may share: a finger and whether it is early, or a movement.
Shared = tuple[int, bool] | str
# Before a lesson so many days are looked at; without one, as many until today. Our own choice.
DAYS_BEFORE = 28


@dataclass(frozen=True, slots=True)
class Changed:
    """One directed change, or one movement on a note, before and since a day."""

    what: What
    difference: Difference


@dataclass(frozen=True, slots=True)
class Glance:
    """One pupil at a glance, since the last lesson (`since`, ISO). `first` is what to work on first, if anything.

    `problems` are files that cannot be read, whenever they were played: they cannot say.
    """

    pupil: Pupil
    since: str
    sessions: int
    days: int
    playing_us: int
    first: Played | None
    changed: tuple[Changed, ...]
    problems: int

    @property
    def fault(self) -> Fault | None:
        """The finger to work on first, of a change."""
        return self.first.faults[0] if isinstance(self.first, Tally) and self.first.faults else None

    @property
    def weight_us(self) -> int:
        """How much what is to be worked on first weighs; 0 where nothing is."""
        return weight_us(self.first) if self.first else 0

    @property
    def shared(self) -> Shared | None:
        """What others may have to work on too."""
        if isinstance(self.first, MovementSummary):
            return self.first.name
        return self.fault.cause[:2] if self.fault else None


def glances(index: Index, pupils: Iterable[Pupil], today: date) -> list[Glance]:
    """All pupils, in the order given."""
    pupils = list(pupils)
    spans = {pupil.key: _span(pupil, today) for pupil in pupils}
    sums = _sums(index, spans)
    kept: dict[str, list[IndexedSession]] = defaultdict(list)
    for session in index.sessions(since=min((divide for _, divide in spans.values()), default="")):
        kept[session.pupil].append(session)
    problems = index.problems()
    return [
        _glance(index, pupil, spans[pupil.key][1], sums[pupil.key], kept[pupil.key], problems.get(pupil.key, 0))
        for pupil in pupils
    ]


def by_fault(found: Iterable[Glance]) -> list[tuple[Shared | None, list[Glance]]]:
    """Pupils who share a fault, or a movement to work on, the most shared first; last those without, under None."""
    groups: dict[Shared | None, list[Glance]] = defaultdict(list)
    for each in found:
        groups[each.shared].append(each)
    return sorted(groups.items(), key=lambda group: (group[0] is None, -len(group[1]), str(group[0])))


def weeks(index: Index, pupil: str) -> dict[What, dict[str, Played]]:
    """Progress: for each directed change the tally of each week, by the ISO day of its Monday."""
    return _by_week(index, pupil, index.tallies(pupil), together)


def movement_weeks(index: Index, pupil: str) -> dict[What, dict[str, Played]]:
    """Progress: for each movement on a note how it went in each week, by the ISO day of its Monday."""
    return _by_week(index, pupil, index.movements(pupil), movements_together)


def _by_week(
    index: Index,
    pupil: str,
    rows: Iterable[tuple[str, str, T]],
    put_together: Callable[[Iterable[T]], Mapping[Any, Played]],
) -> dict[What, dict[str, Played]]:
    """What rows of (pupil, session's digest, what was played) say of each week, put together by what it was."""
    days = {session.digest: session.day for session in index.sessions(pupil)}
    lots: dict[str, list[T]] = defaultdict(list)
    for _, digest, one in rows:
        if days.get(digest):
            lots[monday(days[digest])].append(one)
    found: dict[What, dict[str, Played]] = defaultdict(dict)
    for week, lot in sorted(lots.items()):
        for what, whole in put_together(lot).items():
            found[what][week] = whole
    return dict(found)


def between(index: Index, pupil: str, since: str, divide: str) -> list[Changed]:
    """Every change and movement played on both sides of a day, the clearest first; see `progress.compare`."""
    return _changed(_sums(index, {pupil: (since, divide)})[pupil])


def worst_first(tallies: Iterable[Tally]) -> list[Tally]:
    """The most heard stray time first; what is never astray is left out."""
    return sorted((t for t in tallies if t.heard_us), key=lambda t: (-t.heard_us, t.from_note, t.to_note))


def worth_work(lots: Iterable[Played]) -> list[Played]:
    """What stands out, in one order for every face: what is heard to go wrong most comes first."""
    found = [one for one in lots if stands_out(*wrong_of(one))]
    return sorted(found, key=lambda one: (-weight_us(one), str(what_of(one))))


def wrong_of(played: Played) -> tuple[int, int]:
    """How many went astray, or were not as written, and of how many."""
    return (played.astray, played.plain) if isinstance(played, Tally) else (played.wrong, played.count)


def what_of(played: Played) -> What:
    """Which change or movement it is."""
    return (played.from_note, played.to_note) if isinstance(played, Tally) else (played.name, played.to_note)


def weight_us(played: Played) -> int:
    """How much of it is heard to go wrong, as `Summary.worth_work` weighs it."""
    return played.heard_us if isinstance(played, Tally) else played.wrong * MOVEMENT_WEIGHT_US


def monday(day: str) -> str:
    """The Monday of a day's week."""
    at = date.fromisoformat(day)
    return (at - timedelta(days=at.weekday())).isoformat()


def _span(pupil: Pupil, today: date) -> tuple[str, str]:
    divide = date.fromisoformat(pupil.lesson) if pupil.lesson else today - timedelta(days=DAYS_BEFORE)
    return (divide - timedelta(days=DAYS_BEFORE)).isoformat(), divide.isoformat()


def _sums(index: Index, spans: Mapping[str, tuple[str, str]]) -> dict[str, Sums]:
    """The sums of each pupil since the first day of their span, before and after its second."""
    sums: dict[str, Sums] = defaultdict(lambda: defaultdict(dict))
    for who, after, from_note, to_note, plain, astray, heard_us, sessions in index.sums(spans):
        sums[who][from_note, to_note][after] = Side(plain, astray, sessions), heard_us
    for who, after, on, asked, right, sessions in index.movement_sums(spans):
        wrong = asked - right
        sums[who][on][after] = Side(asked, wrong, sessions), wrong * MOVEMENT_WEIGHT_US
    return sums


def _glance(index: Index, pupil: Pupil, since: str, sums: Sums, kept: list[IndexedSession], problems: int) -> Glance:
    mine = [session for session in kept if session.started_utc >= since]
    recent = {what: sides[True] for what, sides in sums.items() if True in sides}
    worst = sorted(recent, key=lambda what: (-recent[what][1], str(what)))
    first = next((each for each in worst if stands_out(recent[each][0].astray, recent[each][0].plain)), None)
    return Glance(
        pupil,
        since,
        len(mine),
        len({session.day for session in mine}),
        sum(session.playing_us for session in mine),
        None if first is None else _whole(index, pupil.key, since, first),
        tuple(each for each in _changed(sums) if each.difference.trend in ("better", "worse")),
        problems,
    )


def _whole(index: Index, pupil: str, since: str, what: What) -> Played:
    """All that is known of a change or a movement since a day."""
    if isinstance(what[0], str):
        return movements_together(m for *_, m in index.movements(pupil, since) if (m.name, m.to_note) == what)[what]
    return together(t for *_, t in index.tallies(pupil, since) if (t.from_note, t.to_note) == what)[what]


def _changed(sums: Sums) -> list[Changed]:
    both = sorted((what for what, sides in sums.items() if len(sides) == 2), key=str)
    found = compare([(sums[what][False][0], sums[what][True][0]) for what in both])
    return sorted(
        map(Changed, both, found),
        key=lambda each: (each.difference.chance, -abs(each.difference.difference), str(each.what)),
    )
