"""Calibrations on disk: one TOML file for each pupil and chanter, the one before it for undoing, and a chanter's skew.

    FOLDER/DEVICE/PUPIL.toml          levels, and what the holes were like when they were made
    FOLDER/DEVICE/PUPIL.before.toml   what was in use before
    FOLDER/DEVICE/skew.toml           the straight-bar test; it belongs to the chanter, whoever plays

DEVICE is the device id in hexadecimal digits. PUPIL is a digest of the name: a file's name tells nobody's.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
import unicodedata
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fingering.holes import FINGERS, HOLES
from host.bench.skew import Skew

if TYPE_CHECKING:
    from host.wire.messages import Levels

SIZE_LIMIT = 64_000
LONGEST_NAME = 80
GREATEST_US = 1_000_000
GREATEST_RAW = 65_535
ANYONE = "anyone"
DRIFTED = 0.15  # of the swing; our own choice
SCHEMA, SKEW_SCHEMA = "fingerlead-calibration-1", "fingerlead-skew-1"


class CalibrationError(ValueError):
    """A calibration that cannot be used or kept; str() is one sentence."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Levels of one pupil on one chanter. `open_raw`, `covered_raw` are the holes as they were; `made` is ISO time."""

    device: str
    pupil: str
    made: str
    levels: Levels
    open_raw: tuple[float, ...]
    covered_raw: tuple[float, ...]


def calibrations_folder() -> Path:
    """Where calibrations are kept if nobody says otherwise."""
    import platformdirs

    return Path(platformdirs.user_data_path("fingerlead")) / "calibrations"


# -- text --------------------------------------------------------------------------------------------------------------


def to_toml(calibration: Calibration) -> str:
    """The file's text."""
    rows = [
        f"[[hole]]\nname = {_quoted(FINGERS[hole])}\ncover_at = {cover_at}\nuncover_at = {uncover_at}\n"
        f"open_raw = {calibration.open_raw[hole]:.1f}\ncovered_raw = {calibration.covered_raw[hole]:.1f}\n"
        for hole, (cover_at, uncover_at) in enumerate(calibration.levels)
    ]
    head = (
        f"# Levels of a chanter's holes, in raw samples.\nschema = {_quoted(SCHEMA)}\n"
        f"device = {_quoted(calibration.device)}\npupil = {_quoted(calibration.pupil)}\n"
        f"made = {_quoted(calibration.made)}\n"
    )
    return "\n".join([head, *rows])


def from_toml(text: str, source: str) -> Calibration:
    """A file's text; CalibrationError, with the source in front, where it is none."""
    content = _parsed(text, source, SCHEMA)
    rows = content.get("hole")
    if not isinstance(rows, list) or len(rows) != HOLES or not all(isinstance(row, dict) for row in rows):
        raise CalibrationError(f"{source}: expected eight [[hole]] entries, from the thumb down; calibrate again")
    levels = []
    raws: list[tuple[float, float]] = []
    for hole, row in enumerate(rows):
        what = f"{source}: {FINGERS[hole]}"
        cover_at, uncover_at = _whole(row, "cover_at", what), _whole(row, "uncover_at", what)
        if cover_at <= uncover_at:
            raise CalibrationError(f"{what}: expected cover_at above uncover_at; got {cover_at} and {uncover_at}")
        levels.append((cover_at, uncover_at))
        raws.append((_number(row, "open_raw", what), _number(row, "covered_raw", what)))
    return Calibration(
        device=_device(content, source),
        pupil=_text(content, "pupil", source),
        made=_text(content, "made", source),
        levels=tuple(levels),
        open_raw=tuple(raw[0] for raw in raws),
        covered_raw=tuple(raw[1] for raw in raws),
    )


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string, but for DEL.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _parsed(text: str, source: str, schema: str) -> dict[str, Any]:
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


def _text(content: dict[str, Any], key: str, source: str) -> str:
    value = content.get(key)
    if isinstance(value, str) and value.strip() and len(value) <= LONGEST_NAME and value.isprintable():
        return value
    raise CalibrationError(f"{source}: expected {key} to be text of at most {LONGEST_NAME} characters")


def _device(content: dict[str, Any], source: str) -> str:
    value = content.get("device")
    if isinstance(value, str) and re.fullmatch(r"[0-9a-f]{16}", value):
        return value
    raise CalibrationError(f"{source}: expected device to be 16 hexadecimal digits, as fingerlead devices shows them")


def _whole(row: dict[str, Any], key: str, what: str) -> int:
    value = row.get(key)
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= GREATEST_RAW:
        return value
    raise CalibrationError(f"{what}: expected {key} to be a whole number from 0 to {GREATEST_RAW}")


def _number(row: dict[str, Any], key: str, what: str, least: float = 0.0, most: float = GREATEST_RAW) -> float:
    value = row.get(key)
    # A comparison with NaN is false.
    if isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most:
        return float(value)
    raise CalibrationError(f"{what}: expected {key} to be a number from {least:g} to {most:g}")


# -- files -------------------------------------------------------------------------------------------------------------


def path_of(folder: Path, device: str, pupil: str) -> Path:
    """Where the calibration of a pupil on a chanter is kept."""
    digest = sha256(unicodedata.normalize("NFC", pupil).encode()).hexdigest()
    return folder / device / f"pupil-{digest[:12]}.toml"


def keep(folder: Path, calibration: Calibration) -> Path:
    """Write it, whole or not at all. CalibrationError."""
    path = path_of(folder, calibration.device, calibration.pupil)
    _write(path, to_toml(calibration))
    return path


def keep_before(folder: Path, before: Calibration) -> None:
    """Write what is in use until another is given, for `undone`. CalibrationError."""
    _write(path_of(folder, before.device, before.pupil).with_suffix(".before.toml"), to_toml(before))


def find(folder: Path, device: str, pupil: str) -> Calibration | None:
    """The calibration of a pupil on a chanter, None where there is none; CalibrationError where it cannot be used."""
    path = path_of(folder, device, pupil)
    if not _is_there(path):
        return None
    calibration = load(path)
    if calibration.device != device:
        raise CalibrationError(
            f"{path}: expected a calibration of chanter {device}; this is another's; calibrate again"
        )
    return calibration


def undone(folder: Path, device: str, pupil: str) -> Calibration:
    """What was in use before the last calibration. CalibrationError where there was none."""
    path = path_of(folder, device, pupil).with_suffix(".before.toml")
    if not _is_there(path):
        raise CalibrationError(
            "expected an earlier calibration to go back to, but none is kept for this chanter and pupil"
        )
    return load(path)


def load(path: Path) -> Calibration:
    """A calibration file; CalibrationError where it cannot be read or used."""
    return from_toml(_read(path), str(path))


def fit_for(calibration: Calibration, device: str, anyway: bool = False) -> Calibration:
    """The calibration, for this chanter; CalibrationError where it is another's, unless `anyway`."""
    if calibration.device == device:
        return calibration
    if not anyway:
        raise CalibrationError(
            f"this calibration was made with chanter {calibration.device}, but this is {device}; calibrate this one, "
            "or add --anyway if you know that it fits"
        )
    return replace(calibration, device=device)


def drift_words(calibration: Calibration, open_raw: tuple[float, ...]) -> str | None:
    """A proposal to calibrate again where open holes no longer read as they did; None where they do.

    Nothing is ever changed by itself.
    """
    moved = []
    for hole in range(HOLES):
        swing = calibration.covered_raw[hole] - calibration.open_raw[hole]
        if swing > 0 and abs(open_raw[hole] - calibration.open_raw[hole]) > DRIFTED * swing:
            moved.append(FINGERS[hole])
    if not moved:
        return None
    return f"Open, {_listed(moved)} no longer read as when they were calibrated: calibrate again when you have time."


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


# -- skew --------------------------------------------------------------------------------------------------------------


def keep_skew(folder: Path, device: str, made: str, skew: Skew) -> Path:
    """Write a chanter's skew. CalibrationError."""
    rows = [
        f"[[hole]]\nname = {_quoted(FINGERS[hole])}\nskew_us = {one:.1f}\nbias_us = {bias:.1f}\n"
        for hole, (one, bias) in enumerate(zip(skew.skew_us, skew.bias_us, strict=True), 1)
    ]
    head = (
        "# Front holes under a rigid bar; what is even along the chanter is not known, nor the thumb.\n"
        f"schema = {_quoted(SKEW_SCHEMA)}\ndevice = {_quoted(device)}\nmade = {_quoted(made)}\n"
        f"uncertain_us = {skew.uncertain_us:.1f}\nlifts = {skew.lifts}\nlays = {skew.lays}\n"
    )
    path = folder / device / "skew.toml"
    _write(path, "\n".join([head, *rows]))
    return path


def load_skew(folder: Path, device: str) -> Skew | None:
    """A chanter's skew, None where it was never measured; CalibrationError where the file cannot be used."""
    path = folder / device / "skew.toml"
    if not _is_there(path):
        return None
    source = str(path)
    content = _parsed(_read(path), source, SKEW_SCHEMA)
    if _device(content, source) != device:
        raise CalibrationError(f"{source}: expected the skew of chanter {device}; this is another's")
    rows = content.get("hole")
    if not isinstance(rows, list) or len(rows) != HOLES - 1 or not all(isinstance(row, dict) for row in rows):
        raise CalibrationError(f"{source}: expected seven [[hole]] entries; measure again")
    signed = {"least": -GREATEST_US, "most": GREATEST_US}
    return Skew(
        skew_us=tuple(_number(row, "skew_us", source, **signed) for row in rows),
        bias_us=tuple(_number(row, "bias_us", source, **signed) for row in rows),
        uncertain_us=_number(content, "uncertain_us", source, most=GREATEST_US),
        lifts=_whole(content, "lifts", source),
        lays=_whole(content, "lays", source),
    )


def calibration_of(device_id: bytes, pupil: str, folder: Path | None = None) -> Calibration | None:
    """What is kept of a pupil on a chanter, else of anyone on it; None where that is nothing, or cannot be used."""
    folder, device = folder or calibrations_folder(), device_id.hex()
    try:
        return find(folder, device, pupil) or find(folder, device, ANYONE)
    except CalibrationError:
        return None


def measured_skew_us(device_id: bytes, folder: Path | None = None) -> int | None:
    """The skew of a chanter as the timing uncertainty takes it; None where it was never measured, or cannot be read."""
    try:
        skew = load_skew(folder or calibrations_folder(), device_id.hex())
    except CalibrationError:
        return None
    return None if skew is None else min(skew.apart_us, GREATEST_US)


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be read: {error.strerror or error}; name another folder with --folder"
        ) from None


def _read(path: Path) -> str:
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


def _write(path: Path, text: str) -> None:
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
