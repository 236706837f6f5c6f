"""How far each edge's time may be off: its own standard uncertainty, and its part in what all edges share.

Where a chanter tells slopes, the edge's own tells how slowly its finger passed the level; where it does not, or before
anything is known of its curve, the budget's assumed pace holds. Arrays `own_us` and `common_us` are float, of the shape
of the times asked for; `common_us` is as it counts between two, and signed, late in a lift and early in a covering.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.timing.budget import COVERAGE, Budget
from fingerlead.timing.results import Timing
from fingerlead.wire.events import NO_SLOPES, Slopes

Floats = NDArray[np.float64]

BITS = 10
SLOWEST_US_PER_MM = 100_000.0  # where a sample hardly rises, its slope tells no pace


@dataclass(frozen=True, slots=True)
class EdgeErrors:
    """The errors of all edges: `flat_us` for all pairs alike, or by `budget` and the slopes told.

    `keys` are the edges that have a slope, time · 8 + hole, rising; `scale_us` is how long each took for as much as a
    sample can be at all.
    """

    flat_us: int | None
    budget: Budget | None = None
    keys: NDArray[np.int64] = field(default_factory=lambda: NO_SLOPES.t_us)
    scale_us: Floats = field(default_factory=lambda: np.zeros(0))

    def of(self, t_us: NDArray[np.int64], finger: NDArray[np.int64], lift: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        """`own_us` and `common_us` of edges at these times, of these fingers."""
        if self.budget is None:
            own = np.full(t_us.shape, (self.flat_us or 0) / (COVERAGE * 2**0.5))
            return own, np.zeros(t_us.shape)
        slowness = np.where(lift, *self.budget.slowness_us_per_mm)
        if len(self.keys):
            place, told = found(self.keys, t_us * HOLES + finger)
            steep = np.where(lift, *self.budget.steep_per_mm)
            slowness = np.where(told, np.minimum(self.scale_us[place] * steep, SLOWEST_US_PER_MM), slowness)
        covering, lifting = self.budget.sizes
        own_us, own_mm, common_mm = (np.where(lift, *sizes) for sizes in zip(lifting, covering, strict=True))
        return np.hypot(own_us, own_mm * slowness), common_mm * slowness

    def between(self, start_us: int, end_us: int) -> Hashable:
        """All that decides the errors of edges from one time to another, both included."""
        slopes = slice(*np.searchsorted(self.keys, (start_us * HOLES, (end_us + 1) * HOLES)))
        return self.flat_us, self.budget, self.keys[slopes].tobytes(), self.scale_us[slopes].tobytes()


def errors_for(timing: Timing, slopes: Slopes = NO_SLOPES) -> EdgeErrors:
    """The errors of a timing's edges, with the slopes that were told of them."""
    if timing.budget is None:
        return EdgeErrors(timing.uncertainty_us)
    if not len(slopes.t_us):
        return EdgeErrors(None, timing.budget)
    return EdgeErrors(None, timing.budget, *scales_of(slopes, timing.raw_bits))


def apart_us(own_us: Floats, common_us: Floats, other_own_us: Floats, other_common_us: Floats) -> Floats:
    """The expanded uncertainty of the time between two edges: what is common to both counts as far as it differs."""
    return np.asarray(
        COVERAGE * np.sqrt(own_us**2 + other_own_us**2 + (common_us - other_common_us) ** 2), dtype=np.float64
    )


def found(keys: NDArray[np.int64], wanted: NDArray[np.int64]) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Where in keys that rise the wanted ones are, and which of them are there at all."""
    if not len(keys):
        return np.zeros(wanted.shape, dtype=np.intp), np.zeros(wanted.shape, dtype=bool)
    place = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return place, keys[place] == wanted


def scales_of(slopes: Slopes, raw_bits: int) -> tuple[NDArray[np.int64], Floats]:
    """The edges that have a slope, as keys that rise, and the time in µs that each takes for a full scale."""
    full_scale = (1 << (raw_bits or BITS)) - 1
    keys = slopes.t_us * HOLES + slopes.hole
    order = np.argsort(keys, kind="stable")
    return keys[order], (full_scale * 1_000 / np.maximum(slopes.rise_raw, 1))[order]
