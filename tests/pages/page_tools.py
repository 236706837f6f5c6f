"""The practice page served for tests: a sitting without hardware or sound behind the true app, guard included."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
from websockets.sync.client import ClientConnection, connect

from fingerlead.faces.pages.kit import guard
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.server import Server, listen
from fingerlead.faces.pages.practice.app import app
from fingerlead.faces.pages.practice.socket import PracticeLink
from fingerlead.faces.pages.practice.telling import Telling
from fingerlead.ports.base import now_us
from fingerlead.practice.actor import PracticeActor
from tests.practice.session_tools import TABLE, SessionByHand, played
from tests.waiting import PATIENCE_S

TOKEN = "a-token-for-tests"
# Tests of faces find the sitting's tools here, as their folder is not on the way of Python.
__all__ = ["PATIENCE_S", "TABLE", "Online", "Served", "SessionByHand", "online_at", "played", "served"]

STAFF = "<svg></svg>"


@dataclass
class Served:
    """A page's app, and what stands behind it."""

    app: Any
    hub: Hub
    sitting: SessionByHand
    thread: PracticeActor


@contextlib.contextmanager
def served(port: int, folder: Path | None = None, **setting: Any) -> Iterator[Served]:
    """The app with its thread of practice running."""
    hub = Hub()
    by_hand = SessionByHand(folder, clock=now_us, **setting)
    telling = Telling(hub, TABLE, lambda name, tune: STAFF)
    thread = by_hand.actor

    def tell(what: Any) -> None:
        by_hand.told.append(what)
        telling(what)

    thread._tell = tell
    names = guard.Names("127.0.0.1", port)
    made = app(PracticeLink(hub, thread, TABLE), TOKEN, f"fingerlead-{port}", names.fits)
    thread.start()
    try:
        yield Served(made, hub, by_hand, thread)
    finally:
        thread.stop()
    assert thread.failed is None, thread.failed


class Online:
    """A served page and its address."""

    def __init__(self, behind: Served, port: int) -> None:
        self.behind, self.port = behind, port
        self.host = f"127.0.0.1:{port}"
        self.cookie = f"fingerlead-{port}={TOKEN}"

    def page(self, **headers: str) -> ClientConnection:
        added = {"Cookie": self.cookie, "Origin": f"http://{self.host}", **headers}
        return connect(
            f"ws://{self.host}/live", additional_headers=added, max_size=None, compression=None, max_queue=None
        )

    def get(self, path: str, **also: Any) -> httpx.Response:
        return httpx.get(f"http://{self.host}{path}", headers={"Cookie": self.cookie}, timeout=PATIENCE_S, **also)


@contextlib.contextmanager
def online_at(**setting: Any) -> Iterator[Online]:
    """The page on a true server, at a port of its own."""
    place = listen("127.0.0.1", None)
    port = place.getsockname()[1]
    with served(port, **setting) as behind, Server(behind.app, place) as server:
        yield Online(behind, port)
        assert server.failed is None
