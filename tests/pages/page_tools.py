"""The practice page served for tests: a practice without hardware or sound behind the true page, guard included."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator
from contextlib import AbstractContextManager
from typing import Any

import httpx
from websockets.sync.client import ClientConnection, connect

from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.page import ServedPage, served
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.faces.pages.practice.messages import Publisher
from fingerlead.faces.pages.practice.routes import PracticeRoutes
from fingerlead.ports.base import now_us
from tests.practice.session_tools import TABLE, SessionByHand, played
from tests.waiting import PATIENCE_S

# Tests of faces find the session's tools here, as their folder is not on the way of Python.
__all__ = ["LOCAL", "PATIENCE_S", "TABLE", "Online", "SessionByHand", "enter", "line", "online_at", "played"]

LOCAL = "127.0.0.1"
STAFF = "<svg></svg>"


class Online:
    """A page that is served, as a browser that came in by its address sees it."""

    def __init__(self, page: ServedPage) -> None:
        found = re.fullmatch(r"http://(([^/]*):(\d+))/#(.*)", page.url)
        assert found is not None
        self.host, _, port, self.token = found.groups()
        self.served, self.port, self.address = page, int(port), f"http://{self.host}"
        self.secret = enter(self.address, self.token)
        self.known = {"Authorization": f"Bearer {self.secret}"}

    def page(self, secret: str | None = None, **headers: str) -> AbstractContextManager[ClientConnection]:
        """A websocket that has shown a secret, this page's own unless another is given."""
        return line(self.host, self.secret if secret is None else secret, **headers)

    def get(self, path: str, headers: dict[str, str] | None = None, **also: Any) -> httpx.Response:
        sent = {**self.known, **(headers or {})}
        return httpx.get(self.address + path, headers=sent, timeout=PATIENCE_S, **also)

    def post(self, path: str, content: Any, kind: str) -> httpx.Response:
        """What is answered to a body of some kind; in chunks where it is an iterator."""
        sent = {**self.known, "Origin": self.address, "Content-Type": kind}
        return httpx.post(self.address + path, headers=sent, content=content, timeout=PATIENCE_S)


def enter(address: str, token: str) -> str:
    """The secret for a token, as a page gets it when it is loaded."""
    answer = httpx.post(f"{address}/enter", content=token, headers={"Origin": address}, timeout=PATIENCE_S)
    assert answer.status_code == 200, answer.text
    return answer.text


@contextlib.contextmanager
def line(host: str, secret: str, **headers: str) -> Iterator[ClientConnection]:
    """A websocket that has shown a secret."""
    added = {"Origin": f"http://{host}", **headers}
    with connect(
        f"ws://{host}/live", additional_headers=added, max_size=None, compression=None, max_queue=None
    ) as opened:
        opened.send(json.dumps({"kind": "enter", "secret": secret}))
        yield opened


class OnlinePractice(Online):
    """A practice page that is served, and what stands behind it."""

    def __init__(self, page: ServedPage, hub: Hub, session: SessionByHand) -> None:
        super().__init__(page)
        self.hub, self.session, self.actor = hub, session, session.actor


@contextlib.contextmanager
def online_at(**setting: Any) -> Iterator[OnlinePractice]:
    """The practice page on a true server, at a port of its own."""
    hub = Hub()
    session = SessionByHand(None, clock=now_us, **setting)
    publisher = Publisher(hub, TABLE, lambda name, tune: STAFF)

    def tell(what: Any) -> None:
        session.told.append(what)
        publisher(what)

    session.actor._tell = tell
    with served(PracticeRoutes(hub, session.actor, TABLE).app(), WebPlace(LOCAL), session.actor) as page:
        yield OnlinePractice(page, hub, session)
        assert page.running
