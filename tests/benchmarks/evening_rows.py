"""Rows of `make bench` on what is told of pupils: how often of unchanged ones, and how long it takes to say."""

from __future__ import annotations

import time

import numpy as np

from fingerlead.timing.evenings import judge
from tests.evenings.__main__ import told_of_unchanged
from tests.evenings.truth import Player, played

Row = tuple[str, str, str]
PUPILS, EVENINGS = 200, 10


def evening_rows() -> list[Row]:
    """Unchanged pupils of whom anything is told, by how far they wander; one pupil of thirty evenings a side judged."""
    rates = [told_of_unchanged(Player(wander_ms=wander), EVENINGS, EVENINGS, PUPILS) for wander in (0, 4, 8)]
    told = " and ".join((", ".join(f"{rate:.1%}" for rate in rates[:2]), f"{rates[2]:.1%}"))
    # The first change becomes another: the longest way.
    player = Player(wander_ms=4, becomes=0.1)
    tried, astray = played(player, 30, 30, np.random.default_rng(1))
    begin = time.perf_counter()
    judge(range(len(player.bases)), tried, astray, 30)
    return [
        (
            f"of {PUPILS} unchanged pupils, {EVENINGS} evenings a side, told better or worse of anything",
            told,
            "fingers that wander by 0, 4 and 8 ms; 5 % at most is meant",
        ),
        ("a pupil's 12 changes, 30 evenings a side, judged", f"{(time.perf_counter() - begin) * 1e3:.0f} ms", ""),
    ]
