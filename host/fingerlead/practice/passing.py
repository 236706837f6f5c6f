"""Toward passing: the row of a rung, and a shorter one when the rung comes back another day.

What passes is said in `fingering.rungs`, `passed_words`. Where they leave room, the choices are our own.

A change counts in the direction it was played, wherever in the music. Where a rung has several changes each way, each
has a row of its own, and the way is as far as its shortest. What breaks a row: a heard stray, fingers that are not
together within the stage, a false fingering reached, and, where a beat is heard, a note that begins off it. What
neither counts nor breaks: changes that are uncertain, unclear or embellished, one with a note too many in it, one from
a false fingering. A full row stays full until the next row begins.

A note alone is hands off and on again, every hole sealed, held four counts. Fingers may come down as slowly as they
like: it is held from when every hole is covered. Where some are still open when the fingers have stood for ASKING_US,
these are named, and nothing else comes of it. A count is a beat where one sounds, else COUNT_US; a hole that opens for
less than `bounce_us` was not open, and hands that are off within `correction_us` of the first finger were taken off.
After an opening the same hands may cover again; taken off then, they let nothing go. A try that touches a loss is
uncertain.

An embellishment counts where it is as written, and its tempo as a whole is no slower than the rung allows; it counts
nothing until what it stands on is passed. What breaks its row: any other way to play what is written there.
"""

from collections.abc import Hashable, Iterable, Sequence
from datetime import date

from fingering.holes import HANDS_OFF, fingers_of
from fingering.orders import comes_first
from fingering.rungs import NEEDED, NEEDED_AGAIN, Rung
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
    Progressed,
)
from fingerlead.store.practice_log import Progress
from fingerlead.timing.results import Change, PlayedMovement, Settings

ON_BEAT_US = 40_000  # how far from the beat a note may begin where one is heard (from memory)
COUNTS = 4
COUNT_US = 750_000  # counting to four at leisure: 80 a minute
ASKING_US = 1_500_000  # so long fingers that stand still have arrived


class Holds:
    """Takes every state in order of time; judges each try once, as soon as its end is known."""

    def __init__(self, note: int, covered_mask: int, settings: Settings) -> None:
        self._note, self._wanted, self._settings = note, covered_mask, settings
        self.count_us = COUNT_US
        self._mask: int | None = None
        self._since_us = 0  # since when the mask stands
        self._free = False  # whether a try may begin, or is under way
        self._asked = False  # for what is still open, since the hands were off
        self._opened_before = False  # since the hands were off
        self._sealed_us: int | None = None
        self._opened_us: int | None = None  # when it was opened, in a try that was sealed
        self._was_open = False  # since then, for long enough
        self._doubted = False

    @property
    def needed_us(self) -> int:
        """How long it is to be held."""
        return COUNTS * self.count_us

    def held_us(self, t_us: int) -> int:
        """How long it has been held by now; 0 where it is not."""
        return 0 if self._sealed_us is None or self._mask != self._wanted else t_us - self._sealed_us

    def doubt(self) -> None:
        """Something may be missing about now."""
        self._doubted = True

    def state(self, t_us: int, covered_mask: int) -> HoldJudged | None:
        """The mask that stands from `t_us` on, heartbeats too; a try, where its end is known now."""
        judged = None
        if self._free and self._mask is not None:
            judged = self._look(t_us, self._mask, covered_mask)
        if self._mask == HANDS_OFF and t_us - self._since_us >= self._settings.steady_us:
            self._free, self._asked, self._opened_before = True, False, False
            self._doubted = self._doubted and covered_mask == self._mask
        if covered_mask != self._mask:
            self._mask, self._since_us = covered_mask, t_us
        return judged

    def _look(self, t_us: int, mask: int, after: int) -> HoldJudged | None:
        """What the time that went by under a mask has settled; `after` is the one from now on."""
        stood_us = t_us - self._since_us
        if self._sealed_us is None:
            if mask == self._wanted and stood_us >= self._settings.steady_us:
                self._sealed_us = self._since_us
            elif mask not in (self._wanted, HANDS_OFF) and stood_us >= ASKING_US and not self._asked:
                self._asked = True
                return HoldJudged(self._note, "not sealed", tuple(fingers_of(mask ^ self._wanted)), 0)
        if self._sealed_us is None:
            return None
        if mask == self._wanted:
            if t_us - self._sealed_us >= self.needed_us:
                return self._end("held", t_us, mask)
            self._opened_us, self._was_open = None, False
            return None
        if self._opened_us is None:
            self._opened_us = self._since_us
        self._was_open = self._was_open or t_us - self._since_us >= self._settings.bounce_us
        if mask == HANDS_OFF and self._since_us - self._opened_us <= self._settings.correction_us:
            stood = t_us - self._since_us >= self._settings.bounce_us
            before = self._opened_before
            judged = self._end("let go", self._opened_us, mask) if stood else None
            return None if before else judged
        over = after == self._wanted or t_us - self._opened_us > self._settings.correction_us
        return self._end("opened", self._opened_us, mask) if over and self._was_open else None

    def _end(self, end: HoldEnd, end_us: int, mask: int) -> HoldJudged:
        held_us = 0 if self._sealed_us is None else end_us - self._sealed_us
        end, self._doubted = "uncertain" if self._doubted else end, False
        self._sealed_us = self._opened_us = None
        self._free, self._was_open = end == "opened", False
        if end == "opened":
            self._opened_before = self._asked = True  # what is open is told by then
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

    `needed` in each fill it. Outcomes come by the number of the take, and may be taken back.
    """

    def __init__(self, out: Sequence[Hashable], back: Sequence[Hashable], needed: int = NEEDED) -> None:
        self._out, self._back, self.needed = out, back, needed
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
            if before < self.needed and how != "not counted":
                self._counts[what] = before + 1 if how == "clean" else 0

    def begin(self, needed: int) -> None:
        """The next row: all counts from nothing."""
        self.needed = needed
        self._begun_after = max(self._outcomes, default=self._begun_after)
        self._outcomes, self._counts = {}, {}

    @property
    def out(self) -> int:
        """Clean ones in a row on the way out, at most `needed`."""
        return self._least(self._out)

    @property
    def back(self) -> int:
        """Clean ones in a row on the way back."""
        return self._least(self._back)

    @property
    def full(self) -> bool:
        """Whether both ways are."""
        return self._least((*self._out, *self._back)) >= self.needed

    def _least(self, all_of: Iterable[Hashable]) -> int:
        return min((self._counts.get(what, 0) for what in all_of), default=0)


class Toward:
    """Counts for one rung, or for nothing (a tune, Tonight): then every try is judged, and none counted.

    `rungs` are those of the order, in which what comes before an embellishment is named; `shown` are the names of
    embellishments that are judged, and not counted.
    """

    def __init__(
        self,
        rung: Rung | None,
        note: int | None,
        progress: Progress,
        table: Table,
        settings: Settings,
        rungs: Sequence[Rung] = (),
        shown: Sequence[str] = (),
    ) -> None:
        self._shown = shown
        self.rung, self._progress, self._stage_us, self.rungs = rung, progress, settings.stage_us, rungs
        self.bpm: float | None = None
        self.holds = None if note is None else Holds(note, table.standard[note], settings)
        out, back = _counted_in(rung)
        again = rung is not None and rung.key in progress.passed()
        self._row, self._one_way = CleanRow(out, back, NEEDED_AGAIN if again else NEEDED), not back
        self._held = 0  # tries at a note alone in a row

    def beat(self, bpm: float | None) -> None:
        """A beat sounds from now on, or none any more."""
        self.bpm = bpm
        if self.holds is not None:
            self.holds.count_us = COUNT_US if bpm is None else round(60_000_000 / bpm)

    def progressed(self, today: date) -> Progressed:
        """How far it is."""
        if self.rung is None:
            return Progressed(0, None, 0, False, False, False)
        state, needed = self._progress.state(self.rung.key, today), self._row.needed
        if state in ("passed", "confirmed"):
            needed = NEEDED_AGAIN if state == "confirmed" else NEEDED
            return Progressed(needed, None if self._one_way else needed, needed, state == "confirmed", True, False)
        out, back = self._row.out if self.holds is None else self._held, None if self._one_way else self._row.back
        first = tuple(rung.name for rung in self._comes_first())
        return Progressed(out, back, needed, state == "due", False, state == "unclean", first)

    def movement(self, played: PlayedMovement, today: date, taken_back: bool = False) -> list[Event]:
        """An embellishment was played, was left out, or is something else after all, or none."""
        rung, counts = self.rung, self._counts(today)
        if played.written in self._shown and not taken_back:
            return [MovementJudged(played, None, movement_outcome(played, None))]
        if rung is None or not rung.movements or played.written is None:
            return []
        if taken_back:
            return [self.progressed(today)] if counts and self._row.take_back(played.start_us) else []
        if played.written not in rung.movements:
            # A step to the whole one; or a whole one without some of its notes, which reads alike.
            outcome: Outcome = "not counted" if movement_outcome(played, None) == "not counted" else "not as written"
            counts = counts and self._row.judge(played.start_us, rung.movements, outcome)
            return [self.progressed(today)] if counts else []
        judged = MovementJudged(played, rung.tempo, movement_outcome(played, rung.tempo))
        if not counts or not self._row.judge(played.start_us, rung.movements, judged.outcome):
            return [judged]
        return [judged, *self._counted(self._row.full, today)]

    def judge(self, judged: Judged, today: date) -> list[Event]:
        """A change was played, or is something else after all."""
        change = judged.change.from_note, judged.change.to_note
        outcome = "off the beat" if judged.outcome == "clean" and judged.off_beat_us is not None else judged.outcome
        if not self._counts(today) or not self._row.judge(judged.take, change, outcome):
            return []
        return self._counted(self._row.full, today)

    def take_back(self, take: int, today: date) -> list[Event]:
        """There was no such change."""
        return self._counted(self._row.full, today) if self._counts(today) and self._row.take_back(take) else []

    def hold(self, judged: HoldJudged, today: date) -> list[Event]:
        """A note alone was tried."""
        if not self._counts(today) or judged.end in ("uncertain", "not sealed"):
            return []
        self._held = self._held + 1 if judged.end == "held" else 0
        return self._counted(self._held >= self._row.needed, today)

    def _counts(self, today: date) -> bool:
        """Whether anything counts now."""
        passed = self.rung is None or self._progress.state(self.rung.key, today) in ("passed", "confirmed")
        return not passed and not self._comes_first()

    def _comes_first(self) -> tuple[Rung, ...]:
        """What is to be passed before anything counts here."""
        return () if self.rung is None else comes_first(self.rung, self.rungs, self._progress.passed())

    def _counted(self, full: bool, today: date) -> list[Event]:
        assert self.rung is not None
        events: list[Event] = [self.progressed(today)]
        if full:
            key = self.rung.key
            self._progress.rung_passed(today, key)
            self._row.begin(NEEDED_AGAIN)
            self._held = 0
            again = self._progress.state(key, today) == "confirmed"
            events += [Passed(key, "confirmed" if again else "passed"), self.progressed(today)]
            if again:
                events.append(Due(self._progress.due(today)))
        return events


def _counted_in(rung: Rung | None) -> tuple[Sequence[Hashable], Sequence[Hashable]]:
    """What is counted in a rung on the way out and back: one row where both ways are the same, or it is no change."""
    if rung is None:
        return (), ()
    if rung.movements:
        return (rung.movements,), ()
    return (rung.out, ()) if set(rung.out) == set(rung.back) else (rung.out, rung.back)
