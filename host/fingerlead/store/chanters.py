"""What is known of a chanter, on disk: the levels of each pupil on it, and the skew of its sensors.

    FOLDER/DEVICE/PUPIL.toml          levels, and how the holes read when they were made
    FOLDER/DEVICE/PUPIL.before.toml   what was in use before, for undoing
    FOLDER/DEVICE/skew.toml           the skew, as the straight-bar test found it: the same for every pupil

DEVICE is the device id in hexadecimal digits. PUPIL is a digest, so that the name of a file gives no pupil's away. The
files are TOML of a known form, read without trust and written whole or not at all.
"""

import json
import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from fingering.holes import FINGERS, HOLES
from fingerlead.store.files import own_folder, write_whole
from fingerlead.wire.messages import Levels

CALIBRATION_SCHEMA = "fingerlead-calibration-1"
SKEW_SCHEMA = "fingerlead-skew-1"
ANYONE = "anyone"
DRIFTED = 0.15  # of the swing; our own choice
SIZE_LIMIT = 64_000
LONGEST_NAME = 80
GREATEST_US = 1_000_000
GREATEST_RAW = 65_535


class CalibrationError(ValueError):
    """A calibration that cannot be used or kept; `str()` is one sentence."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Levels of one pupil on one chanter. `open_raw`, `covered_raw` are the holes as they were; `made` is ISO time."""

    device: str
    pupil: str
    made: str
    levels: Levels
    open_raw: tuple[float, ...]
    covered_raw: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Skew:
    """What was fitted: `skew_us` and `bias_us` (how much later a lift shows than a lay) for each front hole.

    `uncertain_us` is twice the greatest standard error of a hole's lift or lay. `lifts`, `lays`: events that were used.
    """

    skew_us: tuple[float, ...]
    bias_us: tuple[float, ...]
    uncertain_us: float
    lifts: int
    lays: int

    @property
    def apart_us(self) -> int:
        """How far apart two sensors may see one motion, lift or lay: this is the skew of the timing uncertainty."""
        seen = [
            skew + sign * bias / 2 for skew, bias in zip(self.skew_us, self.bias_us, strict=True) for sign in (1, -1)
        ]
        return round(max(seen) - min(seen) + self.uncertain_us)


def calibrations_folder() -> Path:
    """Where calibrations are kept by default."""
    return own_folder() / "calibrations"


# --- Calibrations: the levels of a pupil on a chanter.


def to_toml(calibration: Calibration) -> str:
    """The file's text."""
    return _text(
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


def from_toml(text: str, source: str) -> Calibration:
    """A file's text; CalibrationError, with the source in front, where it is none."""
    content, rows = _parsed(text, source, CALIBRATION_SCHEMA, HOLES)
    if rows is None:
        raise CalibrationError(f"{source}: expected eight [[hole]] entries, from the thumb down; calibrate again")
    levels = []
    raws = []
    for hole, row in enumerate(rows):
        what = f"{source}: {FINGERS[hole]}"
        cover_at, uncover_at = _whole_of(row, "cover_at", what), _whole_of(row, "uncover_at", what)
        if cover_at <= uncover_at:
            raise CalibrationError(f"{what}: expected cover_at above uncover_at; got {cover_at} and {uncover_at}")
        levels.append((cover_at, uncover_at))
        raws.append((_number_of(row, "open_raw", what), _number_of(row, "covered_raw", what)))
    open_raw, covered_raw = zip(*raws, strict=True)
    pupil, made = _text_of(content, "pupil", source), _text_of(content, "made", source)
    return Calibration(_device_of(content, source), pupil, made, tuple(levels), open_raw, covered_raw)


def calibration_path(folder: Path, device: str, pupil: str) -> Path:
    """Where the calibration of a pupil on a chanter is kept."""
    digest = sha256(unicodedata.normalize("NFC", pupil).encode()).hexdigest()
    return folder / device / f"pupil-{digest[:12]}.toml"


def keep_calibration(folder: Path, calibration: Calibration) -> Path:
    """Write a calibration, whole or not at all. CalibrationError."""
    return _write(calibration_path(folder, calibration.device, calibration.pupil), to_toml(calibration))


def keep_earlier(folder: Path, before: Calibration) -> None:
    """Write what is in use until another is given, for `load_earlier`. CalibrationError."""
    _write(calibration_path(folder, before.device, before.pupil).with_suffix(".before.toml"), to_toml(before))


def find_calibration(folder: Path, device: str, pupil: str) -> Calibration | None:
    """The calibration of a pupil on a chanter, None where there is none; CalibrationError where it cannot be used."""
    path = calibration_path(folder, device, pupil)
    if not _exists(path):
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
    if not _exists(path):
        raise CalibrationError(
            "expected an earlier calibration to go back to, but none is kept for this chanter and pupil"
        )
    return load_calibration(path)


def load_calibration(path: Path) -> Calibration:
    """A calibration file; CalibrationError where it cannot be read or used."""
    return from_toml(_read(path), str(path))


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
    moved = []
    for hole in range(HOLES):
        swing = calibration.covered_raw[hole] - calibration.open_raw[hole]
        if swing > 0 and abs(open_raw[hole] - calibration.open_raw[hole]) > DRIFTED * swing:
            moved.append(FINGERS[hole])
    if not moved:
        return None
    listed = " and ".join(filter(None, (", ".join(moved[:-1]), moved[-1])))
    return f"Open, {listed} no longer read as when they were calibrated: calibrate again when you have time."


def calibration_of(device_id: bytes, pupil: str, folder: Path | None = None) -> Calibration | None:
    """What is kept of a pupil on a chanter, else of anyone on it; None where that is nothing, or cannot be used."""
    folder, device = folder or calibrations_folder(), device_id.hex()
    try:
        return find_calibration(folder, device, pupil) or find_calibration(folder, device, ANYONE)
    except CalibrationError:
        return None


# --- The skew of a chanter's sensors.


def keep_skew(folder: Path, device: str, made: str, skew: Skew) -> Path:
    """Write a chanter's skew. CalibrationError."""
    text = _text(
        "Front holes under a rigid bar; what is even along the chanter is not known, nor the thumb.",
        {
            "schema": SKEW_SCHEMA,
            "device": device,
            "made": made,
            "uncertain_us": float(skew.uncertain_us),
            "lifts": skew.lifts,
            "lays": skew.lays,
        },
        [
            {"name": name, "skew_us": float(skew_us), "bias_us": float(bias_us)}
            for name, skew_us, bias_us in zip(FINGERS[1:], skew.skew_us, skew.bias_us, strict=True)
        ],
    )
    return _write(folder / device / "skew.toml", text)


def load_skew(folder: Path, device: str) -> Skew | None:
    """A chanter's skew, None where it was never measured; CalibrationError where the file cannot be used."""
    path = folder / device / "skew.toml"
    if not _exists(path):
        return None
    source = str(path)
    content, rows = _parsed(_read(path), source, SKEW_SCHEMA, HOLES - 1)
    if _device_of(content, source) != device:
        raise CalibrationError(f"{source}: expected the skew of chanter {device}; this is another's")
    if rows is None:
        raise CalibrationError(f"{source}: expected seven [[hole]] entries; measure again")
    return Skew(
        skew_us=tuple(_number_of(row, "skew_us", source, -GREATEST_US, GREATEST_US) for row in rows),
        bias_us=tuple(_number_of(row, "bias_us", source, -GREATEST_US, GREATEST_US) for row in rows),
        uncertain_us=_number_of(content, "uncertain_us", source, most=GREATEST_US),
        lifts=_whole_of(content, "lifts", source),
        lays=_whole_of(content, "lays", source),
    )


def measured_skew_us(device_id: bytes, folder: Path | None = None) -> int | None:
    """The skew of a chanter as the timing uncertainty takes it; None where it was never measured, or cannot be read."""
    try:
        skew = load_skew(folder or calibrations_folder(), device_id.hex())
    except CalibrationError:
        return None
    return None if skew is None else min(skew.apart_us, GREATEST_US)


# --- The form of both files.


def _text(comment: str, head: Mapping[str, object], rows: list[dict[str, object]]) -> str:
    return "\n".join([f"# {comment}\n{_lines(head)}", *(f"[[hole]]\n{_lines(row)}" for row in rows)])


def _lines(values: Mapping[str, object]) -> str:
    return "".join(f"{key} = {_value(value)}\n" for key, value in values.items())


def _value(value: object) -> str:
    """A text or a number as TOML writes it."""
    if isinstance(value, str):
        # A JSON string is a TOML basic string, but for DEL.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    return f"{value:.1f}" if isinstance(value, float) else str(value)


def _parsed(text: str, source: str, schema: str, holes: int) -> tuple[dict[str, Any], list[dict[str, Any]] | None]:
    """A file's content and its rows, None where they are not one for each of `holes` holes."""
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
    rows = content.get("hole")
    fits = isinstance(rows, list) and len(rows) == holes and all(isinstance(row, dict) for row in rows)
    return content, rows if fits else None


def _text_of(content: dict[str, Any], key: str, source: str) -> str:
    value = content.get(key)
    if isinstance(value, str) and value.strip() and len(value) <= LONGEST_NAME and value.isprintable():
        return value
    raise CalibrationError(f"{source}: expected {key} to be text of at most {LONGEST_NAME} characters")


def _device_of(content: dict[str, Any], source: str) -> str:
    value = content.get("device")
    if isinstance(value, str) and re.fullmatch(r"[0-9a-f]{16}", value):
        return value
    raise CalibrationError(f"{source}: expected device to be 16 hexadecimal digits, as fingerlead devices shows them")


def _whole_of(row: dict[str, Any], key: str, what: str) -> int:
    value = row.get(key)
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= GREATEST_RAW:
        return value
    raise CalibrationError(f"{what}: expected {key} to be a whole number from 0 to {GREATEST_RAW}")


def _number_of(row: dict[str, Any], key: str, what: str, least: float = 0.0, most: float = GREATEST_RAW) -> float:
    value = row.get(key)
    # A comparison with NaN is false.
    if isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most:
        return float(value)
    raise CalibrationError(f"{what}: expected {key} to be a number from {least:g} to {most:g}")


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be read: {error.strerror or error}; name another folder with --folder"
        ) from None


def _read(path: Path) -> str:
    try:
        if path.exists() and not path.is_file():
            # A pipe into which no program writes would be waited for without end.
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


def _write(path: Path, text: str) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text.encode())
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be written: {error.strerror or error}; name another folder with --folder"
        ) from None
    return path
