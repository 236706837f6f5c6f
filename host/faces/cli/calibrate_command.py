"""`fingerlead calibrate`: levels for each hole, led step by step; the skew of the sensors; whether the fingers seal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from host.faces.cli.problem import Problem

if TYPE_CHECKING:
    from host.bench.calibration_file import Calibration
    from host.bench.thresholds import HoleReport
    from host.live.bench_talk import BenchTalk
    from host.ports.base import Port
    from host.wire.messages import Levels

READ_S = 0.03


def calibrate(
    port: Annotated[str, typer.Argument(help="A device path, any pyserial URL, midi:NAME, or sim.")],
    pupil: Annotated[str | None, typer.Option("--pupil", help="Whose fingers these are.", show_default=False)] = None,
    skew: Annotated[
        bool, typer.Option("--skew", help="Measure how far apart the sensors fire, with a straight stiff bar.")
    ] = False,
    seal: Annotated[bool, typer.Option("--seal", help="Find the finger that leaves its hole a little.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Go back to the levels before the last calibration.")] = False,
    use: Annotated[
        Path | None,
        typer.Option("--use", metavar="FILE", help="Give the chanter a kept calibration.", show_default=False),
    ] = None,
    anyway: Annotated[
        bool,
        typer.Option("--anyway", help="Although a hole is bad (it keeps its old levels), or the chanter is another."),
    ] = False,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="Where calibrations are kept; else your own data folder.", show_default=False),
    ] = None,
) -> None:
    """Find out from where on each hole counts as covered, say which sensor is not well, and tell the chanter."""
    from host.bench.calibration_file import ANYONE, LONGEST_NAME, CalibrationError, calibrations_folder
    from host.bench.skew import SkewError
    from host.faces.cli.ending import told_to_end
    from host.live.bench_talk import Refused
    from host.ports.base import PortEnded, PortLost, PortRefused
    from host.wire.errors import NotAChanter

    if sum((skew, seal, undo, use is not None)) > 1:
        raise typer.BadParameter("choose one of --skew, --seal, --undo and --use")
    name = ANYONE if pupil is None else " ".join(pupil.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise Problem(f"expected a pupil's name of 1 to {LONGEST_NAME} letters; choose another with --pupil")
    try:
        opened, clock = open_bench(port)
        with opened, told_to_end() as told:
            if opened.carrier == "plain":
                raise Problem("expected a chanter that speaks the wire; one of plain notes has no levels to set")
            bench = Bench(opened, clock, told, folder or calibrations_folder(), name)
            if skew:
                bench.skew()
            elif seal:
                bench.seal()
            elif undo:
                bench.undo()
            elif use is not None:
                bench.use(use, anyway)
            else:
                bench.calibrate(anyway)
    except PortEnded:
        raise Problem("expected a chanter to talk with, but what came is a recording, and it is over") from None
    except (PortRefused, PortLost, NotAChanter, Refused, CalibrationError, SkewError) as error:
        raise Problem(str(error)) from None


def open_bench(spec: str) -> tuple[Port, Callable[[], int]]:
    """The port and its clock; `sim` is a chanter with hands that do what they are asked."""
    from host.live.hands_port import HandsPort
    from host.live.sources import open_source
    from host.ports.host_clock import now_us
    from host.ports.simulated_port import SPEC

    return (HandsPort() if spec == SPEC else open_source(spec)), now_us


class Bench:
    """One chanter on the bench, and what can be done with it. Raises Problem, and what talks and ports raise."""

    def __init__(
        self, port: Port, clock: Callable[[], int], told: Callable[[], bool], folder: Path, pupil: str
    ) -> None:
        self._port, self._clock, self._told, self._folder, self._pupil = port, clock, told, folder, pupil

    def calibrate(self, anyway: bool) -> None:
        """The whole calibration."""
        from host.bench.calibration_file import Calibration
        from host.faces.cli.calibrate_screen import Screen, report_table, say
        from host.live.calibrating import Calibrating

        talk = Calibrating(self._carrier())
        with Screen(talk) as screen:
            self._run(talk, lambda: screen.show(self._ask))
        if not talk.reports:
            raise Problem("the calibration was broken off; nothing was changed")
        report_table(talk.reports)
        for report in talk.reports:
            if report.fault is not None:
                say(report.words)
        made = Calibration(
            device=talk.device,
            pupil=self._pupil,
            made=_now(),
            levels=_levels(talk.reports, talk.before, anyway),
            open_raw=tuple(report.open_raw for report in talk.reports),
            covered_raw=tuple(report.covered_raw for report in talk.reports),
        )
        self._give(made)

    def use(self, file: Path, anyway: bool) -> None:
        """A kept calibration."""
        from host.bench.calibration_file import fit_for, load

        calibration = load(file)
        self._give(fit_for(calibration, self._device(), anyway))

    def undo(self) -> None:
        """The levels from before."""
        from host.bench.calibration_file import undone

        self._give(undone(self._folder, self._device(), self._pupil))

    def _give(self, calibration: Calibration) -> None:
        """Give it to the chanter, and write it down with what was before."""
        from dataclasses import replace

        from host.bench.calibration_file import find, keep
        from host.faces.cli.calibrate_screen import say
        from host.live.bench_talk import Giving

        had = find(self._folder, calibration.device, self._pupil)
        giving = Giving(self._carrier(), calibration.levels, calibration.device)
        self._run(giving)
        if not giving.done:
            raise Problem("broken off while the chanter took its levels; run it again")
        # Levels that somebody else gave it go back to as they were, too.
        same = had is not None and had.levels == giving.before
        before = had if same else replace(calibration, pupil=self._pupil, levels=giving.before)
        path = keep(self._folder, replace(calibration, pupil=self._pupil), before)
        kept = "and keeps them" if giving.kept else "until it is switched off: it cannot keep them"
        say(f"The chanter has its levels {kept}; they are written down in {path}.")
        typer.echo(f"To go back: fingerlead calibrate {self._port.name} --undo")

    def skew(self) -> None:
        """The straight-bar test."""
        from fingering.holes import FINGERS
        from host.bench.calibration_file import keep_skew
        from host.bench.skew import FRONT, UNKNOWN, WANTED, fit
        from host.faces.cli.calibrate_screen import Counter, say, skew_table
        from host.live.calibrating import BarTest

        say(
            f"Lay a straight stiff bar on the seven front holes and lift it off again, {WANTED} times, about once a "
            "second. Ctrl-C: that is enough."
        )
        talk = BarTest(self._carrier())
        with Counter() as counter:
            self._run(talk, lambda: counter.show(talk.counts, WANTED), first=("bar", None))
        skew = fit(talk.events)
        path = keep_skew(self._folder, talk.device, _now(), skew)
        skew_table([FINGERS[hole] for hole in FRONT], skew)
        say(
            f"Sensors fire up to {skew.apart_us / 1_000:.1f} ms apart, measured with {skew.lifts} lifts and "
            f"{skew.lays} lays, to within {skew.uncertain_us / 1_000:.1f} ms. {UNKNOWN} Written down in {path}."
        )

    def seal(self) -> None:
        """The seal check."""
        from host.bench.calibration_file import find
        from host.faces.cli.calibrate_screen import say
        from host.live.calibrating import SealCheck

        calibration = find(self._folder, self._device(), self._pupil)
        if calibration is None:
            raise Problem(
                f"expected a calibration of {self._pupil} with this chanter, but none is kept; first run: "
                f"fingerlead calibrate {self._port.name}"
            )
        say("Play low G and hold it. Then lift each finger and put it back, one after the other.")
        try:
            talk = SealCheck(self._carrier(), calibration.open_raw, calibration.covered_raw)
        except ValueError as error:
            raise Problem(str(error)) from None
        self._run(talk, first=("seal", None))
        if not talk.done:
            raise Problem("the check was broken off")
        for leak in talk.found:
            say(leak.words)
        if not talk.found:
            say(f"All holes stayed closed while {sum(talk.moved)} of 8 fingers moved.")

    def _carrier(self) -> Literal["stream", "sysex"]:
        return "sysex" if self._port.carrier == "sysex" else "stream"

    def _device(self) -> str:
        from host.live.meeting import meet

        met = meet(self._port, self._clock)
        if met.hello is None:
            raise Problem(f"expected a chanter: {met.sentence}")
        return met.hello.device_id.hex()

    def _ask(self, kind: str, hole: int | None) -> None:
        """Tell simulated hands what a person reads."""
        from host.live.hands_port import HandsPort

        if isinstance(self._port, HandsPort):
            self._port.asked(kind, hole)

    def _run(
        self, talk: BenchTalk, show: Callable[[], None] = lambda: None, first: tuple[str, int | None] | None = None
    ) -> None:
        """Until it is done, or told to end."""
        self._send(talk.begin(self._clock()))
        if first is not None:
            self._ask(*first)
        while not talk.done and not self._told():
            chunks = self._port.read(READ_S)
            for chunk in chunks:
                self._send(talk.hear(chunk.data, chunk.host_us))
            if not chunks:
                self._send(talk.hear(b"", self._clock()))
            show()

    def _send(self, data: bytes) -> None:
        if data:
            self._port.write(data)


def _now() -> str:
    from datetime import datetime

    return datetime.now().astimezone().isoformat(timespec="seconds")


def _levels(reports: list[HoleReport], before: Levels, anyway: bool) -> Levels:
    """The new levels; of bad holes the old ones, if they are to be used at all."""
    from fingering.holes import FINGERS
    from host.bench.thresholds import levels_of

    bad = [report.hole for report in reports if report.verdict == "bad"]
    if bad and not anyway:
        names = ", ".join(f"the {FINGERS[hole]}" for hole in bad)
        raise Problem(f"nothing was changed, as {names} cannot be trusted: mend it, calibrate again, or add --anyway")
    return tuple(before[hole] if hole in bad else level for hole, level in enumerate(levels_of(reports)))
