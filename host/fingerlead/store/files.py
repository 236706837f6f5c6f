"""What the bench's files share: TOML of a known form, read without trust and written whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import re
import tomllib
from pathlib import Path
from typing import Any

# --- Where this system keeps a user's own data.


def demo_folder() -> Path:
    """The invented scenario: inside the installed package, or at the top of a checkout."""
    package = Path(__file__).parents[1]
    within = package / "demo"
    return within if within.is_dir() else package.parents[1] / "demo"


def own_folder() -> Path:
    """The folder of this program; sittings, progress and a studio lie in it unless told otherwise."""
    import platformdirs

    return platformdirs.user_data_path("fingerlead")


# --- A file of JSON lines that only grows: each line one object, written whole or not at all.
#
# Two programs may append to one file; a line cut off by a crash, or written by a stranger, is passed over and told.

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


# ---

SIZE_LIMIT = 64_000
LONGEST_NAME = 80
GREATEST_US = 1_000_000
GREATEST_RAW = 65_535


class CalibrationError(ValueError):
    """A calibration that cannot be used or kept; str() is one sentence."""


def calibrations_folder() -> Path:
    """Where calibrations are kept if nobody says otherwise."""
    import platformdirs

    return Path(platformdirs.user_data_path("fingerlead")) / "calibrations"


def quoted(text: str) -> str:
    """Text as TOML writes it."""
    # A JSON string is a TOML basic string, but for DEL.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def parsed(text: str, source: str, schema: str) -> dict[str, Any]:
    """A file's content; CalibrationError, with `source` in front, where it is no TOML or of another schema."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CalibrationError(f"{source}: expected a calibration in TOML; {error}") from None
    except (ValueError, RecursionError):
        raise CalibrationError(
            f"{source}: expected a calibration in TOML; a number or a nesting in it has no end; calibrate again"
        ) from None
    if content.get("schema") != schema:
        raise CalibrationError(f"{source}: expected schema = {schema!r}; got {str(content.get('schema'))[:40]!r}")
    return content


def text_of(content: dict[str, Any], key: str, source: str) -> str:
    """A short printable text; else CalibrationError."""
    value = content.get(key)
    if isinstance(value, str) and value.strip() and len(value) <= LONGEST_NAME and value.isprintable():
        return value
    raise CalibrationError(f"{source}: expected {key} to be text of at most {LONGEST_NAME} characters")


def device_of(content: dict[str, Any], source: str) -> str:
    """The device id in hexadecimal digits; else CalibrationError."""
    value = content.get("device")
    if isinstance(value, str) and re.fullmatch(r"[0-9a-f]{16}", value):
        return value
    raise CalibrationError(f"{source}: expected device to be 16 hexadecimal digits, as fingerlead devices shows them")


def whole_of(row: dict[str, Any], key: str, what: str) -> int:
    """A whole number that a raw sample can be; else CalibrationError."""
    value = row.get(key)
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= GREATEST_RAW:
        return value
    raise CalibrationError(f"{what}: expected {key} to be a whole number from 0 to {GREATEST_RAW}")


def number_of(row: dict[str, Any], key: str, what: str, least: float = 0.0, most: float = GREATEST_RAW) -> float:
    """A number within limits; else CalibrationError."""
    value = row.get(key)
    # A comparison with NaN is false.
    if isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most:
        return float(value)
    raise CalibrationError(f"{what}: expected {key} to be a number from {least:g} to {most:g}")


def is_there(path: Path) -> bool:
    """Whether there is something at a path; CalibrationError where nobody may look."""
    try:
        return path.exists()
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be read: {error.strerror or error}; name another folder with --folder"
        ) from None


def read(path: Path) -> str:
    """A small text file; CalibrationError where it is none, or cannot be read."""
    try:
        if path.exists() and not path.is_file():
            # A pipe that nobody writes to would be waited for without end.
            raise CalibrationError(f"{path}: expected a file, but this is a folder or a device; name another")
        with path.open("rb") as file:
            data = file.read(SIZE_LIMIT + 1)
        if len(data) > SIZE_LIMIT:
            raise CalibrationError(f"{path}: expected a file of at most {SIZE_LIMIT} bytes; this one is longer")
        return data.decode("utf-8")
    except OSError as error:
        raise CalibrationError(f"{path}: cannot be read: {error.strerror or error}; name another") from None
    except UnicodeDecodeError:
        raise CalibrationError(f"{path}: expected UTF-8 text; calibrate again") from None


def write(path: Path, text: str) -> None:
    """Write a file whole or not at all; CalibrationError where it cannot be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_name(path.name + ".new")
        # What lies there is left over, or a link that leads into another file.
        beside.unlink(missing_ok=True)
        with beside.open("x", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be written: {error.strerror or error}; name another folder with --folder"
        ) from None
