"""The sound's own process: an engine and a device, and one thread that is awake, the device's.

A Python thread that wants to run waits for those of its process that do; a device does not wait. With analysis and
pages in the same process there were gaps at any switch interval, and more with samples made by a thread of their own:
it runs at the usual priority, while the device's thread has the real-time one that the system gives it. So the engine
is here, and the device's thread asks it itself, for a block at a time in a tenth of the block's length. It looks for
states in a pipe before each block, and reports ten times a second; the main thread sleeps unless settings change. A
second thread that were awake could be put aside by a busy computer just while it holds the interpreter.

    program ──states────► device's thread: SoundClock.frame_at ► engine.cover ► engine.render
            ◄─reports──── device's thread: Report
            ──settings──► main thread ► engine
            ◄─reports──── main thread: Opened, SoundRefused
"""

import contextlib
import gc
import os
import signal
import statistics
import struct
import sys
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any, Protocol

from fingerlead.ports.sound_device import SoundClock, SoundRefused, chosen, opened, outputs, portaudio

# A state on its way: the mask, or SILENCE, and when it arrived.
STATE = struct.Struct("<iq")
SILENCE = -1
REPORT_US = 100_000
FADE_S = 0.25
MOST_STATES_A_BLOCK = 256
# More than anything plays late: what a driver says that does not know.
NONSENSE_S = 5.0


class Playable(Protocol):
    """An engine: samples on a clock of absolute frames."""

    frame: int

    def cover(self, covered_mask: int | None, at_frame: int) -> None:
        """From this frame on the mask sounds, None silence."""
        ...

    def render(self, frames: int) -> Any:
        """The next frames, float32, one channel."""
        ...


Beat = tuple[int, int, bool]
MakeEngine = Callable[[int], Playable]


@dataclass(frozen=True, slots=True)
class OutputOpened:
    """The device is open at this rate; `sentence` where that is not the one wanted."""

    device: str
    rate_hz: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Report:
    """How it goes: `frame` leaves for the device at `host_us`; what arrives sounds `latency_us` later.

    `delay_us` is the device's own, None where it does not say; `slowest_us` is the longest that a block took to make;
    `beats` are (frame, beat, accent), new since the last report.
    """

    frame: int
    host_us: int
    latency_us: int
    delay_us: int | None
    under_runs: int
    slowest_us: int
    processor_s: float
    beats: tuple[Beat, ...]


@dataclass(frozen=True, slots=True)
class Gone:
    """The device plays no more."""

    cause: str


class OutputFill:
    """What the device's thread does; everything of it is in `fill`."""

    def __init__(self, states: Connection, reports: Connection, channels: int) -> None:
        self._states, self._reports, self._channels = states, reports, channels
        self._engine: Playable | None = None
        self._clock = SoundClock(1)
        self._under_runs = 0
        self._slowest_ns = 0
        self._delays_s: deque[float] = deque(maxlen=64)
        self._report_us = 0
        self._last_beat: Beat | None = None

    def play(self, engine: Playable, clock: SoundClock) -> None:
        """What is asked from now on."""
        self._engine, self._clock = engine, clock

    def fill(self, out: Any, frames: int, times: Any, status: Any) -> None:
        """The device asks for samples."""
        asked_ns = time.perf_counter_ns()
        engine, clock = self._engine, self._clock
        if engine is None:
            out[:] = bytes(len(out))
            return
        try:
            if status.output_underflow:
                self._under_runs += 1
            self._delays_s.append(times.outputBufferDacTime - times.currentTime)
            clock.asked(engine.frame, frames, asked_ns)
            self._take_states(engine, clock)
            self._give(out, engine.render(frames))
            if asked_ns // 1_000 >= self._report_us:
                self._report_us = asked_ns // 1_000 + REPORT_US
                send(self._reports, self._report(engine, clock))
            self._slowest_ns = max(self._slowest_ns, time.perf_counter_ns() - asked_ns)
        except Exception as error:
            # An error in this thread must not end the program: silence, and a report.
            self._engine = None
            out[:] = bytes(len(out))
            send(self._reports, Gone(f"{type(error).__name__}: {error}"))

    def end(self) -> None:
        """The device's thread has come to its end."""
        send(self._reports, Gone("it was taken away"))

    def _report(self, engine: Playable, clock: SoundClock) -> Report:
        known = [delay_s for delay_s in self._delays_s if 0 < delay_s < NONSENSE_S]
        delay_us = round(1_000_000 * statistics.median(known)) if known else None
        beats: list[Beat] = [tuple(click) for click in getattr(engine, "clicks", ())]
        new = beats[beats.index(self._last_beat) + 1 if self._last_beat in beats else 0 :]
        self._last_beat = beats[-1] if beats else None
        return Report(
            engine.frame,
            clock.host_us_of(engine.frame),
            clock.latency_us,
            delay_us,
            self._under_runs,
            self._slowest_ns // 1_000,
            time.process_time(),
            tuple(new),
        )

    def _take_states(self, engine: Playable, clock: SoundClock) -> None:
        for _ in range(MOST_STATES_A_BLOCK):
            try:
                if not self._states.poll():
                    return
                mask, host_us = STATE.unpack(self._states.recv_bytes())
            except (EOFError, OSError):
                return
            engine.cover(None if mask == SILENCE else mask, clock.frame_at(host_us))

    def _give(self, out: Any, samples: Any) -> None:
        """The same on every channel."""
        plain = memoryview(out).cast("f")
        for channel in range(self._channels):
            plain[channel :: self._channels] = memoryview(samples)


def list_in_here(reports: Connection) -> None:
    """Report the names of all outputs and their ways to the system, or why there are none."""
    _be_quiet()
    try:
        reports.send([(output.name, output.way) for output in outputs(portaudio())])
    except SoundRefused as refused:
        reports.send(refused)


def play_in_here(
    reports: Connection,
    settings: Connection,
    states: Connection,
    device: str | None,
    rate_hz: int,
    ahead_frames: int,
) -> None:
    """The whole process: open the device, report it, take an engine, play until the program ends it or is gone."""
    _be_quiet()
    never_wait(reports)
    # Where the program is gone, no report reaches it.
    with contextlib.suppress(EOFError, OSError):
        try:
            _play(reports, settings, states, device, rate_hz, ahead_frames)
        except SoundRefused as refused:
            reports.send(refused)
        except ValueError as error:
            reports.send(SoundRefused("", str(error), "choose other settings"))
    # The device's library may hang or crash when it is closed after its device went: the system closes it.
    os._exit(0)


def _play(
    reports: Connection,
    settings: Connection,
    states: Connection,
    device: str | None,
    rate_hz: int,
    ahead_frames: int,
) -> None:
    library = portaudio()
    output = chosen(outputs(library), device)
    playing = OutputFill(states, reports, min(2, output.channels))
    stream, rate_hz, sentence = opened(library, output, rate_hz, playing.fill, playing.end)
    reports.send(OutputOpened(output.name, rate_hz, sentence))
    engine = settings.recv()(rate_hz)
    # All objects so far stay: the collector need not look through them while playing.
    gc.freeze()
    playing.play(engine, SoundClock(rate_hz, ahead_frames))
    try:
        stream.start()
    except library.PortAudioError as error:
        raise SoundRefused(output.name, f"it does not start ({error.args[0]})", "try another one") from None
    with contextlib.suppress(EOFError, OSError):
        while (call := settings.recv()) is not None:
            method, arguments = call
            getattr(engine, method)(*arguments)
    engine.cover(None, 0)
    time.sleep(FADE_S)


def send(pipe: Connection, what: object) -> None:
    """Send to the other process; what it cannot take any more is lost."""
    with contextlib.suppress(OSError):
        pipe.send(what)


def never_wait(connection: Connection) -> None:
    """Have a full pipe refuse what is sent; on Windows none does."""
    if sys.platform != "win32":
        os.set_blocking(connection.fileno(), False)


def _be_quiet() -> None:
    """Leave Ctrl-C to the program, and what native libraries print to the void."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
