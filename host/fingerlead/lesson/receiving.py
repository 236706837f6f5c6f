"""The other end's log as it comes: merged by number, in order, with what lies beyond a hole shown meanwhile.

An entry that is whole with all before it has `Came`; it comes once. Where a hole has lasted for as long as is waited
for, what has come beyond it is `Beyond`: it is shown, as uncertain as it is, and is told again in its place when the
hole is filled. Time is an argument, in µs of any one clock.
"""

import contextlib
from dataclasses import dataclass

from fingerlead.lesson.blocks import Joiner
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.packets import MOST_SPANS

# Beyond a hole so much is kept; the rest comes again.
MOST_BEYOND = 4 << 20
FURTHEST = 1 << 16


@dataclass(frozen=True, slots=True)
class Came:
    """An entry of the log in its order; `number` counts entries."""

    number: int
    entry: bytes


@dataclass(frozen=True, slots=True)
class Beyond:
    """Entries beyond a hole, in order, holes between them; `anew` where those told before are to be forgotten."""

    entries: tuple[bytes, ...]
    anew: bool


class OtherLog:
    """The other end's log so far: all below `have`, and some beyond."""

    def __init__(self) -> None:
        self.have = self.made = self.entries = 0  # blocks without a hole; blocks that there are; entries
        self.dropped = 0  # blocks for which there was no room
        self._joiner = Joiner()
        self._beyond: dict[int, bytes] = {}
        self._size = 0
        self._hole_us: int | None = None  # since when there is one
        self._shown = 0  # blocks below this have been looked at to be shown
        self._shows = False
        self._anew = self._news = False
        self._joins = Joiner()

    @property
    def spans(self) -> tuple[tuple[int, int], ...]:
        """What has come beyond the first hole: (from, to), as many as a packet names."""
        spans: list[tuple[int, int]] = []
        for number in sorted(self._beyond):
            if spans and spans[-1][1] == number:
                spans[-1] = (spans[-1][0], number + 1)
            elif len(spans) == MOST_SPANS:
                break
            else:
                spans.append((number, number + 1))
        return tuple(spans)

    @property
    def whole(self) -> bool:
        """Whether all that there is has come."""
        return self.have == self.made

    def take(self, first: int, blocks: tuple[bytes, ...], made: int, now_us: int) -> list[Came]:
        """Take in a run of blocks; the entries that are whole with it. Raises LessonError for what does not fit."""
        self.made = max(self.made, made)
        came: list[Came] = []
        for number, block in enumerate(blocks, first):
            if number < self.have or number in self._beyond:
                continue
            if number == self.have:
                self._next(block, came)
            elif number - self.have > FURTHEST or self._size + len(block) > MOST_BEYOND:
                self.dropped += 1
            else:
                self._beyond[number] = block
                self._size += len(block)
                self._news, self._anew = True, self._anew or number < self._shown
            while self.have in self._beyond:
                # Of several holes one is filled: what was seen up to the next is told in its place now.
                self._news = self._anew = self._anew or self.have < self._shown
                block = self._beyond.pop(self.have)
                self._size -= len(block)
                self._next(block, came)
        if not self._beyond:
            self._hole_us = None
        elif self._hole_us is None:
            self._hole_us = now_us
        return came

    def beyond(self, now_us: int, patience_us: int) -> Beyond | None:
        """What is new beyond a hole that has lasted so long; or, where that is over, that there is nothing."""
        if not self._beyond or self._hole_us is None:
            was, self._shows = self._shows, False
            self._shown, self._anew = 0, False
            return Beyond((), True) if was else None
        if not (self._news and (self._shows or now_us - self._hole_us >= patience_us)):
            return None
        self._news = False
        anew = self._anew or not self._shows
        if anew:
            self._shown, self._joins = 0, Joiner()
        entries: list[bytes] = []
        before = self._shown - 1
        for number in sorted(number for number in self._beyond if number >= self._shown):
            after_gap, before = number != before + 1, number
            with contextlib.suppress(LessonError):
                entry = self._joins.add(self._beyond[number], after_gap=after_gap)
                entries += [] if entry is None else [entry]
        self._shown, self._shows, self._anew = max(self._shown, before + 1), True, False
        return Beyond(tuple(entries), anew) if entries or anew else None

    def _next(self, block: bytes, came: list[Came]) -> None:
        self.have += 1
        entry = self._joiner.add(block)
        if entry is not None:
            came.append(Came(self.entries, entry))
            self.entries += 1
