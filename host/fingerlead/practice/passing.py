"""Toward passing: the row of a rung, filled first without a beat, then with one, then again on another day.

What passes is said in `fingering.rungs`, `passed_words`. Where they leave room, the choices are our own.

With a beat means while one sounds: how near to it the changes come is not asked.

A change counts in the direction it was played, wherever in the music. Where a rung has several changes each way, each
has a row of its own, and the way is as far as its shortest. What breaks a row: a heard stray, fingers that are not
together within the stage of the row (`row_stages_us`), a false fingering reached. What neither counts nor breaks:
changes that are uncertain, unclear or embellished, one with a note too many in it, one from a false fingering. A full
row stays full until the next row begins.

A note alone is hands off and on again, the note at once, every hole sealed, held four counts. *At once* is within
`correction_us` of the first finger that comes down (no sensor hears what sounds on the way, for none feels the breath);
a count is a beat where one sounds, else COUNT_US; a hole that opens for less than `bounce_us` was not open. A try that
touches a loss is uncertain.

An embellishment counts where it is as written, and its tempo as a whole is no slower than the rung allows; it counts
nothing until what it stands on is passed. What breaks its row: any other way to play what is written there.
"""

from collections.abc import Hashable, Iterable, Sequence
from datetime import date
from typing import Literal

from fingering.holes import HANDS_OFF, fingers_of
from fingering.orders import comes_first
from fingering.rungs import Rung, row_stages_us
from fingering.table import Table
from fingerlead.practice.events import (
    Due,
    Event,
    HoldEnd,
    HoldJudged,
    Judged,
    MovementJudged,
    Outcome,
    Passed,
    PassKind,
    Progressed,
)
from fingerlead.store.practice_log import Progress
from fingerlead.timing.results import Change, PlayedMovement, Settings

COUNTS = 4
COUNT_US = 750_000  # counting to four at leisure: 80 a minute
NEEDED = 10
_WHAT: dict[tuple[str, int], PassKind] = {
    ("open", 1): "without a beat",
    ("open", 2): "passed",
    ("due", 1): "again without a beat",
    ("due", 2): "confirmed",
}


class Holds:
    """Takes every state in order of time; judges each try once, as soon as its end is known."""

    def __init__(self, note: int, covered_mask: int, settings: Settings) -> None:
        self._note, self._wanted, self._settings = note, covered_mask, settings
        self.count_us = COUNT_US
        self._mask: int | None = None
        self._since_us = 0  # since when the mask stands
        self._down_us: int | None = None  # when the first finger came down; None where no try is under way
        self._sealed_us: int | None = None
        self._doubted = False

    def doubt(self) -> None:
        """Something may be missing about now."""
        self._doubted = True

    def state(self, t_us: int, covered_mask: int) -> HoldJudged | None:
        """The mask that stands from `t_us` on, heartbeats too; a try, where its end is known now."""
        judged = None if self._down_us is None or self._mask is None else self._look(t_us, self._down_us, self._mask)
        if covered_mask == self._mask:
            return judged
        if self._mask == HANDS_OFF and self._down_us is None and t_us - self._since_us >= self._settings.steady_us:
            self._down_us, self._doubted = t_us, False
        self._mask, self._since_us = covered_mask, t_us
        return judged

    def _look(self, t_us: int, down_us: int, mask: int) -> HoldJudged | None:
        """What the time that went by under the last mask has settled."""
        if mask == self._wanted and self._sealed_us is None:
            if self._since_us - down_us > self._settings.correction_us:
                return self._end("not sealed", t_us, mask)
            self._sealed_us = self._since_us
        if self._sealed_us is None:
            late = t_us - down_us > self._settings.correction_us
            return self._end("not sealed", t_us, mask) if late else None
        if mask != self._wanted and t_us - self._since_us >= self._settings.bounce_us:
            return self._end("let go" if mask == HANDS_OFF else "opened", self._since_us, mask)
        if mask == self._wanted and t_us - self._sealed_us >= COUNTS * self.count_us:
            return self._end("held", t_us, mask)
        return None

    def _end(self, end: HoldEnd, end_us: int, mask: int) -> HoldJudged:
        held_us = 0 if self._sealed_us is None else end_us - self._sealed_us
        end, self._doubted = "uncertain" if self._doubted else end, False
        self._down_us = self._sealed_us = None
        return HoldJudged(self._note, end, tuple(fingers_of(mask ^ self._wanted)), held_us)


def outcome_of(change: Change, table: Table) -> Outcome:
    """How a change counts."""
    if change.verdict == "stray":
        return "stray"
    if not change.is_plain:
        return "not counted"
    if not _fingered(change.to_mask, table):
        return "false fingering"
    if change.verdict == "apart":
        return "apart"
    return "clean" if _fingered(change.from_mask, table) else "not counted"


def _fingered(covered_mask: int, table: Table) -> bool:
    # A note that is held is no grace note, whatever stands around it.
    return table.verdict(covered_mask, ()).fingering in ("standard", "alternate")


def movement_outcome(played: PlayedMovement, slowest: float | None) -> Outcome:
    """How an embellishment counts where its notes may be `slowest` times as long as skilled ones, or of any length."""
    if played.verdict in ("unclear", "uncertain", "unwritten"):
        return "not counted"
    if played.verdict != "as written":
        return "not as written"
    # Where every note may be held at will, none says how fast it is.
    return "too slow" if slowest is not None and (played.tempo_ratio or 0) > slowest else "clean"


class CleanRow:
    """The rows of one rung, both ways, of whatever is counted in it (changes; one name for all embellishments).

    Outcomes come by the number of the take, and may be taken back.
    """

    def __init__(self, out: Sequence[Hashable], back: Sequence[Hashable]) -> None:
        self._out, self._back = out, back
        self._outcomes: dict[int, tuple[Hashable, Outcome]] = {}
        self._counts: dict[Hashable, int] = {}
        self._begun_after = -1  # this take; it and those before it belong to the rows before

    def judge(self, take: int, what: Hashable, outcome: Outcome) -> bool:
        """Take in an outcome, in place of an earlier one of that take; whether this or the earlier is of this row."""
        was = self.take_back(take)
        if what not in (*self._out, *self._back) or take <= self._begun_after:
            return was
        self._outcomes[take] = what, outcome
        self._count()
        return True

    def take_back(self, take: int) -> bool:
        """Leave a take out; whether it was of this row."""
        was = self._outcomes.pop(take, None) is not None
        if was:
            self._count()
        return was

    def _count(self) -> None:
        self._counts = {}
        for _, (what, how) in sorted(self._outcomes.items(), key=lambda one: one[0]):
            before = self._counts.get(what, 0)
            if before < NEEDED and how != "not counted":
                self._counts[what] = before + 1 if how == "clean" else 0

    def begin(self) -> None:
        """The next row: all counts from nothing."""
        self._begun_after = max(self._outcomes, default=self._begun_after)
        self._outcomes, self._counts = {}, {}

    @property
    def out(self) -> int:
        """Clean ones in a row on the way out, at most NEEDED."""
        return self._least(self._out)

    @property
    def back(self) -> int:
        """Clean ones in a row on the way back."""
        return self._least(self._back)

    @property
    def full(self) -> bool:
        """Whether both ways are."""
        return self._least((*self._out, *self._back)) >= NEEDED

    def _least(self, all_of: Iterable[Hashable]) -> int:
        return min((self._counts.get(what, 0) for what in all_of), default=0)


class Toward:
    """Counts for one rung, or for nothing (a tune, Tonight): then every try is judged, and none counted.

    `rungs` are those of the order, in which what comes before an embellishment is named.
    """

    def __init__(
        self,
        rung: Rung | None,
        note: int | None,
        progress: Progress,
        table: Table,
        settings: Settings,
        rungs: Sequence[Rung] = (),
    ) -> None:
        self.rung, self._progress, self._stage_us, self.rungs = rung, progress, settings.stage_us, rungs
        self.bpm: float | None = None
        self.holds = None if note is None else Holds(note, table.standard[note], settings)
        out, back = _counted_in(rung)
        self._row, self._one_way = CleanRow(out, back), not back
        self._held = 0  # tries at a note alone in a row

    def beat(self, bpm: float | None) -> None:
        """A beat sounds from now on, or none any more."""
        self.bpm = bpm
        if self.holds is not None:
            self.holds.count_us = COUNT_US if bpm is None else round(60_000_000 / bpm)

    def stage_us(self, today: date) -> int:
        """How close together the fingers are asked to move now."""
        if self.rung is None:
            return self._stage_us
        again = self._progress.state(self.rung.key, today) != "open"
        return row_stages_us(self._stage_us)[2 * again + self.progressed(today).pass_number - 1]

    def progressed(self, today: date) -> Progressed:
        """How far it is."""
        if self.rung is None:
            return Progressed(0, None, 0, 1, False, False, False)
        number = self._progress.next_row(self.rung.key, today)
        if number is None:
            return Progressed(NEEDED, None if self._one_way else NEEDED, NEEDED, 2, False, False, True)
        out, back = self._row.out if self.holds is None else self._held, None if self._one_way else self._row.back
        waits, first = number == 2 and self.bpm is None, tuple(rung.name for rung in self._comes_first())
        return Progressed(out, back, NEEDED, number, number == 2, waits, False, first)

    def movement(self, played: PlayedMovement, today: date, taken_back: bool = False) -> list[Event]:
        """An embellishment was played, was left out, or is something else after all, or none."""
        rung, number = self.rung, self._counting(today)
        if rung is None or not rung.movements or played.written is None:
            return []
        if taken_back:
            return [self.progressed(today)] if number and self._row.take_back(played.start_us) else []
        if played.written not in rung.movements:
            # A step to the whole one; or a whole one without some of its notes, which reads alike.
            outcome: Outcome = "not counted" if movement_outcome(played, None) == "not counted" else "not as written"
            counts = number and self._row.judge(played.start_us, rung.movements, outcome)
            return [self.progressed(today)] if counts else []
        row = number or self.progressed(today).pass_number
        slowest = rung.tempo[row - 1]
        judged = MovementJudged(played, slowest, movement_outcome(played, slowest))
        if number is None or not self._row.judge(played.start_us, rung.movements, judged.outcome):
            return [judged]
        return [judged, *self._counted(number, self._row.full, today)]

    def judge(self, judged: Judged, today: date) -> list[Event]:
        """A change was played, or is something else after all."""
        number = self._counting(today)
        change = judged.change.from_note, judged.change.to_note
        if number is None or not self._row.judge(judged.take, change, judged.outcome):
            return []
        return self._counted(number, self._row.full, today)

    def take_back(self, take: int, today: date) -> list[Event]:
        """There was no such change."""
        number = self._counting(today)
        return self._counted(number, self._row.full, today) if number and self._row.take_back(take) else []

    def hold(self, judged: HoldJudged, today: date) -> list[Event]:
        """A note alone was tried."""
        number = self._counting(today)
        if number is None or judged.end == "uncertain":
            return []
        self._held = self._held + 1 if judged.end == "held" else 0
        return self._counted(number, self._held >= NEEDED, today)

    def _counting(self, today: date) -> Literal[1, 2] | None:
        """Which row counts now; None where nothing counts, or the row waits for a beat."""
        number = None if self.rung is None else self._progress.next_row(self.rung.key, today)
        return None if (number == 2 and self.bpm is None) or self._comes_first() else number

    def _comes_first(self) -> tuple[Rung, ...]:
        """What is to be passed before anything counts here."""
        return () if self.rung is None else comes_first(self.rung, self.rungs, self._progress.passed())

    def _counted(self, number: Literal[1, 2], full: bool, today: date) -> list[Event]:
        assert self.rung is not None
        events: list[Event] = [self.progressed(today)]
        if full:
            key = self.rung.key
            what = _WHAT[self._progress.state(key, today), number]
            self._progress.row_filled(today, key, number)
            self._row.begin()
            self._held = 0
            events += [Passed(key, what), self.progressed(today)]
            if what == "confirmed":
                events.append(Due(self._progress.due(today)))
        return events


def _counted_in(rung: Rung | None) -> tuple[Sequence[Hashable], Sequence[Hashable]]:
    """What is counted in a rung on the way out and back: one row where both ways are the same, or it is no change."""
    if rung is None:
        return (), ()
    if rung.movements:
        return (rung.movements,), ()
    return (rung.out, ()) if set(rung.out) == set(rung.back) else (rung.out, rung.back)
