"""What one session says, in numbers small enough to keep for years: of each directed change a tally, and the rest.

A studio of thousands of sessions is added up from tallies without analysing anything again; whether something has
truly changed, `evenings` says.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

from fingering.diagnosis import Diagnosis
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.results import UNPLAIN, Change
from fingerlead.timing.summary import Summary, heard_stray_us, summarise
from fingerlead.timing.worth import PairsSummary, WrittenSummary

# A diagnosis in short: finger, whether it was early, the finger to go first, the one to go second.
Cause = tuple[int, bool, int, int]


def cause_of(diagnosis: Diagnosis) -> Cause:
    """The cause that a diagnosis from times names."""
    return diagnosis.finger, diagnosis.how == "early", diagnosis.first, diagnosis.second


@dataclass(frozen=True, slots=True)
class Fault:
    """One finger out of turn: in how many of the changes astray, what they sounded, and typically by how much."""

    cause: Cause
    times: int
    heard_us: int
    apart_us: int


@dataclass(frozen=True, slots=True)
class Tally:
    """One directed change in one session or more.

    `plain`, `astray` and `apart` count plain changes, as `ChangeSummary` does, `beside` the others, a number for each
    verdict of UNPLAIN; `strays_us` is the heard stray time of each that went astray, `spreads_us` the spread of each
    that was apart; `faults` are those that a diagnosis names, the costliest first.
    """

    from_note: int
    to_note: int
    plain: int = 0
    beside: tuple[int, ...] = (0,) * len(UNPLAIN)
    strays_us: tuple[int, ...] = ()
    spreads_us: tuple[int, ...] = ()
    faults: tuple[Fault, ...] = ()

    @property
    def astray(self) -> int:
        """How many plain changes had a heard stray."""
        return len(self.strays_us)

    @property
    def apart(self) -> int:
        """In how many the fingers were not together, and nothing was heard of it."""
        return len(self.spreads_us)

    @property
    def heard_us(self) -> int:
        """Heard stray time in all of them."""
        return sum(self.strays_us)

    @property
    def typical_stray_us(self) -> int:
        """The median heard stray time of those that went astray; 0 where none did."""
        return round(median(self.strays_us)) if self.strays_us else 0


class SessionSums(NamedTuple):
    """All that is kept of one session: its changes, movements, written steps and pairs."""

    tallies: list[Tally]
    movements: list[MovementSummary]
    written: list[WrittenSummary]
    pairs: list[PairsSummary]


def sums_of(analysis: Analysis) -> SessionSums:
    """What is kept of one session, in order of notes and names."""
    summary = summarise([analysis])
    return SessionSums(
        _tallies(summary),
        [of for _, of in sorted(summary.by_movement.items())],
        [of for _, of in sorted(summary.by_written.items())],
        [of for _, of in sorted(summary.by_pairs.items())],
    )


def tally(analysis: Analysis) -> list[Tally]:
    """The tallies of one session, in order of their notes; changes that were not played have none."""
    return _tallies(summarise([analysis]))


def _tallies(summary: Summary) -> list[Tally]:
    return [
        Tally(
            *notes,
            of.count,
            tuple(of.beside[verdict] for verdict in UNPLAIN),
            tuple(map(heard_stray_us, of.astray)),
            tuple(of.spreads_us),
            _faults(of.astray),
        )
        for notes, of in sorted(summary.by_change.items())
    ]


def together(tallies: Iterable[Tally]) -> dict[tuple[int, int], Tally]:
    """Tallies of several sessions put together, by (from note, to note)."""
    lots: dict[tuple[int, int], list[Tally]] = defaultdict(list)
    for each in tallies:
        lots[each.from_note, each.to_note].append(each)
    return {key: _one(lot) for key, lot in lots.items()}


def _one(lot: list[Tally]) -> Tally:
    if len(lot) == 1:
        return lot[0]
    faults: dict[Cause, list[Fault]] = defaultdict(list)
    for each in lot:
        for fault in each.faults:
            faults[fault.cause].append(fault)
    return Tally(
        lot[0].from_note,
        lot[0].to_note,
        plain=sum(each.plain for each in lot),
        beside=tuple(map(sum, zip(*(each.beside for each in lot), strict=True))),
        strays_us=tuple(stray for each in lot for stray in each.strays_us),
        spreads_us=tuple(spread for each in lot for spread in each.spreads_us),
        faults=_ranked(_same(cause, same) for cause, same in faults.items()),
    )


def _same(cause: Cause, faults: list[Fault]) -> Fault:
    # The middle of middles, each as often as it happened: what is kept of a session is its middle alone.
    apart = [fault.apart_us for fault in faults for _ in range(fault.times)]
    return Fault(
        cause, sum(fault.times for fault in faults), sum(fault.heard_us for fault in faults), round(median(apart))
    )


def _faults(astray: Iterable[Change]) -> tuple[Fault, ...]:
    found: dict[Cause, list[tuple[int, int]]] = defaultdict(list)
    for change in astray:
        diagnosis = diagnose_change(change)
        if diagnosis is not None:
            found[cause_of(diagnosis)].append((heard_stray_us(change), diagnosis.apart_us))
    return _ranked(
        Fault(cause, len(rows), sum(us for us, _ in rows), round(median(apart for _, apart in rows)))
        for cause, rows in found.items()
    )


def _ranked(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    return tuple(sorted(faults, key=lambda fault: (-fault.heard_us, fault.cause)))
