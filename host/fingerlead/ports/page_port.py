"""The holes of a page, a computer's keyboard or a touch screen, as a port of plain notes: one note for each hole.

The page's server feeds masks; each becomes the note messages of the holes that changed, with the host's time of
arrival. The page has no clock that can be trusted, and says nothing while nothing changes: so that a held note
can be told from a silent page, one note is sent again every 100 ms while any hole is covered.
"""

import threading
from collections.abc import Callable

from fingering.holes import HOLES
from fingerlead.ports.base import Chunk, Port, now_us
from fingerlead.wire.carriers import Carrier
from fingerlead.wire.plain_midi import NoteNumbers

BEAT_US = 100_000
# Masks that may wait for the reader; beyond that the newest takes the place of the last.
WAITING = 1_000
VELOCITY = 64
# How far apart two keys that move at once may arrive: a low-speed keyboard is asked at most every 10 ms (Universal
# Serial Bus 2.0, section 5.7.4).
SKEW_US = 10_000


class PagePort(Port):
    """A port whose holes are set by `feed`. `plays` says which notes are theirs."""

    def __init__(
        self, name: str = "page", plays: NoteNumbers = NoteNumbers(), clock: Callable[[], int] = now_us
    ) -> None:
        self.name = name
        self.carrier: Carrier = "plain"
        self._plays, self._clock = plays, clock
        self._came = threading.Condition()
        self._fed: list[tuple[int, int]] = []
        self._closed = False
        self._mask: int | None = None
        self._said_us = 0

    def feed(self, covered_mask: int, host_us: int | None = None) -> None:
        """The holes as they are from now on; from any thread, and never waits. ValueError beyond 0 to 255."""
        if not 0 <= covered_mask < 1 << HOLES:
            raise ValueError(f"expected a mask from 0 to {(1 << HOLES) - 1}; got {covered_mask!r}")
        with self._came:
            if len(self._fed) >= WAITING:
                self._fed.pop()
            self._fed.append((covered_mask, self._clock() if host_us is None else host_us))
            self._came.notify()

    def read(self, timeout_s: float) -> list[Chunk]:
        """One chunk for each mask that came, or the beat of a note that is held."""
        with self._came:
            if not self._fed and not self._closed:
                self._came.wait(timeout_s)
            fed, self._fed = self._fed, []
        chunks = [Chunk(data, host_us) for mask, host_us in fed if (data := self._changed(mask, host_us))]
        if chunks:
            return chunks
        host_us = self._clock()
        if self._mask and host_us - self._said_us >= BEAT_US:
            self._said_us = host_us
            return [Chunk(self._note(0, self._mask), host_us)]
        return []

    def write(self, data: bytes) -> None:
        """A page is not asked anything."""

    def close(self) -> None:
        """Wake the reader."""
        with self._came:
            self._closed = True
            self._came.notify()

    def _changed(self, mask: int, host_us: int) -> bytes:
        """The notes of the holes that changed, of all holes the first time."""
        changed = 0xFF if self._mask is None else self._mask ^ mask
        self._mask = mask
        if changed:
            self._said_us = host_us
        return b"".join(self._note(hole, mask) for hole in range(HOLES) if changed >> hole & 1)

    def _note(self, hole: int, mask: int) -> bytes:
        status = 0x90 if mask >> hole & 1 else 0x80
        return bytes((status | self._plays.channel, self._plays.base_note + hole, VELOCITY if mask >> hole & 1 else 0))
