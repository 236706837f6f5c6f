"""What a host learns from a link, in the order of time; a Doubt comes before the State that ends it.

`host_us` is when the last byte arrived on the host's clock, None where nobody knows; `t_us` is the link's unwrapped
chanter clock, on which the first timed frame is 0.
"""

from __future__ import annotations

from dataclasses import dataclass

from host.wire import messages
from host.wire.messages import Answer, Hello, Levels, Request, Trouble
from host.wire.record import Doubt


@dataclass(frozen=True, slots=True)
class Seen:
    """The chanter said who it is."""

    hello: Hello
    host_us: int | None


@dataclass(frozen=True, slots=True)
class State:
    """Which holes are covered from `t_us` on; heartbeats come as states too."""

    t_us: int
    covered_mask: int
    host_us: int | None


@dataclass(frozen=True, slots=True)
class RawState:
    """One raw sample of each hole."""

    t_us: int
    samples: tuple[int, ...]
    host_us: int | None


@dataclass(frozen=True, slots=True)
class TroubleSeen:
    """The chanter reported trouble."""

    t_us: int
    trouble: Trouble
    host_us: int | None

    @property
    def words(self) -> str:
        """The trouble in words."""
        code = self.trouble.code
        return messages.TROUBLE_WORDS[code] if 0 < code < len(messages.TROUBLE_WORDS) else f"trouble number {code}"


@dataclass(frozen=True, slots=True)
class Doubted:
    """Something may have happened that no frame tells of."""

    doubt: Doubt


@dataclass(frozen=True, slots=True)
class Answered:
    """An answer came. `asked` is the request it answers, None where nothing of that number was asked.

    `value` is what `read_answer_body` finds. For a clock request `t_us` is the chanter's time on the unwrapped clock,
    None while no timed frame has come or for other requests.
    """

    asked: Request | None
    answer: Answer
    value: Levels | tuple[int, int] | int | None
    t_us: int | None
    host_us: int | None

    @property
    def words(self) -> str:
        """The status in words."""
        status = self.answer.status
        return messages.STATUS_WORDS[status] if status < len(messages.STATUS_WORDS) else f"status number {status}"


Event = Seen | State | RawState | TroubleSeen | Doubted | Answered
