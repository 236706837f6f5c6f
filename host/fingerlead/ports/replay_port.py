"""A recording as a port: its bytes again, at any speed or at once.

Bytes with known times of arrival are paced by them. Bare bytes of a wire are paced by the chanter's own stamps in them.
Arrivals are as if the recording had begun when the port was opened, at the speed at which it was played.
"""

import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from fingerlead.ports.base import Chunk, Port, PortEnded, PortRefused, now_us
from fingerlead.wire.carriers import HEADER, Carrier, Framing
from fingerlead.wire.link import HostLink

PREFIX = "replay:"
PIECE = 4096


class ReplayPort(Port):
    """Plays (µs since the start, bytes) pieces in order; raises PortEnded after the last.

    `speed` 1 is as it was, 10 ten times as fast, None all at once. `clock` and `sleep` can be replaced in tests.
    """

    def __init__(
        self,
        name: str,
        pieces: Iterable[tuple[int, bytes]],
        carrier: Carrier = "stream",
        speed: float | None = 1.0,
        clock: Callable[[], int] = now_us,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self.name = name
        self.carrier: Carrier = carrier
        self.written = bytearray()
        self._pieces = iter(pieces)
        self._next = next(self._pieces, None)
        self._speed, self._clock, self._sleep = speed, clock, sleep
        self._opened_us = clock()

    def read(self, timeout_s: float) -> list[Chunk]:
        """The pieces that are due, waiting up to `timeout_s` for the first; raises PortEnded."""
        if self._next is None:
            raise PortEnded(f"{self.name}: the recording has been played to its end")
        wait_us = self._due_us(self._next[0]) - self._clock()
        if wait_us > 0:
            self._sleep(min(wait_us / 1_000_000, timeout_s))
        chunks: list[Chunk] = []
        size = 0
        now = self._clock()
        while self._next is not None and self._due_us(self._next[0]) <= now and size < PIECE:
            since_us, data = self._next
            chunks.append(Chunk(data, self._opened_us + since_us))
            size += len(data)
            self._next = next(self._pieces, None)
        return chunks

    def write(self, data: bytes) -> None:
        """Sent nowhere; kept in `written`."""
        self.written += data

    def close(self) -> None:
        """Nothing more is played."""
        self._next = None

    def _due_us(self, since_us: int) -> int:
        return self._opened_us + (0 if self._speed is None else int(since_us / self._speed))


def open_replay(spec: str) -> ReplayPort:
    """`replay:FILE`, `replay:FILE@SPEED` or `replay:FILE@all` (at once) of a wire's bytes; raises PortRefused."""
    name, speed = split_speed(spec)
    try:
        data = Path(name).read_bytes()
    except OSError as error:
        raise PortRefused(spec, f"it cannot be read ({error.strerror or error})", "check its name") from None
    if not data:
        raise PortRefused(spec, "the file is empty", "name a recording")
    carrier: Framing = "sysex" if HEADER in data[:1000] else "stream"
    return ReplayPort(spec, wire_pieces(data, carrier), carrier, speed)


def split_speed(spec: str) -> tuple[str, float | None]:
    """The file and the speed in a `replay:` spec; raises PortRefused."""
    name, found, text = spec.removeprefix(PREFIX).rpartition("@")
    if not found or Path(spec.removeprefix(PREFIX)).exists():
        return spec.removeprefix(PREFIX), 1.0
    if text == "all":
        return name, None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.001 <= speed <= 1_000_000:
        raise PortRefused(spec, f"{text!r} is no speed", "write @2 for twice as fast, @all for at once")
    return name, speed


def wire_pieces(data: bytes, framing: Framing) -> Iterator[tuple[int, bytes]]:
    """Bare bytes frame by frame, each at the time of the latest chanter's stamp so far."""
    link = HostLink(framing, patience_us=None)
    delimiter = b"\xf7" if framing == "sysex" else b"\0"
    place = 0
    while place < len(data):
        end = data.find(delimiter, place, place + PIECE)
        end = min(place + PIECE, len(data)) if end < 0 else end + 1
        link.receive(data[place:end], None)
        yield link.end_us, data[place:end]
        place = end
