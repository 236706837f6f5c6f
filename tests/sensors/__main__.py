"""`python -m tests.sensors [seen] [bad] [instant] [thirty] [coverage]`: the claims held against the judge.

What the program and the firmware say of chanters that the judge made, claim by claim; all where none is named. It takes
minutes, so that it is no test.
"""

from __future__ import annotations

import sys
import tempfile
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np

from fingerlead.workbench.skew import fit
from tests.firmware.firmware_tools import made
from tests.sensors.bad import BADS, NEAR_SEAL, good_ones, healthy, look, near_seal
from tests.sensors.holes import HOLES, Kind, Sensors, draw, elsewhere
from tests.sensors.judged import Against, Firmware, against, read_back, sent, session
from tests.sensors.playing import DAMP_MM, PERIOD_US, PLAIN_HAND, Hand, back_and_forth, crossings
from tests.sensors.workshop import Bar, bar_test, calibrated, calibration_of, kept, levels_of, middle_levels

KINDS: tuple[Kind, ...] = ("capacitive", "infrared")
HEALTHY = 200  # changes of a good chanter
GOOD, CHANGES_EACH = 50, 103  # chanters from a workshop, and what each plays: an hour in all


def all_at_one_instant(kind: Kind, chanters: int = 20, changes: int = 100) -> dict[str, Against]:
    """2,000 crossings, all seals at one instant: on chanters never measured, calibrated, and with the bar's skew."""
    out = {"never measured": Against(), "calibrated": Against(), "calibrated, skew measured": Against()}
    for seed in range(chanters):
        chance = np.random.default_rng(seed)
        sensors, notes = draw(kind, chance), crossings(changes, chance)
        for what, told in measured_more_and_more(sensors, notes, Hand(), seed).items():
            out[what].add(told)
    return out


def measured_more_and_more(sensors: Sensors, notes: tuple[int, ...], hand: Hand, seed: int) -> dict[str, Against]:
    """One chanter's playing: with levels in the middle and nothing known; calibrated; and with the bar's skew too."""
    chance = np.random.default_rng(seed)
    reports = calibrated(sensors, chance)
    levels = levels_of(reports)
    skew = fit(bar_test(sensors, levels, Bar(thumb=True), chance), calibration_of(reports))
    out = {"never measured": session(sensors, notes, hand, seed, middle_levels(sensors))}
    played, data = sent(sensors, notes, hand, seed, levels)
    with kept(calibration_of(reports)):
        out["calibrated"] = against(played, read_back(data))
    with kept(calibration_of(reports), skew):
        out["calibrated, skew measured"] = against(played, read_back(data))
    return out


def coverage(kind: Kind, chanters: int = 200, changes: int = 20, first: int = 10_000) -> dict[str, Against]:
    """The stated uncertainty over many chanters, with damp fingers up to 40 ms apart, in another warmth."""
    out: dict[str, Against] = {}
    for seed in range(chanters):
        chance = np.random.default_rng(first + seed)
        sensors, notes = draw(kind, chance), crossings(changes, chance)
        reports = calibrated(sensors, chance)
        levels, later, hand = levels_of(reports), elsewhere(sensors, chance), Hand(damp_mm=DAMP_MM, apart_us=40_000)
        skew = fit(bar_test(sensors, levels, Bar(thumb=True), chance), calibration_of(reports))
        for slopes in (True, False):
            what = "with slopes" if slopes else "without slopes"
            for known, at in (("never measured", middle_levels(sensors)), ("calibrated", levels)):
                played, data = sent(later, notes, hand, seed, at, slopes=slopes)
                with kept(calibration_of(reports)) if known == "calibrated" else nullcontext():
                    out.setdefault(f"{known}, {what}", Against()).add(against(played, read_back(data)))
        played, data = sent(later, notes, hand, seed, levels)
        with kept(calibration_of(reports), skew):
            out.setdefault("calibrated, heights measured, with slopes", Against()).add(against(played, read_back(data)))
    return out


def at_thirty(kind: Kind, chanters: int = 20, changes: int = 60) -> Against:
    """Finger times at 30 ms of travel, calibrated."""
    out = Against()
    for seed in range(chanters):
        chance = np.random.default_rng(20_000 + seed)
        sensors, notes = draw(kind, chance), crossings(changes, chance)
        hand = Hand(travel_us=(30_000, 30_000), apart_us=40_000)
        reports = calibrated(sensors, chance)
        with kept(calibration_of(reports)):
            out.add(session(sensors, notes, hand, seed, levels_of(reports)))
    return out


def seen_by_the_engineer() -> list[str]:
    """The findings that began it: E and D in turn, at 30 ms; rims 0 to 0.3 mm apart at four speeds."""
    flush = Sensors(seal_mm=np.zeros(HOLES), noise=0.001)
    levels = levels_of(calibrated(flush, np.random.default_rng(1)))
    lines = [f"E and D in turn: {session(flush, back_and_forth('E', 'D', 56), PLAIN_HAND, 1, levels).words()}"]
    rims = replace(flush, rim_mm=np.linspace(0.0, 0.3, HOLES))
    levels = levels_of(calibrated(rims, np.random.default_rng(1)))
    for travel_us in (12_000.0, 30_000.0, 100_000.0, 250_000.0):
        hand = replace(PLAIN_HAND, travel_us=(travel_us, travel_us))
        told = session(rims, crossings(200, np.random.default_rng(1)), hand, 1, levels)
        errors, _ = told.of(True)
        holes = np.array(told.hole)[np.array(told.lift)]
        means = [errors[holes == hole].mean() for hole in np.unique(holes)]
        lines.append(f"rims 0 to 0.3 mm, travel {travel_us / 1e3:.0f} ms: lifts {np.ptp(means) / 1e3:.1f} ms apart")
    return lines


def bad_sensors() -> list[str]:
    """How soon the firmware names each kind of bad sensor, and whether it leaves a good one alone."""
    with tempfile.TemporaryDirectory() as folder:
        made(Path(folder), "host")
        firmware = Firmware(Path(folder) / "chanter", Path(folder) / "storage")
        lines = [f"{name}: {look(bad, firmware).words()}" for name, bad in BADS.items()]
        lines += [
            f"{name}, levels near the seal: {look(bad, firmware, levels=near_seal(bad)).words()}"
            for name, bad in NEAR_SEAL.items()
        ]
        told = good_ones(firmware, range(GOOD), CHANGES_EACH)
        minutes = GOOD * CHANGES_EACH * PERIOD_US / 60e6
        lines.append(f"{GOOD} good chanters, {minutes:.0f} minutes in all: {len(told)} troubles told {told[:5]}")
        return [*lines, f"good, {HEALTHY * PERIOD_US / 60e6:.0f} minutes: {healthy(firmware, HEALTHY).words()}"]


def main() -> None:
    """Print the claims that are named, or all."""
    named = sys.argv[1:]
    if not named or "seen" in named:
        print("\n".join(seen_by_the_engineer()), flush=True)
    if not named or "bad" in named:
        print("\n".join(bad_sensors()), flush=True)
    for kind in KINDS:
        if not named or "instant" in named:
            for what, told in all_at_one_instant(kind).items():
                print(f"{kind}, all at one instant, {what}: {told.words()}", flush=True)
        if not named or "thirty" in named:
            print(f"{kind}, 30 ms of travel: {at_thirty(kind).words()}", flush=True)
        if not named or "coverage" in named:
            for what, told in coverage(kind).items():
                print(f"{kind}, 200 chanters, {what}: {told.words()}", flush=True)


if __name__ == "__main__":
    main()
