"""How a chanter's sensors differ, on disk, and what that makes of where its levels lie.

    FOLDER/DEVICE/skew.toml    as the straight-bar test found it: the same for every pupil

A file of an earlier form has no heights: what it says holds at the bar's speed alone, and moves no edge.
"""

from dataclasses import dataclass
from pathlib import Path

from fingering.holes import FINGERS, HOLES
from fingering.toml_file import TomlFile, read_bytes
from fingerlead.store.chanters import (
    GREATEST_RAW,
    SEAL,
    Calibration,
    CalibrationError,
    CalibrationFileError,
    calibrations_folder,
    file_text,
    is_kept,
    iso_time,
    near_seal,
    numbers_of,
    read_file,
    write_file,
)
from fingerlead.timing.results import HeightsOf, KnownSeal

SKEW_SCHEMA = "fingerlead-skew-1"
HEIGHTS_SCHEMA = "fingerlead-skew-2"  # with heights
# What a finger has and a stiff bar has not, as shares of the swing; from memory, and calculated at 0.75 of it for a mm.
# A finger that was not dry leaves water on the rim, 0 to 0.1 mm, and is seen lower by half of that when it is lifted. A
# pad that rolls lets one side of the hole open first and close last, and is seen at the mean of its sides.
FILM, ROLL = 0.05 * 0.75, 0.01
MOST_APART = 0.2  # of the swing: so far holes may see beside the seal's share
GREATEST_US = 1_000_000


@dataclass(frozen=True, slots=True)
class SealHeights:
    """The share of its swing at which each hole sees a rigid bar at one height, lifted and laid on, less SEAL.

    Of the front holes, or of all where the bar was a clamp that reached the thumb's too. What is even along the chanter
    is not in it. `apart_mm` is the standard uncertainty, from hole to hole, of the heights where they are of all.
    """

    lift: tuple[float, ...]
    cover: tuple[float, ...]
    apart_mm: float

    @property
    def holes(self) -> HeightsOf:
        """Of which holes they are."""
        return "all holes" if len(self.lift) == HOLES else "front holes"


@dataclass(frozen=True, slots=True)
class Skew:
    """What was fitted: `skew_us` and `bias_us` (how much later a lift shows than a lay) of each front hole, or of all.

    `uncertain_us` is twice the greatest standard error of a hole's lift or lay. `lifts`, `lays`: events that were used.
    `heights` are None where the chanter told no slopes, or was not calibrated before.
    """

    skew_us: tuple[float, ...]
    bias_us: tuple[float, ...]
    uncertain_us: float
    lifts: int
    lays: int
    heights: SealHeights | None = None

    @property
    def apart_us(self) -> int:
        """How far apart two sensors may see one motion, lift or lay: this is the skew of the timing uncertainty."""
        seen = [
            skew + sign * bias / 2 for skew, bias in zip(self.skew_us, self.bias_us, strict=True) for sign in (1, -1)
        ]
        return round(max(seen) - min(seen) + self.uncertain_us)


def beyond_seal(
    calibration: Calibration, heights: SealHeights | None = None, higher: tuple[float, float] = (0.0, 0.0)
) -> KnownSeal:
    """How far the levels of a calibration lie beyond the seal, at the heights at which the holes see it.

    `higher` are the shares of the swing by which the sample is higher at the seal of a lift, and of a covering, than
    that of a stiff dry bar.
    """
    shares = ((0.0,) * HOLES,) * 2 if heights is None else (_of_all(heights.lift), _of_all(heights.cover))
    swings = list(zip(calibration.open_raw, calibration.covered_raw, strict=True))
    lifted, laid = (
        [low + (SEAL + more + share) * (high - low) for (low, high), share in zip(swings, each, strict=True)]
        for more, each in zip(higher, shares, strict=True)
    )
    return KnownSeal(
        tuple(round(seal - uncover_at) for (_, uncover_at), seal in zip(calibration.levels, lifted, strict=True)),
        tuple(round(cover_at - seal) for (cover_at, _), seal in zip(calibration.levels, laid, strict=True)),
        iso_time(calibration.made),
        "none" if heights is None else heights.holes,
        0.0 if heights is None else heights.apart_mm,
    )


def seal_of(device_id: bytes, folder: Path | None = None) -> KnownSeal | None:
    """How far a chanter's levels lie beyond the seal, by the calibration and the heights kept of it last."""
    folder, device = folder or calibrations_folder(), device_id.hex()
    last = near_seal(device, folder)
    if last is None:
        return None
    skew = _kept_skew(folder, device)
    return beyond_seal(last, None if skew is None else skew.heights, (FILM + ROLL, ROLL))


def _of_all(shares: tuple[float, ...]) -> tuple[float, ...]:
    """Of all holes what is of the last ones; 0 of the others."""
    return (0.0,) * (HOLES - len(shares)) + shares


def keep_skew(folder: Path, device: str, made: str, skew: Skew) -> Path:
    """Write a chanter's skew. CalibrationError."""
    head = {
        "schema": SKEW_SCHEMA,
        "device": device,
        "made": made,
        "uncertain_us": float(skew.uncertain_us),
        "lifts": skew.lifts,
        "lays": skew.lays,
    }
    rows: list[dict[str, object]] = [
        {"name": name, "skew_us": float(skew_us), "bias_us": float(bias_us)}
        for name, skew_us, bias_us in zip(FINGERS[-len(skew.skew_us) :], skew.skew_us, skew.bias_us, strict=True)
    ]
    if skew.heights is not None:
        head |= {"schema": HEIGHTS_SCHEMA, "apart_mm": float(skew.heights.apart_mm)}
        for row, lift, cover in zip(rows, skew.heights.lift, skew.heights.cover, strict=True):
            row |= {"lift_share": float(lift), "cover_share": float(cover)}
    about = "Holes under a rigid bar, from the top down; what is even along the chanter is not known."
    text = file_text(about, head, rows)
    return write_file(folder / device / "skew.toml", text)


def load_skew(folder: Path, device: str) -> Skew | None:
    """A chanter's skew, None where it was never measured; CalibrationError where the file cannot be used."""
    path = folder / device / "skew.toml"
    if not is_kept(path):
        return None
    file = read_file(
        read_bytes(path, CalibrationFileError),
        str(path),
        (SKEW_SCHEMA, HEIGHTS_SCHEMA),
        (HOLES - 1, HOLES),
        "measure again",
    )
    head = file.head
    if head.values["device"] != device:
        raise CalibrationError(f"{path}: expected the skew of chanter {device}; this is another's")
    return Skew(
        skew_us=numbers_of(file, "skew_us", -GREATEST_US, GREATEST_US),
        bias_us=numbers_of(file, "bias_us", -GREATEST_US, GREATEST_US),
        uncertain_us=float(head.number("uncertain_us", 0, GREATEST_US)),
        lifts=head.number("lifts", 0, GREATEST_RAW, whole=True),
        lays=head.number("lays", 0, GREATEST_RAW, whole=True),
        heights=None if head.values["schema"] == SKEW_SCHEMA else _heights(file),
    )


def _heights(file: TomlFile) -> SealHeights:
    lift, cover = (numbers_of(file, key, -MOST_APART, MOST_APART) for key in ("lift_share", "cover_share"))
    return SealHeights(lift, cover, float(file.head.number("apart_mm", 0, 1)))


def measured_skew_us(device_id: bytes, folder: Path | None = None) -> int | None:
    """The skew of a chanter as the timing uncertainty takes it; None where it was never measured, or cannot be read."""
    skew = _kept_skew(folder or calibrations_folder(), device_id.hex())
    return None if skew is None else min(skew.apart_us, GREATEST_US)


def _kept_skew(folder: Path, device: str) -> Skew | None:
    """A chanter's skew, None where there is none that can be read."""
    try:
        return load_skew(folder, device)
    except CalibrationError:
        return None
