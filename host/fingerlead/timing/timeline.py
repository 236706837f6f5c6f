"""From hole states over time to edges, and how far their times can be trusted.

Question: when did the mask change? Conventions: `t_us` int64 never falling, `covered` uint8, as in a `Record`. A frame
with no change of mask makes no edge.

Here too stands the fingering geometry as arrays, in which the array functions of this room look masks up. Everything
follows from `fingering`; nothing is typed in. Arrays are indexed by covered mask (256) or by note (9).
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HANDS_OFF, HOLES
from fingering.moves import possible_strays
from fingering.notes import NOTES, SOUNDING
from fingering.table import Table
from fingerlead.timing.budget import Budget, assumed
from fingerlead.timing.results import KnownSeal, KnownSkew, Timing
from fingerlead.wire.events import Record
from fingerlead.wire.messages import CAN_SLOPES

# Sensors fire at different finger heights; how much so is unknown until it is measured. Assumed values, our own choice.
ASSUMED_SKEW_US = 3_000
LISTED_TIMES_SKEW_US = 1_000  # a list of times from elsewhere
ARRIVAL_US = 5_000  # added where only arrival on the host is known
SCANS = 2


def edges(
    t_us: NDArray[np.int64], covered: NDArray[np.uint8], end_us: int
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Edge times int64[n + 1], the end last, and the mask uint8[n] that stood after each of the first n."""
    if not len(t_us):
        return np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.uint8)
    turns = np.ones(len(t_us), dtype=bool)
    turns[1:] = covered[1:] != covered[:-1]
    edge_us = np.empty(int(turns.sum()) + 1, dtype=np.int64)
    edge_us[:-1] = t_us[turns]
    edge_us[-1] = max(end_us, int(t_us[-1]))
    return edge_us, covered[turns]


def smallest_step_us(t_us: NDArray[np.int64]) -> int:
    """The smallest step between different stamps, 0 where there are not two."""
    steps = np.diff(t_us)
    steps = steps[steps > 0]
    return int(steps.min()) if len(steps) else 0


def timing_for(
    clock: Literal["chanter", "host"],
    scan_us: int,
    skew: KnownSkew | None = None,
    *,
    listed: bool = False,
    raw_bits: int = 0,
    slopes: bool = False,
    budget: Budget | None = None,
    seal: KnownSeal | None = None,
) -> Timing:
    """How far times can be trusted: by `budget`, by the assumed one of a chanter with a clock, or flat.

    It is flat where the caller gives a skew, in a list of times from elsewhere (`listed`) and without a chanter clock:
    two scans plus the sensors' skew, ARRIVAL_US more without a chanter clock; of a list, the skew alone.
    `seal` is what is known of the chanter's levels; without `slopes` it says no more than that they are near the seal.
    """
    scan_us = 0 if listed else scan_us
    skew_us = skew.us if skew is not None else LISTED_TIMES_SKEW_US if listed else ASSUMED_SKEW_US
    how = "assumed" if skew is None else skew.how
    if budget is None and clock == "chanter" and not listed and how != "given":
        rims_mm = seal.apart_mm if seal is not None and slopes and seal.heights == "all holes" else None
        budget = assumed(scan_us, calibrated=seal is not None, rims_mm=rims_mm)
    if budget is not None:
        sizes = [
            (budget.own_us(way, slowness), budget.common_us(way, slowness))
            for way, slowness in zip((True, False), budget.slowness_us_per_mm, strict=True)
        ]
        widest_us = round(max(float(budget.expanded_us(*size)) for size in sizes))
        known = KnownSeal() if seal is not None and not slopes else seal
        return Timing(clock, widest_us, scan_us, skew_us, how, budget, raw_bits, known)
    uncertainty_us = SCANS * scan_us + skew_us + (ARRIVAL_US if clock == "host" else 0)
    return Timing(clock, uncertainty_us, scan_us, skew_us, how)


def timing_of(
    record: Record,
    kind: str,
    skew: KnownSkew | None = None,
    budget: Budget | None = None,
    seal: KnownSeal | None = None,
) -> Timing:
    """The timing uncertainty of a record of a kind (`wire`, `midi`, `csv` or `session`).

    Where no hello told the scan period, the smallest step between different stamps stands for it. `seal`: what is known
    of the chanter's levels.
    """
    scan_us = record.scan_us if record.scan_us is not None else smallest_step_us(record.t_us)
    raw_bits, abilities = (0, 0) if record.hello is None else (record.hello.raw_bits, record.hello.abilities)
    return timing_for(
        record.clock, scan_us, skew, listed=kind == "csv", raw_bits=raw_bits, slopes=abilities & CAN_SLOPES != 0,
        budget=budget, seal=seal,
    )  # fmt: skip


# All eight holes open is hands off: it sounds, but is never held as a note.
NO_NOTE = len(NOTES)

POPCOUNT = np.array([mask.bit_count() for mask in range(256)], dtype=np.uint8)
SOUND = np.frombuffer(SOUNDING, dtype=np.uint8)
HELD_CODE = SOUND.copy()
HELD_CODE[HANDS_OFF] = NO_NOTE
# The bit of the topmost open hole; 0 where all are covered.
TOP_OPEN_BIT = np.array([~mask & (mask + 1) & 0xFF for mask in range(256)], dtype=np.uint8)
# The hole of a mask with one bit set.
HOLE_OF_BIT = np.zeros(256, dtype=np.uint8)
HOLE_OF_BIT[1 << np.arange(HOLES)] = np.arange(HOLES)


def bits_of(masks: NDArray[np.uint8]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which of the masks, and which bit, for every bit that is set: in order of both."""
    # All bits as one row of truth values: numpy finds those set in it many times faster than in a table of numbers.
    at = np.unpackbits(masks, bitorder="little").view(np.bool_).nonzero()[0]
    return at >> 3, at & 7


def by_finger(masks: NDArray[np.uint8]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The same as `bits_of`, first by bit: which bit, and which of the masks."""
    bits = np.unpackbits(masks, bitorder="little").reshape(-1, HOLES).T.copy()
    return np.divmod(bits.reshape(-1).view(np.bool_).nonzero()[0], max(len(masks), 1))


@dataclass(frozen=True)
class Geometry:
    """`standard` uint8[10]: the chart's mask of each note (255 past the ninth); `may_stray` bool[10, 10, 10]:
    whether the third note can sound in a direct change from the first to the second, in some order of the fingers;
    `alternates`: further masks that are right.
    """

    standard: NDArray[np.uint8]
    may_stray: NDArray[np.bool_]
    alternates: frozenset[int] = frozenset()


@lru_cache(maxsize=8)
def geometry_of(table: Table) -> Geometry:
    """The geometry of a fingering table."""
    may_stray = np.zeros((NO_NOTE + 1,) * 3, dtype=bool)
    for from_note in range(len(NOTES)):
        for to_note in range(len(NOTES)):
            if from_note != to_note:
                may_stray[from_note, to_note, list(possible_strays(from_note, to_note, table))] = True
    return Geometry(np.array([*table.standard, 255], dtype=np.uint8), may_stray, frozenset(table.alternates))
