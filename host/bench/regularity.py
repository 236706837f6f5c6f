"""What the stamps and round trips of a chanter say: how even its scans are, how late its link, how fast its clock.

Question: can the finger times of this chanter be believed? Conventions: integer µs; percentiles by nearest rank.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True, slots=True)
class Scans:
    """Steps between raw stamps: `histogram` is (step µs, how often), the commonest steps told apart to the µs."""

    count: int
    usual_us: int
    shortest_us: int
    longest_us: int
    off_share: float
    histogram: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Trips:
    """Round trips of clock requests."""

    count: int
    shortest_us: int
    median_us: int
    p99_us: int
    longest_us: int


MOST_BINS = 12


def scans(stamps_us: Sequence[int], told_us: int) -> Scans | None:
    """How even the stamps of raw frames are; `told_us` is the step that was asked for. None where there are too few.

    A step is off where it lies further than a tenth from the usual one.
    """
    steps = [after - before for before, after in pairwise(stamps_us)]
    if not steps:
        return None
    ordered = sorted(steps)
    usual = ordered[len(ordered) // 2]
    off = sum(abs(step - usual) * 10 > usual for step in steps)
    width = max(1, told_us // 20)
    bins = Counter((step + width // 2) // width * width for step in steps)
    shown = sorted(step for step, _ in bins.most_common(MOST_BINS))
    histogram = tuple((step, bins[step]) for step in shown)
    return Scans(len(steps), usual, ordered[0], ordered[-1], off / len(steps), histogram)


def trips(round_us: Sequence[int]) -> Trips | None:
    """What round trips take; None where none was answered."""
    if not round_us:
        return None
    ordered = sorted(round_us)
    return Trips(len(ordered), ordered[0], _rank(ordered, 0.5), _rank(ordered, 0.99), ordered[-1])


def longest_gap_us(stamps_us: Sequence[int]) -> int:
    """The longest time between two stamps; 0 where there are fewer than two."""
    return max((after - before for before, after in pairwise(stamps_us)), default=0)


def _rank(ordered: list[int], share: float) -> int:
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]
