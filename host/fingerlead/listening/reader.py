"""The reader: one thread that opens a port, reads it and closes it, and finds it again when it vanishes.

    thread:  open ─► read ─► Chunk … ─► PortLost ─► Lost ─► open again, ever slower ─► first bytes: Back, Chunk …
                │                 └─► PortEnded ─► Ended
                └─► PortRefused, the first time only ─► Ended

Everything goes into one bounded queue in order, failures as well as data; Lost and Back alternate, with nothing between
them. Where the queue is full the thread waits: nothing is dropped here, and a chanter counts itself what it could not
send. Each time the port is opened, the chanter is asked who it is.
"""

import logging
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Never

from fingerlead.actor import Actor
from fingerlead.ports.base import Chunk, Port, PortEnded, PortLost, PortRefused, now_us
from fingerlead.wire.carriers import Carrier, carry
from fingerlead.wire.messages import Who, encode

READ_TIMEOUT_S = 0.05
QUEUE_SIZE = 4096
FIRST_PAUSE_S = 0.1
LONGEST_PAUSE_S = 2.0
PUT_TIMEOUT_S = 0.1
# Links count their own requests from 0 up; this one belongs to none of them.
WHO = encode(Who(255))
_log = logging.getLogger(__name__)


def who_are_you(carrier: Carrier) -> bytes:
    """The bytes that ask a chanter who it is, whatever else is on the line."""
    # The zero ends whatever an earlier host may have left in the chanter's reader.
    return carry(WHO, "sysex") if carrier == "sysex" else b"\0" + carry(WHO, "stream")


@dataclass(frozen=True, slots=True)
class Lost:
    """The port vanished at `host_us`; the reader looks for it again."""

    cause: str
    host_us: int


@dataclass(frozen=True, slots=True)
class Back:
    """The port is here again: the next item is its first data."""

    host_us: int


@dataclass(frozen=True, slots=True)
class Ended:
    """Nothing more will come: the port could not be opened, a replay is over, or (`error` None) the reader was stopped.

    Any other error is a fault of the program, handed over so that it is not lost in a thread.
    """

    error: Exception | None


Item = Chunk | Lost | Back | Ended


class Reader(Actor[Never]):
    """Reads a port in a thread of its own, from `start` (or `with`) to `stop` or `drain`.

    `open_port` opens the port each time. `wait` sleeps for seconds, and says whether it was cut short because the
    reader is to stop; it and `clock` can be replaced in tests.
    """

    def __init__(
        self,
        open_port: Callable[[], Port],
        clock: Callable[[], int] = now_us,
        wait: Callable[[float], bool] | None = None,
        size: int = QUEUE_SIZE,
    ) -> None:
        super().__init__("reader", self._read)
        self._open, self._clock = open_port, clock
        self._wait = wait or self.wait
        self._items: queue.Queue[Item] = queue.Queue(size)
        self._port: Port | None = None
        self._port_lock = threading.Lock()
        # Settled before the first chunk comes out.
        self.carrier: Carrier = "stream"

    def get(self, timeout_s: float) -> Item | None:
        """The next item, waiting up to `timeout_s`; None where nothing came."""
        try:
            return self._items.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def write(self, data: bytes) -> None:
        """Send bytes at once, from any thread; nothing happens while the port is away."""
        with self._port_lock:
            if self._port is not None:
                try:
                    self._port.write(data)
                except PortLost:
                    # The reading thread will find out by itself.
                    return

    def drain(self) -> list[Item]:
        """End the thread and close the port; gives what was read but not yet taken."""
        rest: list[Item] = []
        ended = False
        while not ended:
            # A full queue would hold the thread up for ever.
            ended = super().stop(PUT_TIMEOUT_S)
            while not self._items.empty():
                rest.append(self._items.get_nowait())
        return rest

    def stop(self, timeout_s: float | None = None) -> bool:
        """End the thread and close the port, which takes no longer than a read; what was not taken is lost."""
        self.drain()
        return True

    def _read(self) -> None:
        ended: Exception | None = None
        try:
            self._use(self._open())
            self._find_again()
        except Exception as error:
            _log.info("reading ended", exc_info=not isinstance(error, PortEnded | PortRefused))
            ended = error
        finally:
            self._drop_port()
            self._put(Ended(ended))

    def _find_again(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self.stopping and not self._wait(pause_s):
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
            try:
                port = self._open()
            except PortRefused:
                continue
            if self._use(port, back=True):
                pause_s = FIRST_PAUSE_S

    def _use(self, port: Port, back: bool = False) -> bool:
        """Read until the port is lost or the reader is to stop; whether anything came."""
        with self._port_lock:
            self._port = port
        came = False
        try:
            port.write(who_are_you(port.carrier))
            while not self.stopping:
                for chunk in port.read(READ_TIMEOUT_S):
                    self.carrier = port.carrier
                    if back and not came:
                        _log.info("port is back")
                        self._put(Back(chunk.host_us))
                    came = True
                    self._put(chunk)
        except PortLost as lost:
            # Lost again before a byte came: it was never back.
            if came or not back:
                _log.info("port lost: %s", lost.cause)
                self._put(Lost(lost.cause, self._clock()))
        self._drop_port()
        return came

    def _drop_port(self) -> None:
        with self._port_lock:
            port, self._port = self._port, None
            if port is not None:
                port.close()

    def _put(self, item: Item) -> None:
        while True:
            try:
                self._items.put(item, timeout=PUT_TIMEOUT_S)
                return
            except queue.Full:
                # Stopping empties the queue.
                continue
