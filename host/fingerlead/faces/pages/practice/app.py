"""The web app: the page, its files, its line, and what it can hear again. All of it behind the guard."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import jinja2
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket

from fingering.table import Table
from fingerlead.faces.pages.kit.guard import Guard
from fingerlead.faces.pages.practice.socket import Edges, PracticeLink, TooBusyError, live
from fingerlead.faces.pages.practice.texts import catalogue
from fingerlead.sound.tuning import Tuning

# --- Takes and phrases heard again: `/take/N.wav`, `/take/N.json`, `/phrase.wav`, `/phrase.json`, and the voice itself.

RATE_HZ = 48_000
GONE = "This take cannot be heard any more; only the last fifty are kept. Play the change again."
NOT_MENDED = "Nothing in this take can be mended: no one finger is to blame for what sounded."
BUSY = "fingerlead is busy; try again in a moment."


async def hear_again(request: Request) -> Response:
    """A take or the last phrase, as sound or as the masks it is made of."""
    sitting: PracticeLink = request.app.state.sitting
    name, _, form = request.url.path.rpartition("/")[2].rpartition(".")
    mended = request.query_params.get("mended") == "1"
    try:
        found = await sitting.replay(None if name == "phrase" else _take_number(name), mended)
        if found is None:
            return PlainTextResponse(NOT_MENDED if mended else GONE, 404)
        edges, end_us = found
        if form == "json":
            return JSONResponse({"edges": edges, "end_us": end_us})
        speed = _speed(request.query_params.get("speed", "1"))
        settings = await sitting.sounds()
        return Response(
            await run_in_threadpool(sound, edges, end_us, speed, sitting.table, settings), media_type="audio/wav"
        )
    except TooBusyError:
        return PlainTextResponse(BUSY, 503)
    except ValueError as error:
        return PlainTextResponse(f"{error}.", 400)


def _take_number(text: str) -> int:
    if not (text.isascii() and text.isdigit()) or len(text) > 9:
        raise ValueError(f"expected the number of a take; got {text[:20]!r}")
    return int(text)


def _speed(text: str) -> float:
    from fingerlead.sound.takes import SPEEDS

    for speed in SPEEDS:
        if text == f"{speed:g}":
            return speed
    raise ValueError(f"expected a speed of {', '.join(f'{speed:g}' for speed in SPEEDS)}; got {text[:20]!r}")


async def voice(request: Request) -> Response:
    """How the page makes the sound by itself."""
    from fingerlead.sound.voices import voice_json

    sitting: PracticeLink = request.app.state.sitting
    try:
        settings = await sitting.sounds()
    except TooBusyError:
        return PlainTextResponse(BUSY, 503)
    made = await run_in_threadpool(voice_json, settings["voice"], tuning_of(settings), sitting.table)
    return JSONResponse(made)


def sound(edges: Edges, end_us: int, speed: float, table: Table, settings: dict[str, Any]) -> bytes:
    """A WAV file of a take as it sounds now. ValueError for a speed that makes no sense."""
    from fingerlead.sound.takes import render_take, wav_bytes

    samples = render_take(
        edges, end_us, speed, table, settings["voice"], tuning_of(settings), settings["drones"], RATE_HZ
    )
    return wav_bytes(samples, RATE_HZ)


def tuning_of(settings: dict[str, Any]) -> Tuning:
    """The tuning that the settings name."""
    from fingerlead.sound.tuning import Tuning

    return Tuning(settings["low_a_hz"], settings["scale"], settings["false_cents"])


# ---

HERE = Path(__file__).parent
NOTHING_HERE = "There is nothing here. The page is at /"


def app(sitting: PracticeLink, token: str, cookie: str, fits: Callable[[str], bool]) -> Starlette:
    """The app for one sitting. `fits` says which Host headers are this server's; `cookie` names the token's cookie."""
    pages = jinja2.Environment(loader=jinja2.FileSystemLoader(HERE / "templates"), autoescape=True)

    async def line(socket: WebSocket) -> None:
        await live(socket, sitting)

    made = Starlette(
        routes=[
            Route("/", partial(_page, pages.get_template("practice.html"))),
            Route("/hold", partial(_page, pages.get_template("hold.html"))),
            Route("/texts.json", _texts),
            Route("/voice.json", voice),
            *(Route(f"/take/{{number}}.{form}", hear_again) for form in ("wav", "json")),
            *(Route(f"/phrase.{form}", hear_again) for form in ("wav", "json")),
            WebSocketRoute("/live", line),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ],
        middleware=[Middleware(Guard, token=token, cookie=cookie, fits=fits)],
        exception_handlers={HTTPException: nothing_here},
    )
    made.state.sitting = sitting
    return made


async def _page(template: jinja2.Template, request: Request) -> Response:
    return HTMLResponse(template.render(t=catalogue()))


async def _texts(request: Request) -> Response:
    return JSONResponse(catalogue())


async def nothing_here(request: Request, error: Exception) -> Response:
    """What is said where there is nothing, or nothing to be done."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    return PlainTextResponse(NOTHING_HERE if status == 404 else "That is not possible here.", status)
