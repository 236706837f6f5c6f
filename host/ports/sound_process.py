"""The sound's own process: an engine and a device, and one thread that matters, the device's.

A Python thread that wants to run waits for those of its process that do; a device waits for nobody. With analysis and
pages in the same process there were gaps every second at any switch interval, and as many with samples made by a
thread of their own: it runs at the usual priority, while the device's thread has the real-time one that the system
gives it. So the engine is here, and the device's thread asks it itself, for a block at a time in a twentieth of the
block's length. States come through a pipe that this thread looks into before each block: no other thread wakes for
them, and so none can be holding the interpreter when the device asks. See `tests/bench/sound_latency.py`.

    program ──states──────────────────► device's thread: SoundClock.frame_at ► engine.cover ► engine.render
            ──engine, settings─► main thread ──► engine
            ◄─Opened, Report, SoundRefused, Gone── main thread
"""

from __future__ import annotations

import contextlib
import os
import signal
import statistics
import struct
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from host.ports.host_clock import now_us
from host.ports.sound_clock import SoundClock
from host.ports.sound_device import SoundRefused, chosen, opened, outputs, portaudio

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

# A state on its way: the mask, or SILENCE, and when it arrived.
STATE = struct.Struct("<iq")
SILENCE = -1
# Told in place of a method of the engine.
END = ""
REPORT_US = 100_000
# A device that does not ask for so long is gone.
SILENT_US = 500_000
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
class Opened:
    """The device is open at this rate; `sentence` where that is not the one wanted."""

    device: str
    rate_hz: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Report:
    """How it goes: `frame` leaves for the device at `host_us`; what arrives sounds `latency_us` later.

    `delay_us` is the device's own, None where it does not say; `beats` are (frame, beat, accent), new since the last.
    """

    frame: int
    host_us: int
    latency_us: int
    delay_us: int | None
    under_runs: int
    processor_s: float
    beats: tuple[Beat, ...]


@dataclass(frozen=True, slots=True)
class Gone:
    """The device plays no more."""

    cause: str


class Playing:
    """What the device's thread does; everything of it is in `fill`."""

    def __init__(self, states: Connection, channels: int) -> None:
        self._states, self._channels = states, channels
        self.engine: Playable | None = None
        self.clock: SoundClock | None = None
        self.under_runs = 0
        self.asked_us = now_us()
        self.delays_s: deque[float] = deque(maxlen=64)
        self.error = ""
        self.ended = False

    def fill(self, out: Any, frames: int, times: Any, status: Any) -> None:
        """The device asks for samples."""
        asked_ns = time.perf_counter_ns()
        self.asked_us = asked_ns // 1_000
        try:
            assert self.engine is not None
            assert self.clock is not None
            if status.output_underflow:
                self.under_runs += 1
            self.delays_s.append(times.outputBufferDacTime - times.currentTime)
            self.clock.asked(self.engine.frame, frames, asked_ns)
            self._take_states(self.engine, self.clock)
            self._give(out, self.engine.render(frames))
        except Exception as error:
            # An error may not end the program in this thread: silence, and the main one tells.
            self.error = f"{type(error).__name__}: {error}"
            out[:] = bytes(len(out))

    def end(self) -> None:
        """The device's thread has come to its end."""
        self.ended = True

    def report(self, frame: int, beats: tuple[Beat, ...]) -> Report:
        """How it goes; from the main thread."""
        assert self.clock is not None
        known = [delay_s for delay_s in self.delays_s.copy() if 0 < delay_s < NONSENSE_S]
        delay_us = round(1_000_000 * statistics.median(known)) if known else None
        host_us, latency_us = self.clock.host_us_of(frame), self.clock.latency_us
        return Report(frame, host_us, latency_us, delay_us, self.under_runs, time.process_time(), beats)

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


def list_in_here(control: Connection) -> None:
    """Tell the names of all outputs, or why there are none."""
    _be_quiet()
    try:
        control.send([(output.name, output.way) for output in outputs(portaudio())])
    except SoundRefused as refused:
        control.send(refused)


def play_in_here(control: Connection, states: Connection, device: str | None, rate_hz: int, ahead_frames: int) -> None:
    """The whole process: open the device, say so, take an engine, play until told to end, or the program is gone."""
    _be_quiet()
    # Where the program is gone, nobody is there to be told.
    with contextlib.suppress(EOFError, OSError):
        try:
            _play(control, states, device, rate_hz, ahead_frames)
        except SoundRefused as refused:
            control.send(refused)
        except ValueError as error:
            control.send(SoundRefused("sound", str(error), "choose other settings"))
    # The device's library may hang or crash when it is closed after its device went: the system closes it.
    os._exit(0)


def _play(control: Connection, states: Connection, device: str | None, rate_hz: int, ahead_frames: int) -> None:
    library = portaudio()
    output = chosen(outputs(library), device)
    playing = Playing(states, min(2, output.channels))
    stream, rate_hz, sentence = opened(library, output, rate_hz, playing.fill, playing.end)
    control.send(Opened(output.name, rate_hz, sentence))
    playing.engine = control.recv()(rate_hz)
    playing.clock = SoundClock(rate_hz, ahead_frames)
    playing.asked_us = now_us()
    try:
        stream.start()
    except library.PortAudioError as error:
        raise SoundRefused(output.name, f"it does not start ({error.args[0]})", "try another one") from None
    _attend(control, playing)


def _attend(control: Connection, playing: Playing) -> None:
    """Pass on what is told, and report, until the device or the program is gone, or the program says so."""
    engine, clock = playing.engine, playing.clock
    assert engine is not None
    assert clock is not None
    told: Beat | None = None
    while True:
        try:
            until_us = now_us() + REPORT_US
            while control.poll(max(0, until_us - now_us()) / 1_000_000):
                method, arguments = control.recv()
                if method == END:
                    raise EOFError
                getattr(engine, method)(*arguments)
        except (EOFError, OSError):
            engine.cover(None, 0)
            time.sleep(FADE_S)
            return
        cause = playing.error or ("it was taken away" if playing.ended else "")
        if not cause and now_us() - playing.asked_us > SILENT_US:
            cause = "it asks for no more sound"
        if cause:
            control.send(Gone(cause))
            return
        beats: list[Beat] = [tuple(click) for click in getattr(engine, "clicks", ())]
        new, told = beats[beats.index(told) + 1 if told in beats else 0 :], beats[-1] if beats else None
        control.send(playing.report(engine.frame, tuple(new)))


def _be_quiet() -> None:
    """Ctrl-C is the program's to answer; and what native libraries print is nobody's."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
