"""What a learner has practised: rungs passed or left, changes and first tries counted by day; a file that only grows.

One line of `practised.jsonl` is one object, of the schema `fingerlead-practised-1`:
    {"schema", "kind": "passed", "day": "2026-11-25", "rung": "low-a-b", "row": 2}
    {"schema", "kind": "left", "day", "rung"}
    {"schema", "kind": "played", "day", "us"}
    {"schema", "kind": "counts", "day", "changes": {"low A to B": {"tried", "clean", "stray", "apart"}},
     "notes": {"B": {"tried", "right"}}, "movements": {"grip": {"tried", "right"}}}
    {"schema", "kind": "taken back", "day", "changes"}
Passed on one day, a rung is confirmed when it is passed on a later one. Row 1 is the first of two in older files: alone
it passes nothing. Left is a rung from which the learner went on while it was not yet clean. Counts of one day add up
over its lines, and `movements` may be missing; a change that was something else after all is taken back from what the
lines above have counted. Lines
that are damaged, or not ours, are passed over with a remark: nothing in a file is taken on trust. Two programs may add
to one file; each sees what was there when it opened it, and what it adds itself. Only `open_progress` and
`Progress.keep` touch the disk.
"""

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Literal, TypeVar

from fingering.movements import LONGEST_NAME
from fingering.notes import NOTES
from fingerlead.store.files import LineError, append_line, make_private, object_in, own_folder, read_lines, why_not

SCHEMA = "fingerlead-practised-1"
LONGEST_KEY = 64
MOST_MOVEMENTS = 2_000  # of different names in a file: twice what one table has
MOST = 1_000_000  # of anything on one line; no change is played that often between two savings

DAY_US = 86_400_000_000

_NOTE = {name: note for note, name in enumerate(NOTES)}
_CHANGE = {f"{NOTES[a]} to {NOTES[b]}": (a, b) for a in range(9) for b in range(9) if a != b}
_SAID_BEFORE = {"loose": "apart"}
_CHANGE_NAME = {pair: name for name, pair in _CHANGE.items()}


@dataclass(slots=True)
class ChangeCounts:
    """One directed change on one day; what is none of clean, stray and apart went into a false fingering."""

    tried: int = 0
    clean: int = 0
    stray: int = 0
    apart: int = 0

    def sound(self) -> bool:
        """Whether the counts can be true."""
        return self.clean + self.stray + self.apart <= self.tried


@dataclass(slots=True)
class NoteCounts:
    """First tries at reading one note on one day, or all tries at a movement, and how many of them were right."""

    tried: int = 0
    right: int = 0

    def sound(self) -> bool:
        """Whether the counts can be true."""
        return self.right <= self.tried


@dataclass(frozen=True, slots=True)
class Passing:
    """A rung was passed, or once more on another day; nothing where it is the first `row` of two, of before."""

    day: date
    rung: str
    row: Literal[1, 2] = 2


@dataclass(frozen=True, slots=True)
class Leaving:
    """The learner went on from a rung that was not yet clean."""

    day: date
    rung: str


@dataclass(frozen=True, slots=True)
class Sounded:
    """For how long notes sounded on a day, beside what other lines say."""

    day: date
    us: int


@dataclass(slots=True)
class Counting:
    """What was played on a day."""

    day: date
    changes: dict[tuple[int, int], ChangeCounts] = field(default_factory=dict)
    notes: dict[int, NoteCounts] = field(default_factory=dict)
    movements: dict[str, NoteCounts] = field(default_factory=dict)


@dataclass(slots=True)
class Uncounted:
    """What was counted on a day, and was something else, or nothing."""

    day: date
    changes: dict[tuple[int, int], ChangeCounts] = field(default_factory=dict)


Line = Passing | Leaving | Sounded | Counting | Uncounted

K = TypeVar("K")
C = TypeVar("C", ChangeCounts, NoteCounts)


def to_line(what: Line) -> dict[str, object]:
    """The object to write."""
    head: dict[str, object] = {"schema": SCHEMA, "kind": "passed", "day": what.day.isoformat()}
    if isinstance(what, Passing):
        return {**head, "rung": what.rung, "row": what.row}
    if isinstance(what, Leaving):
        return {**head, "kind": "left", "rung": what.rung}
    if isinstance(what, Sounded):
        return {**head, "kind": "played", "us": what.us}
    changes = {_CHANGE_NAME[pair]: asdict(counts) for pair, counts in sorted(what.changes.items())}
    if isinstance(what, Uncounted):
        return {**head, "kind": "taken back", "changes": changes}
    notes = {NOTES[note]: asdict(counts) for note, counts in sorted(what.notes.items())}
    movements = {name: asdict(counts) for name, counts in sorted(what.movements.items())}
    return {**head, "kind": "counts", "changes": changes, "notes": notes} | (
        {"movements": movements} if movements else {}
    )


def read_line(data: bytes) -> Line:
    """What a line says; raises LineError."""
    what = object_in(data)
    if what.get("schema") != SCHEMA:
        raise LineError(f"expected an object of the schema {SCHEMA}")
    day = _day(what.get("day"))
    if what.get("kind") in ("passed", "left"):
        rung, row = what.get("rung"), what.get("row")
        if not isinstance(rung, str) or not 0 < len(rung) <= LONGEST_KEY or not rung.isprintable():
            raise LineError("expected the key of a rung")
        if what["kind"] == "left":
            return Leaving(day, rung)
        if type(row) is not int or row not in (1, 2):
            raise LineError("expected row 1 or 2")
        return Passing(day, rung, 1 if row == 1 else 2)
    if what.get("kind") == "played":
        us = what.get("us")
        if type(us) is not int or not 0 < us <= DAY_US:
            raise LineError(f"expected microseconds from 1 to {DAY_US}")
        return Sounded(day, us)
    if what.get("kind") == "counts":
        changes = _table(what.get("changes"), _CHANGE, ChangeCounts)
        return Counting(day, changes, _table(what.get("notes"), _NOTE, NoteCounts), _movements(what))
    if what.get("kind") == "taken back":
        return Uncounted(day, _table(what.get("changes"), _CHANGE, ChangeCounts))
    raise LineError("expected the kind passed, left, played, counts or taken back")


def _day(text: object) -> date:
    with contextlib.suppress(ValueError):
        day = date.fromisoformat(str(text))
        # Of several spellings of a date (week and day) only this one is ours.
        if day.isoformat() == text:
            return day
    raise LineError("expected a day such as 2026-11-25")


def _movements(what: Mapping[str, object]) -> dict[str, NoteCounts]:
    """What a line says of movements, by their names; lines of before they were counted say nothing."""
    given = what.get("movements", {})
    names = list(given) if isinstance(given, dict) else []
    if not all(0 < len(name) <= LONGEST_NAME and name.isprintable() for name in names):
        raise LineError("expected the names of movements")
    return _table(given, {name: name for name in names}, NoteCounts)


def _table(given: object, names: dict[str, K], kind: type[C]) -> dict[K, C]:
    if not isinstance(given, dict) or not given.keys() <= names.keys():
        raise LineError("expected counts by name")
    found: dict[K, C] = {}
    wanted = {column.name for column in fields(kind)}
    for name, counts in given.items():
        if isinstance(counts, dict) and "apart" not in counts:
            # Lines of before stages were asked for say loose.
            counts = {_SAID_BEFORE.get(key, key): number for key, number in counts.items()}
        if not isinstance(counts, dict) or counts.keys() != wanted:
            raise LineError(f"expected {', '.join(sorted(wanted))} of {name}")
        if not all(type(number) is int and 0 <= number <= MOST for number in counts.values()):
            raise LineError(f"expected whole numbers of {name}, from 0 to {MOST}")
        read = found[names[name]] = kind(**counts)
        if not read.sound():
            raise LineError(f"expected no more outcomes of {name} than tries")
    return found


# --- All that the lines say, in memory.

# `unclean`: left while it was not yet clean, and not passed since. `due`: passed on another day, and to come back.
State = Literal["open", "unclean", "passed", "due", "confirmed"]

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
    """What was practised could not be written to `path`: `why`. Nothing is lost: `keep` again later."""

    def __init__(self, path: Path, why: str) -> None:
        self.path, self.why = path, why
        super().__init__(f"{path}: {why}")


@dataclass(slots=True)
class RungRecord:
    """The days on which a rung was first left unclean, passed, and confirmed; None where it was not."""

    left_on: date | None = None
    passed_on: date | None = None
    confirmed_on: date | None = None


@dataclass(frozen=True, slots=True)
class Weak:
    """A directed change, or a movement, that goes wrong: `wrong` is the share, 0 to 1, the latest days weighing most.

    `change` is empty for a movement, and `movement` its name.
    """

    change: tuple[int, ...]
    wrong: float
    tried: float
    movement: str = ""


@dataclass(frozen=True, slots=True)
class Week:
    """Seven days up to one: for how long notes sounded, and the keys of rungs that became clean, and of those passed
    again when they came back.
    """

    played_us: int
    became_clean: tuple[str, ...]
    came_back: tuple[str, ...]


@dataclass
class Progress:
    """All that is known of a learner; two are equal when they know the same. In memory only without a `path`."""

    path: Path | None = field(default=None, compare=False)
    remarks: tuple[str, ...] = field(default=(), compare=False)
    _rungs: dict[str, RungRecord] = field(default_factory=dict)
    _changes: dict[tuple[int, int], dict[date, ChangeCounts]] = field(default_factory=dict)
    _notes: dict[int, dict[date, NoteCounts]] = field(default_factory=dict)
    _movements: dict[str, dict[date, NoteCounts]] = field(default_factory=dict)
    _played: dict[date, int] = field(default_factory=dict)
    _unkept_played: dict[date, int] = field(default_factory=dict, compare=False)
    _unkept_rungs: list[Passing | Leaving] = field(default_factory=list, compare=False)
    _unkept_counts: dict[date, Counting] = field(default_factory=dict, compare=False)
    _unkept_back: dict[date, Uncounted] = field(default_factory=dict, compare=False)

    def rung_passed(self, day: date, rung: str) -> None:
        """A rung was passed, or, where it was before, confirmed."""
        self._at_rung(Passing(day, rung))

    def rung_left(self, day: date, rung: str) -> None:
        """The learner went on from a rung that is not yet clean."""
        self._at_rung(Leaving(day, rung))

    def _at_rung(self, line: Passing | Leaving) -> None:
        self._unkept_rungs.append(line)
        self._learn(line)

    def note_played(self, day: date, us: int) -> None:
        """A note sounded for so long."""
        if us > 0:
            self._played[day] = self._played.get(day, 0) + us
            self._unkept_played[day] = self._unkept_played.get(day, 0) + us

    def change_played(self, day: date, change: tuple[int, int], outcome: str) -> None:
        """A plain change was played; `outcome` is clean, stray or apart, or anything else that is not clean."""
        counts = _counts_of(outcome)
        self._learn(Counting(day, {change: counts}))
        _add(self._unkept_counts.setdefault(day, Counting(day)).changes, change, counts)

    def change_taken_back(self, day: date, change: tuple[int, int], outcome: str) -> None:
        """A change that was played was something else, or nothing."""
        back = Uncounted(day, {change: _counts_of(outcome)})
        self._learn(back)
        unkept = self._unkept_counts.get(day, Counting(day)).changes
        if _can_take(unkept.get(change), back.changes[change]):
            _take(unkept, change, back.changes[change])
        else:
            _add(self._unkept_back.setdefault(day, Uncounted(day)).changes, change, back.changes[change])

    def note_read(self, day: date, note: int, right: bool) -> None:
        """A lit note was tried for the first time."""
        counts = NoteCounts(1, int(right))
        self._learn(Counting(day, {}, {note: counts}))
        _add(self._unkept_counts.setdefault(day, Counting(day)).notes, note, counts)

    def movement_played(self, day: date, name: str, right: bool) -> None:
        """A written movement was played as it is written, or was not."""
        counts = NoteCounts(1, int(right))
        self._learn(Counting(day, {}, {}, {name: counts}))
        _add(self._unkept_counts.setdefault(day, Counting(day)).movements, name, counts)

    def keep(self) -> None:
        """Write down what is not written yet; raises NotKept."""
        if self.path is None:
            return
        try:
            if self.path.exists() and not self.path.is_file():
                raise NotKept(self.path, "what is there is no file")
            make_private(self.path.parent)
            while self._unkept_rungs:
                append_line(self.path, to_line(self._unkept_rungs[0]))
                del self._unkept_rungs[0]
            for day, us in list(self._unkept_played.items()):
                append_line(self.path, to_line(Sounded(day, min(us, DAY_US))))
                del self._unkept_played[day]
            unkept: dict[date, Counting] | dict[date, Uncounted]
            for unkept in (self._unkept_counts, self._unkept_back):
                for day in list(unkept):
                    if unkept[day] != type(unkept[day])(day):
                        append_line(self.path, to_line(unkept[day]))
                    del unkept[day]
        except OSError as error:
            raise NotKept(self.path, why_not(error)) from None

    def state(self, rung: str, today: date) -> State:
        """How far a rung is."""
        record = self._rungs.get(rung, RungRecord())
        if record.passed_on is None:
            return "open" if record.left_on is None else "unclean"
        if record.confirmed_on is not None:
            return "confirmed"
        return "due" if record.passed_on < today else "passed"

    def unclean(self) -> tuple[str, ...]:
        """The rungs that were left while not yet clean, and are not passed since, those left first first."""
        left = [(record.left_on, key) for key, record in self._rungs.items() if record.passed_on is None]
        return tuple(key for _, key in sorted((day, key) for day, key in left if day is not None))

    def passed(self) -> frozenset[str]:
        """The rungs that were passed, on whatever day."""
        return frozenset(rung for rung, record in self._rungs.items() if record.passed_on is not None)

    def passed_days(self) -> dict[str, tuple[date, ...]]:
        """Of each rung that was passed: the day on which it was, and that on which it was passed once more."""
        days = {key: (record.passed_on, record.confirmed_on) for key, record in self._rungs.items()}
        return {key: found for key, both in days.items() if (found := tuple(day for day in both if day is not None))}

    def due(self, today: date) -> tuple[str, ...]:
        """The rungs to confirm today, those passed first first."""
        found = [rung for rung in self._rungs if self.state(rung, today) == "due"]
        return tuple(sorted(found, key=lambda rung: (self._rungs[rung].passed_on or today, rung)))

    def week(self, today: date) -> Week:
        """The seven days up to one."""
        first = today - timedelta(days=6)
        played_us = sum(us for day, us in self._played.items() if first <= day <= today)
        return Week(played_us, *self.passed_between(first, today))

    def passed_between(self, first: date, last: date) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The keys of the rungs that became clean from one day to another, and of those that were passed again."""
        passed = {key: record.passed_on for key, record in self._rungs.items()}
        again = {key: record.confirmed_on for key, record in self._rungs.items()}
        became, came = (
            sorted((day, key) for key, day in days.items() if day is not None and first <= day <= last)
            for days in (passed, again)
        )
        return tuple(key for _, key in became), tuple(key for _, key in came)

    def weakest(self) -> tuple[Weak, ...]:
        """The changes and movements tried often enough, in one order, the weakest first."""
        found = []
        for change, days in self._changes.items():
            if sum(counts.tried for counts in days.values()) >= FEWEST:
                wrong = _faded(days, lambda counts: counts.tried - counts.clean)
                found.append(_weak(change, wrong, _faded(days, lambda counts: counts.tried)))
        for name, played in self._movements.items():
            if sum(counts.tried for counts in played.values()) >= FEWEST:
                wrong = _faded(played, lambda counts: counts.tried - counts.right)
                found.append(_weak((), wrong, _faded(played, lambda counts: counts.tried), name))
        return tuple(sorted(found, key=lambda weak: (-weak.wrong, weak.change, weak.movement)))

    def help_for(self, note: int) -> Literal[0, 1, 2]:
        """What help reading a note needs: 2 letter and fingering picture, 1 letter, 0 nothing."""
        days = self._notes.get(note, {})
        tried = _faded(days, lambda counts: counts.tried)
        right = _faded(days, lambda counts: counts.right)

        def sure(enough: float, share: float) -> bool:
            return right >= enough and right >= share * tried

        return 0 if sure(*READS_STAFF) else 1 if sure(*READS_LETTERS) else 2

    def _learn_read(self, line: Line) -> None:
        """Take in a line of the file. Raises LineError."""
        if isinstance(line, Counting) and len(self._movements.keys() | line.movements.keys()) > MOST_MOVEMENTS:
            raise LineError(f"expected at most {MOST_MOVEMENTS} different movements in all")
        self._learn(line)

    def _learn(self, line: Line) -> None:
        """Take in a line, written just now or read back: there is no other way in. Raises LineError."""
        if isinstance(line, Passing | Leaving):
            self._learn_rung(line)
            return
        if isinstance(line, Sounded):
            self._played[line.day] = self._played.get(line.day, 0) + line.us
            return
        if isinstance(line, Uncounted):
            for change, counts in line.changes.items():
                if not _can_take(self._changes.get(change, {}).get(line.day), counts):
                    raise LineError(f"expected no more of {_CHANGE_NAME[change]} taken back than was counted")
            for change, counts in line.changes.items():
                _take(self._changes[change], line.day, counts)
                if not self._changes[change]:
                    del self._changes[change]
            return
        for change, counts in line.changes.items():
            _add(self._changes.setdefault(change, {}), line.day, counts)
        for note, read in line.notes.items():
            _add(self._notes.setdefault(note, {}), line.day, read)
        for name, played in line.movements.items():
            _add(self._movements.setdefault(name, {}), line.day, played)

    def _learn_rung(self, line: Passing | Leaving) -> None:
        """What is known already (two programs tell the same) changes nothing."""
        if isinstance(line, Passing) and line.row == 1:
            return
        record = self._rungs.setdefault(line.rung, RungRecord())
        if isinstance(line, Leaving):
            record.left_on = record.left_on or line.day
        elif record.passed_on is None:
            record.passed_on = line.day
        elif record.passed_on < line.day and record.confirmed_on is None:
            record.confirmed_on = line.day


def open_progress(folder: Path | None = None) -> Progress:
    """What was practised so far, from a folder: by default the learner's own on this machine.

    `remarks` say what of the file cannot be read; what is practised is added to it all the same.
    """
    path = (folder or own_folder()) / FILE
    progress = Progress(path)
    remarks: list[str] = []
    try:
        for number, line in read_lines(path):
            try:
                progress._learn_read(read_line(line))
            except LineError as error:
                remarks.append(f"{path}, line {number}: {error}; it is passed over")
    except LineError as error:
        remarks = [f"{path}: {error}"]
    except OSError as error:
        remarks = [f"{path}: what was practised before could not be read ({error.strerror or error})"]
    more = len(remarks) - MOST_REMARKS
    progress.remarks = tuple(remarks[:MOST_REMARKS])
    if more > 0:
        progress.remarks += (f"{path}: {more} more lines are passed over",)
    return progress


def passed_days(folder: Path) -> dict[str, tuple[date, ...]]:
    """`Progress.passed_days` from a folder, by the lines alone that tell of it: a studio asks it of all its pupils."""
    progress = Progress()
    with contextlib.suppress(OSError, LineError):
        for _, line in read_lines(folder / FILE):
            with contextlib.suppress(LineError):
                if b'"passed"' in line:
                    progress._learn_read(read_line(line))
    return progress.passed_days()


def _weak(change: tuple[int, ...], wrong: float, tried: float, movement: str = "") -> Weak:
    return Weak(change, (wrong + WRONG_BEFORE) / (tried + TRIED_BEFORE), tried, movement)


def _counts_of(outcome: str) -> ChangeCounts:
    return ChangeCounts(1, *(int(outcome == kind) for kind in ("clean", "stray", "apart")))


def _can_take(known: ChangeCounts | None, counts: ChangeCounts) -> bool:
    """Whether what is left once `counts` are taken from what is known can be true."""
    if known is None:
        return False
    left = [getattr(known, column.name) - getattr(counts, column.name) for column in fields(counts)]
    return min(left) >= 0 and ChangeCounts(*left).sound()


def _take(of: dict[K, ChangeCounts], key: K, counts: ChangeCounts) -> None:
    """Take counts from those that are known; nothing stays where nothing is left."""
    for column in fields(counts):
        setattr(of[key], column.name, getattr(of[key], column.name) - getattr(counts, column.name))
    if not of[key].tried:
        del of[key]


def _faded(days: Mapping[date, C], number: Callable[[C], int]) -> float:
    """A number of each day's counts summed, the latest day weighing most."""
    return sum(FADES**age * number(days[day]) for age, day in enumerate(sorted(days, reverse=True)))


def _add(to: dict[K, C], key: K, counts: C) -> None:
    known = to.get(key)
    if known is None:
        to[key] = replace(counts)
        return
    for column in fields(counts):
        setattr(known, column.name, getattr(known, column.name) + getattr(counts, column.name))
