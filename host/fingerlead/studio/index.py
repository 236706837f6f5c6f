"""The index of a studio: what each session says, in one SQLite file that can be made anew from the sessions.

It holds keys, numbers and the names of movements, no name of a person and no word that one wrote of another. `session`
has one row for each session file, `result` one for each directed change in it, `movement` one for each movement that it
asks for on one note; `index_rows` says what is in them.

A session is named by a digest of what was played. As a studio keeps it, it was written anew by this program: nothing
else of the file that was taken in comes along.
"""

import contextlib
import hashlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from fingering.table import standard_table
from fingerlead.store.files import close_to_others, open_private
from fingerlead.store.keeping import copy_session
from fingerlead.store.session_file import SessionError, names_another_file
from fingerlead.store.session_music import musics_of
from fingerlead.store.session_reading import (
    StoredSession,
    read_session,
    session_record,
    settings_of,
    started_utc,
    stated_movements,
    stated_seal,
    stated_skew,
    timed_as,
    too_long,
)
from fingerlead.studio.index_rows import (
    COUNTS,
    VERDICT_COLUMNS,
    change_in,
    change_row,
    movement_in,
    movement_name,
    movement_row,
    whole,
)
from fingerlead.studio.practised import keys_of, practised_in
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.tried import Tried, counts_of, tried_in
from fingerlead.timing.analysis import Analysis, analyse
from fingerlead.timing.movement_sums import MovementOn, MovementSummary, movement_sums
from fingerlead.timing.progress import Tally, tally
from fingerlead.timing.results import Settings
from fingerlead.timing.summary import playing_us
from fingerlead.timing.timeline import timing_of

DIGEST_LETTERS = 32
APPLICATION_ID = int.from_bytes(b"FLst", "big")
VERSION = 6
NAME = "index.sqlite"
# What SQLite says where a folder cannot be written to: READONLY, IOERR, FULL and CANTOPEN.
UNWRITABLE = {8, 10, 13, 14}
# After every day.
ENDLESS = "~"
SCHEMA = (
    "CREATE TABLE session (digest TEXT PRIMARY KEY, pupil TEXT NOT NULL, started_utc TEXT NOT NULL, "
    "playing_us INTEGER NOT NULL, uncertainty_us INTEGER NOT NULL, rungs TEXT NOT NULL, passed TEXT NOT NULL, "
    "problem TEXT NOT NULL, counts BLOB NOT NULL)",
    "CREATE INDEX session_of ON session (pupil, started_utc)",
    "CREATE TABLE result (digest TEXT NOT NULL, from_note INTEGER NOT NULL, to_note INTEGER NOT NULL, "
    f"{' INTEGER NOT NULL, '.join(COUNTS)} INTEGER NOT NULL, strays BLOB NOT NULL, faults TEXT NOT NULL, "
    "PRIMARY KEY (digest, from_note, to_note)) WITHOUT ROWID",
    "CREATE TABLE movement (digest TEXT NOT NULL, name TEXT NOT NULL, to_note INTEGER NOT NULL, "
    f"{' INTEGER NOT NULL, '.join(VERDICT_COLUMNS)} INTEGER NOT NULL, faults TEXT NOT NULL, "
    "PRIMARY KEY (digest, name, to_note)) WITHOUT ROWID",
    "CREATE TABLE chance (pupil TEXT PRIMARY KEY, of TEXT NOT NULL, chances BLOB NOT NULL) WITHOUT ROWID",
    "CREATE TABLE name (number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
)
TABLES = ("result", "movement", "session")
T = TypeVar("T")
MARKS = (f"PRAGMA application_id = {APPLICATION_ID}", f"PRAGMA user_version = {VERSION}")


class DaySpan(NamedTuple):
    """Days to compare, ISO: from `since` on, divided at `divide`, before `until`."""

    since: str
    divide: str
    until: str = ENDLESS


@dataclass(frozen=True, slots=True)
class IndexedSession:
    """One session in a studio. `rungs` are the keys of rungs and tunes that were practised, `passed` those that became
    clean, as the session itself says. `problem` tells why a file in the pupil's folder cannot be read.
    """

    digest: str
    pupil: str
    started_utc: str
    playing_us: int = 0
    uncertainty_us: int = 0
    rungs: tuple[str, ...] = ()
    passed: tuple[str, ...] = ()
    problem: str = ""

    @property
    def day(self) -> str:
        """The day it began, ISO, in UTC."""
        return self.started_utc[:10]


class Index:
    """The index in a studio's folder; made where there is none. Safe for several programs at once.

    `trouble` is why the folder cannot be written to: then the index is in memory. Raises StudioError.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / NAME
        self.trouble = ""
        if names_another_file(self.path):
            raise StudioError(
                f"{self.path}: expected a studio's index; the journal beside it names a file to be deleted. "
                "Move both away: the index is made anew from the sessions"
            )
        try:
            # SQLite gives what it puts beside a file the rights of that file.
            os.close(open_private(self.path))
            for ending in ("-wal", "-shm"):
                close_to_others(self.path.with_name(NAME + ending))
            self._open(self.path)
        except OSError as error:
            self._open_copy(error.strerror or str(error))
        except sqlite3.Error as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF not in UNWRITABLE:
                raise StudioError(refusal(self.path, error)) from None
            self._open_copy(f"the disk is full, or fails ({error})")

    def _open(self, place: Path | str) -> None:
        self.db = sqlite3.connect(place, isolation_level=None, timeout=30, check_same_thread=False)
        try:
            self._lay_out()
        except (StudioError, sqlite3.Error):
            self.db.close()
            raise

    def _open_copy(self, why: str) -> None:
        """The index in memory, as far as its file can be read: the folder cannot be written to just now."""
        self.trouble = why
        self._open(":memory:")
        with contextlib.suppress(sqlite3.Error):
            # As if no program could write to it: nothing is put beside it.
            read = sqlite3.connect(f"{self.path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
            with contextlib.closing(read):
                marks = [read.execute(f"PRAGMA {mark}").fetchone()[0] for mark in ("application_id", "user_version")]
                if marks == [APPLICATION_ID, VERSION]:
                    read.backup(self.db)
        with self.writing():
            self._check()

    def close(self) -> None:
        """Let go of the file."""
        self.db.close()

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Everything within is written together or not at all."""
        self.db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.db.execute("COMMIT")
        except BaseException:
            # On a full disk SQLite may have rolled back by itself.
            if self.db.in_transaction:
                self.db.execute("ROLLBACK")
            raise

    def has(self, digest: str) -> str | None:
        """Whose session this is; None where it is in no row."""
        row = self.db.execute("SELECT pupil FROM session WHERE digest = ?", (digest,)).fetchone()
        return row[0] if row else None

    def known(self) -> set[tuple[str, str]]:
        """All (pupil, digest)."""
        return set(self.db.execute("SELECT pupil, digest FROM session"))

    def damaged(self) -> set[tuple[str, str]]:
        """All (pupil, digest) of files that cannot be read."""
        return set(
            self.db.execute("SELECT pupil, digest FROM session WHERE problem != '' AND typeof(problem) = 'text'")
        )

    def problems(self) -> dict[str, int]:
        """How many files of each pupil cannot be read; pupils without any are left out."""
        return dict(self.db.execute("SELECT pupil, count(*) FROM session WHERE problem != '' GROUP BY pupil"))

    def played_days(self, until: str = ENDLESS) -> dict[str, tuple[str, str]]:
        """The ISO days on which each pupil first and last played before the day `until`; empty where no file says."""
        rows = self.db.execute(
            "SELECT pupil, min(started_utc), max(started_utc) FROM session WHERE started_utc < ? GROUP BY pupil",
            (until,),
        )
        return {who: (self._day(first)[:10], self._day(last)[:10]) for who, first, last in rows}

    def put(self, session: IndexedSession, tallies: Iterable[Tally], movements: Iterable[MovementSummary] = ()) -> None:
        """Write a session's rows, in place of what was there."""
        self.drop(session.digest)
        tallies, movements = list(tallies), list(movements)
        row = {**asdict(session), "rungs": json.dumps(session.rungs), "passed": json.dumps(session.passed)}
        cells = *row.values(), counts_of(tallies, movements, self._number)
        self._insert("session", [cells], len(cells))
        self._insert("result", ((session.digest, *change_row(tally)) for tally in tallies), len(COUNTS) + 5)
        rows = ((session.digest, *movement_row(one)) for one in movements)
        self._insert("movement", rows, len(VERDICT_COLUMNS) + 4)

    def drop(self, digest: str) -> None:
        """Forget a session."""
        for table in TABLES:
            self.db.execute(f"DELETE FROM {table} WHERE digest = ?", (digest,))

    def drop_pupil(self, pupil: str) -> None:
        """Forget all of a pupil's sessions, and leave no byte of them."""
        with self.writing():
            for table in TABLES:
                self.db.execute(
                    f"DELETE FROM {table} WHERE digest IN (SELECT digest FROM session WHERE pupil = ?)", (pupil,)
                )
            self.db.execute("DELETE FROM chance WHERE pupil = ?", (pupil,))
            # A teacher's own movement may be named after a pupil.
            self.db.execute("DELETE FROM name WHERE name NOT IN (SELECT name FROM movement)")
        self.db.execute("VACUUM")
        self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def sessions(self, pupil: str | None = None, since: str = "", until: str = ENDLESS) -> list[IndexedSession]:
        """Sessions in order of time, begun from the day `since` on and before the day `until`."""
        where, values = _chosen(since, until, {"pupil": pupil})
        rows = self.db.execute(
            "SELECT digest, pupil, started_utc, playing_us, uncertainty_us, rungs, passed, problem FROM session s "
            f"WHERE {where} ORDER BY started_utc, digest",
            values,
        )
        found = []
        for digest, who, begun, *numbers, rungs, passed, problem in rows:
            if not all(isinstance(text, str) for text in (digest, who, problem)):
                raise self._foreign()
            playing_us, uncertainty_us = self._own(whole, numbers)
            day = self._day(begun)
            keys = self._texts(rungs), self._texts(passed)
            found.append(IndexedSession(digest, who, day, playing_us, uncertainty_us, *keys, problem))
        return found

    def tallies(
        self, pupil: str | None = None, since: str = "", until: str = ENDLESS, of: tuple[int, int] | None = None
    ) -> Iterator[tuple[str, str, Tally]]:
        """(pupil, digest, tally) of the sessions as `sessions` chooses them, in order of time; `of` one change."""
        from_note, to_note = of or (None, None)
        where, values = _chosen(since, until, {"pupil": pupil, "from_note": from_note, "to_note": to_note})
        rows = self.db.execute(
            f"SELECT s.pupil, r.digest, r.strays, r.faults, r.from_note, r.to_note, {', '.join(COUNTS)} "
            f"FROM session s JOIN result r ON r.digest = s.digest WHERE {where} "
            "ORDER BY s.started_utc, s.digest, r.from_note, r.to_note",
            values,
        )
        for who, digest, *cells in rows:
            yield who, digest, self._own(change_in, *cells)

    def movements(
        self, pupil: str | None = None, since: str = "", until: str = ENDLESS, of: MovementOn | None = None
    ) -> Iterator[tuple[str, str, MovementSummary]]:
        """(pupil, digest, how a movement went) of the same sessions; `of` one movement on one note."""
        name, to_note = of or (None, None)
        where, values = _chosen(since, until, {"pupil": pupil, "name": name, "to_note": to_note})
        rows = self.db.execute(
            f"SELECT s.pupil, m.digest, m.name, m.to_note, {', '.join(VERDICT_COLUMNS)}, m.faults "
            f"FROM session s JOIN movement m ON m.digest = s.digest WHERE {where} "
            "ORDER BY s.started_utc, s.digest, m.name, m.to_note",
            values,
        )
        for who, digest, *cells in rows:
            yield who, digest, self._own(movement_in, *cells)

    def tried(self, spans: Mapping[str, DaySpan]) -> dict[str, Tried]:
        """What pupils tried in their spans of days, session by session; who played nothing is left out."""
        self._ask_of(spans)
        rows = self.db.execute(
            "SELECT s.pupil, s.started_utc >= p.divide, s.started_utc, s.playing_us, s.counts FROM span p "
            "JOIN session s ON s.pupil = p.pupil AND s.started_utc >= p.since AND s.started_utc < p.until "
            "WHERE s.problem = '' ORDER BY s.pupil, s.started_utc, s.digest"
        )
        names = {number: self._own(movement_name, name) for number, name in self.db.execute("SELECT * FROM name")}
        return self._own(tried_in, rows, names)

    def chances(self) -> dict[str, tuple[str, bytes]]:
        """What `kept_chances` keeps of each pupil: a digest of the playing it comes from, and numbers."""
        rows = list(self.db.execute("SELECT pupil, of, chances FROM chance"))
        if not all(type(chances) is bytes and len(chances) % 8 == 0 for *_, chances in rows):
            raise self._foreign()
        return {who: (of, chances) for who, of, chances in rows}

    def keep_chances(self, rows: Iterable[tuple[str, str, bytes]]) -> None:
        """Keep chances, with their pupils and digests, in place of what was there."""
        with self.writing():
            self.db.executemany("INSERT OR REPLACE INTO chance VALUES (?, ?, ?)", rows)

    def _ask_of(self, spans: Mapping[str, DaySpan]) -> None:
        """Put the spans of days where they are asked for."""
        self.db.execute(
            "CREATE TEMP TABLE IF NOT EXISTS span (pupil TEXT PRIMARY KEY, since TEXT, divide TEXT, until TEXT)"
        )
        with self.writing():
            self.db.execute("DELETE FROM span")
            self.db.executemany("INSERT INTO span VALUES (?, ?, ?, ?)", ((key, *days) for key, days in spans.items()))

    def _number(self, name: str) -> int:
        """The number of a movement's name, given it now where it has none."""
        self.db.execute("INSERT OR IGNORE INTO name (name) VALUES (?)", (name,))
        (number,) = self.db.execute("SELECT number FROM name WHERE name = ?", (name,)).fetchone()
        return int(number)

    def _insert(self, table: str, rows: Iterable[tuple[object, ...]], cells: int) -> None:
        self.db.executemany(f"INSERT INTO {table} VALUES ({', '.join('?' * cells)})", rows)

    def _lay_out(self) -> None:
        (application_id,) = self.db.execute("PRAGMA application_id").fetchone()
        (version,) = self.db.execute("PRAGMA user_version").fetchone()
        (tables,) = self.db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if application_id == APPLICATION_ID and version < VERSION:
            self._clear()
        elif tables and (application_id, version) != (APPLICATION_ID, VERSION):
            newer = application_id == APPLICATION_ID and version > VERSION
            raise StudioError(
                f"{self.path}: expected a studio's index of version {VERSION}; "
                + ("this one is newer. Use a newer fingerlead" if newer else "this is something else. Move it away")
            )
        # A lost row is made anew from its session when the studio opens, so the log need not wait for the disk.
        for setting in ("trusted_schema = OFF", "secure_delete = ON", "journal_mode = WAL", "synchronous = NORMAL"):
            self.db.execute(f"PRAGMA {setting}")
        with self.writing():
            (tables,) = self.db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            if tables:
                self._check()
            else:
                for statement in (*SCHEMA, *MARKS):
                    self.db.execute(statement)

    def _clear(self) -> None:
        """Drop what an earlier version had: its rows mean something else, and are made anew from the sessions."""
        with self.writing():
            # Another program may have been first.
            if self.db.execute("PRAGMA user_version").fetchone() >= (VERSION,):
                return
            for table in (*TABLES, "chance", "name"):
                self.db.execute(f"DROP TABLE IF EXISTS {table}")

    def _check(self) -> None:
        """Whether tables and indexes are these and no others: a foreign trigger would be run."""
        found = {row[0] for row in self.db.execute("SELECT sql FROM sqlite_master LIMIT 100") if row[0]}
        if found != set(SCHEMA):
            raise self._foreign()

    # The types of SQLite's columns bind nothing: rows that this program did not write are refused where they are read.

    def _foreign(self) -> StudioError:
        return StudioError(
            f"{self.path}: expected a studio's index; this one was changed by something else. "
            "Move it away: it is made anew from the sessions"
        )

    def _own(self, read: Callable[..., T], *cells: Any) -> T:
        """What some cells say; raises StudioError where this program did not write them."""
        try:
            return read(*cells)
        except (ValueError, TypeError, IndexError):
            raise self._foreign() from None

    def _texts(self, text: Any) -> tuple[str, ...]:
        try:
            texts = json.loads(text)
        except (ValueError, TypeError):
            raise self._foreign() from None
        if not (isinstance(texts, list) and all(isinstance(one, str) for one in texts)):
            raise self._foreign()
        return tuple(texts)

    def _day(self, begun: Any) -> str:
        try:
            assert begun == "" or datetime.fromisoformat(begun)
        except (ValueError, TypeError):
            raise self._foreign() from None
        return str(begun)


def refusal(path: Path, error: sqlite3.Error) -> str:
    """What to say of an error of SQLite in an index: a fault of the file, or of the place where it is."""
    if isinstance(error, sqlite3.OperationalError):
        return (
            f"{path}: the studio's index cannot be used just now ({error}). Make room on the disk, see that the folder "
            "can be written to, and close other programs that use it"
        )
    return (
        f"{path}: expected a studio's index; this one cannot be used ({error}). "
        "Move it away: it is made anew from the sessions"
    )


def _chosen(since: str, until: str, given: Mapping[str, str | int | None]) -> tuple[str, list[str | int]]:
    """What of SQL chooses sessions of some days, and rows with the values given; None is any.

    A condition that may be any would keep SQLite from its indexes.
    """
    equal = {column: value for column, value in given.items() if value is not None}
    conditions = ["s.started_utc >= ?", "s.started_utc < ?", *(f"{column} = ?" for column in equal)]
    return " AND ".join(conditions), [since, until, *equal.values()]


def reading(key: str, digest: str, path: Path) -> tuple[IndexedSession, list[Tally], list[MovementSummary]]:
    """What a session file of a pupil says: its row, its changes, its movements. A file that cannot be read says why."""
    try:
        session, analysis = analysed(path)
    except SessionError as error:
        return IndexedSession(digest, key, "", problem=error.reason), [], []
    times = playing_us(analysis), analysis.timing.uncertainty_us
    keys = practised_in(session, analysis), keys_of(session, "passed")
    row = IndexedSession(digest, key, started_utc(session), *times, *keys)
    return row, tally(analysis), movement_sums(analysis)


def analysed(path: Path) -> tuple[StoredSession, Analysis]:
    """A session and its analysis; raises SessionError."""
    session = read_session(path)
    record = session_record(session)
    if why := too_long(record):
        raise SessionError(path, why)
    timing = timing_of(record, timed_as(session), stated_skew(session), seal=stated_seal(session))
    musics = musics_of(session.asked)
    known, problem = stated_movements(session)
    problem = " ".join(filter(None, (session.music_problem, problem)))
    return session, analyse(record, standard_table(), timing, Settings(), musics, problem, known, session.clicks)


def digest_of(session: StoredSession) -> str:
    """What names a session: a SHA-256 over its bytes, when they came, and where the port was lost."""
    sha = hashlib.sha256(session.carrier.encode())
    sha.update(len(session.data).to_bytes(8, "little") + session.data + session.arrivals.astype("<i8").tobytes())
    sha.update(repr([(mark.host_us, mark.kind) for mark in session.marks]).encode())
    return sha.hexdigest()[:DIGEST_LETTERS]


def write_anew(path: Path, session: StoredSession) -> None:
    """Write a session's playing as a file of this program's own."""
    settings = settings_of(session)
    if rungs := keys_of(session, "rungs"):
        settings = {**settings, "rungs": list(rungs)}
    begun = started_utc(session)
    copy_session(path, session, settings, datetime.fromisoformat(begun) if begun else None, session.asked)
