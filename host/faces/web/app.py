"""The web app: the page, its files, its line, and what it can hear again. All of it behind the guard."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import jinja2
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles

from host.faces.web.guard import Guard
from host.faces.web.hearing_again import hear_again, voice
from host.faces.web.live_socket import live
from host.faces.web.texts import catalogue

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.websockets import WebSocket

    from host.faces.web.sitting import Sitting

HERE = Path(__file__).parent
NOTHING_HERE = "There is nothing here. The page is at /"


def app(sitting: Sitting, token: str, cookie: str, fits: Callable[[str], bool]) -> Starlette:
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
