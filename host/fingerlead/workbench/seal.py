"""The seal check: low G is held, other fingers move, and the hole that loosens meanwhile is found in raw samples.

Question: which finger leaves its hole a little without meaning to? A hole that was covered and opens for good was
lifted; one whose sample sinks part of the way and comes back has loosened. Conventions: `t_us` int64[n] never falling,
`samples` (n, 8) raw; open and covered levels (8,) as a calibration has them. The limits are our own choice.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fingering.holes import FINGERS, HOLES

Floats = NDArray[np.float64]
SMOOTH_US = 15_000
LOOSE = 0.12  # of the way from covered to open
LIFTED = 0.6  # from here on the finger was meant to go
LEAST_US = 40_000
NEAR_US = 150_000  # how near to another finger's move it has to be, to be reported with it
BESIDE_US = 60_000  # how near to a lift of its own it is part of that
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
    t_us: NDArray[np.int64], samples: NDArray[np.uint16], open_raw: ArrayLike, covered_raw: ArrayLike
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
    lifts = [_stretches(off[:, hole] > LIFTED, t_us) for hole in range(HOLES)]
    found = []
    for hole in range(HOLES):
        rest = np.median(off[:, hole][off[:, hole] < LOOSE]) if (off[:, hole] < LOOSE).any() else 0.0
        noise = float(np.median(np.abs(np.diff(off[:, hole])))) * NOISES
        for start_us, end_us in _stretches(off[:, hole] - max(rest, 0.0) > max(LOOSE, noise), t_us):
            # A lifted hole passes through every height on its way: what touches a lift is part of it.
            if end_us - start_us < LEAST_US or any(
                start_us <= to_us + BESIDE_US and end_us >= from_us - BESIDE_US for from_us, to_us in lifts[hole]
            ):
                continue
            peak = float(off[(t_us >= start_us) & (t_us <= end_us), hole].max())
            if peak <= LIFTED:
                # The other finger that was lifted or put back nearest to its begin.
                moves = [
                    (abs(move_us - start_us), other)
                    for other in range(HOLES)
                    for stretch in lifts[other]
                    for move_us in stretch
                    if other != hole and start_us - NEAR_US <= move_us <= end_us + NEAR_US
                ]
                found.append(Leak(hole, peak, start_us, end_us - start_us, min(moves)[1] if moves else None))
    return sorted(found, key=lambda leak: leak.start_us)


def _smoothed(values: Floats, width: int) -> Floats:
    """A centred running mean along the rows; the ends repeat their edge."""
    padded = np.pad(values, ((width // 2, width - 1 - width // 2), (0, 0)), mode="edge")
    sums = np.cumsum(np.vstack([np.zeros((1, values.shape[1])), padded]), axis=0)
    smooth: Floats = (sums[width:] - sums[:-width]) / width
    return smooth


def _stretches(true: NDArray[np.bool_], t_us: NDArray[np.int64]) -> list[tuple[int, int]]:
    """The first and the last time of each run of True."""
    turns = np.flatnonzero(np.diff(np.concatenate(([False], true, [False])).astype(np.int8)))
    return list(zip(t_us[turns[::2]].tolist(), t_us[turns[1::2] - 1].tolist(), strict=True))
