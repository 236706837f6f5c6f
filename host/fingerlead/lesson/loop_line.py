"""A line whose network runs on an event loop: one thread, an `Actor`, has the loop, with bounded queues to and from it.

A subclass says what its loop does: `_open`, then `_put` for each packet, then `_leave`. What `_open` raises refuses the
line.
"""

import asyncio
import contextlib
import queue
import threading
from abc import abstractmethod
from collections import deque

from fingerlead.actor import Actor
from fingerlead.lesson.line import MOST_WAITING, LessonLine, LineRefused
from fingerlead.lesson.packets import Lane
from fingerlead.log import hush

# What libraries say on the way out of an encrypted connection is nothing to do anything about.
hush("asyncio")
CLOSES_WITHIN_S = 10.0


class LoopLine(LessonLine):
    """One end's line; `trouble` is told by the loop."""

    def __init__(self, name: str) -> None:
        self.name, self.trouble = name, ""
        self._out: deque[tuple[Lane, bytes]] = deque(maxlen=MOST_WAITING)
        self._in: queue.Queue[bytes] = queue.Queue(MOST_WAITING)
        self._opened = threading.Event()
        self._refused: LineRefused | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._wake: asyncio.Event | None = None
        self._closing = False
        self._actor: Actor[None] = Actor("lesson line", lambda: asyncio.run(self._work()))

    def _begin(self, within_s: float) -> None:
        """Open the line; raises LineRefused."""
        self._actor.start()
        opened = self._opened.wait(within_s)
        if self._refused is not None or not opened:
            self.close()
            raise self._refused or LineRefused(self.name, "no answer", "check the other end, and try again")

    def send(self, lane: Lane, packet: bytes) -> None:
        """Send a packet, as well as can be; never waits."""
        self._out.append((lane, packet))
        self._stir()

    def receive(self, timeout_s: float) -> list[bytes]:
        """Whatever has come, waiting up to `timeout_s` for the first of it."""
        packets: list[bytes] = []
        with contextlib.suppress(queue.Empty):
            packets.append(self._in.get(timeout=timeout_s) if timeout_s > 0 else self._in.get_nowait())
            while True:
                packets.append(self._in.get_nowait())
        return packets

    def close(self) -> None:
        """Send what is left, and let go."""
        self._closing = True
        self._stir()
        self._actor.stop(CLOSES_WITHIN_S)

    # --- in the actor's thread ---

    @abstractmethod
    async def _open(self) -> None:
        """Open, or raise LineRefused."""

    @abstractmethod
    async def _put(self, lane: Lane, packet: bytes) -> None:
        """Hand a packet to the network, or drop it."""

    @abstractmethod
    async def _leave(self) -> None:
        """Close what was opened, whole or in part."""

    def _came(self, packet: bytes) -> None:
        # Where the reader is behind, the oldest goes: the ends ask again for what is missing.
        if self._in.full():
            with contextlib.suppress(queue.Empty):
                self._in.get_nowait()
        with contextlib.suppress(queue.Full):
            self._in.put_nowait(packet)

    def _stir(self) -> None:
        if self._loop is not None and self._wake is not None:
            # The loop may be over.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._wake.set)

    async def _work(self) -> None:
        self._loop, self._wake = asyncio.get_running_loop(), asyncio.Event()
        try:
            await self._open()
            self._opened.set()
            while not (self._closing and not self._out):
                await self._wake.wait()
                self._wake.clear()
                while self._out:
                    await self._put(*self._out.popleft())
        except LineRefused as error:
            self._refused = error
        finally:
            await self._leave()
            self._opened.set()
