"""Bodies are counted as they stream in: what is too long, too slow or lies about its length ends in a sentence."""

from __future__ import annotations

import contextlib
import re
import socket
import time
from collections.abc import Iterator

import pytest
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from fingerlead.faces.pages.desk.routes import BODIES, opened
from fingerlead.faces.pages.kit import bounds
from fingerlead.faces.pages.kit.app import page_app
from fingerlead.faces.pages.kit.door import let_in
from fingerlead.faces.pages.kit.place import WebPlace, listen
from fingerlead.faces.pages.kit.server import Server
from fingerlead.faces.pages.workbench.page import PACKAGE
from tests.pages.page_tools import Online
from tests.waiting import PATIENCE_S, wait_for

LONG, SHORT = "/pupil/ab/take-in", "/pupil"
MOST_LONG = 1 << 20
FORM = "application/x-www-form-urlencoded"


async def count(request: Request) -> PlainTextResponse:
    total = 0
    async for piece in request.stream():
        total += len(piece)
    return PlainTextResponse(f"{total} bytes")


@pytest.fixture(scope="module")
def address() -> Iterator[tuple[str, int]]:
    app = page_app(PACKAGE, [], [Route(path, count, methods=["POST"]) for path in (LONG, SHORT)])

    async def let_all_in(scope, receive, send):
        let_in(scope)
        if scope["path"] == "/before":
            # A guard that reads the body itself.
            while (await receive()).get("more_body"):
                pass
        await app.inside(scope, receive, send)

    listening = listen(WebPlace())
    with Server(let_all_in, listening, most_bytes={"/pupil/*/take-in": MOST_LONG}):
        yield listening.getsockname()


def asked(address: tuple[str, int], path: str, headers: bytes, *body: bytes) -> str:
    """The whole answer to a request; what is left of its body once the answer has come is not sent."""
    with socket.create_connection(address, timeout=PATIENCE_S) as one:
        one.sendall(f"POST {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n".encode() + headers + b"\r\n")
        with contextlib.suppress(OSError):
            for piece in body:
                one.sendall(piece)
        heard = b""
        with contextlib.suppress(OSError):
            while piece := one.recv(65_536):
                heard += piece
                if b"\r\n\r\n" in heard and b" 100 " not in heard.split(b"\r\n")[0] and heard.endswith((b"s", b".")):
                    break
    return heard.decode()


def chunks(size: int, piece: int = 16_384) -> list[bytes]:
    """A body in chunks, without its end where it is too long for the test to want one."""
    return [b"%x\r\n" % piece + bytes(piece) + b"\r\n"] * (size // piece)


CHUNKED = b"Transfer-Encoding: chunked\r\n"


def declared(size: int) -> bytes:
    return f"Content-Length: {size}\r\n".encode()


def test_a_body_within_its_bounds_comes_through(address):
    assert asked(address, SHORT, declared(65_536), bytes(65_536)).endswith("65536 bytes")
    assert asked(address, LONG, declared(MOST_LONG), bytes(MOST_LONG)).endswith(f"{MOST_LONG} bytes")
    assert asked(address, LONG, CHUNKED, *chunks(MOST_LONG), b"0\r\n\r\n").endswith(f"{MOST_LONG} bytes")


@pytest.mark.parametrize(("path", "size"), [(SHORT, "64 KiB"), (LONG, "1 MiB"), ("/before", "64 KiB")])
def test_a_body_that_declares_too_much_is_refused_before_it_is_read(address, path, size):
    answer = asked(address, path, declared(MOST_LONG + 1))
    assert " 413 " in answer.splitlines()[0]
    assert answer.endswith(f"Expected at most {size} at once; got more. Send less, or in several parts.")


@pytest.mark.parametrize(("path", "size"), [(SHORT, "64 KiB"), (LONG, "1 MiB"), ("/before", "64 KiB")])
def test_a_body_in_chunks_that_never_says_its_length_is_counted(address, path, size):
    answer = asked(address, path, CHUNKED, *chunks(MOST_LONG + 65_536))
    assert " 413 " in answer.splitlines()[0]
    assert f"at most {size} at once" in answer


@pytest.mark.parametrize("path", [SHORT, "/before"])
@pytest.mark.parametrize("headers", [declared(10), CHUNKED])
def test_the_rest_of_a_body_is_not_waited_for_forever(address, monkeypatch, path, headers):
    monkeypatch.setattr(bounds, "BODY_S", 0.1)
    answer = asked(address, path, headers, b"5\r\nhello\r\n"[: 3 if headers != CHUNKED else None])
    assert " 408 " in answer.splitlines()[0]
    assert answer.endswith("send it again.")


def test_what_goes_on_coming_is_waited_for(address, monkeypatch):
    monkeypatch.setattr(bounds, "BODY_S", 0.3)
    monkeypatch.setattr(bounds, "SLOWEST_BYTES_A_S", 100)
    begun_s = time.monotonic()
    with socket.create_connection(address, timeout=PATIENCE_S) as one:
        one.sendall(f"POST {LONG} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n".encode() + declared(1_010) + b"\r\n")
        one.sendall(bytes(1_000))
        # Ten seconds are left of it; a third of a second was all that it had without these bytes.
        wait_for(lambda: time.monotonic() > begun_s + 0.5, "half a second")
        one.sendall(bytes(10))
        assert b" 200 " in one.recv(65_536)


@pytest.mark.parametrize(("path", "most"), [("take-in", 1 << 18), ("homework", BODIES["/pupil/*"])])
def test_an_upload_to_the_desk_in_chunks_ends_at_its_bound(tmp_path, monkeypatch, path, most):
    monkeypatch.setitem(BODIES, "/pupil/*/take-in", 1 << 18)
    with opened(tmp_path / "studio", None, WebPlace()) as page:
        desk = Online(page)
        key = re.search(r"/pupil/(\w+)", desk.post("/pupil", b"name=Ann", FORM).json()["next"])[1]
        begin = b'--x\r\nContent-Disposition: form-data; name="files"; filename="a.session"\r\n\r\n'
        sent = 0

        def upload() -> Iterator[bytes]:
            nonlocal sent
            yield begin
            for _ in range(4 * most // 16_384):
                sent += 16_384
                yield bytes(16_384)
            yield b"\r\n--x--\r\n"

        answer = desk.post(f"/pupil/{key}/{path}", upload(), "multipart/form-data; boundary=x")
        assert answer.status_code == 413
        assert "got more" in answer.text
        assert sent > most
