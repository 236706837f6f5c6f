"""What the pages share: the hub, and the way to the loop thread. All here may be called from the event loop."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from host.live.wishes import Replay, Sounds, Wish

if TYPE_CHECKING:
    from fingering.table import Table
    from host.live.hub import Hub
    from host.live.practice_thread import PracticeThread

ANSWER_S = 5.0
T = TypeVar("T")
Edges = tuple[tuple[int, int], ...]


class TooBusyError(Exception):
    """The loop thread did not answer in time."""


@dataclass(frozen=True, slots=True)
class Sitting:
    """One sitting at the page."""

    hub: Hub
    thread: PracticeThread
    table: Table

    def cover(self, covered_mask: int) -> None:
        """Holes as a page covers them."""
        self.thread.cover(covered_mask)

    def ask(self, wish: Wish) -> bool:
        """Ask the loop thread for something; False where too much is asked."""
        return self.thread.ask(wish)

    async def replay(self, number: int | None, mended: bool) -> tuple[Edges, int] | None:
        """A take, or the last phrase, as edges and their end; None where there is none. Raises TooBusyError."""
        wish = Replay(number, mended)
        return await self._answer(wish, wish.answer)

    async def sounds(self) -> dict[str, Any]:
        """How it sounds now. Raises TooBusyError."""
        wish = Sounds()
        return await self._answer(wish, wish.answer)

    async def _answer(self, wish: Wish, answer: Future[T]) -> T:
        if not self.ask(wish):
            raise TooBusyError
        try:
            return await asyncio.wait_for(asyncio.wrap_future(answer), ANSWER_S)
        except TimeoutError:
            raise TooBusyError from None
