"""The log of one end, as it goes out: at once in packets that repeat the last 200 ms, and all of it until acknowledged.

Nothing here waits. A block is kept until the other end has it; where more than MOST_HELD is not acknowledged, the log
is `full`, and the lesson cannot go on. Time is an argument, in µs of any one clock.
"""

from collections import deque
from dataclasses import dataclass

from fingerlead.lesson.blocks import cut
from fingerlead.lesson.packets import ROOM

REPEATED_US = 200_000
# The log goes out so often, for all that came since.
FLUSH_US = 100_000
SOONEST_US, LATEST_US = 250_000, 2_000_000
FIRST_GUESS_US = 1_000_000
# Of the log, so many packets at once; the next when the end is polled again.
BURST = 8
# So much, while nothing is heard of the other end: enough to be found again.
PROBES = 2
MOST_HELD = 64 << 20


@dataclass(slots=True)
class _Block:
    data: bytes
    made_us: int
    sent_us: int | None = None
    has: bool = False  # the other end has it, beyond a hole


class OwnLog:
    """The blocks of one end's log; numbers count from 0 through the whole lesson."""

    def __init__(self, most_held: int = MOST_HELD) -> None:
        self.made = self.have = 0  # blocks made; those of them that the other end has without a hole
        self.full = False
        self.resent = 0
        self._most_held, self._held = most_held, 0
        self._blocks: deque[_Block] = deque()  # from `have` on
        self._told = 0  # blocks that have gone out at once
        self._flushed_us: int | None = None
        self._probed_us: int | None = None
        self._round_us: float | None = None
        self._wander_us = 0.0

    @property
    def round_us(self) -> int | None:
        """How long to the other end and back, smoothed; None before it is known."""
        return None if self._round_us is None else round(self._round_us)

    @property
    def patience_us(self) -> int:
        """How long an acknowledgement is waited for; as RFC 6298 does, and the other end's own wait beside it."""
        if self._round_us is None:
            return FIRST_GUESS_US
        return round(min(max(self._round_us + 4 * self._wander_us + FLUSH_US, SOONEST_US), LATEST_US))

    def add(self, entry: bytes, now_us: int) -> bool:
        """Put an entry into the log; whether there was room."""
        blocks = cut(entry)
        self.full = self.full or self._held + len(entry) > self._most_held
        if self.full:
            return False
        self._blocks.extend(_Block(block, now_us) for block in blocks)
        self.made += len(blocks)
        self._held += sum(map(len, blocks))
        return True

    def took(self, round_us: int) -> None:
        """A packet has gone to the other end and back in so long (RFC 6298, section 2)."""
        if self._round_us is None:
            self._round_us, self._wander_us = round_us, round_us / 2
        else:
            self._wander_us += (abs(self._round_us - round_us) - self._wander_us) / 4
            self._round_us += (round_us - self._round_us) / 8

    def acknowledged(self, have: int, spans: tuple[tuple[int, int], ...]) -> None:
        """The other end has all below `have`, and the spans beyond it. What it cannot have is passed over."""
        while self.have < min(have, self.made):
            self._held -= len(self._blocks.popleft().data)
            self.have += 1
        for start, end in spans:
            for number in range(max(start, self.have), min(end, self.made)):
                self._blocks[number - self.have].has = True

    def now(self, now_us: int) -> tuple[int, tuple[bytes, ...]] | None:
        """The blocks of the last 200 ms, as many as a packet holds, where one is new: their first number, and they."""
        if self._told == self.made or not self._blocks:
            self._told = self.made
            return None
        first, room = self.made, ROOM
        while first > self.have:
            block = self._blocks[first - 1 - self.have]
            room -= len(block.data) + 2
            if room < 0 or now_us - block.made_us > REPEATED_US:
                break
            first -= 1
        self._told = self.made
        return (first, self._run(first, self.made)) if first < self.made else None

    def due(self, now_us: int, *, heard: bool) -> list[tuple[int, tuple[bytes, ...]]]:
        """Runs of blocks that are due on the log's lane: new ones every 100 ms, and those waited for too long."""
        if not self._blocks:
            return []
        if not heard:
            if self._probed_us is not None and now_us - self._probed_us < self.patience_us:
                return []
            self._probed_us = now_us
        flush = self._flushed_us is None or now_us - self._flushed_us >= FLUSH_US
        most = BURST if heard else PROBES
        runs: list[tuple[int, tuple[bytes, ...]]] = []
        start, room = None, 0
        for at, block in enumerate(self._blocks):
            wanted = not block.has and (flush if block.sent_us is None else now_us - block.sent_us >= self.patience_us)
            if start is not None and (not wanted or len(block.data) + 2 > room):
                runs.append((self.have + start, self._run(self.have + start, self.have + at)))
                start = None
            if not wanted:
                continue
            if start is None:
                if len(runs) >= most:
                    break
                start, room = at, ROOM
            room -= len(block.data) + 2
            self.resent += block.sent_us is not None
            block.sent_us = now_us
        else:
            self._flushed_us = now_us if flush else self._flushed_us
        if start is not None:
            runs.append((self.have + start, self._run(self.have + start, self.have + at + 1)))
        return runs

    def _run(self, first: int, end: int) -> tuple[bytes, ...]:
        return tuple(self._blocks[number - self.have].data for number in range(first, end))
