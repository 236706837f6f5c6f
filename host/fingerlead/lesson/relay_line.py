"""A lesson's line by a relay: a subject of NATS for what goes at once, a stream of JetStream for each log.

What one end sends to the log stays at the relay until the teacher's end closes: an end whose connection was lost goes
on from the last it had, by the stream's own numbers. The client finds its way back by itself; what it cannot send
meanwhile is dropped, as the ends send again what is not acknowledged.
"""

import asyncio
import contextlib
import logging
import secrets
import ssl
from typing import TYPE_CHECKING, Any

from fingerlead.lesson.keys import Role, check_installed, other
from fingerlead.lesson.line import LineRefused
from fingerlead.lesson.loop_line import LoopLine
from fingerlead.lesson.packets import Lane
from fingerlead.lesson.relay import STREAM_BYTES, RelayTicket

if TYPE_CHECKING:
    from nats.aio.msg import Msg
    from nats.js.client import JetStreamContext

OPENS_WITHIN_S = 10.0
LOG_LASTS_S = 12 * 3_600
HEARTBEAT_S = 0.5
_log = logging.getLogger(__name__)


class RelayLine(LoopLine):
    """One end's line over a relay to the lesson at `subject`; raises LineRefused, NotInstalled."""

    def __init__(self, ticket: RelayTicket, subject: str, role: Role, opens_within_s: float = OPENS_WITHIN_S) -> None:
        check_installed("nats")
        from nats.aio.client import Client

        super().__init__(ticket.address)
        self._ticket, self._subject, self._role = ticket, subject, role
        self._answers_within_s = opens_within_s / 2
        self._last = 0  # the stream's number of the last of the other's log
        self._client = Client()
        self._begin(opens_within_s)

    # --- in the actor's thread ---

    async def _open(self) -> None:
        from nats.errors import Error

        try:
            await self._connect()
            await self._join()
        except (Error, OSError, ssl.SSLError, TimeoutError, ValueError) as error:
            raise LineRefused(self.name, *_cause(error)) from None

    async def _put(self, lane: Lane, packet: bytes) -> None:
        from nats.errors import Error

        if self._client.is_connected:
            with contextlib.suppress(Error):
                await self._client.publish(self._topic(self._role, lane), packet)

    async def _leave(self) -> None:
        """Flush; the teacher's end takes the lesson's log with it, which no key opens any more."""
        from nats.errors import Error

        failures = (Error, OSError, TimeoutError)
        with contextlib.suppress(*failures):
            if self._client.is_connected and self._opened.is_set():
                await self._client.flush(1)
                if self._role == "teacher":
                    await self._jetstream().delete_stream(self._stream)
        with contextlib.suppress(*failures):
            await self._client.close()

    def _jetstream(self) -> "JetStreamContext":
        return self._client.jetstream(timeout=self._answers_within_s)

    @property
    def _stream(self) -> str:
        return f"lesson-{self._subject}"

    def _topic(self, role: Role, lane: Lane) -> str:
        return f"lesson.{self._subject}.{role}.{lane.name.lower()}"

    async def _connect(self) -> None:
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
                await self._follow()

        async def lost() -> None:
            self.trouble = "the connection to the relay is lost"

        connecting = asyncio.ensure_future(
            self._client.connect(
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

    async def _join(self) -> None:
        from nats.js import api
        from nats.js.errors import BadRequestError

        if self._role == "teacher":
            topics = [self._topic("teacher", Lane.LOG), self._topic("pupil", Lane.LOG)]
            # A stream of the same name and another description is another lesson's.
            own = secrets.token_hex(8)
            stream = api.StreamConfig(self._stream, own, topics, max_bytes=STREAM_BYTES, max_age=LOG_LASTS_S)
            try:
                await self._jetstream().add_stream(stream)
            except BadRequestError:
                advice = "begin anew with new words"
                raise LineRefused(self.name, "another lesson has these words", advice) from None
        await self._client.subscribe(self._topic(other(self._role), Lane.NOW), cb=self._came_at_once)
        await self._follow()
        # A flush may overtake subscriptions that are queued.
        await self._client.flush()
        await self._client.flush()

    async def _follow(self) -> None:
        """Follow the other's log from the last that came on."""
        from nats.js import api

        config = api.ConsumerConfig(deliver_policy=api.DeliverPolicy.BY_START_SEQUENCE, opt_start_seq=self._last + 1)
        await self._jetstream().subscribe(
            self._topic(other(self._role), Lane.LOG),
            stream=self._stream,
            config=config,
            cb=self._came_by_log,
            ordered_consumer=True,
            idle_heartbeat=HEARTBEAT_S,
        )

    async def _came_at_once(self, message: "Msg") -> None:
        self._came(message.data)

    async def _came_by_log(self, message: "Msg") -> None:
        self._last = max(self._last, message.metadata.sequence.stream)
        self._came(message.data)


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
