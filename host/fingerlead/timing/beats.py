"""How onsets lie to a steady beat: the beat fitted to them, its spread and drift, and bars that rush or drag.

Question: given when notes began and where they are written, which even beat did the player keep, and where did they
leave it? Conventions: `at` are places in beats, float64, rising; `us` are onsets in µs, int64, of as many; both are of
one unbroken run of playing, and of notes written on the beat alone: a pair that is played unevenly moves no beat.

Sources: the slope is Theil's and Sen's median of all slopes (P. K. Sen, JASA 63, 1968), of several runs together as by
Hirsch and Slack (Water Resources Research 20, 1984: seasons there); of long runs, Theil's incomplete method (pairs half
the run apart) spares the memory. One wild onset in four moves none of it. The limits of drift and of bars are our own
choice, so that a steady player is told neither (tests/timing/test_pulse.py).
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Times = NDArray[np.int64]

# Of fewer onsets no beat is told.
FEWEST_ONSETS = 6
FEWEST_STEPS = 8  # of fewer steps from beat to beat no drift
# All slopes of a run of so many onsets are looked at; of a longer one, those half the run apart.
MOST_ONSETS = 400
# A step that is longer or shorter by more than half a beat, and than so much of itself, breaks the run.
BREAK_BEATS, BREAK_SHARE = 0.5, 0.15
# A bar rushes or drags by at least so much, which is about the least that is heard (from memory), and by so many times
# what the player's own unevenness makes of a bar.
LEAST_SHARE, BAR_SIGMAS = 0.05, 4.0
FEWEST_BARS = 4
# Drift is told where its interval (99 %) leaves out 0, and the tempo changes by so much in all.
DRIFT_SIGMAS = 2.576
NORMAL = 1.4826  # from a median deviation to a standard deviation, where errors are normal
MINUTE_US = 60_000_000


class Run(NamedTuple):
    """Onsets of an unbroken run, on the beat: where and when; `bar` counts bars as they are played."""

    at: Floats
    us: Times
    bar: NDArray[np.int64]


class MedianSlope(NamedTuple):
    """A median slope and its interval."""

    value: float
    low: float
    high: float


class BarTime(NamedTuple):
    """How long a bar took, from `start_us` on: longer than the beat asks by `share` of it (shorter: below 0).

    `limit` is how far that may be off in steady playing.
    """

    bar: int
    start_us: int
    share: float
    limit: float

    @property
    def rushes(self) -> bool:
        """Whether it is shorter beyond the limit."""
        return self.share < -self.limit

    @property
    def drags(self) -> bool:
        """Whether it is longer beyond the limit."""
        return self.share > self.limit


def slope_of(strata: Sequence[tuple[Floats, Floats]], sigmas: float = DRIFT_SIGMAS) -> MedianSlope | None:
    """The median slope of y over x within each stratum; None where no stratum has two points that differ in x."""
    slopes = [_slopes(x, y) for x, y in strata]
    found = np.sort(np.concatenate(slopes)) if slopes else np.zeros(0)
    if not len(found):
        return None
    variance = sum(len(x) * (len(x) - 1) * (2 * len(x) + 5) / 18 for x, _ in strata)
    all_pairs = sum(len(x) * (len(x) - 1) / 2 for x, _ in strata)
    # Of an incomplete set, the rank is the same share.
    half = sigmas * math.sqrt(variance) / 2 * len(found) / max(all_pairs, 1)
    middle = (len(found) - 1) / 2
    low, high = max(math.floor(middle - half), 0), min(math.ceil(middle + half), len(found) - 1)
    return MedianSlope(float(np.median(found)), float(found[low]), float(found[high]))


def beat_through(run: Run) -> tuple[float, float]:
    """The beat in µs, and when the place 0 would be, fitted to a run."""
    us = run.us - run.us[0]
    slope = slope_of([(run.at, us.astype(np.float64))])
    beat_us = 0.0 if slope is None else slope.value
    return beat_us, float(run.us[0] + np.median(us - run.at * beat_us))


def runs_of(run: Run) -> list[Run]:
    """A run taken apart where a step is out by half a beat or more: a stop, a note cut short, a jump."""
    steps, step_us = np.diff(run.at), np.diff(run.us)
    if not len(steps):
        return []
    beat_us = float(np.median(step_us / steps))
    out = np.abs(step_us - beat_us * steps) > beat_us * np.maximum(BREAK_BEATS, BREAK_SHARE * steps)
    ends = [0, *(np.flatnonzero(out) + 1).tolist(), len(run.at)]
    runs = (Run(run.at[a:b], run.us[a:b], run.bar[a:b]) for a, b in pairwise(ends))
    return [one for one in runs if len(one.at) >= FEWEST_ONSETS and one.bar[0] != one.bar[-1]]


def offs_of(run: Run, beat_us: float | None = None) -> Floats:
    """How far each onset is off the beat, in µs (late is above 0): a given one, at its middle, or the fitted one."""
    if beat_us is None:
        beat_us, start_us = beat_through(run)
    else:
        start_us = float(run.us[0] + np.median(run.us - run.us[0] - run.at * beat_us))
    return np.asarray(run.us - start_us - run.at * beat_us, dtype=np.float64)


def spread_of(offs: Floats) -> float:
    """Half the interquartile range: half of the onsets lie within twice that."""
    low, high = np.percentile(offs, (25, 75))
    return float(high - low) / 2


def drift_of(runs: Sequence[Run]) -> tuple[MedianSlope, bool] | None:
    """How much faster it gets, as a share a minute, and whether that is sure and large; None for too few steps."""
    strata = []
    for run in runs:
        steps, step_us = np.diff(run.at), np.diff(run.us)
        middle = (run.us[:-1] + run.us[1:]) / (2 * MINUTE_US)
        strata.append((middle, -np.log(step_us / steps)))
    if sum(len(x) for x, _ in strata) < FEWEST_STEPS or (slope := slope_of(strata)) is None:
        return None
    minutes = max(float(run.us[-1] - run.us[0]) for run in runs) / MINUTE_US
    sure = slope.low > 0 or slope.high < 0
    return slope, sure and abs(slope.value) * minutes >= LEAST_SHARE


def jitter_of(runs: Sequence[Run]) -> float:
    """The standard deviation of single onsets in µs, by how far each lies off the line between its neighbours."""
    found = []
    for run in runs:
        share = (run.at[1:-1] - run.at[:-2]) / (run.at[2:] - run.at[:-2])
        off = run.us[1:-1] - (1 - share) * run.us[:-2] - share * run.us[2:]
        found.append(off / np.sqrt(1 + share**2 + (1 - share) ** 2))
    return NORMAL * float(np.median(np.abs(np.concatenate(found)))) if found else 0.0


def bars_of(runs: Sequence[Run], beat_us: float | None, drift: float = 0.0) -> list[BarTime]:
    """How long each whole bar of some runs took, beside a given beat, or beside the player's own of its run.

    `drift` is a share a minute that is taken out.
    """
    jitter_us = jitter_of(runs)
    found: list[tuple[int, int, float, float]] = []  # bar, start_us, logarithm of its share, of what jitter makes
    for run in runs:
        firsts = np.flatnonzero(np.diff(run.bar, prepend=run.bar[0] - 1))
        at, us, bar = run.at[firsts], run.us[firsts], run.bar[firsts]
        step_us, whole = np.diff(us), np.diff(bar) == 1
        if not len(step_us):
            continue
        logs = np.log(step_us / np.diff(at)) + drift * ((us[:-1] + us[1:]) / 2 - us[0]) / MINUTE_US
        logs -= np.median(logs) if beat_us is None else math.log(beat_us)
        rows = zip(bar[:-1].tolist(), us[:-1].tolist(), logs.tolist(), step_us.tolist(), whole.tolist(), strict=True)
        found += [(b, at_us, log, math.sqrt(2) * jitter_us / us_) for b, at_us, log, us_, is_whole in rows if is_whole]
    if len(found) < FEWEST_BARS:
        return []
    logs = np.array([log for _, _, log, _ in found])
    usual = NORMAL * float(np.median(np.abs(logs - np.median(logs))))
    return [
        BarTime(bar, at_us, math.expm1(log), max(LEAST_SHARE, BAR_SIGMAS * max(usual, by_jitter)))
        for bar, at_us, log, by_jitter in found
    ]


def _slopes(x: Floats, y: Floats) -> Floats:
    if len(x) > MOST_ONSETS:
        half = len(x) // 2
        run, rise = x[half:] - x[:-half], y[half:] - y[:-half]
    else:
        first, second = np.triu_indices(len(x), 1)
        run, rise = x[second] - x[first], y[second] - y[first]
    return np.asarray(rise[run > 0] / run[run > 0], dtype=np.float64)
