"""The server: uvicorn in a thread of its own, behind a door that counts.

uvicorn limits headers, messages and idle keep-alive; it neither counts connections nor ends one that never asks. So
`door` accepts them in its place, and `bounds` counts what they send.
"""

import asyncio
import logging
import socket
import ssl
from collections.abc import Mapping
from typing import Never

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from fingerlead.actor import Actor
from fingerlead.faces.pages.kit.bounds import Bounds
from fingerlead.faces.pages.kit.door import STATE, STRANGERS, Connection, Door, note_failure
from fingerlead.log import hush

# A message beyond this ends the line at once; a shorter one that is too long is answered.
LONGEST_MESSAGE = 1 << 16
GRACE_S = 2
STOP_S = 10.0
_log = logging.getLogger(__name__)
hush("asyncio", "uvicorn.error", "python_multipart")
logging.getLogger("uvicorn.error").addFilter(STRANGERS)


class _CountedLine(WebSocketsSansIOProtocol):
    """uvicorn's websocket; it limits a message's bytes, but neither its pieces nor what is no message."""

    def data_received(self, data: bytes) -> None:
        self.app_state[STATE].hear(len(data))
        super().data_received(data)


class Server(Actor[Never]):
    """Serves an app at a socket that listens, one of so many `doors`. `most_bytes`: see Bounds."""

    def __init__(
        self,
        app: ASGIApp,
        place: socket.socket,
        tls: ssl.SSLContext | None = None,
        most_bytes: Mapping[str, int] | None = None,
        doors: int = 1,
    ) -> None:
        super().__init__("web", self._serve)
        self._config = uvicorn.Config(
            Bounds(app, most_bytes or {}),
            http="h11",
            log_config=None,
            access_log=False,
            lifespan="off",
            ws=_CountedLine,
            ws_max_size=LONGEST_MESSAGE,
            ws_per_message_deflate=False,
            server_header=False,
            timeout_graceful_shutdown=GRACE_S,
            proxy_headers=False,
        )
        self._server = uvicorn.Server(self._config)
        self._place = place
        self._door = Door(place, self._protocol, tls, doors)

    def stop(self, timeout_s: float | None = STOP_S) -> bool:
        """End every line, and let go of the socket."""
        self._server.should_exit = True
        ended = super().stop(timeout_s)
        self._place.close()
        return ended

    def _serve(self) -> None:
        _log.info("serving at %s, port %d", *self._place.getsockname()[:2])
        asyncio.run(self._admit_and_serve())

    async def _admit_and_serve(self) -> None:
        asyncio.get_running_loop().set_exception_handler(note_failure)
        self._config.load()
        async with asyncio.TaskGroup() as tasks:
            admitting = tasks.create_task(self._door.admit(lambda: self._server.should_exit))
            await self._server.serve(sockets=[])
            admitting.cancel()

    def _protocol(self, connection: Connection) -> asyncio.Protocol:
        """uvicorn's protocol for one connection, which its requests know by their scope's state."""
        made: asyncio.Protocol = self._config.http_protocol_class(  # type: ignore[call-arg]
            config=self._config, server_state=self._server.server_state, app_state={STATE: connection}
        )
        return made
