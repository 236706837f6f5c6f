"""Which finger went out of turn in a change, and was it early or late: from times, from a mask, or from a note.

Question: between two notes a third one sounded, a stray. Which finger has to move elsewhere in the order?
Conventions: notes 0 to 8, fingers 0 to 7, times in integer µs from any origin; each finger of a change moves once.

Geometry: a *mend* moves one finger to the instant of another one and leaves no third note. There always is one. On the
way up it is enough that the finger whose hole names the note to come goes first of all; on the way down, that the
finger whose hole names the note that is left goes last. The shortest mend is the diagnosis; of equal ones that of the
finger that stands furthest from the middle of the others, then that of an early finger.

- `diagnose_times` knows when each finger went, and takes the shortest mend as it is.
- `diagnose_mask` knows one mask that sounded: a change of two instants, at which the fingers that have moved go, and
  those that have not. So the smaller lot is out of turn; of equal lots, the one that has moved.
- `diagnose_note` knows the note alone. It sounds while its hole is open and every hole above it is covered: certain
  fingers have moved, and certain others have not. Each of them is an answer: on the other side of the rest, it ends
  this note. The fingers that are in neither lot went at any time.

What holds, and is tested over every order of all 72 changes:

- *One stray mask in the order*: times and mask agree on the finger and on how, **however unevenly the moves are
  spaced**, and both are among the answers of the note.
- *Several stray masks, of one note or of several*: the diagnosis from times ends all of them at once. It is the
  diagnosis of at least one of the masks, and among the answers of every note that sounded; the other masks may have
  answers of their own. Here spacing counts: where one mask is to speak for all, it is the one that stood longest.
- *A finger that takes no part*: times leave it out. In a mask it is `idle`, and comes first, if the mask sounds one of
  the two notes once it is back in its place. A mask for which no finger of the change went too soon or too late (all of
  them have moved, or none) has no other diagnosis; neither has one that no single finger would mend. The note alone
  never names such a finger.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import accumulate, groupby, permutations
from operator import xor
from statistics import median
from typing import Literal

from fingering.holes import fingers_of
from fingering.moves import move, moves, stray_masks
from fingering.notes import SOUNDING
from fingering.table import Table, standard_table


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """`finger` was `early`, before `others`, or `late`, after them; or it is `idle`: it takes no part, but moved.

    `apart_us` is how long before or after, 0 where no times are known. On the way up it is enough that `first` goes
    before all others, on the way down that `second` goes after them (`moves.hair`).
    """

    finger: int
    how: Literal["early", "late", "idle"]
    others: tuple[int, ...] = ()
    apart_us: int = 0

    @property
    def first(self) -> int:
        """The finger that should go before `second`, and went after it."""
        return self.others[0] if self.how == "early" else self.finger

    @property
    def second(self) -> int:
        """The finger that should go after `first`, and went before it."""
        return self.finger if self.how == "early" else self.others[0]


def diagnose_times(from_mask: int, to_mask: int, times_us: Mapping[int, int]) -> Diagnosis | None:
    """The finger to mend in a change, from the time of each finger that differs; None where no third note sounds."""
    return _shortest_mend(from_mask, (SOUNDING[from_mask], SOUNDING[to_mask]), times_us)


def diagnose_mask(from_note: int, to_note: int, stray_mask: int, table: Table | None = None) -> Diagnosis | None:
    """The finger but for which a mask within a change would have sounded one of its two notes; None where none is."""
    table = table or standard_table()
    change, notes = move(from_note, to_note, table), (from_note, to_note)
    before, after = table.standard[from_note], table.standard[to_note]
    for finger in fingers_of((stray_mask ^ before) & ~(before ^ after) & 0xFF):
        if SOUNDING[stray_mask ^ 1 << finger] in notes:
            return Diagnosis(finger, "idle")
    waits = {finger: (stray_mask ^ after) >> finger & 1 for finger in change.fingers}
    moved = sum(1 << finger for finger, waiting in waits.items() if not waiting)
    found = _shortest_mend(stray_mask ^ moved, notes, waits)
    if found is None:
        return None
    # Of the fingers on the other side, those that the change puts before it, or after it.
    pairs = change.before if found.how == "late" else [pair[::-1] for pair in change.before]
    others = tuple(b for a, b in pairs if a == found.finger and waits[a] != waits[b])
    return replace(found, others=others, apart_us=0) if others else None


def diagnose_note(from_note: int, to_note: int, stray: int) -> tuple[Diagnosis, ...]:
    """All fingers that may have been early or late where a stray is heard; none where the change cannot sound it."""
    change = move(from_note, to_note)
    before = standard_table().standard[from_note]
    moved = [mask ^ before for mask in stray_masks(from_note, to_note) if SOUNDING[mask] == stray]
    early = tuple(finger for finger in change.fingers if moved and all(bits >> finger & 1 for bits in moved))
    late = tuple(finger for finger in change.fingers if not any(bits >> finger & 1 for bits in moved)) if moved else ()
    return (*(Diagnosis(f, "early", late) for f in early), *(Diagnosis(f, "late", early) for f in late))


def _shortest_mend(mask: int, notes: tuple[int, int], times_us: Mapping[int, int]) -> Diagnosis | None:
    """The diagnosis of a change that starts on a mask; None where it sounds no third note, or no mend is found."""
    rank = {at_us: number for number, at_us in enumerate(sorted(set(times_us.values())))}
    found = []
    for finger, other in _mends(mask, notes, tuple((each, rank[at_us]) for each, at_us in times_us.items())):
        at_us, other_us = times_us[finger], times_us[other]
        apart_us = abs(at_us - median(us for each, us in times_us.items() if each != finger))
        found.append((abs(other_us - at_us), -apart_us, at_us > other_us, finger, other))
    if not found:
        return None
    by_us, _, late, finger, other = min(found)
    return Diagnosis(finger, "late" if late else "early", (other,), by_us)


@lru_cache(maxsize=4_096)
def _mends(mask: int, notes: tuple[int, int], ranks: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
    """Each finger, and the one to whose instant it may move, so that no third note is left; none where none sounds.

    `ranks` are the fingers of the change and the number of the instant at which each moves.
    """

    rank = dict(ranks)
    last = max(rank.values())

    def sounds_third(rank: Mapping[int, int]) -> bool:
        sounding = (sum(1 << finger for finger, at in rank.items() if at <= number) ^ mask for number in range(last))
        return any(SOUNDING[covered] not in notes for covered in sounding)

    if not sounds_third(rank):
        return ()
    pairs = [(finger, other) for finger in rank for other in rank if rank[other] != rank[finger]]
    return tuple(pair for pair in pairs if not sounds_third({**rank, pair[0]: rank[pair[1]]}))


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
    answers = diagnose_note(from_note, to_note, stray)
    if not answers:
        return None
    early, late = (tuple(d.finger for d in answers if d.how == how) for how in ("early", "late"))
    free = tuple(finger for finger in move(from_note, to_note).fingers if finger not in (*early, *late))
    found: dict[tuple[int, ...], list[tuple[int, ...]]] = {}
    for order in permutations(move(from_note, to_note).fingers):
        sounds = _strays(from_note, to_note, order)
        if stray in sounds:
            found.setdefault(sounds, []).append(order)
    ways = [Way(sounds, tuple(orders)) for sounds, orders in found.items()]
    ways.sort(key=lambda way: (len(way.sounds), -len(way.orders), way.sounds))
    return Heard(from_note, to_note, stray, early, late, free, tuple(ways))


def changes_with(stray: int) -> tuple[tuple[int, int], ...]:
    """The changes that can sound a stray."""
    return tuple((change.from_note, change.to_note) for change in moves() if stray in change.possible_strays)


def _strays(from_note: int, to_note: int, order: Sequence[int]) -> tuple[int, ...]:
    """The third notes that an order of the fingers sounds, in sequence."""
    masks = accumulate((1 << finger for finger in order), xor, initial=standard_table().standard[from_note])
    return tuple(note for note, _ in groupby(SOUNDING[mask] for mask in masks) if note not in (from_note, to_note))
