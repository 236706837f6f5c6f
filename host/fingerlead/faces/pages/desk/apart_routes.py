"""The desk's addresses for a pupil who is far away: answers, passages that are kept, and the bundles each way."""

import tempfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from fingerlead.bundle.keys import BundleError
from fingerlead.bundle.packing import GREATEST
from fingerlead.bundle.teacher_side import TeacherSide
from fingerlead.faces.pages.desk import pages
from fingerlead.faces.pages.desk.forms import field, go_to
from fingerlead.store.files import write_whole
from fingerlead.store.passage import Passage, PassageError, decode_passage, encode_changes, encode_passage
from fingerlead.studio import questions
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.questions import Question
from fingerlead.studio.studio import Studio
from fingerlead.timing.analysis import Analysis

PUPIL = "/pupil/{key}"
KEPT = f"{PUPIL}/passage/{{id}}"


class ApartRoutes:
    """The addresses of one studio. `hold` has a passage at hand, and gives its number; `held` is that of a number.

    `analysed` is the session that a request is about.
    """

    def __init__(
        self,
        studio: Studio,
        today: Callable[[], date],
        hold: Callable[[Passage], str],
        held: Callable[[str], Passage],
        analysed: Callable[[Request], Analysis],
    ) -> None:
        self._studio, self._today = studio, today
        self._hold, self._held, self._analysed = hold, held, analysed

    def routes(self) -> list[Route]:
        """All of them."""
        writing = {
            f"{PUPIL}/answer": self.answer,
            f"{PUPIL}/bundle/take-in": self.take_in,
            f"{PUPIL}/bundle/take-in/model": self.model,
            "/message/{number}/keep": self.keep,
            "/session/{digest}/passage": self.send,
        }
        reading = {f"{PUPIL}/bundle": self.make, KEPT: self.kept}
        gets = [Route(address, handler, methods=["GET"]) for address, handler in reading.items()]
        return [*gets, *(Route(address, handler, methods=["POST"]) for address, handler in writing.items())]

    async def answer(self, request: Request) -> Response:
        """An answer to a question."""
        key, form = request.path_params["key"], await request.form()
        to, words, id = (field(form, name) for name in ("question", "text", "id"))
        if not to:
            raise StudioError("expected a question that is answered. Load the page anew")
        questions.reply(self._studio.of(key), to, words, self._today(), id=id)
        return go_to(f"/pupil/{key}#apart-h")

    async def make(self, request: Request) -> Response:
        """The next bundle for the pupil."""
        try:
            made = TeacherSide(self._studio).make(request.path_params["key"], self._today())
        except BundleError as error:
            raise StudioError(str(error)) from None
        return Response(made.data, media_type="application/octet-stream")

    async def take_in(self, request: Request) -> Response:
        """A bundle from the pupil."""
        key, form = request.path_params["key"], await request.form()
        self._studio.of(key)
        data = await _uploaded(form.get("bundle"), "a bundle")
        try:
            _, came = TeacherSide(self._studio).take_in(data, self._today(), key, field(form, "words"))
        except BundleError as error:
            raise StudioError(str(error)) from None
        return HTMLResponse(pages.pupil_page(self._studio, key, self._today(), notice=came.sentence))

    async def model(self, request: Request) -> Response:
        """A session of the teacher's own, to go with the next bundle."""
        key, form = request.path_params["key"], await request.form()
        data = await _uploaded(form.get("model"), "a session")
        with tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch:
            path = Path(scratch) / "model.session"
            write_whole(path, data)
            try:
                new = TeacherSide(self._studio).add_model(key, path)
            except BundleError as error:
                raise StudioError(str(error).removeprefix(f"{path}: ")) from None
        notice = "The model take goes with the next bundle." if new else "This model take is there already."
        return HTMLResponse(pages.pupil_page(self._studio, key, self._today(), notice=notice))

    async def keep(self, request: Request) -> Response:
        """A passage that was pasted lands with its pupil, to be answered."""
        key = field(await request.form(), "key")
        if not key:
            raise StudioError("expected the pupil whose passage this is. Choose one")
        folder, message = self._studio.of(key), encode_passage(self._held(request.path_params["number"]))
        if message not in {each.passage for each in questions.questions(folder)}:
            questions.ask(folder, Question("", "", "", passage=message), self._today())
        return go_to(f"/pupil/{key}#apart-h")

    async def send(self, request: Request) -> Response:
        """Some changes of a session, with words, to go with the next bundle."""
        digest, form = request.path_params["digest"], await request.form()
        folder = self._studio.session_path(digest).parents[1]
        first, last = (_number(field(form, name)) for name in ("first", "last"))
        try:
            message = encode_changes(self._analysed(request), first - 1, last - 1)
        except PassageError as error:
            raise StudioError(str(error)) from None
        questions.reply(folder, "", field(form, "text"), self._today(), message, field(form, "sent"))
        return go_to(f"/pupil/{folder.name}#apart-h")

    async def kept(self, request: Request) -> Response:
        """A passage that is kept with a pupil: it is opened as one that is pasted."""
        key, id = request.path_params["key"], request.path_params["id"]
        folder = self._studio.of(key)
        message = questions.passages(folder).get(id)
        if message is None:
            raise StudioError("expected a passage of this pupil; there is none of this name")
        try:
            number = self._hold(decode_passage(message))
        except PassageError as error:
            raise StudioError(str(error)) from None
        return go_to(f"/message/{number}")


async def _uploaded(upload: Any, what: str) -> bytes:
    """What was sent as a file; raises StudioError."""
    if not isinstance(upload, UploadFile):
        raise StudioError(f"expected the file of {what}. Choose one")
    return await upload.read(GREATEST + 1)


def _number(text: str) -> int:
    if not (text.isascii() and text.isdigit()) or len(text) > 9:
        raise StudioError(f"expected the number of a change; got {text[:20]!r}")
    return int(text)
