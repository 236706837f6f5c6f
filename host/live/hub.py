"""The hub: what the loop thread publishes goes to any number of pages, and none of them can hold anything up.

    loop thread ──publish──► Hub ──► Seat (bounded) ──take──► a page, whenever it is ready
                              └─ the newest of each kind, and the last changes: a snapshot for who joins or fell behind

A seat keeps the holes apart: the newest state wins. Whatever else is published waits in order; when too much waits,
all of it gives way to a snapshot, which says the same as it stands. Messages are objects that have a `kind`; what a
seat gives out is JSON text, written once for all of them. Every method may be called from any thread.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Mapping
from threading import Lock
from typing import Any

from host.ports.host_clock import now_us

Message = Mapping[str, Any]

WAITING = 64  # messages in one seat
CHANGES = 8  # in a snapshot
# Told once and over; a snapshot says nothing of them.
PASSING = frozenset({"say", "remind"})


class Seat:
    """One page's place. `wake` is called from the publishing thread whenever there is something to take."""

    def __init__(self, hub: Hub, wake: Callable[[], None]) -> None:
        self._hub, self._wake = hub, wake
        self._lock = Lock()
        self._waiting: deque[str] = deque()
        self._holes: str | None = None
        self._behind = True  # whoever joins begins with a snapshot

    def put(self, text: str, holes: bool = False) -> None:
        """Give the page something; never waits."""
        with self._lock:
            if holes:
                self._holes = text
            elif not self._behind:
                self._waiting.append(text)
                if len(self._waiting) > WAITING:
                    self._behind = True
                    self._waiting.clear()
        self._wake()

    def fall_behind(self) -> None:
        """Let the page have a snapshot next."""
        with self._lock:
            self._behind = True
            self._waiting.clear()
        self._wake()

    def take(self) -> list[str]:
        """All that waits but the holes, oldest first; a snapshot alone where the page fell behind."""
        with self._lock:
            behind, self._behind = self._behind, False
            waiting = list(self._waiting)
            self._waiting.clear()
        # What is published meanwhile may come twice, which does no harm; nothing can be missing.
        return [self._hub.snapshot()] if behind else waiting

    def take_holes(self) -> str | None:
        """The newest holes, where they are news."""
        with self._lock:
            holes, self._holes = self._holes, None
        return holes

    @property
    def holes_wait(self) -> bool:
        """Whether there are newer holes than were taken."""
        return self._holes is not None


class Hub:
    """Publishes to all seats, and remembers what a page that joins must know. `clock` tells µs."""

    def __init__(self, clock: Callable[[], int] = now_us) -> None:
        self._clock = clock
        self._lock = Lock()
        self._seats: set[Seat] = set()
        self._newest: dict[str, Any] = {}
        self._changes: deque[tuple[int, Message]] = deque(maxlen=CHANGES)

    def join(self, wake: Callable[[], None]) -> Seat:
        """A seat for a page, which begins with a snapshot."""
        seat = Seat(self, wake)
        with self._lock:
            self._seats.add(seat)
        wake()
        return seat

    def leave(self, seat: Seat) -> None:
        """The page is gone."""
        with self._lock:
            self._seats.discard(seat)

    def publish(self, message: Message) -> None:
        """Tell every page. `change` joins the last changes, one told `again` in place of its first telling."""
        kind = message["kind"]
        text = json.dumps(message)
        with self._lock:
            if kind == "change":
                self._note_change(message)
            elif kind not in PASSING:
                self._newest[kind] = message
            seats = list(self._seats)
        for seat in seats:
            seat.put(text, holes=kind == "holes")

    def remember(self, **parts: Any) -> None:
        """Parts of a snapshot that are no message of their own; every page gets a snapshot that has them."""
        with self._lock:
            self._newest.update(parts)
            seats = list(self._seats)
        for seat in seats:
            seat.fall_behind()

    def forget_changes(self) -> None:
        """Somebody else plays: the changes told so far are no longer the last ones."""
        with self._lock:
            self._changes.clear()

    def snapshot(self) -> str:
        """The message `all`."""
        with self._lock:
            newest = dict(self._newest)
            changes = list(self._changes)
        now = self._clock()
        told = [{**message, "seconds_ago": (now - at_us) // 1_000_000} for at_us, message in changes]
        return json.dumps({"kind": "all", **newest, "changes": told})

    def _note_change(self, message: Message) -> None:
        for place, (at_us, before) in enumerate(self._changes):
            if before.get("number") == message.get("number"):
                self._changes[place] = (at_us, message)
                return
        self._changes.append((self._clock(), message))
