"""Hands that do what a calibration asks: each hole alone, half, low G, a scale, a rigid bar, the seal.

They take a moment to react, cover a hole not quite the same each time, and are drawn by a seed. `ask` sets what they do
from a time on; `heights` is what a sensor sees of the fingers, as a share: 0 open, 1 covered, rising evenly between.
`HandHeights` puts a chanter's sensors under them, in place of the `Heights` of a performance.
"""

import random
from bisect import bisect_right
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingering.table import standard_table
from fingerlead.simulated.chanter import Chanter, Setup
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.sensing import Heights, Sensors

SEEN_US = 8_000  # how long a sensor sees a finger on its way
NOTE_US = 300_000
BAR_TIMES = 40
BAR_US = 450_000  # between a lift and the next lay
SEAL_US = 450_000
LEAST_DEPTH = 0.96
FRONT = range(1, HOLES)
FEW = 4  # times for which numpy's arrays cost more than they save
NOTHING_PLAYED = Performance("hands", 0, 0, (), (), (), (), (), 1 << 60)


class Hands:
    """Two hands of a newcomer. Times are µs on the caller's clock, and never go back."""

    def __init__(self, seed: int, react_us: tuple[int, int] = (500_000, 1_000_000)) -> None:
        self._rng = random.Random(f"hands {seed}")
        self._react_us = react_us
        self._t_us: list[list[float]] = [[-1e18] for _ in range(HOLES)]
        self._height: list[list[float]] = [[0.0] for _ in range(HOLES)]
        self._busy_us = 0.0

    def ask(self, kind: str, hole: int | None, t_us: int) -> int:
        """Leave what they do and begin this; returns when it is done. ValueError for a kind that is not known."""
        if t_us < self._busy_us:
            self._stay(float(t_us))
        at = float(t_us) + self._rng.uniform(*self._react_us)
        if kind == "open":
            self._all(at, 0)
        elif kind in ("covered", "half"):
            for other in range(HOLES):
                if other != hole:
                    self._to(other, at, 0.0)
            if hole is not None:
                self._to(hole, at + 120_000, self._depth() if kind == "covered" else self._rng.uniform(0.4, 0.6))
        elif kind == "all":
            self._all(at, 0xFF)
        elif kind == "scale":
            at = self._scale(at)
        elif kind == "bar":
            at = self._lay_bar(at)
        elif kind == "seal":
            at = self._move_each(at)
        else:
            raise ValueError(f"expected open, covered, half, all, scale, bar or seal; got {kind!r}")
        self._busy_us = max(at, *(times[-1] for times in self._t_us))
        return round(self._busy_us)

    def heights(self, t_us: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where the fingers are at these times: shape (n, 8)."""
        paths = list(zip(self._t_us, self._height, strict=True))
        if len(t_us) <= FEW:
            return np.array([[_height_at(t, *path) for path in paths] for t in t_us.tolist()])
        return np.stack([np.interp(t_us, *path) for path in paths], axis=1)

    def _stay(self, at: float) -> None:
        """What was still to come does not; each finger stays where it is now."""
        for times, heights in zip(self._t_us, self._height, strict=True):
            now = _height_at(at, times, heights)
            first = bisect_right(times, at)
            if first < len(times):
                times[first:], heights[first:] = [at], [now]

    def _depth(self) -> float:
        return self._rng.uniform(LEAST_DEPTH, 1.0)

    def _to(self, hole: int, at: float, height: float, travel_us: float | None = None) -> None:
        """The middle of the way is at `at`."""
        times, heights = self._t_us[hole], self._height[hole]
        if height == heights[-1] == 0.0:
            return
        half = (self._rng.uniform(1.0, 1.6) * SEEN_US if travel_us is None else travel_us) / 2
        begin = max(at - half, times[-1] + 1)
        times += (begin, max(at + half, begin + 1))
        heights += (heights[-1], height)

    def _all(self, at: float, mask: int, scatter_us: float = 8_000) -> None:
        for hole in range(HOLES):
            covered, height = mask >> hole & 1, self._height[hole][-1]
            # A finger that covers half of its hole is on neither's place.
            if height < LEAST_DEPTH if covered else height > 0:
                self._to(hole, at + self._rng.gauss(0, scatter_us), self._depth() if covered else 0.0)

    def _scale(self, at: float) -> float:
        notes = standard_table().standard
        for mask in (*notes, *reversed(notes)):
            self._all(at, mask)
            at += NOTE_US * self._rng.uniform(0.9, 1.2)
        return at

    def _lay_bar(self, at: float) -> float:
        """Forty lays and lifts of a rigid bar; its tilt is another each time."""
        # Where a finger lies on its hole, the first lay would be no change. One after the other: no move of a bar.
        for hole in reversed(range(HOLES)):
            self._to(hole, at, 0.0)
            at += BAR_US / HOLES
        at += BAR_US
        for _ in range(BAR_TIMES):
            for covered in (1.0, 0.0):
                tilt_us = self._rng.gauss(400, 1_200)
                for hole in FRONT:
                    self._to(hole, at + tilt_us * (hole - 4) + self._rng.gauss(0, 150), covered, SEEN_US)
                at += BAR_US * self._rng.uniform(0.9, 1.1)
        return at

    def _move_each(self, at: float) -> float:
        """Low G, then each finger up and down again, from the bottom one."""
        self._all(at, 0xFF)
        at += 3 * SEAL_US
        for hole in reversed(range(HOLES)):
            self._to(hole, at, 0.0)
            at += SEAL_US * self._rng.uniform(0.9, 1.2)
            self._to(hole, at, self._depth())
            at += SEAL_US * self._rng.uniform(0.9, 1.2)
        return at


def _height_at(t_us: float, times_us: list[float], heights: list[float]) -> float:
    """What numpy's interp gives, without making arrays of the lists."""
    after = bisect_right(times_us, t_us)
    if after == len(times_us) or heights[after - 1] == heights[after]:
        return heights[after - 1]
    slope = (heights[after] - heights[after - 1]) / (times_us[after] - times_us[after - 1])
    return slope * (t_us - times_us[after - 1]) + heights[after - 1]


class HandHeights(Heights):
    """Raw samples under these hands, up to the present only: later the hands may be asked something else."""

    def __init__(self, hands: Hands, sensors_: Sensors, scan_us: int, phase_us: int = 0, seed: int = 0) -> None:
        super().__init__(replace(NOTHING_PLAYED, seed=seed), sensors_, scan_us, phase_us)
        self._hands = hands
        self._open = np.array([sensor.open_raw for sensor in sensors_], dtype=np.float64)
        self._swing = np.array([sensor.covered_raw for sensor in sensors_]) - self._open
        # The last samples that were made, and their first scan: what is looked at is often told too.
        self._seen: tuple[int, NDArray[np.int32]] = (0, np.zeros((0, HOLES), np.int32))

    def samples(self, first: int, last: int) -> NDArray[np.int32]:
        """Raw samples of scans `first` up to, not including, `last`, all in one chunk: shape (n, 8)."""
        start = first - self._seen[0]
        if start < 0 or last - self._seen[0] > len(self._seen[1]):
            self._seen, start = (first, self._between(first, last)), 0
        return self._seen[1][start : start + last - first]

    def _without_noise(self, t_us: NDArray[np.float64]) -> NDArray[np.float64]:
        raw: NDArray[np.float64] = self._open + self._hands.heights(t_us) * self._swing
        return raw


class HandChanter(Chanter):
    """A chanter under hands that do what they are asked. Its own levels are those of its sensors."""

    def __init__(self, hands: Hands, setup: Setup | None = None, sensors_: Sensors | None = None) -> None:
        super().__init__(NOTHING_PLAYED, setup, sensors_)
        self._heights = HandHeights(hands, self._sensors, self.setup.scan_us, self.setup.phase_us)
        self._power_up(0, self.setup.ticks_start)
