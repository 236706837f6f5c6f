"""Pupils whose truth is known, evening by evening; shares no code with what judges them.

A finger comes late or early by a normal time about its place of that evening; where it is later than a change bears,
the change goes astray. A finger's place wanders from evening to evening, for all its changes alike. Times in ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

# Within one evening. From memory: the fingers of one hand come within about 10 ms of one another, most of the time.
SCATTER_MS = 8.0
FINGERS = 4
# How often each change goes astray: a few habits, and many changes that hardly ever do.
BASES = (0.5, 0.3, 0.3, 0.15, 0.15, 0.08, 0.05, 0.05, 0.02, 0.02, 0.02, 0.02)


@dataclass(frozen=True)
class Player:
    """One pupil: how often changes go astray, how often each is played in an evening before the day and since, how far
    a finger wanders from evening to evening, independently or step by step (`drift_ms`), and how often a change is left
    out of an evening.

    The share of the first change becomes `becomes`, where it is given.
    """

    bases: tuple[float, ...] = BASES
    times: tuple[float, float] = (8, 8)
    wander_ms: float = 0.0
    drift_ms: float = 0.0
    left_out: float = 0.1
    becomes: float | None = None


def played(player: Player, before: int, after: int, chance: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """How often each change was tried and went astray: two arrays (evening, change)."""
    evenings, changes = before + after, len(player.bases)
    often = np.repeat(player.times, (before, after))[:, np.newaxis]
    tried = chance.poisson(often, (evenings, changes)) * (chance.random((evenings, changes)) >= player.left_out)
    place = chance.normal(0, player.wander_ms, (evenings, FINGERS))
    place += np.cumsum(chance.normal(0, player.drift_ms, (evenings, FINGERS)), axis=0)
    own = NormalDist(0, float(np.hypot(SCATTER_MS, player.wander_ms)))
    borne = np.array([own.inv_cdf(1 - base) for base in player.bases])
    astray = np.zeros_like(tried)
    for evening in range(evenings):
        for change in range(changes):
            bears = borne[change]
            if change == 0 and evening >= before and player.becomes is not None:
                bears = own.inv_cdf(1 - player.becomes)
            late = chance.normal(place[evening, change % FINGERS], SCATTER_MS, tried[evening, change])
            astray[evening, change] = int((late > bears).sum())
    return tried, astray
