"""A lesson's line by a relay: a subject of NATS for what goes at once, a stream of JetStream for each log.

What one end sends to the log stays at the relay until the teacher's end closes: an end whose connection was lost goes
on from the last it had, by the stream's own numbers. The client finds its way back by itself; what it cannot send
meanwhile is dropped, as the ends send again what is not acknowledged. One thread, an `Actor`, runs the event loop.
"""

import asyncio
import contextlib
import logging
import queue
import secrets
import ssl
import threading
from collections import deque
from typing import TYPE_CHECKING, Any

from fingerlead.actor import Actor
from fingerlead.lesson.keys import Role, check_installed, other
from fingerlead.lesson.line import MOST_WAITING, LessonLine, LineRefused
from fingerlead.lesson.packets import Lane
from fingerlead.lesson.relay import STREAM_BYTES, RelayTicket

if TYPE_CHECKING:
    from nats.aio.client import Client
    from nats.aio.msg import Msg

OPENS_WITHIN_S = 10.0
LOG_LASTS_S = 12 * 3_600
HEARTBEAT_S = 0.5
_log = logging.getLogger(__name__)


class RelayLine(LessonLine):
    """One end's line over a relay to the lesson at `subject`; raises LineRefused, NotInstalled."""

    def __init__(self, ticket: RelayTicket, subject: str, role: Role, opens_within_s: float = OPENS_WITHIN_S) -> None:
        check_installed("nats")
        self.name, self.trouble = ticket.address, ""
        self._ticket, self._subject, self._role = ticket, subject, role
        self._answers_within_s = opens_within_s / 2
        self._out: deque[tuple[Lane, bytes]] = deque(maxlen=MOST_WAITING)
        self._in: queue.Queue[bytes] = queue.Queue(MOST_WAITING)
        self._last = 0  # the stream's number of the last of the other's log
        self._opened = threading.Event()
        self._refused: LineRefused | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._wake: asyncio.Event | None = None
        self._closing = False
        self._actor: Actor[None] = Actor("relay line", lambda: asyncio.run(self._work()))
        self._actor.start()
        opened = self._opened.wait(opens_within_s)
        if self._refused is not None or not opened:
            self.close()
            raise self._refused or LineRefused(self.name, "no answer", "check that the relay runs, and try again")

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
        """Let go of the relay; the teacher's end takes the lesson's log with it, which no key opens any more."""
        self._closing = True
        self._stir()
        self._actor.stop(OPENS_WITHIN_S)

    # --- in the actor's thread ---

    def _stir(self) -> None:
        if self._loop is not None and self._wake is not None:
            # The loop may be over.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._wake.set)

    async def _work(self) -> None:
        from nats.aio.client import Client
        from nats.errors import Error

        self._loop, self._wake = asyncio.get_running_loop(), asyncio.Event()
        client = Client()
        try:
            await self._connect(client)
            await self._begin(client)
        except (Error, OSError, ssl.SSLError, TimeoutError, ValueError) as error:
            self._refused = self._refused or LineRefused(self.name, *_cause(error))
        if self._refused is None:
            self._opened.set()
            await self._carry(client)
        with contextlib.suppress(Error, OSError, TimeoutError):
            if self._role == "teacher" and self._refused is None:
                await client.jetstream(timeout=self._answers_within_s).delete_stream(self._stream)
        with contextlib.suppress(Error, OSError, TimeoutError):
            await client.close()
        self._opened.set()

    @property
    def _stream(self) -> str:
        return f"lesson-{self._subject}"

    def _topic(self, role: Role, lane: Lane) -> str:
        return f"lesson.{self._subject}.{role}.{lane.name.lower()}"

    async def _connect(self, client: "Client") -> None:
        """Connect, or raise what the first try came to; later the client finds its way back by itself."""
        ticket, tls = self._ticket, None
        first: asyncio.Future[Exception] = asyncio.get_running_loop().create_future()
        if ticket.certificate:
            tls = ssl.create_default_context(cadata=ticket.certificate)
            tls.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN

        async def failed(error: Exception) -> None:
            self.trouble = _cause(error)[0]
            _log.info("relay: %s", type(error).__name__)
            if not first.done():
                first.set_result(error)

        async def back() -> None:
            self.trouble = ""
            with contextlib.suppress(Exception):
                await self._follow(client)

        async def lost() -> None:
            self.trouble = "the connection to the relay is lost"

        connecting = asyncio.ensure_future(
            client.connect(
                ticket.address,
                user=ticket.user,
                password=ticket.password,
                tls=tls,
                error_cb=failed,
                reconnected_cb=back,
                disconnected_cb=lost,
                max_reconnect_attempts=-1,
                reconnect_time_wait=1,
                connect_timeout=5,
                ping_interval=5,
                max_outstanding_pings=2,
            )
        )
        either: set[asyncio.Future[Any]] = {connecting, first}
        await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        if not connecting.done():
            connecting.cancel()
            raise first.result()
        await connecting

    async def _begin(self, client: "Client") -> None:
        from nats.js import api
        from nats.js.errors import BadRequestError

        if self._role == "teacher":
            topics = [self._topic("teacher", Lane.LOG), self._topic("pupil", Lane.LOG)]
            # A stream of the same name and another description is another lesson's.
            own = secrets.token_hex(8)
            stream = api.StreamConfig(self._stream, own, topics, max_bytes=STREAM_BYTES, max_age=LOG_LASTS_S)
            try:
                await client.jetstream(timeout=self._answers_within_s).add_stream(stream)
            except BadRequestError:
                self._refused = LineRefused(self.name, "another lesson has these words", "begin anew with new words")
                return
        await client.subscribe(self._topic(other(self._role), Lane.NOW), cb=self._came)
        await self._follow(client)
        # A flush may overtake subscriptions that are queued.
        await client.flush()
        await client.flush()

    async def _follow(self, client: "Client") -> None:
        """Follow the other's log from the last that came on."""
        from nats.js import api

        config = api.ConsumerConfig(deliver_policy=api.DeliverPolicy.BY_START_SEQUENCE, opt_start_seq=self._last + 1)
        await client.jetstream(timeout=self._answers_within_s).subscribe(
            self._topic(other(self._role), Lane.LOG),
            stream=self._stream,
            config=config,
            cb=self._came_by_log,
            ordered_consumer=True,
            idle_heartbeat=HEARTBEAT_S,
        )

    async def _came(self, message: "Msg") -> None:
        # Where the reader is behind, the oldest goes: the ends ask again for what is missing.
        if self._in.full():
            with contextlib.suppress(queue.Empty):
                self._in.get_nowait()
        with contextlib.suppress(queue.Full):
            self._in.put_nowait(message.data)

    async def _came_by_log(self, message: "Msg") -> None:
        self._last = max(self._last, message.metadata.sequence.stream)
        await self._came(message)

    async def _carry(self, client: "Client") -> None:
        from nats.errors import Error

        assert self._wake is not None
        while not (self._closing and not self._out):
            await self._wake.wait()
            self._wake.clear()
            while self._out:
                lane, packet = self._out.popleft()
                if client.is_connected:
                    with contextlib.suppress(Error):
                        await client.publish(self._topic(self._role, lane), packet)
            if self._closing:
                with contextlib.suppress(Error, TimeoutError):
                    await client.flush(1)


def _cause(error: Exception) -> tuple[str, str]:
    """What was wrong with a connection, in words, and what to try."""
    from nats.errors import AuthorizationError
    from nats.js.errors import NotFoundError

    if isinstance(error, NotFoundError):
        return (
            "no lesson has begun at these words",
            "check the first two words; the teacher begins, then the pupil joins",
        )
    if isinstance(error, ssl.SSLError):
        return "the relay shows another certificate than its ticket says", "ask the relay's owner for a new ticket"
    if isinstance(error, AuthorizationError) or "uthorization" in str(error):
        return "the relay does not let this ticket in", "ask the relay's owner for a new ticket"
    return f"no relay answers ({type(error).__name__})", "check that the relay runs, and the network, and try again"
