"""From a calibration to the levels of each hole, and whether they can be trusted.

Question: from which sample on is a hole covered, and from which is it open? The samples of open and of covered holes
make two clusters; the levels lie about the middle between the two, as far apart as hysteresis and noise ask.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from host.bench.faults import judge
from host.bench.signs import signs as look
from host.bench.statistics import otsu

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from host.bench.faults import Fault, Verdict
    from host.bench.signs import Signs
    from host.bench.taken import Taken

# Of the swing between the two levels: capacitive-sensing guides publish 15 %.
HYSTERESIS = 0.15
# However much noise there is, the levels stay within the middle of the swing.
WIDEST = 0.5
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
    verdict: Verdict
    fault: Fault | None
    words: str
    cover_at: int
    uncover_at: int


def holes_of(taken: Taken) -> list[HoleReport]:
    """Judge each hole of a calibration whose steps are those of `taken.PLAN`."""
    signs = look(taken)
    swing = np.diag(signs.response)
    judgements = judge(signs, taken.full_scale)
    reports = []
    for hole, (verdict, fault, words) in enumerate(judgements):
        cover_at, uncover_at = _levels(taken, signs, hole)
        others = np.delete(signs.response[:, hole], hole)
        own = max(abs(float(swing[hole])), 1.0)
        half = (signs.half_raw[hole] - signs.open_raw[hole]) / own
        reports.append(
            HoleReport(
                hole=hole,
                open_raw=float(signs.open_raw[hole]),
                covered_raw=float(signs.covered_raw[hole]),
                half=None if np.isnan(half) else float(half),
                noise_raw=float(signs.open_noise[hole]),
                separation=float(swing[hole]),
                snr=float(swing[hole] / max(signs.open_noise[hole], 1.0)),
                drift_raw=float(signs.wander[hole]),
                crosstalk=float(others.max() / own),
                verdict=verdict,
                fault=fault,
                words=words,
                cover_at=cover_at,
                uncover_at=uncover_at,
            )
        )
    return reports


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
    """(cover at, uncover at): about the middle of the clusters' middles."""
    try:
        counts, last_open = clusters(taken, hole)
    except ValueError:
        counts, last_open = np.zeros(2, dtype=np.int64), 0
    low, high = _median(counts[: last_open + 1]), last_open + 1 + _median(counts[last_open + 1 :])
    swing = max(high - low, 2)
    centre = (low + high) / 2
    light = last_open + 1 + _rank(counts[last_open + 1 :], LIGHTLY)
    noise = float(max(signs.open_noise[hole], signs.covered_noise[hole]))
    apart = min(max(HYSTERESIS * swing, noise), WIDEST * swing)
    # Not below a third of the way up: there a finger only hovers.
    centre = max(min(centre, light - apart / 2 - noise / 2), low + swing / 3)
    uncover_at = max(0, round(centre - apart / 2))
    return min(max(round(centre + apart / 2), uncover_at + 1), 65_535), min(uncover_at, 65_534)


def _median(counts: NDArray[np.int64]) -> int:
    return _rank(counts, 0.5)


def _rank(counts: NDArray[np.int64], share: float) -> int:
    """The sample at a share of all of them, by nearest rank; 0 where there is none."""
    total = int(counts.sum())
    return int(np.searchsorted(np.cumsum(counts), share * total, side="right")) if total else 0


def levels_of(reports: list[HoleReport]) -> tuple[tuple[int, int], ...]:
    """The levels of all holes, as the wire takes them."""
    return tuple((report.cover_at, report.uncover_at) for report in reports)
