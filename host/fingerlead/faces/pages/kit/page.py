"""A page put together: the actors behind it, its guard and its server, from the first to the last moment."""

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fingerlead.actor import Actor
from fingerlead.faces.pages.kit.app import PageApp
from fingerlead.faces.pages.kit.guard import Guard
from fingerlead.faces.pages.kit.joining import Joining
from fingerlead.faces.pages.kit.place import WebPlace, listen, shown
from fingerlead.faces.pages.kit.server import Server


@dataclass(frozen=True, slots=True)
class ServedPage:
    """A page that is being served. `url` is the address by which a browser comes in; `in_clear`: see WebPlace.

    `address_once` gives one that opens a single time, for where others may see it; `joining` is the way in for a phone.
    """

    url: str
    address_once: Callable[[], str]
    server: Server
    actors: Sequence[Actor[Any]]
    in_clear: bool
    joining: Joining | None = None

    @property
    def running(self) -> bool:
        """Whether it is served still; raises what ended one of its threads."""
        for actor in self.actors:
            actor.check()
        return self.server.check()


@contextlib.contextmanager
def served(
    app: PageApp,
    at: WebPlace,
    *actors: Actor[Any],
    most_bytes: Mapping[str, int] | None = None,
    join: WebPlace | None = None,
) -> Iterator[ServedPage]:
    """A page from here to the end of the block, behind its guard. `most_bytes`: see Bounds.

    At `join` it has a second door, with a guard and a token of its own: a phone joins it there. The actors start before
    it is served and stop after it. Raises NoPlaceError, and what starting an actor raises.
    """
    wheres = [at] if join is None else [at, join]
    with contextlib.ExitStack() as stack:
        places = [stack.enter_context(listen(each)) for each in wheres]
        for actor in actors:
            stack.enter_context(actor)
        servers, ways = [], []
        for each, place in zip(wheres, places, strict=True):
            number: int = place.getsockname()[1]
            guard = Guard(app.outside, app.inside, each.address, number)
            servers.append(stack.enter_context(Server(guard, place, each.tls, most_bytes, len(wheres))))
            ways.append((f"{'http' if each.tls is None else 'https'}://{shown(each.address)}:{number}", guard))
        here, guard = ways[0]
        yield ServedPage(
            here + guard.way_in,
            lambda: here + guard.way_in_once(),
            servers[0],
            [*actors, *servers[1:]],
            at.in_clear,
            None if join is None else Joining(ways[1][0] + ways[1][1].way_in, join.fingerprint),
        )
