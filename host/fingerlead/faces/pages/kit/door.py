"""The door of a page's server: how many connections there are, and for how long.

A connection that has shown the page's secret keeps its place; any other is a stranger's. Strangers have few places and
little time, and the oldest one of the address that holds most of them makes room for the next. So no flood takes the
descriptors of the chanter and its file, or keeps out a browser that has the secret.

    listening socket ──► a place is free ──► TLS ──► uvicorn ──► bounds ──► guard ──► app
                             ▲                                     │          │
                             └── looked at each second ◄── busy, quiet      let_in
"""

import asyncio
import contextlib
import logging
import ssl
import sys
from collections import Counter
from collections.abc import Callable
from socket import socket
from typing import Any

from starlette.types import Scope

from fingerlead.log import Seldom

# Connections in all, and of strangers; of few in all, strangers have half.
MOST = 256
MOST_STRANGERS = 64
FEWEST = 8
# Descriptors that no connection takes: the chanter's port, the session and its index, sound, LilyPond, the log.
RESERVED = 128
# A connection may hold a file as well: what it sends, or what it is sent.
DESCRIPTORS_EACH = 2
# pyserial waits by select(), which takes no descriptor from this number on.
SELECTABLE = 1_024

HANDSHAKE_S = 5.0
# All that a stranger gets, from the first byte to the last.
STRANGER_S = 20.0
# A connection that neither asks nor takes what it is sent.
STILL_S = 10.0
LOOK_S = 1.0
PAUSE_S = 0.05
# What may wait for a page that does not read its line.
MOST_UNSENT = 4 << 20
# And for all connections together: sound of a whole tune is some 50 MB.
MOST_UNSENT_IN_ALL = 256 << 20
# What may come by a line without making a message: pings, and pieces of none.
MOST_UNREAD = 1 << 20

STATE = "connection"
# Of what strangers cause, a line a second goes into the log.
STRANGERS = Seldom()
_log = logging.getLogger(__name__)
_log.addFilter(STRANGERS)


def places(doors: int = 1) -> int:
    """How many connections there may be at each door of so many, so that descriptors remain for everything else."""
    return max(FEWEST, min(MOST, (_descriptors() - RESERVED) // DESCRIPTORS_EACH // doors))


def _descriptors() -> int:
    """How many descriptors this program may have; raises a limit that is lower than need be."""
    if sys.platform == "win32":
        # A socket is no descriptor there.
        return SELECTABLE
    import resource

    soft, hard = (
        SELECTABLE if limit == resource.RLIM_INFINITY else limit for limit in resource.getrlimit(resource.RLIMIT_NOFILE)
    )
    wanted = min(SELECTABLE, hard)
    if soft < wanted:
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))
            return wanted
    return min(soft, SELECTABLE)


def connection_of(scope: Scope) -> "Connection | None":
    """The connection by which a request came; none where it came by no door, as in tests."""
    found = scope.get("state", {}).get(STATE)
    return found if isinstance(found, Connection) else None


def let_in(scope: Scope) -> None:
    """Note that a request has shown the secret: its connection is no stranger's from now on."""
    connection = connection_of(scope)
    if connection is not None:
        connection.known = True


def note_failure(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Log in a line what asyncio would print in full: mostly a stranger's broken bytes."""
    _log.info("a connection failed: %s", type(context.get("exception")).__name__)


class Connection:
    """One connection, from its accepted socket until that is closed."""

    def __init__(self, accepted: socket, host: str, now_s: float) -> None:
        self.host = host
        self.known = self.is_line = False
        self.greeting: asyncio.Task[None] | None = None
        self.transport: asyncio.BaseTransport | None = None
        self._socket, self._ending = accepted, False
        self._busy = self._unsent = self._unread = 0
        self._since_s = self._moved_s = now_s

    @property
    def open(self) -> bool:
        """Whether it holds a descriptor."""
        return self._socket.fileno() >= 0

    @property
    def is_stranger(self) -> bool:
        """Whether it has shown no secret, and is not ending already."""
        return not self.known and not self._ending

    @property
    def unsent(self) -> int:
        """How many bytes wait to be taken."""
        return self.transport.get_write_buffer_size() if isinstance(self.transport, asyncio.WriteTransport) else 0

    def begin(self, is_line: bool, now_s: float) -> None:
        """A request has come, or (`is_line`) a websocket."""
        self.is_line = is_line
        self._busy += 1
        self._moved_s = now_s

    def finish(self, now_s: float) -> None:
        """The request has been answered."""
        self._busy -= 1
        self._moved_s = now_s

    def hear(self, count: int) -> None:
        """So many bytes have come by a line; it ends where they make no message."""
        self._unread += count
        if self._unread > MOST_UNREAD:
            self.end()

    def hear_message(self) -> None:
        """They have made one."""
        self._unread = 0

    def is_over(self, now_s: float) -> bool:
        """Whether its time is up; to be asked now and then."""
        unsent = self.unsent
        if unsent != self._unsent:
            self._unsent, self._moved_s = unsent, now_s
        waits_for_it = not self._busy or unsent > 0
        return (
            (not self.known and now_s - self._since_s > STRANGER_S)
            or (waits_for_it and now_s - self._moved_s > STILL_S)
            or (self.is_line and unsent > MOST_UNSENT)
        )

    def end(self) -> None:
        """Close it at once, whatever is still to be sent."""
        self._ending = True
        if isinstance(self.transport, asyncio.WriteTransport):
            self.transport.abort()
        elif self.greeting is not None:
            self.greeting.cancel()


class Door:
    """Accepts connections at a socket that listens, and gives each a protocol of its own; one of so many doors."""

    def __init__(
        self,
        place: socket,
        protocol: Callable[[Connection], asyncio.Protocol],
        tls: ssl.SSLContext | None,
        doors: int = 1,
    ) -> None:
        place.setblocking(False)
        self._place, self._protocol, self._tls = place, protocol, tls
        self._most = places(doors)
        self._most_strangers = min(MOST_STRANGERS, self._most // 2)
        self._connections: list[Connection] = []

    async def admit(self, closed: Callable[[], bool]) -> None:
        """Accept one connection after the other, until `closed`."""
        loop = asyncio.get_running_loop()
        async with asyncio.TaskGroup() as tasks:
            looking = tasks.create_task(self._look())
            while not closed():
                accepted, address = await self._accepted()
                await self._make_room(closed)
                if closed():
                    accepted.close()
                    break
                connection = Connection(accepted, str(address[0]), loop.time())
                self._connections.append(connection)
                connection.greeting = tasks.create_task(self._greet(connection, accepted))
                # Those who are in have their turn after each newcomer.
                await asyncio.sleep(0)
            looking.cancel()

    async def _accepted(self) -> tuple[socket, tuple[str, int]]:
        """The next connection, however long there is no descriptor for it."""
        while True:
            try:
                return await asyncio.get_running_loop().sock_accept(self._place)
            except OSError as error:
                _log.info("no connection can be accepted: %s", error.strerror)
                stranger = self._stranger_to_go()
                if stranger is not None:
                    stranger.end()
                await asyncio.sleep(PAUSE_S)

    async def _greet(self, connection: Connection, accepted: socket) -> None:
        try:
            connection.transport, _ = await asyncio.get_running_loop().connect_accepted_socket(
                lambda: self._protocol(connection),
                accepted,
                ssl=self._tls,
                ssl_handshake_timeout=None if self._tls is None else HANDSHAKE_S,
                ssl_shutdown_timeout=None if self._tls is None else HANDSHAKE_S,
            )
        except Exception as error:
            # Whatever a stranger's first bytes lead to, the door stays open.
            note_failure(asyncio.get_running_loop(), {"exception": error})

    async def _make_room(self, closed: Callable[[], bool]) -> None:
        """Wait until there is a place for the one that has come; strangers give way to it."""
        while not closed():
            self._connections = [each for each in self._connections if each.open]
            strangers = sum(each.is_stranger for each in self._connections)
            # One that ends holds its descriptor until the loop's next round.
            if len(self._connections) < self._most and strangers < self._most_strangers:
                return
            stranger = self._stranger_to_go()
            if stranger is not None:
                stranger.end()
            await asyncio.sleep(PAUSE_S if stranger is None else 0)

    def _stranger_to_go(self) -> Connection | None:
        """The oldest stranger of the address that holds most of them."""
        strangers = [each for each in self._connections if each.is_stranger]
        if not strangers:
            return None
        ((busiest, _),) = Counter(each.host for each in strangers).most_common(1)
        return next(each for each in strangers if each.host == busiest)

    async def _look(self) -> None:
        """End those whose time is up."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(LOOK_S)
            for connection in self._connections:
                if connection.open and connection.is_over(loop.time()):
                    connection.end()
            self._bound_unsent()

    def _bound_unsent(self) -> None:
        """End those for whom most waits, where too much waits in all."""
        waiting = sorted((each for each in self._connections if each.open), key=lambda each: each.unsent)
        sizes = [each.unsent for each in waiting]
        while sum(sizes) > MOST_UNSENT_IN_ALL:
            sizes.pop()
            waiting.pop().end()
