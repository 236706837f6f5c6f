"""What a learner has practised: rows filled, changes and first tries counted by day; a file that only grows.

One line of `practised.jsonl` is one object, of the schema `fingerlead-practised-1`:
    {"schema", "kind": "passed", "day": "2026-11-25", "rung": "low-a-b", "row": 1 | 2}
    {"schema", "kind": "counts", "day", "changes": {"low A to B": {"tried", "clean", "stray", "loose"}},
     "notes": {"B": {"tried", "right"}}}
Row 1 was filled without a beat, row 2 with one. Counts of one day add up over its lines. Lines that are damaged, or not
ours, are passed over and told. Two programs may add to one file; each sees what was there when it opened it, and what
it adds itself. All here is in memory but `open_progress` and `Progress.keep`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import date
from pathlib import Path
from typing import Literal, TypeVar

from fingering.notes import NOTES
from fingerlead.store.files import GREATEST_FILE, GREATEST_LINE, append_line, own_folder

# --- One line of what was practised, read and written. Anything may stand in a file: nothing is taken on trust.

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


# ---

State = Literal["open", "passed", "due", "confirmed"]

FILE = "practised.jsonl"
MOST_REMARKS = 10
# A day counts half as much as the next later one on which the same thing was played. Our own choice.
FADES = 0.5
# A change tried less often than this says nothing of a weakness; our own choice.
FEWEST = 4
# As if every change had gone wrong once in four tries before: few tries make no weakness. Our own choice.
WRONG_BEFORE, TRIED_BEFORE = 1.0, 4.0
# The fingering picture goes after so many right first tries if they are such a share of all, then the letter after so
# many. Our own choice.
READS_LETTERS, READS_STAFF = (8.0, 0.8), (24.0, 0.9)


class NotKept(Exception):
    """What was practised could not be written down; `str()` is one sentence. Nothing is lost: `keep` again later."""


@dataclass(slots=True)
class RungRecord:
    """How far a rung is: `rows` filled, 0 to 4 (without a beat, with one, and both again on another day)."""

    rows: int = 0
    passed_on: date | None = None


@dataclass(frozen=True, slots=True)
class Weak:
    """A directed change that goes wrong: `wrong` is the share, 0 to 1, the latest days weighing most."""

    change: tuple[int, int]
    wrong: float
    tried: float


@dataclass
class Progress:
    """All that is known of a learner; two are equal when they know the same. In memory only without a `path`."""

    path: Path | None = field(default=None, compare=False)
    remarks: tuple[str, ...] = field(default=(), compare=False)
    _rungs: dict[str, RungRecord] = field(default_factory=dict)
    _changes: dict[tuple[int, int], dict[date, ChangeCounts]] = field(default_factory=dict)
    _notes: dict[int, dict[date, NoteCounts]] = field(default_factory=dict)
    _passings: list[Passing] = field(default_factory=list, compare=False)
    _counts: dict[date, Counting] = field(default_factory=dict, compare=False)

    # --- what was played ---

    def row_filled(self, day: date, rung: str, row: Literal[1, 2]) -> None:
        """A row of a rung was filled."""
        passing = Passing(day, rung, row)
        self._learn(passing)
        self._passings.append(passing)

    def change_played(self, day: date, change: tuple[int, int], outcome: str) -> None:
        """A plain change was played; `outcome` is clean, stray or loose, or anything else that is not clean."""
        counts = ChangeCounts(1, int(outcome == "clean"), int(outcome == "stray"), int(outcome == "loose"))
        self._learn(Counting(day, {change: counts}))
        _add(self._counts.setdefault(day, Counting(day)).changes, change, counts)

    def note_read(self, day: date, note: int, right: bool) -> None:
        """A lit note was tried for the first time."""
        counts = NoteCounts(1, int(right))
        self._learn(Counting(day, {}, {note: counts}))
        _add(self._counts.setdefault(day, Counting(day)).notes, note, counts)

    def keep(self) -> None:
        """Write down what is not written yet; raises NotKept."""
        if self.path is None:
            return
        try:
            if self.path.exists() and not self.path.is_file():
                raise NotKept(f"{self.path}: expected a file to keep what was practised; got something else")
            self.path.parent.mkdir(parents=True, exist_ok=True)
            while self._passings:
                append_line(self.path, to_line(self._passings[0]))
                del self._passings[0]
            for day in list(self._counts):
                append_line(self.path, to_line(self._counts[day]))
                del self._counts[day]
        except OSError as error:
            raise NotKept(
                f"{self.path}: what was practised could not be written down ({error.strerror or error}): it is tried "
                "again, free some room or look at who may write there"
            ) from None

    # --- what is known ---

    def state(self, rung: str, today: date) -> State:
        """How a rung stands: `due` where it was passed on another day and is to be confirmed."""
        record = self._rungs.get(rung)
        if record is None or record.rows < 2:
            return "open"
        if record.rows >= 4:
            return "confirmed"
        return "passed" if record.passed_on == today else "due"

    def next_row(self, rung: str, today: date) -> Literal[1, 2] | None:
        """The row to fill next; None where nothing is left to do today."""
        if self.state(rung, today) in ("passed", "confirmed"):
            return None
        return 2 if self._rows(rung) % 2 else 1

    def due(self, today: date) -> tuple[str, ...]:
        """The rungs to confirm today, those passed first first."""
        found = [rung for rung in self._rungs if self.state(rung, today) == "due"]
        return tuple(sorted(found, key=lambda rung: (self._rungs[rung].passed_on or today, rung)))

    def weakest(self) -> tuple[Weak, ...]:
        """The changes tried often enough, the weakest first."""
        found = []
        for change, days in self._changes.items():
            tried = sum(weight * counts.tried for weight, counts in _faded(days))
            wrong = sum(weight * (counts.tried - counts.clean) for weight, counts in _faded(days))
            if sum(counts.tried for counts in days.values()) >= FEWEST:
                found.append(Weak(change, (wrong + WRONG_BEFORE) / (tried + TRIED_BEFORE), tried))
        return tuple(sorted(found, key=lambda weak: (-weak.wrong, weak.change)))

    def help_for(self, note: int) -> Literal[0, 1, 2]:
        """What help reading a note needs: 2 letter and fingering picture, 1 letter, 0 nothing."""
        days = self._notes.get(note, {})
        tried = sum(weight * counts.tried for weight, counts in _faded(days))
        right = sum(weight * counts.right for weight, counts in _faded(days))

        def sure(enough: float, share: float) -> bool:
            return right >= enough and right >= share * tried

        return 0 if sure(*READS_STAFF) else 1 if sure(*READS_LETTERS) else 2

    def _rows(self, rung: str) -> int:
        record = self._rungs.get(rung)
        return 0 if record is None else record.rows

    def _learn(self, line: Line) -> None:
        """Take in a line, written just now or read back: there is no other way in."""
        if isinstance(line, Passing):
            # A row that is not the next one (two programs filled the same) changes nothing.
            if self.next_row(line.rung, line.day) == line.row:
                record = self._rungs.setdefault(line.rung, RungRecord())
                record.rows += 1
                if record.rows == 2:
                    record.passed_on = line.day
            return
        for change, counts in line.changes.items():
            _add(self._changes.setdefault(change, {}), line.day, counts)
        for note, read in line.notes.items():
            _add(self._notes.setdefault(note, {}), line.day, read)


def open_progress(folder: Path | None = None) -> Progress:
    """What was practised so far, from a folder: unless told, the learner's own on this machine.

    A file that cannot be read is told in `remarks`, and what is practised is added to it all the same.
    """
    if folder is None:
        folder = own_folder()
    progress = Progress(folder / FILE)
    progress.remarks = tuple(_read(progress, folder / FILE))
    return progress


def _read(progress: Progress, path: Path) -> Iterable[str]:
    try:
        if not path.exists():
            return []
        if not path.is_file() or path.stat().st_size > GREATEST_FILE:
            return [f"{path}: expected a file of at most {GREATEST_FILE >> 20} MB: nothing of it is read"]
        data = path.read_bytes()
    except OSError as error:
        return [f"{path}: what was practised before could not be read ({error.strerror or error})"]
    remarks: list[str] = []
    for number, line in enumerate(data.split(b"\n"), 1):
        if line.strip():
            try:
                progress._learn(read_line(line))
            except LineError as error:
                remarks.append(f"{path}, line {number}: {error}; it is passed over")
    more = len(remarks) - MOST_REMARKS
    return remarks if more <= 0 else [*remarks[:MOST_REMARKS], f"{path}: {more} more lines are passed over"]


def _faded(days: Mapping[date, C]) -> list[tuple[float, C]]:
    """The counts of each day with their weight, latest first."""
    return [(FADES**age, days[day]) for age, day in enumerate(sorted(days, reverse=True))]


def _add(to: dict[K, C], key: K, counts: C) -> None:
    known = to.get(key)
    if known is None:
        to[key] = replace(counts)
        return
    for column in fields(counts):
        setattr(known, column.name, getattr(known, column.name) + getattr(counts, column.name))
