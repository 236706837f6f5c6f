"""In which order the fingers of a change should move, and what it says in words.

`moves` tells which finger has to go before which; here that becomes groups of fingers, one group after the other, and a
line of advice. Where a finger may go at any time, it goes with the fingers that do as it does: lifting ones first
(taught everywhere: open the note you go to before you close the one you leave; common practice).
"""

from __future__ import annotations

from collections.abc import Sequence

from fingering.holes import FINGERS
from fingering.moves import Move, move
from fingering.notes import NOTES


def order(from_note: int, to_note: int) -> tuple[tuple[int, ...], ...]:
    """Groups of fingers, one group after the other; within a group they may go together or in any order.

    However the fingers of a group go, no third note sounds as long as no finger of a later group is before them. One
    group where no order sounds a third note.
    """
    change = move(from_note, to_note)
    first, then, free = _parts(change)
    if not first:
        return (change.fingers,)
    early = [finger for finger in free if finger in change.lifts]
    late = [finger for finger in free if finger in change.lowers]
    return tuple(sorted([*first, *early])), tuple(sorted([*then, *late]))


def advice(from_note: int, to_note: int) -> str:
    """One line for a learner: which finger goes first, which last, or that it does not matter."""
    change = move(from_note, to_note)
    first, then, free = _parts(change)
    if len(change.fingers) == 1:
        verb = "lifts" if change.lifts else "comes down"
        return f"Only the {FINGERS[change.fingers[0]]} {verb}; keep the others still."
    if not first:
        return f"{_capital(_what(change, change.fingers))}, all at once; no other note can sound."
    told = f"{_capital(_what(change, first))} first, then {_what(change, then)}"
    if free:
        told += f"; {_the(free)} may go at any time"
    return f"{told}."


def change_text(from_note: int, to_note: int) -> str:
    """A change by its notes."""
    return f"{NOTES[from_note]} to {NOTES[to_note]}"


def _parts(change: Move) -> tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]:
    """The fingers that have to go before others, those that have to wait, and those that are free.

    There are no more than two stages: a third note sounds only until the finger of the upper note's hole has opened it
    (or after it has closed it), so all that has to be ordered is ordered against that one finger.
    """
    first = tuple(sorted({before for before, _ in change.before}))
    then = tuple(sorted({after for _, after in change.before}))
    return first, then, tuple(finger for finger in change.fingers if finger not in (*first, *then))


def _what(change: Move, fingers: Sequence[int]) -> str:
    """`lift the bottom ring and put down the bottom little`."""
    lifts = [finger for finger in fingers if finger in change.lifts]
    lowers = [finger for finger in fingers if finger in change.lowers]
    parts = [f"lift {_the(lifts)}"] if lifts else []
    if lowers:
        parts.append(f"put down {_the(lowers)}")
    return " and ".join(parts)


def _the(fingers: Sequence[int]) -> str:
    names = [FINGERS[finger] for finger in fingers]
    return f"the {names[0]}" if len(names) == 1 else f"the {', '.join(names[:-1])} and {names[-1]}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
