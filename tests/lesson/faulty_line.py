"""A line in virtual time that does to packets what networks do, drawn from a seed.

Losses follow the model of E. N. Gilbert (1960) and E. O. Elliott (1963): p is the chance to go from the good state to
the bad at a packet, r back, and in the bad state all is lost, in the good none. The ranges p 1 to 8 % and r 8 to 50 %
are those that F. Michel, Q. De Coninck and O. Bonaventure ("QUIC-FEC", IFIP Networking 2019, arXiv 1904.11326) draw for
links in flight, as notes on that work quote them; within them `FIVE_PERCENT` loses 5 % in bursts of 2 packets on
average, and `LONG_BURSTS` 11 % in bursts of 12.
"""

from __future__ import annotations

import heapq
import itertools
import random
from dataclasses import dataclass, field

from fingerlead.lesson.end import LessonEnd, LessonEvent
from fingerlead.lesson.packets import Lane


@dataclass(frozen=True)
class Weather:
    """What a line does. Delays are drawn evenly from `delay_us` ± `wander_us`, for each packet: so they overtake."""

    p: float = 0.0
    r: float = 1.0
    delay_us: int = 20_000
    wander_us: int = 0
    doubled: float = 0.0
    flipped: float = 0.0
    cuts_us: tuple[tuple[int, int], ...] = ()


FIVE_PERCENT = Weather(p=0.025, r=0.475, delay_us=200_000, wander_us=100_000, doubled=0.02)
LONG_BURSTS = Weather(p=0.01, r=0.08, delay_us=200_000, wander_us=100_000, doubled=0.02)


@dataclass
class Way:
    """One direction of a line."""

    weather: Weather
    rng: random.Random
    bad: bool = False
    sent: int = 0
    lost: int = 0
    _heap: list = field(default_factory=list)
    _count: itertools.count = field(default_factory=itertools.count)

    def put(self, packet: bytes, now_us: int) -> None:
        weather, rng = self.weather, self.rng
        self.sent += 1
        self.bad = rng.random() >= weather.r if self.bad else rng.random() < weather.p
        if self.bad or any(start <= now_us < end for start, end in weather.cuts_us):
            self.lost += 1
            return
        for _ in range(1 + (rng.random() < weather.doubled)):
            at_us = now_us + weather.delay_us + rng.randint(-weather.wander_us, weather.wander_us)
            if rng.random() < weather.flipped:
                place = rng.randrange(len(packet))
                packet = packet[:place] + bytes([packet[place] ^ 1 << rng.randrange(8)]) + packet[place + 1 :]
            heapq.heappush(self._heap, (at_us, next(self._count), packet))

    def due(self, now_us: int) -> list[bytes]:
        out = []
        while self._heap and self._heap[0][0] <= now_us:
            out.append(heapq.heappop(self._heap)[2])
        return out


class Net:
    """Two ends and the line between them; `ahead_us` is how far the teacher's clock is ahead of the pupil's.

    `events` are what each end told, with the time; `wire` all packets that were sent, as anyone on the line sees them.
    """

    STEP_US = 10_000

    def __init__(
        self, pupil: LessonEnd, teacher: LessonEnd, weather: Weather, seed: int = 1, ahead_us: int = 0
    ) -> None:
        rng = random.Random(f"line {seed}")
        self.ends = (pupil, teacher)
        self.ways = tuple(Way(weather, random.Random(rng.random())) for _ in range(2))
        self.clocks_us = (0, ahead_us)
        self.now_us = 0
        self.events: tuple[list, list] = ([], [])
        self.wire: list[tuple[int, Lane, bytes]] = []

    def step(self) -> None:
        """Ten milliseconds go by."""
        self.now_us += self.STEP_US
        for at, (end, clock_us) in enumerate(zip(self.ends, self.clocks_us, strict=True)):
            here_us = self.now_us + clock_us
            for packet in self.ways[1 - at].due(self.now_us):
                self._tell(at, end.receive(packet, here_us))
            self._tell(at, end.poll(here_us))
        for at, end in enumerate(self.ends):
            for lane, packet in end.take_packets():
                self.wire.append((at, lane, packet))
                self.ways[at].put(packet, self.now_us)

    def until(self, holds, at_most_us: int = 60_000_000) -> int:
        """Steps until it holds; how long that took. Fails where it takes too long."""
        start_us = self.now_us
        while not holds():
            assert self.now_us - start_us < at_most_us, [end.phase for end in self.ends]
            self.step()
        return self.now_us - start_us

    def _tell(self, at: int, events: list[LessonEvent]) -> None:
        self.events[at].extend((self.now_us, event) for event in events)
