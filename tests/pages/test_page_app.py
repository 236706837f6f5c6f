"""What is served: the page and its files, and what can be heard again; and where nothing can be served, why."""

from __future__ import annotations

import contextlib
import io
import socket
import threading
import time
import wave
from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

pytest.importorskip("httpx", reason="needs the Python package httpx")
pytest.importorskip("websockets", reason="needs the Python package websockets")

import httpx

from fingerlead.faces.pages.kit import place
from fingerlead.faces.pages.kit.place import NoPlaceError, WebPlace, listen
from fingerlead.faces.pages.practice import routes
from fingerlead.faces.pages.practice.page import Staffs
from fingerlead.faces.sheet.piece import SheetError
from fingerlead.practice import inbox
from fingerlead.practice.events import Judged
from tests.pages.page_tools import LOCAL, PATIENCE_S, OnlinePractice, online_at
from tests.waiting import wait_for

MOST_WAITING = 8


@pytest.fixture(scope="module")
def page():
    with online_at() as there:
        yield there


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/", "text/html; charset=utf-8"),
        ("/hold", "text/html; charset=utf-8"),
        ("/texts.json", "application/json"),
        ("/voice.json", "application/json"),
        ("/static/main.js", "text/javascript; charset=utf-8"),
        ("/static/practice.css", "text/css; charset=utf-8"),
        ("/kit/style.css", "text/css; charset=utf-8"),
        ("/kit/icon.svg", "image/svg+xml"),
    ],
)
def test_the_page_and_its_files(page, path, kind):
    answer = page.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (200, kind)
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize(
    "path",
    ["/nothing", "/static/", "/static/../page.py", "/static/%2e%2e/page.py", "/kit/%2e%2e/guard.py", "/take/", "/live"],
)
def test_elsewhere_there_is_nothing(page, path):
    answer = page.get(path)
    assert answer.status_code == 404
    assert answer.text == "There is nothing here. The page is at /"


def test_nothing_can_be_sent_there(page):
    headers = {**page.known, "Origin": f"http://{page.host}"}
    answer = httpx.post(f"http://{page.host}/", headers=headers, timeout=PATIENCE_S)
    assert answer.status_code == 405
    assert answer.text == "That is not possible here."


@pytest.mark.parametrize("number", ["0", "7", "999999999", "9" * 400, "-1", "1.5", "x", "%00", "１"])
@pytest.mark.parametrize("form", ["wav", "json"])
def test_a_take_that_there_is_not_is_said(page, number, form):
    answer = page.get(f"/take/{number}.{form}")
    assert answer.status_code in (400, 404)
    assert answer.text.endswith(".")


def play(page: OnlinePractice) -> Judged:
    """Let one change be played on the page's keys, and wait until it is told."""
    by_hand = page.session
    page.actor.ask(inbox.Listen("page"))
    until = time.monotonic() + 10
    while page.actor.page_port is None:
        assert time.monotonic() < until
    for note in (0, 2):
        page.actor.cover(by_hand.setting.table.standard[note])
        time.sleep(0.1)
    while not by_hand.of(Judged):
        assert time.monotonic() < until
        time.sleep(0.01)
    return by_hand.of(Judged)[-1]


@pytest.fixture(scope="module")
def judged(page: OnlinePractice) -> Judged:
    return play(page)


@pytest.mark.parametrize("speed", [1, 0.25, 0.1, 0.05])
def test_a_take_is_heard_at_each_speed_and_as_long_as_its_edges_say(page, judged, speed):
    told = page.get(f"/take/{judged.take}.json").json()
    answer = page.get(f"/take/{judged.take}.wav?speed={speed}")
    assert answer.headers["content-type"] == "audio/wav"
    with wave.open(io.BytesIO(answer.content)) as sound:
        heard_s = sound.getnframes() / sound.getframerate()
    assert heard_s == pytest.approx((told["end_us"] - told["edges"][0][0]) / 1e6 / speed, abs=1e-3)


def test_the_last_phrase_is_heard_too(page, judged):
    told = page.get("/phrase.json").json()
    assert len(told["edges"]) >= 2
    assert page.get("/phrase.wav?speed=0.25").status_code == 200


@pytest.mark.parametrize("notes", ["0", "0,2", "5,1", "1,7,4,2"])
def test_how_notes_are_done_well_is_heard_at_each_speed(page, notes):
    told = page.get("/model.json", params={"notes": notes}).json()
    for speed in (1, 0.1):
        answer = page.get("/model.wav", params={"notes": notes, "speed": speed})
        with wave.open(io.BytesIO(answer.content)) as sound:
            heard_s = sound.getnframes() / sound.getframerate()
        assert heard_s == pytest.approx((told["end_us"] - told["edges"][0][0]) / 1e6 / speed, abs=1e-3)


@pytest.mark.parametrize("notes", ["", "9", "-1", "0,0", "0,,2", "a", "0;2", "٣", "0," * 40 + "1", "\x00", "1e1"])
def test_notes_that_are_none_are_refused_in_a_sentence(page, notes):
    for form in ("json", "wav"):
        answer = page.get(f"/model.{form}", params={"notes": notes})
        assert answer.status_code == 400
        assert answer.text.startswith("expected one note, or different ones")
    assert page.get("/model.json").status_code == 400


def test_of_what_takes_long_one_is_worked_out_at_a_time_and_too_much_is_refused(page, monkeypatch):
    begun, go_on, alone = [], threading.Event(), threading.Lock()

    def slow(*given):
        begun.append(alone.acquire(blocking=False))
        go_on.wait(PATIENCE_S)
        alone.release()
        return b"sound"

    monkeypatch.setattr(routes, "_wav", slow)
    with ThreadPoolExecutor(MOST_WAITING + 4) as many:
        asked = [many.submit(page.get, "/model.wav?notes=0,2") for _ in range(MOST_WAITING + 4)]
        wait_for(lambda: len(begun) + sum(one.done() for one in asked) >= 5)
        go_on.set()
        answers = [one.result(PATIENCE_S) for one in asked]
    assert begun == [True] * MOST_WAITING
    assert sorted(answer.status_code for answer in answers) == [200] * MOST_WAITING + [503] * 4
    assert {answer.text for answer in answers} == {"sound", routes.BUSY}


@given(st.text(max_size=12) | st.floats().map(str) | st.integers().map(str))
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_speed_that_makes_no_sense_is_refused_in_a_sentence(page, judged, speed):
    answer = page.get(f"/take/{judged.take}.wav", params={"speed": speed})
    assert answer.status_code in (200, 400)
    if answer.status_code == 400:
        assert answer.text.startswith("expected a speed")


def test_a_port_that_is_taken_is_said_and_another_found_where_none_was_asked_for(monkeypatch):
    with listen(WebPlace()) as first:
        taken = first.getsockname()[1]
        with pytest.raises(NoPlaceError, match=f"{LOCAL}, port {taken}"):
            listen(WebPlace(LOCAL, taken))
        monkeypatch.setattr(place, "FIRST_PORT", taken)
        monkeypatch.setattr(place, "PORTS", 1)
        with listen(WebPlace()) as second:
            assert second.getsockname()[1] != taken


def test_no_program_can_foretell_the_port_and_leave_a_page_of_its_own_there():
    ports = set()
    for _ in range(10):
        with listen(WebPlace()) as there:
            ports.add(there.getsockname()[1])
    # Of 16,384: that two are the same happens, that half of them are does not.
    assert len(ports) > 5


@pytest.mark.parametrize("address", ["not an address", "256.1.1.1", "192.0.2.1", "\udce9", "x" * 300])
def test_an_address_that_is_not_this_computers_is_said(address):
    with pytest.raises(NoPlaceError) as refused:
        listen(WebPlace(address))
    assert "\n" not in str(refused.value)


def test_an_address_of_six_will_do():
    # A system without it says so.
    with contextlib.suppress(NoPlaceError), listen(WebPlace("::1")) as six:
        assert six.family == socket.AF_INET6


def test_the_server_ends_while_a_line_is_open(monkeypatch):
    # A port from the system, which no other program takes as soon as it is free.
    monkeypatch.setattr(place, "TRIED", 0)
    with contextlib.ExitStack() as ends:
        with online_at() as there:
            line = ends.enter_context(there.page())
            line.recv(timeout=PATIENCE_S)
            begun = time.monotonic()
        assert time.monotonic() - begun < PATIENCE_S
        with pytest.raises(httpx.ConnectError):
            there.get("/")


def test_another_tune_of_the_same_name_has_its_own_staff(monkeypatch):
    monkeypatch.setattr("fingerlead.faces.sheet.sheets.staff_svg", lambda tune, letters: f"<svg {tune}>")
    made = threading.Event()
    with Staffs(lambda name, why_not: made.set()) as staffs:
        for tune in ("one", "another"):
            made.clear()
            assert staffs.staff_of("Mine", tune) is None  # type: ignore[arg-type]
            assert made.wait(PATIENCE_S)
            assert staffs.staff_of("Mine", tune) == f"<svg {tune}>"  # type: ignore[arg-type]


def test_a_practice_without_lilypond_names_the_music_and_says_what_is_missing():
    told: list[str] = []

    def missing(*_: object, **__: object) -> str:
        raise SheetError("LilyPond is not installed; install it")

    made = threading.Event()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fingerlead.faces.sheet.sheets.staff_svg", missing)

        def hear(name: str, why_not: str) -> None:
            told.append(f"{name} {why_not}")
            made.set()

        with Staffs(hear) as staffs:
            assert staffs.staff_of("low G to B", None) is None  # type: ignore[arg-type]
            assert made.wait(PATIENCE_S)
            assert staffs.staff_of("low G to B", None) is None  # type: ignore[arg-type]
    assert told == ["low G to B LilyPond is not installed; install it"]
