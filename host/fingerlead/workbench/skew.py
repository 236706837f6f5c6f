"""The straight-bar test: how far apart the sensors fire, measured with a rigid bar, and at what heights they do.

Question: how much earlier or later than its neighbours does a hole's sensor see the same motion? A bar is lifted off
the seven front holes and laid on, forty times each. At event k the hole h is seen at

    t[k, h] = when[k] + tilt[k] * place[h] + skew[h] ± bias[h] / 2 + scatter          + at a lift, - at a lay

`when` and `tilt` are the bar's own and differ each time, so that of skew and bias only what is neither constant nor
linear along the chanter can be known: a linear part looks like a tilt that the bar has every time, a constant one like
another moment. Both are left out, and said to be unknown. A clamp of two such bars reaches the thumb's hole too, as an
eighth at place 0, just above the others.

A skew is a height over a speed. Where the chanter tells slopes and was calibrated before, each time is moved to the
seal first, as a finger's would be, and what is left is turned into a height by the slopes: in raw samples, a hole's
skew times how steeply it rises at the bar's mean pace. A brisk bar and a slow one show the same heights.

Conventions: times in µs, NaN for a thumb that stayed; states as (time, covered mask), slopes as (time, hole) to raw
counts per ms; results by hole from the top down, of all eight or of the seven front ones.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.store.chanters import Calibration
from fingerlead.store.skews import MOST_APART, SealHeights, Skew, beyond_seal
from fingerlead.timing.budget import RIMS_MM

Floats = NDArray[np.float64]
Slopes = Mapping[tuple[int, int], int]

THUMB = 0
FRONT = tuple(range(1, HOLES))
WANTED = 40
LEAST = 10  # lifts, and lays, without which nothing is fitted
TOGETHER_US = 120_000  # a bar leaves all holes within this
FAR_OUT_US = 4_000  # beside the fit: such an event was no bar
# Of eight heights, so much of the variance is even along the chanter, or the same for all: a line has two parameters.
EVEN = 2 / HOLES
# Of the swing for each mm near the seal: 0.8 of a capacitive sensor, 0.67 of an infrared one; from memory, and
# calculated.
STEEP_PER_MM = 0.7
EVENLY = (
    "If every sensor down the chanter sees it a little later than the one above, this test cannot tell: a tilted bar "
    "looks the same."
)
NO_THUMB = "The thumb's hole is not measured."
AT_ANY_SPEED = "That is kept as a height of each hole, and so counts at any speed of the fingers."
AT_ITS_SPEED = (
    "That holds at the bar's speed alone: for heights, the chanter has to tell slopes, and to be calibrated before."
)


class SkewError(ValueError):
    """A bar test that cannot be used; str() is one sentence."""


@dataclass(frozen=True, slots=True)
class BarEvents:
    """Bar moves found among edges: `times_us` and `rise_raw` float[n, 8], `lift` bool[n].

    NaN where the thumb stayed, and where no slope was told.
    """

    times_us: Floats
    lift: NDArray[np.bool_]
    rise_raw: Floats


def bar_events(states: Sequence[tuple[int, int]], slopes: Slopes | None = None) -> BarEvents:
    """The moves of the bar: stretches in which all seven front holes went the same way once, and nothing else.

    A thumb that went that way meanwhile, once, lay under the other side of a clamp.
    """
    groups: list[list[tuple[int, int, bool]]] = []
    thumbs: list[tuple[int, bool]] = []
    for (_, before), (t_us, mask) in pairwise(states):
        if (mask ^ before) & 1:
            thumbs.append((t_us, not mask & 1))
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
    times_us = np.array([[np.nan, *(t_us for _, t_us, _ in move)] for move in moves]).reshape(-1, HOLES)
    lift = np.array([move[0][2] for move in moves], dtype=bool)
    thumb_us, thumb_lift = np.array([t_us for t_us, _ in thumbs]), np.array([lifts for _, lifts in thumbs], dtype=bool)
    first_us, last_us = times_us[:, 1:].min(axis=1, initial=np.inf), times_us[:, 1:].max(axis=1, initial=-np.inf)
    begin = np.searchsorted(thumb_us, last_us - TOGETHER_US)
    once = np.searchsorted(thumb_us, first_us + TOGETHER_US, side="right") - begin == 1
    with_bar = np.flatnonzero(once)[thumb_lift[begin[once]] == lift[once]]
    times_us[with_bar, THUMB] = thumb_us[begin[with_bar]]
    told = {} if slopes is None else slopes
    rise_raw = [
        [np.nan if np.isnan(t_us) else told.get((int(t_us), hole), np.nan) for hole, t_us in enumerate(row)]
        for row in times_us.tolist()
    ]
    return BarEvents(times_us, lift, np.array(rise_raw, dtype=np.float64).reshape(-1, HOLES))


def fit(events: BarEvents, calibration: Calibration | None = None) -> Skew:
    """Fit by least squares; heights too where a calibration near the seal is known. SkewError with too few events."""
    if not _enough(events.lift):
        raise SkewError(
            f"expected at least {LEAST} lifts and {LEAST} lays of the bar, each with all seven front holes; got "
            f"{int(events.lift.sum())} and {int((~events.lift).sum())}; move the bar as one, and look whether every "
            f"hole answers (fingerlead check PORT --holes)"
        )
    whole = ~np.isnan(events.times_us[:, THUMB])
    first = THUMB if _enough(events.lift[whole]) else FRONT[0]
    rows = whole if first == THUMB else np.ones(len(whole), dtype=bool)
    times_us, rise_raw, lift = events.times_us[rows, first:], events.rise_raw[rows, first:], events.lift[rows]
    rest = _beyond_the_bar(times_us - times_us[:, :1])
    middles = np.where(lift[:, None], np.median(rest[lift], axis=0), np.median(rest[~lift], axis=0))
    off = np.abs(rest - middles).max(axis=1)
    used = off <= FAR_OUT_US
    if not _enough(lift[used]):
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
        heights=None if calibration is None else _heights(times_us[used], rise_raw[used], lift[used], calibration),
    )


def _heights(
    times_us: Floats, rise_raw: Floats, lift: NDArray[np.bool_], calibration: Calibration
) -> SealHeights | None:
    """The heights that bar moves show beyond a calibration; None where too few of them have all their slopes."""
    told = (rise_raw > 0).all(axis=1)
    if not _enough(lift[told]):
        return None
    holes = times_us.shape[1]
    swing = np.subtract(calibration.covered_raw, calibration.open_raw)[-holes:]
    shares, errors = [], []
    for way, beyond_raw, sign in zip((True, False), beyond_seal(calibration)[:2], (1, -1), strict=True):
        rows = told & (lift == way)
        rise, early_us = rise_raw[rows], times_us[rows, :1]
        late_us = np.array(beyond_raw)[-holes:] * 1_000 / rise
        rest = _beyond_the_bar(times_us[rows] - early_us - late_us)
        steep = rise.mean(axis=0)
        pace = (rise / steep).mean(axis=1)[:, None]
        # What is left is a height over the pace: by least squares, and in shares of the swing.
        height = (rest / pace).sum(axis=0) / (1 / pace**2).sum()
        scatter = ((rest - height / pace) * pace).std(axis=0, ddof=1) / np.sqrt(len(rest))
        shares.append(np.clip(sign * height * steep / 1_000 / swing, -MOST_APART, MOST_APART))
        errors.append(float((scatter * steep / 1_000 / swing).max()))
    apart_mm = round(float(np.hypot(RIMS_MM * np.sqrt(EVEN), max(errors) / STEEP_PER_MM)), 3)
    lifted, laid = (tuple(share.tolist()) for share in shares)
    return SealHeights(lifted, laid, apart_mm)


def _enough(lift: NDArray[np.bool_]) -> bool:
    return min(int(lift.sum()), int((~lift).sum())) >= LEAST


def _beyond_the_bar(times_us: Floats) -> Floats:
    """Rows without their own constant and linear part along the chanter."""
    place = np.arange(times_us.shape[1])
    slopes, heights = np.polyfit(place, times_us.T, 1)
    rest: Floats = times_us - np.outer(slopes, place) - heights[:, None]
    return rest


def skew_words(skew: Skew) -> str:
    """What the straight bar showed, in sentences."""
    thumb = [] if len(skew.skew_us) == HOLES else [NO_THUMB]
    return " ".join(
        [
            f"Two sensors see one motion, a lift or a covering, up to {skew.apart_us / 1_000:.1f} ms apart: measured "
            f"by {skew.lifts} lifts and {skew.lays} lays of the bar, to within {skew.uncertain_us / 1_000:.1f} ms.",
            AT_ITS_SPEED if skew.heights is None else AT_ANY_SPEED,
            EVENLY,
            *thumb,
        ]
    )
