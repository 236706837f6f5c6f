"""One page's websocket: what the hub publishes goes out as fast as the page takes it, its requests come in.

Two tasks for each page. The sender waits for the page's own network and for nothing else; holes go at most 60 times a
second in the long run, all else at once.
"""

import asyncio
import contextlib
import json
from collections.abc import Callable
from typing import Any

from starlette.websockets import WebSocket, WebSocketDisconnect

from fingerlead.faces.pages.kit.hub import Hub, Subscriber
from fingerlead.faces.pages.kit.requests import RequestError, read_message
from fingerlead.faces.pages.kit.templates import catalogue
from fingerlead.ports.base import now_us

# Does what a message asks for; False where too much is asked at once. Raises RequestError.
Ask = Callable[[dict[str, Any]], bool]

HOLES_EVERY_S = 1 / 60
# The fingers of one change come together: so many may go out at once before the pace is kept.
HOLES_AT_ONCE = 3
# Messages that a page may send within a second; more are passed over. Eight quick fingers make some hundred.
MOST_A_SECOND = 400


async def serve(socket: WebSocket, hub: Hub, ask: Ask) -> None:
    """Serve one page until it goes."""
    await socket.accept()
    loop = asyncio.get_running_loop()
    news = asyncio.Event()

    def wake() -> None:
        # The event loop may be over before the hub hears of it.
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(news.set)

    subscriber = hub.join(wake)
    sender = asyncio.create_task(_send(socket, subscriber, news))
    try:
        await _receive(socket, subscriber, ask)
    finally:
        hub.leave(subscriber)
        sender.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await sender


def answer(text: str | bytes, subscriber: Subscriber, ask: Ask) -> str:
    """The sentence to send back where what a page's message asks for cannot be done; none where it is done."""
    try:
        message = read_message(text)
        if message["kind"] == "all":
            subscriber.fall_behind()
        elif not ask(message):
            return _too_much()
    except RequestError as error:
        return f"{error}."
    return ""


async def _send(socket: WebSocket, subscriber: Subscriber, news: asyncio.Event) -> None:
    loop = asyncio.get_running_loop()
    next_holes_s = 0.0
    timer: asyncio.TimerHandle | None = None
    while True:
        await news.wait()
        news.clear()
        for text in subscriber.take():
            await socket.send_text(text)
        if not subscriber.holes_wait:
            continue
        wait_s = next_holes_s - loop.time()
        if wait_s > 0:
            if timer is None or timer.when() <= loop.time():
                timer = loop.call_later(wait_s, news.set)
            continue
        holes = subscriber.take_holes()
        if holes is not None:
            next_holes_s = max(next_holes_s, loop.time() - HOLES_AT_ONCE * HOLES_EVERY_S) + HOLES_EVERY_S
            await socket.send_text(holes)


async def _receive(socket: WebSocket, subscriber: Subscriber, ask: Ask) -> None:
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
            sentence = _too_much() if count == MOST_A_SECOND + 1 else ""
        else:
            text = message.get("text")
            sentence = answer(message.get("bytes") or b"" if text is None else text, subscriber, ask)
        if sentence:
            with contextlib.suppress(WebSocketDisconnect, RuntimeError):
                await socket.send_text(json.dumps({"kind": "say", "sentence": sentence}))


def _too_much() -> str:
    return str(catalogue(__package__ or "")["page"]["too_much"])
