"""The index of a studio: what each session says, in one SQLite file that can be made anew from the sessions.

It holds keys and numbers, no name and no word that a person wrote. `session` has one row for each session file,
`result` one for each directed change in it, with the lengths of its strays as little-endian u32 and its faults as JSON.

A session is named by a digest of what was played. As a studio keeps it, it was written anew by this program: nothing
else of the file that was taken in comes along.
"""

import contextlib
import hashlib
import json
import os
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from fingering.holes import HOLES
from fingering.notes import NOTES
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
    stated_seal,
    stated_skew,
    timed_as,
    too_long,
)
from fingerlead.studio import pupils
from fingerlead.studio.pupils import StudioError
from fingerlead.timing.analysis import Analysis, analyse
from fingerlead.timing.progress import Fault, Tally, tally
from fingerlead.timing.results import UNPLAIN, Settings
from fingerlead.timing.summary import playing_us
from fingerlead.timing.timeline import timing_of

MOST_RUNGS = 40
DIGEST_LETTERS = 32
APPLICATION_ID = int.from_bytes(b"FLst", "big")
VERSION = 3
NAME = "index.sqlite"
# The numbers of a change, in the order of their columns.
COUNTS = ("plain", "apart", *UNPLAIN, "astray", "heard_us")
NOTE_NUMBERS = frozenset(range(len(NOTES)))
HOLE_SET = frozenset(range(HOLES))
FAULT_CELLS = 7
# After every day.
ENDLESS = "~"
SCHEMA = (
    "CREATE TABLE session (digest TEXT PRIMARY KEY, pupil TEXT NOT NULL, started_utc TEXT NOT NULL, "
    "playing_us INTEGER NOT NULL, uncertainty_us INTEGER NOT NULL, rungs TEXT NOT NULL, problem TEXT NOT NULL) "
    "WITHOUT ROWID",
    "CREATE INDEX session_of ON session (pupil, started_utc)",
    "CREATE TABLE result (digest TEXT NOT NULL, from_note INTEGER NOT NULL, to_note INTEGER NOT NULL, "
    f"{' INTEGER NOT NULL, '.join(COUNTS)} INTEGER NOT NULL, strays BLOB NOT NULL, faults TEXT NOT NULL, "
    "PRIMARY KEY (digest, from_note, to_note)) WITHOUT ROWID",
)
MARKS = (f"PRAGMA application_id = {APPLICATION_ID}", f"PRAGMA user_version = {VERSION}")


@dataclass(frozen=True, slots=True)
class IndexedSession:
    """One session in a studio. `problem` tells why a file in the pupil's folder cannot be read."""

    digest: str
    pupil: str
    started_utc: str
    playing_us: int = 0
    uncertainty_us: int = 0
    rungs: tuple[str, ...] = ()
    problem: str = ""

    @property
    def day(self) -> str:
        """The day it began, ISO, in UTC."""
        return self.started_utc[:10]


class Index:
    """The index in a studio's folder; made where there is none. Safe for several programs at once."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / NAME
        db = None
        try:
            if names_another_file(self.path):
                raise StudioError(
                    f"{self.path}: expected a studio's index; the journal beside it names a file to be deleted. "
                    "Move both away: the index is made anew from the sessions"
                )
            # SQLite gives what it puts beside a file the rights of that file.
            os.close(open_private(self.path))
            for ending in ("-wal", "-shm"):
                close_to_others(self.path.with_name(NAME + ending))
            self.db = db = sqlite3.connect(self.path, isolation_level=None, timeout=30, check_same_thread=False)
            self._lay_out()
        except OSError as error:
            raise StudioError(f"{self.path}: the studio's index cannot be kept: {error.strerror or error}") from None
        except (StudioError, sqlite3.Error) as error:
            if db is not None:
                db.close()
            raise error if isinstance(error, StudioError) else StudioError(refusal(self.path, error)) from None

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

    def problems(self) -> dict[str, int]:
        """How many files of each pupil cannot be read; pupils without any are left out."""
        return dict(self.db.execute("SELECT pupil, count(*) FROM session WHERE problem != '' GROUP BY pupil"))

    def put(self, session: IndexedSession, tallies: Iterable[Tally]) -> None:
        """Write a session's rows, in place of what was there."""
        self.drop(session.digest)
        row = {**asdict(session), "rungs": json.dumps(session.rungs)}
        self.db.execute("INSERT INTO session VALUES (?, ?, ?, ?, ?, ?, ?)", tuple(row.values()))
        rows = ((session.digest, *_row(tally)) for tally in tallies)
        self.db.executemany(f"INSERT INTO result VALUES ({', '.join('?' * (len(COUNTS) + 5))})", rows)

    def drop(self, digest: str) -> None:
        """Forget a session."""
        self.db.execute("DELETE FROM result WHERE digest = ?", (digest,))
        self.db.execute("DELETE FROM session WHERE digest = ?", (digest,))

    def drop_pupil(self, pupil: str) -> None:
        """Forget all of a pupil's sessions, and leave no byte of them."""
        with self.writing():
            self.db.execute("DELETE FROM result WHERE digest IN (SELECT digest FROM session WHERE pupil = ?)", (pupil,))
            self.db.execute("DELETE FROM session WHERE pupil = ?", (pupil,))
        self.db.execute("VACUUM")
        self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def sessions(self, pupil: str | None = None, since: str = "", until: str = ENDLESS) -> list[IndexedSession]:
        """Sessions in order of time, begun from the day `since` on and before the day `until`."""
        rows = self.db.execute(
            "SELECT digest, pupil, started_utc, playing_us, uncertainty_us, rungs, problem FROM session "
            "WHERE (?1 IS NULL OR pupil = ?1) AND started_utc >= ?2 AND started_utc < ?3 ORDER BY started_utc, digest",
            (pupil, since, until),
        )
        found = []
        for digest, who, begun, *numbers, rungs, problem in rows:
            if not all(isinstance(text, str) for text in (digest, who, problem)):
                raise self._foreign()
            playing_us, uncertainty_us = self._whole(numbers)
            day = self._day(begun)
            found.append(IndexedSession(digest, who, day, playing_us, uncertainty_us, self._texts(rungs), problem))
        return found

    def tallies(
        self, pupil: str | None = None, since: str = "", until: str = ENDLESS
    ) -> Iterator[tuple[str, str, Tally]]:
        """(pupil, digest, tally) of the sessions as `sessions` chooses them, in order of time."""
        rows = self.db.execute(
            f"SELECT s.pupil, r.digest, r.strays, r.faults, r.from_note, r.to_note, {', '.join(COUNTS[:-2])} "
            "FROM session s JOIN result r ON r.digest = s.digest "
            "WHERE (?1 IS NULL OR s.pupil = ?1) AND s.started_utc >= ?2 AND s.started_utc < ?3 "
            "ORDER BY s.started_utc, s.digest, r.from_note, r.to_note",
            (pupil, since, until),
        )
        for who, digest, strays, faults, from_note, to_note, plain, apart, *beside in rows:
            self._whole((plain, apart, *beside))
            if not isinstance(strays, bytes) or len(strays) % 4:
                raise self._foreign()
            try:
                found = _faults(faults)
            except (ValueError, TypeError, IndexError):
                raise self._foreign() from None
            tally = Tally(*self._notes(from_note, to_note), plain, apart, tuple(beside), _lengths(strays), found)
            yield who, digest, tally

    def sums(self, spans: Mapping[str, tuple[str, str]]) -> Iterator[tuple[str, bool, int, int, int, int, int, int]]:
        """For each pupil, side and directed change what is asked of a whole studio at once.

        `spans` gives for each pupil the day from which sessions count, and the day from which they are *after*. Rows:
        pupil, after, from note, to note, plain, astray, heard µs, sessions.
        """
        self.db.execute("CREATE TEMP TABLE IF NOT EXISTS span (pupil TEXT PRIMARY KEY, since TEXT, divide TEXT)")
        with self.writing():
            self.db.execute("DELETE FROM span")
            self.db.executemany("INSERT INTO span VALUES (?, ?, ?)", ((key, *days) for key, days in spans.items()))
        rows = self.db.execute(
            "SELECT s.pupil, s.started_utc >= p.divide AS after, r.from_note, r.to_note, sum(r.plain), sum(r.astray), "
            "sum(r.heard_us), count(*) FROM span p JOIN session s ON s.pupil = p.pupil AND s.started_utc >= p.since "
            "JOIN result r ON r.digest = s.digest GROUP BY 1, 2, 3, 4"
        )
        for who, after, from_note, to_note, *numbers in rows:
            yield who, bool(after), *self._notes(from_note, to_note), *self._whole(numbers)

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
            for table in ("result", "session"):
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

    def _whole(self, numbers: Sequence[Any]) -> Sequence[int]:
        if not all(type(number) is int for number in numbers):
            raise self._foreign()
        return numbers

    def _notes(self, from_note: Any, to_note: Any) -> tuple[int, int]:
        if from_note not in NOTE_NUMBERS or to_note not in NOTE_NUMBERS:
            raise self._foreign()
        return from_note, to_note

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


def _row(t: Tally) -> tuple[object, ...]:
    faults = json.dumps([[*f.cause, f.times, f.heard_us, f.apart_us] for f in t.faults], separators=(",", ":"))
    strays = struct.pack(f"<{len(t.strays_us)}I", *(min(us, 0xFFFFFFFF) for us in t.strays_us))
    return t.from_note, t.to_note, t.plain, t.apart, *t.beside, t.astray, t.heard_us, strays, faults


def _lengths(strays: bytes) -> tuple[int, ...]:
    return struct.unpack(f"<{len(strays) // 4}I", strays) if strays else ()


def _faults(text: str) -> tuple[Fault, ...]:
    # Most changes have none.
    rows = [] if text == "[]" else json.loads(text)
    for row in rows:
        whole = len(row) == FAULT_CELLS and all(type(cell) in (int, bool) for cell in row)
        if not (whole and {row[0], row[2], row[3]} <= HOLE_SET):
            raise ValueError("no fault")
    return tuple(Fault((row[0], bool(row[1]), row[2], row[3]), *row[4:]) for row in rows)


def reading(key: str, digest: str, path: Path) -> tuple[IndexedSession, list[Tally]]:
    """What a session file of a pupil says: its row, and its tallies. A file that cannot be read says why."""
    try:
        session, analysis = analysed(path)
    except SessionError as error:
        return IndexedSession(digest, key, "", problem=error.reason), []
    uncertainty_us = analysis.timing.uncertainty_us
    row = IndexedSession(digest, key, started_utc(session), playing_us(analysis), uncertainty_us, rungs_of(session))
    return row, tally(analysis)


def analysed(path: Path) -> tuple[StoredSession, Analysis]:
    """A session and its analysis; raises SessionError."""
    session = read_session(path)
    record = session_record(session)
    if why := too_long(record):
        raise SessionError(path, why)
    timing = timing_of(record, timed_as(session), stated_skew(session), seal=stated_seal(session))
    musics = musics_of(session.asked)
    return session, analyse(record, standard_table(), timing, Settings(), musics, session.music_problem)


def digest_of(session: StoredSession) -> str:
    """What names a session: a SHA-256 over its bytes, when they came, and where the port was lost."""
    sha = hashlib.sha256(session.carrier.encode())
    sha.update(len(session.data).to_bytes(8, "little") + session.data + session.arrivals.astype("<i8").tobytes())
    sha.update(repr([(mark.host_us, mark.kind) for mark in session.marks]).encode())
    return sha.hexdigest()[:DIGEST_LETTERS]


def rungs_of(session: StoredSession) -> tuple[str, ...]:
    """Keys of the rungs it was practised on, as its settings say."""
    return pupils.keys(pupils.texts(settings_of(session), "rungs"))[:MOST_RUNGS]


def write_anew(path: Path, session: StoredSession) -> None:
    """Write a session's playing as a file of this program's own."""
    settings = settings_of(session)
    if rungs := rungs_of(session):
        settings = {**settings, "rungs": list(rungs)}
    begun = started_utc(session)
    copy_session(path, session, settings, datetime.fromisoformat(begun) if begun else None, session.asked)
