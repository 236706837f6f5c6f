"""What is done with a chanter, on a page or in a terminal: talks run on its port, levels given, kept and undone.

One thread opens, reads, writes and closes the port. Nothing but `give` changes a chanter's levels.
"""

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Literal

from fingering.holes import FINGERS
from fingerlead.listening.sources import meet, open_source
from fingerlead.ports.base import SIMULATED, Port, PortEnded, PortLost, PortRefused, now_us
from fingerlead.ports.catalogue import serial_ports
from fingerlead.ports.simulated_port import HandsPort
from fingerlead.store.chanters import (
    ANYONE,
    Calibration,
    CalibrationError,
    find_calibration,
    fit_for,
    keep_calibration,
    keep_earlier,
    load_calibration,
    load_earlier,
    near_seal,
)
from fingerlead.store.skews import Skew, keep_skew
from fingerlead.wire import messages as wire
from fingerlead.wire.errors import NotAChanter
from fingerlead.workbench.measurement import BarTest, Calibrating, SealCheck
from fingerlead.workbench.skew import SkewError, fit
from fingerlead.workbench.talk import Away, Giving, Refused, Talk, WorkbenchTalk

READ_S = 0.03
LOOK_S = 0.3  # for a chanter that is away
AWAY_US = 600_000_000  # so long a calibration waits for it
AWAY_WORDS = "The chanter is away. Plug it in again: the calibration goes on where it was."


class WorkbenchError(ValueError):
    """What cannot be done at the workbench; str() is one sentence."""


class BrokenOff(WorkbenchError):
    """It was to end before it was done."""


class BadHoles(WorkbenchError):
    """wire.Levels of holes that cannot be trusted are given only on demand."""


class NeverCalibrated(WorkbenchError):
    """Nothing is kept of the pupil with this chanter."""


FAILURES = (PortRefused, PortLost, PortEnded, NotAChanter, Refused, CalibrationError, SkewError, WorkbenchError)


def words_of(error: BaseException) -> str:
    """One of FAILURES in a sentence."""
    if isinstance(error, PortEnded):
        return (
            "expected a chanter to talk with, but what came is a recording, and it is over; "
            "name a chanter's port, see: fingerlead devices"
        )
    return str(error)


@dataclass(frozen=True, slots=True)
class Given:
    """The chanter has levels. `kept` is whether it has them still when it was switched off."""

    path: Path
    kept: bool

    @property
    def words(self) -> str:
        """That, in a sentence."""
        kept = "and keeps them" if self.kept else "until it is switched off: it cannot keep them"
        return f"The chanter has its levels {kept}; they are written down in {self.path}."


def open_port(spec: str) -> tuple[Port, Callable[[], int]]:
    """The port and its clock; `sim` is a chanter with hands that do what they are asked.

    Raises PortRefused, and WorkbenchError where it only plays notes.
    """
    port = HandsPort() if spec == SIMULATED else open_source(spec)
    if port.carrier == "plain":
        port.close()
        raise WorkbenchError("expected a chanter that speaks the wire; one of plain notes has no levels to set")
    return port, now_us


class WayBack:
    """Where a chanter may be found again: at its port's name, or, unplugged and plugged in, at one that has come since.

    Called, it gives a port that opens, None where none does; strange ports take turns.
    """

    def __init__(self, spec: str, open_spec: Callable[[str], Port] = open_source) -> None:
        self._spec, self._open = spec, open_spec
        self._others = frozenset(_serial_names()) - {self._path}
        self._turn = 0

    @property
    def _path(self) -> str:
        return self._spec.partition("@")[0]

    def __call__(self) -> Port | None:
        """The next port to look at."""
        specs = [self._spec]
        # A port of another kind keeps its name.
        if "://" not in self._spec and not self._spec.startswith(("midi:", "replay:", SIMULATED)):
            come = sorted(set(_serial_names()) - self._others - {self._path})
            specs += [name + self._spec[len(self._path) :] for name in come]
        self._turn += 1
        try:
            return self._open(specs[self._turn % len(specs)])
        except PortRefused:
            return None


def _serial_names() -> list[str]:
    return [found.spec for found in serial_ports()]


def converse(
    talk: Talk,
    port: Port,
    clock: Callable[[], int],
    is_over: Callable[[], bool],
    show: Callable[[], None] = lambda: None,
) -> None:
    """Run a talk on a port until it is done or over; `show` is called after each read."""
    asked = None
    if first := talk.begin(clock()):
        port.write(first)
    while not talk.done and not is_over():
        if talk.asks is not None and talk.asks != asked and isinstance(port, HandsPort):
            # Simulated hands hear what a person reads.
            asked = talk.asks
            port.asked(*asked)
        heard = [(chunk.data, chunk.host_us) for chunk in port.read(READ_S)]
        for data, host_us in heard or [(b"", clock())]:
            if answer := talk.hear(data, host_us):
                port.write(answer)
        show()


class Workbench:
    """One chanter, and what can be done with it. Every method may raise one of FAILURES.

    `is_over` says whether to end before the time. `way_back` gives a port to look at for a chanter that is away, and
    `sleep` waits in between; it and `clock` can be replaced in tests.
    """

    def __init__(
        self,
        port: Port,
        clock: Callable[[], int],
        folder: Path,
        pupil: str,
        is_over: Callable[[], bool],
        way_back: Callable[[], Port | None] | None = None,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self.port = port
        self._way_back, self._sleep = way_back, sleep
        self._clock, self._folder, self._pupil, self._is_over = clock, folder, pupil, is_over

    def close(self) -> None:
        """Let go of the port."""
        self.port.close()

    @property
    def carrier(self) -> Literal["stream", "sysex"]:
        """How the wire is carried."""
        return "sysex" if self.port.carrier == "sysex" else "stream"

    def run(self, talk: WorkbenchTalk, show: Callable[[], None] = lambda: None, whole: bool = False) -> None:
        """Run a talk until it is done or, unless it has to be `whole`, is over; `show` is called after each read."""
        try:
            converse(talk, self.port, self._clock, (lambda: False) if whole else self._is_over, show)
        finally:
            if not talk.done and talk.link.hello is not None:
                # As a chanter streams by itself; what it answers is of no interest any more.
                with contextlib.suppress(PortLost):
                    self.port.write(talk.link.stream(wire.STREAM_HOLES))

    def lead(self, show: Callable[[Calibrating], None], away: Callable[[], None] = lambda: None) -> Calibrating:
        """Run a calibration until it is done or over; where the chanter goes away, it goes on when that is back.

        `show` is called after each read, `away` when the chanter is gone.
        """
        talk = Calibrating(self.carrier)
        while True:
            try:
                self.run(talk, partial(show, talk))
                return talk
            except (PortLost, Away):
                # Before it has said who it is, it could not be known again.
                if self._way_back is None or not talk.device:
                    raise
                away()
                if not self._find_again(self._way_back, talk.device):
                    if self._is_over():
                        return talk
                    raise
            talk = Calibrating(self.carrier, talk)

    def _find_again(self, way_back: Callable[[], Port | None], device: str) -> bool:
        """Whether the chanter is back at a port, which is open then."""
        self.port.close()
        until_us = self._clock() + AWAY_US
        while not self._is_over() and self._clock() < until_us:
            port = way_back()
            if port is not None:
                met = meet(port, self._clock)
                if met.hello is not None and met.hello.device_id.hex() == device:
                    self.port = port
                    return True
                port.close()
            self._sleep(LOOK_S)
        return False

    def made(self, talk: Calibrating, anyway: bool) -> Calibration:
        """What a calibration found; a bad hole, and one never seen covered, keep their old levels.

        Raises BrokenOff, and BadHoles unless `anyway`.
        """
        if not talk.reports:
            raise BrokenOff("the calibration was broken off; nothing was changed")
        bad = tuple(report.hole for report in talk.reports if report.verdict == "bad")
        if bad and not anyway:
            names = ", ".join(f"the {FINGERS[hole]}" for hole in bad)
            raise BadHoles(f"nothing was changed, as {names} cannot be trusted: mend it, and calibrate again")
        if len(talk.kept) == len(talk.reports):
            raise BrokenOff("no hole was seen covered and open; nothing was changed: calibrate again")
        return Calibration(
            device=talk.device,
            pupil=self._pupil,
            made=_now(),
            levels=tuple(
                before if report.hole in talk.kept else (report.cover_at, report.uncover_at)
                for report, before in zip(talk.reports, talk.before, strict=True)
            ),
            open_raw=tuple(report.open_raw for report in talk.reports),
            covered_raw=tuple(report.covered_raw for report in talk.reports),
        )

    def give(self, calibration: Calibration) -> Given:
        """Give the chanter its levels, whole, and write them down; what it had before that."""
        had = None
        # A file that cannot be used asks to calibrate again, and must not stand in the way of that.
        with contextlib.suppress(CalibrationError):
            had = find_calibration(self._folder, calibration.device, self._pupil)
        calibration = replace(calibration, pupil=self._pupil)

        def note(levels: wire.Levels) -> None:
            # Given twice, what was before the first time is still what was before.
            if levels != calibration.levels:
                # wire.Levels from elsewhere go back to as they were, too.
                before = had if had is not None and had.levels == levels else replace(calibration, levels=levels)
                keep_earlier(self._folder, before)

        giving = Giving(self.carrier, calibration.levels, calibration.device, note)
        self.run(giving, whole=True)
        return Given(keep_calibration(self._folder, calibration), giving.kept)

    def use(self, file: Path, anyway: bool) -> Given:
        """Give it a kept calibration."""
        return self.give(fit_for(load_calibration(file), self._device(), anyway))

    def give_kept(self) -> Given:
        """Give it what is kept of the pupil. Raises NeverCalibrated."""
        return self.give(self._kept())

    def undo(self) -> Given:
        """Give it the levels from before."""
        return self.give(load_earlier(self._folder, self._device(), self._pupil))

    def skew_of(self, talk: BarTest) -> tuple[Skew, Path]:
        """The skew that a bar test showed, and where it is written down."""
        skew = fit(talk.events, near_seal(talk.device, self._folder))
        try:
            return skew, keep_skew(self._folder, talk.device, _now(), skew)
        except CalibrationError as error:
            # Eighty moves of the bar are not to be in vain.
            raise WorkbenchError(
                f"sensors fire up to {skew.apart_us} µs apart (--skew-us {skew.apart_us}), but {error}"
            ) from None

    def seal_check(self) -> SealCheck:
        """The seal check against the pupil's calibration. Raises NeverCalibrated."""
        calibration = self._kept()
        return SealCheck(self.carrier, calibration.open_raw, calibration.covered_raw)

    def _kept(self) -> Calibration:
        calibration = find_calibration(self._folder, self._device(), self._pupil)
        if calibration is None:
            whose = "" if self._pupil == ANYONE else f" by {self._pupil}"
            raise NeverCalibrated(f"this chanter has not been calibrated{whose} yet, and that comes first")
        return calibration

    def _device(self) -> str:
        met = meet(self.port, self._clock)
        if met.hello is None:
            raise WorkbenchError(f"expected a chanter: {met.sentence}")
        return met.hello.device_id.hex()


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
