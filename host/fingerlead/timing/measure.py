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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.timing.edge_errors import EdgeErrors, apart_us
from fingerlead.timing.segment import HeldNotes, Indices, ranges
from fingerlead.timing.timeline import HOLE_OF_BIT, NO_NOTE, POPCOUNT, SOUND, TOP_OPEN_BIT

CLEAN, APART, STRAY, EMBELLISHED, EXTRA, PERHAPS, UNCLEAR, UNCERTAIN = range(8)
NO_LEAD = -1
NOT_MOVED = -1


@dataclass(slots=True)
class Windows:
    """The windows of neighbouring held notes (repeats of one note included) and the toggles in them."""

    held: Indices  # the first note's place among the held notes; the second is the next
    first: Indices  # edge number that leaves the first settled mask
    last: Indices  # edge number that reaches the second
    from_note: NDArray[np.uint8]
    to_note: NDArray[np.uint8]
    from_mask: NDArray[np.uint8]
    to_mask: NDArray[np.uint8]
    busy: NDArray[np.bool_]  # some finger moved more often than the change asks

    def __len__(self) -> int:
        return len(self.held)


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


def windows_between(notes: HeldNotes, covered: NDArray[np.uint8]) -> Windows:
    """A window for each two neighbouring held notes, none across hands off."""
    sounding = notes.note != NO_NOTE
    held = (sounding[:-1] & sounding[1:]).nonzero()[0]
    first, last = notes.last[held] + 1, notes.first[held + 1]
    from_mask, to_mask = notes.mask[held], notes.mask[held + 1]
    toggled = np.zeros(len(covered), dtype=np.int32)
    np.cumsum(POPCOUNT[covered[1:] ^ covered[:-1]], out=toggled[1:], dtype=np.int32)
    toggles = toggled[last] - toggled[first - 1]
    busy = toggles > POPCOUNT[from_mask ^ to_mask]
    return Windows(held, first, last, notes.note[held], notes.note[held + 1], from_mask, to_mask, busy)


def edges_in(windows: Windows) -> tuple[Indices, Indices]:
    """The edges in all windows, flat, and whose window each is in."""
    first, stop = windows.first, windows.last + 1
    at, _ = ranges(first, stop)
    return at, np.repeat(np.arange(len(first)), stop - first)


def finger_times(
    windows: Windows,
    at: Indices,
    window: Indices,
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    bounce_us: int,
) -> tuple[NDArray[np.int32] | NDArray[np.int64], Returns]:
    """The time of each finger that differs, counted from the window's first edge, and the fingers that returned.

    The times are [windows, 8], -1 where a finger does not differ; 32 bits wide where they fit.
    """
    begin_us = edge_us[windows.first]
    lasts_us = edge_us[windows.last] - begin_us
    narrow = np.int32 if not len(windows) or lasts_us.max() <= np.iinfo(np.int32).max else np.int64
    times = np.full((len(windows), HOLES), NOT_MOVED, dtype=narrow)
    after_us = (edge_us[at] - begin_us[window]).astype(narrow)
    toggled = covered[at] ^ covered[at - 1]
    busy = windows.busy[window].nonzero()[0]
    # Most edges move one finger and go in one sweep; those that move several are taken finger by finger. What this
    # writes into busy windows, where a finger moves more than once, is written over.
    single = POPCOUNT[toggled] == 1
    times[window[single], HOLE_OF_BIT[toggled[single]]] = after_us[single]
    together = (~single).nonzero()[0]
    if together.size:
        for finger in range(HOLES):
            some = together[toggled[together] >> finger & 1 != 0]
            times[window[some], finger] = after_us[some]
    returns = _busy_finger_times(windows, times, window[busy], toggled[busy], after_us[busy], bounce_us)
    returns.start_us += begin_us[returns.window]
    return times, returns


def _busy_finger_times(
    windows: Windows,
    times: NDArray[Any],
    window: Indices,
    toggled: NDArray[np.uint8],
    after_us: NDArray[Any],
    bounce_us: int,
) -> Returns:
    """Fill in the times of the busy windows, and find the excursions of the fingers that return."""
    finger_bits = np.zeros(len(windows), dtype=np.uint8)
    found: list[tuple[Indices, NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]] = []
    differs = windows.from_mask ^ windows.to_mask
    times[windows.busy.nonzero()[0]] = NOT_MOVED
    for finger in range(HOLES) if toggled.size else ():
        mine = (toggled >> finger & 1).nonzero()[0]
        if not mine.size:
            continue
        of, t_us = window[mine], after_us[mine].astype(np.int64)
        starts = np.concatenate(([True], of[1:] != of[:-1]))
        begins = starts.nonzero()[0]
        moved = differs[of[begins]] >> finger & 1 != 0
        ends = np.append(begins[1:], len(mine)) - 1
        times[of[begins[moved]], finger] = t_us[_before_bounces(t_us, begins[moved], ends[moved], bounce_us)]
        back = ~moved[np.cumsum(starts) - 1]
        finger_bits[of[back]] |= np.uint8(1 << finger)
        away = back.nonzero()[0][::2]  # a finger that returns toggles an even number of times
        found.append((of[away], np.full(len(away), finger, np.uint8), t_us[away], t_us[away + 1] - t_us[away]))
    if not found:
        none = np.zeros(0, dtype=np.int64)
        return Returns(finger_bits, none.astype(np.intp), none.astype(np.uint8), none, none.copy())
    of, fingers, start_us, duration_us = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.lexsort((fingers, start_us, of))
    return Returns(finger_bits, of[order], fingers[order], start_us[order], duration_us[order])


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
    note = SOUND[covered[at]]
    starts = np.ones(len(at), dtype=bool)
    starts[1:] = (window[1:] != window[:-1]) | (note[1:] != note[:-1]) | (at[1:] != at[:-1] + 1)
    begins = starts.nonzero()[0]
    ends = np.append(begins[1:], len(at))[: len(begins)] - 1
    start_us = edge_us[at[begins]]
    return Runs(window[begins], note[begins], covered[at[begins]], start_us, edge_us[at[ends] + 1] - start_us)


def strays_in(
    windows: Windows,
    at: Indices,
    window: Indices,
    returns: Returns,
    explained: NDArray[np.bool_],
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
) -> Runs:
    """The stray runs of the windows that nothing else explains."""
    note = SOUND[covered[at]]
    third = (note != windows.from_note[window]) & (note != windows.to_note[window])
    outside = explained | (windows.from_note == windows.to_note)
    if outside.any():
        third &= ~outside[window]

    bits = returns.finger_bits[window] if returns.window.size else np.zeros(0, dtype=np.uint8)
    returning = bits.nonzero()[0]
    if returning.size:
        of, mask, bits = window[returning], covered[at[returning]], bits[returning]
        stood = windows.from_mask[of]
        put_back = SOUND[(mask & ~bits) | (stood & bits)]
        of_return = TOP_OPEN_BIT[mask] & bits & stood != 0
        third[returning] &= ~(of_return | (put_back == windows.from_note[of]) | (put_back == windows.to_note[of]))
    strays = joined(window[third], at[third], edge_us, covered)
    return strays.take(strays.duration_us > 0)


def leads(
    times: NDArray[np.int32] | NDArray[np.int64], uncertainty_us: int
) -> tuple[NDArray[np.int8], NDArray[np.int64], NDArray[Any]]:
    """From `finger_times`: for each window the leading finger (NO_LEAD where too close to call), start and spread.

    The start is counted from the window's first edge. Every window must have a finger that differs.
    """
    by_finger = np.ascontiguousarray(times.T)
    # Read as unsigned, NOT_MOVED is the greatest of all numbers: never first, and as signed never last.
    unsigned: NDArray[Any] = by_finger.view(np.uint32 if times.dtype == np.int32 else np.uint64)
    first_us, second_us = unsigned[0].copy(), ~np.zeros_like(unsigned[0])
    for t_us in unsigned[1:]:
        np.minimum(second_us, np.maximum(first_us, t_us), out=second_us)
        np.minimum(first_us, t_us, out=first_us)
    lead = np.full(len(times), NO_LEAD, dtype=np.int8)
    clear = second_us - first_us >= max(uncertainty_us, 1)
    for finger, t_us in enumerate(unsigned):
        np.copyto(lead, np.int8(finger), where=clear & (t_us == first_us))
    return lead, first_us.astype(np.int64), by_finger.max(axis=0) - first_us.astype(times.dtype)


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
    times: NDArray[Any], begin_us: NDArray[np.int64], from_mask: NDArray[np.uint8], errors: EdgeErrors
) -> Certain:
    """What can be said of `finger_times`, counted from `begin_us`, by the errors of their edges."""
    window, finger = (times != NOT_MOVED).nonzero()
    after_us = times[window, finger].astype(np.int64)
    own_us, common_us = errors.of(after_us + begin_us[window], finger, from_mask[window] >> finger & 1 != 0)
    # Of each window its fingers by time, so that the first and the last stand at the ends.
    order = np.lexsort((after_us, window))
    counts = np.bincount(window, minlength=len(times))
    ends = np.cumsum(counts)
    first, last = order[ends - counts], order[ends - 1]
    to_first = first[window]
    need_us = apart_us(own_us, common_us, own_us[to_first], common_us[to_first])
    near = after_us - after_us[to_first] < np.maximum(need_us, 1.0)
    near[first] = False
    clear = np.bincount(window[near], minlength=len(times)) == 0
    return Certain(own_us, common_us, clear, need_us[last])


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
