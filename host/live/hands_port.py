"""The simulated chanter on the bench: hands that do what the maker's program asks, as a port."""

from __future__ import annotations

import random
import time
from typing import TYPE_CHECKING

from host.ports.host_clock import now_us
from host.ports.simulated_port import SimulatedPort
from host.simulated.hands import HandChanter, Hands

if TYPE_CHECKING:
    from collections.abc import Callable

    from host.simulated.chanter import Setup
    from host.simulated.sensing import Sensors


class HandsPort(SimulatedPort):
    """A simulated chanter whose hands listen to `asked`. `clock` and `sleep` can be replaced in tests."""

    def __init__(
        self,
        seed: int | None = None,
        setup: Setup | None = None,
        sensors_: Sensors | None = None,
        clock: Callable[[], int] = now_us,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self._hands = Hands(random.randrange(2**31) if seed is None else seed)
        super().__init__(HandChanter(self._hands, setup, sensors_), clock=clock, sleep=sleep)

    def asked(self, kind: str, hole: int | None = None) -> None:
        """Let the hands do what is asked of them."""
        with self._lock:
            self._hands.ask(kind, hole, self._clock() - self._started_us)
