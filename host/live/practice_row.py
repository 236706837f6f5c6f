"""Counting toward passing: which changes count, and how many clean ones in a row there are each way.

What passes is said in `fingering.rungs.PASSED`. Where it leaves room, our own choices:
- A change counts in the direction it was played, wherever in the music. Where a rung has several changes each way, each
  has a row of its own, and the way is as far as its shortest.
- What breaks a row: a heard stray, a loose change, a false fingering reached, a slow stray that the music tells from a
  note. What neither counts nor breaks: uncertain and ornamented changes, one from a false fingering, a short note that
  may be meant.
- A row that was full stays full until the next row begins.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fingering.rungs import Rung
    from fingering.table import Table
    from host.live.practice_events import Outcome
    from host.timing.results import Change

NEEDED = 10
Directed = tuple[int, int]


def outcome_of(change: Change, table: Table) -> Outcome:
    """How a change counts; where it spans a slow stray it comes as a stray already."""
    if change.verdict == "stray":
        return "stray"
    if change.verdict != "clean":
        return "not counted"
    if not _fingered(change.to_mask, table):
        return "false fingering"
    if change.loose:
        return "loose"
    return "clean" if _fingered(change.from_mask, table) else "not counted"


def _fingered(covered_mask: int, table: Table) -> bool:
    # A note that is held is no grace note, whatever stands around it.
    return table.verdict(covered_mask, ()).fingering in ("standard", "alternate")


class Row:
    """The rows of one rung, both ways. Outcomes come by the number of the take, and may be corrected."""

    def __init__(self, rung: Rung) -> None:
        self._out, self._back = rung.out, rung.back
        self._wanted = {*rung.out, *rung.back}
        self._outcomes: dict[int, tuple[Directed, Outcome]] = {}
        self._counts: dict[Directed, int] = {}

    def judge(self, take: int, change: Directed, outcome: Outcome, *, again: bool) -> bool:
        """Take in an outcome, or (`again`) its correction; whether it is of this row."""
        if change not in self._wanted or (again and take not in self._outcomes):
            return False
        self._outcomes[take] = change, outcome
        if again:
            self._counts = {}
            for known, how in self._outcomes.values():
                self._count(known, how)
        else:
            self._count(change, outcome)
        return True

    def begin(self) -> None:
        """The next row: all counts from nothing."""
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
        return self.out >= NEEDED and self.back >= NEEDED

    def _count(self, change: Directed, outcome: Outcome) -> None:
        before = self._counts.get(change, 0)
        if before < NEEDED and outcome != "not counted":
            self._counts[change] = before + 1 if outcome == "clean" else 0

    def _least(self, changes: Iterable[Directed]) -> int:
        return min((self._counts.get(change, 0) for change in changes), default=0)
