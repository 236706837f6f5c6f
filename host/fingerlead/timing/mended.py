"""A change mended: the same take with only one finger's edge moved to where the diagnosis says it should have been.

Question: would the advice have helped? `fingering.diagnosis` names the finger by the geometry of the change; here the
advice is obeyed in simulation, and the outcome measured anew by `kernel`, as any playing is.
Conventions: edges are (time in µs, covered mask from then on), as in `Change.edges`.

The edge that moves is the one that gave the finger its time, with the bounces that belong to it; it moves to the
instant of the finger that it should not have gone before (or after). Every other finger keeps every one of its edges.
"""

import numpy as np

from fingering.diagnosis import Diagnosis, diagnose_times
from fingering.notes import SOUNDING
from fingering.table import Table
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.timing.analysis import changes_of
from fingerlead.timing.edge_errors import EdgeErrors, apart_us
from fingerlead.timing.kernel import measure
from fingerlead.timing.moved_edges import HELD_US, Edges, edges_of, toggles
from fingerlead.timing.notes import Progression, Rules
from fingerlead.timing.results import Change, Settings, Timing
from fingerlead.timing.timeline import geometry_of


def diagnose_change(change: Change) -> Diagnosis | None:
    """The finger out of turn in a plain change with a stray; None in any other change."""
    if not change.strays:
        return None
    times_us = {finger.finger: finger.after_start_us for finger in change.fingers}
    return diagnose_times(change.from_mask, change.to_mask, times_us)


def mended_edges(change: Change, diagnosis: Diagnosis) -> Edges:
    """The change's edges with only the edge of the finger out of turn moved."""
    at_us = next(change.start_us + f.after_start_us for f in change.fingers if f.finger == diagnosis.finger)
    by_us = diagnosis.apart_us if diagnosis.how == "early" else -diagnosis.apart_us
    moves = [
        (moved_us + by_us if finger == diagnosis.finger and moved_us >= at_us else moved_us, finger)
        for moved_us, finger in toggles(change.from_mask, change.edges)
    ]
    return edges_of(change.from_mask, moves)


def proven(change: Change, diagnosis: Diagnosis, table: Table, settings: Settings) -> bool:
    """Whether the mended change, measured anew, is one change between the same two masks without a heard stray.

    Strays too short to be heard may be left. A finger that slipped still slips; none slips that did not before.
    """
    edges = mended_edges(change, diagnosis)
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


def between_us(change: Change, first: int, second: int, timing: Timing) -> float:
    """How far apart two fingers of a change must be for their order to be certain."""
    if timing.budget is None:
        return timing.uncertainty_us
    sizes: list[float] = []
    for finger in (first, second):
        of = next(each for each in change.fingers if each.finger == finger)
        sizes += [timing.budget.own_of_us(of.uncertainty_us, of.common_us), of.common_us]
    return float(apart_us(*np.array(sizes)))


def trusted_diagnosis(change: Change, timing: Timing, table: Table, settings: Settings) -> Diagnosis | None:
    """The finger out of turn: only where the two fingers' order is certain, and mending is proven to help."""
    diagnosis = diagnose_change(change)
    if diagnosis is None or diagnosis.apart_us < between_us(change, diagnosis.first, diagnosis.second, timing):
        return None
    return diagnosis if proven(change, diagnosis, table, settings) else None


def measured(from_mask: int, edges: Edges, table: Table, settings: Settings, uncertainty_us: int = 0) -> list[Change]:
    """The changes in a take of its own: what stood before held for a second, then the edges, the last held as long.

    Its first and last note are known to be meant, so whatever sounds between them is read as one change.
    """
    lead_us = edges[0][0] - HELD_US
    edge_us = np.array([lead_us, *(at_us for at_us, _ in edges), edges[-1][0] + HELD_US], dtype=np.int64)
    covered = np.array([from_mask, *(mask for _, mask in edges)], dtype=np.uint8)
    meant = Music(tuple(WrittenNote(SOUNDING[mask]) for mask in (from_mask, edges[-1][1])), lead_us)
    rules = Rules(settings, geometry_of(table), EdgeErrors(uncertainty_us), np.zeros((0, 2), dtype=np.int64), (meant,))
    found = measure(edge_us, covered, rules, Progression(), final=True)
    return [] if found is None else list(changes_of(found[0], settings, edge_us, covered))
