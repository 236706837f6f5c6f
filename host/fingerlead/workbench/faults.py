"""From the signs to the fault: what is wrong with a hole's sensor, how badly, and what to do about it.

The limits are our own choice, but for one: signal-to-noise of at least 5:1 is makers' published practice, 10:1 and
more is usual in good designs. The first fault that fits is named; where a sensor has two, the second shows when the
first is mended. A hole is called faulty only on steps that were done. What a finger could have done as well as a
sensor is "not judged", with what to look at.
"""

from math import erfc, sqrt
from typing import Literal, NamedTuple

import numpy as np

from fingering.holes import FINGERS, HOLES
from fingerlead.workbench.signs import Signs

HoleVerdict = Literal["good", "doubtful", "bad", "not judged"]
Fault = Literal[
    "stuck", "dead", "swapped", "saturated", "noisy", "hum", "drift", "crosstalk", "late", "reversed", "intermittent",
    "light or water", "weak", "never answered",
]  # fmt: skip

LEAST_SNR, GOOD_SNR = 5.0, 10.0
ANSWERS = 0.25  # of the usual swing of this chanter's holes
FLOOR = 0.02  # of full scale
AT_TOP = 0.3
OFTEN_ASTRAY = 0.001
LINE = 0.5
QUIET = 2.0  # counts of noise, from peak to peak
LEAST_WEAK = 0.02  # of the usual swing
SLOW_EDGE_US, SLOWER = 36_000, 2.5
DRIFT_DOUBTFUL, DRIFT_BAD = 0.15, 0.35
CROSSTALK_DOUBTFUL, CROSSTALK_BAD = 0.15, 0.35
PROPORTIONAL, LEFT = 0.25, 0.4

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
    "weak": "If the finger covered its hole wholly, turn the gain up, or move the sensor nearer to the finger",
    "never answered": "If your finger did what was asked, look at its wires, its solder joints and its power",
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
    if not signs.covered_alone[hole]:
        return _not_covered_alone(signs, hole, usual, full_scale)
    other = _answered_instead(signs, hole)
    if swing < answers and other is not None and signs.response[hole, other] >= answers:
        return _told(hole, "bad", "swapped", f"where it was covered, the {FINGERS[other]} answered")
    if abs(swing) < answers:
        if signs.reached[hole] >= max(answers, 2 * abs(swing)):
            return _not_judged(hole, "it answered at other times, but not alone. Calibrate again, and cover it firmly")
        return _silent(signs, hole, usual, full_scale)
    if swing < 0:
        if signs.all_swing[hole] > 0 or not signs.back[hole]:
            return _not_judged(
                hole, "it may have been covered at the beginning. Calibrate again, and begin with no finger on"
            )
        return _told(hole, "bad", "reversed", "its samples fall as it is covered")
    if signs.at_top[hole] > AT_TOP:
        return _told(hole, "doubtful", "saturated", "covered, it reads the highest number there is")
    often = signs.astray[hole] > OFTEN_ASTRAY and signs.astray_often[hole]
    if often and signs.astray[hole] * 3 > _own_noise(signs, hole, swing):
        return _told(hole, "bad", "intermittent", "it drops out for moments while the finger stays")
    snr = swing / max(signs.open_noise[hole], 1.0)
    if snr < GOOD_SNR:
        return _noisy(signs, hole, snr)
    told = _changes_by_itself(signs, hole, swing) or _late(signs, hole)
    if told is None:
        return Judgement("good", None, f"The {FINGERS[hole]}: good.")
    if signs.restless[hole]:
        what = "a finger moved above it while it was to be open. Calibrate again, with the fingers off and still"
        return _not_judged(hole, what)
    return told


def _changes_by_itself(signs: Signs, hole: int, swing: float) -> Judgement | None:
    """Whether the open hole reads other than open: for warmth, a drop, a neighbour, or for a finger's sake."""
    wander = signs.wander[hole] / swing
    if wander > DRIFT_DOUBTFUL and signs.wanders_smoothly[hole] and not signs.doubted[hole]:
        verdict: HoleVerdict = "bad" if wander > DRIFT_BAD else "doubtful"
        if signs.comes_with_finger[hole]:
            return _told(hole, verdict, "light or water", "open again, it stays partly covered and clears slowly")
        return _told(hole, verdict, "drift", f"open, it wandered by {wander:.0%} of its swing")
    if told := _moved_by_neighbours(signs, hole, swing):
        return told
    if signs.doubted[hole] or wander > DRIFT_DOUBTFUL:
        # Warmth comes slowly, and a drop runs off: this came and went as fingers do.
        what = "it read partly covered at times when it was to be open. Calibrate again, with the finger well away"
        return _not_judged(hole, f"{what}; if it was, dry the hole, and shade it")
    return None


def _not_judged(hole: int, what: str, fault: Fault | None = None) -> Judgement:
    return Judgement("not judged", fault, f"The {FINGERS[hole]} is not judged: {what}.")


def _not_covered_alone(signs: Signs, hole: int, usual: float, full_scale: int) -> Judgement:
    """A hole whose own step was not done: only what no finger can do is told of its sensor."""
    if signs.seen_covered[hole]:
        return _not_judged(hole, "it was not seen covered alone. Calibrate again, and cover it when it is asked for")
    others = [other for other in range(HOLES) if other != hole and signs.covered_alone[other]]
    if not others:
        return _not_judged(
            hole, "no hole was seen covered. Calibrate again, and do what is asked; if you did, look at the power"
        )
    level = float(np.median(signs.middle[:, hole]))
    # Beside the others: where all are as quiet, or read nothing when open, so does a hole that was left alone.
    quiet = signs.frozen[hole] and float(np.median(signs.open_noise[others])) > QUIET
    if level <= FLOOR * full_scale and float(np.median(signs.open_raw[others])) > 2 * FLOOR * full_scale:
        return _told(hole, "bad", "dead", "it reads nothing at all, covered or open")
    if quiet:
        return _told(hole, "bad", "stuck", f"it stands still at {level:.0f}")
    if signs.followed[hole]:
        return _not_judged(hole, "it was not seen covered. Calibrate again, and cover it when it is asked for")
    at = "covered" if level > float(np.median(signs.open_raw[others])) + 0.5 * usual else "open"
    what = f"it read {at} all the time, in low G and the scale too. {REMEDIES['never answered']}"
    return _not_judged(hole, what, "never answered")


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
    """A hole that hardly answers to its own finger, or not at all."""
    level = float(np.median(signs.middle[:, hole]))
    if level <= FLOOR * full_scale:
        return _told(hole, "bad", "dead", "it reads nothing at all, covered or open")
    if signs.frozen[hole]:
        return _told(hole, "bad", "stuck", f"it stands still at {level:.0f}")
    answering = np.abs(np.diag(signs.response)) >= ANSWERS * usual
    if answering.any() and level > float(np.median(signs.open_raw[answering])) + 0.5 * usual:
        return _told(hole, "bad", "stuck", "it reads covered all the time")
    share = abs(signs.response[hole, hole]) / max(usual, 1.0)
    if share < LEAST_WEAK:
        return _not_judged(hole, f"it did not answer. {REMEDIES['never answered']}", "never answered")
    # A finger that does not reach its hole looks the same.
    return _not_judged(hole, f"it answered with only {share:.0%} of what is usual here. {REMEDIES['weak']}", "weak")


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
    """Whether another hole's finger moves this one's samples, half as much where it covers half of its own hole."""
    shares = signs.response[:, hole] / swing
    shares[hole] = 0.0
    other = int(np.argmax(shares))
    if shares[other] <= CROSSTALK_DOUBTFUL:
        return None
    half = (signs.half_raw[other] - signs.open_raw[other]) / signs.response[other, other]
    by_half = signs.by_half[other, hole] / signs.response[other, hole]
    told = f"covering the {FINGERS[other]} moves it by {shares[other]:.0%} of its swing"
    left = signs.left[other, hole] / signs.response[other, hole]
    if not (abs(by_half - half) < PROPORTIONAL and abs(left) < LEFT):
        # A finger that lies there by mistake does not come and go with the other.
        return _not_judged(hole, f"{told}, or a finger lay there. Calibrate again, and cover one hole alone")
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
