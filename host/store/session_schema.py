"""What makes an SQLite file a session: its marks, its tables, and the error that names a bad one."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

MAGIC = b"SQLite format 3\0"
APPLICATION_ID = int.from_bytes(b"FLse", "big")
VERSION = 1

Carrier = Literal["stream", "sysex", "plain"]

# A file is a session only if its tables are these, to the letter: an expression in a stranger's table would be run.
SCHEMA = {
    "meta": "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "batch": "CREATE TABLE batch (number INTEGER PRIMARY KEY, first_us INTEGER NOT NULL, bytes BLOB NOT NULL, "
    "arrivals BLOB NOT NULL)",
    "mark": "CREATE TABLE mark (number INTEGER PRIMARY KEY, host_us INTEGER NOT NULL, kind TEXT NOT NULL, "
    "cause TEXT NOT NULL)",
}


class SessionError(ValueError):
    """A session that cannot be read or written; `reason` is one plain sentence, and `str()` is the reason alone."""

    def __init__(self, path: Path, reason: str) -> None:
        self.path, self.reason = path, reason
        super().__init__(reason)
