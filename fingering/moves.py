"""The geometry of a change: the orders its fingers can move in, what each can sound, who must lead, how hard it is.

A change goes from one note's standard mask to another's. Its fingers move one after another; between two of them the
mask stands as some subset of them moved, and may sound a third note, a stray. An order is *stray-free* if it passes
through no such mask. Nothing is typed in: all follows from the fingering table and the sounding rule. A stray-free
order there always is: lift from the top down, then lower from the bottom up.

Orders are counted over subsets (at most 2⁸ of them), not listed: `ahead` is the number of stray-free ways to reach a
subset, `onward` the number of ways to finish from it.

`Move.before` tells which finger has to go before which. All of it is against one finger, that of the upper note's hole:
a third note sounds only until that finger has opened the hole on the way up, or once it has closed it on the way down.
So all go together, that one a hair ahead on the way up, a hair behind on the way down: `hair` names it, `order` makes
two groups of it, `advice` a line of words.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import permutations
from typing import Literal

from fingering.holes import BOTTOM_HAND, FINGERS, TOP_HAND, fingers_of
from fingering.notes import NOTES, SOUNDING
from fingering.table import Table, standard_table

# Standard deviation of each finger's time around the moment meant, independent and normal. Assumed: no measurement on
# a chanter is known; for flautists delays of "typically tens of ms" are reported (Almeida and others, JASA 2009).
SCATTER_US = 12_000

# What a change costs, in milliseconds of expected stray time. Our own choice, not measured: a stray is heard and is the
# fault itself; a mask that fingers no note only colours the tone; each further finger is one more thing to place;
# a finger that goes against the rest of its hand is harder than that: B to C is a known trouble spot (common practice)
# though it can sound no stray.
FALSE_WEIGHT = 0.25
FINGER_WEIGHT = 1.0
AGAINST_WEIGHT = 4.0


@dataclass(frozen=True, slots=True)
class Move:
    """One of the 72 changes. Notes 0 to 8, fingers 0 to 7.

    `orders` is n! for the n moving fingers. `before` holds each pair (a, b) such that a moves before b in every
    stray-free order; `must_lead` is first and `must_follow` last in all of them, None where there is no single such
    finger or only one moves. `possible_strays` are the third notes that some order sounds. `difficulty` is at
    SCATTER_US.
    """

    from_note: int
    to_note: int
    way: Literal["one-way", "crossing"]
    lifts: tuple[int, ...]
    lowers: tuple[int, ...]
    orders: int
    stray_free_orders: int
    before: tuple[tuple[int, int], ...]
    must_lead: int | None
    must_follow: int | None
    possible_strays: tuple[int, ...]
    difficulty: float

    @property
    def fingers(self) -> tuple[int, ...]:
        """The fingers that move, from the thumb down."""
        return tuple(sorted((*self.lifts, *self.lowers)))


@lru_cache(maxsize=8)
def moves(table: Table | None = None) -> tuple[Move, ...]:
    """All 72 ordered changes of a table (the standard one by default), by first note, then second."""
    if table is None:
        return moves(standard_table())
    return tuple(_move(a, b, table) for a, b in permutations(range(len(NOTES)), 2))


def move(from_note: int, to_note: int, table: Table | None = None) -> Move:
    """One change between two different notes; ValueError for anything else."""
    if from_note == to_note or not (0 <= from_note < len(NOTES) and 0 <= to_note < len(NOTES)):
        raise ValueError(f"expected two different notes from 0 to {len(NOTES) - 1}; got {from_note} and {to_note}")
    return moves(table)[from_note * (len(NOTES) - 1) + to_note - (to_note > from_note)]


@lru_cache(maxsize=1024)
def possible_strays(from_note: int, to_note: int, table: Table | None = None) -> frozenset[int]:
    """The third notes that a direct change can sound, in some order of its fingers; none from a note to itself."""
    return frozenset(SOUNDING[mask] for mask in stray_masks(from_note, to_note, table))


def stray_masks(from_note: int, to_note: int, table: Table | None = None) -> list[int]:
    """The masks of a direct change that sound a third note: some of its fingers have moved, the others have not."""
    standard = (table or standard_table()).standard
    before, after = standard[from_note], standard[to_note]
    masks = [before ^ moved for moved in _subsets(before ^ after)]
    return [mask for mask in masks if SOUNDING[mask] not in (from_note, to_note)]


def difficulty(from_note: int, to_note: int, scatter_us: int = SCATTER_US, table: Table | None = None) -> float:
    """How hard a change is, in milliseconds of expected stray time; the same there and back.

    The fingers' times are independent and normal with standard deviation `scatter_us`. The sum of: expected stray time;
    FALSE_WEIGHT of the expected time in masks that sound either note but are a false fingering of it; FINGER_WEIGHT for
    each finger after the first; AGAINST_WEIGHT for each finger that goes against the rest of its hand.
    """
    table = table or standard_table()
    stray_time, false_time = _expected_times(from_note, to_note, table)
    before, after = table.standard[from_note], table.standard[to_note]
    fingers = (before ^ after).bit_count()
    against = sum(
        min((before & ~after & hand).bit_count(), (after & ~before & hand).bit_count())
        for hand in (TOP_HAND, BOTTOM_HAND)
    )
    scatter_ms = scatter_us / 1_000
    return (
        scatter_ms * (stray_time + FALSE_WEIGHT * false_time)
        + FINGER_WEIGHT * max(fingers - 1, 0)
        + AGAINST_WEIGHT * against
    )


def _move(from_note: int, to_note: int, table: Table) -> Move:
    start, end = table.standard[from_note], table.standard[to_note]
    differ = start ^ end
    fingers = fingers_of(differ)
    lifts, lowers = fingers_of(start & ~end), fingers_of(end & ~start)
    silent = {moved for moved in _subsets(differ) if SOUNDING[start ^ moved] in (from_note, to_note)}
    ahead = _ways(silent, fingers, 0)
    onward = _ways(silent, fingers, differ)

    def ways(first: int, without: int) -> int:
        # Stray-free orders in which `first` moves while none of `without` has.
        bit = 1 << first
        return sum(count * onward.get(moved | bit, 0) for moved, count in ahead.items() if not moved & (bit | without))

    before = tuple((a, b) for a, b in permutations(fingers, 2) if ways(b, 1 << a) == 0)
    # How many of the others each finger goes before, and after, in every stray-free order.
    leads, follows = (Counter(pair[end] for pair in before) for end in (0, 1))
    most = len(fingers) - 1
    return Move(
        from_note,
        to_note,
        "crossing" if lifts and lowers else "one-way",
        lifts,
        lowers,
        math.factorial(len(fingers)),
        onward[0],
        before,
        next((finger for finger in fingers if leads[finger] == most > 0), None),
        next((finger for finger in fingers if follows[finger] == most > 0), None),
        tuple(sorted(possible_strays(from_note, to_note, table))),
        difficulty(from_note, to_note, SCATTER_US, table),
    )


def _subsets(bits: int) -> list[int]:
    """All subsets of a bit set, smallest number first."""
    subset, found = 0, [0]
    while subset != bits:
        subset = (subset - bits) & bits
        found.append(subset)
    return found


def _ways(silent: set[int], fingers: tuple[int, ...], origin: int) -> dict[int, int]:
    """The number of stray-free ways from `origin` to each silent subset: by adding fingers from none, or removing."""
    ways = {origin: 1}
    for moved in sorted(silent, key=lambda subset: (subset ^ origin).bit_count()):
        if moved != origin:
            ways[moved] = sum(ways.get(moved ^ 1 << finger, 0) for finger in fingers if (moved ^ origin) >> finger & 1)
    return ways


@lru_cache(maxsize=1024)
def _expected_times(from_note: int, to_note: int, table: Table) -> tuple[float, float]:
    """Expected time in stray masks, and in false fingerings of either note, in units of the scatter."""
    start, end = table.standard[from_note], table.standard[to_note]
    count = (start ^ end).bit_count()
    stray = false = 0.0
    for moved in _subsets(start ^ end)[1:-1]:
        expected = _expected_time(count, moved.bit_count())
        if SOUNDING[start ^ moved] not in (from_note, to_note):
            stray += expected
        elif table.verdict(start ^ moved).fingering == "false":
            false += expected
    return stray, false


@lru_cache(maxsize=64)
def _expected_time(fingers: int, moved: int) -> float:
    """Expected time during which one given set of `moved` of `fingers` fingers has moved and the others have not.

    The integral of Φᵏ(1 − Φ)ⁿ⁻ᵏ; times the number of such sets, it is the expected gap between neighbouring order
    statistics. The trapezoid rule is exact to rounding for so smooth a function that vanishes at both ends.
    """
    step = 0.0625
    below = [0.5 * math.erfc(-(i * step) / math.sqrt(2)) for i in range(-160, 161)]
    # The upper tail is the lower one mirrored: 1 − Φ(x) would lose its digits.
    return step * math.fsum(p**moved * q ** (fingers - moved) for p, q in zip(below, reversed(below), strict=True))


def order(from_note: int, to_note: int) -> tuple[tuple[int, ...], ...]:
    """The finger that goes a hair ahead and the rest, or the rest and the one a hair behind; one group where none does.

    However the fingers of a group go, no third note sounds as long as no finger of a later group is before them.
    """
    change, one = move(from_note, to_note), hair_finger(from_note, to_note)
    if one is None:
        return (change.fingers,)
    rest = tuple(finger for finger in change.fingers if finger != one)
    return ((one,), rest) if to_note > from_note else (rest, (one,))


def hair(from_note: int, to_note: int, first: int, second: int) -> int:
    """Of two fingers, one of which has to go before the other, the one that goes a hair ahead, or behind, of all."""
    return first if to_note > from_note else second


def hair_finger(from_note: int, to_note: int) -> int | None:
    """The finger of a change that goes a hair ahead of all others, or behind them; None where it does not matter."""
    pair = next(iter(move(from_note, to_note).before), None)
    return None if pair is None else hair(from_note, to_note, *pair)


def hair_words(from_note: int, to_note: int) -> str:
    """`a hair ahead` on the way up, `a hair behind` on the way down."""
    return f"a hair {'ahead' if to_note > from_note else 'behind'}"


def advice(from_note: int, to_note: int) -> str:
    """One line for a learner: what the fingers do together, and which of them goes a hair ahead or behind."""
    change = move(from_note, to_note)
    if len(change.fingers) == 1:
        verb = "lifts" if change.lifts else "comes down"
        return f"Only the {FINGERS[change.fingers[0]]} {verb}; keep the others still."
    aside = {hair(from_note, to_note, *pair): f" ({hair_words(from_note, to_note)})" for pair in change.before}
    moved = (("lift", change.lifts), ("put down", change.lowers))
    parts = [f"{verb} the {_named(some, aside)}" for verb, some in moved if some]
    return f"Together, {' and '.join(parts)}{'' if change.before else '; no other note can sound'}."


def change_text(from_note: int, to_note: int) -> str:
    """A change by its notes."""
    return f"{NOTES[from_note]} to {NOTES[to_note]}"


def _named(fingers: Sequence[int], aside: Mapping[int, str]) -> str:
    """`bottom index, middle (a hair ahead) and ring`: each hand named once, and what is said aside of a finger."""
    names = []
    for before, finger in zip((None, *fingers[:-1]), fingers, strict=True):
        hand, _, name = FINGERS[finger].partition(" ")
        same = before is not None and FINGERS[before].startswith(f"{hand} ")
        names.append((name if same else FINGERS[finger]) + aside.get(finger, ""))
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
