"""The hub: what an actor publishes goes to any number of pages, and no page can hold anything up.

    actor ──publish──► Hub ──► Subscriber (bounded) ──take──► a page, when it is ready
                        └─ the newest of each kind, and the last changes: a snapshot for one that joins or fell behind

A subscriber keeps the holes apart: the newest state wins. All else that is published waits in order; when too much
waits, it gives way to a snapshot, which says the same as it stands. Messages are objects that have a `kind`; what a
subscriber gives out is JSON text, written once for all of them. Any thread may call anything here.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Mapping
from threading import Lock
from typing import Any

Message = Mapping[str, Any]

WAITING = 64  # messages of one subscriber
CHANGES = 8  # in a snapshot
NOTICES = 8  # of one subscriber
# Sent once and over; a snapshot says nothing of them.
PASSING = frozenset({"say", "remind"})


class Subscriber:
    """One page at the hub. `wake` is called from the publishing thread whenever there is something to take."""

    def __init__(self, hub: Hub, wake: Callable[[], None]) -> None:
        self._hub = hub
        self.wake = wake
        self._waiting: deque[str] = deque()
        # No snapshot makes up for them: they wait apart, the latest few.
        self._notices: deque[str] = deque(maxlen=NOTICES)
        self._holes: str | None = None
        self._behind = True  # a page that joins begins with a snapshot

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
    """Publishes to all subscribers, and remembers what a page that joins must know."""

    def __init__(self) -> None:
        self.lock = Lock()
        self._subscribers: set[Subscriber] = set()
        self._newest: dict[str, Any] = {}
        self._changes: dict[int, Message] = {}

    def join(self, wake: Callable[[], None]) -> Subscriber:
        """A subscriber for a page, which begins with a snapshot."""
        subscriber = Subscriber(self, wake)
        with self.lock:
            self._subscribers.add(subscriber)
        wake()
        return subscriber

    def leave(self, subscriber: Subscriber) -> None:
        """The page is gone."""
        with self.lock:
            self._subscribers.discard(subscriber)

    def publish(self, message: Message) -> None:
        """Send a message to every page.

        A `change` joins the last changes, in place of an earlier one of its number; one that is `gone` leaves them.
        """
        kind = message["kind"]
        text = json.dumps(message)
        with self.lock:
            if kind == "change" and message.get("gone"):
                self._changes.pop(message["number"], None)
            elif kind == "change":
                self._changes[message["number"]] = message
                if len(self._changes) > CHANGES:
                    del self._changes[next(iter(self._changes))]
            elif kind not in PASSING:
                self._newest[kind] = message
            subscribers = list(self._subscribers)
            for subscriber in subscribers:
                subscriber.put(kind, text)
        for subscriber in subscribers:
            subscriber.wake()

    def remember(self, **parts: Any) -> None:
        """Parts of a snapshot that are no message of their own; every page gets a snapshot that has them."""
        with self.lock:
            self._newest.update(parts)
            subscribers = list(self._subscribers)
            for subscriber in subscribers:
                subscriber.drop()
        for subscriber in subscribers:
            subscriber.wake()

    def forget_changes(self) -> None:
        """Another player begins: the changes so far are no longer the last ones."""
        with self.lock:
            self._changes.clear()

    def parts(self) -> dict[str, Any]:
        """The message `all`; to be called under the lock."""
        return {"kind": "all", **self._newest, "changes": list(self._changes.values())}
