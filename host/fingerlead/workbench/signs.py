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
NOISE_ROWS = 1_000  # of a step are enough
SWAYS = 0.05  # of the swing, within a step that was held still
LINE_US = 2_000_000  # lines are sought in so much of a step
SECOND = 0.3  # of the greatest excess over the usual open level: a finger that was near once has none
JUMPY = 0.08  # of the open levels' variance: what a smooth course may leave, and a drop twice
SIDES = 0.05, 0.95  # of a scale: its lowest and its highest levels
FITTED = 9  # so many open levels make a course, not fewer
WATER_RUNS_OFF_S = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0)


@dataclass(frozen=True, slots=True)
class Signs:
    """What was seen. `middle` is (spans, 8); `response[g, h]` is what covering g did to the samples of h.

    A hole that was not covered alone has its swing from low G, or 0 where it was not covered then either.
    """

    middle: Floats
    response: Floats
    covered_alone: NDArray[np.bool_]  # each hole's own step was done
    seen_covered: NDArray[np.bool_]  # in it, or in low G
    followed: NDArray[np.bool_]  # in low G and in a scale the hole did as the others, or those steps were not done
    doubted: NDArray[np.bool_]  # it was covered in part in a step in which it was to be open
    all_swing: Floats  # from open to low G; NaN where low G was not played
    back: NDArray[np.bool_]  # open in the last step, as in the ones before; so where it was not done
    open_raw: Floats
    covered_raw: Floats
    half_raw: Floats
    open_noise: Floats
    covered_noise: Floats
    reached: Floats  # from its lowest to its highest level, in a scale too
    at_top: Floats  # share of the covered samples at the top of the scale
    frozen: NDArray[np.bool_]  # never changed by more than one count
    astray: Floats  # share of still samples more than half a swing from their step's middle
    astray_often: NDArray[np.bool_]  # in at least two steps
    lines: Floats  # (LINES_HZ, 8): share of the open noise
    edge_us: Floats  # the quickest edges, from a tenth to nine tenths; NaN where there is none
    wander: Floats  # how far the open level went, beside its own swing
    restless: NDArray[np.bool_]  # it swayed in a step in which it was open: a finger moves above it
    wanders_smoothly: NDArray[np.bool_]  # as warmth or a drop does, and no finger that hovers
    comes_with_finger: NDArray[np.bool_]  # whether it went up where the hole had been covered, and ran off
    by_half: Floats  # [g, h]: what g half covered did to the samples of h; NaN where that was not done
    left: Floats  # [g, h]: what of that was left on h when g was open again; NaN where that was not seen


def read_signs(taken: Taken) -> Signs:
    """Look at what was taken; the first step has to be an open one."""
    columns = np.ascontiguousarray(taken.samples.T)
    stills = [columns[:, span.held : span.end] for span in taken.spans]
    ordered = [np.sort(still, axis=1) for still in stills]
    middle = np.stack([at_rank(rows, 0.5) for rows in ordered])
    noise, sway = (np.stack(parts) for parts in zip(*(_noise_and_sway(still) for still in stills), strict=True))
    alone, half = _numbers(taken, "covered"), _numbers(taken, "half")
    together = np.array([_together(taken, hole) for hole in range(HOLES)])
    own = np.where(alone >= 0, alone, together)
    seen = own >= 0
    each = np.arange(HOLES)
    before = np.array([[_open_before(taken, own[g], h) for h in range(HOLES)] for g in range(HOLES)])
    response = np.where(seen[:, None], middle[own] - np.take_along_axis(middle, before, axis=0), 0.0)
    # Low G covers the others too: it says nothing of them.
    response[(alone < 0)[:, None] & ~np.eye(HOLES, dtype=bool)] = 0.0
    swing, opens = response[each, each], before[each, each]
    open_raw = middle[opens, each]
    covered = np.where(seen, own, opens)
    rows = slice(0, 0)
    if taken.spans:
        first = taken.spans[0]
        rows = slice(first.held, min(first.end, int(np.searchsorted(taken.t_us, taken.t_us[first.held] + LINE_US))))
    moves = [number for number, span in enumerate(taken.spans) if span.kind != "scale"]
    lowest = np.min([still[:, 0] for still in ordered], axis=0).astype(np.int64)
    highest = np.max([still[:, -1] for still in ordered], axis=0).astype(np.int64)
    astray, often = _astray([stills[number] for number in moves], middle[moves], swing)
    wander, smoothly, comes = _wander(taken, middle, swing)
    lows = [number for number, span in enumerate(taken.spans) if span.kind == "all"]
    last = taken.spans[-1]
    return Signs(
        middle=middle,
        response=response,
        covered_alone=alone >= 0,
        seen_covered=seen,
        followed=np.array([_followed(taken, hole) for hole in range(HOLES)]),
        doubted=np.array([_doubted(taken, hole) for hole in range(HOLES)]),
        all_swing=middle[lows[-1]] - open_raw if lows else np.full(HOLES, np.nan),
        back=np.array([last.kind != "open" or hole not in last.doubted for hole in range(HOLES)]),
        open_raw=open_raw,
        covered_raw=middle[covered, each],
        half_raw=np.where(half >= 0, middle[half, each], np.nan),
        open_noise=np.array([np.median(noise[_opens(taken, hole) or [0], hole]) for hole in range(HOLES)]),
        covered_noise=noise[covered, each],
        reached=_reached(taken, ordered),
        at_top=np.array([np.mean(stills[covered[h]][h] >= taken.full_scale) for h in range(HOLES)]),
        frozen=highest - lowest <= 1,
        astray=astray,
        astray_often=often,
        lines=shares_of_lines(taken.t_us[rows], taken.samples[rows].astype(np.float64), LINES_HZ),
        edge_us=_edges(taken, columns, ordered, own, open_raw),
        wander=wander,
        restless=np.array(
            [np.sum(sway[_opens(taken, h), h] > SWAYS * abs(swing[h])) > 0 and swing[h] != 0 for h in range(HOLES)]
        ),
        wanders_smoothly=smoothly,
        comes_with_finger=comes,
        by_half=np.where((half >= 0)[:, None], middle[half] - np.take_along_axis(middle, before, axis=0), np.nan),
        left=np.array(
            [
                [_level_after(taken, middle, own[g], h) - middle[before[g, h], h] for h in range(HOLES)]
                for g in range(HOLES)
            ]
        ),
    )


def _reached(taken: Taken, ordered: list[NDArray[np.uint16]]) -> Floats:
    """How far each hole went from its lowest to its highest level in all steps."""
    sides = [SIDES if span.kind == "scale" else (0.5, 0.5) for span in taken.spans]
    low, high = ([at_rank(rows, side[k]) for rows, side in zip(ordered, sides, strict=True)] for k in (0, 1))
    reached: Floats = np.max(high, axis=0) - np.min(low, axis=0)
    return reached


def _level_after(taken: Taken, middle: Floats, number: int, hole: int) -> float:
    """The hole's level in the first open step after that one in which another hole was in question; NaN in none."""
    other = taken.spans[number].hole
    after = (k for k in _opens(taken, hole) if k > number and taken.spans[k].hole != other)
    return float(middle[number_, hole]) if (number_ := next(after, -1)) >= 0 else np.nan


def _noise_and_sway(still: NDArray[np.uint16]) -> tuple[Floats, Floats]:
    """How far each hole's samples go from peak to peak beside a slow course, and how far that goes: a finger's."""
    rows = still[:, :NOISE_ROWS].T.astype(np.float64)
    powers = np.linspace(-1.0, 1.0, len(rows))[:, None] ** np.arange(4)
    course = powers @ np.linalg.lstsq(powers, rows, rcond=None)[0]
    rest = np.sort((rows - course).T, axis=1)
    return rest[:, int(HIGHEST * (len(rows) - 1))] - rest[:, int(LOWEST * (len(rows) - 1))], np.ptp(course, axis=0)


def _numbers(taken: Taken, kind: str) -> NDArray[np.int64]:
    """Which span each hole has of a kind; -1 where it has none."""
    numbers = np.full(HOLES, -1)
    for number, span in enumerate(taken.spans):
        if span.kind == kind and span.hole is not None:
            numbers[span.hole] = number
    return numbers


def _together(taken: Taken, hole: int) -> int:
    """The step in which low G covered the hole; -1 where none did."""
    return max((k for k, span in enumerate(taken.spans) if span.kind == "all" and hole not in span.doubted), default=-1)


def _followed(taken: Taken, hole: int) -> bool:
    """Whether nothing shows a hole to have stayed where all others moved: in low G, and in a scale."""
    return not all(any(span.kind == kind and hole in span.doubted for span in taken.spans) for kind in ("all", "scale"))


def _doubted(taken: Taken, hole: int) -> bool:
    return any(hole in span.doubted for span in taken.spans if span.kind not in ("all", "scale"))


def _is_open(span: Span, hole: int) -> bool:
    """Whether the hole is open in a step, and no neighbour covered that could move it."""
    asked_open = span.kind == "open" or (span.hole is not None and abs(span.hole - hole) > 1)
    return asked_open and hole not in span.doubted


def _opens(taken: Taken, hole: int) -> list[int]:
    return [number for number, span in enumerate(taken.spans) if _is_open(span, hole)]


def _open_before(taken: Taken, number: int, hole: int) -> int:
    """The last step before `number` in which the hole was open; the first of all where there is none."""
    return max((k for k in _opens(taken, hole) if k < number), default=0)


def _astray(stills: list[NDArray[np.uint16]], middle: Floats, swing: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """The share of still samples that lie more than half a swing from their step's middle; whether in several steps."""
    far = np.maximum(np.abs(swing) / 2, 1.0)
    # As samples are whole numbers, so are the limits: comparing small integers is quick.
    low = np.clip(np.ceil(middle - far), 0, 65_535).astype(np.uint16)[:, :, None]
    high = np.clip(np.floor(middle + far), 0, 65_535).astype(np.uint16)[:, :, None]
    strays = np.array(
        [((still < least) | (still > most)).sum(axis=1) for still, least, most in zip(stills, low, high, strict=True)]
    )
    share: Floats = strays.sum(axis=0) / max(1, sum(still.shape[1] for still in stills))
    # A finger that slips does so once.
    return share, (strays > 0).sum(axis=0) >= 2


def _edges(
    taken: Taken, columns: NDArray[np.uint16], ordered: list[NDArray[np.uint16]], own: NDArray[np.int64], base: Floats
) -> Floats:
    """How long the quick edges of each hole take: the second shortest, as one alone may be an accident.

    A slow sensor is slow in a scale too, where fingers are quicker than when they are laid on one by one: without a
    scale, none is known.
    """
    out = np.full(HOLES, np.nan)
    scales = [number for number, span in enumerate(taken.spans) if span.kind == "scale"]
    for hole in range(HOLES):
        number = own[hole]
        if number < 0 or not scales:
            continue
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


def _wander(taken: Taken, middle: Floats, swing: Floats) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """How far the open level went, whether smoothly, and whether like a drop: there once covered, running off since."""
    wander, smoothly, comes = np.zeros(HOLES), np.zeros(HOLES, dtype=bool), np.zeros(HOLES, dtype=bool)
    bounds = np.array([(span.held, span.end) for span in taken.spans]).T
    t_s, ends_s = taken.t_us[np.minimum((bounds.sum(axis=0) // 2, bounds[1]), len(taken.t_us) - 1)] / 1e6
    for hole in range(HOLES):
        opens = _opens(taken, hole)
        if not opens:
            continue
        level = middle[opens, hole]
        wander[hole] = level.max() - level.min()
        if wander[hole] < 0.05 * abs(swing[hole]):
            continue
        wets = [number for number, span in enumerate(taken.spans) if span.kind in ("all", "scale") or span.hole == hole]
        since_s = np.array([t_s[k] - max((ends_s[wet] for wet in wets if wet < k), default=-np.inf) for k in opens])
        smooth, _ = _fitted(level, t_s[opens], t_s[opens] ** 2)
        drops = [_fitted(level, np.exp(-since_s / runs_off_s)) for runs_off_s in WATER_RUNS_OFF_S]
        drop = min((rest for rest, height in drops if height > 0), default=np.inf)
        comes[hole] = drop < smooth
        *_, second, most = np.sort(np.abs(level - np.median(level))) if len(opens) > FITTED else (0.0, 0.0, 1.0)
        fitting = min(drop / 2, smooth) < JUMPY * ((level - level.mean()) ** 2).sum()
        # The lowest holes are hardly seen open again after their own steps.
        few = sum(wets[0] < number for number in opens) < 3 if wets else False
        smoothly[hole] = fitting and (few or second > SECOND * most)
    return wander, smoothly, comes


def _fitted(level: Floats, *parts: Floats) -> tuple[float, float]:
    """What is left of the levels without a constant and these parts of them, and how high the first part is."""
    shape = np.stack([np.ones(len(level)), *parts], axis=1)
    weights = np.linalg.lstsq(shape, level, rcond=None)[0]
    return float(((level - shape @ weights) ** 2).sum()), float(weights[1])
