"""A beginner's first evenings at practice, in no time: the real practice, and a reader of what its page is told.

The reader knows the nine fingerings, the lit note, the count and the sentences, and the one key that goes on; nothing
else. Times are µs of the playing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

from fingering.orders import rungs_in
from fingerlead.faces.pages.practice.messages import Publisher
from fingerlead.practice.events import Judged, MusicNow
from fingerlead.store.practice_log import Progress
from tests.first_week.beginner import Beginner, named_first
from tests.practice.practice_playing import TABLE, Page, Player, a_practice
from tests.reading.instrument import STANDARD, movers

MONDAY = date(2026, 11, 2)
EVENINGS, EVENING_US = 7, 600_000_000
# After so long at one rung a person who may go on does.
PATIENCE_US = 240_000_000


def crosses(key: str) -> bool:
    """Whether a rung has a change in which some fingers lift while others cover."""
    rung = next(rung for rung in rungs_in("taught") if rung.key == key)
    pairs = [(STANDARD[a], STANDARD[b]) for a, b in (*rung.out, *rung.back)]
    return any(a & ~b and b & ~a for a, b in pairs)


@dataclass
class Evening:
    """What came of an evening: rungs passed, in order, and rungs left not yet clean; how many changes were played."""

    passed: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    changes: int = 0
    advised: int = 0
    first_success_us: int | None = None
    minutes: dict[str, float] = field(default_factory=dict)


class Learning:
    """A beginner before the page, evening after evening."""

    def __init__(self, beginner: Beginner, goes_on: bool = True) -> None:
        self.beginner, self.goes_on = beginner, goes_on
        self.progress, self.day = Progress(), MONDAY

    def evening(self, lasts_us: int = EVENING_US) -> Evening:
        """Ten minutes at the page, from hands off to hands off."""
        self.came, self.page = Evening(), Page()
        self.practice = a_practice(self.progress, today=self.day)
        self.player, self._at = Player(self.practice), 0
        self.publisher = Publisher(self.page, TABLE, lambda name, tune: None)
        self.publisher(MusicNow(self.practice.snapshot()))
        self.beginner.mask, self._read = 0, None
        self.rung_since_us = 0
        while self.player.now_us < lasts_us:
            self._one_thing()
        self._do(self.beginner.put_down())
        self.player.wait(1_000_000)
        self._look()
        self.player.events += self.practice.close()
        self.beginner.sleep()
        self.day += timedelta(days=1)
        return self.came

    def _one_thing(self) -> None:
        key, progress = self.page.told["rung"]["key"], self.page.told["progress"]
        before_us = self.player.now_us
        if progress["passed"]:
            self._onward(key, "passed")
        elif self.goes_on and self.player.now_us - self.rung_since_us > PATIENCE_US and progress["next"]:
            self._onward(key, "left")
        elif self._alone():
            self._hold()
        else:
            self._change()
        spent = self.came.minutes
        spent[key] = spent.get(key, 0) + (self.player.now_us - before_us) / 60e6

    def _onward(self, key: str, how: str) -> None:
        (self.came.passed if how == "passed" else self.came.left).append(key)
        wish = self.page.told["progress"]["next"]
        if how == "left":
            self.player.events += self.practice.go_on(key)
        elif wish:
            self.player.events += self.practice.start(wish["key"])
        self.publisher(MusicNow(self.practice.snapshot()))
        self._look()
        assert self.page.told["rung"]["key"] != key
        self.rung_since_us = self.player.now_us
        self._do([(self.beginner.mask, self.beginner.reading_us())])

    def _alone(self) -> bool:
        """One note to hold, and hands off between."""
        return len({note["note"] for note in self.page.told["rung"]["notes"]}) == 1

    def _hold(self) -> None:
        if self.beginner.mask:
            self._do(self.beginner.put_down())
        self._do([(self.beginner.mask, self.beginner.reading_us())])
        taken_up = self.beginner.take_up()
        note = self.page.told["rung"]["notes"][0]["note"]
        self._do(taken_up)
        self._do(self.beginner.hold(note, self.page.told.get("held", {}).get("needed_us") or 3_000_000))
        self._look()

    def _change(self) -> None:
        """To the lit note; what is read of it is taken to heart."""
        note = self.page.told["lit"]["note"]
        before = STANDARD.index(self.beginner.mask) if self.beginner.mask in STANDARD else None
        if before is None and self.beginner.mask != STANDARD[note]:
            self._do(self.beginner.take_up() if not self.beginner.mask else [])
        self._do(self.beginner.play(note))
        self._look()
        told = self.page.told.get("told")
        if told is not None and told is not self._read and told["what"] == "fault" and len(told["notes"]) == 2:
            self._take_to_heart(told["sentence"], *told["notes"])
        self._read = told

    def _take_to_heart(self, sentence: str, before: int, after: int) -> None:
        """What is to be tried stands behind the colon; where that names no finger, the one that was out is meant."""
        why, _, advice = sentence.rpartition(":")
        for said in (advice, why):
            if named_first(said, movers(STANDARD[before], STANDARD[after])) is not None:
                self.came.advised += 1
                self.beginner.read(said, before, after)
                break
        self._do([(self.beginner.mask, self.beginner.reading_us())])

    def _do(self, moves: list[tuple[int, int]]) -> None:
        for mask, us in moves:
            self.player.mask_for(mask, us)
        self.player.live.idle()

    def _look(self) -> None:
        """Take in what is on the page by now."""
        for event in self.player.events[self._at :]:
            self.publisher(event)
            self.came.changes += isinstance(event, Judged)
        self._at = len(self.player.events)
        counts = [self.page.told["progress"][way] for way in ("out", "back") if self.page.told["progress"][way]]
        if self.came.first_success_us is None and any(count["in_a_row"] for count in counts):
            self.came.first_success_us = self.player.now_us
