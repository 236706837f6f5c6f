"""Pupils at a glance: what changed since the last lesson, what to work on first, and who shares a fault.

Days are ISO texts, by this machine's calendar; today is an argument. Everything comes from the index: no session is
opened.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypeVar

from fingerlead.studio.index import DaySpan, Index
from fingerlead.studio.kept_chances import chances_of
from fingerlead.studio.lessons import dividing_day
from fingerlead.studio.pupils import Pupil
from fingerlead.studio.tried import Tried, Wrong, pairs_key
from fingerlead.timing.evenings import Difference, What, evenings_needed, judge
from fingerlead.timing.movement_sums import MovementSummary, movements_together
from fingerlead.timing.progress import Fault, Tally, together
from fingerlead.timing.worth import (
    MOVEMENT_WEIGHT_US,
    PairsSummary,
    WorkKind,
    WorthWork,
    WrittenSummary,
    added,
    place_of,
    ranked,
    stands_out,
    worth_of,
    worths_of_change,
)

Played = Tally | MovementSummary
T = TypeVar("T", Tally, MovementSummary)
# What may be worth work over some sessions, as the index keeps it.
Lot = Played | WrittenSummary | PairsSummary
Work = WorthWork[Tally]
# What pupils may share: a finger and whether it is early, a movement, or another kind of fault.
Shared = tuple[int, bool] | str
# Kinds of fault that are shared as such, by their names.
SHARED_KINDS: dict[WorkKind, str] = {"apart": "fingers apart", "wrong": "wrong notes", "pairs": "pairs not pointed"}
# Before a lesson so many days are looked at; without one, as many until today. Our own choice.
DAYS_BEFORE = 28
# A clock that has lost the time begins in 1970 or 1980, and no chanter with sensors is as old.
FIRST_DAY = "1981-01-01"


@dataclass(frozen=True, slots=True)
class Changed:
    """One directed change, or one movement on a note, before and since a day."""

    what: What
    difference: Difference


@dataclass(frozen=True, slots=True)
class Glance:
    """One pupil at a glance, since the last lesson (`since`, ISO). `first` is what to work on first, if anything.

    `changed` is what is told better or worse, against the days from `before` on until the lesson, the clearest first.
    `is_enough` says whether enough was played to tell a change, in anything that went astray.
    `problems` are files that cannot be read, whenever they were played: they cannot say.
    """

    pupil: Pupil
    since: str
    sessions: int
    days: int
    playing_us: int
    first: Work | None
    before: str
    changed: tuple[Changed, ...]
    is_enough: bool
    problems: int

    @property
    def fault(self) -> Fault | None:
        """The finger to work on first, of a change that goes astray."""
        of = self.first.of if self.first and self.first.kind == "stray" else None
        return of.faults[0] if isinstance(of, Tally) and of.faults else None

    @property
    def weight_us(self) -> int:
        """How much what is to be worked on first weighs; 0 where nothing is."""
        return self.first.weight_us if self.first else 0

    @property
    def shared(self) -> Shared | None:
        """What others may have to work on too."""
        if self.first and isinstance(self.first.of, MovementSummary):
            return self.first.of.name
        if self.first and self.first.kind in SHARED_KINDS:
            return SHARED_KINDS[self.first.kind]
        return self.fault.cause[:2] if self.fault else None


def glances(index: Index, pupils: Iterable[Pupil], today: date, divide: str = "") -> list[Glance]:
    """All pupils, in the order given, since the ISO day `divide` or each one's last lesson before today."""
    pupils = list(pupils)
    spans = {
        pupil.key: span_of(divide or dividing_day(pupil.lesson, pupil.lesson_before, today), today) for pupil in pupils
    }
    tried, problems = index.tried(spans), index.problems()
    told = {
        who: judge(each.whats, each.tried, each.astray, each.before, chances, told_alone=True)
        for (who, each), chances in zip(tried.items(), chances_of(index, tried).values(), strict=True)
    }
    return [
        _glance(index, pupil, spans[pupil.key], tried[pupil.key], told[pupil.key], problems.get(pupil.key, 0))
        if pupil.key in tried
        else Glance(
            pupil, spans[pupil.key].divide, 0, 0, 0, None, spans[pupil.key].since, (), False, problems.get(pupil.key, 0)
        )
        for pupil in pupils
    ]


def by_fault(found: Iterable[Glance]) -> list[tuple[Shared | None, list[Glance]]]:
    """Pupils who share a fault, or a movement to work on, the most shared first; last those without, under None."""
    groups: dict[Shared | None, list[Glance]] = defaultdict(list)
    for each in found:
        groups[each.shared].append(each)
    return sorted(groups.items(), key=lambda group: (group[0] is None, -len(group[1]), str(group[0])))


def weeks(index: Index, pupil: str, span: DaySpan) -> dict[What, dict[str, Played]]:
    """Progress: for each directed change and each movement on a note how it went in each week, by its Monday's ISO day.

    Of the first week only the days within the span.
    """
    days = {session.digest: session.day for session in index.sessions(pupil, span.since, span.until)}
    tallies: dict[str, list[Tally]] = defaultdict(list)
    for _, digest, tally in index.tallies(pupil, span.since, span.until):
        tallies[monday(days[digest])].append(tally)
    movements: dict[str, list[MovementSummary]] = defaultdict(list)
    for _, digest, one in index.movements(pupil, span.since, span.until):
        movements[monday(days[digest])].append(one)
    found: dict[What, dict[str, Played]] = defaultdict(dict)
    for week in sorted(tallies.keys() | movements.keys()):
        whole: list[Played] = [*together(tallies[week]).values(), *movements_together(movements[week]).values()]
        for played in whole:
            found[what_of(played)][week] = played
    return dict(found)


def between(index: Index, pupil: str, span: DaySpan) -> dict[What, Difference]:
    """Everything tried in a span, before and since the day that divides it, the clearest first."""
    tried = index.tried({pupil: span}).get(pupil)
    return judge(tried.whats, tried.tried, tried.astray, tried.before) if tried else {}


def span_of(lesson: str, today: date) -> DaySpan:
    """What is compared: so many days before the last lesson, and all since; without a lesson, before today too."""
    divide = date.fromisoformat(lesson) if lesson else today - timedelta(days=DAYS_BEFORE)
    return DaySpan((divide - timedelta(days=DAYS_BEFORE)).isoformat(), divide.isoformat(), until(today))


def until(today: date) -> str:
    """The first day that is yet to come: what a clock put later counts for nothing."""
    return (today + timedelta(days=1)).isoformat()


def is_misdated(day: str, today: date) -> bool:
    """Whether a session's ISO day can only be that of a wrong clock."""
    return bool(day) and not FIRST_DAY <= day < until(today)


def lots_since(index: Index, pupil: str, span: DaySpan) -> list[Lot]:
    """All that may be worth a pupil's work since the day that divides a span, put together."""
    days = pupil, span.divide, span.until
    return [
        *together(t for *_, t in index.tallies(*days)).values(),
        *movements_together(m for *_, m in index.movements(*days)).values(),
        *added(index.written(*days)),
        *added(index.pairs(*days)),
    ]


def worth_work(lots: Iterable[Lot]) -> list[Work]:
    """What is worth work, the worst first; as `Summary.worth_work` tells of a report."""
    return ranked(worth for lot in lots for worth in worths(lot))


def worths(lot: Lot) -> Iterable[Work]:
    """Everything that may go wrong in one change, movement, written step or kind of pair."""
    if isinstance(lot, Tally):
        return worths_of_change(lot, lot.plain, lot.strays_us, lot.spreads_us)
    return [worth_of(lot)]


def wrong_of(played: Played) -> tuple[int, int]:
    """How many went astray, or were not as written, and of how many."""
    return (played.astray, played.plain) if isinstance(played, Tally) else (played.wrong, played.count)


def what_of(played: Played) -> What:
    """Which change or movement it is."""
    return (played.from_note, played.to_note) if isinstance(played, Tally) else (played.name, played.to_note)


def weight_us(played: Played) -> int:
    """How much of it is heard to go wrong."""
    return played.heard_us if isinstance(played, Tally) else played.wrong * MOVEMENT_WEIGHT_US


def monday(day: str) -> str:
    """The Monday of a day's week."""
    at = date.fromisoformat(day)
    return (at - timedelta(days=at.weekday())).isoformat()


def _glance(
    index: Index, pupil: Pupil, span: DaySpan, tried: Tried, told: Mapping[What, Difference], problems: int
) -> Glance:
    first = _first(tried)
    return Glance(
        pupil,
        span.divide,
        len(tried.days),
        len(set(tried.days)),
        sum(tried.playing_us),
        None if first is None else _whole(index, pupil.key, span, first),
        span.since,
        tuple(map(Changed, told, told.values())),
        _is_enough(tried),
        problems,
    )


def _is_enough(tried: Tried) -> bool:
    _, enough = evenings_needed(tried.tried, tried.astray, tried.before)
    astray = tried.astray.sum(0) > 0
    return bool(enough[astray].any() if astray.any() else enough.any())


def _first(tried: Tried) -> Wrong | None:
    """What to work on first: of what stands out since the day that divides the span, what is heard most."""
    worst = sorted(tried.wrong, key=lambda one: place_of(one.kind, one.key, one.weight_us))
    return next((one for one in worst if stands_out(one.times, one.of_all)), None)


def _whole(index: Index, pupil: str, span: DaySpan, first: Wrong) -> Work:
    """All that is known of what is worth work first, since the day that divides a span."""
    days, of = (pupil, span.divide, span.until), first.key
    lot: Lot
    if first.kind == "movement":
        lot = movements_together(m for *_, m in index.movements(*days, of))[of]  # type: ignore[arg-type,index]
    elif first.kind == "wrong":
        (lot,) = added(index.written(*days, of))  # type: ignore[arg-type]
    elif first.kind == "pairs":
        lot = next(one for one in added(index.pairs(*days)) if pairs_key(one) == of)
    else:
        lot = together(t for *_, t in index.tallies(*days, of))[of]  # type: ignore[arg-type,index]
    return next(worth for worth in worths(lot) if worth.kind == first.kind)
