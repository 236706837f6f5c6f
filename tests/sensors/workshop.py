"""A maker's hands for the judge's chanters: they obey a calibration, and lift and lay a stiff bar.

What is measured with them is measured by the program's own workbench, from raw samples and masks of the judge's.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from fingerlead.store.chanters import Calibration, calibrations_folder, keep_calibration
from fingerlead.store.skews import Skew, keep_skew
from fingerlead.wire.messages import Levels
from fingerlead.workbench.guidance import Guidance
from fingerlead.workbench.levels import HoleReport, holes_of
from fingerlead.workbench.samples import PLAN
from fingerlead.workbench.skew import BarEvents, bar_events
from tests.sensors.carried import DEVICE, slopes_of, states_of
from tests.sensors.fingers import MINIMUM_JERK, Floats, Moves, minimum_jerk
from tests.sensors.holes import FULL_SCALE, HOLES, Sensors
from tests.sensors.playing import MASKS, PERIOD_US, STEP_US, Played, windows

RAW_US = 4_000
BEAT_US = 60_000  # so often a hand looks at what is asked
REACTS_US = 350_000
MOVES_US = 180_000
UP_MM, DOWN_MM, HALF_MM = 10.0, -0.2, 1.0
SCALE = (*range(9), *range(7, -1, -1))
SCALE_NOTE_US = 400_000
LONGEST_US = 240_000_000
FRONT = range(1, HOLES)
MADE = "2026-01-01T12:00:00+00:00"


def _asked_heights(step: int, since_us: int) -> Floats:
    """Where the fingers of an obedient hand are to be, so long after a step was asked for."""
    kind, hole = PLAN[step]
    heights = np.full(HOLES, UP_MM)
    if kind == "all":
        heights[:] = DOWN_MM
    elif kind == "scale":
        note = SCALE[min(max(since_us - REACTS_US, 0) // SCALE_NOTE_US, len(SCALE) - 1)]
        heights[(MASKS[note] >> np.arange(HOLES) & 1).astype(bool)] = DOWN_MM
    elif hole is not None:
        heights[hole] = HALF_MM if kind == "half" else DOWN_MM
    return heights


def _done(since_us: Floats | float) -> Floats:
    return minimum_jerk(np.clip(np.asarray(since_us) / MOVES_US, 0.0, 1.0))


def calibrated(sensors: Sensors, chance: np.random.Generator, skips: frozenset[str] = frozenset()) -> list[HoleReport]:
    """What the workbench makes of this chanter in hands that do what is asked, but for the kinds of step they skip."""
    guidance = Guidance(FULL_SCALE)
    came_from, towards, moved_us, asked_us, step = np.full(HOLES, UP_MM), np.full(HOLES, UP_MM), 0, 0, 0
    holes, beat = np.arange(HOLES), np.arange(0, BEAT_US, RAW_US, dtype=float)
    for t_us in range(0, LONGEST_US, BEAT_US):
        if guidance.done:
            return holes_of(guidance.taken())
        if guidance.number != step:
            step, asked_us = guidance.number, t_us
        wanted = towards if PLAN[step][0] in skips else _asked_heights(step, t_us - asked_us)
        if t_us - asked_us >= REACTS_US and (wanted != towards).any():
            came_from, towards, moved_us = came_from + (towards - came_from) * _done(t_us - moved_us), wanted, t_us
        heights = came_from[:, None] + (towards - came_from)[:, None] * _done(t_us - moved_us + beat)
        signal = sensors.signal(heights, holes)
        signal += sensors.light_at(np.broadcast_to(t_us + beat, signal.shape), heights, holes)
        for at, row in enumerate(sensors.raw(signal.T, chance).tolist()):
            guidance.hear(t_us + at * RAW_US, tuple(row))
    raise AssertionError(f"expected a calibration to end within {LONGEST_US / 1e6:.0f} s; it stands at step {step}")


def levels_of(reports: list[HoleReport]) -> Levels:
    """The levels that a calibration gives."""
    return tuple((report.cover_at, report.uncover_at) for report in reports)


def levels_at(sensors: Sensors, cover: float, uncover: float) -> Levels:
    """Levels at these shares of each hole's swing."""
    away, lying = sensors.at_rest()
    swing = (sensors.high_raw - sensors.low_raw) * (lying - away)
    begin = sensors.low_raw + (sensors.high_raw - sensors.low_raw) * away
    at = zip((begin + cover * swing).tolist(), (begin + uncover * swing).tolist(), strict=True)
    return tuple((round(high), round(low)) for high, low in at)


def middle_levels(sensors: Sensors) -> Levels:
    """Levels in the middle of each hole's swing, as a maker may set them who never calibrated."""
    return levels_at(sensors, 0.55, 0.45)


def calibration_of(reports: list[HoleReport]) -> Calibration:
    """A calibration as the program keeps it."""
    open_raw, covered_raw = (tuple(getattr(report, name) for report in reports) for name in ("open_raw", "covered_raw"))
    return Calibration(DEVICE.hex(), "judge", MADE, levels_of(reports), open_raw, covered_raw)


def flawless(sensors: Sensors, cover: float = 0.80, uncover: float = 0.76) -> Calibration:
    """A calibration without a hand: levels at these shares of the swing, and the holes as they are."""
    away, lying = (sensors.low_raw + (sensors.high_raw - sensors.low_raw) * rest for rest in sensors.at_rest())
    levels = levels_at(sensors, cover, uncover)
    return Calibration(DEVICE.hex(), "judge", MADE, levels, tuple(away.tolist()), tuple(lying.tolist()))


@contextmanager
def kept(calibration: Calibration, skew: Skew | None = None) -> Iterator[None]:
    """While it lasts, the machine keeps this calibration of the judge's chanter, and this skew."""
    before = os.environ.get("XDG_DATA_HOME")
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_DATA_HOME"] = folder
        try:
            keep_calibration(calibrations_folder(), calibration)
            if skew is not None:
                keep_skew(calibrations_folder(), DEVICE.hex(), MADE, skew)
            yield
        finally:
            if before is None:
                del os.environ["XDG_DATA_HOME"]
            else:
                os.environ["XDG_DATA_HOME"] = before


@dataclass(frozen=True, slots=True)
class Bar:
    """How a stiff bar is moved."""

    travel_us: float = 30_000.0
    moves: int = 50  # lifts, and as many lays
    tilt_us: float = 2_000.0  # from the first to the last hole, at most
    thumb: bool = False  # a clamp of two bars, so that the thumb's hole has one too


def bar_test(sensors: Sensors, levels: Levels, bar: Bar, chance: np.random.Generator) -> BarEvents:
    """What is seen of a stiff bar that is lifted off the front holes and laid on again, and the thumb's with a clamp.

    A hand opens one side of a clamp a little before the other, now this one and now that.
    """
    changes = 2 * bar.moves
    holes = range(HOLES) if bar.thumb else FRONT
    change = np.repeat(np.arange(changes), len(holes))
    hole = np.tile(np.array(holes), changes)
    count = len(hole)
    lift = change % 2 == 0
    when = ((np.arange(changes) + 0.5) * PERIOD_US + chance.uniform(-STEP_US, STEP_US, changes))[change]
    tilt = (chance.uniform(-1, 1, changes) * bar.tilt_us)[change] * (hole - 4) / len(FRONT)
    tilt += np.where(hole == 0, chance.uniform(-1, 1, changes)[change] * bar.tilt_us / 4, 0.0)
    # A bar is hard: all of it leaves the plane of the rims at one speed. The holes' own rims are what differs.
    moves = Moves(
        hole, lift, when + tilt, np.zeros(count), np.full(count, bar.travel_us), np.full(count, 10.0),
        np.zeros(count), np.full(count, 10_000.0), np.zeros(count), np.full(count, MINIMUM_JERK), np.zeros(count),
        np.zeros(count), np.ones(count),
    )  # fmt: skip
    # Low G and hands off, but for the thumb: the notes are of no account, the masks at rest are.
    raws = _bar_windows(Played((0,) * (changes + 1), change, moves), sensors, chance).astype(np.int64)
    states = states_of(raws, levels)
    return bar_events(states, {(one.t_us, one.hole): one.rise_raw for one in slopes_of(raws, states)})


def _bar_windows(played: Played, sensors: Sensors, chance: np.random.Generator) -> np.ndarray:
    """The samples of all windows in a row."""
    return windows(played, sensors, chance, 0, played.changes).reshape(-1, HOLES)
