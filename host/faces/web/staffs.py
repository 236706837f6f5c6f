"""Staffs engraved in the background: one thread, one piece of music at a time, the latest wish first."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from host.music.tune import Tune

MOST_KEPT = 100


class Staffs:
    """`made` hears (name of the music, SVG or None, why not) from the engraving thread."""

    def __init__(self, made: Callable[[str, str | None, str], object]) -> None:
        self._made = made
        self._wanted: queue.LifoQueue[tuple[str, Tune]] = queue.LifoQueue()
        self._kept: dict[str, str | None] = {}
        self._asked: set[str] = set()
        self._thread: threading.Thread | None = None

    def staff_of(self, name: str, tune: Tune) -> str | None:
        """The staff where it is engraved already; else it will be, once, and `made` hears of it."""
        if name not in self._asked:
            if len(self._asked) >= MOST_KEPT:
                self._asked.clear()
                self._kept.clear()
            self._asked.add(name)
            self._wanted.put((name, tune))
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="staffs", daemon=True)
                self._thread.start()
        return self._kept.get(name)

    def _work(self) -> None:
        from host.faces.sheet.pages import staff_svg
        from host.faces.sheet.piece import SheetError

        while True:
            name, tune = self._wanted.get()
            try:
                svg, why_not = staff_svg(tune, letters="full"), ""
            except SheetError as error:
                svg, why_not = None, str(error)
            self._kept[name] = svg
            self._made(name, svg, why_not)
