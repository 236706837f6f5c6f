"""The session file: everything a port gave in one session, as it came, so that every analysis can be redone.

One SQLite file (application id "FLse", user_version 2) of four tables: `meta` describes it, `batch` holds the bytes
and when they arrived, `mark` when the port was lost and found again, `music` what was asked for, and when (see
`session_music`; version 1 has no such table). Bytes are committed in batches, so that pulling the plug loses at most
the last 250 ms. Host times are `host_us`, integer µs of the host's monotonic clock.

A batch row: `first_us`, the host time of its first read; `bytes`, raw; `arrivals`, for each read two little-endian u32,
how many of the bytes it brought and how many µs after `first_us`.
"""

import contextlib
import json
import logging
import os
import sqlite3
import struct
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, Self, get_args

from fingerlead.reading.asked import SessionMusic
from fingerlead.store.session_music import MusicError, row_of
from fingerlead.version import __version__
from fingerlead.wire.carriers import Carrier

MAGIC = b"SQLite format 3\0"
APPLICATION_ID = int.from_bytes(b"FLse", "big")
VERSION = 2
CARRIERS: tuple[Carrier, ...] = get_args(Carrier)

# A file is a session only if its tables are these, to the letter: an expression in a stranger's table would run.
SCHEMA = {
    "meta": "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "batch": "CREATE TABLE batch (number INTEGER PRIMARY KEY, first_us INTEGER NOT NULL, bytes BLOB NOT NULL, "
    "arrivals BLOB NOT NULL)",
    "mark": "CREATE TABLE mark (number INTEGER PRIMARY KEY, host_us INTEGER NOT NULL, kind TEXT NOT NULL, "
    "cause TEXT NOT NULL)",
    "music": "CREATE TABLE music (number INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, format INTEGER NOT NULL, "
    "body TEXT NOT NULL, crc INTEGER NOT NULL)",
}
# The tables of each version.
TABLES = {1: SCHEMA.keys() - {"music"}, 2: SCHEMA.keys()}


class SessionError(ValueError):
    """A session that cannot be read or written; `reason` is one plain sentence, and `str()` is the reason alone."""

    def __init__(self, path: Path, reason: str) -> None:
        self.path, self.reason = path, reason
        super().__init__(reason)


# With a tick every 50 ms nothing older than 250 ms is ever unsaved.
SAVE_AFTER_US = 200_000
SAVE_AFTER_BYTES = 1 << 16
# Pages in the write-ahead log before they are brought into the file itself: about every ten seconds of playing.
CHECKPOINT_PAGES = 100
_log = logging.getLogger(__name__)


class SessionWriter:
    """A new session on disk, for one thread at a time. Raises SessionError, in words for the user.

    The file must not exist yet. `settings` are kept as JSON. `close` leaves one single file.
    """

    def __init__(
        self,
        path: Path | str,
        carrier: Carrier,
        port: str,
        settings: Mapping[str, object] | None = None,
        started: datetime | None = None,
    ) -> None:
        self.path = Path(path)
        self.saved_bytes = 0
        self._reads: list[tuple[bytes, int]] = []
        self._size = 0
        self._first_us = 0
        self._musics = self._music_us = 0
        _claim(self.path)
        try:
            with self._in_words():
                self._db = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False)
                self._create(
                    program="fingerlead",
                    program_version=__version__,
                    started_utc=(started or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="milliseconds"),
                    port=port,
                    carrier=carrier,
                    settings=json.dumps(dict(settings or {})),
                )
        except SessionError:
            # Nothing half made stays.
            self.discard()
            raise
        _log.info("session begun, carrier %s", carrier)

    def append(self, data: bytes, host_us: int) -> None:
        """Add the bytes of one read that arrived at `host_us`; saves when it is time."""
        if not data:
            return
        if self._reads and not 0 <= host_us - self._first_us < 1 << 32:
            self._save()
        if not self._reads:
            self._first_us = host_us
        self._reads.append((data, host_us - self._first_us))
        self._size += len(data)
        if self._size >= SAVE_AFTER_BYTES:
            self._save()
        else:
            self.tick(host_us)

    def tick(self, host_us: int) -> None:
        """Save where the oldest unsaved byte is 200 ms old; call at least every 50 ms."""
        if self._reads and host_us - self._first_us >= SAVE_AFTER_US:
            self._save()

    def mark(self, kind: Literal["lost", "back"], host_us: int, cause: str = "") -> None:
        """Note that the port was lost, or is back."""
        self._save()
        with self._in_words():
            self._db.execute("INSERT INTO mark VALUES (NULL, ?, ?, ?)", (host_us, kind, _storable(cause)))

    def begin_music(self, at_us: int, music: SessionMusic) -> None:
        """Keep what is asked for from `at_us` on, on the chanter's unwrapped clock. It may not overlap the last one."""
        if at_us < self._music_us:
            raise SessionError(
                self.path, f"expected music from {self._music_us} µs on, where the last one begins; got {at_us} µs"
            )
        try:
            row = row_of(self._musics + 1, at_us, music)
        except MusicError as error:
            raise SessionError(self.path, f"the music cannot be kept: {error}") from None
        self._save()
        with self._in_words():
            self._db.execute("INSERT INTO music VALUES (?, ?, ?, ?, ?)", row)
        self._musics, self._music_us = self._musics + 1, at_us

    def tell(self, **meta: str) -> None:
        """Write or renew something of the session's description, such as `carrier`."""
        if meta.get("carrier", "stream") not in CARRIERS:
            raise ValueError(f"expected one of {CARRIERS}, got {meta['carrier']}")
        with self._in_words():
            told = [(key, _storable(value)) for key, value in meta.items()]
            self._db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", told)

    @contextlib.contextmanager
    def at_once(self) -> Iterator[None]:
        """Everything within is saved in one go: for a session that is there already, not one that is being played."""
        self._db.execute("BEGIN")
        yield
        self._save()
        self._db.execute("COMMIT")

    def close(self) -> None:
        """Save what is left and make it one single file. What was saved before stays, whatever happens here."""
        try:
            self._save()
        finally:
            _log.info("session closed, %d bytes saved", self.saved_bytes)
            # On a full disk or with a reader at work the write-ahead log stays beside the file; both are read together.
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                self._db.execute("PRAGMA journal_mode = DELETE")
            with contextlib.suppress(sqlite3.Error):
                self._db.close()

    def discard(self) -> None:
        """Close without saving, and remove the file."""
        if hasattr(self, "_db"):
            self._reads.clear()
            self._db.close()
        remove_session(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *failure: object) -> None:
        self.close()

    def _create(self, **meta: str) -> None:
        # This goes in before the write-ahead log is switched on: even without the log the file is a session.
        db = self._db
        db.execute("BEGIN")
        for statement in SCHEMA.values():
            db.execute(statement)
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {VERSION}")
        self.tell(**meta)
        db.execute("COMMIT")
        db.execute("PRAGMA journal_mode = WAL")
        # FULL: a commit is on the disk, not only in the system's memory, when it returns.
        db.execute("PRAGMA synchronous = FULL")
        db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")

    def _save(self) -> None:
        if not self._reads:
            return
        arrivals = [number for data, after_us in self._reads for number in (len(data), after_us)]
        row = (self._first_us, b"".join(data for data, _ in self._reads), struct.pack(f"<{len(arrivals)}I", *arrivals))
        # Dropped before the attempt: after a failure nothing must be written twice.
        self._reads.clear()
        self._size = 0
        with self._in_words():
            self._db.execute("INSERT INTO batch VALUES (NULL, ?, ?, ?)", row)
        self.saved_bytes += len(row[1])

    @contextlib.contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise SessionError(self.path, _unwritable(error)) from None


def remove_session(path: Path) -> None:
    """Remove a session that no program has open, with all that SQLite puts beside it; there may be none."""
    for ending in ("", "-wal", "-shm", "-journal"):
        beside(path, ending).unlink(missing_ok=True)


def beside(path: Path, ending: str) -> Path:
    """The file that SQLite puts beside a session, such as its write-ahead log."""
    return path.with_name(path.name + ending)


def _claim(path: Path) -> None:
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except FileExistsError:
        raise SessionError(
            path, "expected the name of a new file, but this one exists; choose another name, or move it away"
        ) from None
    except OSError as error:
        raise SessionError(path, f"it cannot be written: {error.strerror or error}; choose another place") from None


def _unwritable(error: sqlite3.Error) -> str:
    name = getattr(error, "sqlite_errorname", "")
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        return f"the disk is full or fails ({error}); what was saved until then is kept. Make room and record again"
    return f"it cannot be written ({error}); choose another place"


def _storable(text: str) -> str:
    """Text as SQLite takes it: a port's name may hold bytes that are no UTF-8."""
    return text.encode("utf-8", "backslashreplace").decode()
