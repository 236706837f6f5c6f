"""What is done with a chanter, on a page or in a terminal: talks run on its port, levels given, kept and undone.

One thread opens, reads, writes and closes the port. Nothing but `give` changes a chanter's levels.
"""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from fingering.holes import FINGERS
from fingerlead.listening.sources import meet, open_source
from fingerlead.ports.base import SIMULATED, Port, PortEnded, PortLost, PortRefused, now_us
from fingerlead.ports.simulated_port import HandsPort
from fingerlead.store.chanters import (
    ANYONE,
    Calibration,
    CalibrationError,
    Skew,
    find_calibration,
    fit_for,
    keep_calibration,
    keep_earlier,
    keep_skew,
    load_calibration,
    load_earlier,
)
from fingerlead.wire import messages as wire
from fingerlead.wire.errors import NotAChanter
from fingerlead.workbench.measurement import BarTest, Calibrating, SealCheck
from fingerlead.workbench.skew import SkewError, fit
from fingerlead.workbench.talk import Giving, Refused, Talk, WorkbenchTalk

READ_S = 0.03


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

    `is_over` says whether to end before the time.
    """

    def __init__(
        self, port: Port, clock: Callable[[], int], folder: Path, pupil: str, is_over: Callable[[], bool]
    ) -> None:
        self.port = port
        self._clock, self._folder, self._pupil, self._is_over = clock, folder, pupil, is_over

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

    def made(self, talk: Calibrating, anyway: bool) -> Calibration:
        """What a calibration found; a bad hole keeps its old levels. Raises BrokenOff, and BadHoles unless `anyway`."""
        if not talk.reports:
            raise BrokenOff("the calibration was broken off; nothing was changed")
        bad = tuple(report.hole for report in talk.reports if report.verdict == "bad")
        if bad and not anyway:
            names = ", ".join(f"the {FINGERS[hole]}" for hole in bad)
            raise BadHoles(f"nothing was changed, as {names} cannot be trusted: mend it, and calibrate again")
        return Calibration(
            device=talk.device,
            pupil=self._pupil,
            made=_now(),
            levels=tuple(
                before if report.hole in bad else (report.cover_at, report.uncover_at)
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
        skew = fit(talk.events)
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
