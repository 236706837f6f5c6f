"""A chanter's skew on disk, as the straight-bar test found it: FOLDER/DEVICE/skew.toml. Whoever plays has the same."""

from __future__ import annotations

from pathlib import Path

from fingering.holes import FINGERS, HOLES
from host.bench.kept import (
    GREATEST_US,
    CalibrationError,
    calibrations_folder,
    device_of,
    is_there,
    number_of,
    parsed,
    quoted,
    read,
    whole_of,
    write,
)
from host.bench.skew import Skew

SCHEMA = "fingerlead-skew-1"


def keep_skew(folder: Path, device: str, made: str, skew: Skew) -> Path:
    """Write a chanter's skew. CalibrationError."""
    rows = [
        f"[[hole]]\nname = {quoted(FINGERS[hole])}\nskew_us = {one:.1f}\nbias_us = {bias:.1f}\n"
        for hole, (one, bias) in enumerate(zip(skew.skew_us, skew.bias_us, strict=True), 1)
    ]
    head = (
        "# Front holes under a rigid bar; what is even along the chanter is not known, nor the thumb.\n"
        f"schema = {quoted(SCHEMA)}\ndevice = {quoted(device)}\nmade = {quoted(made)}\n"
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
    content = parsed(read(path), source, SCHEMA)
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
