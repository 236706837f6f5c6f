"""The page's line over a true server: told at once, hostile pages answered, a stalled one held up alone."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.pages.page_tools import PATIENCE_S, TABLE, OnlinePractice, online_at

pytest.importorskip("websockets", reason="needs the Python package websockets")

from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.frames import Frame, Opcode
from websockets.sync.client import ClientConnection, connect

from fingering.orders import rungs_in
from fingerlead.faces.pages.kit import guard
from fingerlead.faces.pages.kit.guard import POLICY_VIOLATED
from fingerlead.faces.pages.kit.hub import WAITING
from fingerlead.faces.pages.kit.server import LONGEST_MESSAGE
from fingerlead.faces.pages.kit.socket import HOLES_AT_ONCE, MOST_A_SECOND
from fingerlead.ports.base import PortRefused
from fingerlead.practice import events
from fingerlead.practice.inbox import Listen


def no_such_port(spec: str) -> Any:
    raise PortRefused(spec, "there is no such port", "see what there is")


@pytest.fixture(scope="module")
def online() -> Iterator[OnlinePractice]:
    with online_at(open_port=no_such_port) as there:
        yield there


def ask(page: ClientConnection, **message: Any) -> None:
    page.send(json.dumps(message))


def read_until(page: ClientConnection, fits: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        message = json.loads(page.recv(timeout=PATIENCE_S))
        if fits(message):
            return message
    raise AssertionError("it did not come")


def of_kind(kind: str) -> Callable[[dict[str, Any]], bool]:
    return lambda message: message["kind"] == kind


def chanter_is(state: str) -> Callable[[dict[str, Any]], bool]:
    return lambda message: (message.get("chanter") or message).get("state") == state


def test_a_page_begins_with_everything(online):
    with online.page() as page:
        first = json.loads(page.recv(timeout=PATIENCE_S))
    assert first["kind"] == "all"
    parts = (
        "chanter rung progress lit sound metronome ladder due tonight changes hand_on_top notes fingers chart remarks"
    )
    assert set(parts.split()) <= set(first)
    assert first["rung"]["staff_svg"] == "<svg></svg>"
    assert len(first["notes"]) == len(first["chart"]) == 9
    assert first["chart"] == list(TABLE.standard)
    assert [rung["key"] for rung in first["ladder"]] == [rung.key for rung in rungs_in()]


def test_the_order_of_the_ladder_is_a_choice_that_every_page_is_told(online):
    with online.page() as page:
        json.loads(page.recv(timeout=PATIENCE_S))
        ask(page, kind="order", order="derived")
        # Every page is told all there is anew.
        told = read_until(page, lambda message: message.get("order") == "derived" and len(message["ladder"]) > 50)
    assert [rung["key"] for rung in told["ladder"]] == [rung.key for rung in rungs_in("derived")]


def test_fingers_on_the_page_come_back_as_notes_and_changes(online):
    with online.page() as page:
        ask(page, kind="listen", to="page")
        read_until(page, chanter_is("waiting"))
        for note in (0, 2):
            ask(page, kind="holes", covered_mask=TABLE.standard[note])
            holes = read_until(page, of_kind("holes"))
            while holes["covered_mask"] != TABLE.standard[note]:
                holes = read_until(page, of_kind("holes"))
            assert (holes["note"], holes["fingering"]) == (note, "standard")
            # Long enough to be held.
            time.sleep(0.1)
        # Told while the note is still held.
        change = read_until(page, of_kind("change"))
        assert (change["from"], change["to"], change["verdict"]) == (0, 2, "clean")
        assert change["strip_svg"].startswith("<svg")
        edges = online.get(f"/take/{change['take']}.json").json()["edges"]
        assert [mask for _, mask in edges][-1] == TABLE.standard[2]
        assert online.get(f"/take/{change['take']}.json?mended=1").status_code == 404
        wav = online.get(f"/take/{change['take']}.wav?speed=0.25")
        assert (wav.status_code, wav.headers["content-type"], wav.content[:4]) == (200, "audio/wav", b"RIFF")
        ask(page, kind="finish")
        assert read_until(page, of_kind("summary"))["lines"]


def test_a_page_that_vanishes_leaves_no_hole_covered(online):
    with online.page() as other:
        ask(other, kind="listen", to="page")
        read_until(other, chanter_is("waiting"))
        with online.page() as gone:
            ask(gone, kind="holes", covered_mask=255)
            read_until(other, lambda m: m["kind"] == "holes" and m["covered_mask"] == 255)
            gone.socket.close()
        assert read_until(other, lambda m: m["kind"] == "holes" and m["covered_mask"] == 0)["note"] is None


def test_a_page_loaded_again_goes_on_where_it_was(online):
    with online.page() as page:
        ask(page, kind="rung", key="c-d")
        read_until(page, lambda m: m["kind"] in ("all", "rung") and (m.get("rung") or m)["key"] == "c-d")
    with online.page() as page:
        assert json.loads(page.recv(timeout=PATIENCE_S))["rung"]["key"] == "c-d"


def test_everything_can_be_had_again(online):
    with online.page() as page:
        page.recv(timeout=PATIENCE_S)
        ask(page, kind="all")
        assert read_until(page, of_kind("all"))["ladder"]


def test_the_hand_on_top_is_told_to_every_page(online):
    with online.page() as one, online.page() as other:
        ask(one, kind="hand", on_top="right")
        for page in (one, other):
            read_until(page, lambda m: m["kind"] == "all" and m["hand_on_top"] == "right")
        ask(one, kind="hand", on_top="left")


@pytest.mark.parametrize(
    "to", ["/dev/none", "spy:///dev/null?file=/tmp/x", "socket://127.0.0.1:22", "replay:/etc/passwd"]
)
def test_a_page_is_given_no_port_that_it_names_itself(online, to):
    with online.page() as page:
        ask(page, kind="listen", to=to)
        assert "on offer" in read_until(page, lambda message: message["kind"] == "say")["sentence"]


def test_a_port_that_cannot_be_had_is_said_in_words(online):
    with online.page() as page:
        online.actor.ask(Listen("/dev/none"))
        message = read_until(page, chanter_is("refused"))
        assert "there is no such port; see what there is" in (message.get("chanter") or message)["sentence"]


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Host": "evil.example"},
    ],
)
def test_a_page_of_another_site_gets_no_line(online, headers):
    with pytest.raises(InvalidStatus) as refused, online.page(**headers):
        pass
    # 400 is the server's own, for two Host headers.
    assert refused.value.response.status_code in (400, 403)


@pytest.mark.parametrize(
    "first",
    [
        "", "null", "[]", "{", "7", b"\xff\x00", json.dumps({"kind": "all"}), json.dumps({"kind": "enter"}),
        json.dumps({"kind": "enter", "secret": None}), json.dumps({"kind": "enter", "secret": "wrong"}),
        json.dumps({"kind": "enter", "secret": "é\ud800"}), json.dumps({"kind": "enter", "secret": "x" * 60_000}),
    ],
)  # fmt: skip
def test_a_line_that_does_not_begin_with_a_secret_is_told_nothing_and_ends(online, first):
    joined = len(online.hub._subscribers)
    with connect(f"ws://{online.host}/live", additional_headers={"Origin": online.address}) as line:
        line.send(first)
        # It may be over before this goes out.
        with contextlib.suppress(ConnectionClosed):
            line.send(json.dumps({"kind": "listen", "to": "page"}))
        with pytest.raises(ConnectionClosed) as ended:
            line.recv(timeout=PATIENCE_S)
    assert ended.value.rcvd.code == POLICY_VIOLATED
    assert ended.value.rcvd.reason == "fingerlead does not know this page."
    assert len(online.hub._subscribers) == joined


def test_the_token_itself_opens_no_line(online):
    with online.page(online.token) as page, pytest.raises(ConnectionClosed):
        page.recv(timeout=PATIENCE_S)


def test_a_line_that_says_nothing_ends_before_it_joins(online, monkeypatch):
    monkeypatch.setattr(guard, "ENTER_WITHIN_S", 0.05)
    joined = len(online.hub._subscribers)
    with connect(f"ws://{online.host}/live", additional_headers={"Origin": online.address}) as line:
        with pytest.raises(ConnectionClosed) as ended:
            line.recv(timeout=PATIENCE_S)
        assert len(online.hub._subscribers) == joined
    assert ended.value.rcvd.code == POLICY_VIOLATED


@pytest.fixture(scope="module")
def hostile(online) -> Iterator[ClientConnection]:
    with online.page() as page:
        yield page


KINDS = sorted({"holes", "all", "listen", "rung", "tonight", "restart", "hand", "sound", "metronome", "tap", "say"})
FIELDS = ("covered_mask", "to", "key", "on_top", "where", "level_db", "bpm", "on", "holds", "voice", "device", "beats")
messages = st.one_of(
    st.text(max_size=300),
    st.binary(max_size=300),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    ).map(json.dumps),
    st.fixed_dictionaries(
        {"kind": st.sampled_from(KINDS)},
        optional={
            name: st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) for name in FIELDS
        },
    ).map(json.dumps),
)


@given(st.lists(messages, max_size=8))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_message_breaks_the_line_or_what_stands_behind_it(online, hostile, sent):
    for message in sent:
        with contextlib.suppress(UnicodeEncodeError):
            hostile.send(message)
    assert hostile.ping().wait(PATIENCE_S)
    assert online.actor.running
    with online.page() as page:
        assert json.loads(page.recv(timeout=PATIENCE_S))["kind"] == "all"


def test_a_message_that_is_too_long_is_answered_and_one_far_too_long_ends_its_line_alone(online):
    with online.page() as page:
        page.send("x" * 5_000)
        assert "at most 2000" in read_until(page, of_kind("say"))["sentence"]
        page.send("x" * (LONGEST_MESSAGE + 1))
        with pytest.raises(ConnectionClosed):
            read_until(page, lambda message: False)
    assert online.get("/").status_code == 200


def test_a_flood_is_answered_once_and_passed_over(online):
    with online.page() as page:
        for _ in range(3 * MOST_A_SECOND):
            ask(page, kind="keyboard", holds=3)
        sentence = read_until(page, of_kind("say"))["sentence"]
        assert sentence.startswith("Too much is asked at once")
    with online.page() as page:
        page.recv(timeout=PATIENCE_S)


def test_a_page_that_does_not_read_holds_up_no_other(online):
    """Ten pages open, one of them stalled: the others are told everything, and what waits for it stays small."""
    hub = online.hub
    with contextlib.ExitStack() as pages:
        stalled = pages.enter_context(contextlib.closing(_deaf_page(online)))
        others = [pages.enter_context(online.page()) for _ in range(9)]
        for page in others:
            page.recv(timeout=PATIENCE_S)
        padding = "x" * 40_000
        begun = time.monotonic()
        for number in range(400):
            # More than any system keeps for a line that is not read.
            hub.publish({"kind": "progress", "number": number, "padding": padding})
            if number % 20 == 19:
                for page in others:
                    read_until(page, lambda m, n=number: (m.get("progress") or m).get("number") == n)
        took_s = time.monotonic() - begun
        assert took_s < PATIENCE_S
        (behind,) = [one for one in hub._subscribers if one._behind or len(one._waiting) > 20]
        assert len(behind._waiting) <= WAITING
        assert stalled.fileno() != -1
        hub.publish({"kind": "progress", "sentence": ""})


def _deaf_page(online: OnlinePractice) -> socket.socket:
    """A line that is opened by hand and never read."""
    line = socket.create_connection(("127.0.0.1", online.port))
    line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
    line.sendall(
        (
            f"GET /live HTTP/1.1\r\nHost: {online.host}\r\nOrigin: http://{online.host}\r\n"
            "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
            "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
        ).encode()
    )
    assert line.recv(12) == b"HTTP/1.1 101"
    enters = json.dumps({"kind": "enter", "secret": online.secret}).encode()
    line.sendall(Frame(Opcode.TEXT, enters).serialize(mask=True))
    return line


def test_holes_come_at_most_sixty_times_a_second_and_the_last_always_comes(online):
    hub = online.hub
    with online.page() as page:
        page.recv(timeout=PATIENCE_S)
        begun = time.monotonic()
        last = 0
        while time.monotonic() < begun + 0.5:
            last += 1
            hub.publish({"kind": "holes", "covered_mask": last % 256, "number": last})
        count = 0
        while True:
            message = json.loads(page.recv(timeout=PATIENCE_S))
            count += 1
            if message.get("number") == last:
                break
        took_s = time.monotonic() - begun
    assert 2 <= count <= 60 * took_s + HOLES_AT_ONCE + 2


def test_what_happens_in_the_actor_reaches_the_page_in_words(online):
    with online.page() as page:
        page.recv(timeout=PATIENCE_S)
        online.session.actor._tell(events.RestDue(20 * 60_000_000))
        assert "20 minutes" in read_until(page, of_kind("remind"))["sentence"]
