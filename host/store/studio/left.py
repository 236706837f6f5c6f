"""Sessions that lie in a pupil's folder and are not taken in yet: a turn or a sitting that is over, or was cut off."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from host.store.session_file import SessionError, remove_session
from host.store.studio.pupils import StudioError

if TYPE_CHECKING:
    from host.store.studio.studio import Studio

# What can be wrong with one of them, and must not keep the others away.
FAILURES = (SessionError, StudioError, OSError, sqlite3.Error)


def bring_home(studio: Studio, key: str, folder: Path) -> int:
    """Take in what lies in a folder, and remove it there; how many sessions were new.

    What another program has open stays, and so does what is refused.
    """
    new = 0
    for path in sorted(folder.glob("*.session")):
        with contextlib.suppress(*FAILURES):
            if _at_rest(path):
                taken = studio.take_in(key, path)
                new += taken.outcome == "new"
                if taken.outcome != "refused":
                    remove_session(path)
    return new


def _at_rest(path: Path) -> bool:
    """Whether no program has the session open: only then does SQLite bring it into one single file."""
    with contextlib.closing(sqlite3.connect(path, timeout=0)) as db:
        return bool(db.execute("PRAGMA journal_mode = DELETE").fetchone() == ("delete",))
