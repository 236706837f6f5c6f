"""The desk put together: studio, addresses, guard and server, from the first to the last moment."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from fingerlead.faces.pages.desk.routes import Desk
from fingerlead.faces.pages.kit import guard
from fingerlead.faces.pages.kit.server import Server, listen, shown
from fingerlead.studio.round import Round
from fingerlead.studio.studio import Studio

if TYPE_CHECKING:
    from starlette.applications import Starlette


def desk_app(desk: Desk, token: str, cookie: str, fits: Callable[[str], bool]) -> Starlette:
    """The desk's addresses behind the guard."""
    from starlette.applications import Starlette
    from starlette.middleware import Middleware

    return Starlette(routes=desk.routes(), middleware=[Middleware(guard.Guard, token=token, cookie=cookie, fits=fits)])


class DeskPage(NamedTuple):
    """The running desk, whose page is at `url`."""

    url: str
    server: Server
    passed: Round | None

    @property
    def running(self) -> bool:
        """Whether it is served still; raises what ended one of its threads."""
        if self.passed is not None:
            self.passed.check()
        return self.server.check()


@contextlib.contextmanager
def opened(
    folder: Path, port: str | None, address: str, web_port: int | None, today: Callable[[], date] = date.today
) -> Iterator[DeskPage]:
    """The desk from here to the end of the block. Raises NoPlaceError, StudioError."""
    with Studio(folder) as studio, contextlib.ExitStack() as stack:
        place = listen(address, web_port)
        number: int = place.getsockname()[1]
        passed: Round | None = None
        if port is not None:
            from fingerlead.listening.sources import open_source
            from fingerlead.studio.round import Round

            passed = Round(folder, port, lambda: open_source(port)).start()
            stack.callback(passed.stop)
        token = guard.new_token()
        app = desk_app(Desk(studio, today, passed), token, f"fingerlead-{number}", guard.Names(address, number).fits)
        with Server(app, place) as server:
            yield DeskPage(f"http://{shown(address)}:{number}/?token={token}", server, passed)
