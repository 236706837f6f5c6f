"""Tonight as it goes on: which turn it is, when the next one comes, when the ten minutes are over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from host.live.practice_events import TonightItem, Turn
from host.live.practice_music import Music, music_of_item
from host.live.tonight import LENGTH_US, REST, REST_EVERY_US, REST_US, TURN_US, Tonight

if TYPE_CHECKING:
    from host.live.practice_place import Following, Playing
    from host.store.practised import Progress

LAST_NOTE_US = 1_500_000  # how long the last note of a turn is listened to


class Evening:
    """The time is that of the states: it stands while the chanter is away."""

    def __init__(self, progress: Progress, known: Sequence[tuple[int, ...]]) -> None:
        self._tonight = Tonight(progress.weakest(), known)
        self._began_us: int | None = None  # with the first turn
        self._rested_us = 0
        self._turn_us = 0
        self._item: TonightItem | None = None
        self._number = 0

    def next(self, now_us: int, progress: Progress) -> Turn:
        """Go on to the next turn."""
        if self._began_us is None:
            self._began_us = self._rested_us = now_us
        if self._item is not None and self._item.rest:
            self._rested_us = now_us
        self._turn_us = now_us
        if now_us - self._began_us >= LENGTH_US:
            self._item = None
        elif now_us - self._rested_us >= REST_EVERY_US:
            self._item = REST
        else:
            self._item = self._tonight.next(progress.weakest())
            self._number += 1
        return self.turn(now_us)

    def turn(self, now_us: int) -> Turn:
        """The present turn."""
        went_us = 0 if self._began_us is None else now_us - self._began_us
        return Turn(self._item, self._number, max(LENGTH_US - went_us, 0), self._tonight.too_little)

    def music(self) -> Music:
        """The music of the present turn, which must be no rest."""
        assert self._item is not None
        return music_of_item(self._item)

    def turn_over(self, playing: Playing, following: Following) -> bool:
        """Whether it is time for the next turn."""
        if self._item is None:
            return False
        went_us = playing.now_us - self._turn_us
        if self._item.rest:
            return went_us >= REST_US
        if following.times or went_us >= TURN_US:
            return True
        last = playing.steady
        held_us = 0 if last is None else playing.now_us - last.start_us
        return len(self._item.notes) > 1 and following.at_end() and held_us >= LAST_NOTE_US
