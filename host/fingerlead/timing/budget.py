"""What the error of a finger time is made of, and how its shares combine.

Question: how far may a time that a chanter gives of an edge lie from its seal, the instant at which the hole's sound
changes? Each share is a standard uncertainty, in µs, or in mm of finger height: a height counts by how slowly the
finger passes there. They combine as independent ones do, by the GUM (JCGM 100:2008, 5.1.2 and 5.2.2); what is stated is
expanded by COVERAGE (6.2), about 95 %. `hardware_notes/timing.md` gives each share's model and how its size was found.

A **common** share is the same for all edges of a chanter: it makes a lift late by as much as a covering early. Between
two lifts at one pace it cancels, between a lift and a covering it counts twice. The others are each edge's own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fingering.toml_file import parse_toml, shortened

Floats = NDArray[np.float64]
How = Literal["assumed", "measured", "given"]
Unit = Literal["us", "mm"]

SCHEMA = "fingerlead-budget-1"
COVERAGE = 2.0
# What a mm counts, in a lift and in a covering: the size with which COVERAGE times the combined uncertainty holds 95 %
# of the errors, as JCGM 101 has it; a lift begins from rest, a covering may strike the rim. Where no slope is told, in
# µs for each mm, at a travel of 12 to 250 ms, each as likely on a logarithmic scale; else as a share of all that a
# sample can be, for each mm. By levels near the seal, and in the middle of the swing, where they lie in a chanter that
# was never calibrated.
SLOWNESS_AT_SEAL, SLOWNESS_ANYWHERE = (32_500.0, 21_500.0), (31_500.0, 18_400.0)
STEEP_AT_SEAL, STEEP_ANYWHERE = (0.4, 0.3), (0.36, 0.25)
# Where nothing is known of the levels: makers put them here in the swing, in a covering and in a lift; a swing is so
# much of all that a sample can be; and of a hundred chanters one seals lower.
LEVELS_ANYWHERE, SWING, LOWEST_SEAL_MM = (0.55, 0.45), 0.75, 0.005
REACH_MM = 0.8  # where a capacitive sample is half of its swing
# How far fingers of one change differ in pace, as a share: what is common to them cancels but for that.
PACES_DIFFER = 0.15
GREATEST = 1e6


class BudgetError(ValueError):
    """A budget that cannot be used; str() is one sentence."""


@dataclass(frozen=True, slots=True)
class Share:
    """One share of the error: its standard uncertainty, and how that was found. `lifts` alone have the film's."""

    name: str
    unit: Unit
    size: float
    common: bool = False
    lifts: bool = False
    how: How = "assumed"


class Sizes(NamedTuple):
    """An edge's own standard uncertainty, in µs and in mm, and what is common to all edges, in mm and signed.

    The latter as it counts between two.
    """

    own_us: float
    own_mm: float
    common_mm: float


@dataclass(frozen=True)
class Budget:
    """All shares of one chanter.

    `between`, of a covering and of a lift, is how much what is common counts more between two edges than in one.
    """

    shares: tuple[Share, ...]
    steep_per_mm: tuple[float, float] = STEEP_ANYWHERE
    slowness_us_per_mm: tuple[float, float] = SLOWNESS_ANYWHERE
    between: tuple[float, float] = (1.0, 1.0)

    @cached_property
    def sizes(self) -> tuple[Sizes, Sizes]:
        """The shares put together, of a covering and of a lift."""
        covering, lift = (
            Sizes(
                self.total("us", common=False, lift=lift),
                self.own_mm(lift),
                (1.0 if lift else -1.0) * self.between[lift] * self.total("mm", common=True, lift=lift),
            )
            for lift in (False, True)
        )
        return covering, lift

    def total(self, unit: Unit, *, common: bool, lift: bool) -> float:
        """The combined standard uncertainty of the shares of one unit, common or own, of a lift or a covering."""
        return combined(
            [
                share.size
                for share in self.shares
                if share.unit == unit and share.common == common and (lift or not share.lifts)
            ]
        )

    def own_us(self, lift: bool, slowness_us_per_mm: ArrayLike) -> Floats:
        """An edge's own standard uncertainty, by how slowly the finger passes the rim."""
        size = self.sizes[lift]
        own_us: Floats = np.hypot(size.own_us, size.own_mm * np.asarray(slowness_us_per_mm))
        return own_us

    def own_mm(self, lift: bool) -> float:
        """What of it counts by the slowness, in mm."""
        differs = PACES_DIFFER * self.total("mm", common=True, lift=lift)
        return math.hypot(self.total("mm", common=False, lift=lift), differs)

    def common_us(self, lift: bool, slowness_us_per_mm: ArrayLike) -> Floats:
        """What is common to all edges, as it counts between two: signed, late in a lift and early in a covering."""
        return np.asarray(self.sizes[lift].common_mm * np.asarray(slowness_us_per_mm), dtype=np.float64)

    def expanded_us(self, own_us: ArrayLike, common_us: ArrayLike) -> Floats:
        """The expanded uncertainty of single edges."""
        return np.asarray(COVERAGE * np.hypot(own_us, self._alone_us(common_us)), dtype=np.float64)

    def own_of_us(self, uncertainty_us: float, common_us: float) -> float:
        """An edge's own standard uncertainty, by its expanded one."""
        return math.sqrt(max((uncertainty_us / COVERAGE) ** 2 - float(self._alone_us(common_us)) ** 2, 0.0))

    def _alone_us(self, common_us: ArrayLike) -> Floats:
        """What is common to all edges, as it counts in one: that of a lift is above 0."""
        covering, lift = self.between
        common = np.asarray(common_us)
        counts = lift if covering == lift else np.where(common > 0, lift, covering)
        return np.asarray(common / counts, dtype=np.float64)

    @property
    def how(self) -> How:
        """Measured or given, where all of it is that; else assumed."""
        kinds = {share.how for share in self.shares}
        return next(iter(kinds)) if len(kinds) == 1 else "assumed"

    def with_size(self, name: str, size: float, how: How) -> "Budget":
        """The budget with another size of one share."""
        return replace(
            self,
            shares=tuple(replace(s, size=size, how=how) if s.name == name else s for s in self.shares),
        )


def combined(contributions: Sequence[float], correlation: ArrayLike | None = None) -> float:
    """The combined standard uncertainty of contributions, each a sensitivity times a standard uncertainty.

    Independent, by the GUM's equation (11a); with a matrix of correlation coefficients, by its equation (16).
    """
    if correlation is None:
        return math.hypot(*contributions)
    c = np.asarray(contributions, dtype=np.float64)
    return math.sqrt(float(c @ np.asarray(correlation, dtype=np.float64) @ c))


# The sizes of a chanter that was never measured: hardware_notes/timing.md says where they are from.
_SPECIFIED = (
    Share("scan", "us", 0.0),
    Share("filter", "us", 0.0),
    Share("link", "us", 0.0),
    Share("slope and level", "mm", 0.1),
    Share("lift against cover", "mm", 0.37, common=True),
    Share("rim to rim", "mm", 0.07),
    Share("seal", "mm", 0.145, common=True),
    Share("temperature", "mm", 0.03, common=True),
    Share("light", "mm", 0.15, common=True),
    Share("film", "mm", 0.06, lifts=True),
)
NAMES = tuple(share.name for share in _SPECIFIED)
# What is left between a lift and a covering where a calibration has put the levels near the seal.
CALIBRATED_MM = 0.05
# And what the rims' heights, up to 0.3 mm apart, still matter there, as each level goes by its own hole's swing; and
# what the steady light of a lamp does.
RIMS_MM = LIGHT_MM = 0.03


def furthest(level: float) -> float:
    """How far in time a finger crosses a level from its seal, at most: a share of the swing, over the sample's slope.

    The level is a share of the swing. A finger that leaves its rim from rest, or comes to rest there, goes as the cube
    of time (minimum jerk), so that from the rim to a height it takes 3 times what its pace at that height says. Of a
    capacitive sensor height times steepness is s (1 - s) of the swing, whatever its reach. Of a finger that seals at
    the very rim, below LOWEST_SEAL_MM, this does not hold.
    """
    level_mm = REACH_MM * (1 / level - 1)
    return 3 * level * (1 - level) * (1 - float((LOWEST_SEAL_MM / level_mm) ** (1 / 3)))


@lru_cache(maxsize=64)
def assumed(scan_us: float, *, calibrated: bool = False, rims_mm: float | None = None) -> Budget:
    """The budget of a chanter of which nothing was measured but, perhaps, its levels, and then its rims too."""
    budget = Budget(_SPECIFIED).with_size("scan", scan_us / 12**0.5, "assumed")
    if not calibrated:
        # What is common to a chanter does not scatter: one beyond it would be wrong in every crossing. So between two
        # edges it counts by the most that it can be.
        covering, lift = (
            SWING * furthest(level) / steep / COVERAGE / budget.total("mm", common=True, lift=is_lift)
            for is_lift, level, steep in zip((False, True), LEVELS_ANYWHERE, reversed(STEEP_ANYWHERE), strict=True)
        )
        return replace(budget, between=(covering, lift))
    budget = budget.with_size("lift against cover", CALIBRATED_MM, "measured")
    budget = budget.with_size("rim to rim", RIMS_MM if rims_mm is None else rims_mm, "measured")
    budget = budget.with_size("light", LIGHT_MM, "measured")
    return replace(budget, steep_per_mm=STEEP_AT_SEAL, slowness_us_per_mm=SLOWNESS_AT_SEAL)


def read_budget(text: str, source: str) -> Budget:
    """A maker's own budget: TOML with every share in its unit. BudgetError where one is missing or below 0."""
    try:
        values: dict[str, Any] = parse_toml(text)
    except ValueError as error:
        raise BudgetError(f"{source}: expected a budget in TOML; {error}") from None
    if values.get("schema") != SCHEMA:
        raise BudgetError(f'{source}: expected schema = "{SCHEMA}"; got {shortened(repr(values.get("schema")))}')
    for unit in ("us", "mm"):
        names = [share.name for share in _SPECIFIED if share.unit == unit]
        table = values.get(unit)
        if not isinstance(table, dict) or (missing := [name for name in names if name not in table]):
            wanted = names if not isinstance(table, dict) else missing
            sizes = ", ".join(f'"{one.name}" = {one.size}' for one in _SPECIFIED if one.name in wanted and one.size)
            unmeasured = f", where nothing was measured: {sizes}" if sizes else ""
            raise BudgetError(f"{source}: expected [{unit}] with {_listed(wanted)}; add what is missing{unmeasured}")
    unknown = [name for unit in ("us", "mm") for name in values[unit] if name not in NAMES]
    unknown += [name for name in values if name not in ("schema", "us", "mm")]
    if unknown:
        raise BudgetError(f"{source}: expected no share but {_listed(NAMES)}; got {shortened(repr(unknown[0]))}")
    shares = []
    for share in _SPECIFIED:
        size = values[share.unit].get(share.name)
        if isinstance(size, bool) or not isinstance(size, (int, float)) or not 0 <= size <= GREATEST:
            raise BudgetError(
                f"{source}: expected a standard uncertainty of 0 or more {'µs' if share.unit == 'us' else 'mm'} for "
                f'"{share.name}"; got {repr(size)[:40]}'
            )
        shares.append(replace(share, size=round(float(size), 3), how="given"))
    return Budget(tuple(shares), STEEP_AT_SEAL, SLOWNESS_AT_SEAL)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)
