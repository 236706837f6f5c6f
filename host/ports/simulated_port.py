"""The simulated chanter inside this process, as the port `sim`: for a first look, and where there is no other way.

It plays as long as it is read, in real time; writing is answered at once.
"""

from __future__ import annotations

import random
import threading
import time
from typing import TYPE_CHECKING

from host.ports.base import Carrier, Chunk, Port
from host.ports.host_clock import now_us

if TYPE_CHECKING:
    from collections.abc import Callable

    from host.simulated.chanter import Chanter

SPEC = "sim"
PLAYS_FOR_US = 3_600_000_000
# How often a waiting read looks whether the chanter has something to say.
STEP_S = 0.002


class SimulatedPort(Port):
    """A simulated chanter with a human pupil, or the one given. `clock` and `sleep` can be replaced in tests."""

    def __init__(
        self,
        chanter: Chanter | None = None,
        carrier: Carrier = "stream",
        name: str = SPEC,
        clock: Callable[[], int] = now_us,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self.name = name
        self.carrier: Carrier = carrier
        self._clock, self._sleep = clock, sleep
        self._chanter = chanter if chanter is not None else _someone(carrier)
        self._answers: list[bytes] = []
        self._lock = threading.Lock()
        self._started_us = clock()

    def read(self, timeout_s: float) -> list[Chunk]:
        """What the chanter has said since the last read, in one chunk."""
        until_us = self._clock() + int(timeout_s * 1_000_000)
        while True:
            with self._lock:
                host_us = self._clock()
                data = b"".join(self._answers) + self._chanter.due(host_us - self._started_us)
                self._answers.clear()
            if data:
                return [Chunk(data, host_us)]
            if host_us >= until_us:
                return []
            self._sleep(min(STEP_S, (until_us - host_us) / 1_000_000))

    def write(self, data: bytes) -> None:
        """Let the chanter hear a request."""
        with self._lock:
            self._answers.append(self._chanter.receive(data, self._clock() - self._started_us))

    def close(self) -> None:
        """Nothing to let go of."""


def _someone(carrier: Carrier) -> Chanter:
    from host.simulated.chanter import Chanter, setup_for
    from host.simulated.play import perform
    from host.simulated.pupil import Pupil
    from host.simulated.script import write_script

    seed = random.randrange(2**31)
    pupil = Pupil()
    performance = perform(pupil, write_script(pupil, seed, for_us=PLAYS_FOR_US), seed)
    return Chanter(performance, setup_for(seed), carrier=carrier)
