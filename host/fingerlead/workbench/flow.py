"""What is done with a chanter on the bench, whoever shows it: talks run on its port, levels given, kept and undone.

One thread opens, reads, writes and closes the port. Nothing but `give` changes a chanter's levels.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from fingering.holes import FINGERS
from fingerlead.listening.sources import meet, open_source
from fingerlead.ports.base import Port, PortEnded, PortLost, PortRefused, now_us
from fingerlead.ports.simulated_port import SPEC, HandsPort
from fingerlead.store.chanters import (
    ANYONE,
    Calibration,
    CalibrationError,
    Skew,
    find,
    fit_for,
    keep,
    keep_before,
    keep_skew,
    load,
    undone,
)
from fingerlead.wire import messages as wire
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.messages import Levels
from fingerlead.workbench.levels import HoleReport, levels_of
from fingerlead.workbench.measurement import BarTest, Calibrating, SealCheck
from fingerlead.workbench.samples import PLAN
from fingerlead.workbench.skew import UNKNOWN, SkewError, fit
from fingerlead.workbench.talk import Giving, Refused, WorkbenchTalk

READ_S = 0.03
# What simulated hands are asked by; a calibration asks for each step on its own.
ASKS: dict[type[WorkbenchTalk], str] = {BarTest: "bar", SealCheck: "seal"}


class BenchError(ValueError):
    """What cannot be done on the bench; str() is one sentence."""


class BrokenOff(BenchError):
    """It was told to end before it was done."""


class BadHoles(BenchError):
    """Levels of holes that cannot be trusted are not given unless somebody says so. `holes` names them."""

    def __init__(self, holes: tuple[int, ...]) -> None:
        self.holes = holes
        self.names = ", ".join(f"the {FINGERS[hole]}" for hole in holes)
        super().__init__(f"nothing was changed, as {self.names} cannot be trusted: mend it, and calibrate again")


class NeverCalibrated(BenchError):
    """Nothing is kept of the pupil with this chanter."""


FAILURES = (PortRefused, PortLost, PortEnded, NotAChanter, Refused, CalibrationError, SkewError, BenchError)


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


def open_bench(spec: str) -> tuple[Port, Callable[[], int]]:
    """The port and its clock; `sim` is a chanter with hands that do what they are asked.

    Raises PortRefused, and BenchError where it only plays notes.
    """
    port = HandsPort() if spec == SPEC else open_source(spec)
    if port.carrier == "plain":
        port.close()
        raise BenchError("expected a chanter that speaks the wire; one of plain notes has no levels to set")
    return port, now_us


def levels_to_give(reports: list[HoleReport], before: Levels, anyway: bool) -> Levels:
    """The new levels; of bad holes the old ones, if they are to be used at all. Raises BadHoles."""
    bad = tuple(report.hole for report in reports if report.verdict == "bad")
    if bad and not anyway:
        raise BadHoles(bad)
    return tuple(before[hole] if hole in bad else level for hole, level in enumerate(levels_of(reports)))


def skew_words(skew: Skew) -> str:
    """What the straight bar showed, in sentences."""
    return (
        f"Two sensors see one motion, a lift or a covering, up to {skew.apart_us / 1_000:.1f} ms apart: measured by "
        f"{skew.lifts} lifts and {skew.lays} lays of the bar, to within {skew.uncertain_us / 1_000:.1f} ms. {UNKNOWN}"
    )


def seal_words(talk: SealCheck) -> list[str]:
    """What the seal check showed, in sentences."""
    if talk.found:
        return [leak.words for leak in talk.found]
    return [f"All holes stayed closed while {sum(talk.moved)} of 8 fingers moved."]


class Workbench:
    """One chanter on the bench, and what can be done with it. Every method may raise one of FAILURES.

    `told` says whether to end before the time.
    """

    def __init__(
        self, port: Port, clock: Callable[[], int], folder: Path, pupil: str, told: Callable[[], bool]
    ) -> None:
        self.port = port
        self._clock, self._folder, self._pupil, self._told = clock, folder, pupil, told

    @property
    def carrier(self) -> Literal["stream", "sysex"]:
        """How the wire is carried."""
        return "sysex" if self.port.carrier == "sysex" else "stream"

    def run(self, talk: WorkbenchTalk, show: Callable[[], None] = lambda: None, whole: bool = False) -> None:
        """Until it is done, or told to end, unless it is to be done `whole`; `show` is called after each read."""
        step = None
        try:
            self._send(talk.begin(self._clock()))
            if type(talk) in ASKS:
                self._ask(ASKS[type(talk)], None)
            while not talk.done and (whole or not self._told()):
                chunks = self.port.read(READ_S)
                for chunk in chunks:
                    self._send(talk.hear(chunk.data, chunk.host_us))
                if not chunks:
                    self._send(talk.hear(b"", self._clock()))
                steps = talk.steps if isinstance(talk, Calibrating) else None
                if steps is not None and not steps.done and steps.number != step:
                    step = steps.number
                    self._ask(*PLAN[step])
                show()
        finally:
            if not talk.done and talk.link.hello is not None:
                # As a chanter streams by itself; what it answers is of no interest any more.
                with contextlib.suppress(PortLost):
                    self._send(talk.link.stream(wire.STREAM_HOLES))

    def made(self, talk: Calibrating, anyway: bool) -> Calibration:
        """What a calibration found, to be given and kept. Raises BrokenOff, BadHoles."""
        if not talk.reports:
            raise BrokenOff("the calibration was broken off; nothing was changed")
        return Calibration(
            device=talk.device,
            pupil=self._pupil,
            made=_now(),
            levels=levels_to_give(talk.reports, talk.before, anyway),
            open_raw=tuple(report.open_raw for report in talk.reports),
            covered_raw=tuple(report.covered_raw for report in talk.reports),
        )

    def give(self, calibration: Calibration) -> Given:
        """Give the chanter its levels, whole, and write them down; what it had before that."""
        had = None
        # A file that cannot be used asks to calibrate again, and must not stand in the way of that.
        with contextlib.suppress(CalibrationError):
            had = find(self._folder, calibration.device, self._pupil)
        calibration = replace(calibration, pupil=self._pupil)

        def note(levels: Levels) -> None:
            # Given twice, what was before the first time is still what was before.
            if levels != calibration.levels:
                # Levels that somebody else gave it go back to as they were, too.
                same = had is not None and had.levels == levels
                keep_before(self._folder, had if same else replace(calibration, levels=levels))

        giving = Giving(self.carrier, calibration.levels, calibration.device, note)
        self.run(giving, whole=True)
        return Given(keep(self._folder, calibration), giving.kept)

    def use(self, file: Path, anyway: bool) -> Given:
        """Give it a kept calibration."""
        calibration = load(file)
        return self.give(fit_for(calibration, self._device(), anyway))

    def give_kept(self) -> Given:
        """Give it what is kept of the pupil. Raises NeverCalibrated."""
        return self.give(self._kept())

    def undo(self) -> Given:
        """Give it the levels from before."""
        return self.give(undone(self._folder, self._device(), self._pupil))

    def skew_of(self, talk: BarTest) -> tuple[Skew, Path]:
        """The skew that a bar test showed, and where it is written down."""
        skew = fit(talk.events)
        try:
            return skew, keep_skew(self._folder, talk.device, _now(), skew)
        except CalibrationError as error:
            # Eighty moves of the bar are not to be in vain.
            raise BenchError(
                f"sensors fire up to {skew.apart_us} µs apart (--skew-us {skew.apart_us}), but {error}"
            ) from None

    def seal_check(self) -> SealCheck:
        """The seal check against the pupil's calibration. Raises NeverCalibrated."""
        calibration = self._kept()
        try:
            return SealCheck(self.carrier, calibration.open_raw, calibration.covered_raw)
        except ValueError as error:
            raise BenchError(str(error)) from None

    def _kept(self) -> Calibration:
        calibration = find(self._folder, self._device(), self._pupil)
        if calibration is None:
            whose = "" if self._pupil == ANYONE else f" by {self._pupil}"
            raise NeverCalibrated(f"this chanter has not been calibrated{whose} yet, and that comes first")
        return calibration

    def _device(self) -> str:
        met = meet(self.port, self._clock)
        if met.hello is None:
            raise BenchError(f"expected a chanter: {met.sentence}")
        return met.hello.device_id.hex()

    def _ask(self, kind: str, hole: int | None) -> None:
        """Tell simulated hands what a person reads."""
        if isinstance(self.port, HandsPort):
            self.port.asked(kind, hole)

    def _send(self, data: bytes) -> None:
        if data:
            self.port.write(data)


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
