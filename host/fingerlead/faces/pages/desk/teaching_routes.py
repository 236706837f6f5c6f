"""The desk's addresses of lessons and homework: of one pupil, and homework for many at once."""

from collections.abc import Callable
from datetime import date

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from fingerlead.faces.pages.desk.files import homework_pdf
from fingerlead.faces.pages.desk.forms import field, fields, go_to, page_asked
from fingerlead.faces.pages.desk.homework_page import give_all, homework_page
from fingerlead.faces.pages.desk.pages import render
from fingerlead.faces.pages.desk.teaching import lessons_page, settable
from fingerlead.phrases import listed
from fingerlead.studio import homework, lessons
from fingerlead.studio.homework import Homework
from fingerlead.studio.outcomes import current, practised_by
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.studio import Studio

PUPIL = "/pupil/{key}"
MANY = "/homework"
LESSONS = f"{PUPIL}/lessons"


def teaching_routes(studio: Studio, today: Callable[[], date]) -> list[Route]:
    """All of them."""
    told = _Teaching(studio, today)
    lesson = f"{PUPIL}/lesson"
    writing = {
        lesson: told.write_down,
        f"{lesson}/{{id}}/back": told.take_back,
        f"{lesson}/{{id}}/on": told.put_back,
        f"{PUPIL}/homework": told.give,
        f"{PUPIL}/homework/off": told.take_off,
        f"{PUPIL}/homework/on": told.put_on,
        MANY: told.give_many,
    }
    reading = {f"{PUPIL}/homework.pdf": told.sheet, MANY: told.many, LESSONS: told.history}
    gets = [Route(address, handler, methods=["GET"]) for address, handler in reading.items()]
    return [*gets, *(Route(address, handler, methods=["POST"]) for address, handler in writing.items())]


class _Teaching:
    """The handlers: each reads a form and changes the studio, or refuses in a sentence."""

    def __init__(self, studio: Studio, today: Callable[[], date]) -> None:
        self._studio, self._today = studio, today

    async def write_down(self, request: Request) -> Response:
        """A lesson, or another day and note of one."""
        key, form = request.path_params["key"], await request.form()
        day, note, instead_of, id = (field(form, name) for name in ("day", "note", "instead_of", "id"))
        lessons.write_down(self._studio.of(key), day, note, self._today(), instead_of, id)
        return go_to(f"/pupil/{key}#lessons-h")

    async def take_back(self, request: Request) -> Response:
        """Take a lesson back."""
        key = request.path_params["key"]
        lessons.take_back(self._studio.of(key), request.path_params["id"])
        return go_to(f"/pupil/{key}#lessons-h")

    async def put_back(self, request: Request) -> Response:
        """Put a lesson back that was taken back."""
        key = request.path_params["key"]
        lessons.put_back(self._studio.of(key), request.path_params["id"])
        return go_to(f"/pupil/{key}#lessons-h")

    async def history(self, request: Request) -> Response:
        """All lessons of a pupil, a page at a time."""
        key, page = request.path_params["key"], page_asked(request.query_params)
        return HTMLResponse(render("lessons.html", **lessons_page(self._studio, key, self._today(), page)))

    async def give(self, request: Request) -> Response:
        """Homework for one pupil."""
        key, form = request.path_params["key"], await request.form()
        homework.keep(self._studio.of(key), self._asked(form))
        return go_to(f"/pupil/{key}#homework-h")

    async def many(self, request: Request) -> Response:
        """The form for homework of several pupils."""
        ticked = set(request.query_params.getlist("for"))
        return HTMLResponse(homework_page(self._studio, self._today(), ticked))

    async def give_many(self, request: Request) -> Response:
        """Homework for several pupils."""
        form = await request.form()
        told = give_all(self._studio, fields(form, "for"), self._asked(form))
        return HTMLResponse(homework_page(self._studio, self._today(), notice=told))

    def _asked(self, form: FormData) -> Homework:
        """The homework that a form asks for; raises StudioError."""
        pieces = fields(form, "pieces")
        if strange := [piece for piece in pieces if piece not in settable()]:
            raise StudioError(f"expected rungs and tunes that there are; got {strange[0][:40]!r}. Choose others")
        due, note, id = (field(form, name) for name in ("due", "note", "id"))
        return homework.checked(pieces, self._today(), due, note, id)

    async def take_off(self, request: Request) -> Response:
        """Take a piece of homework off."""
        key = request.path_params["key"]
        homework.take_off(self._studio.of(key), field(await request.form(), "piece"))
        return go_to(f"/pupil/{key}#homework-h")

    async def put_on(self, request: Request) -> Response:
        """Put a piece back that was taken off."""
        key = request.path_params["key"]
        homework.put_back(self._studio.of(key), field(await request.form(), "piece"))
        return go_to(f"/pupil/{key}#homework-h")

    async def sheet(self, request: Request) -> Response:
        """The homework that is still to do, as a sheet for the music stand."""
        pupil = self._studio.pupil(request.path_params["key"])
        folder = self._studio.of(pupil.key)
        practised = practised_by(folder, self._studio.index.sessions(pupil.key), self._today())
        left = [each.piece for each in current(folder, practised, pupil.lesson) if each.came != "done"]
        if not left:
            raise StudioError("no homework is set that is still to do; choose rungs first")
        dues = sorted({piece.of.due for piece in left if piece.of.due})
        notes = dict.fromkeys(piece.of.note for piece in left if piece.of.note)
        keys = tuple(piece.key for piece in left)
        sheet = Homework(
            "", left[0].of.day, keys, dues[0] if len(dues) == 1 else "", listed(list(notes)) if notes else ""
        )
        return Response(homework_pdf(sheet, pupil.name), media_type="application/pdf")
