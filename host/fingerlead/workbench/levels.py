"""From a calibration to the levels of each hole, and whether they can be trusted.

Question: from which sample on is a hole covered, and from which is it open? The samples of open and of covered holes
make two clusters; the levels lie about the middle between the two, as far apart as hysteresis and noise ask.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS, HOLES
from fingerlead.workbench.samples import Taken, otsu
from fingerlead.workbench.signs import Signs
from fingerlead.workbench.signs import signs as look

# --- From the signs to the fault: what is wrong with a hole's sensor, how badly, and what to do about it.
#
# The limits are our own choice, but for one: signal-to-noise of at least 5:1 is makers' published practice, 10:1 and more
# is usual in good designs. The first fault that fits is named; where a sensor has two, the second shows when the first is
# mended.

Verdict = Literal["good", "doubtful", "bad"]
Fault = Literal[
    "stuck", "dead", "swapped", "saturated", "noisy", "hum", "drift", "crosstalk", "late", "reversed", "intermittent",
    "light or water", "never covered",
]  # fmt: skip

LEAST_SNR, GOOD_SNR = 5.0, 10.0
ANSWERS = 0.25  # of the usual swing of this chanter's holes
FLOOR = 0.02  # of full scale
AT_TOP = 0.3
OFTEN_ASTRAY = 0.001
LINE = 0.5
SLOW_EDGE_US, SLOWER = 36_000, 1.8
DRIFT_DOUBTFUL, DRIFT_BAD = 0.15, 0.35
CROSSTALK_DOUBTFUL, CROSSTALK_BAD = 0.15, 0.35

REMEDIES: dict[Fault, str] = {
    "stuck": "Clean around the hole, dry it, and look for a solder bridge at its sensor",
    "dead": "Re-solder its wires, and check that its sensor has power",
    "swapped": "Swap the two wires, or their channels in the firmware",
    "saturated": "Turn its gain down, or move the sensor a little away from the finger; a plain contact may stay so",
    "noisy": "Shield its wire, keep it short, and put a capacitor at the sensor's supply",
    "hum": "Move mains adapters and lamps away, join the grounds, and shield its wire",
    "drift": "Let the chanter warm up for some minutes, keep it out of sun and draught, and calibrate again",
    "crosstalk": "Move its wire away from the neighbour's, or put a grounded strip between the two",
    "late": "Use a smaller filter capacitor, or average fewer samples in the firmware",
    "reversed": "Turn its sense round in the firmware: samples have to rise as the hole is covered",
    "intermittent": "Re-solder its joints, and hold its wire so that it cannot move",
    "light or water": "Dry the hole, wipe the sensor, and shade it from lamps and sun",
    "never covered": "Calibrate again and cover it when it is asked for; if you did, check its sensor",
}


class Judgement(NamedTuple):
    """What is wrong with one hole."""

    verdict: Verdict
    fault: Fault | None
    words: str


def judge(signs: Signs, full_scale: int) -> list[Judgement]:
    """One judgement for each hole."""
    usual = _usual_swing(signs)
    return [_judge(signs, hole, usual, full_scale) for hole in range(HOLES)]


def _usual_swing(signs: Signs) -> float:
    """What covering a hole usually does on this chanter: the middle of the holes' strongest answers."""
    return float(np.median(np.abs(signs.response).max(axis=1)))


def _judge(signs: Signs, hole: int, usual: float, full_scale: int) -> Judgement:
    name = FINGERS[hole]
    swing = signs.response[hole, hole]
    answers = max(ANSWERS * usual, 1.0)
    other = _answered_instead(signs, hole)
    if swing < answers and other is not None and signs.response[hole, other] >= answers:
        return _told(name, "bad", "swapped", f"where it was covered, the {FINGERS[other]} answered")
    if abs(swing) < answers:
        return _silent(signs, hole, usual, full_scale)
    if swing < 0:
        return _told(name, "bad", "reversed", "its samples fall as it is covered")
    if signs.at_top[hole] > AT_TOP:
        return _told(name, "doubtful", "saturated", "covered, it reads the highest number there is")
    if signs.astray[hole] > OFTEN_ASTRAY and signs.astray[hole] * 3 > _own_noise(signs, hole, swing):
        return _told(name, "bad", "intermittent", "it drops out for moments while the finger stays")
    snr = swing / max(signs.open_noise[hole], 1.0)
    if snr < GOOD_SNR:
        return _noisy(signs, hole, snr)
    wander = signs.wander[hole] / swing
    if wander > DRIFT_DOUBTFUL:
        verdict: Verdict = "bad" if wander > DRIFT_BAD else "doubtful"
        if signs.comes_with_finger[hole]:
            return _told(name, verdict, "light or water", "open again, it stays partly covered and clears slowly")
        return _told(name, verdict, "drift", f"open, it wandered by {wander:.0%} of its swing")
    told = _moved_by_neighbours(signs, hole, swing) or _late(signs, hole)
    return told or Judgement("good", None, f"The {name}: good.")


def _told(name: str, verdict: Verdict, fault: Fault, what: str) -> Judgement:
    return Judgement(verdict, fault, f"The {name}: {what}. {REMEDIES[fault]}.")


def _own_noise(signs: Signs, hole: int, swing: float) -> float:
    """What share of samples plain noise of this size would put half a swing away; peak to peak is 5.15 deviations."""
    from math import erfc, sqrt

    noise = float(min(signs.open_noise[hole], signs.covered_noise[hole]))
    return erfc(swing / 2 / max(noise / 5.15, 1e-9) / sqrt(2))


def _answered_instead(signs: Signs, hole: int) -> int | None:
    """The other hole that answered more than half as much to this hole's finger as it ever does."""
    others = signs.response[hole].copy()
    others[hole] = 0.0
    other = int(np.argmax(others))
    return other if others[other] > 0.5 * np.abs(signs.response[:, other]).max() else None


def _silent(signs: Signs, hole: int, usual: float, full_scale: int) -> Judgement:
    """A hole that does not answer to its own finger."""
    name = FINGERS[hole]
    level = float(np.median(signs.middle[:, hole]))
    if level <= FLOOR * full_scale:
        return _told(name, "bad", "dead", "it reads nothing at all, covered or open")
    if signs.frozen[hole]:
        return _told(name, "bad", "stuck", f"it stands still at {level:.0f}")
    answering = np.abs(np.diag(signs.response)) >= ANSWERS * usual
    if answering.any() and level > float(np.median(signs.open_raw[answering])) + 0.5 * usual:
        return _told(name, "bad", "stuck", "it reads covered all the time")
    return _told(name, "bad", "never covered", "it was never seen covered")


def _noisy(signs: Signs, hole: int, snr: float) -> Judgement:
    """A hole whose noise is too near its signal."""
    name = FINGERS[hole]
    verdict: Verdict = "bad" if snr < LEAST_SNR else "doubtful"
    share_50, share_60, share_100, share_120 = signs.lines[:, hole]
    told = f"its signal is only {snr:.1f} times its noise"
    if max(share_100, share_120) > LINE and signs.covered_noise[hole] < 0.5 * signs.open_noise[hole]:
        return _told(name, verdict, "light or water", f"lamps flicker into the open hole: {told}")
    if max(share_50, share_60) > LINE:
        return _told(name, verdict, "hum", f"mains hum of {50 if share_50 > share_60 else 60} Hz: {told}")
    return _told(name, verdict, "noisy", f"{told}; at least {LEAST_SNR:g} is asked, {GOOD_SNR:g} is good")


def _moved_by_neighbours(signs: Signs, hole: int, swing: float) -> Judgement | None:
    """Whether another hole's finger moves this one's samples."""
    shares = signs.response[:, hole] / swing
    shares[hole] = 0.0
    other = int(np.argmax(shares))
    if shares[other] <= CROSSTALK_DOUBTFUL:
        return None
    told = f"covering the {FINGERS[other]} moves it by {shares[other]:.0%} of its swing"
    return _told(FINGERS[hole], "bad" if shares[other] > CROSSTALK_BAD else "doubtful", "crosstalk", told)


def _late(signs: Signs, hole: int) -> Judgement | None:
    """Whether its edges are slow, beside a limit and beside the other holes'."""
    others = np.delete(signs.edge_us, hole)
    others = others[~np.isnan(others)]
    usual_us = float(np.median(others)) if len(others) else 0.0
    edge_us = signs.edge_us[hole]
    if not edge_us > max(SLOW_EDGE_US, SLOWER * usual_us):
        return None
    return _told(FINGERS[hole], "bad", "late", f"even its quickest edge takes {edge_us / 1_000:.0f} ms")


# ---

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
