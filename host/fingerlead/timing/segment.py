"""Which notes sounded, and the masks they settled on: what the reading reads.

Input everywhere: `edge_us` int64[n + 1], the times at which the mask changed, the first mask's start first and the end
of the last mask last; `covered` uint8[n], the mask that stood from `edge_us[j]` to `edge_us[j + 1]`, each different
from the one before.
A *stretch* is one such j; a *note stretch* is a run of them that sound one note. Intervals are half open.

Definitions (the wording is the project's own; nothing outside defines them):
- what interrupts a note for less than `bounce_us` in all is part of it;
- all holes open for `steady_us` is hands off, and parts the notes around it;
- a note's settled mask is the standard one if a stretch of it starts within `correction_us` of the note and outlasts
  every other mask's stretch after it, else the mask of the longest stretch (the first of equals);
- the window of a change runs from the end of the first note's last steady stretch of its settled mask to the start of
  the second's first; where none is steady, its longest stands for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HANDS_OFF
from fingerlead.timing.results import Settings
from fingerlead.timing.timeline import NO_NOTE, SOUND, Geometry

Indices = NDArray[np.intp]


@dataclass(slots=True)
class HeldNotes:
    """Held notes in order, hands-off stretches among them as NO_NOTE; all arrays of one length.

    `first` and `last` are the stretches with which the settled mask is first and last steady.
    """

    note: NDArray[np.uint8]
    mask: NDArray[np.uint8]
    start_us: NDArray[np.int64]
    end_us: NDArray[np.int64]
    begin: Indices  # the note stretch's first stretch
    stop: Indices  # the stretch after its last
    first: Indices
    last: Indices

    def __len__(self) -> int:
        return len(self.note)

    def take(self, at: Indices) -> HeldNotes:
        """The notes at these places."""
        return HeldNotes(
            self.note.take(at), self.mask.take(at), self.start_us.take(at), self.end_us.take(at),
            self.begin.take(at), self.stop.take(at), self.first.take(at), self.last.take(at),
        )  # fmt: skip


def ranges(begin: Indices, stop: Indices) -> tuple[Indices, Indices]:
    """The indices of every half-open range, end to end, and where each range starts in them. No range may be empty."""
    counts = stop - begin
    offsets = np.cumsum(counts) - counts
    return np.repeat(begin - offsets, counts) + np.arange(int(counts.sum())), offsets


def stretches_of(
    edge_us: NDArray[np.int64], covered: NDArray[np.uint8], settings: Settings, geometry: Geometry
) -> HeldNotes:
    """All stretches of one sounding note, hands off among them as NO_NOTE, with their settled masks.

    What interrupts a note for less than `bounce_us` in all is part of it.
    """
    is_steady = edge_us[1:] - edge_us[:-1] >= settings.steady_us
    code = SOUND.take(covered)
    code[is_steady & (covered == HANDS_OFF)] = NO_NOTE
    turns = (code[1:] != code[:-1]).nonzero()[0] + 1
    bounds = np.concatenate(([0], turns, [len(covered)]))
    bounds_us = edge_us.take(bounds)
    begin, stop, start_us, end_us = bounds[:-1], bounds[1:], bounds_us[:-1], bounds_us[1:]
    # Between two neighbours that are no chatter and sound alike, chatter that is short in all does not part them.
    solid = (end_us - start_us >= settings.bounce_us).nonzero()[0]
    before, after = solid[:-1], solid[1:]
    solid_note = code.take(begin.take(solid))
    alike = solid_note[1:] == solid_note[:-1]
    bridged = (alike & (start_us.take(after) - end_us.take(before) < settings.bounce_us)).nonzero()[0]
    if bridged.size:
        inside, _ = ranges(before[bridged] + 1, after[bridged] + 1)
        begins = np.ones(len(begin), dtype=bool)
        begins[inside] = False
        kept = begins.nonzero()[0]
        last = np.append(kept[1:], len(begin)) - 1
        begin, stop, start_us, end_us = begin[kept], stop[last], start_us[kept], end_us[last]
    note = code.take(begin)

    # Most notes are steady in one stretch alone, and settled there: it is the only one, or it is standard, in time, and
    # outlasts all the others, which are too short to be steady. The rest are looked into.
    up_to = np.zeros(len(covered) + 1, dtype=np.intp)
    is_steady.cumsum(out=up_to[1:])
    before = up_to.take(begin)
    once = up_to.take(stop) - before == 1
    places = np.append(is_steady.nonzero()[0], 0)
    first = np.where(once, places.take(before), begin)
    mask = covered.take(first)
    once &= (mask == geometry.standard.take(note)) & (edge_us.take(first) - start_us <= settings.correction_us)
    notes = HeldNotes(note, mask, start_us, end_us, begin, stop, first, first.copy())
    mixed = (~once & (stop - begin > 1)).nonzero()[0]
    if mixed.size:
        _settle(notes, mixed, edge_us, covered, settings, geometry)
    return notes


def _settle(
    notes: HeldNotes,
    mixed: Indices,
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    settings: Settings,
    geometry: Geometry,
) -> None:
    """Settle the notes at `mixed`, which changed masks: the mask, and its first and last steady stretch."""
    begin, stop = notes.begin.take(mixed), notes.stop.take(mixed)
    at, offsets = ranges(begin, stop)
    which = np.arange(len(mixed)).repeat(stop - begin)
    masks, start_us = covered.take(at), edge_us.take(at)
    lasts_us = edge_us.take(at + 1) - start_us
    is_standard = masks == geometry.standard.take(notes.note.take(mixed)).take(which)

    # The longest stretch of any other mask after each: a running maximum from the end, kept apart by note.
    others_us = np.where(is_standard, 0, lasts_us)
    apart = (len(mixed) - 1 - which) * (int(lasts_us.max()) + 1)
    after_us = np.zeros_like(lasts_us)
    after_us[:-1] = np.maximum.accumulate((others_us + apart)[::-1])[::-1][1:] - apart[:-1]
    np.maximum(after_us, 0, out=after_us)  # negative where the next stretch is another note's
    in_time = start_us - notes.start_us.take(mixed).take(which) <= settings.correction_us
    settles = np.logical_or.reduceat(is_standard & in_time & (lasts_us > after_us), offsets)

    # The longest stretch of the standard mask where that settles it, else of all.
    may_be = is_standard | ~settles.take(which)
    longest = _first_longest(np.where(may_be, lasts_us, -1), which, offsets)
    mask = masks.take(longest)
    steady = (masks == mask.take(which)) & (lasts_us >= settings.steady_us)
    first = np.minimum.reduceat(np.where(steady, at, len(covered)), offsets)
    last = np.maximum.reduceat(np.where(steady, at, -1), offsets)
    never = (last < 0).nonzero()[0]
    first[never] = last[never] = at.take(longest.take(never))
    notes.mask[mixed], notes.first[mixed], notes.last[mixed] = mask, first, last


def _first_longest(lasts_us: NDArray[np.int64], which: Indices, offsets: Indices) -> Indices:
    """For each group, where in the flat array its first greatest value stands."""
    greatest = np.maximum.reduceat(lasts_us, offsets)
    place = np.where(lasts_us == greatest.take(which), np.arange(len(lasts_us)), len(lasts_us))
    return np.minimum.reduceat(place, offsets)
