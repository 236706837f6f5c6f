"""A page put together: the actors behind it, its guard and its server, from the first to the last moment."""

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fingerlead.actor import Actor
from fingerlead.faces.pages.kit.app import PageApp
from fingerlead.faces.pages.kit.guard import Guard
from fingerlead.faces.pages.kit.place import WebPlace, listen, shown
from fingerlead.faces.pages.kit.server import Server


@dataclass(frozen=True, slots=True)
class ServedPage:
    """A page that is being served. `url` is the address by which a browser comes in; `in_clear`: see WebPlace.

    `address_once` gives one that opens a single time, for where others may see it.
    """

    url: str
    address_once: Callable[[], str]
    server: Server
    actors: Sequence[Actor[Any]]
    in_clear: bool

    @property
    def running(self) -> bool:
        """Whether it is served still; raises what ended one of its threads."""
        for actor in self.actors:
            actor.check()
        return self.server.check()


@contextlib.contextmanager
def served(
    app: PageApp, at: WebPlace, *actors: Actor[Any], most_bytes: Mapping[str, int] | None = None
) -> Iterator[ServedPage]:
    """A page from here to the end of the block, behind its guard. `most_bytes`: see Bounds.

    The actors start before it is served and stop after it. Raises NoPlaceError, and what starting an actor raises.
    """
    with listen(at) as place, contextlib.ExitStack() as stack:
        number: int = place.getsockname()[1]
        guard = Guard(app.outside, app.inside, at.address, number)
        for actor in actors:
            stack.enter_context(actor)
        server = stack.enter_context(Server(guard, place, at.tls, most_bytes))
        here = f"{'http' if at.tls is None else 'https'}://{shown(at.address)}:{number}"
        yield ServedPage(here + guard.way_in, lambda: here + guard.way_in_once(), server, actors, at.in_clear)
