"""One page's line: what the hub publishes goes out as fast as the page takes it, what the page asks for comes in.

Two tasks for each page. The sender waits for the page's own network and for nothing else; holes go at most 60 times a
second in the long run, all else at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, TypeVar

from starlette.websockets import WebSocket, WebSocketDisconnect

from fingering.table import Table
from fingerlead.faces.pages.kit.hub import Hub, Seat
from fingerlead.faces.pages.practice.messages import Again, AskingError, Cover, read_asked
from fingerlead.faces.pages.practice.telling import say
from fingerlead.ports.base import now_us
from fingerlead.practice.actor import PracticeActor
from fingerlead.practice.inbox import Replay, Request, Sounds

# --- What the pages share: the hub, and the way to the loop thread. All here may be called from the event loop.

ANSWER_S = 5.0
T = TypeVar("T")
Edges = tuple[tuple[int, int], ...]


class TooBusyError(Exception):
    """The loop thread did not answer in time."""


@dataclass(frozen=True, slots=True)
class PracticeLink:
    """One sitting at the page."""

    hub: Hub
    thread: PracticeActor
    table: Table

    def cover(self, covered_mask: int) -> None:
        """Holes as a page covers them."""
        self.thread.cover(covered_mask)

    def ask(self, wish: Request) -> bool:
        """Ask the loop thread for something; False where too much is asked."""
        return self.thread.ask(wish)

    async def replay(self, number: int | None, mended: bool) -> tuple[Edges, int] | None:
        """A take, or the last phrase, as edges and their end; None where there is none. Raises TooBusyError."""
        wish = Replay(number, mended)
        return await self._answer(wish, wish.answer)

    async def sounds(self) -> dict[str, Any]:
        """How it sounds now. Raises TooBusyError."""
        wish = Sounds()
        return await self._answer(wish, wish.answer)

    async def _answer(self, wish: Request, answer: Future[T]) -> T:
        if not self.ask(wish):
            raise TooBusyError
        try:
            return await asyncio.wait_for(asyncio.wrap_future(answer), ANSWER_S)
        except TimeoutError:
            raise TooBusyError from None


# ---

Text = str | bytes

HOLES_EVERY_S = 1 / 60
# The fingers of one change come together: so many may go out at once before the pace is kept.
HOLES_AT_ONCE = 3
# Messages that a page may send within a second; more are passed over. Eight quick fingers make some hundred.
MOST_A_SECOND = 400


async def live(socket: WebSocket, sitting: PracticeLink) -> None:
    """Serve one page until it goes."""
    page = Page(sitting)
    try:
        await serve(socket, sitting.hub, page.take)
    finally:
        page.gone()


async def serve(socket: WebSocket, hub: Hub, take: Callable[[Text, Seat], str]) -> None:
    """Serve a page of any hub until it goes.

    `take` does what a message asks, and gives what to say where it cannot be done.
    """
    await socket.accept()
    loop = asyncio.get_running_loop()
    news = asyncio.Event()

    def wake() -> None:
        # The event loop may be over before the hub hears of it.
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(news.set)

    seat = hub.join(wake)
    sender = asyncio.create_task(_send(socket, seat, news))
    try:
        await _hear(socket, lambda text: take(text, seat))
    finally:
        hub.leave(seat)
        sender.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await sender


async def _send(socket: WebSocket, seat: Seat, news: asyncio.Event) -> None:
    loop = asyncio.get_running_loop()
    next_holes_s = 0.0
    timer: asyncio.TimerHandle | None = None
    while True:
        await news.wait()
        news.clear()
        for text in seat.take():
            await socket.send_text(text)
        if not seat.holes_wait:
            continue
        wait_s = next_holes_s - loop.time()
        if wait_s > 0:
            if timer is None or timer.when() <= loop.time():
                timer = loop.call_later(wait_s, news.set)
            continue
        holes = seat.take_holes()
        if holes is not None:
            next_holes_s = max(next_holes_s, loop.time() - HOLES_AT_ONCE * HOLES_EVERY_S) + HOLES_EVERY_S
            await socket.send_text(holes)


async def _hear(socket: WebSocket, take: Callable[[Text], str]) -> None:
    """Take in messages until the page goes; of too many in a second the first is answered, the others passed over."""
    second, count = 0, 0
    while True:
        try:
            message = await socket.receive()
        except (WebSocketDisconnect, RuntimeError):
            return
        if message["type"] == "websocket.disconnect":
            return
        now = now_us() // 1_000_000
        second, count = now, count + 1 if now == second else 1
        if count > MOST_A_SECOND:
            sentence = say("too_much") if count == MOST_A_SECOND + 1 else ""
        else:
            text = message.get("text")
            sentence = take(text if text is not None else message.get("bytes") or b"")
        if sentence:
            with contextlib.suppress(WebSocketDisconnect, RuntimeError):
                await socket.send_text(json.dumps({"kind": "say", "sentence": sentence}))


class Page:
    """What one page of a sitting asks for."""

    def __init__(self, sitting: PracticeLink) -> None:
        self._sitting = sitting
        self._covers = False

    def gone(self) -> None:
        """No finger of a page that is gone covers anything."""
        if self._covers:
            self._sitting.cover(0)

    def take(self, text: Text, seat: Seat) -> str:
        """Do what is asked; what to say where it cannot be done."""
        try:
            asked = read_asked(text, now_us())
        except AskingError as error:
            return f"{error}."
        if isinstance(asked, Cover):
            self._covers = asked.covered_mask != 0
            self._sitting.cover(asked.covered_mask)
        elif isinstance(asked, Again):
            seat.fall_behind()
        elif asked is not None and not self._sitting.ask(asked):
            return say("too_much")
        return ""
