"""The file of a studio's index: one SQLite file in the studio's folder, laid out, checked, and opened by several.

The types of SQLite's columns bind nothing: what this program did not write is refused where it is read.
"""

import contextlib
import os
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from fingerlead.store.files import close_to_others, open_private
from fingerlead.store.session_file import names_another_file
from fingerlead.studio.index_rows import COUNTS, VERDICT_COLUMNS
from fingerlead.studio.pupils import StudioError

APPLICATION_ID = int.from_bytes(b"FLst", "big")
VERSION = 7
NAME = "index.sqlite"
# What SQLite says where a folder cannot be written to: READONLY, IOERR, FULL and CANTOPEN.
UNWRITABLE = {8, 10, 13, 14}
SCHEMA = (
    "CREATE TABLE session (digest TEXT PRIMARY KEY, pupil TEXT NOT NULL, started_utc TEXT NOT NULL, "
    "playing_us INTEGER NOT NULL, uncertainty_us INTEGER NOT NULL, rungs TEXT NOT NULL, passed TEXT NOT NULL, "
    "problem TEXT NOT NULL, counts BLOB NOT NULL)",
    "CREATE INDEX session_of ON session (pupil, started_utc)",
    "CREATE TABLE result (digest TEXT NOT NULL, from_note INTEGER NOT NULL, to_note INTEGER NOT NULL, "
    f"{' INTEGER NOT NULL, '.join(COUNTS)} INTEGER NOT NULL, strays BLOB NOT NULL, spreads BLOB NOT NULL, "
    "faults TEXT NOT NULL, "
    "PRIMARY KEY (digest, from_note, to_note)) WITHOUT ROWID",
    "CREATE TABLE movement (digest TEXT NOT NULL, name TEXT NOT NULL, to_note INTEGER NOT NULL, "
    f"{' INTEGER NOT NULL, '.join(VERDICT_COLUMNS)} INTEGER NOT NULL, faults TEXT NOT NULL, "
    "PRIMARY KEY (digest, name, to_note)) WITHOUT ROWID",
    "CREATE TABLE written (digest TEXT NOT NULL, from_note INTEGER NOT NULL, to_note INTEGER NOT NULL, "
    "count INTEGER NOT NULL, wrong TEXT NOT NULL, PRIMARY KEY (digest, from_note, to_note)) WITHOUT ROWID",
    "CREATE TABLE pairs (digest TEXT NOT NULL, dotted INTEGER NOT NULL, ratio REAL NOT NULL, count INTEGER NOT NULL, "
    "unpointed TEXT NOT NULL, PRIMARY KEY (digest, dotted, ratio)) WITHOUT ROWID",
    "CREATE TABLE chance (pupil TEXT PRIMARY KEY, of TEXT NOT NULL, chances BLOB NOT NULL) WITHOUT ROWID",
    "CREATE TABLE name (number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
)
TABLES = ("result", "movement", "written", "pairs", "session")
MARKS = (f"PRAGMA application_id = {APPLICATION_ID}", f"PRAGMA user_version = {VERSION}")
T = TypeVar("T")


class IndexFile:
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
