"""The door: strangers get few places and little time, those let in keep theirs, and nothing they send is printed."""

from __future__ import annotations

import contextlib
import json
import logging
import resource
import socket
import ssl
import time
from collections.abc import Callable, Iterator

import pytest

pytest.importorskip("websockets", reason="needs the Python package websockets")

from fingerlead.faces.pages.kit import door
from fingerlead.faces.pages.kit.door import let_in, places
from fingerlead.faces.pages.kit.place import WebPlace, listen
from fingerlead.faces.pages.kit.server import Server
from fingerlead.log import Seldom
from tests.pages.page_tools import LOCAL, PATIENCE_S, online_at
from tests.pages.tls_tools import certificate
from tests.waiting import wait_for

BIG = 16 << 20
KNOWN = b"GET /known HTTP/1.1\r\nHost: x\r\n\r\n"
LINE = (
    b"GET /known HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
    b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
)


async def small_app(scope, receive, send):
    """Lets in whatever asks for /known; a websocket hears nothing, and stays."""
    if scope["path"] == "/known":
        let_in(scope)
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.accept"})
        while (await receive())["type"] != "websocket.disconnect":
            pass
        return
    body = bytes(BIG) + b"ok" if scope["query_string"] else b"ok"
    length = str(len(body)).encode()
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", length)]})
    await send({"type": "http.response.body", "body": body})


class Place:
    """A server of the small app, and connections to it."""

    def __init__(self, tls: ssl.SSLContext | None = None) -> None:
        self._listening = listen(WebPlace(LOCAL))
        self._address = self._listening.getsockname()
        self.server = Server(small_app, self._listening, tls).start()
        self.made: list[socket.socket] = []

    def connect(self, source: str = "127.0.0.1", says: bytes = b"") -> socket.socket:
        one = socket.create_connection(self._address, timeout=PATIENCE_S, source_address=(source, 0))
        self.made.append(one)
        one.sendall(says)
        return one

    def answered(self, one: socket.socket) -> bytes:
        """The answer whole, or a websocket's beginning."""
        heard = b""
        while not heard.endswith((b"ok", b"\r\n\r\n")) or (b" 200 " in heard and not heard.endswith(b"ok")):
            piece = one.recv(65_536)
            if not piece:
                break
            heard += piece
        return heard

    def close(self) -> None:
        for one in self.made:
            one.close()
        self.server.stop()


def is_closed(one: socket.socket) -> bool:
    """Whether the other side has ended a connection."""
    one.setblocking(False)
    try:
        while one.recv(65_536):
            pass
    except BlockingIOError:
        return False
    except OSError:
        return True
    finally:
        one.settimeout(PATIENCE_S)
    return True


@pytest.fixture
def place_of(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Place]]:
    with contextlib.ExitStack() as ends:

        def make(tls: ssl.SSLContext | None = None, **limits: float) -> Place:
            for name, value in limits.items():
                monkeypatch.setattr(door, name, value)
            made = Place(tls)
            ends.callback(made.close)
            return made

        yield make


def test_strangers_have_few_places_and_the_oldest_makes_room(place_of):
    place = place_of(MOST_STRANGERS=5)
    crowd = [place.connect() for _ in range(12)]
    wait_for(lambda: all(is_closed(one) for one in crowd[:7]), "the end of the oldest")
    assert not any(is_closed(one) for one in crowd[7:])


def test_whoever_was_let_in_stays_and_comes_in_while_a_flood_goes_on(place_of):
    place = place_of(MOST_STRANGERS=8, MOST=16)
    line, asked = place.connect(says=LINE), place.connect(says=KNOWN)
    assert b" 101 " in place.answered(line)
    assert b"200 OK" in place.answered(asked)
    for number in range(300):
        place.connect(says=b"GET /" if number % 2 else b"")
        if number % 100 == 50:
            newcomer = place.connect(says=KNOWN)
            assert b"200 OK" in place.answered(newcomer)
    assert not is_closed(line)
    asked.sendall(KNOWN)
    assert b"200 OK" in place.answered(asked)
    wait_for(lambda: sum(not is_closed(one) for one in place.made[2:]) <= 8 + 3, "the end of the crowd")


def test_the_address_that_holds_most_makes_room_and_not_the_one_that_came_first(place_of):
    place = place_of(MOST_STRANGERS=6)
    tablet = place.connect("127.0.0.9", b"GET /known HTTP/1.1\r\n")
    crowd = [place.connect() for _ in range(200)]
    wait_for(lambda: sum(not is_closed(one) for one in crowd) <= 5, "the end of the crowd")
    tablet.sendall(b"Host: x\r\n\r\n")
    assert b"200 OK" in place.answered(tablet)


def test_where_all_places_are_taken_by_those_let_in_the_next_waits_for_one(place_of):
    place = place_of(MOST=8, MOST_STRANGERS=8)
    lines = []
    for _ in range(8):
        lines.append(place.connect(says=LINE))
        assert b" 101 " in place.answered(lines[-1])
    newcomer = place.connect(says=KNOWN)
    newcomer.settimeout(0.3)
    with pytest.raises(TimeoutError):
        newcomer.recv(1)
    lines[0].close()
    newcomer.settimeout(PATIENCE_S)
    assert b"200 OK" in place.answered(newcomer)
    assert not any(is_closed(line) for line in lines[1:])


@pytest.mark.parametrize(
    "says",
    [b"", b"GET / HTTP/1.1\r\nHost: x\r\nx-slow: ", b"POST / HTTP/1.1\r\nHost: x\r\ncontent-length: 9\r\n\r\nab"],
)
def test_a_stranger_has_little_time_whatever_it_says(place_of, says):
    place = place_of(STRANGER_S=0.2, LOOK_S=0.02)
    stranger, line = place.connect(says=says), place.connect(says=LINE)
    assert b" 101 " in place.answered(line)
    wait_for(lambda: is_closed(stranger), "the end of the stranger")
    assert not is_closed(line)


def test_a_strangers_websocket_ends_too(place_of):
    place = place_of(STRANGER_S=0.2, LOOK_S=0.02)
    line = place.connect(says=LINE.replace(b"/known", b"/"))
    assert b" 101 " in place.answered(line)
    wait_for(lambda: is_closed(line), "the end of its line")


def test_a_page_that_came_in_by_the_guard_is_no_stranger(monkeypatch):
    monkeypatch.setattr(door, "STRANGER_S", 0.2)
    monkeypatch.setattr(door, "LOOK_S", 0.02)
    with online_at() as online, online.page() as page, socket.create_connection((LOCAL, online.port)) as stranger:
        stranger.settimeout(PATIENCE_S)
        assert stranger.recv(1) == b""
        # What was asked for after the stranger's end is still answered.
        page.send("nonsense")
        while json.loads(page.recv(timeout=PATIENCE_S))["kind"] != "say":
            pass


def test_headers_that_trickle_in_after_a_request_are_not_waited_for(place_of):
    place = place_of(STILL_S=0.2, LOOK_S=0.02)
    asked, line = place.connect(says=KNOWN), place.connect(says=LINE)
    assert b"200 OK" in place.answered(asked)
    asked.sendall(b"GET /known HTTP/1.1\r\nx")
    wait_for(lambda: is_closed(asked), "the end of the slow one")
    assert not is_closed(line)


def test_a_line_that_asks_for_pongs_and_never_reads_them_is_ended(place_of):
    place = place_of(MOST_UNSENT=1 << 18, LOOK_S=0.02)
    line = place.connect(says=LINE)
    line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
    pings = (bytes([0x89, 0x80 | 125, 0, 0, 0, 0]) + bytes(125)) * 500

    def ask_for_pongs() -> None:
        for _ in range(2_000):
            line.sendall(pings)

    with pytest.raises((ConnectionError, TimeoutError)):
        ask_for_pongs()


def test_answers_that_are_not_taken_hold_no_more_than_so_much_in_all(place_of):
    place = place_of(MOST_UNSENT_IN_ALL=BIG + BIG // 2, LOOK_S=0.02)
    lot = [place.connect(says=KNOWN.replace(b"/known", b"/known?big")) for _ in range(2)]
    assert [one.recv(12)[-3:] for one in lot] == [b"200", b"200"]
    wait_for(lambda: sum(each.open for each in place.server._door._connections) == 1, "the end of one of them")

    def taken(one: socket.socket) -> int:
        count = 0
        with contextlib.suppress(ConnectionError):
            while count < BIG and (piece := one.recv(1 << 20)):
                count += len(piece)
        return count

    cut, whole = sorted(map(taken, lot))
    assert cut < BIG <= whole


@pytest.mark.parametrize("piece", [b"\x00\x80\0\0\0\0", b"\x8a\x80\0\0\0\0"])
def test_a_line_whose_bytes_never_make_a_message_is_ended(place_of, piece):
    place = place_of(MOST_UNREAD=1 << 16)
    line, other = place.connect(says=LINE), place.connect(says=LINE)
    assert b" 101 " in place.answered(line) + place.answered(other)
    # The beginning of a message, and then pieces with nothing in them, or answers to no ping.
    line.sendall(b"\x01\x80\0\0\0\0")
    with contextlib.suppress(OSError):
        line.sendall(piece * 12_000)
    wait_for(lambda: is_closed(line), "the end of the line")
    for _ in range(12_000):
        other.sendall(b"\x81\x81\0\0\0\0a")
    other.sendall(b"\x89\x80\0\0\0\0")
    assert other.recv(2) == b"\x8a\x00"


def test_a_handshake_that_never_ends_holds_its_place_no_longer_than_any_stranger(place_of, tmp_path):
    server, client = certificate(tmp_path)
    place = place_of(server, MOST_STRANGERS=4)
    idle = [place.connect(says=b"\x16\x03\x01") for _ in range(12)]
    wait_for(lambda: all(is_closed(one) for one in idle[:8]), "the end of the oldest")
    with client.wrap_socket(place.connect(), server_hostname="localhost") as asked:
        asked.sendall(KNOWN)
        assert b"200 OK" in asked.recv(65_536)


@pytest.mark.parametrize(
    ("limits", "expected", "raised"),
    [
        ((1_024, 1 << 20), 256, None),
        ((256, 256), 64, None),
        ((256, 1 << 20), 256, 1_024),
        ((200, 512), 192, 512),
        ((64, 64), door.FEWEST, None),
        ((resource.RLIM_INFINITY, resource.RLIM_INFINITY), 256, None),
        ((256, resource.RLIM_INFINITY), 256, 1_024),
    ],
)
def test_places_leave_descriptors_for_all_else(monkeypatch, limits, expected, raised):
    asked = []
    monkeypatch.setattr(resource, "getrlimit", lambda kind: limits)
    monkeypatch.setattr(resource, "setrlimit", lambda kind, new: asked.append(new))
    assert places() == expected
    assert asked == ([] if raised is None else [(raised, limits[1])])


@pytest.mark.parametrize("path", ["/%0d%0aX:1", "/static/%00", "/take/%1b[31m.wav", "/%0d%0a/"])
def test_signs_that_no_address_has_are_refused_in_a_sentence(path):
    with online_at() as page:
        answer = page.get(path)
    assert answer.status_code == 400
    assert answer.text.endswith(" instead.")


def test_of_what_strangers_cause_a_line_a_second_is_logged_and_it_says_how_many_were_left_out():
    now_s = 5.0
    seldom = Seldom(lambda: now_s)

    def passed(text: str) -> str | None:
        record = logging.LogRecord("it", logging.WARNING, "", 0, "%s came", (text,), None)
        return record.getMessage() if seldom.filter(record) else None

    assert passed("one") == "one came"
    assert [passed("two"), passed("three")] == [None, None]
    now_s += 1.0
    assert passed("four") == "four came (and 2 more left out)"
    now_s += 1.0
    assert passed("five") == "five came"


def test_a_flood_of_faults_is_a_line_a_second_in_the_log(place_of, caplog):
    place = place_of()
    begun_s = time.monotonic()
    for _ in range(150):
        one = place.connect(says=b"\x1b[31m\r\n\r\n")
        assert b" 400 " in place.answered(one)
        one.close()
    lines = [record for record in caplog.records if record.name == "uvicorn.error"]
    assert 0 < len(lines) <= time.monotonic() - begun_s + 2
