"""The ladder: graded exercises, derived from the geometry of the changes.

At the bottom stands low G alone, held and sealed. Then come the pairs of notes: one-way changes of one hand by growing
difficulty, then one-way changes of both hands, then crossings, each group by growing difficulty. Each rung's music
mixes in rungs below it. How hard a change is depends on how far the fingers scatter, and the order of rungs with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations

from fingering.ladder_file import LadderError, load_ladder
from fingering.moves import SCATTER_US, difficulty
from fingering.notes import LOW_G, NOTES
from fingering.orders import advice, order
from fingering.rungs import GROUPS, Rung, group_of, make_rung

__all__ = ["LEVELS", "LadderError", "Rung", "advice", "find_rung", "ladder", "load_ladder", "order", "places"]

# Standard deviation of each finger's time. Assumed: no measurement on a chanter is known; for flautists delays within a
# change are "typically tens of ms" (Almeida and others, JASA 2009).
LEVELS: dict[str, int] = {"calm": 6_000, "usual": SCATTER_US, "shaky": 25_000}


@lru_cache(maxsize=8)
def ladder(scatter_us: int = SCATTER_US) -> tuple[Rung, ...]:
    """All 37 rungs from the bottom up: low G, then the 36 pairs of notes."""
    pairs = sorted(
        combinations(range(len(NOTES)), 2),
        # Rounded, as pairs with the same geometry differ in the last digit of a sum.
        key=lambda pair: (GROUPS.index(group_of(pair)), round(difficulty(pair[0], pair[1], scatter_us), 6), pair),
    )
    rungs: list[Rung] = []
    for notes in ((LOW_G,), *pairs):
        rungs.append(make_rung(notes, rungs, scatter_us))
    return tuple(rungs)


def places(key: str) -> dict[str, int]:
    """Where a rung stands on the ladder, counted from 1, at each level of scatter."""
    return {level: 1 + [rung.key for rung in ladder(scatter_us)].index(key) for level, scatter_us in LEVELS.items()}


def find_rung(rungs: Sequence[Rung], text: str) -> Rung:
    """A rung by its key, its name or its number from the bottom; ValueError says what was expected."""
    wanted = "-".join(text.lower().replace("-", " ").split())
    number = text.strip()
    if number.isascii() and number.isdigit() and len(number) <= 4 and 0 < int(number) <= len(rungs):
        return rungs[int(number) - 1]
    for rung in rungs:
        if wanted in (rung.key.lower(), "-".join(rung.name.lower().replace("-", " ").split())):
            return rung
    shown = text if len(text) <= 40 else text[:40] + "…"
    raise ValueError(
        f"expected the key of a rung (such as {rungs[-1].key}) or its number from 1 to {len(rungs)}; got {shown!r}"
    )
