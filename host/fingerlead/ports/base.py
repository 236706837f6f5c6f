"""What every port is: bytes in with their times of arrival, bytes out, and three ways in which it can fail.

    open_port ──refused──► PortRefused
        │
      Port ──vanished──► PortLost        (wait, then open it again)
        └──played out──► PortEnded       (a replay only)

One thread opens, reads and closes a port; another may write to it.
"""

import time
from dataclasses import dataclass
from typing import Protocol, Self

from fingerlead.wire.carriers import Carrier


def now_us() -> int:
    """The host's monotonic clock in whole microseconds: when bytes arrived, and never when a finger moved."""
    # Fine-grained on every system, unlike the monotonic clock of some.
    return time.perf_counter_ns() // 1000


# What a user writes for the simulated chanter in this program.
SIMULATED = "sim"


@dataclass(frozen=True, slots=True)
class Chunk:
    """What one read brought. `host_us` is when its last byte arrived."""

    data: bytes
    host_us: int


@dataclass(frozen=True, slots=True)
class Found:
    """Something that `catalogue.open_port` would take: `spec` is what to write."""

    spec: str
    description: str


class PortLost(Exception):
    """The port vanished while it was in use; `cause` says how, in words."""

    def __init__(self, port: str, cause: str) -> None:
        self.port, self.cause = port, cause
        super().__init__(f"{port}: the connection is lost ({cause})")


class PortRefused(Exception):
    """The port could not be opened: `cause` is what came, `advice` what to try."""

    def __init__(self, port: str, cause: str, advice: str) -> None:
        self.port, self.cause, self.advice = port, cause, advice
        super().__init__(f"{port}: {cause}; {advice}")


class PortEnded(Exception):
    """There is no more to come: a replay has reached its end."""


class Port(Protocol):
    """A port in use.

    `carrier` is "stream" (framed bytes), "sysex" (System Exclusive messages) or "plain" (three-byte note messages). A
    MIDI port learns which from what comes, so ask after the first chunk.
    """

    name: str
    carrier: Carrier

    def read(self, timeout_s: float) -> list[Chunk]:
        """Whatever has come, waiting up to `timeout_s` for the first of it; raises PortLost, PortEnded."""
        ...

    def write(self, data: bytes) -> None:
        """Send bytes, where the port can; raises PortLost."""
        ...

    def close(self) -> None:
        """Let go of the port; never raises, and may be called again."""
        ...

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *failure: object) -> None:
        self.close()
