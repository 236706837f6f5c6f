"""From the crossing of a level to the seal: each edge's time is moved by its own slope.

Question: when did a hole seal, where the chanter says when its sample crossed a level, and how steeply? A level lies a
little beyond the sample at the seal, and the first scan beyond it comes half a scan late on average. So an edge goes
back by half a scan, and by the distance from the seal to the level over the slope; without a slope by half a scan
alone. Where a chanter tells no slopes, or how far its levels lie beyond the seal is not known, nothing is moved.

Fingers may change places by it. The edges of one hole keep their order: none goes further than halfway to the next.
Times stay whole microseconds, and what comes to one time is one edge. What a chanter sent is kept as it came, and
corrected whenever it is read.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES, fingers_of
from fingerlead.timing.edge_errors import found
from fingerlead.timing.results import Timing
from fingerlead.wire.events import Doubt, Slopes

Times = NDArray[np.int64]

# A slope is of the samples up to so far from the crossing (`wire.md`): of what lies further off it says nothing.
REACH_US = 4_000


class Moves(NamedTuple):
    """Moves of single fingers in order of time.

    `since_us`: how long before lies the last move of the same finger; `edge`: which edge as the chanter sent it it is
    in, rising from above 0.
    """

    t_us: Times
    hole: Times
    since_us: Times
    edge: Times


class Edges(NamedTuple):
    """Edges as `timeline.edges` gives them, and the slopes of those that have one.

    `of_move` int64: in which of the edges each move is.
    """

    edge_us: Times
    covered: NDArray[np.uint8]
    slopes: Slopes
    of_move: Times


class Tail:
    """What is not settled of a recording that goes on: the edge it begins with, and the moves that have come since."""

    def __init__(self, start_us: int, covered_mask: int) -> None:
        self.covered_mask = covered_mask  # stands at its end
        self._start = start_us, covered_mask
        self._last_us = [start_us] * HOLES
        self._moves: list[tuple[int, int, int, int]] = []
        self._edge = 0

    def __len__(self) -> int:
        return len(self._moves)

    def add(self, t_us: int, covered_mask: int) -> None:
        """Another mask stands from `t_us` on."""
        self._edge += 1
        for hole in fingers_of(covered_mask ^ self.covered_mask):
            self._moves.append((t_us, hole, t_us - self._last_us[hole], self._edge))
            self._last_us[hole] = t_us
        self.covered_mask = covered_mask

    def edges(self, end_us: int, slopes: Slopes, timing: Timing) -> Edges:
        """Its edges, each at its seal as far as its slope is known by now."""
        columns = np.array(self._moves, dtype=np.int64).reshape(-1, 4).T
        return at_seal(*self._start, Moves(*columns), end_us, slopes, timing)

    def settle(self, edges: Edges, count: int) -> None:
        """So many of its edges are over; it begins with the next."""
        self._start = int(edges.edge_us[count]), int(edges.covered[count])
        later = edges.of_move > count
        self._moves = [move for move, is_later in zip(self._moves, later.tolist(), strict=True) if is_later]


def reach_us(timing: Timing) -> int:
    """How far an edge may be moved at most, 0 where none is."""
    return REACH_US if timing.budget is not None and timing.seal is not None and timing.seal.lift_raw else 0


def doubts_in_reach(doubts: list[Doubt], timing: Timing) -> list[Doubt]:
    """The doubts, wider by as much as edges may be moved, so that what touched one still does."""
    reach = reach_us(timing)
    if not reach:
        return doubts
    return [replace(doubt, start_us=doubt.start_us - reach, end_us=doubt.end_us + reach) for doubt in doubts]


def corrected(
    edge_us: Times, covered: NDArray[np.uint8], slopes: Slopes, timing: Timing
) -> tuple[Times, NDArray[np.uint8], Slopes]:
    """The edges of a whole recording at their seals, and their slopes; as they are where nothing can be corrected."""
    if not reach_us(timing) or len(covered) < 2:
        return edge_us, covered, slopes
    at, hole = np.unpackbits((covered[1:] ^ covered[:-1])[:, None], axis=1, bitorder="little").nonzero()
    t_us, start_us = edge_us[at + 1], int(edge_us[0])
    since_us = t_us - start_us
    one, next_ = _neighbours(hole)
    since_us[next_] = t_us[next_] - t_us[one]
    moves = Moves(t_us, hole, since_us, at + 1)
    return at_seal(start_us, int(covered[0]), moves, int(edge_us[-1]), slopes, timing)[:3]


def at_seal(start_us: int, covered_mask: int, moves: Moves, end_us: int, slopes: Slopes, timing: Timing) -> Edges:
    """The edges that moves make at their seals, the first that of `start_us`, from which `covered_mask` stands."""
    t_us, bit, apart = moves.t_us, (1 << moves.hole).astype(np.uint8), moves.edge
    if reach_us(timing):
        keys = _keys(slopes)
        by_key = np.argsort(keys, kind="stable")
        place, told = found(keys[by_key], _keys(moves))
        at = by_key[place[told]]
        slopes = Slopes(slopes.t_us[at], slopes.hole[at], slopes.rise_raw[at], slopes.level_raw[at])
        rise_raw = np.zeros(len(t_us))
        rise_raw[told] = slopes.rise_raw
        lift = (np.bitwise_xor.accumulate(bit) ^ covered_mask) & bit == 0
        t_us = np.maximum(t_us + _shifts_us(moves, lift, rise_raw, timing), start_us + 1)
        slopes, apart = slopes._replace(t_us=t_us[told]), t_us
    order = np.argsort(apart, kind="stable")
    times = np.concatenate(([start_us], t_us[order]))
    masks = np.bitwise_xor.accumulate(np.concatenate((np.array([covered_mask], dtype=np.uint8), bit[order])))
    # Of moves at once the last mask counts; an edge is where another mask begins to stand.
    is_last = np.ones(len(times), dtype=bool)
    is_last[1:-1] = np.diff(apart[order]) != 0
    lasts = is_last.nonzero()[0]
    turns = lasts[np.append(True, np.diff(masks[lasts].astype(np.int16)) != 0)]
    of_move = np.empty(len(t_us), dtype=np.int64)
    of_move[order] = np.searchsorted(turns, np.arange(1, len(times)))
    edge_us = np.append(times[turns], max(end_us, int(times[-1])))
    return Edges(edge_us, masks[turns], slopes, of_move)


def _shifts_us(moves: Moves, lift: NDArray[np.bool_], rise_raw: NDArray[np.float64], timing: Timing) -> Times:
    """How far each move goes, at most halfway to its finger's last and next; `rise_raw` is 0 where it is not known."""
    assert timing.seal is not None
    beyond_raw = np.where(lift, *(np.array(each)[moves.hole] for each in timing.seal[:2]))
    late_us = np.divide(beyond_raw * 1_000, rise_raw, out=np.zeros(len(lift)), where=rise_raw > 0) + timing.scan_us / 2
    before = (moves.since_us - 1) // 2
    after = np.full(len(before), REACH_US)
    one, next_ = _neighbours(moves.hole)
    after[one] = before[next_]
    shifts: Times = np.rint(np.clip(-late_us, -REACH_US, REACH_US)).astype(np.int64)
    return np.clip(shifts, -before, after)


def _neighbours(hole: Times) -> tuple[Times, Times]:
    """Of moves in order of time, which follow one another on one hole: the places of each, and of its next."""
    by_hole = np.argsort(hole, kind="stable")
    same = hole[by_hole][1:] == hole[by_hole][:-1]
    return by_hole[:-1][same], by_hole[1:][same]


def _keys(moves: Slopes | Moves) -> Times:
    return moves.t_us * HOLES + moves.hole
