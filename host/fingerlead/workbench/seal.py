"""The seal check: low G is held, other fingers move, and the hole that loosens meanwhile is found in raw samples.

Question: which finger leaves its hole a little without meaning to? A hole that was covered and opens for good was
lifted; one whose sample sinks part of the way and comes back has loosened. Conventions: `t_us` int64[n] never falling,
`samples` (n, 8) raw; open and covered levels (8,) as a calibration has them. The limits are our own choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS, HOLES

Floats = NDArray[np.float64]
SMOOTH_US = 15_000
LOOSE = 0.12  # of the way from covered to open
LIFTED = 0.6  # from here on the finger was meant to go
LEAST_US = 40_000
NEAR_US = 150_000  # how near to another finger's move it has to be, to be told with it
NOISES = 4.0


@dataclass(frozen=True, slots=True)
class Leak:
    """A hole that loosened: how far (share of the way to open), when, and which other finger moved then, if one did."""

    hole: int
    share: float
    start_us: int
    duration_us: int
    moved: int | None

    @property
    def words(self) -> str:
        """What happened, in a sentence."""
        when = f" while the {FINGERS[self.moved]} moved" if self.moved is not None else ""
        return f"The {FINGERS[self.hole]} came {self.share:.0%} of the way off its hole{when}."


def leaks(
    t_us: NDArray[np.int64], samples: NDArray[np.uint16], open_raw: Sequence[float], covered_raw: Sequence[float]
) -> list[Leak]:
    """The leaks, in order of time; none where there are too few samples to tell.

    ValueError where a hole's covered level is not above its open one.
    """
    low, high = np.asarray(open_raw, dtype=np.float64), np.asarray(covered_raw, dtype=np.float64)
    if (high <= low).any():
        raise ValueError("expected covered levels above open ones; calibrate again")
    if len(t_us) < 16:
        return []
    step_us = max(float(np.median(np.diff(t_us))), 1.0)
    off = 1 - (samples.astype(np.float64) - low) / (high - low)
    off = _smoothed(off, max(1, round(SMOOTH_US / step_us)))
    lifts = [_stretches(off[:, hole] > LIFTED) for hole in range(HOLES)]
    # A lifted hole passes through every height on its way: what touches a lift is part of it.
    found = []
    for hole in range(HOLES):
        rest = np.median(off[:, hole][off[:, hole] < LOOSE]) if (off[:, hole] < LOOSE).any() else 0.0
        noise = float(np.median(np.abs(np.diff(off[:, hole])))) * NOISES
        for start, end in _stretches(off[:, hole] - max(rest, 0.0) > max(LOOSE, noise)):
            duration_us = int(t_us[end - 1] - t_us[start])
            peak = float(off[start:end, hole].max())
            if peak <= LIFTED and duration_us >= LEAST_US and not _near_lift(lifts[hole], start, end, t_us):
                moved = _moved(lifts, hole, int(t_us[start]), int(t_us[end - 1]), t_us)
                found.append(Leak(hole, peak, int(t_us[start]), duration_us, moved))
    return sorted(found, key=lambda leak: leak.start_us)


def _smoothed(values: Floats, width: int) -> Floats:
    """A centred running mean along the rows; the ends repeat their edge."""
    padded = np.pad(values, ((width // 2, width - 1 - width // 2), (0, 0)), mode="edge")
    sums = np.cumsum(np.vstack([np.zeros((1, values.shape[1])), padded]), axis=0)
    smooth: Floats = (sums[width:] - sums[:-width]) / width
    return smooth


def _stretches(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Where runs of True begin and end (one past)."""
    turns = np.flatnonzero(np.diff(np.concatenate(([False], true, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(turns[::2], turns[1::2], strict=True)]


def _near_lift(lifts: list[tuple[int, int]], start: int, end: int, t_us: NDArray[np.int64]) -> bool:
    """Whether a hole's own lift begins, ends or lies within 60 ms of a stretch."""
    begin_us, end_us = int(t_us[start]) - 60_000, int(t_us[end - 1]) + 60_000
    return any(int(t_us[a]) <= end_us and int(t_us[b - 1]) >= begin_us for a, b in lifts)


def _moved(
    lifts: list[list[tuple[int, int]]], hole: int, start_us: int, end_us: int, t_us: NDArray[np.int64]
) -> int | None:
    """The other finger that was lifted or laid on nearest to a leak's begin, within NEAR_US of the leak."""
    nearest: tuple[int, int] | None = None
    for other, stretches in enumerate(lifts):
        if other == hole:
            continue
        for a, b in stretches:
            for moment in (int(t_us[a]), int(t_us[b - 1])):
                if start_us - NEAR_US <= moment <= end_us + NEAR_US:
                    nearest = min(nearest or (1 << 62, -1), (abs(moment - start_us), other))
    return None if nearest is None else nearest[1]
