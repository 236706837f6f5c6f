"""The practice page's addresses: the page itself, its websocket, and what it can hear again.

/             the page; /hold is the one on how to hold a chanter
/live         the websocket
/take/N.wav   a take as sound at a speed, or mended; /take/N.json the masks it is made of
/phrase.wav   the same of the last phrase; /phrase.json
/model.wav    notes as they are done well, `notes` from 0 to 8 with commas: one, or two with grace notes between;
              /model.json
/music.wav    all of the music on the staff in time; /music.json also says when each of its notes is to sound
/own.abc      a player's own tune, posted as ABC: it is practised from then on
/voice.json   how the page makes the sound by itself
"""

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import asdict
from typing import Any, ParamSpec, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.websockets import WebSocket

from fingering.table import Table
from fingerlead.faces.pages.kit.app import PageApp, page_app
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.socket import serve
from fingerlead.faces.pages.kit.templates import render
from fingerlead.faces.pages.practice.messages import PACKAGE
from fingerlead.faces.pages.practice.requests import Cover, read_request
from fingerlead.ports.base import now_us
from fingerlead.practice import inbox
from fingerlead.practice.actor import PracticeActor
from fingerlead.practice.own_tunes import model_of, own_tune, refusal
from fingerlead.practice.takes import model
from fingerlead.sound.takes import SPEEDS, render_take, wav_bytes
from fingerlead.sound.tuning import Tuning
from fingerlead.sound.voices import voice_json

RATE_HZ = 48_000
MOST_MODEL_NOTES = 16
DIGITS = tuple("012345678")
ANSWER_S = 5.0
MOST_WAITING = 8  # of what takes long to work out, the one at work among them
GONE = "This take cannot be heard any more; only the last fifty are kept. Play the change again."
NOT_MENDED = "Nothing in this take can be mended: what sounded was not caused by any single finger."
BUSY = "fingerlead is busy; try again in a moment."
Answer = TypeVar("Answer")
Given = ParamSpec("Given")
Edges = tuple[tuple[int, int], ...]


class TooBusyError(Exception):
    """The practice actor did not answer in time."""


class PracticeRoutes:
    """The addresses of one practice, which `actor` runs and `hub` publishes; `also` are others."""

    def __init__(self, hub: Hub, actor: PracticeActor, table: Table, also: Sequence[Route] = ()) -> None:
        self._hub, self._actor, self._table, self._also = hub, actor, table, also
        self._turn, self._waiting = asyncio.Semaphore(1), 0

    def app(self) -> PageApp:
        """All addresses as one app."""
        shells = [Route(address, self.page) for address in ("/", "/hold")]
        again = [f"/{what}.{form}" for what in ("take/{number}", "phrase") for form in ("wav", "json")]
        routes = [Route("/voice.json", self.voice), *(Route(address, self.hear_again) for address in again)]
        routes += [Route(f"/model.{form}", self.hear_model) for form in ("wav", "json")]
        routes += [Route(f"/music.{form}", self.hear_music) for form in ("wav", "json")]
        routes += [Route("/own.abc", self.play_own, methods=["POST"]), *self._also]
        return page_app(PACKAGE, shells, routes, self.live, {TooBusyError: _refuse, ValueError: _refuse})

    async def page(self, request: Request) -> Response:
        """The page, or the one on how to hold a chanter."""
        return HTMLResponse(render(PACKAGE, "hold.html" if request.url.path == "/hold" else "practice.html"))

    async def live(self, socket: WebSocket) -> None:
        """One page's websocket; no finger of a page that is gone covers anything."""
        covers = False

        def ask(message: dict[str, Any]) -> bool:
            nonlocal covers
            request = read_request(message, now_us())
            if isinstance(request, Cover):
                covers = request.covered_mask != 0
                self._actor.cover(request.covered_mask)
                return True
            return request is None or self._actor.ask(request)

        try:
            await serve(socket, self._hub, ask)
        finally:
            if covers:
                self._actor.cover(0)

    async def hear_again(self, request: Request) -> Response:
        """A take or the last phrase, as sound or as the masks it is made of."""
        number, query = request.path_params.get("number"), request.query_params
        mended = query.get("mended") == "1"
        replay = inbox.Replay(None if number is None else _take_number(number), mended)
        found = await self._answer(replay, replay.answer)
        if found is None:
            return PlainTextResponse(NOT_MENDED if mended else GONE, 404)
        return await self._heard(request, *found)

    async def hear_model(self, request: Request) -> Response:
        """Notes as they are done well, as sound or as masks."""
        shown = model(_model_notes(request.query_params.get("notes", "")), self._table)
        return await self._heard(request, shown.edges, shown.end_us)

    async def hear_music(self, request: Request) -> Response:
        """All of the music on the staff, in time, as sound or as masks and notes."""
        asked = inbox.Shown()
        tune, bpm = await self._answer(asked, asked.answer)
        model = await self._work_out(model_of, tune, bpm, self._table)
        if request.url.path.endswith(".json"):
            return JSONResponse(asdict(model))
        return await self._heard(request, model.edges, model.end_us)

    async def play_own(self, request: Request) -> Response:
        """A player's own tune, from now on on the staff; or why not, in a sentence."""
        text = await request.body()
        try:
            music = await self._work_out(own_tune, text)
        except ValueError as error:
            return JSONResponse({"key": "", "refused": refusal(error)})
        asked = inbox.PlayOwn(music)
        return JSONResponse({"key": await self._answer(asked, asked.answer), "refused": ""})

    async def _heard(self, request: Request, edges: Edges, end_us: int) -> Response:
        if request.url.path.endswith(".json"):
            return JSONResponse({"edges": edges, "end_us": end_us})
        speed, settings = _speed(request.query_params.get("speed", "1")), await self._settings()
        wav = await self._work_out(_wav, edges, end_us, speed, self._table, settings)
        return Response(wav, media_type="audio/wav")

    async def voice(self, request: Request) -> Response:
        """How the page makes the sound by itself."""
        settings = await self._settings()
        return JSONResponse(await run_in_threadpool(voice_json, settings["voice"], _tuning(settings), self._table))

    async def _settings(self) -> dict[str, Any]:
        """How it sounds now."""
        sounds = inbox.Sounds()
        return await self._answer(sounds, sounds.answer)

    async def _work_out(self, work: Callable[Given, Answer], *args: Given.args, **kwargs: Given.kwargs) -> Answer:
        """What a function gives, worked out in a thread; raises TooBusyError where too much waits for its turn.

        One at a time: ten minutes of sound take seconds, and hundreds of megabytes.
        """
        if self._waiting == MOST_WAITING:
            raise TooBusyError
        self._waiting += 1
        try:
            async with self._turn:
                return await run_in_threadpool(work, *args, **kwargs)
        finally:
            self._waiting -= 1

    async def _answer(self, request: inbox.Request, answer: Future[Answer]) -> Answer:
        """What the actor answers to a request. Raises TooBusyError."""
        if not self._actor.ask(request):
            raise TooBusyError
        try:
            return await asyncio.wait_for(asyncio.wrap_future(answer), ANSWER_S)
        except TimeoutError:
            raise TooBusyError from None


async def _refuse(request: Request, error: Exception) -> Response:
    """A request that makes no sense, or comes at a bad moment, is answered in a sentence."""
    return PlainTextResponse(BUSY, 503) if isinstance(error, TooBusyError) else PlainTextResponse(f"{error}.", 400)


def _take_number(text: str) -> int:
    if not (text.isascii() and text.isdigit()) or len(text) > 9:
        raise ValueError(f"expected the number of a take; got {text[:20]!r}")
    return int(text)


def _model_notes(text: str) -> list[int]:
    notes = [int(part) for part in text.split(",", MOST_MODEL_NOTES) if part in DIGITS]
    alike = len(notes) == 2 and notes[0] == notes[1]
    if not 1 <= len(notes) <= MOST_MODEL_NOTES or len(notes) != text.count(",") + 1 or alike:
        raise ValueError(f"expected one note, or different ones, each 0 to 8, with commas; got {text[:20]!r}")
    return notes


def _speed(text: str) -> float:
    for speed in SPEEDS:
        if text == f"{speed:g}":
            return speed
    raise ValueError(f"expected a speed of {', '.join(f'{speed:g}' for speed in SPEEDS)}; got {text[:20]!r}")


def _wav(edges: Edges, end_us: int, speed: float, table: Table, settings: dict[str, Any]) -> bytes:
    """A WAV file of a take as it sounds now."""
    voice, drones = settings["voice"], settings["drones"]
    return wav_bytes(render_take(edges, end_us, speed, table, voice, _tuning(settings), drones, RATE_HZ), RATE_HZ)


def _tuning(settings: dict[str, Any]) -> Tuning:
    return Tuning(settings["low_a_hz"], settings["scale"], settings["false_cents"])
