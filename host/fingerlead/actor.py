"""An actor: a thread with a bounded inbox; how it is asked, how it fails, and how it stops.

    owner   start ──► ask, ask … ──► check, now and then ──► stop: waits for the end
                        ▼                    ▲
    thread            inbox ──► work: receive until `stopping` ──► over, or `failed`

What an actor does is one function, `work`, run once in its thread. Work that has no end of its own looks at `stopping`
in each round; `receive` and `wait` return at once when the actor is to stop. Only `stop` waits for the thread. An
exception that ends the work is kept in `failed`, and `check` raises it in the owner's thread: it is never lost.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import Generic, Self, TypeVar

Asked = TypeVar("Asked")
_log = logging.getLogger(__name__)


class Actor(Generic[Asked]):
    """Runs `work` in a daemon thread, which receives what is asked of it; `inbox` is how much may lie unread."""

    def __init__(self, name: str, work: Callable[[], None], inbox: int = 0) -> None:
        self.failed: BaseException | None = None
        self._work, self._size = work, inbox
        self._inbox: deque[Asked] = deque()
        self._stopping = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    # --- for the owner, and for any other thread ---

    def start(self) -> Self:
        """Begin to work."""
        self._thread.start()
        return self

    def ask(self, request: Asked) -> bool:
        """Put a request into the inbox; False where it is full. Never waits for the thread."""
        with self._changed:
            if len(self._inbox) >= self._size:
                return False
            self._inbox.append(request)
            self._changed.notify_all()
        return True

    def stop(self, timeout_s: float | None = None) -> bool:
        """Have the work end, and wait up to `timeout_s` (None: as long as it takes); whether it has ended.

        May be called again, and before `start`.
        """
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self.running:
            self._thread.join(timeout_s)
        return not self.running

    @property
    def running(self) -> bool:
        """Whether the thread is at work."""
        return self._thread.is_alive()

    def check(self) -> bool:
        """Whether the thread is at work; raises what made it fail."""
        if self.failed is not None:
            raise self.failed
        return self.running

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    # --- for the work ---

    @property
    def stopping(self) -> bool:
        """Whether the work is to end."""
        return self._stopping

    def receive(self, timeout_s: float | None = None) -> Asked | None:
        """The oldest request in the inbox, waiting up to `timeout_s` (None: until one comes or the actor is to stop).

        None where there is none. What is in the inbox comes out even when the actor is to stop.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._inbox or self._stopping, timeout_s)
            return self._inbox.popleft() if self._inbox else None

    def receive_all(self, timeout_s: float | None = None) -> list[Asked]:
        """All requests in the inbox, the oldest first, waiting for one as `receive` does."""
        first = self.receive(timeout_s)
        return [] if first is None else [first, *iter(lambda: self.receive(0), None)]

    def wait(self, seconds: float) -> bool:
        """Sleep; whether it was cut short because the actor is to stop."""
        with self._changed:
            return self._changed.wait_for(lambda: self._stopping, seconds)

    def _run(self) -> None:
        try:
            self._work()
        except BaseException as error:
            self.failed = error
            _log.exception("failed")
