"""Before and since: whether a share has truly changed, told from evening to evening.

Question: a change went astray so often on the evenings before a day, and so often on those since: is that better,
worse, no clear change, or not enough yet?
Conventions: shares from 0 to 1, differences are since minus before. An evening is all sessions of one day; arrays
have a row for each evening, those before the day first, and a column for each change or movement.

What one plays in an evening is of one piece: a finger that is early tonight is early all night. So the evening is the
unit, not the single change; `deals` says how clear a difference is, and what that rests on. Of a pupil in whom nothing
changed, anything at all is told better or worse in at most one of twenty.

Assumed: evenings are independent of one another. Where a finger drifts over weeks without a cause, they are not;
`tests/evenings/README.md` has how often that is told, and how often a true change is.

Sources: how many evenings are enough is the sum for two means with its correction for small numbers (W. C. Guenther,
American Statistician 35, 1981). The interval of a difference is Newcombe's hybrid of Wilson's score intervals (R. G.
Newcombe, Statistics in Medicine 17, 1998, method 10) of as many changes as would say as much if each were on its own
(J. N. K. Rao and A. J. Scott, Biometrics 48, 1992).
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from fingering.moves import change_text
from fingerlead.timing.deals import Counts, Numbers, adjusted_chances, distances, wander
from fingerlead.timing.movement_sums import MovementOn, MovementSummary, movement_title
from fingerlead.timing.progress import Tally
from fingerlead.timing.summary import wilson
from fingerlead.timing.worth import CONFIDENCE

Trend = Literal["better", "worse", "no clear change", "not enough yet"]
# A directed change, or a movement on a melody note.
What = tuple[int, int] | MovementOn
# How often each was tried in an evening, and how often it went astray, or was not as written.
Evening = Mapping[What, tuple[int, int]]
# What one session says, and its ISO day; empty where that is not known.
Dated = tuple[Evening, str]
K = TypeVar("K")

# Of three evenings a side the clearest difference comes by chance in one of ten.
FEWEST_EVENINGS = 4
# Enough was played where so great a change of the share would be told in so many of a hundred pupils; our own choice.
EFFECT, POWER = 0.3, 0.8
# The sum of evenings is for means that are normal, of a spread that is known: as measured, a tenth more is needed.
MARGIN = 1.1
# How far a share wanders from evening to evening is itself a guess from few: it begins at this variance, as if known
# from so many evenings; our own choice, about what a finger that wanders by 4 ms brings.
USUAL_WANDER, USUAL_EVENINGS = 0.02, 6


@dataclass(frozen=True, slots=True)
class Side:
    """One of two spans of time: how often a change was tried, how often it went astray, on how many evenings.

    `alone` is how many changes, each on its own, would say as much.
    """

    plain: int
    astray: int
    evenings: int
    alone: float = 0.0

    @property
    def share(self) -> float:
        """The share astray; 0 of none."""
        return self.astray / self.plain if self.plain else 0.0


@dataclass(frozen=True, slots=True)
class Difference:
    """Since against before, of one change or movement.

    `chance` is that of so clear a difference in any of all that is compared with it, if nothing had changed.
    `evenings` a side would tell a change of the share by EFFECT.
    """

    before: Side
    after: Side
    chance: float
    trend: Trend
    evenings: int

    @property
    def is_told(self) -> bool:
        """Whether it is better or worse."""
        return self.trend in ("better", "worse")

    @property
    def difference(self) -> float:
        """Of the shares astray."""
        return self.after.share - self.before.share

    @property
    def interval(self) -> tuple[float, float]:
        """Where the true difference lies 19 times in 20, the wander of the evenings counted in."""
        (low_b, high_b), (low_a, high_a) = (
            wilson(side.share * side.alone, side.alone) for side in (self.before, self.after)
        )
        b, a = self.before.share, self.after.share
        return (
            max(-1.0, a - b - math.hypot(a - low_a, high_b - b)),
            min(1.0, a - b + math.hypot(high_a - a, b - low_b)),
        )


def evening(tallies: Iterable[Tally], movements: Iterable[MovementSummary]) -> Evening:
    """What one session says of each change and movement."""
    found: dict[What, tuple[int, int]] = {(t.from_note, t.to_note): (t.plain, t.astray) for t in tallies}
    return found | {(one.name, one.to_note): (one.count, one.wrong) for one in movements}


def compare_sessions(before: Iterable[Dated], after: Iterable[Dated]) -> dict[What, Difference]:
    """All that was tried in some sessions before and since, evening by evening; the clearest first."""
    return compare(by_evening(before), by_evening(after))


def by_evening(sessions: Iterable[Dated]) -> list[Evening]:
    """What was played on each ISO day, of sessions with theirs: those of one day are one evening."""
    days: dict[str, dict[What, tuple[int, int]]] = defaultdict(dict)
    undated = []
    for played, day in sessions:
        if not day:
            undated.append(played)
            continue
        for what, (tried, astray) in played.items():
            before = days[day].get(what, (0, 0))
            days[day][what] = before[0] + tried, before[1] + astray
    return [*undated, *days.values()]


def what_title(what: What) -> str:
    """What a change, or a movement on a note, is called, without a capital."""
    name, note = what
    return movement_title((name, note)) if isinstance(name, str) else change_text(name, note)


def compare(
    before: Sequence[Mapping[K, tuple[int, int]]], after: Sequence[Mapping[K, tuple[int, int]]]
) -> dict[K, Difference]:
    """All that was tried on some evenings before and since, each a mapping to (tried, astray); the clearest first."""
    found = dict.fromkeys(key for one in (*before, *after) for key, (tried, _) in one.items() if tried)
    columns = {key: column for column, key in enumerate(found)}
    tried, astray = np.zeros((2, len(before) + len(after), len(columns)), np.int64)
    for row, one in enumerate((*before, *after)):
        for key, pair in one.items():
            if pair[0]:
                tried[row, columns[key]], astray[row, columns[key]] = pair
    return judge(list(columns), tried, astray, len(before))


def judge(
    keys: Sequence[K],
    tried: Counts,
    astray: Counts,
    before: int,
    chances: Numbers | None = None,
    *,
    told_alone: bool = False,
) -> dict[K, Difference]:
    """The same of arrays, of which the first `before` evenings are those before the day, and each column has a key.

    `chances` are those of `clear_chances`, where they are known. Where `told_alone`, only what is better or worse.
    """
    chances = clear_chances(tried, astray, before) if chances is None else chances
    wanted = np.flatnonzero(chances <= 1 - CONFIDENCE) if told_alone else np.arange(len(keys))
    needed, enough = evenings_needed(tried, astray, before)
    wandering = _usual_wander(tried, astray, before)[wanted]
    sides = [
        _sides(tried[rows][:, wanted], astray[rows][:, wanted], wandering)
        for rows in (slice(before), slice(before, None))
    ]
    rows = zip(wanted, *sides, chances[wanted].tolist(), needed[wanted].tolist(), enough[wanted], strict=True)
    found = [
        (keys[at], Difference(here, there, chance, _trend(here, there, chance, bool(is_enough)), evenings))
        for at, here, there, chance, evenings, is_enough in rows
    ]
    return dict(sorted(found, key=lambda one: (one[1].chance, -abs(one[1].difference), str(one[0]))))


def clear_chances(tried: Counts, astray: Counts, before: int) -> Numbers:
    """For each change the chance of so clear a difference in any of them, if nothing had changed.

    1 where its mean share by evenings and its counts go different ways: what is told must be seen in the counts too.
    """
    chances, at = np.ones(tried.shape[1]), _decidable(tried, astray, before)
    if len(at):
        far = distances(tried[:, at], astray[:, at])
        share = [
            astray[rows][:, at].sum(0) / tried[rows][:, at].sum(0) for rows in (slice(before), slice(before, None))
        ]
        same_way = far[before:].sum(0) * (share[1] - share[0]) > 0
        chances[at] = np.where(same_way, adjusted_chances(far, tried[:, at], astray[:, at], before), 1)
    return chances


def _decidable(tried: Counts, astray: Counts, before: int) -> NDArray[np.intp]:
    """The columns that could be told: played on enough evenings of both sides, and not always the same."""
    played = tried > 0
    counted = np.minimum(played[:before].sum(0), played[before:].sum(0)) >= FEWEST_EVENINGS
    return np.flatnonzero(counted & (astray.sum(0) > 0) & (astray.sum(0) < tried.sum(0)))


def _trend(before: Side, after: Side, chance: float, is_enough: bool) -> Trend:
    if chance <= 1 - CONFIDENCE:
        return "worse" if after.share > before.share else "better"
    return "no clear change" if is_enough else "not enough yet"


def _sides(tried: Counts, astray: Counts, wandering: Numbers) -> list[Side]:
    """One side of each change. What wanders together says less than as many changes on their own."""
    plain = tried.sum(0)
    together = wandering * ((tried * tried).sum(0) / np.maximum(plain, 1) - 1)
    alone = plain / np.maximum(1 + together, 1)
    rows = zip(plain.tolist(), astray.sum(0).tolist(), (tried > 0).sum(0).tolist(), alone.tolist(), strict=True)
    return [Side(*row) for row in rows]


def _middle(tried: Counts, astray: Counts) -> Numbers:
    """The share of each change, half the way to what it is to change to."""
    share = astray.sum(0) / np.maximum(tried.sum(0), 1)
    middle: Numbers = share + np.where(share < 0.5, EFFECT, -EFFECT) / 2
    return middle


def _usual_wander(tried: Counts, astray: Counts, before: int) -> Numbers:
    """How far shares wander from evening to evening, as a part (0 to 1) of what single changes vary by."""
    found = np.full(tried.shape[1], USUAL_EVENINGS * USUAL_WANDER)
    known = np.full(tried.shape[1], float(USUAL_EVENINGS))
    for rows in (slice(before), slice(before, None)):
        part, gone = tried[rows], astray[rows]
        own = gone.sum(0) / np.maximum(part.sum(0), 1)
        off = np.where(part > 0, gone / np.maximum(part, 1) - own, 0.0)
        free = np.maximum((part > 0).sum(0) - 1, 0)
        found += free * wander(part, off, own * (1 - own))
        known += free
    middle = _middle(tried, astray)
    wandering: Numbers = np.minimum(found / known / (middle * (1 - middle)), 1)
    return wandering


def evenings_needed(tried: Counts, astray: Counts, before: int) -> tuple[Counts, NDArray[np.bool_]]:
    """How many evenings a side tell a change of the share by EFFECT, as these were played; and whether these do."""
    played, middle = tried > 0, _middle(tried, astray)
    # What an evening of usual length says of its share.
    alone = (played / np.maximum(tried, 1)).sum(0) / np.maximum(played.sum(0), 1)
    variance = middle * (1 - middle) * (alone + (1 - alone) * _usual_wander(tried, astray, before))
    z, beyond, fewest = _strictness((1 - CONFIDENCE) / max(1, len(_decidable(tried, astray, before))))
    needed = np.ceil(MARGIN * (2 * variance * ((z + beyond) / EFFECT) ** 2 + z * z / 4))
    found: Counts = np.maximum(needed, fewest).astype(np.int64)
    n, m = played[:before].sum(0), played[before:].sum(0)
    return found, (np.minimum(n, m) >= FEWEST_EVENINGS) & (2 * n * m >= found * (n + m))


@cache
def _strictness(level: float) -> tuple[float, float, int]:
    """The normal quantiles of a two-sided level and of POWER; the fewest evenings a side that can come to the level."""
    normal = NormalDist()
    fewest = next(n for n in range(FEWEST_EVENINGS, 1_000) if 2 / math.comb(2 * n, n) <= level)
    return normal.inv_cdf(1 - level / 2), normal.inv_cdf(POWER), fewest
