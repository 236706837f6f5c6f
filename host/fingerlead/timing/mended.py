"""A change mended: the same take with only the blamed finger's edge moved to where it should have been.

Question: would the advice have helped? It is obeyed in simulation, and the outcome measured anew by `kernel`, as any
playing is. Conventions: edges are (time in µs, covered mask from then on), as in `Change.edges`.

The blamed finger's edge is the one that gave it its time, with the bounces that belong to it; it moves to the instant
of the finger that it should not have gone before (or after). Every other finger keeps every one of its edges.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

import numpy as np

from fingering.holes import HOLES
from fingering.notes import SOUNDING
from fingering.table import Table
from fingerlead.timing.analysis import PartReader
from fingerlead.timing.kernel import Progression, Rules, measure
from fingerlead.timing.results import Change, Settings, Timing
from fingerlead.timing.timeline import geometry_of

# --- Which finger went out of turn: the one whose move, put elsewhere in the order, takes the strays away.
#
# Question: of the fingers of a change that went astray, whose time is to be mended, and what should have gone first?
# Method: every finger is tried at the instant of every other one, on the change's own finger times; the try that leaves
# the least time on third notes wins; of equals the one that moves its finger the least, then the one whose finger stands
# furthest from the rest, then the one whose finger was early. So the advice is never typed in, and obeying it has been
# tried before it is given.


@dataclass(frozen=True, slots=True)
class Blame:
    """`finger` went out of turn, early or late; `first` should go before `second`, which went `apart_us` before it.

    `finger` is one of the two. `turn` is the advice in short. On the way up it is enough that `first`, whose hole names
    the note to come, goes first of all; on the way down, that `second`, whose hole names the note that is left, goes
    last. Of two fingers that is the same.
    """

    finger: int
    early: bool
    first: int
    second: int
    apart_us: int
    turn: Literal["first", "last"]


def blame(change: Change) -> Blame | None:
    """The finger to mend in a plain change with a stray; None where there is no stray or nothing would help."""
    if change.loose is None or not change.strays or len(change.fingers) < 2:
        return None
    times = {finger.finger: finger.after_start_us for finger in change.fingers}
    astray_us = third_note_us(change.from_mask, change.to_mask, times)
    best: tuple[int, int, float, bool, int, int] | None = None
    for finger, at_us in times.items():
        others = {other: other_us for other, other_us in times.items() if other != finger}
        apart_us = abs(at_us - median(others.values()))
        for other, other_us in others.items():
            if other_us == at_us:
                continue
            left_us = third_note_us(change.from_mask, change.to_mask, {**times, finger: other_us})
            tried = (left_us, abs(other_us - at_us), -apart_us, at_us > other_us, finger, other)
            if best is None or tried < best:
                best = tried
    if best is None or best[0] >= astray_us:
        return None
    _, apart_us, _, late, finger, other = best
    first, second = (finger, other) if late else (other, finger)
    up = change.to_note > change.from_note
    return Blame(finger, not late, first, second, apart_us, "first" if up or len(times) == 2 else "last")


def third_note_us(from_mask: int, to_mask: int, times: dict[int, int]) -> int:
    """How long third notes sound if each finger that differs moves once, at its time."""
    notes = (SOUNDING[from_mask], SOUNDING[to_mask])
    mask, since_us, total_us = from_mask, 0, 0
    for at_us, finger in sorted((at_us, finger) for finger, at_us in times.items()):
        if SOUNDING[mask] not in notes:
            total_us += at_us - since_us
        mask ^= 1 << finger
        since_us = at_us
    return total_us


# ---

# How long the two notes of a change are held in simulation; longer than any length that decides something.
HELD_US = 1_000_000

Edges = tuple[tuple[int, int], ...]
Toggle = tuple[int, int]  # time, finger


def toggles(from_mask: int, edges: Iterable[tuple[int, int]]) -> list[Toggle]:
    """Each finger's moves, as (time, finger), in order of time and finger."""
    found: list[Toggle] = []
    before = from_mask
    for at_us, mask in edges:
        found += [(at_us, finger) for finger in range(HOLES) if (before ^ mask) >> finger & 1]
        before = mask
    return found


def edges_of(from_mask: int, moves: Iterable[Toggle]) -> Edges:
    """The edges that moves make; moves at one time make one edge, and none where they cancel out."""
    masks: dict[int, int] = {}
    mask = from_mask
    for at_us, finger in sorted(moves):
        mask ^= 1 << finger
        masks[at_us] = mask
    edges: list[tuple[int, int]] = []
    before = from_mask
    for at_us, mask in masks.items():
        if mask != before:
            edges.append((at_us, mask))
        before = mask
    return tuple(edges)


def mended_edges(change: Change, blamed: Blame) -> Edges:
    """The change's edges with only the blamed finger's edge moved."""
    times = {finger.finger: change.start_us + finger.after_start_us for finger in change.fingers}
    at_us = times[blamed.finger]
    by_us = times[blamed.first if blamed.early else blamed.second] - at_us
    moves = [
        (moved_us + by_us if finger == blamed.finger and moved_us >= at_us else moved_us, finger)
        for moved_us, finger in toggles(change.from_mask, change.edges)
    ]
    return edges_of(change.from_mask, moves)


def proven(change: Change, blamed: Blame, table: Table, settings: Settings) -> bool:
    """Whether the mended change, measured anew, is one change between the same two masks without a heard stray.

    Strays too short to be heard may be left. A finger that slipped still slips; none slips that did not before.
    """
    edges = mended_edges(change, blamed)
    if not edges or edges[-1][1] != change.to_mask:
        return False
    again = measured(change.from_mask, edges, table, settings)
    if len(again) != 1:
        return False
    (mended,) = again
    # All of it must be within the change: what falls out of it is not measured, but sounds.
    whole = mended.edges == edges
    same = (mended.from_mask, mended.to_mask) == (change.from_mask, change.to_mask)
    slipped = {slip.finger for slip in mended.slips} <= {slip.finger for slip in change.slips}
    return whole and same and slipped and not any(stray.heard for stray in mended.strays)


def trusted_blame(change: Change, timing: Timing, table: Table, settings: Settings) -> Blame | None:
    """Which finger to mend: only where the two fingers' order is certain, and mending is proven to help."""
    blamed = blame(change)
    if blamed is None or blamed.apart_us < timing.uncertainty_us or not proven(change, blamed, table, settings):
        return None
    return blamed


def measured(from_mask: int, edges: Edges, table: Table, settings: Settings, uncertainty_us: int = 0) -> list[Change]:
    """The changes in a take of its own: what stood before held for a second, then the edges, the last held as long."""
    lead_us = edges[0][0] - HELD_US
    edge_us = np.array([lead_us, *(at_us for at_us, _ in edges), edges[-1][0] + HELD_US], dtype=np.int64)
    covered = np.array([from_mask, *(mask for _, mask in edges)], dtype=np.uint8)
    rules = Rules(settings, geometry_of(table), uncertainty_us, np.zeros((0, 2), dtype=np.int64))
    found = measure(edge_us, covered, rules, Progression(), final=True)
    if found is None:
        return []
    reader = PartReader(found[0], settings, edge_us, covered)
    return [reader.change(index) for index in range(len(reader))]


def as_one(first: Change, second: Change, table: Table, settings: Settings, uncertainty_us: int) -> Change | None:
    """Two changes around a slow stray as the one that was meant, with the number of the second.

    The note between was held, so it counts as a note by its length alone; only the music tells that it was none.
    Measured anew with the length of a held note set above it. None where that does not make it one change.
    """
    # Long enough that nothing in between is steady: then the two outer notes are the only held ones.
    steady_us = second.edges[-1][0] - first.edges[0][0] + 1
    if first.to_note != second.from_note or first.from_note == second.to_note or steady_us > HELD_US:
        return None
    longer = replace(
        settings,
        steady_us=max(steady_us, settings.steady_us),
        passing_us=max(steady_us, settings.passing_us),
        correction_us=max(steady_us, settings.correction_us),
    )
    found = measured(first.from_mask, (*first.edges, *second.edges), table, longer, uncertainty_us)
    if len(found) != 1 or (found[0].from_mask, found[0].to_mask) != (first.from_mask, second.to_mask):
        return None
    return replace(found[0], number=second.number)
