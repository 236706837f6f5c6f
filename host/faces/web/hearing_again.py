"""Takes and phrases heard again: `/take/N.wav`, `/take/N.json`, `/phrase.wav`, `/phrase.json`, and the voice itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response

from host.faces.web.sitting import TooBusyError

if TYPE_CHECKING:
    from fingering.table import Table
    from host.faces.web.sitting import Edges, Sitting
    from host.sound.tuning import Tuning

RATE_HZ = 48_000
GONE = "This take cannot be heard any more; only the last fifty are kept. Play the change again."
NOT_MENDED = "Nothing in this take can be mended: no one finger is to blame for what sounded."
BUSY = "fingerlead is busy; try again in a moment."


async def hear_again(request: Request) -> Response:
    """A take or the last phrase, as sound or as the masks it is made of."""
    sitting: Sitting = request.app.state.sitting
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
    from host.sound.takes import SPEEDS

    for speed in SPEEDS:
        if text == f"{speed:g}":
            return speed
    raise ValueError(f"expected a speed of {', '.join(f'{speed:g}' for speed in SPEEDS)}; got {text[:20]!r}")


async def voice(request: Request) -> Response:
    """How the page makes the sound by itself."""
    from host.sound.reed import voice_json

    sitting: Sitting = request.app.state.sitting
    try:
        settings = await sitting.sounds()
    except TooBusyError:
        return PlainTextResponse(BUSY, 503)
    made = await run_in_threadpool(voice_json, settings["voice"], tuning_of(settings), sitting.table)
    return JSONResponse(made)


def sound(edges: Edges, end_us: int, speed: float, table: Table, settings: dict[str, Any]) -> bytes:
    """A WAV file of a take as it sounds now. ValueError for a speed that makes no sense."""
    from host.sound.takes import render_take, wav_bytes

    samples = render_take(
        edges, end_us, speed, table, settings["voice"], tuning_of(settings), settings["drones"], RATE_HZ
    )
    return wav_bytes(samples, RATE_HZ)


def tuning_of(settings: dict[str, Any]) -> Tuning:
    """The tuning that the settings name."""
    from host.sound.tuning import Tuning

    return Tuning(settings["low_a_hz"], settings["scale"], settings["false_cents"])
