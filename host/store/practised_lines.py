"""One line of what was practised, read and written. Anything may stand in a file: nothing is taken on trust."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields
from datetime import date
from typing import Literal, TypeVar

from fingering.notes import NOTES
from host.store.lines import GREATEST_LINE

SCHEMA = "fingerlead-practised-1"
LONGEST_KEY = 64
MOST = 1_000_000  # of anything on one line; nobody plays a change that often between two savings

_NOTE = {name: note for note, name in enumerate(NOTES)}
_CHANGE = {f"{NOTES[a]} to {NOTES[b]}": (a, b) for a in range(9) for b in range(9) if a != b}
_CHANGE_NAME = {pair: name for name, pair in _CHANGE.items()}


@dataclass(slots=True)
class ChangeCounts:
    """One directed change on one day; what is none of clean, stray and loose went into a false fingering."""

    tried: int = 0
    clean: int = 0
    stray: int = 0
    loose: int = 0

    def sound(self) -> bool:
        """Whether the counts can be true."""
        return self.clean + self.stray + self.loose <= self.tried


@dataclass(slots=True)
class NoteCounts:
    """First tries at reading one note on one day, and how many of them were right."""

    tried: int = 0
    right: int = 0

    def sound(self) -> bool:
        """Whether the counts can be true."""
        return self.right <= self.tried


@dataclass(frozen=True, slots=True)
class Passing:
    """A row of a rung was filled: row 1 without a beat, row 2 with one."""

    day: date
    rung: str
    row: Literal[1, 2]


@dataclass(slots=True)
class Counting:
    """What was played on a day."""

    day: date
    changes: dict[tuple[int, int], ChangeCounts] = field(default_factory=dict)
    notes: dict[int, NoteCounts] = field(default_factory=dict)


Line = Passing | Counting

K = TypeVar("K")
C = TypeVar("C", ChangeCounts, NoteCounts)


class LineError(ValueError):
    """A line that is none of ours; `str()` says what was expected and what came."""


def to_line(what: Line) -> dict[str, object]:
    """The object to write."""
    head: dict[str, object] = {"schema": SCHEMA, "kind": "passed", "day": what.day.isoformat()}
    if isinstance(what, Passing):
        return {**head, "rung": what.rung, "row": what.row}
    changes = {_CHANGE_NAME[pair]: asdict(counts) for pair, counts in sorted(what.changes.items())}
    notes = {NOTES[note]: asdict(counts) for note, counts in sorted(what.notes.items())}
    return {**head, "kind": "counts", "changes": changes, "notes": notes}


def read_line(data: bytes) -> Line:
    """What a line says; raises LineError."""
    if len(data) > GREATEST_LINE:
        raise LineError(f"expected at most {GREATEST_LINE} bytes, got {len(data)}")
    try:
        what = json.loads(data)
    except (ValueError, RecursionError):
        raise LineError("expected a JSON object, got something damaged") from None
    if not isinstance(what, dict) or what.get("schema") != SCHEMA:
        raise LineError(f"expected an object of the schema {SCHEMA}")
    day = _day(what.get("day"))
    if what.get("kind") == "passed":
        rung, row = what.get("rung"), what.get("row")
        if not isinstance(rung, str) or not 0 < len(rung) <= LONGEST_KEY or not rung.isprintable():
            raise LineError("expected the key of a rung")
        if type(row) is not int or row not in (1, 2):
            raise LineError("expected row 1 or 2")
        return Passing(day, rung, 1 if row == 1 else 2)
    if what.get("kind") == "counts":
        return Counting(
            day,
            _table(what.get("changes"), _CHANGE, ChangeCounts),
            _table(what.get("notes"), _NOTE, NoteCounts),
        )
    raise LineError("expected the kind passed or counts")


def _day(text: object) -> date:
    if isinstance(text, str) and len(text) == 10:
        try:
            day = date.fromisoformat(text)
        except ValueError:
            pass
        else:
            # Other spellings of a date (week and day) are as long.
            if day.isoformat() == text:
                return day
    raise LineError("expected a day such as 2026-11-25")


def _table(given: object, names: dict[str, K], kind: type[C]) -> dict[K, C]:
    if not isinstance(given, dict) or not given.keys() <= names.keys():
        raise LineError("expected counts by name")
    found: dict[K, C] = {}
    for name, counts in given.items():
        wanted = {column.name for column in fields(kind)}
        if not isinstance(counts, dict) or counts.keys() != wanted:
            raise LineError(f"expected {', '.join(sorted(wanted))} of {name}")
        if not all(type(number) is int and 0 <= number <= MOST for number in counts.values()):
            raise LineError(f"expected whole numbers of {name}, from 0 to {MOST}")
        found[names[name]] = kind(**counts)
        if not found[names[name]].sound():
            raise LineError(f"expected no more outcomes of {name} than tries")
    return found
