"""What a sitting adds up to, and what of it goes into the progress.

A change is added when the next one comes: until then it may be corrected, or turn out to be half of a slow stray.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from host.live.practice_events import ChangeCount, Outcome, Passed, Summary

if TYPE_CHECKING:
    from datetime import date

    from host.store.practised import Progress

FEWEST = 4  # of one change, to say that it is worth work; our own choice

Directed = tuple[int, int]


class Sums:
    """Adds up changes and first tries."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._counts: dict[Directed, list[int]] = {}  # tried, clean, stray, loose
        self._waiting: tuple[int, date, Directed, Outcome] | None = None
        self.played: dict[str, None] = {}
        self.passed: list[Passed] = []
        self.turns = 0

    def change(self, take: int, today: date, change: Directed, outcome: Outcome) -> None:
        """A change as it is told."""
        if self._waiting is not None and self._waiting[0] != take:
            self.settle()
        self._waiting = take, today, change, outcome

    def correct(self, take: int, outcome: Outcome) -> None:
        """The last change reads differently now; one before it stays as it was."""
        if self._waiting is not None and self._waiting[0] == take:
            self._waiting = *self._waiting[:3], outcome

    def forget_last(self) -> None:
        """The last change was none."""
        self._waiting = None

    def settle(self) -> None:
        """The last change stays as it is."""
        if self._waiting is None:
            return
        _, day, change, outcome = self._waiting
        self._waiting = None
        if outcome == "not counted":
            return
        self._progress.change_played(day, change, outcome)
        counts = self._counts.setdefault(change, [0, 0, 0, 0])
        counts[0] += 1
        if outcome in ("clean", "stray", "loose"):
            counts[("clean", "stray", "loose").index(outcome) + 1] += 1

    def summary(self, playing_us: int, due: tuple[str, ...], kept: bool) -> Summary:
        """All of it, the change that waits left out."""
        changes = tuple(ChangeCount(*change, *counts) for change, counts in sorted(self._counts.items()))
        enough = [one for one in changes if one.tried >= FEWEST and one.clean < one.tried]
        worst = max(enough, key=lambda one: (1 - one.clean / one.tried, one.tried), default=None)
        return Summary(playing_us, changes, tuple(self.played), tuple(self.passed), due, self.turns, worst, kept)
