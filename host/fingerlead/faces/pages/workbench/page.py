"""The bench put together: its thread, hub and server, from the first to the last moment."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket

from fingering.holes import FINGERS
from fingerlead.faces.pages import practice
from fingerlead.faces.pages.kit import guard
from fingerlead.faces.pages.kit.guard import Guard
from fingerlead.faces.pages.kit.hub import Hub, Seat
from fingerlead.faces.pages.kit.server import Server, listen, shown
from fingerlead.faces.pages.practice.app import nothing_here
from fingerlead.faces.pages.practice.messages import AskingError, read_message
from fingerlead.faces.pages.practice.socket import serve
from fingerlead.faces.pages.practice.telling import say
from fingerlead.faces.pages.practice.texts import catalogue
from fingerlead.ports.simulated_port import SPEC
from fingerlead.store.chanters import ANYONE, Skew
from fingerlead.workbench import workbench
from fingerlead.workbench.actor import REQUESTS, STOP_S, Samples, Stage, WorkbenchActor, WorkbenchRequest
from fingerlead.workbench.levels import HoleReport
from fingerlead.workbench.skew import FRONT

# --- What the bench tells, as messages for its page: `stage`, the whole of what is going on, and `holes`, raw samples.
#
# A message `holes` gives way to a newer one on its way to a page that is slow (`host.live.hub`).


def message_of(told: Stage | Samples) -> dict[str, Any]:
    """As a page gets it."""
    if isinstance(told, Samples):
        return {"kind": "holes", **asdict(told)}
    return {
        "kind": "stage",
        "chanter": told.chanter,
        "fingers": FINGERS,
        "job": told.job,
        "last": told.last,
        "run": told.run,
        "step": None if told.step is None else asdict(told.step),
        "levels": told.levels,
        "full_scale": told.full_scale,
        "counts": told.counts,
        "moved": told.moved,
        "reports": [_report(report) for report in told.reports],
        "skew": None if told.skew is None else _skew(told.skew),
        "sentences": [_sentence(text) for text in told.sentences],
        "trouble": told.trouble,
        "given": told.given,
    }


def _report(report: HoleReport) -> dict[str, Any]:
    swing = max(abs(report.separation), 1.0)
    return {
        "finger": FINGERS[report.hole],
        "verdict": report.verdict,
        "words": report.words,
        "open": round(report.open_raw),
        "covered": round(report.covered_raw),
        "half": None if report.half is None else round(100 * report.half),
        "times_noise": round(report.snr),
        "drift": round(100 * report.drift_raw / swing),
        "crosstalk": round(100 * max(report.crosstalk, 0.0)),
        "uncover_at": report.uncover_at,
        "cover_at": report.cover_at,
    }


def _skew(skew: Skew) -> list[dict[str, Any]]:
    return [
        # Plus nought, so that nothing is minus nought.
        {"finger": FINGERS[hole], "later_ms": round(one / 1_000, 1) + 0.0, "lift_ms": round(bias / 1_000, 1) + 0.0}
        for hole, one, bias in zip(FRONT, skew.skew_us, skew.bias_us, strict=True)
    ]


def _sentence(text: str) -> str:
    """Refusals begin small and end open, as a terminal shows them after its own word. A port keeps its name."""
    begin = text[:1].upper() if text.partition(" ")[0].isalpha() else text[:1]
    return begin + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


# --- The web app of the bench: the page, its files, and its line. All of it behind the guard.

HERE = Path(__file__).parent
SHARED = Path(next(iter(practice.__path__)))


def app(
    hub: Hub, thread: WorkbenchActor, port: str, pupil: str, token: str, cookie: str, fits: Callable[[str], bool]
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


def take(text: str | bytes, seat: Seat, thread: WorkbenchActor) -> str:
    """Do what a page's message asks; what to say where it cannot be done. A kind that is not known is passed over."""
    try:
        message = read_message(text)
        kind = message["kind"]
        if kind == "all":
            seat.fall_behind()
        elif kind in REQUESTS and not thread.ask(WorkbenchRequest(kind, *_which(message))):
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


# ---


@dataclass(frozen=True, slots=True)
class WorkbenchPage:
    """A chanter on the bench, whose page is at `url`."""

    url: str
    thread: WorkbenchActor
    server: Server

    @property
    def running(self) -> bool:
        """Whether both threads are at work; raises what ended one of them."""
        running = [actor.check() for actor in (self.thread, self.server)]
        return all(running)


@contextlib.contextmanager
def opened(port: str, folder: Path, pupil: str, address: str, web_port: int | None) -> Iterator[WorkbenchPage]:
    """The bench from here to the end of the block.

    Raises NoPlaceError where the page cannot be served, and what opening the port raises.
    """
    place = listen(address, web_port)
    number: int = place.getsockname()[1]
    hub = Hub()
    thread = WorkbenchActor(
        lambda: workbench.open_port(port), folder, pupil, lambda told: hub.publish(message_of(told))
    )
    token = guard.new_token()
    names = guard.Names(address, number)
    shown_pupil = "" if pupil == ANYONE else pupil
    with contextlib.closing(place):
        thread.start()
        try:
            with Server(
                app(hub, thread, port, shown_pupil, token, f"fingerlead-{number}", names.fits), place
            ) as server:
                yield WorkbenchPage(f"http://{shown(address)}:{number}/?token={token}", thread, server)
        finally:
            thread.stop(STOP_S)
