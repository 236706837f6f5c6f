"""The desk's addresses: each reads or changes the studio, and answers with a page, a file, a sentence or where to go.

A browser that goes to a page gets an empty shell, whose script fetches the page with its secret. Who may ask is settled
before, by the guard around the whole app. The studio is used from the event loop alone, one request at a time: nothing
here needs a lock.
"""

import contextlib
import secrets
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from fingering.notes import NOTES, SOUNDING
from fingerlead.faces.pages.desk import moments, pages, reports, sessions
from fingerlead.faces.pages.desk.apart_routes import KEPT, ApartRoutes
from fingerlead.faces.pages.desk.drafts import ADDRESS, Drafts
from fingerlead.faces.pages.desk.files import stretch_wav
from fingerlead.faces.pages.desk.first_page import first_page, view_in
from fingerlead.faces.pages.desk.forms import field, go_to
from fingerlead.faces.pages.desk.lesson_routes import LIVE, LiveRoutes
from fingerlead.faces.pages.desk.teaching_routes import LESSONS, MANY, teaching_routes
from fingerlead.faces.pages.desk.turns import passed_shown
from fingerlead.faces.pages.desk.versions import versions_route
from fingerlead.faces.pages.kit.app import PageApp, page_app
from fingerlead.faces.pages.kit.page import ServedPage, served
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.listening.sources import open_source
from fingerlead.phrases import capital
from fingerlead.store.files import FULL
from fingerlead.store.passage import Passage, decode_passage, encode_changes
from fingerlead.store.passage.text import BETWEEN, PassageError
from fingerlead.store.session_file import SessionError
from fingerlead.studio import pupils as folders
from fingerlead.studio.index import analysed
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.round import Round
from fingerlead.studio.saves import EDITABLE, StaleError, read_fields
from fingerlead.studio.studio import Studio
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.findings import work_on_first
from fingerlead.timing.summary import summarise

GREATEST_MESSAGE = 1 << 20
# Session files and a passage are longer than a form; coding makes three bytes of one at most.
# What is longer than a text may be is let in, so that a sentence can say how long it may be.
BODIES = {
    "/pupil/*/take-in": 1 << 28,
    "/message": 3 * GREATEST_MESSAGE,
    "/pupil": 3 * GREATEST_MESSAGE,
    "/pupil/*": 3 * GREATEST_MESSAGE,
    MANY: 3 * GREATEST_MESSAGE,
    "/session/*/remark": 3 * GREATEST_MESSAGE,
    ADDRESS: 3 * GREATEST_MESSAGE,
}
MOST_OPENED = 20
Number = TypeVar("Number", int, float)


class Desk:
    """The addresses of one studio. `round` is the chanter passed round, where one is listened to."""

    def __init__(self, studio: Studio, today: Callable[[], date] = date.today, round: Round | None = None) -> None:
        self.studio, self.today, self.round = studio, today, round
        self.opened: dict[str, tuple[Passage, Analysis]] = {}
        self.drafts = Drafts(studio.folder)
        self.lessons = LiveRoutes(studio, today)

    def app(self) -> PageApp:
        """All addresses as one app."""
        key, digest, number = "/pupil/{key}", "/session/{digest}", "/message/{number}"
        told = f"{digest}/message"
        addresses = ("/", key, digest, f"{key}/report", told, "/message", number, MANY, LESSONS, KEPT, LIVE)
        shells = [Route("/style.css", self.style), *(Route(address, self.shell) for address in addresses)]
        reading = {
            "/": self.glance,
            "/round.json": self.passed,
            key: self.pupil,
            f"{key}/report": self.report,
            f"{key}/report.pdf": self.report_pdf,
            f"{key}/all.zip": self.export,
            f"{digest}.json": self.edges,
            f"{digest}.wav": self.sound,
            f"{digest}/moment.json": self.moment,
            f"{digest}/message": self.message_out,
            digest: self.session,
            "/message": self.message,
            f"{number}.json": self.edges,
            f"{number}.wav": self.sound,
            f"{number}/moment.json": self.moment,
            number: self.passage,
        }
        writing = {
            "/next": self.next,
            "/pupil": self.add,
            key: self.change,
            f"{key}/take-in": self.take_in,
            f"{key}/delete": self.delete,
            f"{digest}/remark": self.remark,
            f"{digest}/remark/{{id}}/back": self.take_back,
            "/message": self.open_message,
        }
        routes = [Route(address, handler, methods=["GET"]) for address, handler in reading.items()]
        routes += [Route(address, handler, methods=["POST"]) for address, handler in writing.items()]
        routes += ApartRoutes(self.studio, self.today, self.hold, self.held, self._analysed).routes()
        routes += [*self.drafts.routes(), *teaching_routes(self.studio, self.today), versions_route(self.studio)]
        routes += self.lessons.routes()
        refusals = dict.fromkeys(REFUSED, _refuse)
        return page_app(pages.PACKAGE, shells, routes, self.lessons.live, refusals)

    async def shell(self, request: Request) -> Response:
        """What fetches a page; what is fetched by a script alone has none."""
        if request.url.path.endswith((".wav", ".json")):
            raise HTTPException(404)
        return HTMLResponse(pages.render("shell.html"))

    async def glance(self, request: Request) -> Response:
        """All pupils."""
        self.studio.look()
        view = view_in(request.query_params)
        return HTMLResponse(first_page(self.studio, self.today(), view, self.round))

    async def style(self, request: Request) -> Response:
        """What the desk's pages and reports share, and the desk's own."""
        return Response(pages.style(), media_type="text/css")

    async def passed(self, request: Request) -> Response:
        """Who has the chanter, what is played, and who is next, where who has it is not `known`."""
        known = request.query_params.get("known")
        return JSONResponse({} if self.round is None else passed_shown(self.studio, self.round, known))

    async def next(self, request: Request) -> Response:
        """Who plays next; no pupil, where no key is given."""
        if self.round is None:
            raise StudioError("no chanter is listened to; begin with: fingerlead studio FOLDER PORT")
        form = await request.form()
        key = field(form, "key")
        self.round.next(self.studio.pupil(key).key if key else "")
        return go_to(view_in({name: field(form, name) for name in ("find", "show", "by", "page")}).address)

    async def add(self, request: Request) -> Response:
        """A new pupil."""
        form = await request.form()
        hand: folders.Hand = "right" if form.get("hand_on_top") == "right" else "left"
        pupil = self.studio.add(field(form, "name"), hand)
        return go_to(f"/pupil/{pupil.key}")

    async def pupil(self, request: Request) -> Response:
        """One pupil."""
        self.studio.look()
        divide = request.query_params.get("divide", "")
        return HTMLResponse(pages.pupil_page(self.studio, request.path_params["key"], self.today(), divide))

    async def change(self, request: Request) -> Response:
        """Change what is known about a pupil."""
        key, form = request.path_params["key"], await request.form()
        was = read_fields(field(form, "was"))
        self.studio.change(key, was, **{name: field(form, name) for name in EDITABLE if name in form})
        return go_to(f"/pupil/{key}")

    async def report(self, request: Request) -> Response:
        """A pupil's report, for a parent or for the teacher."""
        return HTMLResponse(reports.report_page(self.studio, *self._asked_of(request)))

    async def report_pdf(self, request: Request) -> Response:
        """The same as PDF."""
        paper = request.query_params.get("paper", "a4")
        pdf = reports.report_pdf(self.studio, *self._asked_of(request), paper)
        return Response(pdf, media_type="application/pdf")

    def _asked_of(self, request: Request) -> tuple[str, date, str, str]:
        """Whose report is asked for: their key, today, for whom, since when."""
        query = request.query_params
        return request.path_params["key"], self.today(), query.get("for", "teacher"), query.get("since", "")

    async def take_in(self, request: Request) -> Response:
        """Session files that a pupil sent."""
        key = request.path_params["key"]
        self.studio.of(key)
        form = await request.form(max_files=100)
        sentences = []
        for upload in form.getlist("files"):
            if isinstance(upload, str):
                continue
            with tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch:
                path = Path(scratch) / "sent.session"
                with path.open("wb") as file:
                    while piece := await upload.read(1 << 20):
                        file.write(piece)
                taken = self.studio.take_in(key, path)
            name = folders.tidy(upload.filename or "")[:80] or "a file without a name"
            reason = taken.sentence.removeprefix(f"{path}: ")
            sentences.append(f"{name}: {'taken in' if taken.outcome == 'new' else reason}.")
        return HTMLResponse(pages.pupil_page(self.studio, key, self.today(), notice=" ".join(sentences)))

    async def export(self, request: Request) -> Response:
        """Everything kept of a pupil."""
        key = self.studio.pupil(request.path_params["key"]).key
        data = self.studio.export(key)
        name = f"pupil-{key}.zip"
        headers = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(data, media_type="application/zip", headers=headers)

    async def delete(self, request: Request) -> Response:
        """Delete a pupil, if the name was written again."""
        pupil = self.studio.pupil(request.path_params["key"])
        if folders.tidy(field(await request.form(), "name")) != pupil.name:
            raise StudioError("nothing was deleted: the name written is not this pupil's")
        self.studio.delete(pupil.key)
        self.drafts.forget(pupil.key)
        return go_to("/")

    async def session(self, request: Request) -> Response:
        """One session."""
        self.studio.look()
        return HTMLResponse(sessions.session_page(self.studio, request.path_params["digest"]))

    async def edges(self, request: Request) -> Response:
        """The holes over time, and what each mask sounds."""
        analysis = self._analysed(request)
        edges = list(zip(analysis.edge_us[:-1].tolist(), analysis.covered.tolist(), strict=True))
        return JSONResponse({"edges": edges or [(0, 0)], "notes": NOTES, "sounds": list(SOUNDING)})

    async def sound(self, request: Request) -> Response:
        """A stretch of a session as sound, at a speed, or mended."""
        query = request.query_params
        from_us, until_us = (_number(query.get(name, "0"), name) for name in ("from_us", "until_us"))
        speed = _number(query.get("speed", "1"), "speed", float)
        mended = _number(query["mended"], "mended") if "mended" in query else None
        wav = stretch_wav(self._analysed(request), from_us, until_us, speed, mended)
        return Response(wav, media_type="audio/wav")

    async def moment(self, request: Request) -> Response:
        """A moment with its strip: `change=N`, or `movement=N` of those that were not as written."""
        query = request.query_params
        kind = "movement" if "movement" in query else "change"
        number, scale_us = (
            _number(query.get(kind, ""), f"the {kind}"),
            _number(query.get("scale_us", ""), "a time scale"),
        )
        return JSONResponse(moments.moment_asked(self._analysed(request), kind, number, scale_us))

    async def remark(self, request: Request) -> Response:
        """Pin a remark to a moment."""
        digest, form = request.path_params["digest"], await request.form()
        folder = self.studio.session_path(digest).parents[1]
        at_us = _number(field(form, "at_us"), "the moment of a remark, in microseconds,")
        folders.add_remark(folder, digest, at_us, field(form, "text"), self.today(), field(form, "id"))
        return go_to(f"/session/{digest}#remarks-h")

    async def take_back(self, request: Request) -> Response:
        """Take a remark back."""
        digest = request.path_params["digest"]
        folders.take_back(self.studio.session_path(digest).parents[1], request.path_params["id"])
        return go_to(f"/session/{digest}#remarks-h")

    async def message(self, request: Request) -> Response:
        """Where a passage that came as text in a chat is pasted."""
        return HTMLResponse(pages.render("message.html", notice=""))

    async def open_message(self, request: Request) -> Response:
        """A passage that came as text in a chat."""
        text = field(await request.form(max_part_size=GREATEST_MESSAGE), "text")
        try:
            passage = decode_passage(text)
        except PassageError as error:
            raise StudioError(str(error)) from None
        return go_to(f"/message/{self.hold(passage)}")

    def hold(self, passage: Passage) -> str:
        """Have a passage at hand, by a number that is drawn; of many the oldest goes."""
        number = secrets.token_hex(8)
        self.opened[number] = passage, passage.analysis()
        while len(self.opened) > MOST_OPENED:
            self.opened.pop(next(iter(self.opened)))
        return number

    def held(self, number: str) -> Passage:
        """The passage at hand under a number; raises StudioError."""
        if number not in self.opened:
            raise StudioError("this message is no longer open; paste it again")
        return self.opened[number][0]

    async def message_out(self, request: Request) -> Response:
        """Some changes of a session as a message to send."""
        digest, query = request.path_params["digest"], request.query_params
        first, last = (_number(query.get(name, ""), f"the {name} change") for name in ("first", "last"))
        try:
            text = encode_changes(self._analysed(request), first - 1, last - 1)
        except PassageError as error:
            raise StudioError(str(error)) from None
        values = {"digest": digest, "first": first, "last": last, "texts": text.split(BETWEEN), "notice": ""}
        return HTMLResponse(pages.render("message_out.html", **values))

    async def passage(self, request: Request) -> Response:
        """A passage that was opened."""
        analysis = self._analysed(request)
        sentence = work_on_first(summarise([analysis]))
        held = self.held(request.path_params["number"])
        return HTMLResponse(sessions.passage_page(self.studio, held, analysis, request.url.path, sentence))

    def _analysed(self, request: Request) -> Analysis:
        number = request.path_params.get("number")
        if number is None:
            path = self.studio.session_path(request.path_params["digest"])
            return _analysis(path, path.stat().st_mtime_ns)
        self.held(number)
        return self.opened[number][1]


# What a request may end with, and is answered in a sentence.
REFUSED = (StudioError, OSError, sqlite3.DatabaseError)


async def _refuse(request: Request, error: Exception) -> Response:
    status, sentence = 500, str(error)
    if isinstance(error, StaleError):
        merged = error.merged
        told = {
            "sentence": f"{capital(sentence)}.",
            "clashes": merged.clashes,
            "fields": merged.fields,
            "stored": merged.stored,
        }
        return JSONResponse({**told, "hidden": error.hidden}, 409)
    if isinstance(error, OSError):
        try_this = "Make room there" if error.errno in FULL else "See that it can be written to"
        sentence = f"the studio's folder cannot be used: {error.strerror or error}. {try_this}"
    elif isinstance(error, sqlite3.DatabaseError):
        sentence = f"the studio's index cannot be used ({error}). Begin again with: fingerlead studio --rebuild"
    else:
        status = 400
    # To a form or a script; the page from which it was asked for stays as it is, with all that was written there.
    if request.method == "POST" or request.url.path.endswith((".wav", ".json", ".pdf", ".zip")):
        return PlainTextResponse(sentence, status)
    return HTMLResponse(pages.render("refused.html", sentence=sentence, notice=""), status)


@lru_cache(maxsize=8)
def _analysis(path: Path, written_ns: int) -> Analysis:
    # Taken in once more with its music, it is another under the same name.
    try:
        return analysed(path)[1]
    except SessionError as error:
        raise StudioError(f"this session cannot be read: {error.reason}") from None


def _number(text: str, what: str, kind: Callable[[str], Number] = int) -> Number:
    try:
        return kind(text)
    except ValueError:
        raise StudioError(f"expected {what} as a number; got {text[:20]!r}") from None


@contextlib.contextmanager
def opened(
    folder: Path,
    port: str | None,
    at: WebPlace,
    today: Callable[[], date] = date.today,
    say_read: Callable[[int, int], None] = lambda done, of: None,
) -> Iterator[ServedPage]:
    """The desk from here to the end of the block; for `say_read` see Studio. Raises NoPlaceError, StudioError."""
    with Studio(folder, say_read) as studio:
        rounds = [] if port is None else [Round(folder, port, lambda: open_source(port))]
        desk = Desk(studio, today, *rounds)
        with (
            contextlib.closing(desk.lessons),
            served(desk.app(), at, *rounds, most_bytes=BODIES) as page,
        ):
            yield page
