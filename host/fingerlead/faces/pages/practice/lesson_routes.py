"""The practice page's addresses of a live lesson.

/lesson/join    posted as JSON: `code`, four words, and `ticket`, the text of a relay's ticket; the last one is kept
/lesson/agree   posted as JSON: `name`, which the teacher is told, or none
/lesson/leave   leave the lesson
"""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import orjson
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fingerlead.faces.pages.practice.pupil_lesson import PupilLesson
from fingerlead.lesson.code import read_code
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.line import LineRefused
from fingerlead.lesson.relay import read_ticket, ticket_of, write_ticket
from fingerlead.plain_text import plain_line

LONGEST_NAME = 60
TICKET = "relay.ticket"


class LessonRoutes:
    """The addresses of one pupil's lesson. `folder` keeps the relay's ticket."""

    def __init__(self, folder: Path, lesson: PupilLesson) -> None:
        self._ticket, self._lesson, self._turn = folder / TICKET, lesson, asyncio.Lock()

    def routes(self) -> list[Route]:
        """All of them."""
        posts = {"join": self.join, "agree": self.agree, "leave": self.leave}
        return [Route(f"/lesson/{name}", handler, methods=["POST"]) for name, handler in posts.items()]

    async def join(self, request: Request) -> Response:
        """Go to a lesson."""
        asked = await _asked(request)
        return await self._done(lambda: self._join(_text(asked, "code"), _text(asked, "ticket")))

    async def agree(self, request: Request) -> Response:
        """Agree to be listened to."""
        name = plain_line(_text(await _asked(request), "name")).strip()[:LONGEST_NAME]
        return await self._done(lambda: self._lesson.agree(name))

    async def leave(self, request: Request) -> Response:
        """Leave the lesson."""
        return await self._done(self._lesson.leave)

    def _join(self, code: str, ticket: str) -> None:
        words = read_code(code)
        if not ticket and not self._ticket.exists():
            raise LessonError("expected the relay's ticket, a file that your teacher sends once; choose it")
        given = ticket_of(ticket.encode("utf-8", "replace")) if ticket else read_ticket(self._ticket)
        self._lesson.join(given, words)
        if ticket:
            write_ticket(self._ticket, given)

    async def _done(self, work: Callable[[], object]) -> Response:
        """Nothing, or why it was not done, in a sentence; one at a time."""
        async with self._turn:
            try:
                await run_in_threadpool(work)
            except LessonError as error:
                return JSONResponse({"refused": str(error)})
            except LineRefused as error:
                return JSONResponse({"refused": f"{error.cause}; {error.advice}"})
            except OSError as error:
                return JSONResponse({"refused": f"the ticket cannot be kept: {error.strerror or error}"})
        return JSONResponse({"refused": ""})


async def _asked(request: Request) -> dict[str, Any]:
    try:
        asked = orjson.loads(await request.body() or b"{}")
    except orjson.JSONDecodeError:
        asked = None
    if not isinstance(asked, dict):
        raise ValueError("expected what is asked for as a JSON object")
    return asked


def _text(asked: dict[str, Any], name: str) -> str:
    value = asked.get(name, "")
    if not isinstance(value, str):
        raise ValueError(f"expected {name} as a text")
    return value
