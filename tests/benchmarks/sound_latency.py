"""From the last byte of a frame, written to a pseudo-terminal, to the first sample of the new note, captured at JACK.

The chain is the one that practice runs: reader thread, queue, listening with its analysis, a session being saved, and
the sound's own process; beside it a thread that is as busy as pages and reports make one. All under JACK's dummy
driver at 48 kHz and 128 frames. At the same time a process that does nothing else reads the same frames from another
pseudo-terminal: where even that comes late, the machine was busy with others. The notes are low A, E and high A of a
practice chanter at 240 Hz: all of them repeat themselves after 400 samples, so that a new one is seen at its very first
sample (`tests.end_to_end.capture`).

`python -m tests.benchmarks.sound_latency 600` measures for ten minutes.
"""

from __future__ import annotations

import contextlib
import json
import random
import shutil
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing import Pipe, get_context
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from tests.benchmarks.live_latency import Player
from tests.benchmarks.playing import wire_frames
from tests.end_to_end.capture import Capture, JackServer, changes

SECONDS = 10
PERIOD_FRAMES = 400
NOTES = (1, 5, 8)
LOW_A_HZ = 240.0
LATE_US = 60_000
BUSY_S, REST_S = 0.002, 0.018


@dataclass(frozen=True, slots=True)
class SoundLatency:
    """`latency_us` float64[n] of every change; `bare_us` float64[m] from each byte to a bare loop that reads it.

    `xruns` of the server; shares of one core.
    """

    latency_us: np.ndarray
    bare_us: np.ndarray
    missed: int
    xruns: int
    slowest_ms: float
    device_delay_ms: float
    sound_share: float
    program_share: float
    seconds: float


def edges(seconds: int) -> tuple[np.ndarray, np.ndarray]:
    """Changes among the three notes, 90 to 200 ms apart, so that they fall anywhere in a block."""
    from fingering.table import standard_table

    standard = standard_table().standard
    chance = random.Random(11)
    times, masks = [0], [standard[NOTES[0]]]
    while times[-1] < seconds * 1_000_000:
        times.append(times[-1] + chance.randrange(90_000, 200_000))
        masks.append(chance.choice([standard[note] for note in NOTES if standard[note] != masks[-1]]))
    return np.array([*times, times[-1] + 300_000], dtype=np.int64), np.array(masks, dtype=np.uint8)


def _busy(stop: threading.Event) -> None:
    """As a page being served: a tenth of the interpreter's time, in pieces that hold it."""
    message = {str(number): list(range(40)) for number in range(20)}
    while not stop.wait(REST_S):
        until = time.perf_counter() + BUSY_S
        while time.perf_counter() < until:
            json.dumps(message)


def _read_only(name: str, frames: list[tuple[int, bytes]], times: Connection) -> None:
    """When each frame's last byte was read, by a loop that does nothing else."""
    ends = np.cumsum([len(data) for _, data in frames]).tolist()
    read_ns: list[int] = []
    got = 0
    with open(name, "rb", buffering=0) as terminal:
        while len(read_ns) < len(ends):
            got += len(terminal.read(4_096))
            while len(read_ns) < len(ends) and got >= ends[len(read_ns)]:
                read_ns.append(time.perf_counter_ns())
    times.send(read_ns)


def latencies(written_us: np.ndarray, begun_us: np.ndarray) -> np.ndarray:
    """From each change to the first note begun after it, in µs; without those that were not heard within LATE_US."""
    after_us = np.append(begun_us, np.inf)[np.searchsorted(begun_us, written_us)] - written_us
    return after_us[after_us < LATE_US]


def measure(seconds: int = SECONDS) -> SoundLatency:
    """Play for so long through the whole chain, with a JACK server running."""
    from fingering.table import standard_table
    from fingerlead.listening.listening import Heard, Listening
    from fingerlead.listening.reader import Reader
    from fingerlead.listening.recording import TICK_S
    from fingerlead.ports.base import now_us
    from fingerlead.ports.catalogue import open_port
    from fingerlead.practice.sounding import Sounding, SoundSettings
    from fingerlead.store.session_file import SessionWriter
    from fingerlead.timing.results import Timing
    from fingerlead.wire.events import State

    edge_us, covered = edges(seconds)
    frames = wire_frames(edge_us, covered)
    heard = 0
    table = standard_table()

    def hear(what: Heard, _: Timing) -> None:
        nonlocal heard
        if isinstance(what, State):
            heard += 1
            assert what.host_us is not None
            sounding.cover(what.covered_mask, what.host_us)

    stop = threading.Event()
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        captured = stack.enter_context(Capture(folder))
        sounding = Sounding(table, SoundSettings(low_a_hz=LOW_A_HZ)).start()
        if sounding.health().state != "sounding":
            raise RuntimeError(sounding.health().sentence)
        writer = SessionWriter(folder / "benchmark.session", carrier="stream", port="benchmark")
        listening = Listening(table, hear, keep=writer)
        player = Player(frames, 2)
        times, far_times = Pipe(duplex=False)
        bare = get_context("fork").Process(target=_read_only, args=(player.names[1], frames, far_times))
        bare.start()
        reader = Reader(lambda: open_port(player.name)).start()
        busy = threading.Thread(target=_busy, args=(stop,))
        busy.start()
        # All connected and awake before it begins.
        time.sleep(1)
        began_us, used_s, sound_used_s = now_us(), time.process_time(), sounding.health().processor_s
        player.start()
        while heard < len(frames) - 1:
            item = reader.get(TICK_S)
            if item is None:
                listening.idle()
            else:
                listening.take(item, reader.carrier)
            listening.tick(now_us())
        took_s = (now_us() - began_us) / 1e6
        program_share = (time.process_time() - used_s) / took_s
        time.sleep(0.3)
        ended_us, health = now_us(), sounding.health()
        written_us = np.array(player.times()) / 1_000
        bare_us = np.array(times.recv()) / 1_000 - written_us
        bare.join()
        stop.set()
        busy.join()
        reader.stop()
        listening.close()
        sounding.close()
    masks = np.repeat(covered, [len(range(a, b, 100_000)) for a, b in pairwise(edge_us)])
    changed = 2 + np.flatnonzero(np.diff(masks.astype(int)))  # frame 0 is the hello
    latency_us = latencies(written_us[changed], captured.host_us(changes(captured.samples, PERIOD_FRAMES)))
    return SoundLatency(
        latency_us,
        bare_us,
        len(changed) - len(latency_us),
        int(((captured.xruns[:, 0] > began_us) & (captured.xruns[:, 0] < ended_us)).sum()),
        health.slowest_us / 1_000,
        health.delay_ms or 0.0,
        (health.processor_s - sound_used_s) / took_s,
        program_share,
        took_s,
    )


def sound_latency_rows(seconds: int = SECONDS) -> list[tuple[str, str, str]]:
    """The rows of the table; none where the machine has no JACK."""
    if shutil.which("jackd") is None:
        return []
    with JackServer():
        got = measure(seconds)
    low, middle, high, most = np.percentile(got.latency_us, [0, 50, 99, 100]) / 1_000
    bare, bare_high = np.percentile(got.bare_us, [50, 99]) / 1_000
    return [
        (
            f"byte to the new note's first sample, JACK at 128 frames ({len(got.latency_us):,} changes)",
            f"median {middle:.2f} ms, 99th percentile {high:.2f} ms, standard deviation "
            f"{got.latency_us.std() / 1e3:.2f} ms",
            f"from {low:.2f} to {most:.2f} ms, {got.missed} not heard; a bare loop that reads the same bytes has them "
            f"after {bare:.2f} and {bare_high:.2f} ms; the device's own {got.device_delay_ms:.2f} ms come on top",
        ),
        (
            f"under-runs in {got.seconds:.0f} s of playing",
            f"{got.xruns} of the server; the slowest of our blocks of 2.67 ms took {got.slowest_ms:.2f} ms to make",
            f"of one core the sound takes {got.sound_share:.1%}; reading, analysis and a busy thread beside it "
            f"{got.program_share:.1%}",
        ),
    ]


def main() -> None:
    """Measure for the seconds that are given."""
    for row in sound_latency_rows(int(sys.argv[1]) if len(sys.argv) > 1 else SECONDS):
        print("| " + " | ".join(row) + " |")


if __name__ == "__main__":
    main()
