"""A session of the judge's, as the program reads it, held against the truth: leads and blame, errors, coverage."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from fingerlead.library import analyse, read
from fingerlead.timing.analysis import Analysis
from fingerlead.wire.messages import Levels
from tests.sensors.carried import MIDDLE, Rows, by_firmware, script, slopes_of, states_of, wire_bytes
from tests.sensors.fingers import Floats
from tests.sensors.holes import HOLES, Sensors
from tests.sensors.playing import PERIOD_US, STEP_US, Hand, Played, play, windows

BLAMED = ("stray", "apart", "extra")
SCAN_US = 500  # of the firmware's host build
_AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class Firmware:
    """The firmware's host build, and where it keeps its levels; `lamps`: the build that switches those of its eyes."""

    program: Path
    storage: Path
    lamps: bool = False


@dataclass(slots=True)
class Against:
    """What was told of changes, beside what was true; `errors_us` and `stated_us` are by edge, seen minus true."""

    changes: int = 0
    led: int = 0  # a finger was said to lead
    blamed: int = 0  # something was said to have gone wrong
    either: int = 0  # led or blamed or both
    misread: int = 0  # not read as this one change
    unsure: int = 0  # counted in no statistics
    wrong: int = 0  # another finger was said to lead than was first
    errors_us: list[float] = field(default_factory=list)
    stated_us: list[float] = field(default_factory=list)
    lift: list[bool] = field(default_factory=list)
    hole: list[int] = field(default_factory=list)

    def of(self, lift: bool) -> tuple[Floats, Floats]:
        """Errors and stated uncertainties of all lifts, or of all coverings."""
        rows = np.array(self.lift, dtype=bool) == lift
        return np.array(self.errors_us)[rows], np.array(self.stated_us)[rows]

    def add(self, other: Against) -> None:
        """Take in what was told of another session."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))

    @property
    def told_share(self) -> float:
        """The share of changes given a lead or a blame."""
        return self.either / max(self.changes, 1)

    def words(self) -> str:
        """All figures, in lines."""
        lines = [
            f"{self.changes} changes: {self.told_share:.1%} given a lead or a blame ({self.led} a lead, {self.blamed} "
            f"blame, {self.wrong} leads wrong); {self.misread} read as something else, {self.unsure} called unsure"
        ]
        for lift, what in ((True, "lifts"), (False, "coverings")):
            errors, stated = self.of(lift)
            if len(errors):
                lines.append(
                    f"  {what}: {errors.mean() / 1e3:+.1f} ms ± {errors.std() / 1e3:.1f}, RMS "
                    f"{np.sqrt((errors**2).mean()) / 1e3:.2f} ms; covered {(np.abs(errors) <= stated).mean():.1%} by "
                    f"{np.median(stated) / 1e3:.1f} ms stated, {len(errors)} edges"
                )
        return "\n".join(lines)


def raw_of(played: Played, sensors: Sensors, chance: np.random.Generator, step_us: int = STEP_US) -> np.ndarray:
    """All raw samples of what was played, (n, 8)."""
    parts = [
        windows(played, sensors, chance, first, min(first + _AT_ONCE, played.changes), step_us).astype(np.uint16)
        for first in range(0, played.changes, _AT_ONCE)
    ]
    return np.concatenate(parts).reshape(-1, HOLES)


def bytes_by_host(played: Played, raw: np.ndarray, levels: Levels, slopes: bool = True) -> bytes:
    """Wire bytes: masks and slopes by the judge's own scan of the raw samples."""
    samples = raw.astype(np.int64)
    states = states_of(samples, levels)
    return wire_bytes(states, played.end_us, slopes=slopes_of(samples, states) if slopes else None)


def bytes_by_firmware(
    firmware: Firmware, played: Played, sensors: Sensors, levels: Levels, chance: np.random.Generator
) -> bytes:
    """Wire bytes as the firmware sends them, at its own scan."""

    def pieces(dark: bool) -> Iterator[Rows]:
        for at in range(played.changes):
            yield at * PERIOD_US, windows(played, sensors, chance, at, at + 1, SCAN_US, dark)[0]

    text = script(pieces(False), levels, played.end_us, SCAN_US, pieces(True) if firmware.lamps else None)
    return by_firmware(firmware.program, firmware.storage, text)


def read_back(data: bytes) -> Analysis:
    """The program's analysis of wire bytes, with what it keeps of the chanter."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "session.bin"
        path.write_bytes(data)
        return analyse(read(path))


def against(played: Played, analysis: Analysis) -> Against:
    """What the analysis told, beside the truth. A change belongs to the window in which it begins."""
    out = Against(changes=played.changes)
    truth: dict[int, dict[int, tuple[float, bool]]] = {}
    moves = played.moves
    for at, hole, t_us, lift in zip(played.change, moves.hole, moves.truth_us, moves.lift, strict=True):
        truth.setdefault(int(at), {})[int(hole)] = float(t_us), bool(lift)
    by_window: dict[int, list] = {}
    for change in analysis.changes:
        by_window.setdefault(change.start_us // PERIOD_US, []).append(change)
    for at in range(played.changes):
        told = by_window.get(at, [])
        pair = played.notes[at], played.notes[at + 1]
        # Of one finger alone nothing is said by calling it the first.
        leads = [change.lead for change in told if change.lead is not None and len(change.fingers) > 1]
        led = bool(leads)
        blamed = any(change.verdict in BLAMED for change in told)
        out.led, out.blamed, out.either = out.led + led, out.blamed + blamed, out.either + (led or blamed)
        out.unsure += any(change.verdict in ("perhaps", "unclear", "uncertain") for change in told)
        first_us = min(t_us for t_us, _ in truth[at].values())
        out.wrong += any(lead in truth[at] and truth[at][lead][0] > first_us for lead in leads)
        if len(told) != 1 or (told[0].from_note, told[0].to_note) != pair:
            out.misread += 1
            continue
        for finger in told[0].fingers:
            if finger.finger not in truth[at]:
                continue
            t_us, lift = truth[at][finger.finger]
            out.errors_us.append(told[0].start_us + finger.after_start_us - t_us)
            out.stated_us.append(float(stated_us(analysis, finger)))
            out.lift.append(lift)
            out.hole.append(finger.finger)
    return out


def stated_us(analysis: Analysis, finger: object) -> int:
    """The uncertainty that is stated of one finger's time: its own, or the session's where it has none."""
    own: int = getattr(finger, "uncertainty_us", 0)
    return own or analysis.timing.uncertainty_us


def sent(
    sensors: Sensors, notes: Sequence[int], hand: Hand, seed: int, levels: Levels = MIDDLE, slopes: bool = True
) -> tuple[Played, bytes]:
    """What a hand plays on a chanter, and the wire bytes of it."""
    chance = np.random.default_rng(seed)
    played = play(notes, sensors, hand, chance)
    return played, bytes_by_host(played, raw_of(played, sensors, chance), levels, slopes)


def session(sensors: Sensors, notes: Sequence[int], hand: Hand, seed: int, levels: Levels = MIDDLE) -> Against:
    """Play, scan, read, and hold against the truth."""
    played, data = sent(sensors, notes, hand, seed, levels)
    return against(played, read_back(data))
