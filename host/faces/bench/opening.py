"""The bench put together: its thread, hub and server, from the first to the last moment."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from host.bench.calibration_file import ANYONE
from host.faces.bench.app import app
from host.faces.bench.telling import message_of
from host.faces.web import guard
from host.faces.web.server import Server, listen, shown
from host.live import bench_flow
from host.live.bench_thread import BenchThread
from host.live.hub import Hub


@dataclass(frozen=True, slots=True)
class Opened:
    """A chanter on the bench, whose page is at `url`."""

    url: str
    thread: BenchThread
    server: Server

    @property
    def running(self) -> bool:
        """Whether both threads are at work; raises what ended one of them."""
        for failed in (self.thread.failed, self.server.failed):
            if failed is not None:
                raise failed
        return self.thread.running and self.server.running


@contextlib.contextmanager
def opened(port: str, folder: Path, pupil: str, address: str, web_port: int | None) -> Iterator[Opened]:
    """The bench from here to the end of the block.

    Raises NoPlaceError where the page cannot be served, and what opening the port raises.
    """
    place = listen(address, web_port)
    number: int = place.getsockname()[1]
    hub = Hub()
    thread = BenchThread(lambda: bench_flow.open_bench(port), folder, pupil, lambda told: hub.publish(message_of(told)))
    token = guard.new_token()
    names = guard.Names(address, number)
    shown_pupil = "" if pupil == ANYONE else pupil
    with contextlib.closing(place):
        thread.start()
        try:
            with Server(
                app(hub, thread, port, shown_pupil, token, f"fingerlead-{number}", names.fits), place
            ) as server:
                yield Opened(f"http://{shown(address)}:{number}/?token={token}", thread, server)
        finally:
            thread.stop()
