"""The guard: no page of another site, no other name for this computer, and no request without the token comes in."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fingerlead.faces.pages.kit.guard import NO_TOKEN, NOT_FROM_THERE, NOT_THIS_NAME, Guard, Names

PORT = 8730
HOST = f"127.0.0.1:{PORT}"


async def behind(scope: Any, receive: Any, send: Any) -> None:
    scope["reached"] = True
    if scope["type"] == "http":
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-type", b"text/html")]})
        await send({"type": "http.response.body", "body": b"inside"})


GUARD = Guard(behind, "127.0.0.1", PORT)
TOKEN, COOKIE = GUARD.token, GUARD.cookie
LET_IN = [("host", HOST), ("cookie", f"{COOKIE}={TOKEN}")]


def ask(
    headers: list[tuple[str, str]], path: str = "/", query: str = "", method: str = "GET", kind: str = "http"
) -> tuple[list[dict[str, Any]], bool]:
    """What goes out, and whether the app behind the guard was reached."""
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": f"{kind}.connect" if kind == "websocket" else "http.request"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "query_string": query.encode("latin-1", "replace"),
        "headers": [(name.encode("latin-1"), value.encode("utf-8")) for name, value in headers],
    }
    asyncio.run(GUARD(scope, receive, send))
    return sent, scope.get("reached", False)


def status_and_text(sent: list[dict[str, Any]]) -> tuple[int, str]:
    return sent[0]["status"], sent[1]["body"].decode()


def test_a_browser_that_has_the_cookie_comes_in():
    sent, reached = ask(LET_IN)
    assert reached
    assert sent[0]["status"] == 200


def test_the_token_in_the_address_is_changed_for_a_cookie_and_leaves_the_address():
    sent, reached = ask([("host", HOST)], path="/hold", query=f"token={TOKEN}&a=1")
    headers = dict(sent[0]["headers"])
    assert GUARD.way_in == f"/?token={TOKEN}"
    assert not reached
    assert sent[0]["status"] == 303
    assert headers[b"location"] == b"/hold?a=1"
    cookie = headers[b"set-cookie"].decode()
    assert cookie == f"{COOKIE}={TOKEN}; Path=/; HttpOnly; SameSite=Strict"


@given(st.text(alphabet="/\\.:@abc%", max_size=12))
def test_the_way_on_from_the_token_never_leads_to_another_site(path):
    sent, _ = ask([("host", HOST)], path="/" + path, query=f"token={TOKEN}")
    location = dict(sent[0]["headers"])[b"location"].decode()
    # A browser reads // and /\ at the head as the name of another computer (URL standard, relative slash state).
    assert location.startswith("/")
    assert not location.startswith(("//", "/\\"))


@pytest.mark.parametrize("kind", ["http", "websocket"])
@given(token=st.text(max_size=40))
@example(token="")
@example(token=TOKEN[:-1])
@example(token=TOKEN + "x")
def test_no_request_comes_in_without_the_token(kind, token):
    if token == TOKEN:
        return
    headers = [("host", HOST), ("origin", f"http://{HOST}"), ("cookie", f"{COOKIE}={token}")]
    sent, reached = ask(headers, query=f"token={token}", kind=kind)
    assert not reached
    if kind == "http":
        assert status_and_text(sent) == (401, NO_TOKEN)
    else:
        assert sent[0]["type"] == "websocket.close"


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
def test_a_request_by_another_name_is_refused_even_with_the_token(host, kind):
    headers = [("host", host), ("origin", f"http://{host}"), LET_IN[1]]
    sent, reached = ask(headers, kind=kind)
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


def test_port_80_may_be_left_out_as_browsers_do():
    assert Names("127.0.0.1", 80).fits("localhost")
    assert Names("127.0.0.1", 80).fits("[::1]")


@given(st.text(max_size=60))
def test_no_host_header_upsets_it(host):
    Names("127.0.0.1", PORT).fits(host)
    Names("0.0.0.0", PORT).fits(host)


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1", "http://127.0.0.1:9999", ""])
@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_a_request_from_another_sites_page_is_refused_even_with_the_token(origin, kind):
    sent, reached = ask([*LET_IN, ("origin", origin)], kind=kind)
    assert not reached
    if kind == "http":
        assert status_and_text(sent) == (403, NOT_FROM_THERE)


def test_a_websocket_without_origin_is_no_browsers():
    assert not ask(LET_IN, kind="websocket")[1]
    assert ask([*LET_IN, ("origin", f"http://{HOST}")], kind="websocket")[1]


def test_more_than_reading_needs_an_origin_of_our_own():
    assert not ask(LET_IN, method="POST")[1]
    assert ask([*LET_IN, ("origin", f"http://{HOST}")], method="POST")[1]
    assert not ask([*LET_IN, ("origin", "http://evil.example")], method="POST")[1]


@pytest.mark.parametrize("twice", ["host", "origin"])
def test_a_header_that_comes_twice_counts_for_nothing(twice):
    value = HOST if twice == "host" else f"http://{HOST}"
    headers = [*LET_IN, (twice, value)] if twice == "host" else [*LET_IN, (twice, value), (twice, value)]
    assert not ask(headers)[1]


@given(
    st.lists(
        st.tuples(st.sampled_from(["host", "origin", "cookie", "x"]), st.text(max_size=80).map(lambda t: t.strip())),
        max_size=6,
    ),
    st.text(max_size=30),
)
def test_no_headers_and_no_query_upset_it(headers, query):
    sent, reached = ask(headers, query=query)
    assert not reached
    assert sent[0]["status"] in (401, 403)


@pytest.mark.parametrize("headers", [LET_IN, [("host", HOST)], [("host", "evil.example")]])
def test_every_answer_keeps_to_itself(headers):
    sent, _ = ask(headers)
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


def test_tokens_are_long_and_never_the_same():
    tokens = {Guard(behind, "127.0.0.1", PORT).token for _ in range(100)}
    assert len(tokens) == 100
    # 128 bits at least, at six bits a letter.
    assert min(map(len, tokens)) * 6 >= 128
