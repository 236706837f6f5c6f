"""The hub: what the loop thread publishes goes to any number of pages, and none of them can hold anything up.

    loop thread ──publish──► Hub ──► Seat (bounded) ──take──► a page, whenever it is ready
                              └─ the newest of each kind, and the last changes: a snapshot for who joins or fell behind

A seat keeps the holes apart: the newest state wins. Whatever else is published waits in order; when too much waits,
all of it gives way to a snapshot, which says the same as it stands. Messages are objects that have a `kind`; what a
seat gives out is JSON text, written once for all of them. Any thread may call anything here.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Mapping
from threading import Lock
from typing import Any

from fingerlead.ports.base import now_us

Message = Mapping[str, Any]

WAITING = 64  # messages in one seat
CHANGES = 8  # in a snapshot
NOTICES = 8  # in one seat
# Told once and over; a snapshot says nothing of them.
PASSING = frozenset({"say", "remind"})


class Seat:
    """One page's place. `wake` is called from the publishing thread whenever there is something to take."""

    def __init__(self, hub: Hub, wake: Callable[[], None]) -> None:
        self._hub = hub
        self.wake = wake
        self._waiting: deque[str] = deque()
        # No snapshot makes up for them: they wait apart, the latest few.
        self._notices: deque[str] = deque(maxlen=NOTICES)
        self._holes: str | None = None
        self._behind = True  # whoever joins begins with a snapshot

    def fall_behind(self) -> None:
        """Let the page have a snapshot next."""
        with self._hub.lock:
            self.drop()
        self.wake()

    def take(self) -> list[str]:
        """All that waits but the holes, oldest first; where the page fell behind a snapshot, and the last notices."""
        with self._hub.lock:
            behind, self._behind = self._behind, False
            waiting, notices = list(self._waiting), list(self._notices)
            self._waiting.clear()
            self._notices.clear()
            parts = self._hub.parts() if behind else {}
        # Written outside the lock: a long snapshot must not keep the publisher waiting.
        return [*([json.dumps(parts)] if behind else waiting), *notices]

    def take_holes(self) -> str | None:
        """The newest holes, where they are news."""
        with self._hub.lock:
            holes, self._holes = self._holes, None
        return holes

    @property
    def holes_wait(self) -> bool:
        """Whether there are newer holes than were taken."""
        return self._holes is not None

    def put(self, kind: str, text: str) -> None:
        """For the hub, under its lock."""
        if kind == "holes":
            self._holes = text
        elif kind in PASSING:
            self._notices.append(text)
        elif not self._behind:
            self._waiting.append(text)
            if len(self._waiting) > WAITING:
                self.drop()

    def drop(self) -> None:
        """For the hub, under its lock: what waits gives way to a snapshot."""
        self._behind = True
        self._waiting.clear()


class Hub:
    """Publishes to all seats, and remembers what a page that joins must know. `clock` tells µs."""

    def __init__(self, clock: Callable[[], int] = now_us) -> None:
        self._clock = clock
        self.lock = Lock()
        self._seats: set[Seat] = set()
        self._newest: dict[str, Any] = {}
        self._changes: deque[tuple[int, Message]] = deque(maxlen=CHANGES)

    def join(self, wake: Callable[[], None]) -> Seat:
        """A seat for a page, which begins with a snapshot."""
        seat = Seat(self, wake)
        with self.lock:
            self._seats.add(seat)
        wake()
        return seat

    def leave(self, seat: Seat) -> None:
        """The page is gone."""
        with self.lock:
            self._seats.discard(seat)

    def publish(self, message: Message) -> None:
        """Tell every page. `change` joins the last changes, one told again in place of its first telling."""
        kind = message["kind"]
        text = json.dumps(message)
        with self.lock:
            if kind == "change":
                self._note_change(message)
            elif kind not in PASSING:
                self._newest[kind] = message
            seats = list(self._seats)
            for seat in seats:
                seat.put(kind, text)
        for seat in seats:
            seat.wake()

    def remember(self, **parts: Any) -> None:
        """Parts of a snapshot that are no message of their own; every page gets a snapshot that has them."""
        with self.lock:
            self._newest.update(parts)
            seats = list(self._seats)
            for seat in seats:
                seat.drop()
        for seat in seats:
            seat.wake()

    def forget_changes(self) -> None:
        """Somebody else plays: the changes told so far are no longer the last ones."""
        with self.lock:
            self._changes.clear()

    def parts(self) -> dict[str, Any]:
        """The message `all`; to be called under the lock."""
        now = self._clock()
        changes = [{**message, "seconds_ago": (now - at_us) // 1_000_000} for at_us, message in self._changes]
        return {"kind": "all", **self._newest, "changes": changes}

    def _note_change(self, message: Message) -> None:
        for place, (at_us, before) in enumerate(self._changes):
            if before.get("number") == message.get("number"):
                self._changes[place] = (at_us, message)
                return
        self._changes.append((self._clock(), message))
