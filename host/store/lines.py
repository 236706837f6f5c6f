"""A file of JSON lines that only grows: each line one object, written whole or not at all.

Two programs may append to one file; a line cut off by a crash, or written by a stranger, is passed over and told.
"""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

GREATEST_LINE = 1 << 16
GREATEST_FILE = 1 << 26


def append_line(path: Path, what: dict[str, object]) -> None:
    """Add an object as one line, on the disk when this returns; raises OSError."""
    data = json.dumps(what, ensure_ascii=False, separators=(",", ":")).encode("utf-8") + b"\n"
    if len(data) > GREATEST_LINE:
        raise ValueError(f"expected a line of at most {GREATEST_LINE} bytes, got {len(data)}")
    file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    try:
        # A line that a crash cut off must not swallow this one.
        if not _ends_a_line(path):
            data = b"\n" + data
        # On a full disk a part of a line may be written, and no error told.
        if os.write(file, data) < len(data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(file)
    finally:
        os.close(file)


def read_lines(path: Path) -> tuple[list[dict[str, object]], list[int]]:
    """The objects of a file, and the numbers (from 1) of lines that hold none; empty where there is no file."""
    try:
        # A pipe would keep whoever reads it waiting for ever.
        if (path.exists() and not path.is_file()) or path.stat().st_size > GREATEST_FILE:
            return [], [1]
        data = path.read_bytes()
    except FileNotFoundError:
        return [], []
    found: list[dict[str, object]] = []
    bad: list[int] = []
    for number, line in enumerate(data.split(b"\n"), 1):
        if not line.strip():
            continue
        try:
            what = json.loads(line) if len(line) <= GREATEST_LINE else None
        except (ValueError, RecursionError):
            what = None
        if isinstance(what, dict):
            found.append(what)
        else:
            bad.append(number)
    return found, bad


def _ends_a_line(path: Path) -> bool:
    with path.open("rb") as file:
        if not file.seek(0, os.SEEK_END):
            return True
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"
