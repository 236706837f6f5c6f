"""From the ear alone: which orders of the fingers sound a given third note inside a change.

A note sounds while its hole is open and every hole above it is covered. So a stray sounds if at some moment certain
fingers have gone already, the *early* ones, and certain others have not, the *late* ones: every early finger went
before every late one, and the rest went at any time. That says all the orders that sound it at once; `Way` lists them
one by one, by all that they sound.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import permutations

from fingering.moves import move, possible_strays
from fingering.notes import NOTES, SOUNDING
from fingering.table import standard_table


@dataclass(frozen=True, slots=True)
class Way:
    """Orders of the fingers that sound the same strays, in the same sequence."""

    sounds: tuple[int, ...]
    orders: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Heard:
    """Why a stray sounds: each of the fingers `early` went before each of `late`; `free` went at any time.

    `ways` are all the orders that sound it, by what they sound altogether: the stray alone first, then by how many.
    """

    from_note: int
    to_note: int
    stray: int
    early: tuple[int, ...]
    late: tuple[int, ...]
    free: tuple[int, ...]
    ways: tuple[Way, ...]

    @property
    def orders(self) -> int:
        """How many orders of the fingers sound it."""
        return sum(len(way.orders) for way in self.ways)


def explain_stray(from_note: int, to_note: int, stray: int) -> Heard | None:
    """What must have happened where a stray is heard in a change; None where it cannot come from it."""
    if stray not in possible_strays(from_note, to_note):
        return None
    early, late = _condition(from_note, to_note, stray)
    fingers = move(from_note, to_note).fingers
    free = tuple(finger for finger in fingers if finger not in (*early, *late))
    found: dict[tuple[int, ...], list[tuple[int, ...]]] = {}
    for order, sounds in all_orders(from_note, to_note):
        if stray in sounds:
            found.setdefault(sounds, []).append(order)
    ways = [Way(sounds, tuple(orders)) for sounds, orders in found.items()]
    ways.sort(key=lambda way: (len(way.sounds), -len(way.orders), way.sounds))
    return Heard(from_note, to_note, stray, early, late, free, tuple(ways))


def all_orders(from_note: int, to_note: int) -> Iterator[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Every order of a change's fingers, with the strays that it sounds, in sequence."""
    start = standard_table().standard[from_note]
    for order in permutations(move(from_note, to_note).fingers):
        mask, sounds = start, [from_note]
        for finger in order:
            mask ^= 1 << finger
            if SOUNDING[mask] != sounds[-1]:
                sounds.append(SOUNDING[mask])
        yield order, tuple(note for note in sounds if note not in (from_note, to_note))


def where(stray: int) -> tuple[tuple[int, int], ...]:
    """The changes that can sound a stray."""
    notes = range(len(NOTES))
    return tuple((a, b) for a in notes for b in notes if stray in possible_strays(a, b))


def _condition(from_note: int, to_note: int, stray: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The fingers that have gone, and those that have not, at a moment at which a possible stray sounds."""
    change = move(from_note, to_note)
    # The hole that names the stray; below the last one for low G, which wants all of them covered.
    hole = len(NOTES) - 1 - stray
    early = {finger for finger in change.lowers if finger < hole} | {f for f in change.lifts if f == hole}
    late = {finger for finger in change.lifts if finger < hole} | {f for f in change.lowers if f == hole}
    return tuple(sorted(early)), tuple(sorted(late))
