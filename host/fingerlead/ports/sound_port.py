"""Sound out of the computer: which outputs there are, and one of them playing an engine, whatever happens to it.

    SoundOut.start ──refused──► SoundRefused
        │
     sounding ──device gone, process dead──► lost ──every two seconds a new process──► sounding

The engine and the device live in a process of their own (`sound_process` says why); a new device is found, and a broken
driver got rid of, by starting another. The new one gets the last state again.
"""

import contextlib
import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, Literal, Never, Self

from fingerlead.actor import Actor
from fingerlead.ports import sound_process
from fingerlead.ports.base import Found
from fingerlead.ports.sound_device import SoundRefused
from fingerlead.ports.sound_process import SILENCE, STATE, Gone, MakeEngine, OutputOpened, Report

PREFIX = "sound:"
RATE_HZ = 48_000
# Longer than wires take; headphones without wire take three times as long and more (common experience, no source).
LONG_DELAY_MS = 40.0
ANSWER_S, RETRY_S, SILENT_S, END_S = 15.0, 2.0, 0.6, 1.0
# A new interpreter, not a copy of this one: threads and native libraries do not survive being copied.
_processes = get_context("spawn")
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class SoundHealth:
    """How the sound goes. `state`: "sounding", "silent" (closed), "lost" (looked for again), "none" (refused).

    `delay_ms` is the device's own, from PortAudio, None where it does not say; `sentence` is for people, or "".
    `latency_us` is the constant time from a state's arrival to its sound leaving for the device. `slowest_us` is the
    longest that a block took to make, and `processor_s` the processor time, both of the present process of the sound.
    """

    state: Literal["sounding", "silent", "none", "lost"]
    device: str = ""
    under_runs: int = 0
    delay_ms: float | None = None
    sentence: str = ""
    latency_us: int = 0
    slowest_us: int = 0
    processor_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Beat:
    """A beat of the metronome and when it is in the air, by the host's clock."""

    host_us: int
    beat: int
    accent: bool


def list_outputs() -> tuple[list[Found], str]:
    """The outputs that there are now; and why there are none, in a sentence. Takes a tenth of a second."""
    reports, far_reports = _processes.Pipe(duplex=False)
    process = _start(sound_process.list_in_here, (far_reports,))
    try:
        answer = _answer(reports, "")
    except SoundRefused as refused:
        return [], f"{refused}."
    finally:
        _end(process)
        reports.close()
    ways: dict[str, list[str]] = {}
    for name, way in answer:
        ways.setdefault(name, []).append(way)
    if not ways:
        return [], "There is no sound output at all: plug in headphones or a loudspeaker."
    return [Found(PREFIX + name, " or ".join(through)) for name, through in ways.items()], ""


class SoundOut:
    """Plays what `make_engine(rate_hz)` makes on the output that has `device` in its name (None: the system's own).

    `make_engine` goes to another process, so it must be picklable (a function of a module, or a partial of one). An
    engine that wants to know of changes before they sound says so by `ahead_frames`. `on_change` is called from a
    thread of this class whenever the state or the sentence is another.
    """

    def __init__(
        self,
        make_engine: MakeEngine,
        device: str | None = None,
        rate_hz: int = RATE_HZ,
        ahead_frames: int = 0,
        on_change: Callable[[], None] | None = None,
        retry_s: float = RETRY_S,
    ) -> None:
        # What the next process makes, if this one is lost.
        self.make_engine = make_engine
        self._device, self._rate_hz, self._ahead_frames, self._retry_s = device, rate_hz, ahead_frames, retry_s
        self._on_change = on_change
        self._watcher: Actor[Never] = Actor("sound watcher", self._watch)
        self._lock = threading.Lock()
        self._process: BaseProcess | None = None
        self._reports: Connection | None = None
        self._settings: Connection | None = None
        self._states: Connection | None = None
        self._last = STATE.pack(SILENCE, 0)
        self._opened = OutputOpened(device or "", rate_hz, "")
        self._report: Report | None = None
        self._beats: list[Beat] = []
        self._lost = ""
        self._earlier_under_runs = 0

    def start(self) -> Self:
        """Open the device and play; takes about half a second. Raises SoundRefused."""
        self._begin()
        self._watcher.start()
        return self

    def close(self) -> None:
        """Fade out and let go of the device; may be called again. Raises what ended the watcher: a fault of ours."""
        # What ends the process must not look like a loss.
        self._watcher.stop(0)
        with self._lock:
            if self._settings is not None:
                sound_process.send(self._settings, None)
        self._watcher.stop()
        self._let_go()
        self._watcher.check()

    def cover(self, covered_mask: int | None, host_us: int) -> None:
        """The mask that arrived at `host_us` sounds a constant time later; None is silence. Never waits."""
        state = STATE.pack(SILENCE if covered_mask is None else covered_mask, host_us)
        with self._lock:
            self._last = state
            self._send_state()

    def tell(self, method: str, *arguments: object) -> None:
        """Call this method of the engine, in the other process; nothing happens while the device is lost."""
        with self._lock:
            if self._settings is not None:
                sound_process.send(self._settings, (method, arguments))

    def beats(self) -> list[Beat]:
        """The metronome's beats since the last call."""
        with self._lock:
            beats, self._beats = self._beats, []
        return beats

    def host_us_of(self, frame: int) -> int:
        """When this frame is in the air, the device's own delay included; 0 while nothing plays."""
        report = self._report
        if report is None:
            return 0
        return report.host_us + (report.delay_us or 0) + (frame - report.frame) * 1_000_000 // self._opened.rate_hz

    def health(self) -> SoundHealth:
        """How it goes now; raises what ended the watcher."""
        self._watcher.check()
        report, opened, lost = self._report, self._opened, self._lost
        under_runs = self._earlier_under_runs + (report.under_runs if report else 0)
        if lost:
            return SoundHealth("lost", opened.device, under_runs, None, lost)
        if report is None or self._watcher.stopping:
            return SoundHealth("silent", opened.device, under_runs)
        delay_ms = None if report.delay_us is None else report.delay_us / 1_000
        measured = (report.latency_us, report.slowest_us, report.processor_s)
        return SoundHealth("sounding", opened.device, under_runs, delay_ms, opened.sentence, *measured)

    def _begin(self) -> None:
        """A new process, playing; raises SoundRefused."""
        reports, far_reports = _processes.Pipe(duplex=False)
        far_settings, settings = _processes.Pipe(duplex=False)
        far_states, states = _processes.Pipe(duplex=False)
        far_ends = (far_reports, far_settings, far_states)
        process = _start(sound_process.play_in_here, (*far_ends, self._device, self._rate_hz, self._ahead_frames))
        try:
            opened = _answer(reports, self._device or "")
            settings.send(self.make_engine)
            report = _answer(reports, opened.device)
        except (OSError, SoundRefused) as error:
            for end in (reports, settings, states):
                end.close()
            _end(process)
            if isinstance(error, SoundRefused):
                raise
            raise SoundRefused(self._device or "", f"it stopped at once ({error})", "try another one") from None
        # Better a state lost in a sound that hangs than a program that waits for it.
        sound_process.never_wait(states)
        with self._lock:
            self._process, self._reports, self._settings, self._states = process, reports, settings, states
            self._opened, self._report, self._lost = opened, report, ""
            self._send_state()
        _log.info("sound on %s at %d Hz", opened.device, opened.rate_hz)

    def _watch(self) -> None:
        while not self._watcher.stopping:
            cause = self._listen()
            if self._watcher.stopping:
                return
            self._lose(cause)
            while self._lost and not self._watcher.wait(self._retry_s):
                with contextlib.suppress(SoundRefused):
                    self._begin()
            self._say_so()

    def _listen(self) -> str:
        """Take reports until there are no more; why."""
        reports = self._reports
        try:
            while reports is not None and reports.poll(SILENT_S):
                what = reports.recv()
                if isinstance(what, Report):
                    self._take(what)
                else:
                    return what.cause if isinstance(what, (Gone, SoundRefused)) else repr(what)
        except (EOFError, OSError):
            return "its driver has stopped"
        return "it asks for no more sound"

    def _take(self, report: Report) -> None:
        with self._lock:
            self._report = report
            self._beats += [Beat(self.host_us_of(frame), beat, accent) for frame, beat, accent in report.beats]

    def _lose(self, cause: str) -> None:
        _log.warning("sound lost: %s", cause)
        with self._lock:
            if self._report is not None:
                self._earlier_under_runs += self._report.under_runs
            self._report = None
            self._lost = (
                f"The sound stopped: {self._opened.device}: {cause}. It goes on by itself when the output is back."
            )
        self._let_go()
        self._say_so()

    def _let_go(self) -> None:
        with self._lock:
            process, self._process = self._process, None
            for end in (self._reports, self._settings, self._states):
                if end is not None:
                    end.close()
            self._reports = self._settings = self._states = None
        if process is not None:
            _end(process)

    def _send_state(self) -> None:
        # Full means that the other process hangs: it will be found out.
        if self._states is not None:
            with contextlib.suppress(OSError):
                self._states.send_bytes(self._last)

    def _say_so(self) -> None:
        if self._on_change is not None and not self._watcher.stopping:
            self._on_change()


def _start(target: Callable[..., None], arguments: tuple[Any, ...]) -> BaseProcess:
    """Start a process, and leave the far ends of its pipes to it."""
    process = _processes.Process(target=target, args=arguments, name="fingerlead sound", daemon=True)
    process.start()
    for argument in arguments:
        if isinstance(argument, Connection):
            argument.close()
    return process


def _answer(reports: Connection, device: str) -> Any:
    """What the other process says; raises SoundRefused, also where it says nothing."""
    try:
        answer = reports.recv() if reports.poll(ANSWER_S) else None
    except (EOFError, OSError):
        answer = None
    if answer is None:
        raise SoundRefused(device, "the sound system does not answer", "try another output, or start the computer anew")
    if isinstance(answer, Gone):
        raise SoundRefused(device, answer.cause, "try another one")
    if isinstance(answer, SoundRefused):
        raise answer
    return answer


def _end(process: BaseProcess) -> None:
    process.join(END_S)
    if process.is_alive():
        process.kill()
        process.join()
