"""The session file: everything a port gave in one session, as it came, so that every analysis can be redone.

One SQLite file (application id "FLse", user_version 2) of four tables: `meta` describes it, `batch` holds the bytes
and when they arrived, `mark` when the port was lost and found again, and the clicks of a metronome (`session_clicks`),
`music` what was asked for, and when (`session_music`; version 1 has no such table). Bytes are committed in batches, so
that pulling the plug loses at most the last 250 ms. Host times are `host_us`, integer µs of the host's monotonic clock.

A batch row: `first_us`, the host time of its first read; `bytes`, raw; `arrivals`, for each read two little-endian u32,
how many of the bytes it brought and how many µs after `first_us`.

Where the disk is full or fails, rows are held in memory and tried again; held for longer than there is memory for, they
are lost, which `lost_us` counts and a mark of each kind shows.
"""

import contextlib
import errno
import json
import logging
import os
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, Self, get_args

from fingerlead.reading.asked import NOTHING_ASKED, Clicks, SessionMusic
from fingerlead.store.files import own_private, why_not, write_new
from fingerlead.store.held_rows import MOST_HELD, HeldRows, batch_row, clicks_row, mark_row, music_row
from fingerlead.store.session_clicks import cause_of
from fingerlead.store.session_music import MOST_ROWS, MusicError, row_of
from fingerlead.version import __version__
from fingerlead.wire.carriers import Carrier

MAGIC = b"SQLite format 3\0"
JOURNAL_MARK = bytes.fromhex("d9d505f920a163d7")
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
# How often a disk that failed is tried again.
RETRY_US = 2_000_000
# What is written in one go once there is room again: nothing waits for all of it.
PORTION = 1 << 20
TRIED_NAMES = 100
_log = logging.getLogger(__name__)


class SessionWriter:
    """A new session on disk, for one thread at a time; `settings` are kept as JSON.

    The file must not exist yet: SessionError, in words for the user, where it cannot be begun; a `patient` one, in a
    folder of the program's own, is begun as soon as it can be. From then on `close` alone raises SessionError for the
    disk, where something was lost; it leaves one single file. `begin_music` raises it for music that no session keeps.
    `trouble` says why nothing can be written just now.
    """

    def __init__(
        self,
        path: Path | str,
        carrier: Carrier,
        port: str,
        settings: Mapping[str, object] | None = None,
        started: datetime | None = None,
        *,
        patient: bool = False,
        most_held: int = MOST_HELD,
    ) -> None:
        self.path = Path(path)
        self.saved_bytes = 0
        self.trouble = ""
        self._reads: list[tuple[bytes, int]] = []
        self._size = 0
        self._musics = self._music_us = 0
        self._music_saved_us: int | None = None
        self._music: SessionMusic | None = None
        self._first_us = self._now_us = self._tried_us = 0
        self._held = HeldRows(most_held)
        self._patient, self._made, self._closed, self._went = patient, False, False, False
        self._db: sqlite3.Connection | None = None
        self._file: tuple[int, int] | None = None
        self._told: dict[str, str] = {}
        self._head = {
            "program": "fingerlead",
            "program_version": __version__,
            "started_utc": (started or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="milliseconds"),
            "port": port,
            "carrier": carrier,
            "settings": json.dumps(dict(settings or {})),
        }
        try:
            self._begin()
        except (OSError, sqlite3.Error) as error:
            if not patient:
                # Nothing half made stays.
                self.discard()
                raise SessionError(self.path, _refusal(error)) from None
            self.trouble = why_not(error)
        _log.info("session begun, carrier %s", carrier)

    @property
    def unkept(self) -> bool:
        """Whether something could not be written when it came, and is still held."""
        return bool(self.trouble or self._held)

    @property
    def begun(self) -> bool:
        """Whether its file is there."""
        return self._made and not self.gone

    @property
    def gone(self) -> bool:
        """Whether its file was removed or moved while it was written: what comes now would go with it, unseen."""
        return self._file is not None and self._file != _identity(self.path)

    @property
    def losing(self) -> bool:
        """Whether no more can be held: what comes now is lost."""
        return self._held.losing

    @property
    def lost_us(self) -> int:
        """How much playing is lost; once the session is closed, with what was still held.

        Where its file is gone, that is all of it.
        """
        gone = self._went if self._closed else self.gone
        return self._held.whole_us(self._now_us) if gone else self._held.lost_us(self._now_us)

    @property
    def held_us(self) -> int:
        """How much playing is held and not written yet, though it may be."""
        return 0 if self.gone else self._held.held_us(self._now_us)

    def append(self, data: bytes, host_us: int) -> None:
        """Add the bytes of one read that arrived at `host_us`; saves when it is time."""
        if not data:
            return
        if self._reads and not 0 <= host_us - self._first_us < 1 << 32:
            self.save()
        self._now_us = max(self._now_us, host_us)
        if not self._reads:
            self._first_us = host_us
        self._reads.append((data, host_us - self._first_us))
        self._size += len(data)
        if self._size >= SAVE_AFTER_BYTES:
            self.save()
        else:
            self.tick(host_us)

    def tick(self, host_us: int) -> None:
        """Save where the oldest unsaved byte is 200 ms old, and try again what is held; call at least every 50 ms."""
        self._now_us = max(self._now_us, host_us)
        if self._reads and host_us - self._first_us >= SAVE_AFTER_US:
            self.save()
        elif self.unkept:
            self._write()

    def save(self) -> None:
        """Save all that came so far, where that works now."""
        self._pack()
        self._write()

    def mark(self, kind: Literal["lost", "back"], host_us: int, cause: str = "") -> None:
        """Note that the port was lost, or is back."""
        self._pack()
        self._held.hold(mark_row(host_us, kind, _storable(cause)))
        self._write()

    def begin_music(self, at_us: int, music: SessionMusic) -> None:
        """Keep what is asked for from `at_us` on, on the chanter's unwrapped clock; raises SessionError.

        It may not overlap the last one. The same from the same time on is kept once: a player who begins anew over and
        over, and plays nothing, costs no disk.
        """
        if at_us < self._music_us:
            raise SessionError(
                self.path, f"expected music from {self._music_us} µs on, where the last one begins; got {at_us} µs"
            )
        if self._musics >= MOST_ROWS or (at_us, music) == (self._music_us, self._music):
            return
        if self._musics == MOST_ROWS - 1:
            # More than any sitting asks for; from here on the session says nothing of what was.
            music = NOTHING_ASKED
        try:
            row = row_of(self._musics + 1, at_us, music)
        except MusicError as error:
            raise SessionError(self.path, f"the music cannot be kept: {error}") from None
        self._pack()
        self._held.hold(music_row(self._now_us, row))
        if not self.losing:
            self._musics, self._music_us, self._music = self._musics + 1, at_us, music
        # One who chooses over and over costs no write each time: the rest waits for the next save or tick.
        if self._music_saved_us is None or self._now_us - self._music_saved_us >= SAVE_AFTER_US:
            self._music_saved_us = self._now_us
            self._write()

    def click(self, host_us: int, clicks: Clicks) -> None:
        """Keep clicks of a metronome, the first of which sounded at `host_us`."""
        self._held.hold(clicks_row(self._now_us, host_us, cause_of(clicks)))
        self._write()

    def tell(self, **meta: str) -> None:
        """Write or renew something of the session's description, such as `carrier`."""
        if meta.get("carrier", "stream") not in CARRIERS:
            raise ValueError(f"expected one of {CARRIERS}, got {meta['carrier']}")
        self._told.update((key, _storable(value)) for key, value in meta.items())
        self._write()

    @contextlib.contextmanager
    def at_once(self) -> Iterator[None]:
        """Everything within is saved in one go: for a session that is there already, not one that is being played.

        Raises SessionError where it cannot be.
        """
        assert self._db is not None
        with self._in_words():
            self._db.execute("BEGIN")
        yield
        self.save()
        # A failure has taken all of it back, and there is nothing to commit.
        if not self._db.in_transaction:
            raise SessionError(self.path, f"{self.trouble or 'the disk failed'}; make room there, and try again")
        with self._in_words():
            self._db.execute("COMMIT")

    def close(self) -> None:
        """Save what is left and make it one single file; SessionError where anything was lost.

        What was saved before stays, whatever happens here.
        """
        if self._closed:
            return
        self._pack()
        self._write(last=True)
        self._closed, self._went = True, self.gone
        self._held.give_up(self._now_us)
        _log.info("session closed, %d bytes saved, %d µs lost", self.saved_bytes, self.lost_us)
        if self._db is not None:
            # On a full disk or with a reader at work the write-ahead log stays beside the file; both are read together.
            with contextlib.suppress(sqlite3.Error):
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                self._db.execute("PRAGMA journal_mode = DELETE")
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
        if self._held or self._told or self.lost_us or self.gone:
            raise SessionError(self.path, self.loss)

    @property
    def loss(self) -> str:
        """What was lost, in words; nothing where nothing was."""
        if self.gone:
            return (
                "its file was removed or moved while it was written, and what was played went with it, "
                f"{seconds_text(self.lost_us)} in all"
            )
        if not (self.lost_us or (self._closed and (self._held or self._told))):
            return ""
        why = f" ({self.trouble})" if self.trouble else ""
        return (
            f"{seconds_text(self.lost_us)} of playing could not be kept{why}; all else is kept. "
            "Make room on the disk before you play again"
        )

    def discard(self) -> None:
        """Close without saving, and remove the file."""
        self._closed = True
        if self._db is not None:
            self._db.close()
        if self._made:
            remove_session(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *failure: object) -> None:
        self.close()

    def _begin(self) -> None:
        """Make the file, and open it; what was done before is not done again. Raises OSError, sqlite3.Error."""
        if not self._made:
            if self._patient:
                own_private(self.path.parent)
            # Whole from the first moment it is there: even without its log the file is a session.
            self._make(_empty_session(self._head))
            self._made = True
            # The log of an older session of this name would be taken for its own.
            remove_session(self.path, ("-wal", "-shm", "-journal"))
        db = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False)
        try:
            db.execute("PRAGMA journal_mode = WAL")
            # FULL: a commit is on the disk, not only in the system's memory, when it returns.
            db.execute("PRAGMA synchronous = FULL")
            db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
        except sqlite3.Error:
            db.close()
            raise
        self._db, self._file = db, _identity(self.path)

    def _make(self, head: bytes) -> None:
        """Make the file; a patient session takes the next name where one is taken. Raises OSError."""
        last = TRIED_NAMES if self._patient else 1
        for number in range(1, last + 1):
            path = self.path if number == 1 else self.path.with_stem(f"{self.path.stem}-{number}")
            try:
                write_new(path, head)
            except FileExistsError:
                if number == last:
                    raise
            else:
                self.path = path
                return

    def _pack(self) -> None:
        """Make a row of the reads so far."""
        if not self._reads:
            return
        arrivals = [number for data, after_us in self._reads for number in (len(data), after_us)]
        data, times = b"".join(data for data, _ in self._reads), struct.pack(f"<{len(arrivals)}I", *arrivals)
        self._held.hold(batch_row(self._first_us, data, times))
        self._reads.clear()
        self._size = 0

    def _write(self, *, last: bool = False) -> None:
        """Write what is held, a portion of it or, at the `last`, all; after a failure only when it is time again."""
        if self.trouble and not last and self._now_us - self._tried_us < RETRY_US:
            return
        self._tried_us = self._now_us
        try:
            if self._db is None:
                self._begin()
            if self.gone:
                raise OSError(errno.ENOENT, "its file was removed or moved")
            while self._held or self._told:
                self._write_portion()
                if not last:
                    break
        except (OSError, sqlite3.Error) as error:
            if not self.trouble:
                _log.warning("session cannot be written: %s", why_not(error))
            self.trouble = why_not(error)
        else:
            self.trouble = ""

    def _write_portion(self) -> None:
        """Write some rows, and what was told, together or not at all. Raises sqlite3.Error."""
        db, rows = self._db, list(self._held.portion(PORTION))
        assert db is not None
        try:
            db.execute("SAVEPOINT portion")
            for row in rows:
                db.execute(row.statement, row.values)
            db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", self._told.items())
            db.execute("RELEASE portion")
        except sqlite3.Error:
            # On a full disk SQLite may have taken all of it back by itself.
            if db.in_transaction:
                with contextlib.suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
            raise
        self._told.clear()
        self._held.written(len(rows))
        self.saved_bytes += sum(len(data) for row in rows if isinstance(data := row.values[1], bytes))

    @contextlib.contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise SessionError(self.path, _refusal(error)) from None


def seconds_text(us: int) -> str:
    """A length of playing in whole seconds, in words; never less than it was."""
    seconds = -(-us // 1_000_000)
    return "1 second" if seconds <= 1 else f"{seconds} seconds"


def remove_session(path: Path, endings: Iterable[str] = ("", "-wal", "-shm", "-journal")) -> None:
    """Remove a session that no program has open, with all that SQLite puts beside it; there may be none."""
    for ending in endings:
        beside(path, ending).unlink(missing_ok=True)


def beside(path: Path, ending: str) -> Path:
    """The file that SQLite puts beside a session, such as its write-ahead log."""
    return path.with_name(path.name + ending)


def names_another_file(path: Path) -> bool:
    """Whether SQLite would delete some other file on opening this one: the one that the journal beside it names.

    A stranger may have written the name, at the journal's end (SQLite's file format, section 3). No journal of this
    program has one. Raises OSError.
    """
    journal = beside(path, "-journal")
    if not journal.exists():
        return False
    if not journal.is_file():
        # A pipe would keep its reader waiting for ever.
        return True
    with journal.open("rb") as file:
        file.seek(max(0, file.seek(0, os.SEEK_END) - len(JOURNAL_MARK)))
        return file.read() == JOURNAL_MARK


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file lies there; none where there is no file."""
    with contextlib.suppress(OSError):
        found = path.stat()
        return found.st_dev, found.st_ino
    return None


def _empty_session(head: Mapping[str, str]) -> bytes:
    """The bytes of a session that holds its description alone."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        for statement in SCHEMA.values():
            db.execute(statement)
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {VERSION}")
        db.executemany("INSERT INTO meta VALUES (?, ?)", ((key, _storable(value)) for key, value in head.items()))
        return db.serialize()


def _refusal(error: sqlite3.Error | OSError) -> str:
    if isinstance(error, FileExistsError):
        return "expected the name of a new file, but this one exists; choose another name, or move it away"
    why = why_not(error)
    return f"{why}; {'make room there' if why.startswith('the disk') else 'choose another place'}"


def _storable(text: str) -> str:
    """Text as SQLite takes it: a port's name may hold bytes that are no UTF-8."""
    return text.encode("utf-8", "backslashreplace").decode()
