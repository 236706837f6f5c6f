"""Where the chanter is, as it was last told: waited for, here, away, refused; and what else is plugged in."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from host.live.happenings import ChanterNow, Happening, Place

if TYPE_CHECKING:
    from host.live.source import Setting, Source
    from host.timing.results import Timing

LOOK_EVERY_US = 2_000_000


class Whereabouts:
    """Tells of `source`, whoever that is at the moment."""

    def __init__(self, setting: Setting, tell: Callable[[Happening], None]) -> None:
        self._setting, self._tell = setting, tell
        self._looked_us = 0
        self._now = ChanterNow("none", None, "", "", None, False, ())

    def nobody(self, refused: str = "") -> None:
        """Nobody plays, or (`refused`) somebody could not: what is plugged in can be chosen."""
        self._looked_us = self._setting.clock()
        place: Place = "refused" if refused else "none"
        self._put(ChanterNow(place, None, "", refused, None, False, self._setting.look()))

    def look(self) -> None:
        """See what is plugged in by now."""
        now = self._setting.clock()
        if now - self._looked_us < LOOK_EVERY_US:
            return
        self._looked_us = now
        found = self._setting.look()
        if found != self._now.found:
            self._put(ChanterNow(self._now.place, None, "", self._now.cause, None, False, found))

    def begun(self, source: Source) -> None:
        """Somebody is listened to."""
        self._put(ChanterNow("waiting", source.origin, "", "", None, source.kept, self._now.found))

    def moved(self, source: Source, place: Place, cause: str = "") -> None:
        """The chanter is away, is waited for, or is here."""
        now = self._now
        self._put(ChanterNow(place, source.origin, now.name, cause, now.timing, source.kept, now.found))

    def here(self, source: Source, timing: Timing) -> None:
        """It has told a state, with times as good as that; says so only where that is news."""
        now = self._now
        if now.place != "here" or now.timing is None or _ms(now.timing) != _ms(timing) or now.kept != source.kept:
            self._put(ChanterNow("here", source.origin, now.name, "", timing, source.kept, now.found))

    def named(self, source: Source, name: str, timing: Timing) -> None:
        """It has told its name."""
        now = self._now
        if name != now.name:
            self._put(ChanterNow(now.place, source.origin, name, now.cause, timing, source.kept, now.found))

    def _put(self, now: ChanterNow) -> None:
        self._now = now
        self._tell(now)


def _ms(timing: Timing) -> int:
    return timing.uncertainty_us // 1_000
