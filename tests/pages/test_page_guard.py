"""The guard: no page of another site, no other name for this computer, and no request without a secret comes in."""

from __future__ import annotations

import asyncio
import json
from itertools import product
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from fingerlead.faces.pages import practice
from fingerlead.faces.pages.kit import guard
from fingerlead.faces.pages.kit.app import page_app
from fingerlead.faces.pages.kit.guard import (
    LASTING,
    MOST_PAGES,
    MOST_TICKETS,
    NO_SECRET,
    NOT_FROM_THERE,
    NOT_THIS_NAME,
    POLICY_VIOLATED,
    UNKNOWN_LINE,
    Guard,
    Names,
    Secrets,
)

PORT = 8730
HOST = f"127.0.0.1:{PORT}"


def side(name: str) -> Any:
    """An app that notes in the scope that it was reached, and with which first message."""

    async def app(scope: Any, receive: Any, send: Any) -> None:
        scope["reached"] = name
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": [(b"content-type", b"text/html")]})
            await send({"type": "http.response.body", "body": name.encode()})
        else:
            scope["first"] = await receive()
            await send({"type": "websocket.accept"})
            await send({"type": "websocket.send", "text": name})

    return app


OUTSIDE, INSIDE = side("outside"), side("inside")
GUARD = Guard(OUTSIDE, INSIDE, "127.0.0.1", PORT)
TOKEN, SECRET = GUARD.token, GUARD._secrets.give()
OURS = ("origin", f"http://{HOST}")
KNOWN = [("host", HOST), ("authorization", f"Bearer {SECRET}")]
NOTHING: list[Any] = []


def ask(
    headers: list[tuple[str, str]],
    path: str = "/",
    query: str = "",
    method: str = "GET",
    kind: str = "http",
    says: list[Any] = NOTHING,
    of: Guard = GUARD,
) -> tuple[list[dict[str, Any]], str]:
    """What goes out, and which app behind the guard was reached; `says` are the body's parts, or a line's messages."""
    sent: list[dict[str, Any]] = []
    if kind == "http":
        parts = [{"type": "http.request", "body": each, "more_body": True} for each in says]
        coming = iter([*parts, {"type": "http.request", "body": b""}])
    else:
        coming = iter([{"type": "websocket.connect"}, *({"type": "websocket.receive", **each} for each in says)])

    async def receive() -> dict[str, Any]:
        message = next(coming, None)
        if message is None:
            await asyncio.Event().wait()
        assert message is not None
        return message

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "query_string": query.encode("latin-1", "replace"),
        "headers": [(name.encode("latin-1"), value.encode("utf-8")) for name, value in headers],
    }
    asyncio.run(of(scope, receive, send))
    assert scope.get("first", {"type": "websocket.connect"}) == {"type": "websocket.connect"}
    return sent, str(scope.get("reached", ""))


def enters(secret: Any) -> list[dict[str, Any]]:
    """What a page's websocket says first."""
    return [{"text": json.dumps({"kind": "enter", "secret": secret})}]


def status_and_text(sent: list[dict[str, Any]]) -> tuple[int, str]:
    return sent[0]["status"], sent[1]["body"].decode()


def test_a_page_that_shows_its_secret_comes_in():
    sent, reached = ask(KNOWN)
    assert reached == "inside"
    assert sent[0]["status"] == 200
    sent, reached = ask([("host", HOST), OURS], kind="websocket", says=enters(SECRET))
    assert reached == "inside"
    assert [message["type"] for message in sent] == ["websocket.accept", "websocket.send"]


def test_the_token_of_the_address_is_exchanged_for_a_new_secret_each_time():
    assert GUARD.way_in == f"/#{TOKEN}"
    given = []
    for parts in ([TOKEN.encode()], [TOKEN[:5].encode(), TOKEN[5:].encode()]):
        sent, reached = ask([("host", HOST), OURS], "/enter", method="POST", says=parts)
        assert not reached
        assert sent[0]["status"] == 200
        given.append(sent[1]["body"].decode())
        assert ask([("host", HOST), ("authorization", f"Bearer {given[-1]}")])[1] == "inside"
    assert len({TOKEN, SECRET, *given}) == 4


@given(st.lists(st.binary(max_size=60), max_size=8) | st.just([TOKEN.encode()] * 40))
@example([])
@example([TOKEN.encode(), b" "])
@example([TOKEN[:-1].encode()])
@example([SECRET.encode()])
@example([b"x" * 70_000, TOKEN.encode()])
def test_nothing_but_the_token_gets_a_secret(parts):
    sent, reached = ask([("host", HOST), OURS], "/enter", method="POST", says=parts)
    assert not reached
    assert status_and_text(sent) == (401, NO_SECRET)


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def enter(of: Guard, brought: str) -> tuple[int, str, str | None]:
    """The status, the text, and the token that a page is told that comes in."""
    sent, reached = ask([("host", HOST), OURS], "/enter", method="POST", says=[brought.encode()], of=of)
    assert not reached
    told = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    return *status_and_text(sent), told.get(LASTING)


def test_a_way_in_for_once_opens_once_and_tells_the_token():
    of = Guard(OUTSIDE, INSIDE, "127.0.0.1", PORT)
    ticket = of.way_in_once().removeprefix("/#")
    assert ticket != of.token
    status, secret, told = enter(of, ticket)
    assert (status, told) == (200, of.token)
    assert ask([("host", HOST), ("authorization", f"Bearer {secret}")], of=of)[1] == "inside"
    assert enter(of, ticket) == (401, NO_SECRET, None)
    status, again, told = enter(of, of.token)
    assert (status, told) == (200, None)
    assert again != secret


def test_of_too_many_ways_in_for_once_the_first_gives_way():
    of = Guard(OUTSIDE, INSIDE, "127.0.0.1", PORT)
    tickets = [of.way_in_once().removeprefix("/#") for _ in range(MOST_TICKETS + 1)]
    assert [enter(of, ticket)[0] for ticket in tickets] == [401, *[200] * MOST_TICKETS]


@pytest.mark.parametrize("method", ["GET", "HEAD"])
@pytest.mark.parametrize(
    "headers", [[("cookie", f"fingerlead-{PORT}={TOKEN}")], [("authorization", f"Bearer {TOKEN}")]]
)
def test_the_token_itself_lets_nothing_in(method, headers):
    assert ask([("host", HOST), *headers], "/enter", f"token={TOKEN}", method)[1] == "outside"


def test_of_too_many_pages_the_one_that_asked_longest_ago_falls_out():
    secrets = Secrets()
    first, second, *_ = [secrets.give() for _ in range(MOST_PAGES)]
    assert secrets.knows(first)
    third = secrets.give()
    assert not secrets.knows(second)
    assert secrets.knows(first)
    assert secrets.knows(third)
    assert len(secrets._live) == MOST_PAGES


HOSTS = {HOST: True, f"localhost:{PORT}": True, "evil.example": False, f"evil.example:{PORT}": False, "": False}
ORIGINS = {None: None, "ours": True, "null": False, "http://evil.example": False, "http://127.0.0.1:9999": False}
HEADERS = {
    f"Bearer {SECRET}": True, f"bearer {SECRET}": False, f"Basic {SECRET}": False, f"Bearer {SECRET} ": False,
    f"Bearer  {SECRET}": False, "Bearer ": False, "Bearer": False, SECRET: False, f"Bearer {SECRET[:-1]}": False,
    f"Bearer {TOKEN}": False, None: False,
}  # fmt: skip


@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "get", "X"])
def test_only_the_right_name_place_and_secret_together_reach_the_inside(method):
    for (host, named), (origin, same), (header, secret), path in product(
        HOSTS.items(), ORIGINS.items(), HEADERS.items(), ("/", "/take/1.wav", "/enter/", "//enter", "/ENTER")
    ):
        headers = [("host", host)] if host else []
        if origin is not None:
            headers.append(("origin", f"http://{host}" if origin == "ours" else origin))
        if header is not None:
            headers.append(("authorization", header))
        from_here = method in ("GET", "HEAD") if same is None else same
        wanted = ("inside" if secret else "outside") if named and from_here else ""
        sent, reached = ask(headers, path, method=method)
        assert reached == wanted, (host, origin, header, path)
        if not reached:
            assert status_and_text(sent) == (403, NOT_FROM_THERE if named else NOT_THIS_NAME)


@given(secret=st.text(max_size=40) | st.sampled_from(["", TOKEN, SECRET[:-1], SECRET + "x"]))
def test_no_request_comes_in_without_a_secret(secret):
    if secret == SECRET:
        return
    query = f"token={TOKEN}&secret={SECRET}"
    headers = [("host", HOST), OURS, ("authorization", f"Bearer {secret}"), ("cookie", f"fingerlead-{PORT}={secret}")]
    assert ask(headers, query=query)[1] == "outside"


FIRSTS = st.one_of(
    st.text(max_size=40).map(lambda text: {"text": text}),
    st.binary(max_size=40).map(lambda data: {"bytes": data}),
    st.sampled_from([{}, {"text": None}, {"text": None, "bytes": None}, {"text": "[" * 1_999}]),
    (st.text(max_size=40) | st.none() | st.integers() | st.lists(st.text(max_size=3), max_size=2) | st.just(TOKEN)).map(
        lambda secret: enters(secret)[0]
    ),
)


@given(FIRSTS)
@example({"text": json.dumps({"kind": "all", "secret": SECRET})})
@example({"text": json.dumps({"secret": SECRET})})
@example({"text": SECRET})
@example({"text": json.dumps({"kind": "enter", "secret": SECRET, "more": "x" * 2_000})})
def test_no_line_comes_in_whose_first_message_shows_no_secret(first):
    headers = [("host", HOST), OURS, ("authorization", f"Bearer {SECRET}"), ("cookie", f"fingerlead-{PORT}={SECRET}")]
    sent, reached = ask(headers, query=f"secret={SECRET}", kind="websocket", says=[first, *enters(SECRET)])
    assert not reached
    assert sent[1:] == [{"type": "websocket.close", "code": POLICY_VIOLATED, "reason": UNKNOWN_LINE}]


def test_a_line_that_says_nothing_is_ended(monkeypatch):
    monkeypatch.setattr(guard, "ENTER_WITHIN_S", 0.01)
    sent, reached = ask([("host", HOST), OURS], kind="websocket")
    assert not reached
    assert sent[-1] == {"type": "websocket.close", "code": POLICY_VIOLATED, "reason": UNKNOWN_LINE}


def test_a_line_that_is_gone_before_it_says_anything_is_told_nothing():
    sent, reached = ask([("host", HOST), OURS], kind="websocket", says=[{"type": "websocket.disconnect"}])
    assert not reached
    assert sent == [{"type": "websocket.accept"}]


@given(st.text(alphabet="/\\.:@abc%holdkit", max_size=12), st.booleans())
def test_no_answer_leads_to_another_site(path, known):
    async def page(request: Any) -> Any:
        return PlainTextResponse("a page")

    app = page_app(practice.__name__, [Route(address, page) for address in ("/", "/hold", "/abc/{b}")], [])
    of = Guard(app.outside, app.inside, "127.0.0.1", PORT)
    headers = [("host", HOST), ("authorization", f"Bearer {of._secrets.give() if known else ''}")]
    sent, _ = ask(headers, f"/{path}", of=of)
    to = dict(sent[0]["headers"]).get(b"location", b"").decode()
    # A browser reads // and /\ at the head as the name of another computer (URL standard, relative slash state).
    assert not to or to.startswith(f"http://{HOST}/"), to


@pytest.mark.parametrize(
    "host",
    [
        "",
        "evil.example",
        f"evil.example:{PORT}",
        "127.0.0.1",
        "127.0.0.1:80",
        f"192.168.1.7:{PORT}",
        f"localhost.evil.example:{PORT}",
        f"127.0.0.1.evil.example:{PORT}",
        f"{HOST}@evil.example",
        f"evil.example#{HOST}",
        f"[::1:{PORT}",
        f"0x7f000001:{PORT}",
        f"127.0.0.1:{PORT}0",
    ],
)
@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_a_request_by_another_name_is_refused_even_with_a_secret(host, kind):
    headers = [("host", host), ("origin", f"http://{host}"), KNOWN[1]]
    sent, reached = ask(headers, kind=kind, says=enters(SECRET) if kind == "websocket" else [])
    assert not reached
    if kind == "http":
        assert status_and_text(sent) == (403, NOT_THIS_NAME)


@pytest.mark.parametrize("host", [HOST, f"localhost:{PORT}", f"LOCALHOST:{PORT}", f"[::1]:{PORT}", f"127.1.2.3:{PORT}"])
def test_all_names_of_this_computer_fit(host):
    assert Names("127.0.0.1", PORT).fits(host)


def test_a_server_on_the_network_takes_any_address_but_no_foreign_name():
    names = Names("0.0.0.0", PORT)
    assert names.fits(f"192.168.1.7:{PORT}")
    assert names.fits(f"[fd00::7]:{PORT}")
    assert not names.fits(f"evil.example:{PORT}")
    assert not names.fits("192.168.1.7:80")


@pytest.mark.parametrize("address", ["127.0.0.1", "::"])
def test_an_address_with_a_zone_gets_nothing_into_the_policy(address):
    assert not Names(address, PORT).fits(f"[::1%; default-src *]:{PORT}")


@pytest.mark.parametrize("port", [80, 443])
def test_the_port_of_http_or_https_may_be_left_out_as_browsers_do(port):
    assert Names("127.0.0.1", port).fits("localhost")
    assert Names("127.0.0.1", port).fits("[::1]")
    assert Names("127.0.0.1", port).fits(f"localhost:{port}")
    assert not Names("127.0.0.1", port).fits("localhost:8730")
    assert not Names("127.0.0.1", PORT).fits("localhost")


@given(st.text(max_size=60))
def test_no_host_header_upsets_it(host):
    Names("127.0.0.1", PORT).fits(host)
    Names("0.0.0.0", PORT).fits(host)


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1", "http://127.0.0.1:9999", ""])
@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_a_request_from_another_sites_page_is_refused_even_with_a_secret(origin, kind):
    sent, reached = ask([*KNOWN, ("origin", origin)], kind=kind, says=enters(SECRET) if kind == "websocket" else [])
    assert not reached
    if kind == "http":
        assert status_and_text(sent) == (403, NOT_FROM_THERE)
    else:
        assert sent == [{"type": "websocket.close", "code": POLICY_VIOLATED, "reason": NOT_FROM_THERE}]


def test_a_websocket_without_origin_is_no_browsers():
    assert not ask(KNOWN, kind="websocket", says=enters(SECRET))[1]
    assert ask([*KNOWN, OURS], kind="websocket", says=enters(SECRET))[1] == "inside"


def test_more_than_reading_needs_an_origin_of_our_own():
    assert not ask(KNOWN, method="POST")[1]
    assert ask([*KNOWN, OURS], method="POST")[1] == "inside"
    assert not ask([*KNOWN, ("origin", "http://evil.example")], method="POST")[1]


@pytest.mark.parametrize("twice", ["host", "origin", "authorization"])
def test_a_header_that_comes_twice_counts_for_nothing(twice):
    value = {"host": HOST, "origin": f"http://{HOST}", "authorization": f"Bearer {SECRET}"}[twice]
    headers = (
        [*KNOWN, (twice, value)] if twice in ("host", "authorization") else [*KNOWN, (twice, value), (twice, value)]
    )
    assert ask(headers)[1] == ("outside" if twice == "authorization" else "")


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["host", "origin", "cookie", "authorization", "x"]),
            st.text(max_size=80).map(lambda t: t.strip()),
        ),
        max_size=6,
    ),
    st.text(max_size=30),
)
def test_no_headers_and_no_query_upset_it(headers, query):
    sent, reached = ask(headers, query=query)
    assert reached != "inside"
    assert reached or sent[0]["status"] == 403


@pytest.mark.parametrize("headers", [KNOWN, [("host", HOST)], [("host", "evil.example")], [*KNOWN, OURS]])
@pytest.mark.parametrize(("path", "method"), [("/", "GET"), ("/enter", "POST")])
def test_every_answer_keeps_to_itself_and_none_sets_a_cookie(headers, path, method):
    sent, _ = ask(headers, path, method=method, says=[TOKEN.encode()])
    told = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    policy = told["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert "evil" not in policy
    assert told["x-frame-options"] == "DENY"
    assert told["x-content-type-options"] == "nosniff"
    assert told["referrer-policy"] in ("no-referrer", "same-origin")
    assert told["cache-control"] == "no-store"
    assert "set-cookie" not in told


def test_tokens_are_long_and_never_the_same():
    tokens = {Guard(OUTSIDE, INSIDE, "127.0.0.1", PORT).token for _ in range(100)}
    assert len(tokens) == 100
    # 128 bits at least, at six bits a letter.
    assert min(map(len, tokens)) * 6 >= 128
