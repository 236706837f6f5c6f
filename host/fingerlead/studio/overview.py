"""Pupils at a glance: what changed since the last lesson, what to work on first, and who shares a fault.

Days are ISO texts in UTC; today is an argument. Everything comes from the index: no session is opened.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from fingerlead.studio.index import ENDLESS, Index, IndexedSession
from fingerlead.studio.pupils import Pupil
from fingerlead.timing.progress import Difference, Fault, Side, Tally, compare, together
from fingerlead.timing.summary import stands_out

Change = tuple[int, int]
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
    sittings: int
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
    rows: dict[str, dict[Change, dict[bool, tuple[int, int, int, int]]]] = defaultdict(lambda: defaultdict(dict))
    for who, after, from_note, to_note, *numbers in index.sums(spans):
        plain, astray, heard_us, sittings = numbers
        rows[who][from_note, to_note][after] = plain, astray, heard_us, sittings
    kept: dict[str, list[IndexedSession]] = defaultdict(list)
    for sitting in index.sittings(since=min((turn for _, turn in spans.values()), default="")):
        kept[sitting.pupil].append(sitting)
    problems = index.problems()
    return [
        _glance(index, pupil, spans[pupil.key][1], rows[pupil.key], kept[pupil.key], problems.get(pupil.key, 0))
        for pupil in pupils
    ]


def by_fault(found: Iterable[Glance]) -> list[tuple[tuple[int, bool] | None, list[Glance]]]:
    """Pupils who share a fault, as (finger, early), the most shared first; last those without any, under None."""
    groups: dict[tuple[int, bool] | None, list[Glance]] = defaultdict(list)
    for each in found:
        fault = each.fault
        groups[fault.turn[:2] if fault else None].append(each)
    return sorted(groups.items(), key=lambda group: (group[0] is None, -len(group[1]), group[0] or (0, False)))


def weeks(index: Index, pupil: str) -> dict[Change, dict[str, Tally]]:
    """Progress: for each directed change the tally of each week, by the ISO day of its Monday."""
    days = {sitting.digest: sitting.day for sitting in index.sittings(pupil)}
    lots: dict[Change, dict[str, list[Tally]]] = defaultdict(lambda: defaultdict(list))
    for _, digest, tally in index.tallies(pupil):
        if days.get(digest):
            lots[tally.from_note, tally.to_note][monday(days[digest])].append(tally)
    return {
        change: {week: together(lot)[change] for week, lot in sorted(by_week.items())}
        for change, by_week in lots.items()
    }


def between(index: Index, pupil: str, since: str, turn: str, until: str = ENDLESS) -> list[Changed]:
    """Every change played on both sides of a day, the clearest first; see `progress.compare`."""
    rows: dict[Change, dict[bool, list[Tally]]] = defaultdict(lambda: defaultdict(list))
    for after, span in ((False, (since, turn)), (True, (turn, until))):
        for _, _, tally in index.tallies(pupil, *span):
            rows[tally.from_note, tally.to_note][after].append(tally)
    sides = {
        change: {
            after: (sum(t.plain for t in lot), sum(t.astray for t in lot), sum(t.heard_us for t in lot), len(lot))
            for after, lot in both.items()
        }
        for change, both in rows.items()
    }
    return _changed(sides)


def worst_first(tallies: Iterable[Tally]) -> list[Tally]:
    """The most heard stray time first; what is never astray is left out."""
    return sorted((t for t in tallies if t.heard_us), key=lambda t: (-t.heard_us, t.from_note, t.to_note))


def monday(day: str) -> str:
    """The Monday of a day's week."""
    at = date.fromisoformat(day)
    return (at - timedelta(days=at.weekday())).isoformat()


def _span(pupil: Pupil, today: date) -> tuple[str, str]:
    turn = date.fromisoformat(pupil.lesson) if pupil.lesson else today - timedelta(days=DAYS_BEFORE)
    return (turn - timedelta(days=DAYS_BEFORE)).isoformat(), turn.isoformat()


def _glance(
    index: Index,
    pupil: Pupil,
    since: str,
    rows: dict[Change, dict[bool, tuple[int, int, int, int]]],
    kept: list[IndexedSession],
    problems: int,
) -> Glance:
    mine = [sitting for sitting in kept if sitting.started_utc >= since]
    worst = sorted(
        ((sides[True][2], change) for change, sides in rows.items() if True in sides),
        key=lambda row: (-row[0], row[1]),
    )
    first = next((change for _, change in worst if stands_out(rows[change][True][1], rows[change][True][0])), None)
    told = None
    if first is not None:
        told = together(t for *_, t in index.tallies(pupil.key, since) if (t.from_note, t.to_note) == first)[first]
    return Glance(
        pupil,
        since,
        len(mine),
        len({sitting.day for sitting in mine}),
        sum(sitting.playing_us for sitting in mine),
        told,
        tuple(each for each in _changed(rows) if each.difference.trend in ("better", "worse")),
        problems,
    )


def _changed(sides: dict[Change, dict[bool, tuple[int, int, int, int]]]) -> list[Changed]:
    both = sorted(change for change, side in sides.items() if len(side) == 2)
    found = compare([(_side(sides[change][False]), _side(sides[change][True])) for change in both])
    told = map(Changed, both, found)
    return sorted(told, key=lambda each: (each.difference.chance, -abs(each.difference.difference), each.change))


def _side(numbers: tuple[int, int, int, int]) -> Side:
    plain, astray, _, sittings = numbers
    return Side(plain, astray, sittings)
