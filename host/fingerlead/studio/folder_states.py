"""What a pupil's folder looks like: which sessions are in it, whether it has changed, and what in it is at rest."""

import contextlib
import os
import re
import sqlite3
import time
from collections.abc import Set
from pathlib import Path

from fingerlead.store.session_file import SessionError, names_another_file
from fingerlead.store.session_reading import read_session
from fingerlead.studio.conflicts import RESTS_S
from fingerlead.studio.index import DIGEST_LETTERS, digest_of
from fingerlead.studio.pupils import StudioError

# What can be wrong with one session, and must not keep the others away.
FAILURES = (SessionError, StudioError, OSError, sqlite3.Error)
ENDING = ".session"
SESSION = re.compile(f"[0-9a-f]{{{DIGEST_LETTERS}}}{re.escape(ENDING)}")
# What `take_in` and `write_whole` put there until it is whole.
LEFT = re.compile(rf"\.([0-9a-f]{{{DIGEST_LETTERS}}}-[0-9]+(-[a-z]+)?|[0-9a-f]{{16}}\.part)")
LEFT_BEHIND_S = 3_600


def session_names(folder: Path) -> list[str]:
    """The files named by a digest: sessions that were taken in. A link is none, and no other name is."""
    found = [entry for entry in entries_of(folder) if SESSION.fullmatch(entry.name)]
    return [entry.name for entry in found if entry.is_file(follow_symlinks=False)]


def stamp_of(folder: Path, damaged: Set[tuple[str, str]]) -> tuple[object, ...]:
    """What changes when a file comes into a pupil's folder or goes, or one that could not be read is written on."""
    files = [folder / "sessions" / f"{digest}{ENDING}" for key, digest in sorted(damaged) if key == folder.name]
    return tuple(_state(each) for each in (folder, folder / "sessions", folder / "practice", *files))


def _state(path: Path) -> tuple[int, int]:
    try:
        of = path.stat()
    except OSError:
        return 0, 0
    return of.st_mtime_ns, of.st_size


def is_busy(folder: Path) -> bool:
    """Whether something in a pupil's folder was written just now."""
    places = (folder, folder / "sessions", folder / "practice")
    return any(abs(time.time() - _state(place)[0] / 1e9) < 2 * RESTS_S for place in places)


def rests(path: Path) -> bool:
    """Whether a file is one, and was not written just now."""
    return path.is_file() and not path.is_symlink() and abs(time.time() - path.stat().st_mtime) > RESTS_S


def is_whole(path: Path, digest: str) -> bool:
    """Whether a session's file is there and holds what its name says."""
    try:
        return digest_of(read_session(path)) == digest
    except FAILURES:
        return False


def entries_of(folder: Path) -> list[os.DirEntry[str]]:
    """What is in a pupil's folder of sessions; nothing where that is missing, or a link to another folder."""
    sessions = folder / "sessions"
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        return [] if sessions.is_symlink() else list(os.scandir(sessions))
    return []


def sweep(folder: Path) -> None:
    """Remove what a program that was killed has left; what another may be writing now is younger."""
    with contextlib.suppress(OSError):
        for entry in entries_of(folder):
            if LEFT.fullmatch(entry.name) and time.time() - entry.stat().st_mtime > LEFT_BEHIND_S:
                os.unlink(entry.path)


def is_at_rest(path: Path) -> bool:
    """Whether no program has the session open: only then does SQLite bring it into one single file."""
    if names_another_file(path):
        return False
    with contextlib.closing(sqlite3.connect(path, timeout=0)) as db:
        return bool(db.execute("PRAGMA journal_mode = DELETE").fetchone() == ("delete",))
