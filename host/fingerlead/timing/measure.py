"""When each finger moved in each change, what sounded in between, and the verdict.

Works on windows: for each pair of neighbouring held notes, the edges from the one that leaves the first note's settled
mask to the one that reaches the second's, both included. Arrays named per window have one entry a window; `at` arrays
hold edge numbers, flat over all windows, with `window` giving the window each belongs to.

Definitions:
- a finger that differs between the settled masks has one time: its last edge into its new state, ignoring departures
  shorter than `bounce_us`; one that moves but does not differ *returns*;
- the lead is the finger with the first time; none where another comes less than the uncertainty of these two later;
- notes that sound for `heard_us` or more between the two, where some finger moved more often than the change asks, and
  that make a movement of the movement table, are that movement;
- otherwise a stretch is stray if it sounds neither note, its topmost open hole is not under a returning finger that
  both settled masks cover, and it would sound neither note with the returning fingers put back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.timing.edge_errors import EdgeErrors, apart_us
from fingerlead.timing.segment import HeldNotes, Indices, ranges
from fingerlead.timing.timeline import HOLE_OF_BIT, NO_NOTE, POPCOUNT, SOUND, TOP_OPEN_BIT, bits_of

CLEAN, APART, STRAY, EMBELLISHED, EXTRA, PERHAPS, UNCLEAR, UNCERTAIN = range(8)
NO_LEAD = -1


@dataclass(slots=True)
class Windows:
    """The windows of neighbouring held notes, repeats of one note included."""

    held: Indices  # the first note's place among the held notes; the second is the next
    first: Indices  # edge number that leaves the first settled mask
    last: Indices  # edge number that reaches the second
    from_note: NDArray[np.uint8]
    to_note: NDArray[np.uint8]
    from_mask: NDArray[np.uint8]
    to_mask: NDArray[np.uint8]
    differs: NDArray[np.uint8]  # the fingers that do
    count: Indices  # how many these are

    def __len__(self) -> int:
        return len(self.held)


@dataclass(slots=True)
class InWindows:
    """The edges from the first window's first to the last window's last, `begin` the number of the first of them.

    `window` is whose window each is in, or after; `outside` are the places of those that are in none. `toggled` are the
    fingers that move at each, none outside; `sound` is the note from then on.
    """

    begin: int
    window: Indices
    outside: Indices
    toggled: NDArray[np.uint8]
    sound: NDArray[np.uint8]


@dataclass(slots=True)
class FingerTimes:
    """`t_us` of each finger that differs, flat in order of window and finger.

    For each window `lead`, the first finger (NO_LEAD where too close to call), its time `start_us`, and `spread_us`,
    from it to the last. What these are of a window in which no finger differs means nothing.
    """

    t_us: NDArray[np.int64]
    lead: NDArray[np.int8]
    start_us: NDArray[np.int64]
    spread_us: NDArray[np.int64]


@dataclass(slots=True)
class Returns:
    """Fingers that moved and came back: `finger_bits` uint8 per window; the excursions flat."""

    finger_bits: NDArray[np.uint8]
    window: Indices
    finger: NDArray[np.uint8]
    start_us: NDArray[np.int64]
    duration_us: NDArray[np.int64]


@dataclass(slots=True)
class Runs:
    """Stretches of one sounding note inside windows, flat and in order."""

    window: Indices
    note: NDArray[np.uint8]
    mask: NDArray[np.uint8]  # of the run's first stretch
    start_us: NDArray[np.int64]
    duration_us: NDArray[np.int64]

    def take(self, keep: NDArray[np.bool_]) -> Runs:
        """The runs that a boolean mask chooses."""
        return Runs(self.window[keep], self.note[keep], self.mask[keep], self.start_us[keep], self.duration_us[keep])


def windows_between(notes: HeldNotes) -> Windows:
    """A window for each two neighbouring held notes, none across hands off."""
    sounding = notes.note != NO_NOTE
    held = (sounding[:-1] & sounding[1:]).nonzero()[0]
    after = held + 1
    from_mask, to_mask = notes.mask.take(held), notes.mask.take(after)
    differs = from_mask ^ to_mask
    return Windows(
        held, notes.last.take(held) + 1, notes.first.take(after), notes.note.take(held), notes.note.take(after),
        from_mask, to_mask, differs, POPCOUNT.take(differs).astype(np.intp),
    )  # fmt: skip


def edges_in(windows: Windows, covered: NDArray[np.uint8]) -> InWindows:
    """The edges in all windows."""
    first, stop = windows.first, windows.last + 1
    begin, end = (int(first[0]), int(stop[-1])) if len(first) else (1, 1)
    until = np.append(first[1:], end)
    window = np.repeat(np.arange(len(first)), until - first)
    toggled = covered[begin:end] ^ covered[begin - 1 : end - 1]
    parted = (until != stop).nonzero()[0]
    outside = ranges(stop[parted], until[parted])[0] - begin if parted.size else parted
    toggled[outside] = 0
    return InWindows(begin, window, outside, toggled, SOUND.take(covered[begin:end]))


def finger_times(
    windows: Windows, edges: InWindows, edge_us: NDArray[np.int64], bounce_us: int, uncertainty_us: int
) -> tuple[FingerTimes, Returns]:
    """The times of the fingers that differ, and the fingers that returned. A lead is clear by `uncertainty_us`."""
    window, toggled = edges.window, edges.toggled
    below, at_us = toggled - 1, edge_us[edges.begin : edges.begin + len(window)]
    # Most edges move one finger and go in one sweep; those that move several are taken finger by finger.
    others = (toggled & below != 0).nonzero()[0]
    moves = windows.last - windows.first + 1
    np.add.at(moves, window.take(others), POPCOUNT.take(toggled.take(others)) - 1)
    # Where some finger moves more often than the change asks, it takes more to tell which time is its own. What goes in
    # one sweep and is not to count goes to the end.
    busy, ends = moves > windows.count, np.cumsum(windows.count)
    begins, total = ends - windows.count, len(ends) and int(ends[-1])
    base = np.where(busy, total, begins)
    t_us = np.empty(total + HOLES, dtype=np.int64)
    place = base.take(window)
    place += POPCOUNT.take(windows.differs.take(window) & below)
    place[others] = place[edges.outside] = total
    t_us[place] = at_us
    which, finger = bits_of(toggled.take(others))
    several = others.take(which)
    of = window.take(several)
    t_us[base.take(of) + POPCOUNT.take(windows.differs.take(of) & ((1 << finger) - 1))] = at_us.take(several)

    # In the other windows every edge moves fingers that differ: the first edge is the first finger's.
    start_us = edge_us.take(windows.first)
    opens = toggled.take(windows.first - edges.begin)
    unclear = (windows.count > 1) & (edge_us.take(windows.first + 1) - start_us < max(uncertainty_us, 1))
    lead = HOLE_OF_BIT.take(opens).view(np.int8)
    lead[unclear | (POPCOUNT.take(opens) > 1)] = NO_LEAD
    times = FingerTimes(t_us[:total], lead, start_us, edge_us.take(windows.last) - start_us)
    rows = busy.nonzero()[0]
    if not rows.size:
        none = np.zeros(0, dtype=np.int64)
        return times, Returns(np.zeros(len(windows), dtype=np.uint8), none, none.astype(np.uint8), none, none)
    mine = busy.take(window).nonzero()[0]
    which, finger = bits_of(toggled.take(mine))
    mine = mine.take(which)
    returns = _busy_times(windows, times, begins, window.take(mine), finger, at_us.take(mine), bounce_us)
    _lead_of_busy(windows, times, begins, rows, uncertainty_us)
    return times, returns


def _busy_times(
    windows: Windows,
    times: FingerTimes,
    begins: Indices,
    window: Indices,
    finger: Indices,
    t_us: NDArray[np.int64],
    bounce_us: int,
) -> Returns:
    """Fill in the times of the busy windows, and find the excursions of the fingers that return.

    From each move in them: its window, finger and time, in order of time. `begins`: where the times of each window do.
    """
    order = np.argsort(window * HOLES + finger, kind="stable")
    window, finger, t_us = window[order], finger[order], t_us[order]
    starts = np.ones(len(order), dtype=bool)
    starts[1:] = (window[1:] != window[:-1]) | (finger[1:] != finger[:-1])
    firsts = starts.nonzero()[0]
    lasts = np.append(firsts[1:], len(order)) - 1
    of, bit = window[firsts], 1 << finger[firsts]
    moved = windows.differs[of] & bit != 0
    settled = _before_bounces(t_us, firsts[moved], lasts[moved], bounce_us)
    times.t_us[begins[of[moved]] + POPCOUNT[windows.differs[of[moved]] & (bit[moved] - 1)]] = t_us[settled]

    finger_bits = np.zeros(len(windows), dtype=np.uint8)
    np.bitwise_or.at(finger_bits, of[~moved], bit[~moved].astype(np.uint8))
    # A finger that returns toggles an even number of times.
    away = (~moved).repeat(lasts - firsts + 1).nonzero()[0][::2]
    away = away[np.lexsort((finger[away], t_us[away], window[away]))]
    lasts_us = t_us[away + 1] - t_us[away]
    return Returns(finger_bits, window[away], finger[away].astype(np.uint8), t_us[away], lasts_us)


def _lead_of_busy(windows: Windows, times: FingerTimes, begins: Indices, rows: Indices, uncertainty_us: int) -> None:
    """Fill in which finger was the first in the busy windows `rows`, when, and how far the last was from it."""
    rows = rows[windows.count[rows] > 0]
    if not rows.size:
        return
    at, offsets = ranges(begins[rows], begins[rows] + windows.count[rows])
    t_us = times.t_us[at]
    _, finger = bits_of(windows.differs[rows])
    of = np.repeat(np.arange(len(rows)), windows.count[rows])
    first_us = np.minimum.reduceat(t_us, offsets)
    # It leads where no other is so near that their order is open.
    near = t_us - first_us[of] < max(uncertainty_us, 1)
    lead = np.add.reduceat(np.where(near, finger, 0), offsets)
    times.lead[rows] = np.where(np.add.reduceat(near, offsets, dtype=np.intp) == 1, lead, NO_LEAD)
    times.start_us[rows], times.spread_us[rows] = first_us, np.maximum.reduceat(t_us, offsets) - first_us


def _before_bounces(t_us: NDArray[np.int64], begins: Indices, ends: Indices, bounce_us: int) -> Indices:
    """For each group of toggles, the one into the new state from which every later departure is a bounce."""
    settle = ends.copy()
    open_ = np.arange(len(settle))
    while open_.size:
        last = settle[open_]
        earlier = last - 2 >= begins[open_]
        open_, last = open_[earlier], last[earlier]
        bounces = t_us[last] - t_us[last - 1] < bounce_us
        open_ = open_[bounces]
        settle[open_] -= 2
    return settle


def joined(window: Indices, at: Indices, edge_us: NDArray[np.int64], covered: NDArray[np.uint8]) -> Runs:
    """Stretches `at` as runs: those that follow one another in one window on one note are one."""
    mask = covered.take(at)
    note = SOUND.take(mask)
    starts = np.ones(len(at), dtype=bool)
    starts[1:] = (window[1:] != window[:-1]) | (note[1:] != note[:-1]) | (at[1:] != at[:-1] + 1)
    begins = starts.nonzero()[0]
    ends = np.append(begins[1:], len(at))[: len(begins)] - 1
    start_us = edge_us.take(at.take(begins))
    lasts_us = edge_us.take(at.take(ends) + 1) - start_us
    return Runs(window.take(begins), note.take(begins), mask.take(begins), start_us, lasts_us)


def strays_in(
    windows: Windows,
    edges: InWindows,
    returns: Returns,
    explained: NDArray[np.bool_],
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
) -> Runs:
    """The stray runs of the windows that nothing else explains."""
    third = edges.sound != windows.from_note.take(edges.window)
    third &= edges.sound != windows.to_note.take(edges.window)
    third[edges.outside] = False
    place = third.nonzero()[0]
    of = edges.window.take(place)
    outside = explained | (windows.from_note == windows.to_note)
    if outside.any():
        inside = ~outside.take(of)
        place, of = place[inside], of[inside]
    at = place + edges.begin
    if returns.window.size:
        bits, mask, stood = returns.finger_bits.take(of), covered.take(at), windows.from_mask.take(of)
        put_back = SOUND.take((mask & ~bits) | (stood & bits))
        of_return = TOP_OPEN_BIT.take(mask) & bits & stood != 0
        of_return |= (put_back == windows.from_note.take(of)) | (put_back == windows.to_note.take(of))
        stray = ~(of_return & (bits != 0))
        of, at = of[stray], at[stray]
    strays = joined(of, at, edge_us, covered)
    return strays.take(strays.duration_us > 0)


@dataclass(slots=True)
class Certain:
    """What the errors of the edges allow to be said of windows.

    `own_us` and `common_us` are those of the fingers that differ, flat in order of window and finger. `clear`, of each
    window: every other finger is later than the first by more than the uncertainty of these two edges; `spread_us`: the
    uncertainty of the time from the first finger to the last.
    """

    own_us: NDArray[np.float64]
    common_us: NDArray[np.float64]
    clear: NDArray[np.bool_]
    spread_us: NDArray[np.float64]


def certain(
    t_us: NDArray[np.int64], differs: NDArray[np.uint8], from_mask: NDArray[np.uint8], errors: EdgeErrors
) -> Certain:
    """What can be said of `finger_times`, by the errors of their edges; in each window some finger differs."""
    window, finger = bits_of(differs)
    own_us, common_us = errors.of(t_us, finger, from_mask.take(window) >> finger & 1 != 0)
    counts = POPCOUNT.take(differs).astype(np.intp)
    begins = np.cumsum(counts) - counts
    # Of each window the first finger and the last; of several at once the lowest, and the highest.
    place = np.arange(len(t_us))
    first, last = (
        least.reduceat(np.where(t_us == least.reduceat(t_us, begins).repeat(counts), place, none), begins)
        for least, none in ((np.minimum, len(t_us)), (np.maximum, -1))
    )
    to_first = first.repeat(counts)
    need_us = apart_us(own_us, common_us, own_us.take(to_first), common_us.take(to_first))
    near = t_us - t_us.take(to_first) < np.maximum(need_us, 1.0)
    near[first] = False
    clear = ~np.logical_or.reduceat(near, begins)
    return Certain(own_us, common_us, clear, need_us.take(last))


def sounds_surely(
    strays: Runs, edge_us: NDArray[np.int64], covered: NDArray[np.uint8], errors: EdgeErrors
) -> NDArray[np.bool_]:
    """Whether each run lasts longer than the uncertainty of its two edges, so that it was there at all."""
    if errors.budget is None or not len(strays.window):
        return np.ones(len(strays.window), dtype=bool)
    unsure_us = lengths_unsure_us(strays.start_us, strays.start_us + strays.duration_us, edge_us, covered, errors)
    return np.asarray(strays.duration_us >= unsure_us)


def lengths_unsure_us(
    start_us: NDArray[np.int64],
    end_us: NDArray[np.int64],
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    errors: EdgeErrors,
) -> NDArray[np.float64]:
    """The expanded uncertainty of each length, by the two edges at which it begins and ends."""
    sizes: list[NDArray[np.float64]] = []
    for at_us in (start_us, end_us):
        at = np.searchsorted(edge_us[: len(covered)], at_us)
        at = np.clip(at, 1, len(covered) - 1)
        toggled = covered[at] ^ covered[at - 1]
        finger = HOLE_OF_BIT[toggled & -toggled.astype(np.int16)].astype(np.int64)
        sizes += errors.of(at_us, finger, covered[at - 1] >> finger & 1 != 0)
    return apart_us(*sizes)


def touches(start_us: NDArray[np.int64], end_us: NDArray[np.int64], doubts: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether each stretch, ends included, touches one of the doubtful spans, int64[k, 2]."""
    begun = np.searchsorted(np.sort(doubts[:, 0]), end_us, side="right")
    over = np.searchsorted(np.sort(doubts[:, 1]), start_us, side="left")
    return begun > over
