"""Many calibrations by people and sensors of `makers`: how often a healthy sensor was blamed, and a bad one named.

python -m tests.workbench.many_makers [HANDS] [OF EACH SENSOR]
"""

from __future__ import annotations

import sys
from collections import Counter

from tests.workbench.makers import BAD_SENSORS, MISTAKES, calibrate, is_named

HANDS, EACH = 300, 100
LEAST_NAMED = 0.95


def mistakes_of(number):
    """One mistake for each hand in turn, and a second one for every other hand."""
    first = MISTAKES[number % len(MISTAKES)]
    return (first,) if number % 2 else (first, MISTAKES[(5 * number + 7) % len(MISTAKES)])


def main(hands=HANDS, each=EACH):
    blamed, verdicts = [], Counter()
    for number in range(hands):
        done, _ = calibrate(number, mistakes_of(number))
        verdicts.update(report.verdict for report in done.reports)
        blamed += [(number, mistakes_of(number), report.words) for report in done.blamed.values()]
    for one in blamed:
        print("blamed:", *one)
    none = hands - len({number for number, *_ in blamed})
    print(f"healthy sensors, {hands} hands that make mistakes: {none} blamed none; {dict(verdicts)}", flush=True)
    bad = bool(blamed)
    for mistaken in (False, True):
        for kind in BAD_SENSORS:
            named = others = unjudged = 0
            for number in range(each):
                done, sensors = calibrate(1_000 + number, mistakes_of(number) if mistaken else (), kind)
                bad_ones = [report for report in done.reports if report.hole in sensors.holes]
                named += all(is_named(report, kind) for report in bad_ones)
                unjudged += any(report.verdict == "not judged" and not is_named(report, kind) for report in bad_ones)
                others += any(hole not in sensors.holes for hole in done.blamed)
            hand = "a hand that makes mistakes" if mistaken else "a careful hand"
            print(
                f"{kind}, {hand}: named {named}, not judged {unjudged}, another blamed {others}, of {each}", flush=True
            )
            bad |= bool(others) or (not mistaken and named < LEAST_NAMED * each)
    sys.exit(int(bad))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
