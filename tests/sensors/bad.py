"""Bad sensors, one hole of a chanter each: what a scan sees of them, and how soon the firmware says so.

A movement is *affected* where it is seen by more than OUT_US otherwise than the same movement of the same hand on the
good chanter, or not at all, or more than once. A good chanter's own movements never are.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from fingerlead.wire.carriers import StreamReader
from fingerlead.wire.messages import NO_HOLE, Holes, Levels, Trouble, decode
from tests.sensors.carried import MIDDLE, State, states_of
from tests.sensors.holes import HOLES, Sensors, draw, spoilt
from tests.sensors.judged import SCAN_US, Firmware, bytes_by_firmware, raw_of, read_back
from tests.sensors.playing import PERIOD_US, Hand, Played, back_and_forth, crossings, play
from tests.sensors.workshop import calibrated, levels_at, levels_of

OUT_US = 10_000
OF_A_SENSOR = range(6, 12)
BAD_HOLE = 3  # the top ring's, which E and D move
EASY = Hand(travel_us=(20_000, 60_000))
APART = Hand(apart_us=30_000)
# Every finger stands still for a moment, half up, each time.
HESITANT = Hand(travel_us=(12_000, 120_000), pause_us=(5_000, 60_000), pause_mm=(0.3, 3.0), apart_us=30_000)


@dataclass(frozen=True, slots=True)
class Bad:
    """A kind of bad sensor: the chanter as it should be, and as it is."""

    good: Sensors
    sensors: Sensors


def _bad(good: Sensors, **spoils: float) -> Bad:
    return Bad(good, spoilt(good, BAD_HOLE, **spoils))


CAPACITIVE = Sensors(noise=0.002)
INFRARED = Sensors(kind="infrared", reach_mm=np.full(HOLES, 2.0), noise=0.002, lag_us=np.full(HOLES, 100.0))
PRESSURE = Sensors(kind="pressure", noise=0.002, lag_us=np.full(HOLES, 3_000.0))
BADS = {
    "light at 100 Hz": _bad(INFRARED, light=0.5),
    "light at 120 Hz": _bad(INFRARED, light=0.5, light_hz=120.0),
    "drift up": _bad(CAPACITIVE, drift=0.5),
    "drift down": _bad(CAPACITIVE, drift=-0.5),
    "water film": _bad(CAPACITIVE, film=0.45),
    # The finger as it lies reads where the levels are, and all that moves the reading is noise.
    "noise at the levels": _bad(CAPACITIVE, high_raw=505.0, trembling=0.08),
    "pressure": Bad(CAPACITIVE, PRESSURE),
}


# With levels near the seal: the film has to hold more to make a lift late, and a covered hole has less room to drift.
NEAR_SEAL = {
    **{name: BADS[name] for name in ("light at 100 Hz", "light at 120 Hz", "drift up", "drift down")},
    "water film": _bad(CAPACITIVE, film=0.82),
    "water that dries over two seconds": _bad(CAPACITIVE, film=0.82, drying_us=2e6),
}


def near_seal(bad: Bad) -> Levels:
    """The levels of the good chanter near its seal."""
    return levels_at(bad.good, 0.80, 0.76)


@dataclass(frozen=True, slots=True)
class Seen:
    """What came of it; times in µs. `told` are troubles (time, code, hole)."""

    movements: int
    affected_us: tuple[float, ...]
    false_edges: int  # of the bad hole, beyond one for each movement
    missed: int
    told: tuple[tuple[int, int, int], ...]
    trusted: int = 0  # affected movements after the first word of it, in changes that the program calls certain

    @property
    def before_told(self) -> int | None:
        """How many affected movements there were before the bad hole was first named; None where it never was."""
        named = [t_us for t_us, _, hole in self.told if hole == BAD_HOLE]
        return sum(at_us < named[0] for at_us in self.affected_us) if named else None

    @property
    def others_named(self) -> int:
        """How often a good hole was called bad."""
        return sum(hole not in (BAD_HOLE, NO_HOLE) for _, _, hole in self.told)

    def words(self) -> str:
        """All of it in a line."""
        codes = sorted({code for _, code, hole in self.told if hole == BAD_HOLE})
        told = "never told" if self.before_told is None else f"told (code {codes}) after {self.before_told} affected"
        return (
            f"{self.movements} movements, {len(self.affected_us)} affected, {self.false_edges} false edges, "
            f"{self.missed} missed: {told}; {self.trusted} affected and trusted after it; good holes named "
            f"{self.others_named} times"
        )


def look(
    bad: Bad, firmware: Firmware | None, changes: int = 90, levels: Levels = MIDDLE, seed: int = 1, hand: Hand = EASY
) -> Seen:
    """E and D in turn on a chanter with a bad hole: by the firmware, or by the judge's own plain scan."""
    played = play(back_and_forth("E", "D", changes), bad.sensors, hand, np.random.default_rng(seed))
    (with_it, told, data), (without, _, _) = (
        _scanned(firmware, played, sensors, levels, np.random.default_rng(seed)) for sensors in (bad.sensors, bad.good)
    )
    rows = np.flatnonzero(played.moves.hole == BAD_HOLE)
    affected, extra, missed = [], 0, 0
    for row in rows:
        window, lift = int(played.change[row]), bool(played.moves.lift[row])
        seen, usual = ([t for t, up in edges if t // PERIOD_US == window] for edges in (with_it, without))
        right = [t for t, up in with_it if t // PERIOD_US == window and up == lift]
        extra += max(len(seen) - 1, 0)
        missed += not right
        if len(seen) != 1 or not right or len(usual) != 1 or abs(right[0] - usual[0]) > OUT_US:
            affected.append(float(played.moves.truth_us[row]))
    trusted = _trusted(data, [t_us for t_us in affected if told and t_us > told[0][0]])
    return Seen(len(rows), tuple(affected), extra, missed, tuple(told), trusted)


def _trusted(data: bytes, affected_us: list[float]) -> int:
    """How many of these movements lie in a change that the program's analysis does not call uncertain."""
    if not affected_us:
        return 0
    # The analysis counts from the first frame, which came within the first scan or two: no window is that near its end.
    sure = {change.start_us // PERIOD_US for change in read_back(data).changes if change.verdict != "uncertain"}
    return sum(int(t_us) // PERIOD_US in sure for t_us in affected_us)


def healthy(firmware: Firmware | None, changes: int, seed: int = 5) -> Seen:
    """A good chanter under the same hand: nothing is to be told."""
    good = replace(CAPACITIVE, noise=0.004)
    return look(Bad(good, good), firmware, changes, seed=seed)


def good_ones(firmware: Firmware, chanters: Iterable[int], changes: int, hand: Hand = APART) -> Told:
    """What is told of chanters fresh from a workshop, calibrated, in a room with some light: (time, code, hole).

    `chanters` are their numbers.
    """
    told = []
    for seed in chanters:
        chance = np.random.default_rng(30_000 + seed)
        sensors = draw("infrared" if seed % 2 else "capacitive", chance)
        if seed % 2:
            sensors = replace(sensors, light=chance.uniform(0.0, 0.05, HOLES))
        sensors = replace(sensors, drift=chance.uniform(-0.05, 0.05, HOLES))
        levels = levels_of(calibrated(sensors, chance))
        played = play(crossings(changes, chance), sensors, hand, chance)
        told += _scanned(firmware, played, sensors, levels, chance)[1]
    return told


Edges = list[tuple[int, bool]]  # time, whether the hole opened
Told = list[tuple[int, int, int]]


def _scanned(
    firmware: Firmware | None, played: Played, sensors: Sensors, levels: Levels, chance: np.random.Generator
) -> tuple[Edges, Told, bytes]:
    """The bad hole's edges, the troubles told, and the bytes that told them."""
    states: list[State] = []
    told, data = [], b""
    if firmware is None:
        states = states_of(raw_of(played, sensors, chance, SCAN_US).astype(np.int64), levels, SCAN_US)
    else:
        data = bytes_by_firmware(firmware, played, sensors, levels, chance)
        for item in StreamReader().feed(data):
            message = decode(item) if isinstance(item, bytes) else None
            if isinstance(message, Holes):
                states.append((message.ticks32, message.covered_mask))
            # A trouble of a sensor that is over says so with a detail of 0.
            elif isinstance(message, Trouble) and (message.detail or message.code not in OF_A_SENSOR):
                told.append((message.ticks32, message.code, message.hole))
    edges = [
        (t_us, not mask >> BAD_HOLE & 1)
        for (_, before), (t_us, mask) in pairwise(states)
        if (mask ^ before) >> BAD_HOLE & 1
    ]
    return edges, told, data
