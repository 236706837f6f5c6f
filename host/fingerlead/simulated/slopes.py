"""How steeply each edge crossed its level, as a chanter that tells slopes measures it (hardware_notes/wire.md).

The least-squares line through the samples of 4 ms before and after the crossing, as many on either side, at most REACH
scans; none where a hole crossed back within them.
"""

from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.holes import fingers_of
from fingerlead.simulated.sensing import CHUNK, Heights
from fingerlead.wire.messages import Levels

SLOPE_US = 4_000
REACH = 8
GREATEST = 0xFFFF


class Steepness(NamedTuple):
    """One edge's slope; `rise_raw` in counts a millisecond towards the new state, `level_raw` the first sample past."""

    t_us: int
    hole: int
    rise_raw: int
    level_raw: int


class SlopeMeter:
    """Edges in, as they are decided; slopes out, once the scans after the crossing are there too.

    `levels` may be set to others.
    """

    def __init__(self, heights: Heights, levels: Levels, first_scan: int, scan_us: int) -> None:
        self.levels = levels
        self._heights, self._first, self._scan_us = heights, first_scan, scan_us
        self._reach = min(max(SLOPE_US // scan_us, 1), REACH)
        self._waiting: deque[tuple[int, int, bool]] = deque()  # scan of the crossing, hole, covered

    @property
    def due(self) -> int | None:
        """The scan at which the next slope is whole."""
        return self._waiting[0][0] + self._reach if self._waiting else None

    def edge(self, t_us: int, moved_mask: int, covered_mask: int) -> None:
        """Holes have moved at the scan of `t_us`."""
        scan = self._heights.scan_from(t_us)
        self._waiting.extend((scan, hole, bool(covered_mask >> hole & 1)) for hole in fingers_of(moved_mask))

    def look(self, scan: int) -> list[Steepness]:
        """The slopes that are whole at this scan."""
        out = []
        while self._waiting and self._waiting[0][0] + self._reach <= scan:
            at, hole, covered = self._waiting.popleft()
            span = min(self._reach, at - self._first)
            samples = self._samples(at - span, at + span + 1)[:, hole]
            cover_at, uncover_at = self.levels[hole]
            back = samples[span:] <= uncover_at if covered else samples[span:] >= cover_at
            if span < 1 or back.any():
                continue
            place = np.arange(-span, span + 1)
            rise = float(place @ samples) / float(place @ place) * 1_000 / self._scan_us * (1 if covered else -1)
            t_us = self._heights.time_us(at)
            out.append(Steepness(t_us, hole, min(max(int(rise + 0.5), 0), GREATEST), int(samples[span])))
        return out

    def _samples(self, first: int, last: int) -> NDArray[np.int32]:
        cut = (first // CHUNK + 1) * CHUNK
        if last <= cut:
            return self._heights.samples(first, last)
        return np.concatenate((self._heights.samples(first, cut), self._heights.samples(cut, last)))
