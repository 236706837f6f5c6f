"""What the workbench page is served from and how it answers: guarded as the practice page, hostile pages refused."""

from __future__ import annotations

import contextlib
import json
import re
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

pytest.importorskip("httpx", reason="needs the Python package httpx")
pytest.importorskip("websockets", reason="needs the Python package websockets")

from websockets.exceptions import ConnectionClosed, InvalidStatus

from fingerlead.faces.pages import kit
from fingerlead.faces.pages import workbench as workbench_page
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.faces.pages.kit.socket import answer
from fingerlead.faces.pages.kit.templates import catalogue
from fingerlead.faces.pages.workbench.page import message_of, opened, read_request
from fingerlead.ports.base import PortRefused
from fingerlead.store.chanters import ANYONE
from fingerlead.workbench import workbench
from fingerlead.workbench.actor import JOBS, REQUESTS, Samples, Stage, StageStep, WorkbenchRequest
from tests.pages.page_tools import LOCAL, Online
from tests.waiting import PATIENCE_S
from tests.workbench.workbench_chanters import Sulking, answer_all

KIT, ROOM = (Path(next(iter(room.__path__))) for room in (kit, workbench_page))


@contextlib.contextmanager
def page(folder, pupil=ANYONE, open_port=None):
    with pytest.MonkeyPatch.context() as patch:
        if open_port is not None:
            patch.setattr(workbench, "open_port", open_port)
        with opened("sim", folder, pupil, WebPlace(LOCAL)) as there:
            yield Online(there)


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    with page(tmp_path_factory.mktemp("calibrations"), "Ann <b>") as there:
        yield there


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/", "text/html; charset=utf-8"),
        ("/texts.json", "application/json"),
        ("/static/main.js", "text/javascript; charset=utf-8"),
        ("/static/workbench.css", "text/css; charset=utf-8"),
        ("/kit/style.css", "text/css; charset=utf-8"),
    ],
)
def test_the_page_and_its_files(served, path, kind):
    answer = served.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (200, kind)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "unsafe" not in policy


def test_a_pupils_name_is_told_to_a_page_that_is_in_and_stands_in_no_page(served):
    answer = served.get("/").text
    assert "Ann" not in answer
    assert not re.search(r"<script(?![^>]*src=)|style=|\son\w+=", answer)
    with served.page() as socket:
        first = read_until(socket, lambda message: message["kind"] == "all")
    assert first["bench"] == {"port": "sim", "pupil": "Ann <b>", "simulated": True}


@pytest.mark.parametrize(
    "path", ["/nothing", "/static/", "/static/../page.py", "/static/%2e%2e/page.py", "/hold", "/live"]
)
def test_elsewhere_there_is_nothing(served, path):
    assert served.get(path).status_code == 404


@pytest.mark.parametrize(
    ("headers", "status"),
    [({}, 401), ({"Host": "elsewhere.example"}, 403), ({"Origin": "http://elsewhere.example"}, 403)],
)
def test_a_browser_that_has_not_the_address_does_not_get_in(served, headers, status):
    assert served.get("/nothing", {**headers, "Authorization": "Bearer wrong"}).status_code == status
    if "Host" not in headers:
        with pytest.raises((InvalidStatus, ConnectionClosed)), served.page("wrong", **headers) as socket:
            socket.recv(timeout=PATIENCE_S)


def read_until(socket, fits):
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        message = json.loads(socket.recv(timeout=PATIENCE_S))
        if fits(message):
            return message
    raise AssertionError("it did not come")


def test_a_page_begins_with_everything_and_follows_what_is_asked(tmp_path):
    # No raw samples: this chanter's calibration ends at once.
    chanter = Sulking(answer_all, abilities=0)
    with page(tmp_path, open_port=lambda spec: (chanter, chanter.clock)) as served, served.page() as socket:
        first = read_until(socket, lambda message: message["kind"] == "all")
        assert first["stage"]["job"] is None
        socket.send(json.dumps({"kind": "calibrate"}))
        refused = read_until(socket, lambda message: message["kind"] == "stage" and message["trouble"])
        assert len(refused["sentences"]) == 1
        assert re.fullmatch(r"[A-Z].*\.", refused["sentences"][0])
        socket.send(json.dumps({"kind": "all"}))
        again = read_until(socket, lambda message: message["kind"] == "all")
        assert again["stage"] == refused | {"job": None}
    assert chanter.closed


def test_a_chanter_that_is_not_there_is_said_before_anything_is_served(tmp_path):
    def refuse(spec):
        raise PortRefused(spec, "there is no such port", "plug it in")

    with pytest.raises(PortRefused), page(tmp_path, open_port=refuse):
        pass


class Asked(list):
    """What the actor was asked, and a subscriber that fell behind."""

    def ask(self, message):
        request = read_request(message)
        if request is not None:
            self.append(request)
        return len(self) < 3

    def fall_behind(self):
        self.append("all")


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
)
KINDS = st.sampled_from([*REQUESTS, "all", "stage", "give\0"]) | st.text(max_size=8)


@given(
    st.text(max_size=50)
    | st.binary(max_size=50)
    | JSON.map(json.dumps)
    | st.fixed_dictionaries({"kind": KINDS}, optional={"run": JSON, "anyway": JSON}).map(json.dumps)
)
def test_whatever_a_page_sends_is_a_request_or_one_sentence(text):
    asked = Asked()
    sentence = answer(text, asked, asked.ask)
    assert not (sentence and asked)
    assert "\n" not in sentence
    for request in asked:
        if request != "all":
            assert request.what in REQUESTS
            assert type(request.run) is int
            assert type(request.anyway) is bool


@pytest.mark.parametrize("kind", REQUESTS)
def test_each_request_is_understood(kind):
    asked = Asked()
    assert answer(json.dumps({"kind": kind, "run": 3, "anyway": True}), asked, asked.ask) == ""
    assert asked == [WorkbenchRequest(kind, 3, True)]


@pytest.mark.parametrize("more", [{"run": "1"}, {"run": True}, {"run": 1.5}, {"anyway": 1}, {"anyway": "yes"}])
def test_levels_are_not_given_for_a_request_that_is_not_clear(more):
    asked = Asked()
    assert answer(json.dumps({"kind": "give", **more}), asked, asked.ask).startswith("expected ")
    assert asked == []


def test_too_much_is_said():
    asked = Asked()
    told = [answer('{"kind": "calibrate"}', asked, asked.ask) for _ in range(3)]
    assert [bool(one) for one in told] == [False, False, True]


ANY = st.tuples(*[st.integers(0, 65_535)] * 8)


@given(st.builds(Samples, ANY, ANY, ANY, ANY))
def test_samples_go_as_they_are(samples):
    message = json.loads(json.dumps(message_of(samples)))
    assert message["kind"] == "holes"
    assert tuple(message["latest"]) == samples.latest


@given(
    st.builds(
        Stage,
        job=st.sampled_from([None, *JOBS]),
        step=st.none()
        | st.builds(StageStep, st.just(3), st.just(20), st.just("half"), st.just(1), st.text(), st.booleans()),
        sentences=st.lists(st.text(st.characters(codec="ascii"), min_size=1), max_size=3).map(tuple),
    )
)
def test_a_stage_goes_whole_and_its_sentences_end(stage):
    message = json.loads(json.dumps(message_of(stage)))
    assert message["job"] == stage.job
    assert (message["step"] is None) == (stage.step is None)
    for told, meant in zip(message["sentences"], stage.sentences, strict=True):
        assert told[-1] in ".!?"
        assert told.lower() in (meant.lower(), meant.lower() + ".")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("expected a chanter", "Expected a chanter."),
        ("sim: the connection is lost (gone)", "sim: the connection is lost (gone)."),
        ("socket://127.0.0.1:5: no answer", "socket://127.0.0.1:5: no answer."),
        ("Stopped.", "Stopped."),
    ],
)
def test_a_refusal_becomes_a_sentence_and_a_port_keeps_its_name(text, told):
    assert message_of(Stage(sentences=(text,)))["sentences"] == [told]


def flat(table, prefix=""):
    for key, value in table.items():
        yield from flat(value, f"{prefix}{key}.") if isinstance(value, dict) else [(f"{prefix}{key}", value)]


def test_every_text_that_is_asked_for_is_there_and_none_is_left_over():
    scripts = "".join(path.read_text("utf-8") for room in (KIT, ROOM) for path in sorted(room.glob("static/*.js")))
    templates = "".join(path.read_text("utf-8") for room in (KIT, ROOM) for path in room.glob("templates/*"))
    asked = set(re.findall(r'"([a-z_]+\.[a-z_0-9]+)"', scripts))
    # A verdict, and the other things to do, are names that the host gives.
    asked |= {
        "result.bad",
        "result.doubtful",
        "result.not_judged",
        *(f"begin.{job}{end}" for job in ("bar", "seal", "undo") for end in ("", "_about")),
    }
    asked |= set(re.findall(r"\bt\.([a-z_]+\.[a-z_0-9]+)", templates))
    asked -= {path.name for room in (KIT, ROOM) for path in (room / "static").iterdir()}
    there = dict(flat(catalogue(workbench_page.__name__)))
    assert asked - set(there) == set()
    assert set(there) - asked == {"lang", "page.too_much"}
    for name, text in there.items():
        for brace in re.findall(r"\{(\w+)\}", str(text)):
            assert re.search(rf"\b{brace}\b", scripts) or brace in ("pupil", "port"), f"{name}: {brace}"
