"""Drafts of the desk's forms from one run to the next.

A browser keeps drafts by the page's address, and its port is drawn by lot each time; so the page hands them on, and
they lie on this machine, apart from the studio's folder, which other machines may share. Those of the studios seen last
are kept: by their number and not by time, so that a clock that is wrong takes none.
"""

import contextlib
import hashlib
import json
import os
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fingerlead.faces.pages.desk.forms import field
from fingerlead.store.files import make_private, own_folder, write_whole
from fingerlead.studio.pupils import StudioError

LONGEST_KEY = 300
LONGEST_DRAFT = 1 << 20
MOST_DRAFTS = 200
MOST_STUDIOS = 32
GREATEST_FILE = 1 << 24
ADDRESS = "/drafts"


class Drafts:
    """What is typed into the forms of one studio and not saved yet, by the names that the page gives it.

    Two desks of one studio share the file, so that each puts its drafts to what is in it now.
    """

    def __init__(self, studio: Path) -> None:
        name = hashlib.sha256(str(studio.resolve()).encode("utf-8", "surrogateescape")).hexdigest()[:16]
        self._path = own_folder() / "drafts" / f"{name}.json"
        with contextlib.suppress(OSError):
            self._forget_studios()

    def put(self, key: str, text: str) -> None:
        """Keep a draft; an empty one goes. Raises StudioError, OSError."""
        kept = {name: draft for name, draft in self.kept.items() if name != key} | ({key: text} if text else {})
        if len(key) > LONGEST_KEY or len(text) > LONGEST_DRAFT or len(kept) > MOST_DRAFTS:
            raise StudioError(f"expected at most {MOST_DRAFTS} drafts of at most {LONGEST_DRAFT} letters. Save some")
        self._keep(kept)

    def forget(self, pupil: str) -> None:
        """Let the drafts of a pupil who is deleted go; raises OSError."""
        # Homework for many names them among others, and says of itself that it is of no one pupil.
        theirs = f'"pupil":"{pupil}"'
        self._keep({name: draft for name, draft in self.kept.items() if pupil not in name and theirs not in draft})

    def _forget_studios(self) -> None:
        """Let the drafts of studios go that were not opened for longest; raises OSError."""
        if self._path.is_file():
            os.utime(self._path)
        kept = sorted(self._path.parent.glob("*.json"), key=lambda path: path.stat().st_mtime_ns, reverse=True)
        for path in kept[MOST_STUDIOS:]:
            path.unlink()

    def routes(self) -> list[Route]:
        """Where the page reads them and hands them on."""

        async def read(request: Request) -> Response:
            """All drafts."""
            return JSONResponse(self.kept)

        async def put(request: Request) -> Response:
            """Keep one."""
            form = await request.form()
            self.put(field(form, "key"), field(form, "text"))
            return Response(status_code=204)

        return [Route(f"{ADDRESS}.json", read, methods=["GET"]), Route(ADDRESS, put, methods=["POST"])]

    def _keep(self, kept: dict[str, str]) -> None:
        if kept == self.kept:
            return
        data = json.dumps(kept, ensure_ascii=True).encode()
        if len(data) > GREATEST_FILE:
            # More would not be read again.
            raise StudioError(f"expected drafts of at most {GREATEST_FILE >> 20} MB in all. Save some, or drop them")
        make_private(self._path.parent)
        write_whole(self._path, data)

    @property
    def kept(self) -> dict[str, str]:
        """What lies there; nothing where it is not ours."""
        try:
            if not self._path.is_file() or self._path.stat().st_size > GREATEST_FILE:
                return {}
            found = json.loads(self._path.read_bytes())
        except (OSError, ValueError, RecursionError):
            return {}
        pairs = found.items() if isinstance(found, dict) else ()
        # Half a letter can stand in a file, and goes into no answer.
        return {_whole(key): _whole(text) for key, text in pairs if isinstance(text, str)}


def _whole(text: str) -> str:
    return text.encode("utf-8", "replace").decode()
