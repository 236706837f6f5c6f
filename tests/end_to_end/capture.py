"""Captures what a JACK server's clients play, sample by sample, each sample with the time at which it was there.

In a process of its own, so that it neither takes time from the one that is judged, nor waits for it:

    python -m tests.end_to_end.capture OUT.npz     captures until its standard input is closed, then writes OUT.npz

A sample's time is that of its cycle: when this client, which comes after the one that plays, is called in it, by the
host clock (the median of the cycles around, as one call may be late), and its place in the cycle on top. So it says
when the sample was given to the output's listeners; a real device plays it a period or two after that. JACK's
own `frame_time` agrees to 0.2 ms while all goes well, but strays by milliseconds for seconds after the server was late.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from tests.waiting import PATIENCE_S

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Self

ROOT = Path(__file__).parents[2]
Played = TypeVar("Played")
# A take that the server disturbed is taken again so many times.
AGAIN = 3
MOST_S = 700
LOOK_EVERY_S = 0.05
AROUND = 15
# PortAudio's name for itself at a JACK server.
PLAYS = "^PortAudio.*:out_0$"


class JackServer:
    """A JACK server of a name of our own, with its dummy driver; between `with` and its end programs find this one."""

    def __init__(self, name: str = "sound") -> None:
        self.ours = {"JACK_DEFAULT_SERVER": f"fingerlead-{name}-{os.getpid()}", "JACK_NO_START_SERVER": "1"}

    def __enter__(self) -> Self:
        self._before = {key: os.environ.get(key) for key in self.ours}
        os.environ.update(self.ours)
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        for key, value in self._before.items():
            if value is None:
                del os.environ[key]
            else:
                os.environ[key] = value

    def start(self) -> None:
        """Start it, and wait until it serves."""
        name = self.ours["JACK_DEFAULT_SERVER"]
        self._process = subprocess.Popen(
            ["jackd", "-n", name, "-R", "-P", "10", "-S", "-d", "dummy", "-r", "48000", "-p", "128"],
            env={**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        waited = subprocess.run(["jack_wait", "-w", "-t", f"{PATIENCE_S:.0f}", "-s", name], capture_output=True)
        started = waited.returncode == 0 and self._process.poll() is None
        if not started:
            self.stop()
        assert started, "jackd is installed but does not start with its dummy driver"

    def stop(self) -> None:
        """Stop it, as a device is pulled out."""
        self._process.terminate()
        self._process.wait()


class Capture:
    """Captures from `with` to its end.

    Then `samples` float32[n], `breaks` (how often a cycle was missed), and `xruns` float64[m, 2]: when the server says
    that it was late, and by how much, in µs.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / "captured.npz"

    def __enter__(self) -> Self:
        command = [sys.executable, "-m", "tests.end_to_end.capture", str(self._path)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT)
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "capturing\n"
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()
        assert self._process.returncode == 0
        with np.load(self._path) as kept:
            self.rate_hz, self.period = int(kept["rate_hz"]), int(kept["period"])
            self.samples, self.xruns = kept["samples"], kept["xruns"]
            self.breaks = int((np.diff(kept["cycle_frames"]) != self.period).sum())
            cycle_us = np.arange(len(kept["called_us"])) * self.period * 1e6 / self.rate_hz
            late_us = kept["called_us"] - cycle_us
            around = np.lib.stride_tricks.sliding_window_view(np.pad(late_us, AROUND, mode="edge"), 2 * AROUND + 1)
            self._cycle_us = cycle_us + np.median(around, axis=1)

    def host_us(self, place: np.ndarray | int) -> np.ndarray:
        """When the sample at this place was there, in µs of the host clock, as float64."""
        return self._cycle_us[np.asarray(place) // self.period] + np.asarray(place) % self.period * 1e6 / self.rate_hz

    def near(self, host_us: int) -> int:
        """The place of the first sample at or after this time."""
        return int(np.searchsorted(self.host_us(np.arange(len(self.samples))), host_us))


def taken(folder: Path, play: Callable[[], Played]) -> tuple[Played, Capture]:
    """What `play` returns, and what was captured meanwhile: a take in which the server was never late.

    A take with an under-run of the server, or with a cycle missed, is no measure of what was played: it says so and is
    taken again, three times at most. The last one is judged whatever it holds.
    """
    for again in range(AGAIN + 1):
        with Capture(folder) as captured:
            played = play()
        if not len(captured.xruns) and not captured.breaks:
            break
        print(f"take {again + 1}: {len(captured.xruns)} under-runs of the server, {captured.breaks} cycles missed")
    return played, captured


def changes(samples: np.ndarray, period: int, silence: float = 1e-4) -> np.ndarray:
    """Where notes begin, in sound that repeats itself after `period` samples but for them: places int64[n].

    Makes no use of what should sound: a sample that differs from the one a period ago, where those before it did not.
    A period later the difference is gone, so changes must be further apart than that.
    """
    differs = np.abs(samples[period:] - samples[:-period]) > silence * np.abs(samples).max()
    places = np.flatnonzero(differs) + period
    return places[np.diff(places, prepend=-period) > period // 2]


def _main(path: str) -> None:
    import jack

    client = jack.Client("capture", no_start_server=True)
    port = client.inports.register("in")
    period, rate_hz = client.blocksize, client.samplerate
    # Written to here, or the system would find each page, 2 MB at a time, while the server waits for the callback.
    room = np.full((MOST_S * rate_hz // period, period), np.nan, dtype=np.float32)
    cycle_frames, called_ns = np.full(len(room), -1, dtype=np.int64), np.full(len(room), -1, dtype=np.int64)
    xruns: list[tuple[float, float]] = []
    cycles = 0

    @client.set_process_callback
    def process(frames: int) -> None:
        nonlocal cycles
        if cycles < len(room):
            called_ns[cycles] = time.perf_counter_ns()
            cycle_frames[cycles] = client.last_frame_time
            room[cycles] = np.frombuffer(port.get_buffer(), dtype=np.float32)
            cycles += 1

    @client.set_xrun_callback
    def xrun(delayed_us: float) -> None:
        xruns.append((time.perf_counter_ns() / 1_000, delayed_us))

    with client:
        print("capturing", flush=True)
        # Once connected, this thread sleeps: awake, it could hold the interpreter that the other one needs in time.
        while not client.get_all_connections(port) and not select.select([sys.stdin], [], [], LOOK_EVERY_S)[0]:
            for output in client.get_ports(PLAYS, is_audio=True, is_output=True):
                client.connect(output, port)
        sys.stdin.read()
    np.savez(
        path,
        rate_hz=rate_hz,
        period=period,
        samples=room[:cycles].reshape(-1),
        cycle_frames=cycle_frames[:cycles],
        called_us=called_ns[:cycles] / 1_000,
        xruns=np.array(xruns).reshape(-1, 2),
    )


if __name__ == "__main__":
    _main(sys.argv[1])
