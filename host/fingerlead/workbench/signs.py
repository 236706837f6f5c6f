"""The signs by which a hole is judged: what each step of a calibration did to the samples of each hole.

Question: what does a sensor do when its hole is covered, when another is, and when nothing is? Arrays are (8,) by hole
in raw counts or as shares of the hole's own swing, unless said otherwise.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.workbench.samples import HIGHEST, LOWEST, Span, Taken, at_rank, shares_of_lines

Floats = NDArray[np.float64]
LINES_HZ = (50, 60, 100, 120)
LEAST_ROWS = 8  # of a scale, in which a hole was open, and in which it was covered
LINE_US = 2_000_000  # lines are sought in so much of a step
WATER_RUNS_OFF_S = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0)


@dataclass(frozen=True, slots=True)
class Signs:
    """What was seen. `middle` is (spans, 8); `response[g, h]` is what covering g did to the samples of h."""

    middle: Floats
    response: Floats
    open_raw: Floats
    covered_raw: Floats
    half_raw: Floats
    open_noise: Floats
    covered_noise: Floats
    at_top: Floats  # share of the covered samples at the top of the scale
    frozen: NDArray[np.bool_]  # never changed by more than one count
    astray: Floats  # share of still samples more than half a swing from their step's middle
    lines: Floats  # (LINES_HZ, 8): share of the open noise
    edge_us: Floats  # the quickest edges, from a tenth to nine tenths; NaN where there is none
    wander: Floats  # how far the open level went, beside its own swing
    comes_with_finger: NDArray[np.bool_]  # whether it went up where the hole had been covered, and ran off


def read_signs(taken: Taken) -> Signs:
    """Look at what was taken; the first step has to be an open one, and each hole to have a step of its own."""
    columns = np.ascontiguousarray(taken.samples.T)
    stills = [columns[:, span.held : span.end] for span in taken.spans]
    ordered = [np.sort(still, axis=1) for still in stills]
    middle = np.stack([at_rank(rows, 0.5) for rows in ordered])
    noise = np.stack([at_rank(rows, HIGHEST) - at_rank(rows, LOWEST) for rows in ordered])
    own = _numbers(taken, "covered")
    half = _numbers(taken, "half")
    each = np.arange(HOLES)
    before = np.array([[_open_before(taken, own[g], h) for h in range(HOLES)] for g in range(HOLES)])
    response = middle[own] - np.take_along_axis(middle, before, axis=0)
    swing, opens = response[each, each], before[each, each]
    first = taken.spans[0]
    rows = slice(first.held, min(first.end, int(np.searchsorted(taken.t_us, taken.t_us[first.held] + LINE_US))))
    moves = [number for number, span in enumerate(taken.spans) if span.kind != "scale"]
    lowest = np.min([still[:, 0] for still in ordered], axis=0).astype(np.int64)
    highest = np.max([still[:, -1] for still in ordered], axis=0).astype(np.int64)
    wander, comes = _wander(taken, middle, swing)
    return Signs(
        middle=middle,
        response=response,
        open_raw=middle[opens, each],
        covered_raw=middle[own, each],
        half_raw=np.where(half >= 0, middle[half, each], np.nan),
        open_noise=noise[opens, each],
        covered_noise=noise[own, each],
        at_top=np.array([np.mean(stills[own[h]][h] >= taken.full_scale) for h in range(HOLES)]),
        frozen=highest - lowest <= 1,
        astray=_astray([stills[number] for number in moves], middle[moves], swing),
        lines=shares_of_lines(taken.t_us[rows], taken.samples[rows].astype(np.float64), LINES_HZ),
        edge_us=_edges(taken, columns, ordered, own, middle[opens, each]),
        wander=wander,
        comes_with_finger=comes,
    )


def _numbers(taken: Taken, kind: str) -> NDArray[np.int64]:
    """Which span each hole has of a kind; -1 where it has none."""
    numbers = np.full(HOLES, -1)
    for number, span in enumerate(taken.spans):
        if span.kind == kind and span.hole is not None:
            numbers[span.hole] = number
    return numbers


def _is_open(span: Span, hole: int) -> bool:
    """Whether the hole is open in a step, and no neighbour covered that could move it."""
    return span.kind == "open" or (span.hole is not None and abs(span.hole - hole) > 1)


def _open_before(taken: Taken, number: int, hole: int) -> int:
    """The last step before `number` in which the hole was open."""
    return max(k for k in range(number) if _is_open(taken.spans[k], hole))


def _astray(stills: list[NDArray[np.uint16]], middle: Floats, swing: Floats) -> Floats:
    """The share of still samples that lie more than half a swing from the middle of their step."""
    far = np.maximum(np.abs(swing) / 2, 1.0)
    # As samples are whole numbers, so are the limits: comparing small integers is quick.
    low = np.clip(np.ceil(middle - far), 0, 65_535).astype(np.uint16)[:, :, None]
    high = np.clip(np.floor(middle + far), 0, 65_535).astype(np.uint16)[:, :, None]
    strays = np.zeros(HOLES)
    for still, least, most in zip(stills, low, high, strict=True):
        strays += ((still < least) | (still > most)).sum(axis=1)
    share: Floats = strays / max(1, sum(still.shape[1] for still in stills))
    return share


def _edges(
    taken: Taken, columns: NDArray[np.uint16], ordered: list[NDArray[np.uint16]], own: NDArray[np.int64], base: Floats
) -> Floats:
    """How long the quick edges of each hole take: the second shortest, as one alone may be an accident.

    A slow sensor is slow in a scale too, where fingers are quicker than when they are laid on one by one.
    """
    out = np.full(HOLES, np.nan)
    scales = [number for number, span in enumerate(taken.spans) if span.kind == "scale"]
    for hole in range(HOLES):
        number = own[hole]
        low, high = float(base[hole]), float(at_rank(ordered[number][hole], 0.5))
        pieces = [(number, low, high)]
        pieces += [(k, *sides) for k in scales if (sides := _sides(ordered[k][hole], (low + high) / 2))]
        found = [_edge_times(taken, columns[hole], taken.spans[k], low, high) for k, low, high in pieces]
        edges_us = np.sort(np.concatenate(found))
        if len(edges_us):
            out[hole] = edges_us[min(1, len(edges_us) - 1)]
    return out


def _sides(ordered: NDArray[np.uint16], between: float) -> tuple[float, float] | None:
    """The middles of the samples on either side, however long each lasted; None where one hardly came."""
    cut = int(np.searchsorted(ordered, between))
    if min(cut, len(ordered) - cut) < LEAST_ROWS:
        return None
    return float(ordered[cut // 2]), float(ordered[(cut + len(ordered)) // 2])


def _edge_times(taken: Taken, column: NDArray[np.uint16], span: Span, low: float, high: float) -> NDArray[np.int64]:
    """How long each edge within a step takes from a tenth to nine tenths of the way, or back."""
    values, t_us = column[span.asked : span.end], taken.t_us[span.asked : span.end]
    above = values >= low + 0.9 * (high - low)
    known = np.flatnonzero(above | (values <= low + 0.1 * (high - low)))
    turns = np.flatnonzero(np.diff(above[known]))
    return t_us[known[turns + 1]] - t_us[known[turns]] if high > low else t_us[:0]


def _wander(taken: Taken, middle: Floats, swing: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """How far the open level went, and whether it looks like a drop: there once covered, and running off since."""
    wander, comes = np.zeros(HOLES), np.zeros(HOLES, dtype=bool)
    bounds = np.array([(span.held, span.end) for span in taken.spans]).T
    t_s, ends_s = taken.t_us[np.minimum((bounds.sum(axis=0) // 2, bounds[1]), len(taken.t_us) - 1)] / 1e6
    for hole in range(HOLES):
        opens = [number for number, span in enumerate(taken.spans) if _is_open(span, hole)]
        level = middle[opens, hole]
        wander[hole] = level.max() - level.min()
        if wander[hole] < 0.05 * abs(swing[hole]):
            continue
        wets = [number for number, span in enumerate(taken.spans) if span.kind in ("all", "scale") or span.hole == hole]
        since_s = np.array([t_s[k] - max((ends_s[wet] for wet in wets if wet < k), default=-np.inf) for k in opens])
        smooth, _ = _fitted(level, t_s[opens], t_s[opens] ** 2)
        drops = [_fitted(level, np.exp(-since_s / runs_off_s)) for runs_off_s in WATER_RUNS_OFF_S]
        comes[hole] = min((rest for rest, height in drops if height > 0), default=np.inf) < smooth
    return wander, comes


def _fitted(level: Floats, *parts: Floats) -> tuple[float, float]:
    """What is left of the levels without a constant and these parts of them, and how high the first part is."""
    shape = np.stack([np.ones(len(level)), *parts], axis=1)
    weights = np.linalg.lstsq(shape, level, rcond=None)[0]
    return float(((level - shape @ weights) ** 2).sum()), float(weights[1])
