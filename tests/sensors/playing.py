"""Playing for the judge: changes of notes with the true instant of every seal, and what eight sensors give of it.

Each change has a window of its own, PERIOD_US long, with all fingers at rest at both ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fingering.notes import NOTES
from fingering.table import standard_table
from tests.sensors.fingers import EVEN_SWING, MINIMUM_JERK, STRIKE, Floats, Moves
from tests.sensors.holes import HOLES, Sensors, low_pass

STEP_US = 1_000
PERIOD_US = 700_000
DARK_US = 100.0  # eight converters read one after another, and the eyes take a while to settle
MASKS = standard_table().standard
DAMP_MM = (0.0, 0.1)


@dataclass(frozen=True, slots=True)
class Hand:
    """How a hand plays: ranges (least, most), drawn anew for each change, and for each finger a little off that."""

    travel_us: tuple[float, float] = (12_000.0, 250_000.0)
    top_mm: tuple[float, float] = (8.0, 12.0)
    press_mm: tuple[float, float] = (0.1, 0.4)
    roll: tuple[float, float] = (0.0, 0.05)  # a share of the travel
    strikes: bool = True  # some coverings strike the rim; else all ways are of minimum jerk
    damp_mm: tuple[float, float] = (0.0, 0.0)  # the water that a lifted finger leaves on the rim
    pause_us: tuple[float, float] = (0.0, 0.0)  # how long a finger stands still on its way
    pause_mm: tuple[float, float] = (0.5, 3.0)  # and how high, at least a little above its seal
    apart_us: float = 0.0  # how far the fingers of a change are apart, at most; 0 all at one instant


PLAIN_HAND = Hand((30_000, 30_000), (10.0, 10.0), (0.2, 0.2), (0.0, 0.0), False)


@dataclass(frozen=True, slots=True)
class Played:
    """Changes as they were truly played: the notes, one more than there are changes, and the moves of each change.

    `change` int[n] is the change of each move, rising.
    """

    notes: tuple[int, ...]
    change: NDArray[np.int64]
    moves: Moves

    @property
    def changes(self) -> int:
        return len(self.notes) - 1

    @property
    def end_us(self) -> int:
        return self.changes * PERIOD_US


def is_crossing(one: int, other: int) -> bool:
    """Whether some fingers lift while others lower."""
    up, down = MASKS[one] & ~MASKS[other], MASKS[other] & ~MASKS[one]
    return bool(up and down)


def crossings(count: int, chance: np.random.Generator) -> tuple[int, ...]:
    """Notes of which each two neighbours cross."""
    notes = [NOTES.index("E")]
    while len(notes) <= count:
        notes.append(int(chance.choice([n for n in range(len(NOTES)) if is_crossing(notes[-1], n)])))
    return tuple(notes)


def back_and_forth(one: str, other: str, count: int) -> tuple[int, ...]:
    """Two notes in turn, `count` changes."""
    return tuple(NOTES.index((one, other)[at % 2]) for at in range(count + 1))


def play(notes: Sequence[int], sensors: Sensors, hand: Hand, chance: np.random.Generator) -> Played:
    """The moves of a hand that plays these notes on this chanter's holes."""
    change, hole, lift = [], [], []
    for at, (one, other) in enumerate(pairwise(notes)):
        for finger in range(HOLES):
            if (MASKS[one] ^ MASKS[other]) >> finger & 1:
                change.append(at)
                hole.append(finger)
                lift.append(not MASKS[other] >> finger & 1)
    of, holes, lifts = np.array(change), np.array(hole), np.array(lift)
    many, changes = len(of), len(notes) - 1
    least, most = np.log(hand.travel_us)
    travel = np.exp(chance.uniform(least, most, changes))[of]
    if least < most:
        travel = np.clip(travel * chance.uniform(0.85, 1.15, many), *hand.travel_us)
    when = (np.arange(changes) + 0.5) * PERIOD_US + chance.uniform(-STEP_US, STEP_US, changes)
    ways = np.where(lifts, chance.choice((MINIMUM_JERK, EVEN_SWING), many), chance.integers(0, STRIKE + 1, many))
    return Played(
        tuple(notes),
        of,
        Moves(
            hole=holes,
            lift=lifts,
            truth_us=when[of] + chance.uniform(-0.5, 0.5, many) * hand.apart_us,
            seal_mm=sensors.seal_mm[holes],
            travel_us=travel,
            top_mm=chance.uniform(*hand.top_mm, many),
            press_mm=chance.uniform(*hand.press_mm, many),
            press_us=chance.uniform(8_000.0, 30_000.0, many),
            roll_us=chance.uniform(*hand.roll, many) * travel,
            way=ways if hand.strikes else np.full(many, MINIMUM_JERK),
            water_mm=chance.uniform(*hand.damp_mm, many) if any(hand.damp_mm) else np.zeros(many),
            pause_us=chance.uniform(*hand.pause_us, many) if any(hand.pause_us) else np.zeros(many),
            pause_mm=np.maximum(chance.uniform(*hand.pause_mm, many), sensors.seal_mm[holes] + 0.1)
            if any(hand.pause_us)
            else np.ones(many),
        ),
    )


def windows(
    played: Played,
    sensors: Sensors,
    chance: np.random.Generator,
    first: int,
    end: int,
    step_us: int = STEP_US,
    dark: bool = False,
) -> NDArray[np.int64]:
    """The raw samples int[changes, samples, 8] of the windows of changes `first` to `end`, one each `step_us`.

    `dark`: what infrared eyes see DARK_US later, with their own lamps off.
    """
    count, rows = end - first, PERIOD_US // step_us
    begin_us = np.arange(first, end) * float(PERIOD_US)
    t_us = begin_us[:, None] + np.arange(rows) * float(step_us) + dark * DARK_US
    away, lying = sensors.at_rest()
    before = np.array([MASKS[note] for note in played.notes[first:end]])
    covered = (before[:, None] >> np.arange(HOLES) & 1).astype(bool)
    heights = np.where(covered[:, None, :], -0.2, 10.0) * np.ones((1, rows, 1))
    moving = np.flatnonzero((played.change >= first) & (played.change < end))
    moves, of = _only(played.moves, moving), played.change[moving] - first
    heights[of, :, moves.hole] = moves.heights_mm(t_us[of])
    signal = np.empty((count, rows, HOLES))
    for hole in range(HOLES):
        holes = np.full(count, hole)
        signal[:, :, hole] = 0.0 if dark else sensors.signal(heights[:, :, hole], holes)
        signal[:, :, hole] += sensors.light_at(t_us, heights[:, :, hole], holes)
    signal = np.maximum(signal, _film(played, sensors, t_us, away, lying))
    signal = low_pass(signal, sensors.lag_us, step_us)
    if sensors.crosstalk:
        signal[..., 1:] += sensors.crosstalk * (signal[..., :-1] - away[:-1])
    signal += sensors.wander * (lying - away)
    signal += sensors.drift * (lying - away) * np.minimum(t_us / sensors.drift_us, 1.0)[..., None]
    return sensors.raw(signal, chance)


def _only(moves: Moves, rows: NDArray[np.int64]) -> Moves:
    return Moves(*(getattr(moves, name)[rows] for name in Moves.__slots__))


def _film(played: Played, sensors: Sensors, t_us: Floats, away: Floats, lying: Floats) -> Floats:
    """The signal of the water that a lifted finger leaves, less and less as it dries; 0 where there is none."""
    out = np.zeros((*t_us.shape, HOLES))
    for hole in np.flatnonzero(sensors.film):
        rows = played.moves.hole == hole
        when, lifts = played.moves.truth_us[rows], played.moves.lift[rows]
        last = np.searchsorted(when, t_us) - 1
        wet = (last >= 0) & lifts[last]
        left = sensors.film[hole] * np.exp(-np.where(wet, t_us - when[last], 0.0) / sensors.drying_us)
        out[..., hole] = np.where(wet, away[hole] + left * (lying - away)[hole], 0.0)
    return out
