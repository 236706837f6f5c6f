"""What the studio's index keeps of a session, as rows of numbers and back: changes with their faults, movements.

A change's row has the lengths of its strays as little-endian u32 and its faults as JSON; a movement's has what was not
as written as JSON. What this program did not write is refused: ValueError, TypeError or IndexError.
"""

import json
import struct
from collections import Counter
from collections.abc import Sequence
from itertools import starmap
from typing import Any

from fingering.holes import HOLES
from fingering.movements import FAULTS, MOST_NOTES
from fingering.notes import ABC_LETTERS, NOTES
from fingerlead.timing.fault_words import NotAsWritten
from fingerlead.timing.movement_sums import COUNTED, MovementSummary
from fingerlead.timing.progress import Fault, Tally
from fingerlead.timing.results import UNPLAIN

# The numbers of a change, in the order of their columns.
COUNTS = ("plain", "apart", *UNPLAIN)
# And those of a movement: how often each verdict was given.
VERDICT_COLUMNS = tuple(verdict.replace(" ", "_") for verdict in COUNTED)
LONGEST_NAME = 200
_NOTES = frozenset(range(len(NOTES)))
_HOLES = frozenset(range(HOLES))
_FAULT_CELLS = 7
_KINDS = frozenset((*FAULTS, "left out", "another"))


def change_row(t: Tally) -> tuple[object, ...]:
    """A change's row, from its notes on."""
    faults = json.dumps([[*f.cause, f.times, f.heard_us, f.apart_us] for f in t.faults], separators=(",", ":"))
    strays = struct.pack(f"<{len(t.strays_us)}I", *(min(us, 0xFFFFFFFF) for us in t.strays_us))
    return t.from_note, t.to_note, t.plain, t.apart, *t.beside, strays, faults


def change_in(strays: Any, faults: Any, from_note: Any, to_note: Any, *counts: Any) -> Tally:
    """The change that a row says."""
    plain, apart, *beside = whole(counts)
    if not isinstance(strays, bytes) or len(strays) % 4:
        raise ValueError("no strays")
    lengths = struct.unpack(f"<{len(strays) // 4}I", strays) if strays else ()
    return Tally(note(from_note), note(to_note), plain, apart, tuple(beside), lengths, _faults(faults))


def movement_row(one: MovementSummary) -> tuple[object, ...]:
    """A movement's row, from its name on."""
    faults = json.dumps([[*what, times] for what, times in one.faults.items()], separators=(",", ":"))
    return one.name, one.to_note, *(one.verdicts[verdict] for verdict in COUNTED), faults


def movement_in(name: Any, to_note: Any, *cells: Any) -> MovementSummary:
    """The movement that a row says."""
    *counts, faults = cells
    verdicts = Counter({verdict: count for verdict, count in zip(COUNTED, whole(counts), strict=True) if count})
    return MovementSummary(movement_name(name), note(to_note), verdicts, _not_as_written(faults))


def movement_name(name: Any) -> str:
    """A movement's name, where it is one."""
    if not (isinstance(name, str) and 0 < len(name) <= LONGEST_NAME and name.isprintable()):
        raise ValueError("no name")
    return name


def note(number: Any) -> int:
    """A note, where it is one."""
    if type(number) is not int or number not in _NOTES:
        raise ValueError("no note")
    return number


def whole(numbers: Sequence[Any]) -> Sequence[int]:
    """Whole numbers, where they are."""
    if not all(type(number) is int for number in numbers):
        raise ValueError("no whole numbers")
    return numbers


def _faults(text: str) -> tuple[Fault, ...]:
    # Most changes have none.
    rows = [] if text == "[]" else json.loads(text)
    for row in rows:
        is_whole = len(row) == _FAULT_CELLS and all(type(cell) in (int, bool) for cell in row)
        if not (is_whole and {row[0], row[2], row[3]} <= _HOLES):
            raise ValueError("no fault")
    return tuple(Fault((row[0], bool(row[1]), row[2], row[3]), *row[4:]) for row in rows)


def _not_as_written(text: str) -> Counter[NotAsWritten]:
    return Counter(dict(starmap(_told, [] if text == "[]" else json.loads(text))))


def _told(kind: Any, form: Any, place: Any, sounded: Any, instead: Any, times: Any) -> tuple[NotAsWritten, int]:
    texts = isinstance(form, str) and len(form) <= MOST_NOTES and set(form) <= set(ABC_LETTERS)
    whole((place, times))
    if kind not in _KINDS or not texts or not 0 <= place <= len(form) or times < 1:
        raise ValueError("no fault")
    what = NotAsWritten(kind, form, place, None if sounded is None else note(sounded))
    return what._replace(instead=movement_name(instead)) if instead else what, times
