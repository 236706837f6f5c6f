"""What is worth a player's work, and what comes first: one rule for a session, a report, and a studio of years.

Question: of all that goes wrong more than now and then (strays, fingers apart, wrong notes, movements, pairs), what
comes first?
Conventions: durations in integer µs, shares from 0 to 1. What is weighed adds up: what is kept of single sessions, put
together, weighs as much as if they had been one.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Generic, Literal, NamedTuple, Protocol, TypeVar, get_args

from fingerlead.timing.movement_sums import MovementSummary
from fingerlead.timing.pulse import PairVerdict

CONFIDENCE = 0.95
# Fewer than this of one change say nothing of a habit; our own choice.
FEWEST = 4
# One stray in twenty is what a clean player makes now and then; our own choice.
NOW_AND_THEN = 0.05
# All 72 changes are looked at, so each is judged 72 times as strictly (Bonferroni): of clean players' sessions, one in
# twenty at most has any change that stands out.
CHANGES = 72
# A movement that is not as written weighs as much as a stray of this length; our own choice.
MOVEMENT_WEIGHT_US = 50_000
# Nothing is heard of fingers that are apart, and of a pair every note is right: they come after as much of a stray so
# many times over. Our own choice.
QUIET = 4

WorkKind = Literal["stray", "apart", "wrong", "movement", "pairs"]
KINDS: tuple[WorkKind, ...] = get_args(WorkKind)


class Unpointed(NamedTuple):
    """A pair that is written pointed and was not played so: how, its ratio of long to short, how far off its place."""

    verdict: PairVerdict
    played_ratio: float
    off_us: int


@dataclass(slots=True)
class WrittenSummary:
    """One step from a written note to the next: how often it was asked for, and each note (with its length) that was
    played in place of the second.
    """

    from_note: int
    to_note: int
    count: int = 0
    wrong: list[tuple[int, int]] = field(default_factory=list)

    def add(self, other: "WrittenSummary") -> None:
        """Take in more playing of the same."""
        self.count += other.count
        self.wrong += other.wrong


@dataclass(slots=True)
class PairsSummary:
    """The dotted pairs, or the cut ones, of one written ratio, long to short: how many were played in a way that is
    clear, and those of them that were even or backwards.
    """

    dotted: bool
    written_ratio: float
    count: int = 0
    unpointed: list[Unpointed] = field(default_factory=list)

    def add(self, other: "PairsSummary") -> None:
        """Take in more playing of the same."""
        self.count += other.count
        self.unpointed += other.unpointed


class DirectedChange(Protocol):
    """One directed change, in whatever form its instances are kept."""

    @property
    def from_note(self) -> int:
        """The note it comes from."""

    @property
    def to_note(self) -> int:
        """The note it goes to."""


C = TypeVar("C", bound=DirectedChange)
W = TypeVar("W", WrittenSummary, PairsSummary)
# Which change, movement on a note, written step, or pairs of one kind it is.
WorkKey = tuple[int, int] | tuple[str, int] | tuple[bool, float]


class WorthWork(NamedTuple, Generic[C]):
    """What may be worth work: `times` of `of_all` it went wrong, typically by `size_us` (0 for a movement).

    `weight_us` is how much it is heard: what is worth most work first has the most.
    """

    of: C | MovementSummary | WrittenSummary | PairsSummary
    kind: WorkKind
    times: int
    of_all: int
    size_us: int
    weight_us: int

    @property
    def key(self) -> WorkKey:
        """What it is of."""
        if isinstance(self.of, MovementSummary):
            return self.of.name, self.of.to_note
        if isinstance(self.of, PairsSummary):
            return self.of.dotted, self.of.written_ratio
        return self.of.from_note, self.of.to_note


def worths_of_change(of: C, count: int, strays_us: Sequence[int], spreads_us: Sequence[int]) -> Iterator[WorthWork[C]]:
    """A change that was played so often, as one that goes astray and as one whose fingers are apart."""
    sizes: tuple[tuple[WorkKind, Sequence[int]], ...] = (("stray", strays_us), ("apart", spreads_us))
    for kind, sizes_us in sizes:
        weight = weight_us(kind, sum(sizes_us))
        yield WorthWork(of, kind, len(sizes_us), count, round(median(sizes_us)) if sizes_us else 0, weight)


def worth_of(of: MovementSummary | WrittenSummary | PairsSummary) -> WorthWork[C]:
    """What else can go wrong."""
    if isinstance(of, MovementSummary):
        return WorthWork(of, "movement", of.wrong, of.count, 0, of.wrong * MOVEMENT_WEIGHT_US)
    kind: WorkKind = "wrong" if isinstance(of, WrittenSummary) else "pairs"
    sizes_us = [us for _, us in of.wrong] if isinstance(of, WrittenSummary) else [one.off_us for one in of.unpointed]
    typical_us = round(median(sizes_us)) if sizes_us else 0
    return WorthWork(of, kind, len(sizes_us), of.count, typical_us, weight_us(kind, sum(sizes_us)))


def weight_us(kind: WorkKind, sum_us: int) -> int:
    """How much the sum of what went wrong weighs."""
    return sum_us // QUIET if kind in ("apart", "pairs") else sum_us


def ranked(found: Iterable[WorthWork[C]]) -> list[WorthWork[C]]:
    """What stands out, in one order for every face: what is heard to go wrong most comes first."""
    return sorted((one for one in found if stands_out(one.times, one.of_all)), key=rank)


def rank(one: WorthWork[C]) -> tuple[int, str, int]:
    """Where something stands among what is worth work."""
    return place_of(one.kind, one.key, one.weight_us)


def place_of(kind: WorkKind, key: WorkKey, weight: int) -> tuple[int, str, int]:
    """The same of what is not yet whole."""
    return -weight, str(key), KINDS.index(kind)


def added(lots: Iterable[W]) -> list[W]:
    """Written steps, or pairs, of several sessions put together."""
    found: dict[object, W] = {}
    for one in lots:
        key = (one.from_note, one.to_note) if isinstance(one, WrittenSummary) else (one.dotted, one.written_ratio)
        if key not in found:
            found[key] = type(one)(*key)
        found[key].add(one)
    return list(found.values())


def stands_out(astray: int, count: int) -> bool:
    """Whether so many strays could hardly come by chance to one who strays only now and then.

    An exact one-sided binomial test of the stray share against NOW_AND_THEN.
    """
    # What is no more than now and then needs no sum.
    often = count >= FEWEST and astray > NOW_AND_THEN * count
    return often and at_least(astray, count, NOW_AND_THEN) < (1 - CONFIDENCE) / CHANGES


def at_least(successes: int, count: int, share: float) -> float:
    """The chance of at least so many successes in `count` trials, each of which succeeds with the chance `share`."""
    return math.fsum(
        math.exp(log_choose(count, k) + k * math.log(share) + (count - k) * math.log1p(-share))
        for k in range(successes, count + 1)
    )


def log_choose(count: int, k: int) -> float:
    """The logarithm of how many ways there are to choose k of them: counts may be large."""
    return math.lgamma(count + 1) - math.lgamma(k + 1) - math.lgamma(count - k + 1)
