"""What the studio's index keeps of a session, as rows of numbers and back: changes with their faults, movements,
written steps, pairs.

A change's row has the lengths of its strays, and the spreads of those that were apart, as little-endian u32, and its
faults as JSON; a movement's has what was not as written as JSON, a step's the notes that were wrong, and that of pairs
those that were not pointed. What this program did not write is refused: ValueError, TypeError or IndexError.
"""

import json
import math
import struct
from collections import Counter
from collections.abc import Sequence
from itertools import starmap
from typing import Any, get_args

from fingering.holes import HOLES
from fingering.movements import FAULTS, MOST_NOTES
from fingering.notes import ABC_LETTERS, NOTES
from fingerlead.timing.fault_words import NotAsWritten
from fingerlead.timing.movement_sums import COUNTED, MovementSummary
from fingerlead.timing.progress import Fault, Tally
from fingerlead.timing.pulse import PairVerdict
from fingerlead.timing.results import UNPLAIN
from fingerlead.timing.worth import PairsSummary, Unpointed, WrittenSummary

# The numbers of a change, in the order of their columns.
COUNTS = ("plain", *UNPLAIN)
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
    return t.from_note, t.to_note, t.plain, *t.beside, _packed(t.strays_us), _packed(t.spreads_us), faults


def change_in(strays: Any, spreads: Any, faults: Any, from_note: Any, to_note: Any, *counts: Any) -> Tally:
    """The change that a row says."""
    plain, *beside = whole(counts)
    lengths = _lengths(strays), _lengths(spreads)
    return Tally(note(from_note), note(to_note), plain, tuple(beside), *lengths, _faults(faults))


def movement_row(one: MovementSummary) -> tuple[object, ...]:
    """A movement's row, from its name on."""
    faults = json.dumps([[*what, times] for what, times in one.faults.items()], separators=(",", ":"))
    return one.name, one.to_note, *(one.verdicts[verdict] for verdict in COUNTED), faults


def movement_in(name: Any, to_note: Any, *cells: Any) -> MovementSummary:
    """The movement that a row says."""
    *counts, faults = cells
    verdicts = Counter({verdict: count for verdict, count in zip(COUNTED, whole(counts), strict=True) if count})
    return MovementSummary(movement_name(name), note(to_note), verdicts, _not_as_written(faults))


def written_row(one: WrittenSummary) -> tuple[object, ...]:
    """The row of a written step, from its notes on."""
    return one.from_note, one.to_note, one.count, json.dumps(one.wrong, separators=(",", ":"))


def written_in(from_note: Any, to_note: Any, count: Any, wrong: Any) -> WrittenSummary:
    """The written step that a row says."""
    (of_all,) = whole((count,))
    played = [(note(sounded), us) for sounded, us in json.loads(wrong)]
    whole([us for _, us in played])
    return WrittenSummary(note(from_note), note(to_note), of_all, played)


def pairs_row(one: PairsSummary) -> tuple[object, ...]:
    """The row of pairs of one kind."""
    return int(one.dotted), one.written_ratio, one.count, json.dumps(one.unpointed, separators=(",", ":"))


def pairs_in(dotted: Any, written_ratio: Any, count: Any, unpointed: Any) -> PairsSummary:
    """The pairs of one kind that a row says."""
    is_dotted, of_all = whole((dotted, count))
    return PairsSummary(
        bool(is_dotted), _ratio(written_ratio), of_all, [_unpointed(*one) for one in json.loads(unpointed)]
    )


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


def _packed(lengths_us: Sequence[int]) -> bytes:
    return struct.pack(f"<{len(lengths_us)}I", *(min(us, 0xFFFFFFFF) for us in lengths_us))


def _lengths(cell: Any) -> tuple[int, ...]:
    if not isinstance(cell, bytes) or len(cell) % 4:
        raise ValueError("no lengths")
    return struct.unpack(f"<{len(cell) // 4}I", cell) if cell else ()


def _unpointed(verdict: Any, played_ratio: Any, off_us: Any) -> Unpointed:
    whole((off_us,))
    if verdict not in get_args(PairVerdict):
        raise ValueError("no pair")
    return Unpointed(verdict, _ratio(played_ratio), off_us)


def _ratio(number: Any) -> float:
    if type(number) is not float or not (math.isfinite(number) and number > 0):
        raise ValueError("no ratio")
    return number


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
