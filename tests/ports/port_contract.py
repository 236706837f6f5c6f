"""What every port promises. A test class for a port inherits `PortContract` and names the far side of that port."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable

import pytest

from fingerlead.ports.base import PortEnded, PortLost, now_us
from fingerlead.simulated.chanter import Chanter, setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import write_script
from fingerlead.wire.events import Answered, Intake, Seen, State
from fingerlead.wire.link import HostLink
from tests.waiting import PATIENCE_S

SEED = 7


def some_chanter(carrier: str = "stream", seed: int = SEED) -> Chanter:
    pupil = SimulatedPupil(hold_us=(60_000, 120_000))
    performance = perform(pupil, write_script(pupil, seed, for_us=20_000_000), seed)
    return Chanter(performance, setup_for(seed), carrier=carrier)


def some_bytes(carrier: str = "stream", for_us: int = 3_000_000) -> bytes:
    return some_chanter(carrier).due(for_us)


class FarSide:
    """The other end of a port. `port` opens this end; `hears` says whether requests are answered."""

    spec: str
    carrier = "stream"
    hears = True
    stays = False  # never goes away

    def port(self):
        raise NotImplementedError

    def start(self) -> None:
        """Begin to speak, now that the port is open."""

    def vanish(self) -> None:
        """Go away."""

    def close(self) -> None:
        """After the test."""


class Pump(threading.Thread):
    """A chanter that speaks through `send` and hears what `take` brings, until stopped."""

    def __init__(self, chanter: Chanter, send: Callable[[bytes], object], take: Callable[[], bytes]) -> None:
        super().__init__(daemon=True)
        self._chanter, self._send, self._take = chanter, send, take
        self._over = threading.Event()

    def run(self) -> None:
        started_us = now_us()
        while not self._over.wait(0.001):
            for frame in self._frames(now_us() - started_us):
                try:
                    self._send(frame)
                except OSError:
                    return

    def _frames(self, t_us: int) -> list[bytes]:
        heard = self._take()
        if heard:
            self._chanter.hear(heard, t_us)
        return [frame for _, frame in self._chanter.due_frames(t_us)]

    def stop(self) -> None:
        self._over.set()
        if self.is_alive():
            self.join()


def listen(port, link: HostLink, until: Callable[[list], bool]) -> list:
    """Events from the port until enough have come; fails rather than waits for ever."""
    events: list = []
    give_up = time.monotonic() + PATIENCE_S
    while not until(events):
        assert time.monotonic() < give_up, f"the port gave too little: {events}"
        for chunk in port.read(0.1):
            events += link.receive(chunk.data, chunk.host_us)
    return events


def read_until_gone(port) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while time.monotonic() < give_up:
        port.read(0.05)


def count(events: list, kind: type) -> int:
    return sum(isinstance(event, kind) for event in events)


class PortContract:
    """`side` is the class of the far side."""

    side: type[FarSide]

    @pytest.fixture
    def far_side(self):
        side = self.side()
        yield side
        side.close()

    def test_its_name_is_what_was_asked_for(self, far_side):
        with far_side.port() as port:
            assert port.name == far_side.spec

    def test_a_chanter_is_seen_whole_and_in_order(self, far_side):
        with far_side.port() as port:
            far_side.start()
            port.write(HostLink(far_side.carrier).who())
            link = HostLink(far_side.carrier)
            events = listen(port, link, lambda got: count(got, State) >= 12 and count(got, Seen) >= 1)
        assert port.carrier == far_side.carrier
        times = [event.t_us for event in events if isinstance(event, State)]
        assert times == sorted(times)
        # Opened in mid-speech, a first frame may be cut; nothing else is lost, doubled or damaged.
        assert link.intake == Intake(frames=link.intake.frames, skipped_bytes=link.intake.skipped_bytes)
        assert link.intake.skipped_bytes < 60

    def test_chunks_are_bytes_with_rising_times_of_arrival(self, far_side):
        before = now_us()
        chunks = []
        with far_side.port() as port:
            far_side.start()
            port.write(HostLink(far_side.carrier).who())
            give_up = time.monotonic() + PATIENCE_S
            while sum(len(chunk.data) for chunk in chunks) < 100 and time.monotonic() < give_up:
                chunks += port.read(0.1)
        assert chunks
        assert all(isinstance(chunk.data, bytes) and chunk.data for chunk in chunks)
        arrivals = [before, *(chunk.host_us for chunk in chunks), now_us()]
        assert arrivals == sorted(arrivals)

    def test_a_read_that_may_not_wait_returns_at_once(self, far_side):
        with far_side.port() as port:
            started_us = now_us()
            assert isinstance(port.read(0), list)
            assert now_us() - started_us < 500_000

    def test_requests_are_answered_where_the_other_side_hears(self, far_side):
        with far_side.port() as port:
            far_side.start()
            link = HostLink(far_side.carrier)
            if not far_side.hears:
                port.write(link.who())
                return
            listen(port, link, lambda got: count(got, State) >= 1)
            port.write(link.clock(123_456_789))
            events = listen(port, link, lambda got: count(got, Answered) >= 1)
            (answer,) = (event for event in events if isinstance(event, Answered))
        assert answer.answer.status == 0
        assert answer.value is not None
        assert answer.value[0] == 123_456_789

    def test_it_can_be_closed_twice(self, far_side):
        port = far_side.port()
        port.close()
        port.close()

    def test_it_says_when_the_other_side_is_gone(self, far_side):
        if far_side.stays:
            return
        with far_side.port() as port:
            far_side.start()
            port.write(HostLink(far_side.carrier).who())
            listen(port, HostLink(far_side.carrier), lambda got: count(got, State) >= 1)
            far_side.vanish()
            with pytest.raises((PortLost, PortEnded)) as gone:
                read_until_gone(port)
            assert far_side.spec in str(gone.value)
            if gone.type is PortLost:
                # Writing to it afterwards is the same loss or nothing, never another error.
                with contextlib.suppress(PortLost):
                    port.write(b"\0")
