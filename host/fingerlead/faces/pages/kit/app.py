"""The web app of a page: its own addresses beside what all pages share."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket

from fingerlead.faces.pages.kit.guard import unknown
from fingerlead.faces.pages.kit.templates import catalogue

NOTHING_HERE = "There is nothing here. The page is at /"
NOT_POSSIBLE = "That is not possible here."


@dataclass(frozen=True, slots=True)
class PageApp:
    """The two apps of a page: what any browser gets, and what only one with a secret gets."""

    outside: Starlette
    inside: Starlette


def page_app(
    package: str,
    shells: Sequence[BaseRoute],
    routes: Sequence[BaseRoute],
    live: Callable[[WebSocket], Awaitable[None]] | None = None,
    refusals: Mapping[Any, Callable[[Request, Any], Awaitable[Response]]] | None = None,
) -> PageApp:
    """The app of the page in a package: `/kit` are the kit's static files, `/static` the package's own.

    `shells` are given to any browser: pages that hold nothing of any player, and fetch the rest with their secret.
    `routes` need one. `live` serves the page's websocket, where it has one; `refusals` are answers to exceptions, by
    their class.
    """

    async def texts(request: Request) -> Response:
        return JSONResponse(catalogue(package))

    public = [
        *shells,
        Route("/texts.json", texts),
        Mount("/kit", StaticFiles(packages=[(__package__ or "", "static")])),
        Mount("/static", StaticFiles(packages=[(package, "static")])),
    ]
    line = [] if live is None else [WebSocketRoute("/live", live)]
    return PageApp(
        Starlette(routes=public, exception_handlers={HTTPException: _refuse_unknown}),
        Starlette(routes=[*routes, *public, *line], exception_handlers={HTTPException: _refuse, **(refusals or {})}),
    )


async def _refuse_unknown(request: Request, error: Exception) -> Response:
    """What is said to a browser without a secret: never whether there is anything."""
    return unknown()


async def _refuse(request: Request, error: Exception) -> Response:
    """What is said where there is nothing, or nothing to be done."""
    assert isinstance(error, HTTPException)
    sentence = {404: NOTHING_HERE, 405: NOT_POSSIBLE}.get(error.status_code, f"{error.detail.rstrip('.')}.")
    return PlainTextResponse(sentence, error.status_code, headers=error.headers)
