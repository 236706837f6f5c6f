"""The practice page's addresses for a pupil whose teacher is far away: questions, and the bundles each way.

/teacher/words     the eight words of this side's key
/teacher/ask       a question, posted as JSON: `text`, `piece` (what is on the staff), `id`
/teacher/bundle    the next bundle, as a file; `name` is what the pupil wants to be called in it
/teacher/take-in   a bundle, posted as it is; `words` are those that the teacher read out, once
/teacher/heard/ID  .wav or .json: a passage of an answer, or a model take
"""

import asyncio
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import orjson
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fingering.table import Table
from fingerlead.bundle.keys import BundleError, key_words
from fingerlead.bundle.packing import GREATEST
from fingerlead.bundle.pupil_side import MODELS, PupilSide
from fingerlead.faces.pages.practice.teacher import from_bundles
from fingerlead.sound.takes import render_take, wav_bytes
from fingerlead.store.passage import PassageError, decode_passage, passage_edges
from fingerlead.store.session_file import SessionError
from fingerlead.store.session_reading import read_session, session_record
from fingerlead.studio.index import DIGEST_LETTERS
from fingerlead.studio.pupils import LONGEST_NAME, StudioError, is_key, text
from fingerlead.studio.questions import passages

# Bodies by the pattern of their path.
BODIES = {"/teacher/take-in": GREATEST + 1}
RATE_HZ = 48_000
# Of a model take so much is heard.
LONGEST_MODEL_US = 120_000_000
REFUSALS = (BundleError, StudioError, SessionError, OSError)
GONE = "This cannot be heard any more."


class TeacherRoutes:
    """The addresses of one pupil's folder. `changed` is told what the teacher has given, whenever that is news."""

    def __init__(
        self, folder: Path, table: Table, today: Callable[[], date], changed: Callable[[dict[str, Any]], object]
    ) -> None:
        self._folder, self._side, self._table = folder, PupilSide(folder), table
        self._today, self._changed = today, changed
        self._turn = asyncio.Lock()

    def routes(self) -> list[Route]:
        """All of them."""
        posts = {"ask": self.ask, "bundle": self.make, "take-in": self.take_in}
        heard = [Route(f"/teacher/heard/{{id}}.{form}", self.heard) for form in ("wav", "json")]
        writing = [Route(f"/teacher/{name}", handler, methods=["POST"]) for name, handler in posts.items()]
        return [Route("/teacher/words", self.words), *writing, *heard]

    async def words(self, request: Request) -> Response:
        """The eight words of this side's key."""
        return await self._told(lambda: {"words": key_words(self._side.key().public)})

    async def ask(self, request: Request) -> Response:
        """A question to the teacher."""
        try:
            asked = orjson.loads(await request.body())
        except orjson.JSONDecodeError:
            asked = None
        if not isinstance(asked, dict):
            raise ValueError("expected a question as a JSON object")
        words, piece, id = (text(asked, name) for name in ("text", "piece", "id"))
        return await self._told(lambda: {"asked": self._side.ask(words, self._today(), piece[:64], id=id)}, news=True)

    async def make(self, request: Request) -> Response:
        """The next bundle for the teacher."""
        name = request.query_params.get("name", "")[:LONGEST_NAME]
        async with self._turn:
            try:
                made = await run_in_threadpool(self._side.make, self._today(), name)
            except REFUSALS as error:
                return JSONResponse({"refused": _sentence(error)}, 409)
        headers = {"fingerlead-number": str(made.number), "fingerlead-words": made.words}
        return Response(made.data, media_type="application/octet-stream", headers=headers)

    async def take_in(self, request: Request) -> Response:
        """A bundle from the teacher."""
        data, words = await request.body(), request.query_params.get("words", "")
        return await self._told(lambda: {"told": self._side.take_in(data, self._today(), words).sentence}, news=True)

    async def heard(self, request: Request) -> Response:
        """A passage of an answer, or a model take, as sound or as the masks it is made of."""
        id, form = request.path_params["id"], request.url.path.rpartition(".")[2]
        async with self._turn:
            try:
                edges, end_us = await run_in_threadpool(self._edges, id)
                if form == "json":
                    return JSONResponse({"edges": edges, "end_us": end_us})
                samples = await run_in_threadpool(render_take, edges, end_us, 1.0, self._table, rate_hz=RATE_HZ)
            except (PassageError, SessionError, OSError):
                raise ValueError(GONE.rstrip(".")) from None
        return Response(wav_bytes(samples, RATE_HZ), media_type="audio/wav")

    def _edges(self, id: str) -> tuple[list[tuple[int, int]], int]:
        if is_key(id):
            return passage_edges(decode_passage(passages(self._side.folder).get(id, "")))
        if len(id) != DIGEST_LETTERS or not set(id) <= set("0123456789abcdef"):
            raise ValueError(f"expected a passage or a model take; got {id[:20]!r}")
        record = session_record(read_session(self._side.folder / MODELS / f"{id}.session"))
        edges = list(zip(record.t_us.tolist(), record.covered.tolist(), strict=True))
        until_us = min(record.end_us, edges[0][0] + LONGEST_MODEL_US) if edges else 0
        return [edge for edge in edges if edge[0] < until_us], until_us

    async def _told(self, work: Callable[[], dict[str, str]], news: bool = False) -> Response:
        """What was done, or why not, in a sentence; one at a time."""
        async with self._turn:
            try:
                done = await run_in_threadpool(work)
                if news:
                    self._changed(await run_in_threadpool(from_bundles, self._folder, self._today()))
            except REFUSALS as error:
                return JSONResponse({"refused": _sentence(error)})
        return JSONResponse({"refused": "", **done})


def _sentence(error: Exception) -> str:
    if isinstance(error, OSError):
        return f"this folder cannot be used: {error.strerror or error}"
    return str(error)
