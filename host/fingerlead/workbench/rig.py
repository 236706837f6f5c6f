"""How early or late a chanter sees a finger: bias, spread and drift of each hole, against a contact at its rim.

Question: a finger of known motion closes a contact at the rim; how much later does the chanter's time say so?
Conventions: times int64 µs; errors float µs, seen minus true, above 0 where the chanter is late. Holes 0 to 7.

- *True* is the contact: when it first closes as the finger comes, when it last opens as the finger goes. What follows
  or precedes within BOUNCE_US is bounce.
- *Seen* is the hole's pin, which the firmware sets in the scan that first sees the new state: the time of that scan,
  where the line `scan` tells it. As on the wire, what does not last SETTLE_US was no edge, and the first toggle counts.
- *Travel* is the time between the upper stop and the rim, from the line `top`; moves are sorted into classes by it.
- *Bias* is the mean error, *spread* the standard deviation of what the drift leaves, *drift* the error's slope over the
  time in a log. Intervals are of 95 %, for errors that scatter normally: Student's for bias and drift, that of the χ²
  distribution for the spread (NIST/SEMATECH e-Handbook, 7.2.2.1 and 7.2.3.1).

Quantiles: Abramowitz and Stegun, 26.7.5 (Student's), and Wilson and Hilferty's of χ² (26.4.17). From ten moves up both
end an interval right to a hundredth; of fewer nothing is said.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS, HOLES
from fingerlead.workbench.rig_log import HOLE_LINES, Line, Log, RigLogError

BOUNCE_US = 10_000
SETTLE_US = 2_000  # of the firmware's chatter filter
LONGEST_TRAVEL_US = 1_000_000
LEAST = 10  # moves of one kind, without which nothing is said of them
# Classes of travel, µs: from, below.
CLASSES_US = ((0, 20_000), (20_000, 60_000), (60_000, 150_000), (150_000, LONGEST_TRAVEL_US))
MINUTE_US = 60_000_000
_TWO_SIDED = NormalDist().inv_cdf(0.975)

Motion = Literal["lift", "cover"]


class Estimate(NamedTuple):
    """A figure and its 95 % interval."""

    value: float
    low: float
    high: float


class RigMoves(NamedTuple):
    """Moves of one log, as arrays (n,). `error_us` and `travel_us` are NaN where nothing was seen."""

    t_us: NDArray[np.int64]
    lift: NDArray[np.bool_]
    hole: NDArray[np.int64]
    error_us: NDArray[np.float64]
    travel_us: NDArray[np.float64]
    extra: NDArray[np.int64]  # edges of that hole beyond the one that belongs there


@dataclass(frozen=True, slots=True)
class RigRow:
    """One hole, motion and class of travel; `travel_us` is the median, None where no travel was logged."""

    hole: int
    motion: Motion
    class_us: tuple[int, int] | None
    travel_us: float | None
    moves: int
    missed: int
    extra: int
    bias_us: Estimate
    spread_us: Estimate
    drift_us_per_minute: Estimate


@dataclass(frozen=True, slots=True)
class RigResult:
    """What the logs show; `notes` are sentences on what was not logged, or is too little."""

    rows: tuple[RigRow, ...]
    logs: tuple[RigMoves, ...]
    notes: tuple[str, ...]


def as_dict(result: RigResult) -> dict[str, Any]:
    """The JSON object that hardware_notes/rig.md describes; times in µs, an interval as [low, high]."""
    rows = []
    for row in result.rows:
        figures = {
            name: {"value": round(figure.value, 1), "interval": [round(figure.low, 1), round(figure.high, 1)]}
            for name, figure in (
                ("bias_us", row.bias_us), ("spread_us", row.spread_us), ("drift_us_per_minute", row.drift_us_per_minute)
            )
        }  # fmt: skip
        rows.append(
            {
                "finger": FINGERS[row.hole],
                "motion": row.motion,
                "travel_class_us": None if row.class_us is None else list(row.class_us),
                "travel_us": None if row.travel_us is None else round(row.travel_us),
                "moves": row.moves,
                "missed": row.missed,
                "extra_edges": row.extra,
                **figures,
            }
        )
    return {"schema": "fingerlead-rig-1", "rows": rows, "notes": list(result.notes)}


def class_words(span: tuple[int, int] | None) -> str:
    """A class of travel, as it is named in tables."""
    if span is None:
        return "speed not logged"
    low, high = (round(us / 1_000) for us in span)
    return f"{low} to {high} ms" if high < LONGEST_TRAVEL_US / 1_000 else f"{low} ms and more"


def moves_of(log: Log) -> RigMoves:
    """Every move of the rig's finger in a log, and what the chanter saw of it. RigLogError where there is none."""
    true_us, lift = true_moves(log.lines["contact"])
    if not len(true_us):
        raise RigLogError("expected a contact that closes and opens, but it never does; does the finger touch the rim?")
    seen = {hole: _seen(log, hole) for hole in range(HOLES) if HOLE_LINES[hole] in log.lines}
    bounds = np.concatenate(([-MINUTE_US], (true_us[1:] + true_us[:-1]) // 2, [log.end_us + MINUTE_US]))
    holes = _holes_of(bounds, seen)
    error_us, extra = np.full(len(true_us), np.nan), np.zeros(len(true_us), dtype=np.int64)
    for move, (begin_us, end_us) in enumerate(pairwise(bounds.tolist())):
        at_us, opens = seen[int(holes[move])]
        first, last = np.searchsorted(at_us, (begin_us, end_us))
        right = first + np.flatnonzero(opens[first:last] == lift[move])
        extra[move] = max(last - first - 1, 0)
        if len(right):
            nearest = right[np.argmin(np.abs(at_us[right] - true_us[move]))]
            error_us[move] = at_us[nearest] - true_us[move]
    return RigMoves(true_us, lift, holes, error_us, _travels(log.lines.get("top"), true_us, lift), extra)


def true_moves(contact: Line) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """When the finger truly came and went: (times, whether it left). A contact that is high is closed."""
    toggles = contact.toggles_us
    if not len(toggles):
        return toggles, np.zeros(0, dtype=bool)
    begins = np.flatnonzero(np.diff(toggles, prepend=toggles[0] - BOUNCE_US - 1) > BOUNCE_US)
    ends = np.append(begins[1:], len(toggles)) - 1
    closed_before = contact.high ^ (begins % 2 == 1)
    moved = (ends - begins) % 2 == 0  # else the contact is after it as it was before
    true_us = np.where(closed_before, toggles[ends], toggles[begins])
    return true_us[moved], closed_before[moved]


def measure(logs: Sequence[Log]) -> RigResult:
    """Bias, spread and drift of each hole, lifts and coverings apart, by class of travel. Raises RigLogError."""
    moves = tuple(moves_of(log) for log in logs)
    notes = []
    if not all("top" in log.lines for log in logs):
        notes.append("No line `top` was logged, so it is not known how quickly the finger came: all speeds are one.")
    if not all("scan" in log.lines for log in logs):
        notes.append("No line `scan` was logged: the pin's own time stands for its scan's, some microseconds later.")
    rows = []
    for hole in range(HOLES):
        for lift in (True, False):
            for span in _classes(moves):
                row, note = _row(moves, hole, lift, span)
                rows += [row] if row is not None else []
                notes += [note] if note else []
    if not rows:
        raise RigLogError(
            f"expected at least {LEAST} moves of one hole and one kind that the chanter saw; {_seen_words(moves)}"
        )
    return RigResult(tuple(rows), moves, tuple(notes))


def _seen_words(moves: Iterable[RigMoves]) -> str:
    count = sum(len(each.t_us) for each in moves)
    seen = sum(int(np.isfinite(each.error_us).sum()) for each in moves)
    return f"of {count} moves in all the chanter saw {seen}; log more of them"


def _classes(moves: Iterable[RigMoves]) -> list[tuple[int, int] | None]:
    known = any(np.isfinite(each.travel_us).any() for each in moves)
    unknown = any(np.isnan(each.travel_us).any() for each in moves)
    return [*(CLASSES_US if known else ()), *((None,) if unknown else ())]


def _row(logs: Sequence[RigMoves], hole: int, lift: bool, span: tuple[int, int] | None) -> tuple[RigRow | None, str]:
    chosen = []
    for log in logs:
        low, high = span if span is not None else (0, 0)
        inside = np.isnan(log.travel_us) if span is None else (log.travel_us >= low) & (log.travel_us < high)
        chosen.append((log, np.flatnonzero((log.hole == hole) & (log.lift == lift) & inside)))
    count = sum(len(rows) for _, rows in chosen)
    seen = [(log, rows[np.isfinite(log.error_us[rows])]) for log, rows in chosen]
    error_us = np.concatenate([log.error_us[rows] for log, rows in seen])
    motion: Motion = "lift" if lift else "cover"
    if len(error_us) < LEAST:
        kind = f"{FINGERS[hole]}, {'lifts' if lift else 'coverings'}, {class_words(span)}"
        return None, f"Of {count} moves ({kind}) the chanter saw {len(error_us)}: too few to judge." if count else ""
    bias, spread, drift = _figures([(log.t_us[rows], log.error_us[rows]) for log, rows in seen if len(rows)])
    travel = np.concatenate([log.travel_us[rows] for log, rows in seen])
    return RigRow(
        hole, motion, span, None if span is None else float(np.median(travel)), count, count - len(error_us),
        sum(int(log.extra[rows].sum()) for log, rows in chosen), bias, spread, drift,
    ), ""  # fmt: skip


def _figures(
    logs: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]],
) -> tuple[Estimate, Estimate, Estimate]:
    """Bias, spread and drift. The drift is one slope for all logs, each about its own means."""
    error = np.concatenate([error_us for _, error_us in logs])
    at = np.concatenate([t_us - t_us.mean() for t_us, _ in logs]) / MINUTE_US
    about = np.concatenate([error_us - error_us.mean() for _, error_us in logs])
    free = len(error) - len(logs) - 1
    squares = float((at**2).sum())
    slope = float((at * about).sum() / squares) if squares > 0 else 0.0
    left = about - slope * at
    spread = float(np.sqrt((left**2).sum() / free)) if free > 0 else 0.0
    mean = float(error.mean())
    whole = spread if len(logs) == 1 else float(error.std(ddof=1))
    half = student(max(free, 1)) * whole / np.sqrt(len(error))
    slope_half = student(max(free, 1)) * spread / np.sqrt(squares) if squares > 0 else np.inf
    low, high = chi_square(0.975, max(free, 1)), chi_square(0.025, max(free, 1))
    return (
        Estimate(mean, mean - half, mean + half),
        Estimate(spread, spread * float(np.sqrt(free / low)), spread * float(np.sqrt(free / high))),
        Estimate(slope, slope - slope_half, slope + slope_half),
    )


def student(free: int) -> float:
    """The two-sided 95 % quantile of Student's distribution."""
    z, n = _TWO_SIDED, float(free)
    return (
        z
        + (z**3 + z) / (4 * n)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * n**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * n**3)
    )


def chi_square(share: float, free: int) -> float:
    """The quantile of the χ² distribution below which lies this share."""
    part = 2 / (9 * free)
    return float(free * (1 - part + NormalDist().inv_cdf(share) * np.sqrt(part)) ** 3)


def _seen(log: Log, hole: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """(times, whether it opened) of the edges that last. A hole's pin is high while it is covered."""
    line = log.lines[HOLE_LINES[hole]]
    toggles = line.toggles_us
    lasts = np.diff(toggles, append=np.iinfo(np.int64).max) >= SETTLE_US
    covered = line.high ^ (np.arange(len(toggles)) % 2 == 0)
    at_us, state = toggles[lasts], covered[lasts]
    news = state != np.concatenate(([line.high], state[:-1]))
    at_us, state = at_us[news], state[news]
    scan = log.lines.get("scan")
    if scan is not None and len(scan.toggles_us):
        last = np.searchsorted(scan.toggles_us, at_us, side="right") - 1
        at_us = np.where(last >= 0, scan.toggles_us[np.maximum(last, 0)], at_us)
    return at_us, ~state


def _holes_of(
    bounds: NDArray[np.int64], seen: dict[int, tuple[NDArray[np.int64], NDArray[np.bool_]]]
) -> NDArray[np.int64]:
    """Which hole the finger was over at each move: the one that toggled; where none did, that of the move before."""
    holes = list(seen)
    toggled = np.stack([np.diff(np.searchsorted(seen[hole][0], bounds)) > 0 for hole in holes])
    busiest = np.argmax(toggled.sum(axis=1))
    which = np.where(toggled.any(axis=0), np.argmax(toggled, axis=0), -1)
    known = np.maximum.accumulate(np.where(which >= 0, np.arange(len(which)), -1))
    which = np.where(known >= 0, which[np.maximum(known, 0)], busiest)
    return np.array(holes)[which]


def _travels(top: Line | None, true_us: NDArray[np.int64], lift: NDArray[np.bool_]) -> NDArray[np.float64]:
    """From the upper stop to the rim or back; NaN where it is not known. The line is high at the stop."""
    if top is None:
        return np.full(len(true_us), np.nan)
    left, came = top.rising(False), top.rising(True)
    after = np.searchsorted(came, true_us)
    before = np.searchsorted(left, true_us) - 1
    arrived = np.append(came, np.iinfo(np.int64).max // 2)[after]
    departed = np.insert(left, 0, -np.iinfo(np.int64).max // 2)[before + 1]
    travel = np.where(lift, arrived - true_us, true_us - departed).astype(np.float64)
    return np.where(travel < LONGEST_TRAVEL_US, travel, np.nan)
