"""Results while playing: the same analysis on the tail that is not settled yet.

States go in with their times; what comes out is told once and, rarely, corrected: a change is told as soon as the note
it leads to has stood for TOLD_US. It is told again where what came after has changed the result (a fingering corrected
late, a note that was a stray after all), and taken back where there was no such change.
"""

from array import array
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import chain, islice
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.movements import Repertoire
from fingering.table import Table
from fingerlead.reading.asked import NOTHING_ASKED, Clicks, SessionMusic
from fingerlead.reading.between import STANDARD
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.timing import timeline
from fingerlead.timing.analysis import REASONS, Analysis, changes_of, doubt_spans, with_largest
from fingerlead.timing.correction import REACH_US, Edges, Tail, doubts_in_reach, reach_us
from fingerlead.timing.edge_errors import errors_for
from fingerlead.timing.kernel import Part, doubt_late, measure, nothing
from fingerlead.timing.movement_tempo import AROUND
from fingerlead.timing.movement_verdicts import Known, judge_movements
from fingerlead.timing.notes import Progression, Rules
from fingerlead.timing.results import Change, KnownSeal, KnownSkew, PlayedMovement, Settings, Timing
from fingerlead.timing.timeline import HELD_CODE, NO_NOTE, geometry_of
from fingerlead.wire.events import Doubt, Intake, Record, Slopes

_HELD_CODE: list[int] = HELD_CODE.tolist()
# What sounds for less is told together with what comes after it.
TOLD_US = 80_000
# Of the melody notes before the one that sounds so many are placed with it.
PLACED = 4
# Edges that may wait to be settled: where no note stands for so long, and where there is never an idle moment.
LONG_TAIL, LONGEST_TAIL = 48, 256
# So long an edge is waited for to have its slope, before it is settled.
SLOPE_US = 30_000
# How far back a chanter may say that it was in trouble: its milliseconds are of 16 bits.
TROUBLE_BACK_US = 66_000_000


@dataclass(frozen=True, slots=True)
class LiveResult:
    """A change or a movement; `again` where one of its number, or start, was told before and is different now.

    `taken_back`: there is none of this number or start after all; the result is what was told before.
    """

    result: Change | PlayedMovement
    again: bool = False
    taken_back: bool = False


class PlacedNote(NamedTuple):
    """A melody note as it reads now: `done` notes of the music are played with it, the last of them `is_written` for
    it, right or wrong; else it is one that is not written.
    """

    note: int
    start_us: int
    done: int
    is_written: bool


class Placed(NamedTuple):
    """Where the player stands in the music: told when a note has stood for `steady_us`, as it reads by then.

    `notes` are the last melody notes of this music, and a note that sounded as it began; `done` of its notes are played
    after them. A note that sounds and may yet be no melody note is not among them.
    """

    done: int
    notes: tuple[PlacedNote, ...]


class _Measured(NamedTuple):
    """A tail as it reads: what of it is measured, its changes, where the next begins, its edges, and by which rules."""

    part: Part
    changes: list[Change]
    after: Progression
    edges: Edges
    rules: Rules


class LiveAnalysis:
    """Feed it states and doubts in order of time; it hands each result to `tell`.

    `remember` False forgets what is settled: there is no `analysis` then, and hours of it take no more room than their
    edges. `known` are the movements that there are.
    """

    def __init__(
        self,
        table: Table,
        settings: Settings,
        tell: Callable[[LiveResult | Placed], None],
        *,
        skew: KnownSkew | None = None,
        remember: bool = True,
        known: Repertoire = STANDARD,
    ) -> None:
        self._movements_known = known
        self.table, self.settings, self.tell = table, settings, tell
        self.clock: Literal["chanter", "host"] = "chanter"  # "host" where only arrival is known
        self._skew, self._remember = skew, remember
        self._scan_us: int | None = None
        self._raw_bits = 0
        self._largest_us = 0  # the uncertainty of the least certain finger so far
        self._slopes_told = False
        self._seal: KnownSeal | None = None
        self._smallest_step_us = 0
        self._timing: Timing  # as `_timing_by` has it
        self._timing_by: tuple[object, ...] = ()
        self._geometry = geometry_of(table)
        self._musics: list[Music] = []
        # What is settled, and what is not; before the first state there is neither.
        self._edge_us = array("q")
        self._covered = bytearray()
        self._tail: Tail | None = None
        self._doubts: list[Doubt] = []
        self._slopes: deque[tuple[int, int, int, int]] = deque()  # of the tail
        self._doubts_over = 0  # how many of them end before the tail
        self._place = Progression()
        self._parts: list[Part] = []
        self._told: dict[int, Change] = {}
        self._told_movements: dict[int, PlayedMovement] = {}  # of the tail, by their starts
        self._known: Known = {}  # what was said of the movements of the tail
        self._moved: deque[Part] = deque(maxlen=AROUND)  # the last settled parts with movements
        self._note_start_us = 0
        self._note_placed = self._note_told = False
        self._mask_start_us = 0
        self._mask_told = False  # what the note is with the mask that stands, which may have changed since it was told
        self._unsettled = False
        self._now_us = 0
        self._last = nothing()  # the part that was settled last
        # Settled parts, their changes and when these begin and end, of as long as what is said now may be about.
        self._lately: deque[tuple[Part, list[Change], NDArray[np.int64]]] = deque()
        self._prepared: _Measured | None = None  # the tail as it reads with the edges so far

    @property
    def timing(self) -> Timing:
        """How far the times can be trusted, as known so far."""
        scan_us = self._scan_us if self._scan_us is not None else self._smallest_step_us
        known = (self.clock, scan_us, self._skew, self._raw_bits, self._slopes_told, self._seal, self._largest_us)
        if known != self._timing_by:
            timing = timeline.timing_for(
                self.clock, scan_us, self._skew, raw_bits=self._raw_bits, slopes=self._slopes_told, seal=self._seal
            )
            self._timing, self._timing_by = with_largest(timing, self._largest_us), known
        return self._timing

    def scan(self, scan_us: int | None, raw_bits: int = 0, *, slopes: bool = False) -> None:
        """The chanter has told its scan period, how many bits a sample has, and whether it tells slopes."""
        self._scan_us, self._raw_bits, self._slopes_told, self._prepared = scan_us, raw_bits, slopes, None

    def skew(self, skew: KnownSkew | None, seal: KnownSeal | None = None) -> None:
        """How far apart the chanter's sensors may fire, and what is known of its levels, as known now."""
        self._skew, self._seal, self._prepared = skew, seal, None

    def timed_as(self, other: "LiveAnalysis") -> None:
        """What was told to another analysis of the same chanter's times is told to this one too."""
        self.clock, self._scan_us, self._raw_bits = other.clock, other._scan_us, other._raw_bits
        self._slopes_told, self._skew, self._seal = other._slopes_told, other._skew, other._seal
        self._prepared = None

    def doubt(self, doubt: Doubt) -> None:
        """Something may be missing between two times; to be said before the state that ends it.

        A trouble is told when it has gone on for a while: what is settled and touches it is told again, as uncertain.
        """
        self._doubts.append(doubt)
        self._prepared = None
        [wider] = doubts_in_reach([doubt], self.timing)
        for part, changes, edges_us in self._lately:
            # What was lost lies after all that is settled; a trouble alone reaches back.
            if part.end_us[-1] >= wider.start_us:
                self._doubt_late(part, changes, edges_us, wider)

    def begin_music(
        self,
        notes: Sequence[WrittenNote],
        asked: SessionMusic = NOTHING_ASKED,
        *,
        at_us: int | None = None,
    ) -> None:
        """From now on, or from the state at `at_us`, these notes are asked for; without any, nothing is."""
        at_us = self._now_us if at_us is None else at_us
        # What was asked for and changed before anything was played was never asked for.
        while self._musics and self._musics[-1].start_us == at_us:
            self._musics.pop()
        if self._musics:
            self._musics[-1] = replace(self._musics[-1], end_us=at_us)
        self._musics.append(Music(tuple(notes), at_us, asked=asked))
        self._prepared = None
        if not self._remember:
            self._parts.clear()

    def state(self, t_us: int, covered_mask: int) -> None:
        """The mask that stands from `t_us` on; also when it has not changed."""
        tail = self._tail
        if tail is None:
            self._tail = Tail(t_us, covered_mask)
            self._note_start_us = self._now_us = t_us
            return
        step_us, self._now_us = t_us - self._now_us, t_us
        if step_us and (step_us < self._smallest_step_us or not self._smallest_step_us):
            self._smallest_step_us = step_us
        note = _HELD_CODE[tail.covered_mask]
        changed = covered_mask != tail.covered_mask
        closes = changed and _HELD_CODE[covered_mask] != note
        stood_us = t_us - self._note_start_us if note != NO_NOTE else 0
        if stood_us >= self.settings.steady_us and not self._note_placed:
            self._note_placed = True
            self._place_note(t_us)
        long_enough = stood_us >= TOLD_US
        mask_stood = note != NO_NOTE and t_us - self._mask_start_us >= TOLD_US
        if (long_enough and not self._note_told) or (mask_stood and not self._mask_told):
            self._look(t_us)
            self._note_told, self._mask_told = True, mask_stood
            if not mask_stood:
                # A finger that came late, or comes yet, may make it another change.
                self._prepared = None
        if changed:
            tail.add(t_us, covered_mask)
            self._mask_start_us, self._mask_told, self._prepared = t_us, False, None
        if closes:
            waiting = len(tail)
            self._unsettled |= long_enough or waiting > LONG_TAIL
            self._note_start_us, self._note_placed, self._note_told = t_us, False, False
            if self._unsettled and waiting > LONGEST_TAIL:
                self._settle(final=False)

    def slope(self, t_us: int, hole: int, rise_raw: int, level_raw: int) -> None:
        """How steeply an edge crossed its level; it comes a little after the state of its time."""
        self._slopes.append((t_us, hole, rise_raw, level_raw))
        self._prepared = None

    def idle(self) -> bool:
        """There is nothing else to do for a moment: settle what is over, or work out ahead what is to be told next.

        Whether there is more to do: in short steps, so that what comes meanwhile waits for one of them at most. A
        change is told on a frame that brings nothing new: the last mask, still there. So what it will say is ready.
        """
        if self._unsettled:
            self._settle(final=False)
            return True
        if self._tail is None or self._mask_told or _HELD_CODE[self._tail.covered_mask] == NO_NOTE:
            return False
        if self._prepared is None:
            since_us = self._mask_start_us if self._note_told else self._note_start_us
            prepared = self._prepare(max(self._now_us, since_us + TOLD_US))
            return bool(prepared.part.takes)
        return not self._judge(self._prepared, at_once=False)

    def close(self, end_us: int | None = None) -> None:
        """The recording is over, at the last timed frame: what is left is settled as it stands."""
        self._now_us = max(self._now_us, end_us or 0)
        if self._tail is not None:
            self._settle(final=True)

    def analysis(self, intake: Intake | None = None) -> Analysis:
        """All that is settled, as an analysis. ValueError where it was not remembered."""
        if not self._remember:
            raise ValueError("expected an analysis that remembers what is settled")
        return self._whole(self._parts, intake)

    def played_in_time(self, clicks: tuple[Clicks, ...] = ()) -> Analysis:
        """The playing of the music that goes by in time, as it reads if the last mask stands; `clicks` are its beats'.

        ValueError where the music waits for the player: its playing is not remembered.
        """
        if not self._in_time:
            raise ValueError("expected music that goes by in time")
        parts = list(self._parts)
        if self._tail is not None:
            prepared = self._prepare(max(self._now_us, self._note_start_us + TOLD_US))
            self._judge(prepared)
            parts.append(prepared.part)
        return self._whole(parts, None, clicks)

    @property
    def _in_time(self) -> bool:
        return bool(self._musics) and self._musics[-1].asked.begins_us is not None

    def _whole(self, parts: list[Part], intake: Intake | None, clicks: tuple[Clicks, ...] = ()) -> Analysis:
        edge_us, covered = np.array(self._edge_us), np.frombuffer(bytes(self._covered), dtype=np.uint8)
        if self._tail is None:
            edge_us = np.append(edge_us, self._now_us)
        else:
            tail = self._tail.edges(self._now_us, self._slopes_of_tail(), self.timing)
            edge_us, covered = np.concatenate((edge_us, tail.edge_us)), np.concatenate((covered, tail.covered))
        record = Record(
            edge_us[:-1], covered, self._now_us, list(self._doubts), intake or Intake(), self.clock, self._scan_us
        )
        return Analysis(
            record,
            self.settings,
            self.timing,
            self.table,
            edge_us,
            covered,
            list(parts),
            tuple(self._musics),
            known=self._movements_known,
            clicks=clicks,
        )

    def _measure(self, tail: Tail, end_us: int, *, final: bool) -> _Measured | None:
        """The tail measured, its movements yet to be judged; None where nothing of it is settled."""
        timing, place = self.timing, self._place
        edges = tail.edges(end_us, self._slopes_of_tail(), timing)
        edge_us, covered = edges.edge_us, edges.covered
        # An edge whose slope may yet come may yet move.
        sure_us = self._now_us - SLOPE_US - REACH_US if reach_us(timing) else self._now_us
        while self._doubts_over < len(self._doubts) and self._doubts[self._doubts_over].end_us < edge_us[0] - REACH_US:
            self._doubts_over += 1
        doubts = doubt_spans(doubts_in_reach(self._doubts[self._doubts_over :], timing))
        rules = Rules(
            self.settings,
            self._geometry,
            errors_for(timing, edges.slopes),
            doubts,
            tuple(self._musics),
            self._movements_known,
        )
        measured = measure(edge_us, covered, rules, place, final=final, sure_us=sure_us)
        if measured is None:
            return None
        part, after = measured
        changes = list(changes_of(part, self.settings, edge_us, covered, place.changes, place.edge))
        return _Measured(part, changes, after, edges, rules)

    def _judge(self, measured: _Measured, *, at_once: bool = True) -> bool:
        """Judge the movements of what is measured, or go on with that; whether all are judged."""
        part, edges, rules = measured.part, measured.edges, measured.rules
        before = [movement for settled in self._moved for movement in settled.movements[-AROUND:]]
        return judge_movements(
            part, edges.edge_us, edges.covered, rules, self._place.edge, self._known, before=before, at_once=at_once
        )

    def _slopes_of_tail(self) -> Slopes:
        """The slopes that have come of the edges that are not settled."""
        rows = np.array(self._slopes, dtype=np.int64).reshape(-1, 4).T
        return Slopes(rows[0], rows[1].astype(np.uint8), rows[2].astype(np.uint16), rows[3].astype(np.uint16))

    def _doubt_late(self, part: Part, changes: list[Change], edges_us: NDArray[np.int64], doubt: Doubt) -> None:
        """Tell again what is settled, and touches what is known to be doubtful only now."""
        movements = list(part.movements)
        before = changes[0].number if changes else 0
        for place in doubt_late(part, edges_us, doubt_spans([doubt]), before):
            changes[place] = changes[place]._replace(verdict="uncertain", because=REASONS["uncertain"])
            self.tell(LiveResult(changes[place], again=True))
        for movement, was in zip(part.movements, movements, strict=True):
            if movement != was:
                self.tell(LiveResult(movement, again=True))

    def _look(self, t_us: int) -> None:
        """Tell what can be told now of the tail, without settling it."""
        prepared = self._prepare(t_us)
        self._judge(prepared)
        self._tell_changes(prepared.changes, None)
        self._tell_movements(prepared.part.movements)

    def _place_note(self, t_us: int) -> None:
        """Tell where in the music the note that sounds brings the player."""
        if not self._musics or not self._musics[-1].is_known:
            return
        part = self._prepare(max(t_us, self._note_start_us + TOLD_US)).part
        notes: list[PlacedNote] = []
        for row in islice(chain(_melody_notes(part), _melody_notes(self._last)), PLACED):
            placed = self._placed(*row)
            if placed is None:
                break
            notes.insert(0, placed)
        self.tell(Placed(notes[-1].done if notes else 0, tuple(notes)))

    def _placed(self, note: int, start_us: int, end_us: int, place: tuple[int, int, int]) -> PlacedNote | None:
        """A melody note as one of the music that is asked for now; None where it is of another."""
        music, (number, done, is_written) = self._musics[-1], place
        if number == len(self._musics) - 1 or (number >= 0 and music.goes_on_from(self._musics[number])):
            return PlacedNote(note, start_us, done, bool(is_written))
        if start_us < music.start_us <= end_us:
            first = min(music.first_places(note), key=lambda place: place.cost)
            return PlacedNote(note, start_us, first.position, True)
        return None

    def _prepare(self, end_us: int) -> _Measured:
        """The tail as it reads if the last mask stands until `end_us`; worked out once for the edges so far."""
        if self._prepared is None:
            assert self._tail is not None
            self._prepared = self._measure(self._tail, end_us, final=True)
            assert self._prepared is not None  # what is final is measured to its end
        return self._prepared

    def _settle(self, *, final: bool) -> None:
        self._unsettled = False
        measured = None if self._tail is None else self._measure(self._tail, self._now_us, final=final)
        if measured is None:
            return
        self._judge(measured)
        part, changes, after, edges, _ = measured
        if len(part.note):
            self._last = part
            windows = np.column_stack((part.first, part.last)) - self._place.edge
            self._lately.append((part, changes, edges.edge_us[windows]))
            while self._lately[0][0].end_us[-1] < part.end_us[-1] - TROUBLE_BACK_US:
                self._lately.popleft()
        self._largest_us = max(self._largest_us, part.largest_us)
        if part.movements:
            self._moved.append(part)
        if self._remember or self._in_time:
            self._parts.append(part)
        self._tell_changes(changes, None if final else after.changes)
        count = after.edge - self._place.edge
        settled_us = None if count == len(edges.covered) else int(edges.edge_us[count])
        self._tell_movements(part.movements, settled_us)
        self._told_movements = {
            start_us: movement
            for start_us, movement in self._told_movements.items()
            if settled_us is not None and start_us >= settled_us
        }
        self._pass_over(edges, count)
        self._place, self._prepared = after, None
        self._known = {key: judged for key, judged in self._known.items() if key[1].first >= after.edge}
        self._told = {number: change for number, change in self._told.items() if number >= after.changes}

    def _pass_over(self, edges: Edges, count: int) -> None:
        """So many edges of the tail are settled."""
        self._edge_us.extend(edges.edge_us[:count].tolist())
        self._covered += edges.covered[:count].tobytes()
        if self._tail is None or count == len(edges.covered):
            self._tail = None
            return
        self._tail.settle(edges, count)
        while self._slopes and self._slopes[0][0] < edges.edge_us[count] - REACH_US:
            self._slopes.popleft()

    def _tell_changes(self, changes: list[Change], before_number: int | None) -> None:
        """Tell what is new in the changes from the tail's first on, up to a number (None: to the last there is)."""
        for change in changes:
            before = self._told.get(change.number)
            if change != before:
                self._told[change.number] = change
                self.tell(LiveResult(change, again=before is not None))
        there = {change.number for change in changes}
        gone = [number for number in self._told if number not in there and number >= self._place.changes]
        for number in [number for number in gone if before_number is None or number < before_number]:
            self.tell(LiveResult(self._told.pop(number), again=True, taken_back=True))

    def _tell_movements(self, movements: Sequence[PlayedMovement], before_us: int | None = None) -> None:
        """Tell what is new in the movements from the tail's first on, up to a time (None: to the last there is)."""
        told = self._told_movements
        gone = told.keys() - {movement.start_us for movement in movements}
        # First what is none: one that began a little earlier after all is not counted twice.
        for start_us in sorted(start_us for start_us in gone if before_us is None or start_us < before_us):
            self.tell(LiveResult(told.pop(start_us), again=True, taken_back=True))
        for movement in movements:
            before = told.get(movement.start_us)
            if movement != before:
                told[movement.start_us] = movement
                self.tell(LiveResult(movement, again=before is not None))


def _melody_notes(part: Part) -> list[tuple[Any, ...]]:
    """The last melody notes of a part, the last first: note, start, end and place."""
    columns = (column[-PLACED:].tolist()[::-1] for column in (part.note, part.start_us, part.end_us, part.place))
    return list(zip(*columns, strict=True))
