"""From a finger that crosses the middle of its travel to the first sample of the new note, captured at JACK.

The whole way, on one machine: `fingerlead simulate`'s own loop plays at a pseudo-terminal in a process of its own, with
ideal sensors, a scan each millisecond and the chatter filter; the program reads it, analyses it, saves it and sounds it
under JACK's dummy driver at 48 kHz and 128 frames. All fingers of a change move at once, at a random microsecond. The
sound device's own delay is told beside it. Notes and the finding of their first samples are those of `sound_latency`.

`python -m tests.benchmarks.finger_to_sound 60` measures for a minute.
"""

from __future__ import annotations

import contextlib
import shutil
import sys
import tempfile
import time
from itertools import pairwise
from multiprocessing import Pipe, get_context
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from fingerlead.simulated.chanter import Chanter
from fingerlead.simulated.performance import Edge, Performance
from tests.benchmarks.sound_latency import LOW_A_HZ, PERIOD_FRAMES, edges, latencies
from tests.end_to_end.capture import Capture, JackServer, changes

SECONDS = 20
# Until the sound's clock and the chain are awake.
FIRST_US = 2_000_000


class Timed(Chanter):
    """A simulated chanter that knows when its clock began, by the host's."""

    began_ns = 0

    def hear(self, data: bytes, now_us: int) -> None:
        """As any chanter; what is said first is said at 0."""
        self.began_ns = self.began_ns or time.perf_counter_ns()
        super().hear(data, now_us)


def _performance(edge_us: list[int], covered: list[int]) -> Performance:
    moves = []
    for number, (at_us, (before, after)) in enumerate(zip(edge_us[1:], pairwise(covered), strict=False), 1):
        for finger in range(8):
            if (before ^ after) >> finger & 1:
                moves.append(Edge(at_us, finger, "lower" if after >> finger & 1 else "lift", number))
    return Performance("benchmark", 1, covered[0], tuple(moves), (), (), (), (), edge_us[-1])


def _serve(performance: Performance, told: Connection) -> None:
    from fingerlead.simulated.outlets import PtyOutlet
    from fingerlead.simulated.sensing import sensors
    from fingerlead.simulated.serve import serve

    outlet = PtyOutlet()
    chanter = Timed(performance, sensors_=sensors("ideal"))
    told.send(outlet.listening_on)
    serve(chanter, outlet)
    told.send(chanter.began_ns)
    outlet.close()


def measure(seconds: int = SECONDS) -> tuple[np.ndarray, int, float]:
    """With a JACK server running: of each change heard, float64[n] in µs; how many were not; the device's own in ms."""
    from fingering.table import standard_table
    from fingerlead.listening.listening import Heard, Listening
    from fingerlead.listening.reader import Lost, Reader
    from fingerlead.listening.recording import TICK_S
    from fingerlead.ports.base import now_us
    from fingerlead.ports.catalogue import open_port
    from fingerlead.practice.sounding import Sounding, SoundSettings
    from fingerlead.store.session_file import SessionWriter
    from fingerlead.timing.results import Timing
    from fingerlead.wire.events import State

    edge_us, covered = edges(seconds)
    edge_us[1:] += FIRST_US
    table = standard_table()

    def hear(what: Heard, _: Timing) -> None:
        if isinstance(what, State):
            assert what.host_us is not None
            sounding.cover(what.covered_mask, what.host_us)

    told, far = Pipe(duplex=False)
    chanter = get_context("fork").Process(target=_serve, args=(_performance(edge_us.tolist(), covered.tolist()), far))
    chanter.start()
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        captured = stack.enter_context(Capture(folder))
        sounding = Sounding(table, SoundSettings(low_a_hz=LOW_A_HZ)).start()
        if sounding.health().state != "sounding":
            raise RuntimeError(sounding.health().sentence)
        listening = Listening(table, hear, keep=SessionWriter(folder / "b.session", carrier="stream", port="benchmark"))
        name = told.recv()
        reader = Reader(lambda: open_port(name)).start()
        while not isinstance(item := reader.get(TICK_S), Lost):
            if item is None:
                listening.idle()
            else:
                listening.take(item, reader.carrier)
            listening.tick(now_us())
        delay_ms = sounding.health().delay_ms or 0.0
        began_us = told.recv() / 1_000
        chanter.join()
        reader.stop()
        listening.close()
        sounding.close()
    # The last time is the end of the playing, no change.
    finger_us = began_us + edge_us[1:-1]
    took_us = latencies(finger_us, captured.host_us(changes(captured.samples, PERIOD_FRAMES)))
    return took_us, len(finger_us) - len(took_us), delay_ms


def finger_rows(seconds: int = SECONDS) -> list[tuple[str, str, str]]:
    """The row of the table; none where the machine has no JACK."""
    if shutil.which("jackd") is None:
        return []
    with JackServer():
        took_us, missed, delay_ms = measure(seconds)
    low, middle, high, most = np.percentile(took_us, [0, 50, 99, 100]) / 1_000
    return [
        (
            f"finger to the new note's first sample, simulated chanter, JACK at 128 frames ({len(took_us):,} changes)",
            f"median {middle:.2f} ms, 99th percentile {high:.2f} ms",
            f"from {low:.2f} to {most:.2f} ms, {missed} not heard; the device's own {delay_ms:.2f} ms come on top",
        )
    ]


if __name__ == "__main__":
    for row in finger_rows(int(sys.argv[1]) if len(sys.argv) > 1 else SECONDS):
        print("| " + " | ".join(row) + " |")
