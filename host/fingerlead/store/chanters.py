"""A chanter's skew on disk, as the straight-bar test found it: FOLDER/DEVICE/skew.toml. Whoever plays has the same."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from fingering.holes import FINGERS, HOLES
from fingerlead.store.files import (
    GREATEST_US,
    CalibrationError,
    calibrations_folder,
    device_of,
    is_there,
    number_of,
    parsed,
    quoted,
    read,
    text_of,
    whole_of,
    write,
)
from fingerlead.wire.messages import Levels

# --- Calibrations on disk: one TOML file for each pupil and chanter, and the one before it for undoing.
#
#     FOLDER/DEVICE/PUPIL.toml          levels, and what the holes were like when they were made
#     FOLDER/DEVICE/PUPIL.before.toml   what was in use before
#
# DEVICE is the device id in hexadecimal digits. PUPIL is a digest of the name: a file's name tells nobody's.

ANYONE = "anyone"
DRIFTED = 0.15  # of the swing; our own choice
CALIBRATION_SCHEMA = "fingerlead-calibration-1"


@dataclass(frozen=True, slots=True)
class Calibration:
    """Levels of one pupil on one chanter. `open_raw`, `covered_raw` are the holes as they were; `made` is ISO time."""

    device: str
    pupil: str
    made: str
    levels: Levels
    open_raw: tuple[float, ...]
    covered_raw: tuple[float, ...]


# -- text --------------------------------------------------------------------------------------------------------------


def to_toml(calibration: Calibration) -> str:
    """The file's text."""
    rows = [
        f"[[hole]]\nname = {quoted(FINGERS[hole])}\ncover_at = {cover_at}\nuncover_at = {uncover_at}\n"
        f"open_raw = {calibration.open_raw[hole]:.1f}\ncovered_raw = {calibration.covered_raw[hole]:.1f}\n"
        for hole, (cover_at, uncover_at) in enumerate(calibration.levels)
    ]
    head = (
        f"# Levels of a chanter's holes, in raw samples.\nschema = {quoted(CALIBRATION_SCHEMA)}\n"
        f"device = {quoted(calibration.device)}\npupil = {quoted(calibration.pupil)}\n"
        f"made = {quoted(calibration.made)}\n"
    )
    return "\n".join([head, *rows])


def from_toml(text: str, source: str) -> Calibration:
    """A file's text; CalibrationError, with the source in front, where it is none."""
    content = parsed(text, source, CALIBRATION_SCHEMA)
    rows = content.get("hole")
    if not isinstance(rows, list) or len(rows) != HOLES or not all(isinstance(row, dict) for row in rows):
        raise CalibrationError(f"{source}: expected eight [[hole]] entries, from the thumb down; calibrate again")
    levels = []
    raws: list[tuple[float, float]] = []
    for hole, row in enumerate(rows):
        what = f"{source}: {FINGERS[hole]}"
        cover_at, uncover_at = whole_of(row, "cover_at", what), whole_of(row, "uncover_at", what)
        if cover_at <= uncover_at:
            raise CalibrationError(f"{what}: expected cover_at above uncover_at; got {cover_at} and {uncover_at}")
        levels.append((cover_at, uncover_at))
        raws.append((number_of(row, "open_raw", what), number_of(row, "covered_raw", what)))
    return Calibration(
        device=device_of(content, source),
        pupil=text_of(content, "pupil", source),
        made=text_of(content, "made", source),
        levels=tuple(levels),
        open_raw=tuple(raw[0] for raw in raws),
        covered_raw=tuple(raw[1] for raw in raws),
    )


# -- files -------------------------------------------------------------------------------------------------------------


def path_of(folder: Path, device: str, pupil: str) -> Path:
    """Where the calibration of a pupil on a chanter is kept."""
    digest = sha256(unicodedata.normalize("NFC", pupil).encode()).hexdigest()
    return folder / device / f"pupil-{digest[:12]}.toml"


def keep(folder: Path, calibration: Calibration) -> Path:
    """Write it, whole or not at all. CalibrationError."""
    path = path_of(folder, calibration.device, calibration.pupil)
    write(path, to_toml(calibration))
    return path


def keep_before(folder: Path, before: Calibration) -> None:
    """Write what is in use until another is given, for `undone`. CalibrationError."""
    write(path_of(folder, before.device, before.pupil).with_suffix(".before.toml"), to_toml(before))


def find(folder: Path, device: str, pupil: str) -> Calibration | None:
    """The calibration of a pupil on a chanter, None where there is none; CalibrationError where it cannot be used."""
    path = path_of(folder, device, pupil)
    if not is_there(path):
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
    if not is_there(path):
        raise CalibrationError(
            "expected an earlier calibration to go back to, but none is kept for this chanter and pupil"
        )
    return load(path)


def load(path: Path) -> Calibration:
    """A calibration file; CalibrationError where it cannot be read or used."""
    return from_toml(read(path), str(path))


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


def calibration_of(device_id: bytes, pupil: str, folder: Path | None = None) -> Calibration | None:
    """What is kept of a pupil on a chanter, else of anyone on it; None where that is nothing, or cannot be used."""
    folder, device = folder or calibrations_folder(), device_id.hex()
    try:
        return find(folder, device, pupil) or find(folder, device, ANYONE)
    except CalibrationError:
        return None


# ---

SKEW_SCHEMA = "fingerlead-skew-1"


@dataclass(frozen=True, slots=True)
class Skew:
    """What was fitted: `skew_us` and `bias_us` (a lift is seen so much later than a lay) for each front hole.

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


def keep_skew(folder: Path, device: str, made: str, skew: Skew) -> Path:
    """Write a chanter's skew. CalibrationError."""
    rows = [
        f"[[hole]]\nname = {quoted(FINGERS[hole])}\nskew_us = {one:.1f}\nbias_us = {bias:.1f}\n"
        for hole, (one, bias) in enumerate(zip(skew.skew_us, skew.bias_us, strict=True), 1)
    ]
    head = (
        "# Front holes under a rigid bar; what is even along the chanter is not known, nor the thumb.\n"
        f"schema = {quoted(SKEW_SCHEMA)}\ndevice = {quoted(device)}\nmade = {quoted(made)}\n"
        f"uncertain_us = {skew.uncertain_us:.1f}\nlifts = {skew.lifts}\nlays = {skew.lays}\n"
    )
    path = folder / device / "skew.toml"
    write(path, "\n".join([head, *rows]))
    return path


def load_skew(folder: Path, device: str) -> Skew | None:
    """A chanter's skew, None where it was never measured; CalibrationError where the file cannot be used."""
    path = folder / device / "skew.toml"
    if not is_there(path):
        return None
    source = str(path)
    content = parsed(read(path), source, SKEW_SCHEMA)
    if device_of(content, source) != device:
        raise CalibrationError(f"{source}: expected the skew of chanter {device}; this is another's")
    rows = content.get("hole")
    if not isinstance(rows, list) or len(rows) != HOLES - 1 or not all(isinstance(row, dict) for row in rows):
        raise CalibrationError(f"{source}: expected seven [[hole]] entries; measure again")
    signed = {"least": -GREATEST_US, "most": GREATEST_US}
    return Skew(
        skew_us=tuple(number_of(row, "skew_us", source, **signed) for row in rows),
        bias_us=tuple(number_of(row, "bias_us", source, **signed) for row in rows),
        uncertain_us=number_of(content, "uncertain_us", source, most=GREATEST_US),
        lifts=whole_of(content, "lifts", source),
        lays=whole_of(content, "lays", source),
    )


def measured_skew_us(device_id: bytes, folder: Path | None = None) -> int | None:
    """The skew of a chanter as the timing uncertainty takes it; None where it was never measured, or cannot be read."""
    try:
        skew = load_skew(folder or calibrations_folder(), device_id.hex())
    except CalibrationError:
        return None
    return None if skew is None else min(skew.apart_us, GREATEST_US)
