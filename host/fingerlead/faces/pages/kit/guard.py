"""Who may come in. Any site that a browser has open can reach a page on this computer, so three things are checked.

Host     the name or address that the page was asked for by: it must be one of this server's, else some site has given
         its own name this computer's address
Origin   where there is one, the very same; a websocket, and whatever does more than read, must have one
token    in the address once, then in a cookie that only this server gets, and only from its own pages
"""

import ipaddress
import secrets
import socket
from urllib.parse import parse_qs, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fingerlead.faces.pages.kit.door import let_in
from fingerlead.faces.pages.kit.place import is_loopback

NOT_THIS_NAME = (
    "This page was asked for by a name that is not this computer's. Open it by the address that fingerlead printed."
)
NOT_FROM_THERE = "This was asked for from another site's page, and is not given out."
NO_TOKEN = (
    "fingerlead does not know this browser. Open the page by the whole address that fingerlead printed when it "
    "started: the part after token= lets you in."
)
LONGEST_QUERY = 4_096
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
    """Stands before a whole app, websocket included, and adds the headers that keep a page to itself.

    `address` and `port` are where the server listens; `token` is what the page's address brings, new each time.
    """

    def __init__(self, app: ASGIApp, address: str, port: int) -> None:
        self._app, self._names = app, Names(address, port)
        self.token = secrets.token_urlsafe(24)
        self.cookie = f"fingerlead-{port}"

    @property
    def way_in(self) -> str:
        """What the address printed for the player ends with."""
        return f"/?token={self.token}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it with one sentence."""
        if scope["type"] == "http":
            headers = Headers(scope=scope)
            host = _only(headers, "host")
            send = _keeping_apart(send, host if self._names.fits(host) else "")
            answer = self._refusal(scope, headers) or self._let_in(scope) or self._unknown(scope, headers) or self._app
            await answer(scope, receive, send)
        elif scope["type"] == "websocket":
            headers = Headers(scope=scope)
            refusal = self._refusal(scope, headers) or self._unknown(scope, headers)
            if refusal is None:
                await self._app(scope, receive, send)
            else:
                await receive()
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

    def _let_in(self, scope: Scope) -> Response | None:
        """The answer to a request that brings the token: a cookie, and the same address without it."""
        brought = parse_qs(scope["query_string"].decode("latin-1")[:LONGEST_QUERY])
        if not _only_reads(scope) or not self._is_token(brought.pop("token", [""])[0]):
            return None
        let_in(scope)
        rest = urlencode(brought, doseq=True)
        # Within this server, whatever the path looks like.
        address = "/" + scope["path"].lstrip("/\\") + (f"?{rest}" if rest else "")
        cookie = f"{self.cookie}={self.token}; Path=/; HttpOnly; SameSite=Strict"
        return RedirectResponse(address, 303, headers={"set-cookie": cookie})

    def _unknown(self, scope: Scope, headers: Headers) -> Response | None:
        """The answer to a request without the cookie."""
        cookies = cookie_parser("; ".join(headers.getlist("cookie")))
        if not self._is_token(cookies.get(self.cookie, "")):
            return PlainTextResponse(NO_TOKEN, 401)
        let_in(scope)
        return None

    def _is_token(self, text: str) -> bool:
        return secrets.compare_digest(text.encode("utf-8", "replace"), self.token.encode())


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
