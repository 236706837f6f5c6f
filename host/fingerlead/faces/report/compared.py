"""Every change and movement of a learner before and since a day, with the verdict on it, the worst first."""

from collections import Counter
from dataclasses import dataclass

from fingerlead.faces.report.learner import Learner
from fingerlead.studio.overview import Played as Counted
from fingerlead.studio.overview import weight_us, what_of
from fingerlead.timing.evenings import Dated, Side, What, compare_sessions, evening
from fingerlead.timing.movement_sums import movement_sums
from fingerlead.timing.progress import tally
from fingerlead.timing.worth import stands_out


@dataclass(frozen=True, slots=True)
class Compared:
    """One change or movement: what was counted on each side, the verdict, and how much it weighs.

    `verdict` is empty where no day divides the playing; `evenings` a side would tell a clear change. `weight_us` is how
    much of it is heard to go wrong since the day, as `Summary.worth_work` weighs it.
    """

    what: What
    before: Side
    since: Side
    verdict: str
    evenings: int
    weight_us: int

    @property
    def stands_out(self) -> bool:
        """Whether it goes wrong more than now and then, since the day."""
        return stands_out(self.since.astray, self.since.plain)


def compared(learner: Learner) -> list[Compared]:
    """All that was played on either side: what goes wrong most since the day first, then what did before it."""
    weights: Counter[What] = Counter()
    sides: tuple[list[Dated], list[Dated]] = ([], [])
    for played, side in ((learner.before, sides[0]), (learner.after, sides[1])):
        for each in played:
            tallies, movements = tally(each.analysis), movement_sums(each.analysis)
            side.append((evening(tallies, movements), each.day))
            if side is sides[1]:
                counted: list[Counted] = [*tallies, *movements]
                weights.update({what_of(one): weight_us(one) for one in counted})
    found = [
        Compared(what, one.before, one.after, one.trend if learner.since else "", one.evenings, weights[what])
        for what, one in compare_sessions(*sides).items()
    ]
    return sorted(found, key=lambda one: (-one.weight_us, -one.since.share, -one.before.share, str(one.what)))
