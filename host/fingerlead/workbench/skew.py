"""The straight-bar test: how far apart the sensors fire, measured with a rigid bar on the seven front holes.

Question: how much earlier or later than its neighbours does a hole's sensor see the same motion? A bar is lifted off
and laid on, forty times each. At event k the front hole h is seen at

    t[k, h] = when[k] + tilt[k] * place[h] + skew[h] ± bias[h] / 2 + scatter          + at a lift, - at a lay

`when` and `tilt` are the bar's own and differ each time, so that of skew and bias only what is neither constant nor
linear along the chanter can be known: a linear part looks like a tilt that the bar has every time, a constant one like
another moment. Both are left out, and said to be unknown. The thumb's hole lies at the back, where no bar reaches.

Conventions: times int64 µs, states as (time, covered mask); results in µs, by front hole from the top index down.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.store.chanters import Skew

FRONT = tuple(range(1, HOLES))
WANTED = 40
LEAST = 10  # lifts, and lays, without which nothing is fitted
TOGETHER_US = 120_000  # a bar leaves all holes within this
FAR_OUT_US = 4_000  # beside the fit: such an event was no bar
UNKNOWN = (
    "If every sensor down the chanter sees it a little later than the one above, this test cannot tell: a tilted bar "
    "looks the same. The thumb's hole is not measured."
)


class SkewError(ValueError):
    """A bar test that cannot be used; str() is one sentence."""


@dataclass(frozen=True, slots=True)
class BarEvents:
    """Bar moves found among edges: `times_us` int64[n, 7], `lift` bool[n]."""

    times_us: NDArray[np.int64]
    lift: NDArray[np.bool_]


def bar_events(states: Sequence[tuple[int, int]]) -> BarEvents:
    """The moves of the bar: stretches in which all seven front holes went the same way once, and nothing else."""
    groups: list[list[tuple[int, int, bool]]] = []
    for (_, before), (t_us, mask) in pairwise(states):
        for hole in FRONT:
            if (mask ^ before) >> hole & 1:
                if not groups or t_us - groups[-1][0][1] > TOGETHER_US:
                    groups.append([])
                groups[-1].append((hole, t_us, not mask >> hole & 1))
    moves = [
        group
        for group in map(sorted, groups)
        if tuple(hole for hole, *_ in group) == FRONT and len({lift for *_, lift in group}) == 1
    ]
    times_us = np.array([[t_us for _, t_us, _ in move] for move in moves], dtype=np.int64)
    return BarEvents(times_us.reshape(-1, len(FRONT)), np.array([move[0][2] for move in moves], dtype=bool))


def fit(events: BarEvents) -> Skew:
    """Fit by least squares. SkewError where too few lifts or lays were seen."""
    if min(int(events.lift.sum()), int((~events.lift).sum())) < LEAST:
        raise SkewError(
            f"expected at least {LEAST} lifts and {LEAST} lays of the bar, each with all seven front holes; got "
            f"{int(events.lift.sum())} and {int((~events.lift).sum())}; move the bar as one, and look whether every "
            f"hole answers (fingerlead check PORT --holes)"
        )
    rest = _beyond_the_bar(events.times_us - events.times_us[:, :1])
    lift = events.lift
    middles = np.where(lift[:, None], np.median(rest[lift], axis=0), np.median(rest[~lift], axis=0))
    off = np.abs(rest - middles).max(axis=1)
    used = off <= FAR_OUT_US
    if min(int((used & lift).sum()), int((used & ~lift).sum())) < LEAST:
        raise SkewError(
            f"expected a rigid bar, but the holes came apart differently each time (by more than "
            f"{FAR_OUT_US / 1_000:g} ms); use a straight stiff one, and move it as one"
        )
    lifted, laid = rest[used & lift], rest[used & ~lift]
    # With the bar's own part gone, the least-squares solution is the mean of what is left.
    seen_lift, seen_lay = lifted.mean(axis=0), laid.mean(axis=0)
    errors = [part.std(axis=0, ddof=1) / np.sqrt(len(part)) for part in (lifted, laid)]
    return Skew(
        skew_us=tuple(((seen_lift + seen_lay) / 2).tolist()),
        bias_us=tuple((seen_lift - seen_lay).tolist()),
        uncertain_us=float(2 * np.max(errors)),
        lifts=len(lifted),
        lays=len(laid),
    )


def _beyond_the_bar(times_us: NDArray[np.int64]) -> NDArray[np.float64]:
    """Rows without their own constant and linear part along the chanter."""
    slopes, heights = np.polyfit(FRONT, times_us.T, 1)
    rest: NDArray[np.float64] = times_us - np.outer(slopes, FRONT) - heights[:, None]
    return rest


def skew_words(skew: Skew) -> str:
    """What the straight bar showed, in sentences."""
    return (
        f"Two sensors see one motion, a lift or a covering, up to {skew.apart_us / 1_000:.1f} ms apart: measured by "
        f"{skew.lifts} lifts and {skew.lays} lays of the bar, to within {skew.uncertain_us / 1_000:.1f} ms. {UNKNOWN}"
    )
