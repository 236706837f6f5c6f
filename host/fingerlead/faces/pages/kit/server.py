"""The server: a free port, and uvicorn in a thread of its own."""

import contextlib
import logging
import socket
import sys
from typing import Never

import uvicorn
from starlette.types import ASGIApp
from uvicorn.config import WS_PROTOCOLS

from fingerlead.actor import Actor

FIRST_PORT = 8730
TRIED = 20
BACKLOG = 64
# A message beyond this ends the line at once; a shorter one that is too long is answered.
LONGEST_MESSAGE = 1 << 16
GRACE_S = 2
STOP_S = 10.0
_log = logging.getLogger(__name__)


class NoPlaceError(Exception):
    """The server cannot listen there; `str()` is one sentence."""


def listen(address: str, port: int | None) -> socket.socket:
    """A socket that listens, on a certain port or (None) on the first that is free. Raises NoPlaceError."""
    if port is not None:
        return _bound(address, port)
    for tried in range(FIRST_PORT, FIRST_PORT + TRIED):
        with contextlib.suppress(NoPlaceError):
            return _bound(address, tried)
    return _bound(address, 0)


def _bound(address: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, place = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
    except (socket.gaierror, UnicodeError):
        raise NoPlaceError(
            f"expected an address of this computer after --listen, such as 127.0.0.1 or 0.0.0.0; got {address}"
        ) from None
    made = socket.socket(family, kind, protocol)
    try:
        if sys.platform != "win32":
            # Else a port stays taken for a minute after the last page has gone.
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(place)
        made.listen(BACKLOG)
    except OSError as error:
        made.close()
        raise NoPlaceError(
            f"the page cannot be served at {address}, port {port} ({error.strerror or error}): perhaps another program "
            "is there. Name another with --web-port, or leave it out and a free one is taken"
        ) from None
    return made


def shown(address: str) -> str:
    """An address as another device in the house can write it; of one that stands for all, the one used outwards."""
    if address in ("0.0.0.0", "::", ""):
        with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            # Nothing is sent: this only asks which way would be taken to an address kept for documentation (RFC 5737).
            out.connect(("192.0.2.1", 9))
            return str(out.getsockname()[0])
        return socket.gethostname()
    return f"[{address}]" if ":" in address else address


class Server(Actor[Never]):
    """Serves an app at a socket that listens."""

    def __init__(self, app: ASGIApp, place: socket.socket) -> None:
        super().__init__("web", self._serve)
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            ws="websockets-sansio" if "websockets-sansio" in WS_PROTOCOLS else "websockets",
            ws_max_size=LONGEST_MESSAGE,
            ws_per_message_deflate=False,
            server_header=False,
            timeout_graceful_shutdown=GRACE_S,
            proxy_headers=False,
        )
        self._server = uvicorn.Server(config)
        self._place = place

    def stop(self, timeout_s: float | None = STOP_S) -> bool:
        """End every line, and let go of the socket."""
        self._server.should_exit = True
        ended = super().stop(timeout_s)
        self._place.close()
        return ended

    def _serve(self) -> None:
        _log.info("serving at %s, port %d", *self._place.getsockname()[:2])
        self._server.run(sockets=[self._place])
