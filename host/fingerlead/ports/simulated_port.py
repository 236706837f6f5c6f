"""The simulated chanter inside this process, as the port `sim`: a pupil plays it, or hands that do what they are asked.

It plays as long as it is read, in real time; a write is answered at once.
"""

import random
import threading
import time
from collections.abc import Callable

from fingerlead.ports.base import SIMULATED, Chunk, Port, now_us
from fingerlead.simulated.chanter import Chanter, Setup, setup_for
from fingerlead.simulated.hands import HandChanter, Hands
from fingerlead.simulated.sensing import Sensors
from fingerlead.wire.carriers import Carrier

PLAYS_FOR_US = 3_600_000_000
# How often a waiting read looks whether the chanter has something to say.
STEP_S = 0.002


class SimulatedPort(Port):
    """A simulated chanter with a human pupil, or the one given. `clock` and `sleep` can be replaced in tests."""

    def __init__(
        self,
        chanter: Chanter | None = None,
        carrier: Carrier = "stream",
        name: str = SIMULATED,
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
        """Send the chanter a request."""
        with self._lock:
            self._answers.append(self._chanter.receive(data, self._clock() - self._started_us))

    def close(self) -> None:
        """Nothing to let go of."""


def _someone(carrier: Carrier) -> Chanter:
    from fingerlead.simulated.play import perform
    from fingerlead.simulated.pupil import SimulatedPupil
    from fingerlead.simulated.script import write_script

    seed = random.randrange(2**31)
    pupil = SimulatedPupil()
    performance = perform(pupil, write_script(pupil, seed, for_us=PLAYS_FOR_US), seed)
    return Chanter(performance, setup_for(seed), carrier=carrier)


class HandsPort(SimulatedPort):
    """A simulated chanter on the workbench: its hands do what is `asked`. `clock` and `sleep` as above."""

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
        """Have the hands do it."""
        with self._lock:
            self._hands.ask(kind, hole, self._clock() - self._started_us)
