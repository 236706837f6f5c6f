"""Is the chanter upside down? Told from the holes alone, for a chanter that is held, not for keys or a screen.

Held with the wrong end up, its back still to the player, each finger in front finds the hole that is as far from the
other end, and no thumb reaches the thumb hole: that stays open, whatever is asked for. Which hand is the upper one no
hole can tell.

It seems so where the thumb hole stays open while all seven in front are covered, long enough and in two takings-up; or
where two notes were fingered as that turns them about. A thumb that covers its hole ends it. Pure; times are µs, all
numbers our own choice.
"""

from fingering.holes import HANDS_OFF, HOLES
from fingering.notes import LOW_G
from fingering.table import Table

THUMB = 1
FRONT = (1 << HOLES) - 1 - THUMB
STOOD_US = 250_000  # a note that is meant
LONG_US = 5_000_000
TAKINGS, MIRRORED = 2, 2


def mirrored(covered_mask: int) -> int:
    """The holes in front that the same fingers cover with the other end up."""
    return sum(1 << HOLES - hole for hole in range(1, HOLES) if covered_mask >> hole & 1)


class Upright:
    """Takes every state in order of time, heartbeats too; `seems_turned` is what it comes to."""

    def __init__(self, table: Table) -> None:
        self._wanted = tuple(mirrored(mask) for mask in table.standard)
        self.seems_turned = False
        self._forget()
        self._mask, self._since_us, self._counted_us, self._looked = HANDS_OFF, 0, 0, False
        self._taken_up = False  # in this taking-up the seven in front were covered

    def state(self, t_us: int, covered_mask: int, asked: int | None) -> bool:
        """The mask from `t_us` on, while a note (0 to 8) is asked for; whether `seems_turned` has changed."""
        before = self.seems_turned
        self._look(t_us, asked)
        if covered_mask != self._mask:
            self._mask, self._since_us, self._looked = covered_mask, t_us, False
        self._counted_us = t_us
        return self.seems_turned != before

    def _look(self, t_us: int, asked: int | None) -> None:
        """The mask so far has stood until now."""
        if t_us - self._since_us < STOOD_US:
            return
        if self._mask == HANDS_OFF:
            self._taken_up = False
        elif self._mask == FRONT:
            self._open_us += t_us - self._counted_us
            self._takings += not self._taken_up
            self._taken_up = True
        elif asked not in (None, LOW_G) and self._mask == self._wanted[asked]:
            self._mirrored += not self._looked
        elif self._mask & THUMB:
            self._forget()
            self.seems_turned = False
        self._looked = True
        by_thumb = self._takings >= TAKINGS and self._open_us >= LONG_US
        self.seems_turned = self.seems_turned or by_thumb or self._mirrored >= MIRRORED

    def _forget(self) -> None:
        self._open_us = self._takings = self._mirrored = 0
