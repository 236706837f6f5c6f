"""What one session says of each directed change, in numbers small enough to keep for years.

The counts are those of `summary.summarise`, taken from the arrays: a studio of thousands of sessions is added up from
tallies without analysing anything again. Shares and intervals are reckoned where tallies are put together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from host.timing.blame import blame
from host.timing.reading import VERDICTS

if TYPE_CHECKING:
    from host.timing.analysis import Analysis

# Who was out of turn, as `Blame` has it: finger, early, the finger to go first, the one to go second.
Turn = tuple[int, bool, int, int]


@dataclass(frozen=True, slots=True)
class Fault:
    """One finger out of turn: in how many of the changes astray, what they sounded, and typically by how much."""

    turn: Turn
    times: int
    heard_us: int
    apart_us: int


@dataclass(frozen=True, slots=True)
class Tally:
    """One directed change in one session or more.

    `plain`, `astray` and `loose` count plain changes, as `ChangeSummary` does; `strays_us` is the heard stray time of
    each that went astray; `faults` are those that blame could name, the costliest first.
    """

    from_note: int
    to_note: int
    plain: int = 0
    loose: int = 0
    ornamented: int = 0
    perhaps: int = 0
    uncertain: int = 0
    strays_us: tuple[int, ...] = ()
    faults: tuple[Fault, ...] = ()

    @property
    def astray(self) -> int:
        """How many plain changes had a heard stray."""
        return len(self.strays_us)

    @property
    def heard_us(self) -> int:
        """Heard stray time in all of them."""
        return sum(self.strays_us)

    @property
    def typical_stray_us(self) -> int:
        """The median heard stray time of those that went astray; 0 where none did."""
        return round(median(self.strays_us)) if self.strays_us else 0


def tally(analysis: Analysis) -> list[Tally]:
    """The tallies of one session, in order of their notes; changes that were not played have none."""
    a = analysis.arrays
    if not len(a.change_us):
        return []
    verdict = {name: a.verdict == code for code, name in enumerate(VERDICTS)}
    plain = (verdict["clean"] | verdict["stray"]) & a.plain
    heard = a.stray_us >= analysis.settings.heard_us
    heard_us = np.bincount(
        a.stray_change[heard], weights=a.stray_us[heard].astype(float), minlength=len(a.change_us)
    ).astype(np.int64)
    which = a.from_note.astype(np.int64) * 9 + a.to_note
    tallies = []
    for key in np.unique(which).tolist():
        here = which == key
        astray = (here & plain & verdict["stray"]).nonzero()[0]
        tallies.append(
            Tally(
                key // 9,
                key % 9,
                plain=int((here & plain).sum()),
                loose=int((here & plain & a.loose).sum()),
                ornamented=int((here & ~plain & ~verdict["perhaps"] & ~verdict["uncertain"]).sum()),
                perhaps=int((here & verdict["perhaps"]).sum()),
                uncertain=int((here & verdict["uncertain"]).sum()),
                strays_us=tuple(heard_us[astray].tolist()),
                faults=_faults(analysis, astray.tolist(), heard_us[astray].tolist()),
            )
        )
    return tallies


def together(tallies: Iterable[Tally]) -> dict[tuple[int, int], Tally]:
    """Tallies of several sessions put together, by (from note, to note)."""
    lots: dict[tuple[int, int], list[Tally]] = defaultdict(list)
    for each in tallies:
        lots[each.from_note, each.to_note].append(each)
    return {key: _one(lot) for key, lot in lots.items()}


def _one(lot: list[Tally]) -> Tally:
    if len(lot) == 1:
        return lot[0]
    faults: dict[Turn, list[Fault]] = defaultdict(list)
    for each in lot:
        for fault in each.faults:
            faults[fault.turn].append(fault)
    return Tally(
        lot[0].from_note,
        lot[0].to_note,
        plain=sum(each.plain for each in lot),
        loose=sum(each.loose for each in lot),
        ornamented=sum(each.ornamented for each in lot),
        perhaps=sum(each.perhaps for each in lot),
        uncertain=sum(each.uncertain for each in lot),
        strays_us=tuple(stray for each in lot for stray in each.strays_us),
        faults=_ranked(_same(turn, same) for turn, same in faults.items()),
    )


def _same(turn: Turn, faults: list[Fault]) -> Fault:
    # The middle of middles, each as often as it happened: what is kept of a session is its middle alone.
    apart = [fault.apart_us for fault in faults for _ in range(fault.times)]
    return Fault(
        turn, sum(fault.times for fault in faults), sum(fault.heard_us for fault in faults), round(median(apart))
    )


def _faults(analysis: Analysis, astray: list[int], heard_us: list[int]) -> tuple[Fault, ...]:
    found: dict[Turn, list[tuple[int, int]]] = defaultdict(list)
    for number, us in zip(astray, heard_us, strict=True):
        blamed = blame(analysis.changes[number])
        if blamed is not None:
            found[blamed.finger, blamed.early, blamed.first, blamed.second].append((us, blamed.apart_us))
    return _ranked(
        Fault(turn, len(rows), sum(us for us, _ in rows), round(median(apart for _, apart in rows)))
        for turn, rows in found.items()
    )


def _ranked(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    return tuple(sorted(faults, key=lambda fault: (-fault.heard_us, fault.turn)))
