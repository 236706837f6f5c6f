"""What is known of a chanter, on disk: the levels of each pupil on it, and the skew of its sensors.

    FOLDER/DEVICE/PUPIL.toml          levels, and how the holes read when they were made
    FOLDER/DEVICE/PUPIL.before.toml   what was in use before, for undoing
    FOLDER/DEVICE/skew.toml           the skew, as the straight-bar test found it: the same for every pupil

DEVICE is the device id in hexadecimal digits. PUPIL is a digest, so that the name of a file gives no pupil's away. The
files are TOML of a known form, read without trust and written whole or not at all.
"""

import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import sha256
from operator import attrgetter
from pathlib import Path

from fingering.holes import FINGERS, HOLES
from fingering.toml_file import FileError, TomlFile, read_bytes, shortened
from fingerlead.phrases import listed
from fingerlead.store.files import own_folder, own_private, write_whole
from fingerlead.timing.results import KnownSeal
from fingerlead.wire.messages import Levels

CALIBRATION_SCHEMA = "fingerlead-calibration-1"
SKEW_SCHEMA = "fingerlead-skew-1"
ANYONE = "anyone"
DRIFTED = 0.15  # of the swing; our own choice
# The share of the swing at which a finger is 0.2 mm above the rim: 0.76 of a capacitive sensor (reach 0.8 mm), 0.83 of
# an infrared one (2 mm); from memory, and calculated.
SEAL = 0.8
# Of the swing: where levels must be to count as near the seal.
LEAST_SEAL, MOST_SEAL = 0.7, 0.9
LONGEST_NAME = 80
GREATEST_US = 1_000_000
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


def from_toml(data: bytes, source: str) -> Calibration:
    """A file's bytes; CalibrationError, with the source in front, where it is none."""
    file = _file(data, source, CALIBRATION_SCHEMA, HOLES, "calibrate again")
    levels = []
    for name, row in zip(FINGERS, file.entries, strict=True):
        cover_at, uncover_at = (row.number(key, 0, GREATEST_RAW, whole=True) for key in ("cover_at", "uncover_at"))
        if cover_at <= uncover_at:
            row.refuse("cover_at", f"{name}: expected cover_at above uncover_at; got {cover_at} and {uncover_at}")
        levels.append((cover_at, uncover_at))
    open_raw, covered_raw = (_numbers(file, key, 0, GREATEST_RAW) for key in ("open_raw", "covered_raw"))
    pupil, made = (file.head.text(key, limit=LONGEST_NAME) for key in ("pupil", "made"))
    return Calibration(file.head.values["device"], pupil, made, tuple(levels), open_raw, covered_raw)


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


def seal_of(device_id: bytes, folder: Path | None = None) -> KnownSeal | None:
    """How far a chanter's levels lie beyond the seal, by what is kept of it last.

    None where nothing is kept, or any levels that are not near the seal, such as those about the middle.
    """
    try:
        files = sorted(((folder or calibrations_folder()) / device_id.hex()).glob("pupil-*.toml"))
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
    last = max(kept, key=attrgetter("made"))
    seals = [low + SEAL * (high - low) for low, high in zip(last.open_raw, last.covered_raw, strict=True)]
    holes = list(zip(last.levels, seals, strict=True))
    return KnownSeal(
        tuple(round(seal - uncover_at) for (_, uncover_at), seal in holes),
        tuple(round(cover_at - seal) for (cover_at, _), seal in holes),
    )


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
    file = _file(read_bytes(path, CalibrationFileError), str(path), SKEW_SCHEMA, HOLES - 1, "measure again")
    head = file.head
    if head.values["device"] != device:
        raise CalibrationError(f"{path}: expected the skew of chanter {device}; this is another's")
    return Skew(
        skew_us=_numbers(file, "skew_us", -GREATEST_US, GREATEST_US),
        bias_us=_numbers(file, "bias_us", -GREATEST_US, GREATEST_US),
        uncertain_us=float(head.number("uncertain_us", 0, GREATEST_US)),
        lifts=head.number("lifts", 0, GREATEST_RAW, whole=True),
        lays=head.number("lays", 0, GREATEST_RAW, whole=True),
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


def _file(data: bytes, source: str, schema: str, holes: int, again: str) -> TomlFile:
    """A file of `holes` holes; CalibrationError, with the source in front, where it is none."""
    file = TomlFile(data, source, "hole", CalibrationFileError)
    if file.head.values.get("schema") != schema:
        file.head.refuse(
            "schema", f"expected schema = {schema!r}; got {shortened(file.head.values.get('schema'))}; {again}"
        )
    if len(file.entries) != holes:
        file.refuse(None, f"expected {holes} [[hole]] entries; got {len(file.entries)}; {again}")
    device = file.head.values.get("device")
    if not (isinstance(device, str) and re.fullmatch(r"[0-9a-f]{16}", device)):
        file.head.refuse("device", "expected device to be 16 hexadecimal digits, as fingerlead devices shows them")
    return file


def _numbers(file: TomlFile, key: str, least: float, most: float) -> tuple[float, ...]:
    """A number of each hole."""
    return tuple(float(row.number(key, least, most)) for row in file.entries)


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be read: {error.strerror or error}; name another folder with --folder"
        ) from None


def _write(path: Path, text: str) -> Path:
    try:
        own_private(path.parent)
        write_whole(path, text.encode())
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be written: {error.strerror or error}; name another folder with --folder"
        ) from None
    return path
