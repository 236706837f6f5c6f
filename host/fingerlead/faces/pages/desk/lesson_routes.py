"""The desk's addresses of a live lesson with a pupil who is far away: one lesson at a time.

/pupil/KEY/live       the page; posted, a lesson begins: `ticket`, a relay's, is kept for the next one
/pupil/KEY/live/act   an act: `rung`, `word`, `point_us` with `until_us`, or `remark` at `at_us`
/pupil/KEY/live/end   end the lesson, and file it as a session with its remarks
"""

import contextlib
from collections.abc import Callable, Iterator
from datetime import date, datetime

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.websockets import WebSocket

from fingerlead.faces.pages.desk import pages
from fingerlead.faces.pages.desk.forms import field, go_to
from fingerlead.faces.pages.desk.teacher_lesson import Act, TeacherLesson
from fingerlead.faces.pages.desk.teaching import to_set
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.socket import serve
from fingerlead.lesson.code import draw_code
from fingerlead.lesson.entries import PinRemark, PointAt, SayWord, SetRung
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.line import LineRefused
from fingerlead.lesson.relay import LONGEST_TICKET, read_ticket, ticket_of, write_ticket
from fingerlead.lesson.relay_line import RelayLine
from fingerlead.listening.recording import begin_session
from fingerlead.plain_text import plain_line
from fingerlead.store.session_file import SessionError, remove_session
from fingerlead.studio import pupils as folders
from fingerlead.studio.outcomes import PRACTICE
from fingerlead.studio.pupils import LONGEST_REMARK, StudioError, refuse_longer, tidy
from fingerlead.studio.studio import Studio
from fingerlead.wire.plain_midi import NoteNumbers

LIVE = "/pupil/{key}/live"
TICKET = "relay.ticket"
LONGEST_NAME = 60
WORDS = ("slowly", "mended")


class LiveRoutes:
    """The addresses of a studio's lessons. `close` ends one that is on, and files it."""

    def __init__(self, studio: Studio, today: Callable[[], date]) -> None:
        self._studio, self._today = studio, today
        self._ticket = studio.folder / TICKET
        self._lesson: TeacherLesson | None = None
        self._hub = Hub()

    def routes(self) -> list[Route]:
        """All of them."""
        writing = {LIVE: self.begin, f"{LIVE}/act": self.act, f"{LIVE}/end": self.end}
        posts = [Route(address, handler, methods=["POST"]) for address, handler in writing.items()]
        return [Route(LIVE, self.page, methods=["GET"]), *posts]

    async def live(self, socket: WebSocket) -> None:
        """One page's websocket, which only hears."""
        await serve(socket, self._hub, lambda message: True)

    async def page(self, request: Request) -> Response:
        """The lesson, or how to begin one."""
        pupil = self._studio.pupil(request.path_params["key"])
        lesson = self._lesson
        other = lesson is not None and lesson.key != pupil.key
        values = {
            "pupil": pupil,
            "lesson": None if other else lesson,
            "other": self._studio.pupil(lesson.key) if lesson is not None and other else None,
            "has_ticket": self._ticket.exists(),
            "to_set": to_set(()),
            "notice": "",
        }
        return HTMLResponse(pages.render("lesson.html", **values))

    async def begin(self, request: Request) -> Response:
        """Begin a lesson with a pupil."""
        key, form = self._studio.pupil(request.path_params["key"]).key, await request.form()
        if self._lesson is not None:
            raise StudioError("expected no lesson that is on already; end that one first")
        upload, name = form.get("ticket"), plain_line(field(form, "name")).strip()[:LONGEST_NAME]
        data = await upload.read(LONGEST_TICKET) if isinstance(upload, UploadFile) else b""
        with _in_words():
            if not data and not self._ticket.exists():
                raise LessonError("expected a relay's ticket for teachers, which fingerlead relay writes; choose it")
            ticket = ticket_of(data) if data else read_ticket(self._ticket)
            code = draw_code()
            line = await run_in_threadpool(RelayLine, ticket, code.subject, "teacher")
            try:
                if self._lesson is not None:
                    raise LessonError("expected no lesson that is on already; end that one first")
                if data:
                    write_ticket(self._ticket, ticket)
                folder = self._studio.of(key) / PRACTICE / "sessions"
                keep = begin_session(folder, "lesson", "stream", NoteNumbers()._asdict(), datetime.now())
                self._hub = Hub()
                self._lesson = TeacherLesson(key, code, line, keep.path, keep, self._hub, name).start()
            except BaseException:
                line.close()
                raise
        return go_to(f"/pupil/{key}/live")

    async def act(self, request: Request) -> Response:
        """Have the pupil's page do something."""
        lesson, form = self._of(request), await request.form()
        act: Act
        if rung := field(form, "rung"):
            act = SetRung(rung)
        elif (word := field(form, "word")) in WORDS:
            act = SayWord(word)
        elif field(form, "point_us"):
            act = PointAt(_moment(field(form, "point_us")), _moment(field(form, "until_us")))
        else:
            words = tidy(field(form, "remark"), lines=True)
            if not words:
                raise StudioError("expected a remark; it is empty. Write one")
            refuse_longer(words, LONGEST_REMARK, "a remark")
            act = PinRemark(_moment(field(form, "at_us")) if field(form, "at_us") else lesson.at_us, words)
        with _in_words():
            lesson.do(act)
        return JSONResponse({"done": True})

    async def end(self, request: Request) -> Response:
        """End the lesson, and file it."""
        lesson = self._of(request)
        lesson.finish()
        await run_in_threadpool(_wait_over, lesson)
        if self._lesson is not lesson:
            return go_to(f"/pupil/{lesson.key}")
        return go_to(self._file(lesson))

    def close(self) -> None:
        """The desk ends: what came of a lesson that is on is filed."""
        if self._lesson is not None:
            self._lesson.stop()
            with contextlib.suppress(StudioError):
                self._file(self._lesson)

    def _file(self, lesson: TeacherLesson) -> str:
        """Where the session of a lesson that is over is to be seen, with its remarks."""
        self._lesson = None
        lesson.stop()
        if not lesson.heard:
            remove_session(lesson.path)
            return f"/pupil/{lesson.key}"
        taken = self._studio.take_in(lesson.key, lesson.path)
        if taken.outcome == "refused":
            raise StudioError(f"the lesson could not be filed: {taken.sentence}")
        folder = self._studio.of(lesson.key)
        for remark in lesson.remarks:
            folders.add_remark(folder, taken.digest, remark.at_us, remark.text, self._today())
        remove_session(lesson.path)
        return f"/session/{taken.digest}"

    def _of(self, request: Request) -> TeacherLesson:
        if self._lesson is None or self._lesson.key != request.path_params["key"]:
            raise StudioError("expected a lesson that is on with this pupil; begin one")
        return self._lesson


@contextlib.contextmanager
def _in_words() -> Iterator[None]:
    """What a lesson refuses, as the desk does."""
    try:
        yield
    except LineRefused as error:
        raise StudioError(f"{error.cause}; {error.advice}") from None
    except (LessonError, SessionError) as error:
        raise StudioError(str(error)) from None


def _wait_over(lesson: TeacherLesson) -> None:
    """Until all that comes has come, and is kept; the lesson sees to it that this ends."""
    while lesson.running:
        lesson.wait(0.05)


def _moment(text: str) -> int:
    if not (text.isascii() and text.isdigit()) or len(text) > 15:
        raise StudioError(f"expected a moment in microseconds; got {text[:20]!r}")
    return int(text)
