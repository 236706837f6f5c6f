"""Pupils at a glance: what changed since the last lesson, what to work on first, and who shares a fault.

Days are ISO texts in UTC; today is an argument. Everything comes from the index: no session is opened.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from fingerlead.studio.index import Index, IndexedSession
from fingerlead.studio.pupils import Pupil
from fingerlead.timing.progress import Difference, Fault, Side, Tally, compare, together
from fingerlead.timing.summary import stands_out

Change = tuple[int, int]
# Of each directed change before (False) and after (True) a day: what is compared of it, and what was heard.
Sums = dict[Change, dict[bool, tuple[Side, int]]]
# Before a lesson so many days are looked at; without one, as many until today. Our own choice.
DAYS_BEFORE = 28


@dataclass(frozen=True, slots=True)
class Changed:
    """One directed change before and since a day."""

    change: Change
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
    first: Tally | None
    changed: tuple[Changed, ...]
    problems: int

    @property
    def fault(self) -> Fault | None:
        """The finger to work on first."""
        return self.first.faults[0] if self.first and self.first.faults else None


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


def by_fault(found: Iterable[Glance]) -> list[tuple[tuple[int, bool] | None, list[Glance]]]:
    """Pupils who share a fault, as (finger, early), the most shared first; last those without any, under None."""
    groups: dict[tuple[int, bool] | None, list[Glance]] = defaultdict(list)
    for each in found:
        fault = each.fault
        groups[fault.cause[:2] if fault else None].append(each)
    return sorted(groups.items(), key=lambda group: (group[0] is None, -len(group[1]), group[0] or (0, False)))


def weeks(index: Index, pupil: str) -> dict[Change, dict[str, Tally]]:
    """Progress: for each directed change the tally of each week, by the ISO day of its Monday."""
    days = {session.digest: session.day for session in index.sessions(pupil)}
    lots: dict[Change, dict[str, list[Tally]]] = defaultdict(lambda: defaultdict(list))
    for _, digest, tally in index.tallies(pupil):
        if days.get(digest):
            lots[tally.from_note, tally.to_note][monday(days[digest])].append(tally)
    return {
        change: {week: together(lot)[change] for week, lot in sorted(by_week.items())}
        for change, by_week in lots.items()
    }


def between(index: Index, pupil: str, since: str, divide: str) -> list[Changed]:
    """Every change played on both sides of a day, the clearest first; see `progress.compare`."""
    return _changed(_sums(index, {pupil: (since, divide)})[pupil])


def worst_first(tallies: Iterable[Tally]) -> list[Tally]:
    """The most heard stray time first; what is never astray is left out."""
    return sorted((t for t in tallies if t.heard_us), key=lambda t: (-t.heard_us, t.from_note, t.to_note))


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
    return sums


def _glance(index: Index, pupil: Pupil, since: str, sums: Sums, kept: list[IndexedSession], problems: int) -> Glance:
    mine = [session for session in kept if session.started_utc >= since]
    recent = {change: sides[True] for change, sides in sums.items() if True in sides}
    worst = sorted(recent, key=lambda change: (-recent[change][1], change))
    first = next((each for each in worst if stands_out(recent[each][0].astray, recent[each][0].plain)), None)
    tally = None
    if first is not None:
        tally = together(t for *_, t in index.tallies(pupil.key, since) if (t.from_note, t.to_note) == first)[first]
    return Glance(
        pupil,
        since,
        len(mine),
        len({session.day for session in mine}),
        sum(session.playing_us for session in mine),
        tally,
        tuple(each for each in _changed(sums) if each.difference.trend in ("better", "worse")),
        problems,
    )


def _changed(sums: Sums) -> list[Changed]:
    both = sorted(change for change, sides in sums.items() if len(sides) == 2)
    found = compare([(sums[change][False][0], sums[change][True][0]) for change in both])
    return sorted(
        map(Changed, both, found),
        key=lambda each: (each.difference.chance, -abs(each.difference.difference), each.change),
    )
