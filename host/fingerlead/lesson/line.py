"""What carries a lesson, as both ends see it: packets out and in, whole or not at all, in any order, and never a wait.

    open ──► send, receive … ──lost: it finds its own way back──► send, receive … ──► close
      └──► LineRefused

Which packets are lost, doubled or late is the line's own affair: the lesson's ends make up for it. A line has two
lanes: what goes NOW may be dropped, best the oldest; what goes to the LOG only where the line is full or lost.
"""

from typing import Protocol, Self

from fingerlead.lesson.packets import Lane

# Packets that may wait on either side of a line.
MOST_WAITING = 4_096


class LineRefused(Exception):
    """The line could not be opened: `cause` is what came, `advice` what to try."""

    def __init__(self, line: str, cause: str, advice: str) -> None:
        self.line, self.cause, self.advice = line, cause, advice
        super().__init__(f"{line}: {cause}; {advice}")


class LessonLine(Protocol):
    """A line in use. `trouble` says in words why nothing goes through just now; empty where it does."""

    name: str
    trouble: str

    def send(self, lane: Lane, packet: bytes) -> None:
        """Send a packet, as well as can be; never waits, never raises. From one thread."""
        ...

    def receive(self, timeout_s: float) -> list[bytes]:
        """Whatever has come, waiting up to `timeout_s` for the first of it; never raises."""
        ...

    def close(self) -> None:
        """Let go of the line; never raises, and may be called again."""
        ...

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *failure: object) -> None:
        self.close()
