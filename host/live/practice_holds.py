"""Counting toward passing a note alone: hands off and on again, the note at once, every hole sealed, held four counts.

What passes is said in `fingering.rungs.PASSED_ONE_NOTE`. Where it leaves room, our own choices: *at once* is within
`correction_us` of the first finger that comes down (no sensor hears what sounds on the way, for none feels the breath);
a count is a beat where one sounds, else COUNT_US; a hole that opens for less than `bounce_us` was not open. A try that
touches a loss is uncertain.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from fingering.holes import HANDS_OFF, fingers_of
from host.live.practice_events import HoldEnd, HoldJudged

if TYPE_CHECKING:
    from host.timing.results import Settings

COUNTS = 4
COUNT_US = 750_000  # counting to four at leisure: 80 a minute


class Holds:
    """Fed every state in order of time; tells of each try once, as soon as its end is known."""

    def __init__(self, note: int, covered_mask: int, settings: Settings) -> None:
        self._note, self._wanted, self._settings = note, covered_mask, settings
        self.count_us = COUNT_US
        self._mask: int | None = None
        self._since_us = 0  # since when the mask stands
        self._down_us: int | None = None  # when the first finger came down; None where no try is under way
        self._sealed_us: int | None = None
        self._doubted = False

    def doubt(self) -> None:
        """Something may be missing about now."""
        self._doubted = True

    def state(self, t_us: int, covered_mask: int) -> HoldJudged | None:
        """The mask that stands from `t_us` on, heartbeats too; what has become of a try, where that is known now."""
        judged = None if self._down_us is None or self._mask is None else self._look(t_us, self._down_us, self._mask)
        if covered_mask == self._mask:
            return judged
        if self._mask == HANDS_OFF and self._down_us is None and t_us - self._since_us >= self._settings.steady_us:
            self._down_us, self._doubted = t_us, False
        self._mask, self._since_us = covered_mask, t_us
        return judged

    def _look(self, t_us: int, down_us: int, mask: int) -> HoldJudged | None:
        """What the time that went by under the last mask has settled."""
        if mask == self._wanted and self._sealed_us is None:
            if self._since_us - down_us > self._settings.correction_us:
                return self._end("not sealed", t_us, mask)
            self._sealed_us = self._since_us
        if self._sealed_us is None:
            late = t_us - down_us > self._settings.correction_us
            return self._end("not sealed", t_us, mask) if late else None
        if mask != self._wanted and t_us - self._since_us >= self._settings.bounce_us:
            return self._end("let go" if mask == HANDS_OFF else "opened", self._since_us, mask)
        if mask == self._wanted and t_us - self._sealed_us >= COUNTS * self.count_us:
            return self._end("held", t_us, mask)
        return None

    def _end(self, end: HoldEnd, end_us: int, mask: int) -> HoldJudged:
        held_us = 0 if self._sealed_us is None else end_us - self._sealed_us
        end, self._doubted = "uncertain" if self._doubted else end, False
        self._down_us = self._sealed_us = None
        return HoldJudged(self._note, end, tuple(fingers_of(mask ^ self._wanted)), held_us, COUNTS * self.count_us)
