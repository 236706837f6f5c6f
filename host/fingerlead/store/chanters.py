"""The levels of each pupil on a chanter, on disk, and the form in which its skew is kept beside them (`skews`).

    FOLDER/DEVICE/PUPIL.toml          levels, and how the holes read when they were made
    FOLDER/DEVICE/PUPIL.before.toml   what was in use before, for undoing

DEVICE is the device id in hexadecimal digits. PUPIL is a digest, so that the name of a file gives no pupil's away. The
files are TOML of a known form, read without trust and written whole or not at all.
"""

import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from operator import attrgetter
from pathlib import Path

from fingering.holes import FINGERS, HOLES
from fingering.toml_file import FileError, TomlFile, read_bytes, shortened
from fingerlead.phrases import listed
from fingerlead.store.files import own_folder, own_private, write_whole
from fingerlead.wire.messages import Levels

CALIBRATION_SCHEMA = "fingerlead-calibration-1"
ANYONE = "anyone"
DRIFTED = 0.15  # of the swing; our own choice
# The share of the swing at which a finger is 0.2 mm above the rim: 0.76 of a capacitive sensor (reach 0.8 mm), 0.83 of
# an infrared one (2 mm); from memory, and calculated.
SEAL = 0.8
# Of the swing: where levels must be to count as near the seal.
LEAST_SEAL, MOST_SEAL = 0.7, 0.9
LONGEST_NAME = 80
GREATEST_RAW = 65_535


class CalibrationError(ValueError):
    """A calibration that cannot be used or kept; `str()` is one sentence."""


class CalibrationFileError(CalibrationError, FileError):
    """A file of a chanter that cannot be used: which, in which line, and why."""


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
    """Where calibrations are kept by default."""
    return own_folder() / "calibrations"


# --- Calibrations: the levels of a pupil on a chanter.


def to_toml(calibration: Calibration) -> str:
    """The file's text."""
    return file_text(
        "Levels of a chanter's holes, in raw samples.",
        {
            "schema": CALIBRATION_SCHEMA,
            "device": calibration.device,
            "pupil": calibration.pupil,
            "made": calibration.made,
        },
        [
            {
                "name": FINGERS[hole],
                "cover_at": cover_at,
                "uncover_at": uncover_at,
                "open_raw": float(calibration.open_raw[hole]),
                "covered_raw": float(calibration.covered_raw[hole]),
            }
            for hole, (cover_at, uncover_at) in enumerate(calibration.levels)
        ],
    )


def from_toml(data: bytes, source: str) -> Calibration:
    """A file's bytes; CalibrationError, with the source in front, where it is none."""
    file = read_file(data, source, (CALIBRATION_SCHEMA,), (HOLES,), "calibrate again")
    levels = []
    for name, row in zip(FINGERS, file.entries, strict=True):
        cover_at, uncover_at = (row.number(key, 0, GREATEST_RAW, whole=True) for key in ("cover_at", "uncover_at"))
        if cover_at <= uncover_at:
            row.refuse("cover_at", f"{name}: expected cover_at above uncover_at; got {cover_at} and {uncover_at}")
        levels.append((cover_at, uncover_at))
    open_raw, covered_raw = (numbers_of(file, key, 0, GREATEST_RAW) for key in ("open_raw", "covered_raw"))
    pupil, made = (file.head.text(key, limit=LONGEST_NAME) for key in ("pupil", "made"))
    return Calibration(file.head.values["device"], pupil, made, tuple(levels), open_raw, covered_raw)


def calibration_path(folder: Path, device: str, pupil: str) -> Path:
    """Where the calibration of a pupil on a chanter is kept."""
    digest = sha256(unicodedata.normalize("NFC", pupil).encode()).hexdigest()
    return folder / device / f"pupil-{digest[:12]}.toml"


def keep_calibration(folder: Path, calibration: Calibration) -> Path:
    """Write a calibration, whole or not at all. CalibrationError."""
    return write_file(calibration_path(folder, calibration.device, calibration.pupil), to_toml(calibration))


def keep_earlier(folder: Path, before: Calibration) -> None:
    """Write what is in use until another is given, for `load_earlier`. CalibrationError."""
    write_file(calibration_path(folder, before.device, before.pupil).with_suffix(".before.toml"), to_toml(before))


def find_calibration(folder: Path, device: str, pupil: str) -> Calibration | None:
    """The calibration of a pupil on a chanter, None where there is none; CalibrationError where it cannot be used."""
    path = calibration_path(folder, device, pupil)
    if not is_kept(path):
        return None
    calibration = load_calibration(path)
    if calibration.device != device:
        raise CalibrationError(
            f"{path}: expected a calibration of chanter {device}; this is another's; calibrate again"
        )
    return calibration


def load_earlier(folder: Path, device: str, pupil: str) -> Calibration:
    """What was in use before the last calibration. CalibrationError where there was none."""
    path = calibration_path(folder, device, pupil).with_suffix(".before.toml")
    if not is_kept(path):
        raise CalibrationError(
            "expected an earlier calibration to go back to, but none is kept for this chanter and pupil"
        )
    return load_calibration(path)


def load_calibration(path: Path) -> Calibration:
    """A calibration file; CalibrationError where it cannot be read or used."""
    return from_toml(read_bytes(path, CalibrationFileError), str(path))


def fit_for(calibration: Calibration, device: str, anyway: bool = False) -> Calibration:
    """The calibration, for this chanter; CalibrationError where it is another's, unless `anyway`."""
    if calibration.device != device and not anyway:
        raise CalibrationError(
            f"this calibration was made with chanter {calibration.device}, but this is {device}; calibrate this one, "
            "or add --anyway if you know that it fits"
        )
    return replace(calibration, device=device)


def drift_words(calibration: Calibration, open_raw: tuple[float, ...]) -> str | None:
    """A proposal to calibrate again where open holes no longer read as they did; None where they do.

    Nothing is ever changed by itself.
    """
    holes = zip(FINGERS, calibration.open_raw, calibration.covered_raw, open_raw, strict=True)
    moved = [name for name, was, covered, now in holes if 0 < DRIFTED * (covered - was) < abs(now - was)]
    if not moved:
        return None
    return f"Open, {listed(moved)} no longer read as when they were calibrated: calibrate again when you have time."


def calibration_of(device_id: bytes, pupil: str, folder: Path | None = None) -> Calibration | None:
    """What is kept of a pupil on a chanter, else of anyone on it; None where that is nothing, or cannot be used."""
    folder, device = folder or calibrations_folder(), device_id.hex()
    try:
        return find_calibration(folder, device, pupil) or find_calibration(folder, device, ANYONE)
    except CalibrationError:
        return None


def near_seal(device: str, folder: Path) -> Calibration | None:
    """What is kept of a chanter last.

    None where nothing is kept, or any levels that are not near the seal, such as those about the middle.
    """
    try:
        files = sorted((folder / device).glob("pupil-*.toml"))
        kept = [load_calibration(path) for path in files if not path.name.endswith(".before.toml")]
    except (CalibrationError, OSError):
        return None
    shares = [
        ((cover_at + uncover_at) / 2 - low) / max(high - low, 1.0)
        for one in kept
        for (cover_at, uncover_at), low, high in zip(one.levels, one.open_raw, one.covered_raw, strict=True)
    ]
    if not shares or not all(LEAST_SEAL <= share <= MOST_SEAL for share in shares):
        return None
    return max(kept, key=attrgetter("made"))


def iso_time(text: str) -> str:
    """The time that a text says, in ISO; nothing where it says none."""
    try:
        return datetime.fromisoformat(text).isoformat()
    except ValueError:
        return ""


# --- The form of both files, calibrations and skews.


def file_text(comment: str, head: Mapping[str, object], rows: list[dict[str, object]]) -> str:
    """The text of a file: a comment, its head, and a row for each hole."""
    return "\n".join([f"# {comment}\n{_lines(head)}", *(f"[[hole]]\n{_lines(row)}" for row in rows)])


def _lines(values: Mapping[str, object]) -> str:
    return "".join(f"{key} = {_value(value)}\n" for key, value in values.items())


def _value(value: object) -> str:
    """A text or a number as TOML writes it."""
    if isinstance(value, str):
        # A JSON string is a TOML basic string, but for DEL.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, float):
        # A share or a millimetre has its thousandths, a raw sample and a microsecond the tenth.
        return f"{value:.1f}" if abs(value) >= 1 or value == 0 else f"{value:.4f}"
    return str(value)


def read_file(data: bytes, source: str, schemas: tuple[str, ...], holes: tuple[int, ...], again: str) -> TomlFile:
    """A file of one of these forms, of so many holes; CalibrationError, with the source in front, where it is none."""
    file = TomlFile(data, source, "hole", CalibrationFileError)
    if file.head.values.get("schema") not in schemas:
        wanted = " or ".join(map(repr, schemas))
        file.head.refuse(
            "schema", f"expected schema = {wanted}; got {shortened(file.head.values.get('schema'))}; {again}"
        )
    if len(file.entries) not in holes:
        file.refuse(None, f"expected {' or '.join(map(str, holes))} [[hole]] entries; got {len(file.entries)}; {again}")
    for name, row in zip(FINGERS[-len(file.entries) :], file.entries, strict=True):
        if row.values.get("name") != name:
            got = shortened(row.values.get("name"))
            row.refuse("name", f"expected the holes from the top down, here name = {name!r}; got {got}; {again}")
    device = file.head.values.get("device")
    if not (isinstance(device, str) and re.fullmatch(r"[0-9a-f]{16}", device)):
        file.head.refuse("device", "expected device to be 16 hexadecimal digits, as fingerlead devices shows them")
    return file


def numbers_of(file: TomlFile, key: str, least: float, most: float) -> tuple[float, ...]:
    """A number of each hole."""
    return tuple(float(row.number(key, least, most)) for row in file.entries)


def is_kept(path: Path) -> bool:
    """Whether there is such a file. CalibrationError where that cannot be told."""
    try:
        return path.exists()
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be read: {error.strerror or error}; name another folder with --folder"
        ) from None


def write_file(path: Path, text: str) -> Path:
    """Write a file, for its owner alone. CalibrationError."""
    try:
        own_private(path.parent)
        write_whole(path, text.encode())
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be written: {error.strerror or error}; name another folder with --folder"
        ) from None
    return path
