"""From the signs to the fault: what is wrong with a hole's sensor, how badly, and what to do about it.

The limits are our own choice, but for one: signal-to-noise of at least 5:1 is makers' published practice, 10:1 and
more is usual in good designs. The first fault that fits is named; where a sensor has two, the second shows when the
first is mended.
"""

from math import erfc, sqrt
from typing import Literal, NamedTuple

import numpy as np

from fingering.holes import FINGERS, HOLES
from fingerlead.workbench.signs import Signs

HoleVerdict = Literal["good", "doubtful", "bad"]
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

    verdict: HoleVerdict
    fault: Fault | None
    words: str


def judge(signs: Signs, full_scale: int) -> list[Judgement]:
    """One judgement for each hole."""
    # What covering a hole usually does on this chanter: the middle of the holes' strongest answers.
    usual = float(np.median(np.abs(signs.response).max(axis=1)))
    return [_judge(signs, hole, usual, full_scale) for hole in range(HOLES)]


def _judge(signs: Signs, hole: int, usual: float, full_scale: int) -> Judgement:
    swing = signs.response[hole, hole]
    answers = max(ANSWERS * usual, 1.0)
    other = _answered_instead(signs, hole)
    if swing < answers and other is not None and signs.response[hole, other] >= answers:
        return _told(hole, "bad", "swapped", f"where it was covered, the {FINGERS[other]} answered")
    if abs(swing) < answers:
        return _silent(signs, hole, usual, full_scale)
    if swing < 0:
        return _told(hole, "bad", "reversed", "its samples fall as it is covered")
    if signs.at_top[hole] > AT_TOP:
        return _told(hole, "doubtful", "saturated", "covered, it reads the highest number there is")
    if signs.astray[hole] > OFTEN_ASTRAY and signs.astray[hole] * 3 > _own_noise(signs, hole, swing):
        return _told(hole, "bad", "intermittent", "it drops out for moments while the finger stays")
    snr = swing / max(signs.open_noise[hole], 1.0)
    if snr < GOOD_SNR:
        return _noisy(signs, hole, snr)
    wander = signs.wander[hole] / swing
    if wander > DRIFT_DOUBTFUL:
        verdict: HoleVerdict = "bad" if wander > DRIFT_BAD else "doubtful"
        if signs.comes_with_finger[hole]:
            return _told(hole, verdict, "light or water", "open again, it stays partly covered and clears slowly")
        return _told(hole, verdict, "drift", f"open, it wandered by {wander:.0%} of its swing")
    told = _moved_by_neighbours(signs, hole, swing) or _late(signs, hole)
    return told or Judgement("good", None, f"The {FINGERS[hole]}: good.")


def _told(hole: int, verdict: HoleVerdict, fault: Fault, what: str) -> Judgement:
    return Judgement(verdict, fault, f"The {FINGERS[hole]}: {what}. {REMEDIES[fault]}.")


def _own_noise(signs: Signs, hole: int, swing: float) -> float:
    """What share of samples plain noise of this size would put half a swing away; peak to peak is 5.15 deviations."""
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
    level = float(np.median(signs.middle[:, hole]))
    if level <= FLOOR * full_scale:
        return _told(hole, "bad", "dead", "it reads nothing at all, covered or open")
    if signs.frozen[hole]:
        return _told(hole, "bad", "stuck", f"it stands still at {level:.0f}")
    answering = np.abs(np.diag(signs.response)) >= ANSWERS * usual
    if answering.any() and level > float(np.median(signs.open_raw[answering])) + 0.5 * usual:
        return _told(hole, "bad", "stuck", "it reads covered all the time")
    return _told(hole, "bad", "never covered", "it was never seen covered")


def _noisy(signs: Signs, hole: int, snr: float) -> Judgement:
    """A hole whose noise is too near its signal."""
    verdict: HoleVerdict = "bad" if snr < LEAST_SNR else "doubtful"
    share_50, share_60, share_100, share_120 = signs.lines[:, hole]
    told = f"its signal is only {snr:.1f} times its noise"
    if max(share_100, share_120) > LINE and signs.covered_noise[hole] < 0.5 * signs.open_noise[hole]:
        return _told(hole, verdict, "light or water", f"lamps flicker into the open hole: {told}")
    if max(share_50, share_60) > LINE:
        return _told(hole, verdict, "hum", f"mains hum of {50 if share_50 > share_60 else 60} Hz: {told}")
    return _told(hole, verdict, "noisy", f"{told}; at least {LEAST_SNR:g} is asked, {GOOD_SNR:g} is good")


def _moved_by_neighbours(signs: Signs, hole: int, swing: float) -> Judgement | None:
    """Whether another hole's finger moves this one's samples."""
    shares = signs.response[:, hole] / swing
    shares[hole] = 0.0
    other = int(np.argmax(shares))
    if shares[other] <= CROSSTALK_DOUBTFUL:
        return None
    told = f"covering the {FINGERS[other]} moves it by {shares[other]:.0%} of its swing"
    return _told(hole, "bad" if shares[other] > CROSSTALK_BAD else "doubtful", "crosstalk", told)


def _late(signs: Signs, hole: int) -> Judgement | None:
    """Whether its edges are slow, beside a limit and beside the other holes'."""
    others = np.delete(signs.edge_us, hole)
    others = others[~np.isnan(others)]
    usual_us = float(np.median(others)) if len(others) else 0.0
    edge_us = signs.edge_us[hole]
    if not edge_us > max(SLOW_EDGE_US, SLOWER * usual_us):
        return None
    return _told(hole, "bad", "late", f"even its quickest edge takes {edge_us / 1_000:.0f} ms")
