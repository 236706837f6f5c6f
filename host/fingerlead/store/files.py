"""A user's files: the folders they are in, a file written whole or not at all, and files of JSON lines that only grow.

What the program keeps is its owner's alone; what a person asks for by name has the rights of any file of theirs. All
writing of the product goes through here, but for what `tests/test_writing.py` names.

Two programs may append to one file of lines. A line that a crash cut off, or that another program wrote, holds no
object: the reader passes over it.
"""

import contextlib
import errno
import json
import os
import re
import secrets
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path

GREATEST_LINE = 1 << 16
GREATEST_FILE = 1 << 26
MOST_LINES = 1 << 20
# What is kept of people is for its owner alone, whatever the umask. FINISHED is never written again.
PRIVATE, PRIVATE_FOLDER, FINISHED = 0o600, 0o700, 0o400
OTHERS = 0o077 if os.name == "posix" else 0
OPENED = re.compile(r"/dev/(stdout|stderr|fd/([0-9]{1,9}))")
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
STANDARD = {"stdout": 1, "stderr": 2}


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
    """Write what the program keeps, whole or not at all, for its owner alone; on the disk when this returns.

    A link at `path` is replaced, and the file that it leads to stays as it is. Raises OSError.
    """
    with _beside(path, data, PRIVATE) as written:
        os.replace(written, path)


def write_new(path: Path, data: bytes) -> None:
    """As `write_whole`, but raises FileExistsError where there is a file already."""
    with _beside(path, data, PRIVATE) as written:
        try:
            os.link(written, path)
        except FileExistsError:
            raise
        except OSError:
            # A disk without hard links, such as a memory stick: between looking and moving another file may come.
            if path.exists():
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
            os.replace(written, path)


def write_output(path: Path, data: bytes | str) -> None:
    """Write what a person asked for, whole or not at all: where it cannot be written, an earlier file stays.

    Its rights are those of the earlier file, else those that the person gives to new files. Follows a link; a device, a
    pipe and /dev/stdout take the bytes as they come. Raises OSError.
    """
    data = data.encode("utf-8") if isinstance(data, str) else data
    opened = OPENED.fullmatch(str(path))
    if opened or (path.exists() and not path.is_file()):
        # What the shell has opened for adding to is not to be emptied, as opening it anew would.
        number = int(opened[2] or STANDARD[opened[1]]) if opened else None
        file = os.open(path, os.O_WRONLY) if number is None else os.dup(number)
        with os.fdopen(file, "wb") as stream:
            stream.write(data)
        return
    place = Path(os.path.realpath(path))
    earlier = place.stat().st_mode & 0o777 if place.exists() else None
    if earlier is not None and not os.access(place, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
    with _beside(place, data, 0o666) as written:
        if earlier is not None:
            with contextlib.suppress(OSError):
                written.chmod(earlier)
        os.replace(written, place)


@contextlib.contextmanager
def _beside(path: Path, data: bytes, mode: int) -> Iterator[Path]:
    """The data in a new file beside `path`, all of it on the disk, to be put in place; it does not stay."""
    written = path.with_name(f".{secrets.token_hex(8)}.part")
    file = os.open(written, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
    try:
        with os.fdopen(file, "wb") as stream:
            if mode == PRIVATE:
                # The umask may have taken the owner's rights away.
                close_to_others(written, PRIVATE)
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        yield written
        sync_folder(path.parent)
    finally:
        written.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk, where the system can; a name is what a power cut loses last."""
    with contextlib.suppress(OSError):
        opened = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)


def make_private(folder: Path) -> None:
    """Make a folder, and those above it, where there is none, for its owner alone; one that is there stays as it is.

    Raises OSError.
    """
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    for each in reversed(missing):
        each.mkdir(PRIVATE_FOLDER, exist_ok=True)
        close_to_others(each, PRIVATE_FOLDER)
    folder.mkdir(exist_ok=True)  # refuses what is there and no folder


def own_private(folder: Path) -> None:
    """As `make_private`, for a folder in which all is the program's: what others may enter is closed, with all in it.

    An earlier version left it open. Rights that cannot be changed (another's folder, a memory stick) stay as they are.
    """
    make_private(folder)
    if folder.stat().st_mode & OTHERS:
        # From within: one that is cut off begins again.
        for place, _, names in os.walk(folder, topdown=False):
            for name in names:
                if not os.path.islink(os.path.join(place, name)):
                    close_to_others(Path(place, name))
            close_to_others(Path(place))


def close_to_others(path: Path, mode: int | None = None) -> None:
    """Leave a file or folder to its owner alone, with the rights given or those the owner has; where that works."""
    with contextlib.suppress(OSError):
        now = stat.S_IMODE(path.stat().st_mode)
        wanted = now & ~OTHERS if mode is None else mode
        if now != wanted:
            path.chmod(wanted)


def open_private(path: Path) -> int:
    """A descriptor of a file for its owner alone, to add to; made where there is none. Raises OSError."""
    file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, PRIVATE)
    close_to_others(path, PRIVATE)
    return file


def why_not(error: OSError | sqlite3.Error) -> str:
    """Why something cannot be written, in a few words."""
    name = getattr(error, "sqlite_errorname", "")
    if name == "SQLITE_FULL" or (isinstance(error, OSError) and error.errno in FULL):
        return "the disk is full"
    if isinstance(error, OSError):
        return f"it cannot be written: {error.strerror or error}"
    return f"the disk fails ({error})" if name.startswith("SQLITE_IOERR") else f"it cannot be written: {error}"


def append_line(path: Path, what: dict[str, object]) -> None:
    """Add an object as one line, on the disk when this returns, or not at all; raises OSError."""
    data = json.dumps(what, ensure_ascii=False, separators=(",", ":")).encode("utf-8")
    if len(data) >= GREATEST_LINE:
        raise ValueError(f"expected a line of at most {GREATEST_LINE} bytes, got {len(data) + 1}")
    add_lines(path, [data])


def add_lines(path: Path, lines: Sequence[bytes]) -> None:
    """Add lines, on the disk when this returns, or none of them; raises OSError."""
    if not lines:
        return
    data = b"".join(line + b"\n" for line in lines)
    begun = not path.exists()
    file = open_private(path)
    try:
        # A line that a crash cut off must not swallow this one.
        if not _ends_a_line(path):
            data = b"\n" + data
        size = os.fstat(file).st_size
        if size + len(data) > GREATEST_FILE:
            # Nothing of a longer file is read: what is added would be lost from sight, with all before it.
            raise OSError(errno.EFBIG, os.strerror(errno.EFBIG), str(path))
        # A full disk may take a part of a line without an error.
        written = os.write(file, data)
        if written < len(data):
            # Unless another program has added to it meanwhile, nothing of the line stays.
            if os.fstat(file).st_size == size + written:
                os.ftruncate(file, size)
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(file)
    finally:
        os.close(file)
    if begun:
        sync_folder(path.parent)


def cut_back(path: Path, from_bytes: int, to_bytes: int) -> None:
    """Take back what was added to a file of lines, unless it has grown since then. Raises OSError."""
    file = open_private(path)
    try:
        if os.fstat(file).st_size == from_bytes:
            os.ftruncate(file, to_bytes)
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


def refused_whole(path: Path) -> str:
    """Why nothing of a file of lines is read; empty where it is, or where there is none."""
    try:
        # So small a file has no line too many.
        if not path.is_file() or path.stat().st_size > MOST_LINES:
            read_lines(path)
    except LineError as error:
        return str(error)
    except OSError as error:
        return f"it cannot be read: {error.strerror or error}"
    return ""


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
