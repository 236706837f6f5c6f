"""Toward passing: the row of a rung, filled first without a beat, then with one, then again on another day.

With a beat means while one sounds: how near to it the changes come is not asked (our own choice).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from host.live.practice_events import Due, Event, HoldJudged, Judged, Passed, PassKind, Progressed
from host.live.practice_holds import COUNT_US, Holds
from host.live.practice_row import NEEDED, Row

if TYPE_CHECKING:
    from datetime import date

    from fingering.rungs import Rung
    from fingering.table import Table
    from host.store.practised import Progress
    from host.timing.results import Settings

_WHAT: dict[tuple[str, int], PassKind] = {
    ("open", 1): "without a beat",
    ("open", 2): "passed",
    ("due", 1): "again without a beat",
    ("due", 2): "confirmed",
}


class Toward:
    """Counts for one rung, or for nothing (a tune, Tonight): then every try is judged, and none counted."""

    def __init__(self, rung: Rung | None, note: int | None, table: Table, settings: Settings) -> None:
        self.rung = rung
        self.bpm: float | None = None
        self.holds = None if note is None else Holds(note, table.standard[note], settings)
        self._row = Row(rung) if rung is not None else None
        self._held = 0  # tries at a note alone in a row

    def beat(self, bpm: float | None) -> None:
        """A beat sounds from now on, or none any more."""
        self.bpm = bpm
        if self.holds is not None:
            self.holds.count_us = COUNT_US if bpm is None else round(60_000_000 / bpm)

    def progressed(self, progress: Progress, today: date) -> Progressed:
        """How far it is."""
        if self.rung is None or self._row is None:
            return Progressed(0, None, 0, 1, False, False, False)
        row = progress.next_row(self.rung.key, today)
        alone = len(self.rung.notes) == 1
        if row is None:
            return Progressed(NEEDED, None if alone else NEEDED, NEEDED, 2, False, False, True)
        out, back = (self._held, None) if alone else (self._row.out, self._row.back)
        return Progressed(out, back, NEEDED, row, row == 2, self._waits(row), False)

    def judge(self, judged: Judged, progress: Progress, today: date) -> list[Event]:
        """A change was played, or is corrected."""
        if self.rung is None or self._row is None:
            return []
        row = progress.next_row(self.rung.key, today)
        if row is None or self._waits(row):
            return []
        change = judged.change.from_note, judged.change.to_note
        if not self._row.judge(judged.take, change, judged.outcome, again=judged.again):
            return []
        return self._counted(row, self._row.full, progress, today)

    def hold(self, judged: HoldJudged, progress: Progress, today: date) -> list[Event]:
        """A note alone was tried."""
        row = None if self.rung is None else progress.next_row(self.rung.key, today)
        if row is None or self._waits(row) or judged.end == "uncertain":
            return []
        self._held = self._held + 1 if judged.end == "held" else 0
        return self._counted(row, self._held >= NEEDED, progress, today)

    def _waits(self, row: int) -> bool:
        return row == 2 and self.bpm is None

    def _counted(self, row: Literal[1, 2], full: bool, progress: Progress, today: date) -> list[Event]:
        assert self.rung is not None
        assert self._row is not None
        events: list[Event] = [self.progressed(progress, today)]
        if full:
            key = self.rung.key
            what = _WHAT[progress.state(key, today), row]
            progress.row_filled(today, key, row)
            self._row.begin()
            self._held = 0
            events += [Passed(key, what), self.progressed(progress, today)]
            if what == "confirmed":
                events.append(Due(progress.due(today)))
        return events
