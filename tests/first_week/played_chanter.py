"""A chanter on a TCP port that a beginner plays; its clock may run faster than the computer's.

The wire's times are the chanter's own, so that a fast clock changes nothing of what is judged; only who looks on, the
page and its reader, has less time.
"""

from __future__ import annotations

import select
import socket
import time
from collections import deque
from threading import Condition, Thread

from fingerlead.wire import messages as wire
from fingerlead.wire.link import ChanterLink
from tests.first_week.beginner import Moves

BEAT_US, HELLO_US = 95_000, 5_000_000
LEAD_US = 5_000
HELLO = wire.Hello(
    device_id=b"beginner", firmware=(1, 0, 0), abilities=0, scan_rate_hz=1_000, raw_bits=12, name="a beginner's", boot=1
)  # fmt: skip


class PlayedChanter:
    """`spec` is where it is; `speed` how many of its seconds go by in one of the computer's."""

    def __init__(self, speed: float = 1.0) -> None:
        self._speed, self._began_s = speed, time.monotonic()
        self._door = socket.create_server(("127.0.0.1", 0))
        self.spec = f"socket://127.0.0.1:{self._door.getsockname()[1]}"
        self._planned: deque[tuple[int, int]] = deque()
        self._changed, self._over = Condition(), False
        self._thread = Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def now_us(self) -> int:
        """Its own clock."""
        return round((time.monotonic() - self._began_s) * self._speed * 1e6)

    def play(self, moves: Moves) -> None:
        """Each state of the holes for its time, from now on; returns when the last has lasted."""
        at_us = self.now_us + LEAD_US
        with self._changed:
            for mask, us in moves:
                self._planned.append((at_us, mask))
                at_us += us
            self._changed.notify()
        self.wait(at_us - self.now_us)

    def wait(self, for_us: int) -> None:
        """Time goes by with the fingers where they are."""
        time.sleep(max(0, for_us) / self._speed / 1e6)

    def close(self) -> None:
        """Pull it out."""
        with self._changed:
            self._over = True
            self._changed.notify()
        self._thread.join()
        self._door.close()

    def _run(self) -> None:
        line: socket.socket | None = None
        mask = sequence = 0
        next_beat_us = next_hello_us = 0
        while not self._over:
            if line is None:
                if not select.select([self._door], [], [], 0.05)[0]:
                    continue
                line, _ = self._door.accept()
                line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                link, next_hello_us = ChanterLink(), self.now_us
                next_beat_us = self.now_us
            now_us, said = self.now_us, b""
            if now_us >= next_hello_us:
                said, next_hello_us = link.send(HELLO), now_us + HELLO_US
            # What is due in the order of its time, however late this thread is: a chanter misses no beat of its own.
            with self._changed:
                while min(next_us := self._planned[0][0] if self._planned else now_us + 1, next_beat_us) <= now_us:
                    if next_us <= next_beat_us:
                        _, mask = self._planned.popleft()
                    at_us = min(next_us, next_beat_us)
                    said += link.send(wire.Holes(sequence, at_us & 0xFFFFFFFF, mask))
                    sequence, next_beat_us = sequence + 1 & 0xFFFF, at_us + BEAT_US
            try:
                line.sendall(said)
            except OSError:
                line = None
                continue
            with self._changed:
                planned_us = self._planned[0][0] if self._planned else next_beat_us
                self._changed.wait(max(0.0005, (min(planned_us, next_beat_us) - self.now_us) / self._speed / 1e6))
        if line is not None:
            line.close()
