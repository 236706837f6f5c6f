"""The workbench page: what it is sent, what it may ask for, and how it is put together with the workbench's actor.

It is sent `stage`, the whole of what is going on, and `holes`, raw samples; on the way to a slow page `holes` gives way
to a newer one. A page that joins is also told of its `bench`: the port, the pupil, whether the hands are simulated.
"""

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.websockets import WebSocket

from fingering.holes import FINGERS
from fingerlead.faces.pages.kit.app import PageApp, page_app
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.page import ServedPage, served
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.faces.pages.kit.requests import Field, read_fields, true_or_false, whole
from fingerlead.faces.pages.kit.socket import serve
from fingerlead.faces.pages.kit.templates import render
from fingerlead.ports.base import SIMULATED
from fingerlead.store.chanters import ANYONE
from fingerlead.store.skews import Skew
from fingerlead.workbench import workbench
from fingerlead.workbench.actor import REQUESTS, Samples, Stage, WorkbenchActor, WorkbenchRequest
from fingerlead.workbench.levels import HoleReport

PACKAGE = "fingerlead.faces.pages.workbench"
FIELDS: dict[str, Field] = {"run": whole(0, 1 << 31), "anyway": true_or_false}


def message_of(event: Stage | Samples) -> dict[str, Any]:
    """What the actor says happened, as a message."""
    if isinstance(event, Samples):
        return {"kind": "holes", **asdict(event)}
    return {
        **asdict(event),
        "kind": "stage",
        "fingers": FINGERS,
        "reports": [_report(report, report.hole in event.kept) for report in event.reports],
        "skew": None if event.skew is None else _skew(event.skew),
        "sentences": [_sentence(text) for text in event.sentences],
    }


def _report(report: HoleReport, kept: bool) -> dict[str, Any]:
    swing = max(abs(report.separation), 1.0)
    return {
        "finger": FINGERS[report.hole],
        "verdict": report.verdict.replace(" ", "_"),
        "mend": report.fault is not None,
        "kept": kept,
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
        {"finger": finger, "later_ms": round(one / 1_000, 1) + 0.0, "lift_ms": round(bias / 1_000, 1) + 0.0}
        for finger, one, bias in zip(FINGERS[-len(skew.skew_us) :], skew.skew_us, skew.bias_us, strict=True)
    ]


def _sentence(text: str) -> str:
    """Refusals begin small and end open, as a terminal shows them after its own word. A port keeps its name."""
    begin = text[:1].upper() if text.partition(" ")[0].isalpha() else text[:1]
    return begin + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def read_request(message: Mapping[str, Any]) -> WorkbenchRequest | None:
    """What a message asks for; None for a kind that is not known, which is passed over. Raises RequestError."""
    kind = message["kind"]
    return WorkbenchRequest(kind, **read_fields(message, FIELDS)) if kind in REQUESTS else None


def workbench_app(hub: Hub, actor: WorkbenchActor, port: str, pupil: str) -> PageApp:
    """The app of one workbench; `port` is where the chanter is, `pupil` whose levels they are."""
    whose = "" if pupil == ANYONE else pupil
    hub.remember(bench={"port": port, "pupil": whose, "simulated": port == SIMULATED})

    async def page(request: Request) -> Response:
        return HTMLResponse(render(PACKAGE, "workbench.html"))

    def ask(message: dict[str, Any]) -> bool:
        request = read_request(message)
        return request is None or actor.ask(request)

    async def live(socket: WebSocket) -> None:
        await serve(socket, hub, ask)

    return page_app(PACKAGE, [Route("/", page)], [], live)


@contextlib.contextmanager
def opened(port: str, folder: Path, pupil: str, at: WebPlace) -> Iterator[ServedPage]:
    """The page with a chanter on the workbench, from here to the end of the block.

    Raises NoPlaceError where the page cannot be served, and what opening the port raises.
    """
    hub = Hub()
    actor = WorkbenchActor(
        lambda: workbench.open_port(port),
        folder,
        pupil,
        lambda event: hub.publish(message_of(event)),
        workbench.WayBack(port),
    )
    with served(workbench_app(hub, actor, port, pupil), at, actor) as page:
        yield page
