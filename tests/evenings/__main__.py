"""How often an unchanged pupil is told better or worse, and a changed one is not: `python -m tests.evenings [PUPILS]`.

Prints the tables of README.md. The judge beside is scipy's permutation test of the difference of the mean shares,
corrected for as many changes.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from fingerlead.timing.evenings import judge
from tests.evenings.truth import Player, played

EVENINGS = (3, 4, 6, 10, 15, 30)


def told_of_unchanged(player: Player, before: int, after: int, pupils: int, seed: int = 1) -> float:
    """The share of unchanged pupils of whom anything at all is told."""
    chance, told = np.random.default_rng(seed), 0
    for _ in range(pupils):
        told += bool(judge(range(len(player.bases)), *played(player, before, after, chance), before, told_alone=True))
    return told / pupils


def told_of_changed(player: Player, evenings: int, pupils: int, seed: int = 1) -> tuple[float, float, float, int]:
    """Of pupils whose first change became another: of how many it is told, of how many by scipy's judge, of how many
    there is not enough yet, and how many evenings a side would do (the median).
    """
    chance, told, theirs, less, needed = np.random.default_rng(seed), 0, 0, 0, []
    better = player.becomes is not None and player.becomes < player.bases[0]
    for _ in range(pupils):
        tried, astray = played(player, evenings, evenings, chance)
        first = judge(range(tried.shape[1]), tried, astray, evenings)[0]
        told += first.trend == ("better" if better else "worse")
        less += first.trend == "not enough yet"
        needed.append(first.evenings)
        theirs += scipys(tried, astray, evenings, chance) <= 0.05
    return told / pupils, theirs / pupils, less / pupils, round(float(np.median(needed)))


def scipys(tried: np.ndarray, astray: np.ndarray, before: int, chance: np.random.Generator) -> float:
    """The chance of the first change by scipy, corrected for all that went astray on some evening (Bonferroni)."""
    from scipy import stats

    was = tried[:, 0] > 0
    share, early = astray[was, 0] / tried[was, 0], int(was[:before].sum())
    if min(early, len(share) - early) < 2:
        return 1.0
    found = stats.permutation_test(
        (share[:early], share[early:]),
        lambda a, b, axis: b.mean(axis) - a.mean(axis),
        vectorized=True,
        n_resamples=4_999,
        rng=chance,
    )
    return float(found.pvalue * max(1, (astray.sum(0) > 0).sum()))


def row(*cells: object) -> None:
    print("|", " | ".join(map(str, cells)), "|", flush=True)


def percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def main(pupils: int) -> None:
    begin = time.perf_counter()
    row("of unchanged pupils told anything", *(f"{n} evenings a side" for n in EVENINGS))
    row(*["---"] * (len(EVENINGS) + 1))
    for wander in (0, 4, 8):
        rates = [told_of_unchanged(Player(wander_ms=wander), n, n, pupils) for n in EVENINGS]
        row(f"wander {wander} ms", *map(percent, rates))
    for drift in (1, 2):
        rates = [told_of_unchanged(Player(drift_ms=drift), n, n, pupils) for n in EVENINGS]
        row(f"drift {drift} ms an evening", *map(percent, rates))
    print()
    row("of unchanged pupils told anything", "wander 0 ms", "4 ms", "8 ms")
    row(*["---"] * 4)
    for name, times, before, after in (
        ("16 evenings, then 4", (8, 8), 16, 4),
        ("12 evenings of 3 each, then 4 of 40", (3, 40), 12, 4),
        ("12 evenings of 40 each, then 4 of 3", (40, 3), 12, 4),
        ("10 evenings of 3 each, then 10 of 30", (3, 30), 10, 10),
    ):
        rates = [told_of_unchanged(Player(times=times, wander_ms=w), before, after, pupils) for w in (0, 4, 8)]
        row(name, *map(percent, rates))
    print()
    row("goes astray", "times an evening", "wander", *(f"{n} evenings a side" for n in EVENINGS[1:]))
    row(*["---"] * (len(EVENINGS) + 2))
    for base, becomes in ((0.6, 0.3), (0.1, 0.4)):
        for times in (5, 20):
            for wander in (0, 4, 8):
                player = Player((base, *Player.bases[1:]), (times, times), wander, becomes=becomes)
                cells = []
                for n in EVENINGS[1:]:
                    told, theirs, less, needed = told_of_changed(player, n, max(20, pupils // 4))
                    cells.append(f"{100 * told:.0f} ({100 * theirs:.0f}); {100 * less:.0f}, {needed}")
                row(f"{100 * base:.0f} → {100 * becomes:.0f} %", times, f"{wander} ms", *cells)
    print(f"\n{pupils} pupils a cell (the last table a quarter), {time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
