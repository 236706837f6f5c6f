"""Which finger made a note that nobody asked for, told from the geometry of the change in which it sounded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fingering.holes import fingers_of, top_open_hole
from fingering.moves import move
from fingering.notes import SOUNDING
from fingering.table import Table, standard_table


@dataclass(frozen=True, slots=True)
class Blame:
    """The finger, what it did, and the fingers it should have waited for (`early`) or gone with (`late`)."""

    finger: int
    how: Literal["early", "late", "idle"]
    others: tuple[int, ...] = ()


def blame(from_note: int, to_note: int, stray_mask: int, table: Table | None = None) -> Blame | None:
    """The finger but for which a mask held within a change would have sounded one of its two notes.

    A finger that takes no part comes first. Else fingers have moved already or not yet; the smaller lot is out of turn,
    of equal lots the one that has moved: a single early finger, or a single late one. None where none can be told.
    """
    table = table or standard_table()
    if from_note == to_note:
        return None
    before, after = table.standard[from_note], table.standard[to_note]
    moving = before ^ after
    idle = (stray_mask ^ before) & ~moving & 0xFF
    moved, waiting = (stray_mask ^ before) & moving, (stray_mask ^ after) & moving
    mended = [
        finger for finger in fingers_of(moving | idle) if SOUNDING[stray_mask ^ (1 << finger)] in (from_note, to_note)
    ]
    for finger in mended:
        if idle >> finger & 1:
            return Blame(finger, "idle")
    first, second = (moved, waiting) if moved.bit_count() <= waiting.bit_count() else (waiting, moved)
    # Where no single finger would mend it, the topmost open hole's is the one that names the note.
    top = top_open_hole(stray_mask)
    for lot in (first, second):
        found = [finger for finger in mended if lot >> finger & 1]
        if not found and not mended and top is not None and lot >> top & 1:
            found = [top]
        if found:
            finger = _out_of_turn(found, from_note, to_note, table)
            return Blame(finger, *_beside(finger, moved, waiting, from_note, to_note, table))
    return None


def _out_of_turn(fingers: list[int], from_note: int, to_note: int, table: Table) -> int:
    """Of several the one whose order the change prescribes."""
    ordered = {finger for pair in move(from_note, to_note, table).before for finger in pair}
    return next((finger for finger in fingers if finger in ordered), fingers[0])


def _beside(
    finger: int, moved: int, waiting: int, from_note: int, to_note: int, table: Table
) -> tuple[Literal["early", "late"], tuple[int, ...]]:
    pairs = move(from_note, to_note, table).before
    if moved >> finger & 1:
        leads = tuple(a for a, b in pairs if b == finger and waiting >> a & 1)
        return "early", leads or fingers_of(waiting)
    follows = tuple(b for a, b in pairs if a == finger and moved >> b & 1)
    return "late", follows or fingers_of(moved)
