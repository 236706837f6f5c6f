"""What the bench's files share: TOML of a known form, read without trust and written whole or not at all."""

from __future__ import annotations

import json
import os
import re
import tomllib
from pathlib import Path
from typing import Any

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
