"""What can really be played on, best first: each port is asked once who is there, and chanters that answer come first.

A serial port of which the system says nothing may be none: it is offered only once a chanter has answered there. All
others are offered, those that did not answer last: they may not be switched on yet.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace

from fingerlead.actor import Actor
from fingerlead.listening.sources import Met, meet_at
from fingerlead.ports.base import Found, now_us

ASK_AGAIN_US = 20_000_000
MOST_ASKED = 64
# The best first.
_RANKS = ("chanter", "notes", "silent", "stranger", "refused")


class Offers(Actor[str]):
    """Called, it says what to offer by now, and sees to it that new ports are asked; it never waits for one.

    `look` lists what the system knows of. Ports that are `named` are never asked: they are listened to at once.
    """

    def __init__(
        self,
        look: Callable[[], Iterable[Found]],
        named: Iterable[str] = (),
        ask_at: Callable[[str], Met] = meet_at,
        clock: Callable[[], int] = now_us,
    ) -> None:
        super().__init__("offers", self._ask_all, MOST_ASKED)
        self._look, self._named, self._ask_at, self._clock = look, frozenset(named), ask_at, clock
        self._met: dict[str, Met] = {}
        self._asked_us: dict[str, int] = {}

    def stop(self, timeout_s: float | None = 0) -> bool:
        """A port that is being asked is not waited for."""
        return super().stop(timeout_s)

    def __call__(self) -> tuple[Found, ...]:
        """What to offer by now, the best first."""
        there = {found.spec: found for found in self._look()}
        for gone in self._asked_us.keys() - there.keys():
            del self._asked_us[gone]
            self._met.pop(gone, None)
        ranked: list[tuple[int, Found]] = []
        for spec, found in there.items():
            if spec in self._named:
                ranked.append((0, found))
                continue
            met = self._met.get(spec)
            is_known = bool(found.description) or spec.startswith("midi:")
            is_wanted = is_known or (met is not None and met.kind == "chanter")
            again = met is not None and not is_wanted and self._clock() - self._asked_us[spec] >= ASK_AGAIN_US
            if (spec not in self._asked_us or again) and self.ask(spec):
                self._asked_us[spec] = self._clock()
            if met is not None and is_wanted:
                named = replace(found, description=met.hello.name.strip()) if met.hello is not None else found
                ranked.append((_RANKS.index(met.kind), named if named.description else found))
        return tuple(found for _, found in sorted(ranked, key=lambda one: one[0]))

    def _ask_all(self) -> None:
        while not self.stopping:
            for spec in self.receive_all():
                if self.stopping:
                    return
                self._met[spec] = self._ask_at(spec)
