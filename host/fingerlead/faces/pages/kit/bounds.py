"""What stands before a whole app: how long a request's body may be and may take, counted as it streams in."""

import asyncio
from collections.abc import Mapping
from fnmatch import fnmatchcase

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fingerlead.faces.pages.kit.door import Connection, connection_of

# Of a form or a message; a page names what may be longer.
MOST_BYTES = 1 << 16
# A body has this long, and longer only as fast as it comes.
BODY_S = 15.0
SLOWEST_BYTES_A_S = 1 << 14
# Digits of a size that a request declares.
LONGEST_NUMBER = 15

NO_ADDRESS = "This address has signs in it that no address of fingerlead has. Open the page at / instead."
NOT_COME = "The rest of what was being sent did not come; send it again"


class Bounds:
    """Hands requests on to an app, and their bodies piece by piece as far as they may go.

    `most_bytes` are the greatest bodies by the pattern of their path, such as `/pupil/*/take-in`.
    """

    def __init__(self, app: ASGIApp, most_bytes: Mapping[str, int]) -> None:
        self._app, self._most_bytes = app, most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hand a request on; what asks for too much ends in a sentence where its body is read."""
        connection, clock = connection_of(scope), asyncio.get_running_loop().time
        if connection is not None:
            connection.begin(scope["type"] == "websocket", clock())
        try:
            if scope["type"] != "http":
                await self._app(scope, _heard(connection, receive), send)
            elif scope["path"].isprintable():
                await self._app(scope, self._counted(scope, receive), send)
            else:
                await PlainTextResponse(NO_ADDRESS, 400)(scope, receive, send)
        except HTTPException as refused:
            # Where the body was read before the app, which answers its own.
            await PlainTextResponse(f"{refused.detail}.", refused.status_code)(scope, receive, send)
        finally:
            if connection is not None:
                connection.finish(clock())

    def _counted(self, scope: Scope, receive: Receive) -> Receive:
        """`receive` that raises HTTPException where a body is too long, or too slow."""
        matching = (most for pattern, most in self._most_bytes.items() if fnmatchcase(scope["path"], pattern))
        most = next(matching, MOST_BYTES)
        declared = Headers(scope=scope).get("content-length", "0")
        clock = asyncio.get_running_loop().time
        begun_s, count, more = clock(), 0, True

        async def counted() -> Message:
            nonlocal count, more
            if not more:
                # Only the end of the connection can come now.
                return await receive()
            if not declared.isdecimal() or len(declared) > LONGEST_NUMBER or int(declared) > most:
                raise _too_much(most)
            until_s = begun_s + BODY_S + count / SLOWEST_BYTES_A_S
            try:
                message = await asyncio.wait_for(receive(), max(until_s - clock(), 0.001))
            except TimeoutError:
                raise HTTPException(408, NOT_COME) from None
            count += len(message.get("body", b""))
            more = bool(message.get("more_body", False))
            if count > most:
                raise _too_much(most)
            return message

        return counted


def _heard(connection: Connection | None, receive: Receive) -> Receive:
    """`receive` of a websocket that notes each message at its connection."""

    async def heard() -> Message:
        message = await receive()
        if connection is not None:
            connection.hear_message()
        return message

    return heard


def _too_much(most: int) -> HTTPException:
    size = f"{most >> 20} MiB" if most >> 20 else f"{most >> 10} KiB"
    return HTTPException(413, f"Expected at most {size} at once; got more. Send less, or in several parts")
