"""Who may come in. Any site that a browser has open can reach a page on this computer: so three things are looked at.

Host     the name or address that the page was asked for by: one that is ours (else some site has given its own name
         this computer's address)
Origin   where it is there, the very same; a websocket, and whatever is more than reading, must have one
token    in the address once, then in a cookie that only this server gets, and only from its own pages
"""

from __future__ import annotations

import ipaddress
import secrets
import socket
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlencode

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send
NOT_THIS_NAME = (
    "This page was asked for by a name that is not this computer's. Open it by the address that fingerlead printed."
)
NOT_FROM_THERE = "This was asked for from another site's page, and is not given out."
NO_TOKEN = (
    "fingerlead does not know this browser. Open the page by the whole address that fingerlead printed when it "
    "started: the part after token= lets you in."
)
LONGEST_HEADER = 4_096
POLICY_VIOLATED = 1008  # RFC 6455, section 7.4.1


def new_token() -> str:
    """A token that nobody can guess."""
    return secrets.token_urlsafe(24)


class Names:
    """Which Host headers are this server's: of a server that listens on this computer alone, only its own names.

    Of one that listens on the network, any address as well: a site can take a name for itself, but no address.
    """

    def __init__(self, address: str, port: int) -> None:
        self._port = port
        self._here_only = _is_loopback(address)
        names = {"localhost"}
        if not self._here_only:
            host = socket.gethostname().lower()
            names |= {address.lower(), host, f"{host.split('.')[0]}.local", f"{host.split('.')[0]}"}
        self._names = names

    def fits(self, host: str) -> bool:
        """Whether a Host header names this server."""
        name, port = _split(host.strip().lower())
        if name is None or port != self._port:
            return False
        if name in self._names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or not self._here_only


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address.lower() == "localhost"


def _split(host: str) -> tuple[str | None, int]:
    """A Host header as name and port, 80 where none is given; (None, 0) where it is neither."""
    name, colon, port = host.rpartition(":")
    if not colon or host.endswith("]"):
        name, port = host, "80"
    if name.startswith("[") and name.endswith("]"):
        name = name[1:-1]
    elif ":" in name:
        return None, 0
    if not name or not (port.isascii() and port.isdigit()) or len(port) > 5:
        return None, 0
    return name, int(port)


class Guard:
    """Stands before the whole app, websocket included, and puts the headers on that keep a page to itself."""

    def __init__(self, app: ASGIApp, token: str, cookie: str, fits: Callable[[str], bool]) -> None:
        self._app, self._token, self._cookie, self._fits = app, token, cookie, fits

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it with one sentence."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = _headers(scope)
        host = headers.get("host", "")
        refusal = self._refusal(scope, headers, host)
        if scope["type"] == "websocket":
            if refusal is not None:
                await receive()
                await send({"type": "websocket.close", "code": POLICY_VIOLATED, "reason": refusal[1]})
                return
            await self._app(scope, receive, send)
            return
        send = _with_headers(send, host if self._fits(host) else "")
        if refusal is None:
            await self._app(scope, receive, send)
        elif refusal[0] == 303:
            await _answer(send, 303, "", [("location", refusal[1]), ("set-cookie", self._set_cookie())])
        else:
            await _answer(send, refusal[0], refusal[1], [])

    def _refusal(self, scope: Scope, headers: dict[str, str], host: str) -> tuple[int, str] | None:
        """Status and sentence of a refusal; 303 and an address for whoever brings the token; None to let through."""
        if not self._fits(host):
            return 403, NOT_THIS_NAME
        origin = headers.get("origin")
        only_read = scope["type"] == "http" and scope["method"] in ("GET", "HEAD")
        if not (only_read if origin is None else _same(origin, host)):
            return 403, NOT_FROM_THERE
        if only_read:
            brought = parse_qs(scope["query_string"].decode("latin-1")[:LONGEST_HEADER])
            if self._is_token(brought.pop("token", [""])[0]):
                rest = urlencode(brought, doseq=True)
                # Within this server, whatever the path looks like.
                return 303, "/" + scope["path"].lstrip("/\\") + (f"?{rest}" if rest else "")
        if not self._is_token(_cookie(headers.get("cookie", ""), self._cookie)):
            return 401, NO_TOKEN
        return None

    def _is_token(self, text: str) -> bool:
        return secrets.compare_digest(text.encode("utf-8", "replace"), self._token.encode())

    def _set_cookie(self) -> str:
        return f"{self._cookie}={self._token}; Path=/; HttpOnly; SameSite=Strict"


def _headers(scope: Scope) -> dict[str, str]:
    """Header values by name; one that comes twice is nobody's, and empty."""
    headers: dict[str, str] = {}
    for name, value in scope["headers"]:
        key = name.decode("latin-1").lower()
        if key == "cookie" and key in headers:
            headers[key] += "; " + value.decode("latin-1")[:LONGEST_HEADER]
        else:
            headers[key] = "" if key in headers else value.decode("latin-1")[:LONGEST_HEADER]
    return headers


def _same(origin: str, host: str) -> bool:
    return origin.lower() in (f"http://{host.lower()}", f"https://{host.lower()}")


def _cookie(header: str, name: str) -> str:
    try:
        found = SimpleCookie(header).get(name)
    except CookieError:
        return ""
    return "" if found is None else found.value


def _with_headers(send: Send, host: str) -> Send:
    lines = f" ws://{host} wss://{host}" if host else ""
    policy = (
        f"default-src 'self'; connect-src 'self'{lines}; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )
    added = [
        (b"content-security-policy", policy.encode("latin-1")),
        (b"x-frame-options", b"DENY"),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"same-origin"),
        (b"cross-origin-resource-policy", b"same-origin"),
        (b"cache-control", b"no-store"),
    ]

    async def sending(message: dict[str, object]) -> None:
        if message["type"] == "http.response.start":
            there = list(message.get("headers", []))  # type: ignore[call-overload]
            names = {name.lower() for name, _ in there}
            message = {**message, "headers": there + [header for header in added if header[0] not in names]}
        await send(message)

    return sending  # type: ignore[return-value]


async def _answer(send: Send, status: int, text: str, headers: list[tuple[str, str]]) -> None:
    lines = [("content-type", "text/plain; charset=utf-8"), ("content-length", str(len(text.encode()))), *headers]
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(name.encode("latin-1"), value.encode("latin-1")) for name, value in lines],
        }
    )
    await send({"type": "http.response.body", "body": text.encode()})
