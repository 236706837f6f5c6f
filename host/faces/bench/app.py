"""The web app of the bench: the page, its files, and its line. All of it behind the guard."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles

from host.faces import web
from host.faces.web.app import nothing_here
from host.faces.web.asking import AskingError, read_message
from host.faces.web.guard import Guard
from host.faces.web.live_socket import serve
from host.faces.web.sentences import say
from host.faces.web.texts import catalogue
from host.live.bench_stage import WISHES, Wish
from host.ports.simulated_port import SPEC

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.websockets import WebSocket

    from host.live.bench_thread import BenchThread
    from host.live.hub import Hub, Seat

HERE = Path(__file__).parent
SHARED = Path(next(iter(web.__path__)))


def app(
    hub: Hub, thread: BenchThread, port: str, pupil: str, token: str, cookie: str, fits: Callable[[str], bool]
) -> Starlette:
    """The app of one bench; `port` is where the chanter is, `pupil` whose levels they are, if anybody's."""
    loader = jinja2.FileSystemLoader([HERE / "templates", SHARED / "templates"])
    template = jinja2.Environment(loader=loader, autoescape=True).get_template("bench.html")

    async def page(request: Request) -> Response:
        return HTMLResponse(template.render(t=texts(), port=port, pupil=pupil, simulated=port == SPEC))

    async def words(request: Request) -> Response:
        return JSONResponse(texts())

    async def line(socket: WebSocket) -> None:
        await serve(socket, hub, lambda text, seat: take(text, seat, thread))

    return Starlette(
        routes=[
            Route("/", page),
            Route("/texts.json", words),
            WebSocketRoute("/live", line),
            Mount("/bench", StaticFiles(directory=HERE / "static")),
            Mount("/static", StaticFiles(directory=SHARED / "static")),
        ],
        middleware=[Middleware(Guard, token=token, cookie=cookie, fits=fits)],
        exception_handlers={HTTPException: nothing_here},
    )


@cache
def texts() -> dict[str, Any]:
    """The practice page's texts, some of which are needed here too, and the bench's own."""
    return {**catalogue(), **catalogue(folder=HERE / "texts")}


def take(text: str | bytes, seat: Seat, thread: BenchThread) -> str:
    """Do what a page's message asks; what to say where it cannot be done. A kind that is not known is passed over."""
    try:
        message = read_message(text)
        kind = message["kind"]
        if kind == "all":
            seat.fall_behind()
        elif kind in WISHES and not thread.ask(Wish(kind, *_which(message))):
            return say("too_much")
    except AskingError as error:
        return f"{error}."
    return ""


def _which(message: dict[str, Any]) -> tuple[int, bool]:
    """Of which calibration a page speaks, and whether a bad hole is to be passed over."""
    run, anyway = message.get("run", 0), message.get("anyway", False)
    if not isinstance(run, int) or isinstance(run, bool):
        raise AskingError("expected run to be a whole number; got something else")
    if not isinstance(anyway, bool):
        raise AskingError("expected anyway to be true or false; got something else")
    return run, anyway
