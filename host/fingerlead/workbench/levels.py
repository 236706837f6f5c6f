"""From a calibration to the levels of each hole, and whether they can be trusted.

Question: from which sample on is a hole covered, and from which is it open? The samples of open and of covered holes
make two clusters. The levels lie near the covered one, where the finger is about to seal its hole and the curve is
steep: there a lift and a covering, a slow finger and a quick one are seen nearest to the seal, and a half-covered hole
is open. They are as far apart as the noise asks.

Otsu: N. Otsu, IEEE Trans. SMC 9(1), 1979, 62-66 (from memory): the threshold with the greatest w0 w1 (m1 - m0)².
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fingerlead.store.chanters import SEAL
from fingerlead.workbench.faults import Fault, HoleVerdict, judge
from fingerlead.workbench.samples import Taken
from fingerlead.workbench.signs import Signs, read_signs

# The levels are at least so far apart, as a share of the swing, or by so many times the noise from peak to peak.
LEAST_APART, NOISES = 0.04, 1.5
# However much noise there is.
WIDEST = 0.3
# A finger in playing covers less firmly than one that is asked to: the levels keep below nearly all that playing shows.
# Fingers on their way are in it too, up to a twentieth in a quick scale.
LIGHTLY = 0.1


@dataclass(frozen=True, slots=True)
class HoleReport:
    """One hole, in raw counts; `snr` is swing over peak-to-peak noise, `crosstalk` and `half` are shares of the swing.

    `words` is a sentence or two: what is wrong, and what to do. `cover_at` is above `uncover_at` even where the hole is
    bad, but then they mean nothing.
    """

    hole: int
    open_raw: float
    covered_raw: float
    half: float | None
    noise_raw: float
    separation: float
    snr: float
    drift_raw: float
    crosstalk: float
    verdict: HoleVerdict
    fault: Fault | None
    words: str
    cover_at: int
    uncover_at: int


def holes_of(taken: Taken) -> list[HoleReport]:
    """Judge each hole of a calibration whose steps are those of `samples.PLAN`."""
    signs = read_signs(taken)
    reports = []
    for hole, (verdict, fault, words) in enumerate(judge(signs, taken.full_scale)):
        cover_at, uncover_at = _levels(taken, signs, hole)
        swing = float(signs.response[hole, hole])
        own = max(abs(swing), 1.0)
        half = (signs.half_raw[hole] - signs.open_raw[hole]) / own
        reports.append(
            HoleReport(
                hole=hole,
                open_raw=float(signs.open_raw[hole]),
                covered_raw=float(signs.covered_raw[hole]),
                half=None if np.isnan(half) else float(half),
                noise_raw=float(signs.open_noise[hole]),
                separation=swing,
                snr=float(swing / max(signs.open_noise[hole], 1.0)),
                drift_raw=float(signs.wander[hole]),
                crosstalk=float(np.delete(signs.response[:, hole], hole).max() / own),
                verdict=verdict,
                fault=fault,
                words=words,
                cover_at=cover_at,
                uncover_at=uncover_at,
            )
        )
    return reports


def otsu(counts: NDArray[np.int64]) -> int:
    """Of a histogram (how often each raw sample came): the last sample that belongs to the lower cluster.

    The first of equally good ones, so that in an empty valley it is the top of the lower cluster. ValueError where
    fewer than two different samples came.
    """
    present = np.flatnonzero(counts)
    if len(present) < 2:
        raise ValueError("expected samples of at least two different sizes; all are the same")
    # Only samples that came can part two clusters.
    weight = counts[present].astype(np.float64)
    value = present.astype(np.float64)
    below, above = np.cumsum(weight)[:-1], np.cumsum(weight[::-1])[::-1][1:]
    sum_below = np.cumsum(weight * value)[:-1]
    sum_above = np.cumsum((weight * value)[::-1])[::-1][1:]
    between = below * above * (sum_below / below - sum_above / above) ** 2
    return int(present[int(np.argmax(between))])


def clusters(taken: Taken, hole: int) -> tuple[NDArray[np.int64], int]:
    """How often each raw sample of a hole came, and the last one of the open cluster (Otsu).

    The time in which it was half covered is neither cluster's. ValueError where all samples were the same.
    """
    column = np.ascontiguousarray(taken.samples[:, hole])
    counts = np.bincount(column)
    for span, after in pairwise(taken.spans):
        if span.kind == "half" and span.hole == hole:
            # The finger lies there until it has gone on to what is asked next.
            counts -= np.bincount(column[span.asked : after.held], minlength=len(counts))
    return counts, otsu(counts)


def _levels(taken: Taken, signs: Signs, hole: int) -> tuple[int, int]:
    """(cover at, uncover at): about the seal's share of the way from the open cluster's middle to the covered one's."""
    try:
        counts, last_open = clusters(taken, hole)
    except ValueError:
        counts, last_open = np.zeros(2, dtype=np.int64), 0
    covered = counts[last_open + 1 :]
    low, high = _rank(counts[: last_open + 1], 0.5), last_open + 1 + _rank(covered, 0.5)
    swing = max(high - low, 2)
    centre = low + SEAL * swing
    light = last_open + 1 + _rank(covered, LIGHTLY)
    noise = float(max(signs.open_noise[hole], signs.covered_noise[hole]))
    apart = min(max(LEAST_APART * swing, NOISES * noise), WIDEST * swing)
    # Not below a third of the way up: there a finger only hovers.
    centre = max(min(centre, light - apart / 2 - noise / 2), low + swing / 3)
    uncover_at = max(0, round(centre - apart / 2))
    return min(max(round(centre + apart / 2), uncover_at + 1), 65_535), min(uncover_at, 65_534)


def _rank(counts: NDArray[np.int64], share: float) -> int:
    """The sample at a share of all of them, by nearest rank; 0 where there is none."""
    total = int(counts.sum())
    return int(np.searchsorted(np.cumsum(counts), share * total, side="right")) if total else 0
