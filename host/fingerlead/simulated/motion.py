"""How a finger moves over its hole: its height in mm above the rim, and the seal.

The truth of a finger time is the **seal**: the instant at which the sound of the hole changes, at a finger height of
its own, the same for a lift and a covering. No published value of that height is known; 0.2 mm is from memory, and
anything from 0 to 0.5 mm is possible.

A finger goes from the pressed pad to its open height by a minimum-jerk path (T. Flash, N. Hogan, J. Neuroscience 5(7),
1985: 10τ³ − 15τ⁴ + 6τ⁵) in its travel time, and back by the same path. Below 0 the pad is pressed: it seals before it
is flat. A finger that rolls off passes the lowest millimetre more slowly. A finger that comes back before it is up has
gone less far, at the same pace. Heights and times other than the seal's are from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SEAL_MM = 0.2
OPEN_MM = 12.0
PRESS_MM = 0.5
ROLL_MM = 1.0
TRAVEL_US = 12_000
# Of a brisk player, and of one who has just begun.
QUICKEST_US, SLOWEST_US = 12_000, 250_000
POINTS = 4_000
NEVER_US = 1e15


@dataclass(frozen=True)
class Motion:
    """How one finger lifts and covers. `travel_us` is for the whole way, `roll_us` more for its lowest millimetre."""

    travel_us: float = TRAVEL_US
    open_mm: float = OPEN_MM
    press_mm: float = PRESS_MM
    seal_mm: float = SEAL_MM
    roll_us: float = 0.0

    def height_mm(self, from_seal_us: Floats) -> Floats:
        """Heights so long after the seal of a lift, or before that of a covering; of the covered hole below 0."""
        return np.interp(from_seal_us, *path_of(self))


@lru_cache(maxsize=64)
def path_of(motion: Motion) -> tuple[Floats, Floats]:
    """Times in µs from the seal and heights in mm above the rim of a lift, both rising."""
    share = np.linspace(0.0, 1.0, POINTS)
    height_mm = (motion.open_mm + motion.press_mm) * share**3 * (10 - 15 * share + 6 * share**2) - motion.press_mm
    t_us = share * motion.travel_us + motion.roll_us * np.clip(height_mm / ROLL_MM, 0.0, 1.0)
    return t_us - np.interp(motion.seal_mm, height_mm, t_us), height_mm


@dataclass(frozen=True)
class Course:
    """One finger over a whole performance: its seals in order of time, by turns a lift and a covering."""

    seals_us: Sequence[int]
    covered_first: bool
    motion: Motion = Motion()

    def _around(self, t_us: Floats) -> tuple[NDArray[np.bool_], Floats, Floats]:
        """Whether the hole is covered, how long since the last seal, how long to the next."""
        seals_us = np.concatenate(([-NEVER_US], np.asarray(self.seals_us, dtype=np.float64), [NEVER_US]))
        past = np.searchsorted(seals_us, t_us, side="right") - 1
        return (past % 2 == 0) == self.covered_first, t_us - seals_us[past], seals_us[past + 1] - t_us

    def heights_mm(self, t_us: Floats) -> Floats:
        """Heights above the rim at these times."""
        covered, since_us, until_us = self._around(t_us)
        nearest_us = np.minimum(since_us, until_us)
        out = np.where(covered, -self.motion.press_mm, self.motion.open_mm)
        moving = nearest_us < self.motion.travel_us + self.motion.roll_us
        out[moving] = self.motion.height_mm(np.where(covered[moving], -nearest_us[moving], nearest_us[moving]))
        return out

    def dry_us(self, t_us: Floats) -> Floats:
        """How long ago the finger left its hole; 0 while it covers, never where it has not covered yet."""
        covered, since_us, _ = self._around(t_us)
        return np.where(covered, 0.0, since_us)
