"""The chanter, written here once more: nine fingerings, what a mask sounds, what the fingers of a change can sound.

The rule is that the topmost open hole names the note. Notes are 0 (low G) to 8 (high A), fingers 0 (thumb) to 7 (bottom
little); in a mask 1 is covered. Times are µs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

LETTERS = "GABcdefga"
# Low G to high A; the thumb first, then the top hand and the bottom hand downwards; 1 is covered.
CHART = """
    1111 1111
    1111 1110
    1111 1100
    1111 1001
    1111 0001
    1110 1110
    1100 1110
    1000 1110
    0001 1110
"""
STANDARD = tuple(int(line.replace(" ", "")[::-1], 2) for line in CHART.split("\n") if line.strip())
# From here a third note counts as heard; below, as finger scatter.
HEARD_US = 10_000

Edge = tuple[int, int]
Times = Mapping[int, int]


@dataclass(frozen=True, slots=True)
class Sound:
    """One note sounding without a break."""

    note: int
    start_us: int
    end_us: int

    @property
    def lasts_us(self) -> int:
        return self.end_us - self.start_us


def sound_of(mask: int) -> int:
    """The note of a covered mask: its topmost open hole names it."""
    return next((8 - hole for hole in range(8) if not mask >> hole & 1), 0)


def shape_of(sound: int, hand: int) -> int:
    """The mask of a grace note on the fingering of `hand`: its own hole open, all holes above it covered."""
    hole = 8 - sound
    return (STANDARD[hand] | (1 << hole) - 1) & ~(1 << hole) & 0xFF


def movers(before_mask: int, after_mask: int) -> list[int]:
    return [finger for finger in range(8) if (before_mask ^ after_mask) >> finger & 1]


def sounds_of(edges: Sequence[Edge], end_us: int) -> list[Sound]:
    """What sounds, stretch by stretch."""
    out: list[Sound] = []
    for (start_us, mask), (until_us, _) in pairwise([*edges, (end_us, 0)]):
        note = sound_of(mask)
        if out and out[-1].note == note:
            out[-1] = replace(out[-1], end_us=until_us)
        elif until_us > start_us:
            out.append(Sound(note, start_us, until_us))
    return out


def edges_of(first_mask: int, motions: Iterable[tuple[int, int]]) -> list[Edge]:
    """The masks that motions (time, finger) make, each motion turning its finger over."""
    edges = [(0, first_mask)]
    for t_us, finger in sorted(motions):
        mask = edges[-1][1] ^ 1 << finger
        if edges[-1][0] == t_us:
            edges.pop()
        edges.append((t_us, mask))
    return edges


@cache
def third_notes(before: int, after: int) -> frozenset[int]:
    """The notes that the direct change can sound in between, whatever the order of its fingers."""
    masks = {STANDARD[before]}
    for finger in movers(STANDARD[before], STANDARD[after]):
        masks |= {mask ^ 1 << finger for mask in masks}
    return frozenset(map(sound_of, masks)) - {before, after}


def run_fingers(before: int, after: int) -> list[tuple[int, str, int]]:
    """(finger, "early" or "late", note of its run): each finger that sounds a third note by being out of turn alone."""
    first, last = STANDARD[before], STANDARD[after]
    return [
        (finger, way, sound_of(mask ^ 1 << finger))
        for finger in movers(first, last)
        for way, mask in (("early", first), ("late", last))
        if sound_of(mask ^ 1 << finger) not in (before, after)
    ]


RUN_CHANGES = tuple((a, b) for a in range(9) for b in range(9) if third_notes(a, b))


def mending_fingers(before_mask: int, times: Times) -> tuple[int, ...]:
    """The fingers that could each, moved alone to the time of another, take every heard third note away."""

    def is_heard(moved: Times) -> bool:
        edges = edges_of(before_mask, ((t_us, finger) for finger, t_us in moved.items()))
        inside = sounds_of(edges, edges[-1][0] + 1)
        meant = (inside[0].note, inside[-1].note)
        return any(sound.note not in meant and sound.lasts_us >= HEARD_US for sound in inside)

    return tuple(
        finger for finger in times if not all(is_heard({**times, finger: other}) for other in set(times.values()))
    )
