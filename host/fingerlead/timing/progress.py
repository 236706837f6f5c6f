"""Before and after: whether a share or a length has truly changed, said honestly.

Question: a change went astray in k of n before and in l of m since: is that better, worse, or no clear change?
Conventions: shares from 0 to 1, differences are after minus before, durations in integer µs.
Sources: the interval of a difference of shares is Newcombe's hybrid of Wilson's score intervals (R. G. Newcombe,
Statistics in Medicine 17, 1998, method 10); the test is Fisher's exact one, two-sided by probability (R. A. Fisher,
1935); several comparisons at once are corrected by Holm's step-down (S. Holm, Scand. J. Statistics 6, 1979).
Lengths are compared by the Mann-Whitney U test with ties, normal approximation with continuity correction
(H. B. Mann and D. R. Whitney, Ann. Math. Statistics 18, 1947).
The instances of one session are taken as independent, which they are not quite: see `TOO_FEW_SESSIONS`.

A `Tally` is what one session says of a directed change, in numbers small enough to keep for years: a studio of
thousands of sessions is added up from tallies without analysing anything again.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import NormalDist, median
from typing import Literal

from fingering.diagnosis import Diagnosis
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.results import UNPLAIN, Change
from fingerlead.timing.summary import CONFIDENCE, heard_stray_us, log_choose, summarise, wilson

Trend = Literal["better", "worse", "no clear change", "too little"]

# Fewer plain changes than this on either side say nothing of a habit; our own choice.
FEWEST_TO_COMPARE = 8
# A good or a bad session is no trend; our own choice.
TOO_FEW_SESSIONS = 2
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
    verdict of UNPLAIN; `strays_us` is the heard stray time of
    each that went astray; `faults` are those that a diagnosis names, the costliest first.
    """

    from_note: int
    to_note: int
    plain: int = 0
    apart: int = 0
    beside: tuple[int, ...] = (0,) * len(UNPLAIN)
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
    return [
        Tally(
            *notes,
            of.count,
            of.apart,
            tuple(of.beside[verdict] for verdict in UNPLAIN),
            tuple(map(heard_stray_us, of.astray)),
            _faults(of.astray),
        )
        for notes, of in sorted(summarise([analysis]).by_change.items())
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
        apart=sum(each.apart for each in lot),
        beside=tuple(map(sum, zip(*(each.beside for each in lot), strict=True))),
        strays_us=tuple(stray for each in lot for stray in each.strays_us),
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


@dataclass(frozen=True, slots=True)
class Side:
    """One of two spans of time: plain changes, how many went astray, in how many sessions."""

    plain: int
    astray: int
    sessions: int

    @property
    def share(self) -> float:
        """The share astray; 0 of none."""
        return self.astray / self.plain if self.plain else 0.0


@dataclass(frozen=True, slots=True)
class Difference:
    """After against before, of one directed change. `chance` is corrected for all the changes compared with it."""

    before: Side
    after: Side
    difference: float
    interval: tuple[float, float]
    chance: float
    trend: Trend


def compare(pairs: Sequence[tuple[Side, Side]]) -> list[Difference]:
    """Several changes, each before and after, in the order given."""
    judged = [not _too_little(before, after) for before, after in pairs]
    chances = iter(holm([fisher(*pair) for pair, enough in zip(pairs, judged, strict=True) if enough]))
    found = []
    for (before, after), enough in zip(pairs, judged, strict=True):
        chance = next(chances) if enough else 1.0
        difference = after.share - before.share
        trend: Trend = "too little"
        if enough:
            trend = "no clear change" if chance >= 1 - CONFIDENCE else "worse" if difference > 0 else "better"
        found.append(Difference(before, after, difference, newcombe(before, after), chance, trend))
    return found


def _too_little(before: Side, after: Side) -> bool:
    return any(side.plain < FEWEST_TO_COMPARE or side.sessions < TOO_FEW_SESSIONS for side in (before, after))


def newcombe(before: Side, after: Side) -> tuple[float, float]:
    """The interval of the difference of the shares astray."""
    (low_b, high_b), (low_a, high_a) = wilson(before.astray, before.plain), wilson(after.astray, after.plain)
    b, a = before.share, after.share
    difference = a - b
    return (
        max(-1.0, difference - math.hypot(a - low_a, high_b - b)),
        min(1.0, difference + math.hypot(high_a - a, b - low_b)),
    )


def fisher(before: Side, after: Side) -> float:
    """The chance of shares at least as unlikely as these if nothing had changed."""
    count, drawn, astray = before.plain + after.plain, before.plain, before.astray + after.astray
    low, high = max(0, drawn - (count - astray)), min(drawn, astray)
    logs = [_log_hypergeometric(k, count, astray, drawn) for k in range(low, high + 1)]
    here = logs[before.astray - low]
    # What is as unlikely but for rounding counts too, as in R and scipy.
    return min(1.0, math.fsum(math.exp(log) for log in logs if log <= here + 1e-7))


def holm(chances: Sequence[float]) -> list[float]:
    """Chances corrected for being several, in the order given."""
    corrected = [0.0] * len(chances)
    least = 0.0
    for rank, index in enumerate(sorted(range(len(chances)), key=chances.__getitem__)):
        least = max(least, min(1.0, (len(chances) - rank) * chances[index]))
        corrected[index] = least
    return corrected


def mann_whitney(before: Sequence[int], after: Sequence[int]) -> float:
    """The two-sided chance of lengths that lie so far apart if nothing had changed; 1 where one side is empty."""
    n, m = len(before), len(after)
    if not n or not m:
        return 1.0
    ordered = sorted([(value, True) for value in before] + [(value, False) for value in after])
    rank_sum, ties, start = 0.0, 0, 0
    while start < len(ordered):
        stop = start
        while stop < len(ordered) and ordered[stop][0] == ordered[start][0]:
            stop += 1
        rank_sum += sum(early for _, early in ordered[start:stop]) * (start + 1 + stop) / 2
        ties += (stop - start) ** 3 - (stop - start)
        start = stop
    u = rank_sum - n * (n + 1) / 2
    variance = n * m / 12 * (n + m + 1 - ties / ((n + m) * (n + m - 1)))
    if variance <= 0:
        return 1.0
    z = max(0.0, abs(u - n * m / 2) - 0.5) / math.sqrt(variance)
    return 2 * (1 - NormalDist().cdf(z))


def _log_hypergeometric(k: int, count: int, astray: int, drawn: int) -> float:
    return log_choose(astray, k) + log_choose(count - astray, drawn - k) - log_choose(count, drawn)
