"""A session file read back, also one that a stranger made.

Nothing in a file is trusted: it is opened read-only, with only the known tables, to the letter, within limits of
size, and checked cell by cell. Reading leaves no file beside the session: where there is a write-ahead log (the session
is being recorded, or its recording was cut off), both are copied to another folder and read together there.
"""

import contextlib
import json
import re
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingering.movements import MovementError, Repertoire, repertoire_in
from fingerlead.plain_text import plain_line
from fingerlead.reading.asked import Clicks
from fingerlead.reading.between import STANDARD
from fingerlead.store.chanters import iso_time
from fingerlead.store.session_clicks import KIND, ClicksMark, read_marks
from fingerlead.store.session_file import (
    APPLICATION_ID,
    CARRIERS,
    MAGIC,
    SCHEMA,
    TABLES,
    VERSION,
    SessionError,
    beside,
    names_another_file,
)
from fingerlead.store.session_music import MOST_ROWS, MusicAt, MusicError, read_rows, unreadable
from fingerlead.timing.results import KnownSeal, KnownSkew
from fingerlead.wire.carriers import Carrier
from fingerlead.wire.events import Doubt, Record
from fingerlead.wire.plain_midi import NoteNumbers, PlainNotes, reads_of

MEASURED_SKEW = "measured_skew_us"  # in the description of a session
MUSIC_PROBLEM = "music_problem"  # there too, in a copy of one whose music could not be read
LONGEST_PROBLEM = 400
LEVELS_AT = "levels_at"  # there too: "seal" where the chanter's levels are known to be near it
BEYOND_SEAL = "beyond_seal"  # and how far they lie beyond it: of lifts, of coverings, by hole, in raw counts
OWN_MOVEMENTS, OWN_NAME = "own_movements", "own_movements_name"  # there too: a teacher's, as TOML, and its name
CALIBRATED = "calibrated"  # when that calibration was, in ISO
HEIGHTS = "heights"  # of which holes a bar showed the heights; of all holes, how far apart they may still be, in µm
LISTED = "listed"  # in its settings
GREATEST_FILE = 1 << 30
GREATEST_CELL = 1 << 24
GREATEST_TEXT = 1 << 16
MOST_META = 1_000
MOST_MARKS = 1_000_000
MOST_BATCHES = 1 << 20  # two days of playing without a rest
# A day of playing has fewer; the analysis takes half a kilobyte for each.
MOST_STATES = 2_000_000
GREATEST_US = 1 << 62
GREATEST_SKEW_US = 1_000_000
LOG_HEADER = 32
PAGE_SIZE_AT = 16
# A writer that never rests, on a busy machine, can spoil many copies in a row; one that saves what is played, none.
T = TypeVar("T")
SNAPSHOT_TRIES = 100


@dataclass(frozen=True, slots=True)
class PortMark:
    """The port was lost (`kind` "lost", with its cause) or found again ("back")."""

    host_us: int
    kind: str
    cause: str


@dataclass(frozen=True, slots=True)
class StoredSession:
    """What a session file holds.

    `arrivals` is k × 2 of int64: the offset in `data` at which a read began, and the host µs at which it arrived.
    `meta` has at least program_version, started_utc, port, carrier and settings (JSON) where this program wrote it.
    `asked` is its music; where that cannot be read there is none, and `music_problem` is one sentence.
    """

    data: bytes
    arrivals: NDArray[np.int64]
    carrier: Carrier
    meta: dict[str, str]
    marks: list[PortMark]
    asked: tuple[MusicAt, ...] = ()
    music_problem: str = ""
    clicked: tuple[ClicksMark, ...] = ()

    @property
    def clicks(self) -> tuple[Clicks, ...]:
        """The clicks of a metronome that was heard meanwhile."""
        return tuple(mark.clicks for mark in self.clicked)

    def reads(self) -> Iterator[tuple[bytes, int]]:
        """Each read and the host µs of its arrival."""
        return reads_of(self.data, self.arrivals)


def read_session(path: Path | str) -> StoredSession:
    """Read a whole session, one that is being written as it is at one instant; raises SessionError."""
    return _at_one_instant(Path(path), _read)


def read_begin(path: Path) -> str:
    """When a session began, as `started_utc` says, without its playing; raises SessionError."""
    return _at_one_instant(path, lambda db, path: begun_in(_description(db, path)))


def _at_one_instant(path: Path, read: Callable[[sqlite3.Connection, Path], T]) -> T:
    for _ in range(SNAPSHOT_TRIES):
        rest = _at_rest(path)
        try:
            found = _read_once(path, rest is not None, read)
        except SessionError:
            if rest in (None, _at_rest(path)):
                raise
        else:
            if rest in (None, _at_rest(path)):
                return found
    raise SessionError(path, _NEVER_AT_REST)


def _at_rest(path: Path) -> tuple[int, ...] | None:
    """What tells a session file without a log from the same file written on; None beside a log, or without the file.

    A session may be written on while it is read. Where it had no log before, it is read in place, and a log that comes
    meanwhile is moved into the file page by page: what was read then is none of its states.
    """
    with contextlib.suppress(OSError):
        state = path.stat()
        return None if _has_log(path) else (state.st_ino, state.st_size, state.st_mtime_ns)
    return None


def _read_once(path: Path, in_place: bool, read: Callable[[sqlite3.Connection, Path], T]) -> T:
    try:
        with path.open("rb") as file:
            if file.read(len(MAGIC)) != MAGIC:
                raise SessionError(path, f"{_EXPECTED}; this is something else. Name another file")
        with _opened(path.resolve(), in_place) as db:
            _check_schema(db, path)
            return read(db, path)
    except sqlite3.Error as error:
        raise SessionError(path, _damaged(str(error))) from None
    except (UnicodeDecodeError, OverflowError):
        raise SessionError(path, _damaged("text or a number in it is none")) from None
    except OSError as error:
        raise SessionError(path, f"it cannot be read: {error.strerror or error}") from None


def session_record(session: StoredSession) -> Record:
    """The holes over time in a session."""
    from fingerlead.wire.columns import read_record

    if session.carrier != "plain":
        return read_record(session.data, session.arrivals, session.carrier)
    notes = PlainNotes(*note_numbers(session))
    record = notes.read_record(session.reads())
    if len(record.t_us) and notes.first_us is not None:
        record.doubts += _times_away(session.marks, record.t_us, notes.first_us)
    return record


def too_long(record: Record) -> str:
    """Why a record cannot be analysed in bounded memory, in a sentence; nothing where it can."""
    count = len(record.t_us)
    if count <= MOST_STATES:
        return ""
    return f"expected at most {MOST_STATES} states of the holes, a day of playing; it has {count}. Record less at once"


def started_utc(session: StoredSession) -> str:
    """When a session began, ISO in UTC; nothing where it does not say."""
    return begun_in(session.meta)


def begun_in(meta: Mapping[str, str]) -> str:
    """The same from the description of a session."""
    try:
        return datetime.fromisoformat(meta.get("started_utc", "")).astimezone(UTC).isoformat()
    except (ValueError, OverflowError):
        return ""


def day_here(begun_utc: str) -> str:
    """The ISO day, by this machine's calendar, of when something began, ISO in UTC; nothing where that is nothing."""
    try:
        return datetime.fromisoformat(begun_utc).astimezone().date().isoformat()
    except (ValueError, OverflowError, OSError):
        return begun_utc[:10]


def begin_utc(day: str) -> str:
    """When an ISO day begins by this machine's calendar, ISO in UTC; a text that is no day as it is."""
    try:
        begun = datetime.combine(date.fromisoformat(day), time()).astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        return day
    # Without the offset it stands before the same moment with it.
    return begun.replace(tzinfo=None).isoformat()


def settings_of(session: StoredSession) -> dict[str, object]:
    """What a session was recorded with; nothing where that is damaged."""
    try:
        settings = json.loads(session.meta.get("settings", "{}"))
    except (ValueError, RecursionError):
        return {}
    return settings if isinstance(settings, dict) else {}


def stated_skew(session: StoredSession) -> KnownSkew | None:
    """How far apart the sensors may fire, where the session says it: given with its settings, or measured before."""
    skew_us = settings_of(session).get("skew_us")
    if isinstance(skew_us, int) and not isinstance(skew_us, bool) and 0 <= skew_us <= GREATEST_SKEW_US:
        return KnownSkew(skew_us)
    measured = session.meta.get(MEASURED_SKEW, "")
    if measured.isascii() and measured.isdigit() and len(measured) < 10 and int(measured) <= GREATEST_SKEW_US:
        return KnownSkew(int(measured), "measured")
    return None


def stated_seal(session: StoredSession) -> KnownSeal | None:
    """What the session says of its chanter's levels, None where nothing; what cannot be read is not used."""
    if session.meta.get(LEVELS_AT) != "seal":
        return None
    told = session.meta.get(BEYOND_SEAL, "")
    if not re.fullmatch(f"(-?[0-9]{{1,5}} ){{{2 * HOLES - 1}}}-?[0-9]{{1,5}}", told):
        return KnownSeal()
    sizes = tuple(map(int, told.split()))
    made, heights = iso_time(session.meta.get(CALIBRATED, "")), session.meta.get(HEIGHTS, "")
    if all_holes := re.fullmatch("all holes ([0-9]{1,3})", heights):
        return KnownSeal(sizes[:HOLES], sizes[HOLES:], made, "all holes", int(all_holes[1]) / 1_000)
    return KnownSeal(sizes[:HOLES], sizes[HOLES:], made, "front holes" if heights == "front holes" else "none")


def seal_meta(seal: KnownSeal | None) -> dict[str, str]:
    """What `stated_seal` finds, as a session's description has it."""
    if seal is None:
        return dict.fromkeys((LEVELS_AT, BEYOND_SEAL, CALIBRATED, HEIGHTS), "")
    heights = f"all holes {min(round(1_000 * seal.apart_mm), 999)}" if seal.heights == "all holes" else seal.heights
    beyond = " ".join(map(str, (*seal.lift_raw, *seal.cover_raw)))
    return {LEVELS_AT: "seal", BEYOND_SEAL: beyond, CALIBRATED: seal.made, HEIGHTS: heights}


def stated_movements(session: StoredSession) -> tuple[Repertoire, str]:
    """The movements that a session was played with, a teacher's own among them where it carries any.

    And, in a sentence, why these cannot be read, if so: then the program's own table counts.
    """
    text = session.meta.get(OWN_MOVEMENTS, "")
    if not text:
        return STANDARD, ""
    try:
        return repertoire_in(text, plain_line(session.meta.get(OWN_NAME, ""))[:LONGEST_PROBLEM]), ""
    except MovementError as error:
        where = "" if error.line is None else f"line {error.line}: "
        return STANDARD, f"Its own movements cannot be read, so the table's count: {where}{error.reason}."


def movements_meta(known: Repertoire) -> dict[str, str]:
    """What `stated_movements` finds, as a session's description has it; raises SessionError for what is too long."""
    if len(known.text) > GREATEST_TEXT:
        raise SessionError(
            Path(known.name),
            f"{known.name}: expected movements of at most {GREATEST_TEXT} letters, as a session keeps them; "
            f"these have {len(known.text)}. Leave some out",
        )
    return {OWN_MOVEMENTS: known.text, OWN_NAME: known.name}


def timed_as(session: StoredSession) -> Literal["session", "csv"]:
    """Whose times a session's are: a chanter's, or those of a list (CSV) that it was made of."""
    return "csv" if settings_of(session).get(LISTED) is True else "session"


def note_numbers(session: StoredSession) -> NoteNumbers:
    """Which notes a plain chanter played, by the settings it was recorded with; else the usual ones."""
    settings: dict[str, Any] = settings_of(session)
    try:
        numbers = NoteNumbers(int(settings["base_note"]), int(settings["channel"]))
        PlainNotes(*numbers)  # refuses what no MIDI note or channel is
    except (ValueError, OverflowError, TypeError, KeyError):
        return NoteNumbers()
    return numbers


def _times_away(marks: list[PortMark], t_us: NDArray[np.int64], first_us: int) -> Iterator[Doubt]:
    """Where a chanter without a clock of its own was away: from its last state before to its first one after."""
    lost_us = None
    for mark in marks:
        if mark.kind == "lost":
            lost_us = mark.host_us - first_us
        elif lost_us is not None:
            before = int(np.searchsorted(t_us, lost_us, "right")) - 1
            after = int(np.searchsorted(t_us, mark.host_us - first_us, "left"))
            if before >= 0 and after < len(t_us):
                yield Doubt(int(t_us[before]), int(t_us[after]), "gap")
            lost_us = None


@contextlib.contextmanager
def _opened(path: Path, in_place: bool) -> Iterator[sqlite3.Connection]:
    with contextlib.ExitStack() as stack:
        if in_place:
            # Immutable: SQLite then neither looks for nor makes a log, so a folder that cannot be written will do.
            uri = path.as_uri() + "?mode=ro&immutable=1"
            _check_size(path)
        else:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="fingerlead-")))
            copy = _snapshot(path, folder / "session")
            uri = copy.as_uri() + "?mode=rw"
        db = sqlite3.connect(uri, uri=True, isolation_level=None)
        stack.callback(db.close)
        db.execute("PRAGMA trusted_schema = OFF")
        db.execute("PRAGMA cell_size_check = ON")
        db.execute("PRAGMA mmap_size = 0")
        db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, GREATEST_CELL)
        db.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 0)
        yield db


def _check_size(path: Path) -> None:
    size = path.stat().st_size
    if size > GREATEST_FILE:
        raise SessionError(path, _TOO_BIG)
    with path.open("rb") as file:
        head = file.read(PAGE_SIZE_AT + 2)
    # SQLite takes the missing part of a last page for zeros. 1 stands for 65 536 (SQLite's file format, section 1.3).
    page_size = int.from_bytes(head[PAGE_SIZE_AT:], "big")
    if size % (65_536 if page_size == 1 else page_size or 1):
        raise SessionError(path, _damaged("it is cut off"))


def _has_log(path: Path) -> bool:
    for log in _logs(path):
        with contextlib.suppress(FileNotFoundError):
            if log.stat().st_size:
                return True
    return False


def _logs(path: Path) -> tuple[Path, Path]:
    return beside(path, "-wal"), beside(path, "-journal")


def _snapshot(path: Path, copy: Path) -> Path:
    """Copy the file and its log as they were at one instant.

    Pages that move from the log into the file meanwhile do no harm, as the copied log still has them; only a log begun
    anew would, and its header, looked at again after copying, shows that.
    """
    for _ in range(SNAPSHOT_TRIES):
        before = _header(path)
        if sum(each.stat().st_size for each in (path, *_logs(path)) if each.exists()) > GREATEST_FILE:
            raise SessionError(path, _TOO_BIG)
        shutil.copyfile(path, copy)
        for log, log_copy in zip(_logs(path), _logs(copy), strict=True):
            log_copy.unlink(missing_ok=True)
            with contextlib.suppress(FileNotFoundError):
                shutil.copyfile(log, log_copy)
        if names_another_file(copy):
            raise SessionError(path, f"{_EXPECTED}; the journal beside it names a file to be deleted. Do not trust it")
        if before == _header(copy) == _header(path):
            return copy
    raise SessionError(path, _NEVER_AT_REST)


def _header(path: Path) -> bytes:
    """The head of its write-ahead log; empty where there is none."""
    with contextlib.suppress(FileNotFoundError), beside(path, "-wal").open("rb") as log:
        return log.read(LOG_HEADER)
    return b""


def _check_schema(db: sqlite3.Connection, path: Path) -> None:
    (application_id,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if application_id != APPLICATION_ID & 0xFFFFFFFF:
        raise SessionError(path, f"{_EXPECTED}; this SQLite file belongs to another program. Name another file")
    if version > VERSION:
        raise SessionError(
            path, f"expected a session of version {VERSION}; this one is of version {version}. Use a newer fingerlead"
        )
    found = db.execute("SELECT type, name, sql FROM sqlite_master LIMIT 100").fetchall()
    for kind, name, sql in found:
        if kind != "table" or SCHEMA.get(name) != sql:
            raise SessionError(
                path, f"{_EXPECTED}; this one has a {_shown(kind)} named {_shown(name)} besides. Do not trust it"
            )
    missing = TABLES.get(version, SCHEMA.keys()) - {name for _, name, _ in found}
    if version not in TABLES or missing:
        raise SessionError(path, f"{_EXPECTED}; this one lacks {', '.join(sorted(missing)) or 'a version'}")


def _read(db: sqlite3.Connection, path: Path) -> StoredSession:
    # One by one, as damage to the music leaves the playing whole.
    for table in TABLES[1]:
        verdict = db.execute(f"PRAGMA quick_check({table})").fetchone()
        if verdict != ("ok",):
            raise SessionError(path, _damaged(str(verdict[0]).replace("\n", " ")))
    description = _description(db, path)
    carrier = next((each for each in CARRIERS if each == description.get("carrier")), None)
    if carrier is None:
        raise SessionError(path, _damaged(f"its carrier is {_shown(description.get('carrier'))}"))
    marks = _rows(db, path, "SELECT host_us, kind, cause FROM mark ORDER BY number", (int, str, str), MOST_MARKS)
    batches = _rows(
        db, path, "SELECT first_us, bytes, arrivals FROM batch ORDER BY number", (int, bytes, bytes), MOST_BATCHES
    )
    (lowest, highest, count) = db.execute("SELECT min(number), max(number), count(*) FROM batch").fetchone()
    if batches and (lowest, highest) != (1, count):
        raise SessionError(path, _damaged("its batches are not numbered from 1 on"))
    data, arrivals = _join(path, *batches) if batches else (b"", np.empty((0, 2), np.int64))
    every_mark = [PortMark(*each) for each in zip(*marks, strict=True)]
    port_marks = [mark for mark in every_mark if mark.kind != KIND]
    clicked = read_marks((mark.host_us, mark.cause) for mark in every_mark if mark.kind == KIND)
    asked, problem = _music(db)
    # A copy is made without music that cannot be read, and says so still.
    problem = problem or ("" if asked else plain_line(description.get(MUSIC_PROBLEM, ""))[:LONGEST_PROBLEM])
    return StoredSession(data, arrivals, carrier, description, port_marks, asked, problem, clicked)


def _description(db: sqlite3.Connection, path: Path) -> dict[str, str]:
    meta = _rows(db, path, "SELECT key, value FROM meta", (str, str), MOST_META)
    return dict(zip(*meta, strict=True)) if meta else {}


def _music(db: sqlite3.Connection) -> tuple[tuple[MusicAt, ...], str]:
    """The music of a session, and what is wrong with it; of a session of version 1 there is none."""
    if db.execute("PRAGMA user_version").fetchone() == (1,):
        return (), ""
    try:
        verdict = db.execute("PRAGMA quick_check(music)").fetchone()
        if verdict != ("ok",):
            raise MusicError(str(verdict[0]).replace("\n", " "))
        rows = db.execute(
            f"SELECT number, at_us, format, body, crc FROM music ORDER BY number LIMIT {MOST_ROWS + 1}"
        ).fetchall()
        return read_rows(rows), ""
    except (MusicError, sqlite3.Error, UnicodeDecodeError, OverflowError) as error:
        return (), unreadable(error)


def _rows(db: sqlite3.Connection, path: Path, query: str, types: tuple[type, ...], most: int) -> list[tuple[Any, ...]]:
    """The columns of a query; none where there are no rows."""
    rows = db.execute(f"{query} LIMIT {most + 1}").fetchall()
    if len(rows) > most:
        raise SessionError(path, _damaged(f"a table has more than {most} rows"))
    columns = list(zip(*rows, strict=True))
    for column, wanted in zip(columns, types, strict=False):
        if set(map(type, column)) != {wanted}:
            raise SessionError(path, _damaged(f"a cell that should be {wanted.__name__} is something else"))
        if wanted is str and max(map(len, column)) > GREATEST_TEXT:
            raise SessionError(path, _damaged(f"a text in it has more than {GREATEST_TEXT} letters"))
    return columns


def _join(
    path: Path, first_us: tuple[int, ...], pieces: tuple[bytes, ...], packed: tuple[bytes, ...]
) -> tuple[bytes, NDArray[np.int64]]:
    starts_us = np.array(first_us, dtype=np.int64)
    sizes = np.fromiter(map(len, pieces), np.int64, len(pieces))
    reads, rest = np.divmod(np.fromiter(map(len, packed), np.int64, len(packed)), 8)
    if rest.any() or not reads.all() or starts_us.max() > GREATEST_US or starts_us.min() < -GREATEST_US:
        raise SessionError(path, _damaged("a batch has no sound times of arrival"))
    columns = np.frombuffer(b"".join(packed), "<u4").reshape(-1, 2).astype(np.int64)
    first_read = np.cumsum(reads) - reads
    if (np.add.reduceat(columns[:, 0], first_read) != sizes).any():
        raise SessionError(path, _damaged("a batch has other bytes than its reads brought"))
    arrivals = np.empty_like(columns)
    np.cumsum(columns[:, 0], out=arrivals[:, 0])
    arrivals[:, 0] -= columns[:, 0]
    np.add(columns[:, 1], np.repeat(starts_us, reads), out=arrivals[:, 1])
    return b"".join(pieces), arrivals


_EXPECTED = "expected a session of fingerlead"
_NEVER_AT_REST = "expected a session at rest; this one changes all the time. Try again"
_TOO_BIG = f"expected a session of at most {GREATEST_FILE >> 20} MiB; this one is larger. Record shorter sessions"


def _damaged(what: str) -> str:
    return f"{_EXPECTED}, whole; this one is damaged ({what}). Copy it anew from where it was recorded"


def _shown(text: object) -> str:
    shown = repr(text)
    return shown if len(shown) <= 40 else shown[:39] + "…"
