"""A page put together: the actors behind it, its guard and its server, from the first to the last moment."""

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from starlette.types import ASGIApp

from fingerlead.actor import Actor
from fingerlead.faces.pages.kit.guard import Guard
from fingerlead.faces.pages.kit.server import Server, listen, shown


@dataclass(frozen=True, slots=True)
class ServedPage:
    """A page that is being served. `url` is the address by which a browser comes in."""

    url: str
    server: Server
    actors: Sequence[Actor[Any]]

    @property
    def running(self) -> bool:
        """Whether it is served still; raises what ended one of its threads."""
        for actor in self.actors:
            actor.check()
        return self.server.check()


@contextlib.contextmanager
def served(app: ASGIApp, address: str, port: int | None, *actors: Actor[Any]) -> Iterator[ServedPage]:
    """A page from here to the end of the block, at a port or (None) the first that is free, behind its guard.

    The actors start before it is served and stop after it. Raises NoPlaceError, and what starting an actor raises.
    """
    with listen(address, port) as place, contextlib.ExitStack() as stack:
        number: int = place.getsockname()[1]
        guard = Guard(app, address, number)
        for actor in actors:
            stack.enter_context(actor)
        server = stack.enter_context(Server(guard, place))
        yield ServedPage(f"http://{shown(address)}:{number}{guard.way_in}", server, actors)
