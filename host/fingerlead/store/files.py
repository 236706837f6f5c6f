"""A user's files: the folders they are in, a file written whole or not at all, and files of JSON lines that only grow.

Two programs may append to one file of lines. A line that a crash cut off, or that another program wrote, holds no
object: the reader passes over it.
"""

import contextlib
import errno
import json
import os
import secrets
from itertools import islice
from pathlib import Path

GREATEST_LINE = 1 << 16
GREATEST_FILE = 1 << 26
MOST_LINES = 1 << 20


class LineError(ValueError):
    """A line that holds no object of ours; `str()` says what was expected and what came."""


def own_folder() -> Path:
    """The folder of this program; sessions, progress and a studio are kept there by default."""
    import platformdirs

    return platformdirs.user_data_path("fingerlead")


def demo_folder() -> Path:
    """The invented scenario: inside the installed package, or at the top of a checkout."""
    package = Path(__file__).parents[1]
    within = package / "demo"
    return within if within.is_dir() else package.parents[1] / "demo"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: a new file beside it takes its place once that is on the disk. Raises OSError.

    A link at `path` is replaced, and the file that it leads to stays as it is.
    """
    beside = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with beside.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)


def write_output(path: Path, data: bytes | str) -> None:
    """Write what a person asked for, whole or not at all: where it cannot be written, an earlier file stays.

    Follows a link; a device or a pipe takes the bytes as they come. Raises OSError.
    """
    data = data.encode("utf-8") if isinstance(data, str) else data
    if path.exists() and not path.is_file():
        path.write_bytes(data)
    else:
        write_whole(path.resolve(), data)


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
        # A full disk may take a part of a line without an error.
        if os.write(file, data) < len(data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(file)
    finally:
        os.close(file)


def read_lines(path: Path) -> list[tuple[int, bytes]]:
    """The lines that are not blank, numbered from 1; none where there is no file. Raises OSError, LineError."""
    try:
        # A pipe would keep its reader waiting for ever.
        if (path.exists() and not path.is_file()) or path.stat().st_size > GREATEST_FILE:
            raise LineError(f"expected a file of at most {GREATEST_FILE >> 20} MB: nothing of it is read")
        with path.open("rb") as file:
            lines = ((number, line) for number, line in enumerate(file, 1) if line.strip())
            found = list(islice(lines, MOST_LINES + 1))
    except FileNotFoundError:
        return []
    if len(found) > MOST_LINES:
        raise LineError(f"expected a file of at most {MOST_LINES} lines: nothing of it is read")
    return found


def object_in(line: bytes) -> dict[str, object]:
    """The object that a line holds; raises LineError."""
    if len(line) > GREATEST_LINE:
        raise LineError(f"expected at most {GREATEST_LINE} bytes, got {len(line)}")
    try:
        what = json.loads(line)
    except (ValueError, RecursionError):
        raise LineError("expected a JSON object, got something damaged") from None
    if not isinstance(what, dict):
        raise LineError("expected a JSON object, got another value")
    return what


def objects_in(path: Path) -> list[dict[str, object]]:
    """The objects of a file of lines, without what holds none; raises OSError."""
    found = []
    with contextlib.suppress(LineError):
        for _, line in read_lines(path):
            with contextlib.suppress(LineError):
                found.append(object_in(line))
    return found


def _ends_a_line(path: Path) -> bool:
    with path.open("rb") as file:
        if not file.seek(0, os.SEEK_END):
            return True
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"
