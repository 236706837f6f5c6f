"""Who may come in. Any site that a browser has open can reach a page on this computer, so three things are checked.

Host     the name or address that the page was asked for by: it must be one of this server's, else some site has given
         its own name this computer's address
Origin   where there is one, the very same; a websocket, and whatever does more than read, must have one
secret   of one load of a page: in a header of each request, and in the first message of a websocket

A page gets its secret for the token, which its address brings in the fragment. A browser sends a fragment to no server
and shows it to no other site; a cookie would go to every server of this computer, for cookies know no ports. Without a
secret a browser gets only what tells nothing of any player: the app that stands outside.
"""

import asyncio
import ipaddress
import secrets
import socket
from collections import deque

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fingerlead.faces.pages.kit.door import let_in
from fingerlead.faces.pages.kit.place import is_loopback
from fingerlead.faces.pages.kit.requests import RequestError, read_message

NOT_THIS_NAME = (
    "This page was asked for by a name that is not this computer's. Open it by the address that fingerlead printed."
)
NOT_FROM_THERE = "This was asked for from another site's page, and is not given out."
NO_SECRET = (
    "fingerlead does not know this page. Open it by the whole address that fingerlead printed when it started: the "
    "part after # lets you in."
)
# A websocket ends with at most 123 bytes (RFC 6455, section 5.5).
UNKNOWN_LINE = "fingerlead does not know this page."
ENTRY = "/enter"
SCHEME = "Bearer"  # RFC 6750: the header is Authorization
MOST_PAGES = 64
# Ways in that were given out and not used.
MOST_TICKETS = 4
# The header with which a page that came in by one of them is told the token.
LASTING = "fingerlead-token"
ENTER_WITHIN_S = 5.0
LEFT_OUT = (80, 443)  # the ports that a browser leaves out, of http and of https
POLICY_VIOLATED = 1008  # RFC 6455, section 7.4.1
# What keeps a page to itself, beside the policy.
KEPT_APART = {
    "x-frame-options": "DENY",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Names:
    """Which Host headers are this server's: of a server that listens on this computer alone, only its own names.

    Of one that listens on the network, any address as well: a site can take a name for itself, but no address.
    """

    def __init__(self, address: str, port: int) -> None:
        self._port = port
        self._here_only = is_loopback(address)
        self._names = {"localhost"}
        if not self._here_only:
            host = socket.gethostname().lower()
            short = host.split(".")[0]
            self._names |= {address.lower(), host, short, f"{short}.local"}

    def fits(self, host: str) -> bool:
        """Whether a Host header names this server."""
        name, port = _split(host.strip().lower(), self._port if self._port in LEFT_OUT else LEFT_OUT[0])
        if name is None or port != self._port:
            return False
        if name in self._names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        # A zone (RFC 4007) may be any text, and no browser sends one: it must not get into the policy.
        return "%" not in name and (address.is_loopback or not self._here_only)


def _split(host: str, usual: int) -> tuple[str | None, int]:
    """A Host header as name and port, the usual one where none is given; (None, 0) where it is neither."""
    name, colon, port = host.rpartition(":")
    if not colon or host.endswith("]"):
        name, port = host, str(usual)
    if name.startswith("[") and name.endswith("]"):
        name = name[1:-1]
    elif ":" in name:
        return None, 0
    if not name or not (port.isascii() and port.isdigit()) or len(port) > 5:
        return None, 0
    return name, int(port)


class Secrets:
    """The secrets of the pages that came in; of too many, the one that was shown longest ago gives way."""

    def __init__(self) -> None:
        self._live: deque[bytes] = deque(maxlen=MOST_PAGES)

    def give(self) -> str:
        """A new secret."""
        secret = secrets.token_urlsafe(24)
        self._live.append(secret.encode())
        return secret

    def knows(self, text: str) -> bool:
        """Whether a text is one of the secrets."""
        # Each is compared to its end, whatever was found: the time that takes tells nothing.
        found = [secret for secret in self._live if secrets.compare_digest(secret, text.encode("utf-8", "replace"))]
        for secret in found:
            self._live.remove(secret)
            self._live.append(secret)
        return bool(found)


class Guard:
    """Stands before a page's two apps, websocket included, and adds the headers that keep a page to itself.

    `outside` answers those without a secret, and must hold nothing of any player; `inside` answers all others, and
    alone has a websocket. `address` and `port` are where the server listens; `token` is what the page's address brings,
    new each time.
    """

    def __init__(self, outside: ASGIApp, inside: ASGIApp, address: str, port: int) -> None:
        self._outside, self._inside, self._names = outside, inside, Names(address, port)
        self._secrets = Secrets()
        self._tickets: deque[bytes] = deque(maxlen=MOST_TICKETS)
        self.token = secrets.token_urlsafe(24)

    @property
    def way_in(self) -> str:
        """What the address printed for the player ends with."""
        return f"/#{self.token}"

    def way_in_once(self) -> str:
        """The same, good for one page: for an address that others may see, such as in a program's arguments.

        The page that comes in by it is told the token.
        """
        ticket = secrets.token_urlsafe(24)
        self._tickets.append(ticket.encode())
        return f"/#{ticket}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it with one sentence."""
        if scope["type"] == "http":
            headers = Headers(scope=scope)
            host = _only(headers, "host")
            send = _keeping_apart(send, host if self._names.fits(host) else "")
            answer = self._refusal(scope, headers) or await self._entered(scope, receive) or self._side(scope, headers)
            await answer(scope, receive, send)
        elif scope["type"] == "websocket":
            refusal = self._refusal(scope, Headers(scope=scope))
            await receive()
            if refusal is None:
                await self._hear_first(scope, receive, send)
            else:
                await send({"type": "websocket.close", "code": POLICY_VIOLATED, "reason": bytes(refusal.body).decode()})

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        """The answer to a request by a wrong name or from a wrong place."""
        host, origin = _only(headers, "host"), _only(headers, "origin")
        if not self._names.fits(host):
            return PlainTextResponse(NOT_THIS_NAME, 403)
        same = origin.lower() in (f"http://{host.lower()}", f"https://{host.lower()}")
        if not (same if "origin" in headers else _only_reads(scope)):
            return PlainTextResponse(NOT_FROM_THERE, 403)
        return None

    async def _entered(self, scope: Scope, receive: Receive) -> Response | None:
        """The answer to a page that comes in: a secret for its token."""
        if (scope["method"], scope["path"]) != ("POST", ENTRY):
            return None
        brought = await _body(receive)
        if secrets.compare_digest(brought, self.token.encode()):
            headers = {}
        else:
            tickets = [ticket for ticket in self._tickets if secrets.compare_digest(ticket, brought)]
            if not tickets:
                return unknown()
            self._tickets.remove(tickets[0])
            headers = {LASTING: self.token}
        let_in(scope)
        return PlainTextResponse(self._secrets.give(), headers=headers)

    def _side(self, scope: Scope, headers: Headers) -> ASGIApp:
        """The app that answers a request."""
        scheme, _, secret = _only(headers, "authorization").partition(" ")
        if scheme != SCHEME or not self._secrets.knows(secret):
            return self._outside
        let_in(scope)
        return self._inside

    async def _hear_first(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a websocket through once its first message has shown a secret."""
        await send({"type": "websocket.accept"})
        try:
            first = await asyncio.wait_for(receive(), ENTER_WITHIN_S)
        except TimeoutError:
            first = {"type": "websocket.receive"}
        if self._secrets.knows(_shown(first)):
            let_in(scope)
            await self._inside(scope, _after_connecting(receive), _accepted_already(send))
        elif first["type"] == "websocket.receive":
            await send({"type": "websocket.close", "code": POLICY_VIOLATED, "reason": UNKNOWN_LINE})


def unknown() -> Response:
    """The answer to a request without a secret, and to a wrong token."""
    return PlainTextResponse(NO_SECRET, 401, headers={"www-authenticate": SCHEME})


async def _body(receive: Receive) -> bytes:
    """The body of a request; how long it is and takes is bounded before the guard."""
    body, more = b"", True
    while more:
        message = await receive()
        body += bytes(message.get("body", b""))
        more = message.get("more_body", False)
    return body


def _shown(message: Message) -> str:
    """The secret that a websocket's first message shows; none where it is another message."""
    try:
        shown = read_message(message.get("text") or message.get("bytes") or b"")
    except RequestError:
        return ""
    secret = shown.get("secret")
    return secret if shown["kind"] == "enter" and isinstance(secret, str) else ""


def _after_connecting(receive: Receive) -> Receive:
    """Receives the same, for an app that has not seen the websocket connect."""
    connects = iter([{"type": "websocket.connect"}])

    async def receiving() -> Message:
        return next(connects, None) or await receive()

    return receiving


def _accepted_already(send: Send) -> Send:
    """Sends the same but the acceptance of the websocket, which has gone out."""

    async def sending(message: Message) -> None:
        if message["type"] != "websocket.accept":
            await send(message)

    return sending


def _only(headers: Headers, name: str) -> str:
    """The one value of a header; none where it comes twice."""
    values = headers.getlist(name)
    return values[0] if len(values) == 1 else ""


def _only_reads(scope: Scope) -> bool:
    return scope["type"] == "http" and scope["method"] in ("GET", "HEAD")


def _keeping_apart(send: Send, host: str) -> Send:
    """Sends the same with the headers that keep a page to itself; `host` is the name that the page's line goes to."""
    lines = f" ws://{host} wss://{host}" if host else ""
    policy = (
        f"default-src 'self'; connect-src 'self'{lines}; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in {"content-security-policy": policy, **KEPT_APART}.items():
                headers.setdefault(name, value)
        await send(message)

    return sending
