"""`fingerlead calibrate`: levels for each hole, led step by step; the skew of the sensors; whether the fingers seal."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.options import Problem

if TYPE_CHECKING:
    from fingerlead.workbench.workbench import Given, Workbench
HOW_WORDS = (
    "Rest the foot of the chanter on your knee or a table; do not blow. One thing is asked for at a time: hold still "
    "until the next. It takes two minutes at most; Ctrl-C ends it, and nothing is changed."
)


def calibrate(
    port: Annotated[str, typer.Argument(help="A device path, any pyserial URL, midi:NAME, or sim.")],
    page: Annotated[bool, typer.Option("--page", help="On a page in the browser, instead of here.")] = False,
    pupil: Annotated[str | None, typer.Option("--pupil", help="Whose fingers these are.", show_default=False)] = None,
    skew: Annotated[
        bool, typer.Option("--skew", help="Measure how far apart the sensors fire, with a straight stiff bar.")
    ] = False,
    seal: Annotated[bool, typer.Option("--seal", help="Find the finger that leaves its hole a little.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Go back to the levels before the last calibration.")] = False,
    kept: Annotated[
        bool, typer.Option("--kept", help="Give the chanter the levels that are kept of this pupil.")
    ] = False,
    use: Annotated[
        Path | None,
        typer.Option("--use", metavar="FILE", help="Give it the calibration in this file.", show_default=False),
    ] = None,
    anyway: Annotated[
        bool,
        typer.Option("--anyway", help="Although a hole is bad (it keeps its old levels), or the chanter is another."),
    ] = False,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="Where calibrations are kept; else your own data folder.", show_default=False),
    ] = None,
    browser: options.Browser = True,
    address: options.WebAddress = "127.0.0.1",
    web_port: options.WebPort = None,
) -> None:
    """Find out from where on each hole counts as covered, say which sensor is not well, and tell the chanter."""
    import shlex

    from fingerlead.faces.cli.calibrate_screen import say
    from fingerlead.faces.cli.running import told_to_end
    from fingerlead.ports.simulated_port import SPEC
    from fingerlead.store.chanters import ANYONE, LONGEST_NAME, calibrations_folder
    from fingerlead.workbench.workbench import FAILURES, BadHoles, NeverCalibrated, Workbench, open_port, words_of

    if sum((page, skew, seal, undo, kept, use is not None)) > 1:
        raise typer.BadParameter("choose one of --page, --skew, --seal, --undo, --kept and --use")
    name = ANYONE if pupil is None else " ".join(pupil.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise Problem(f"expected a pupil's name of 1 to {LONGEST_NAME} letters; choose another with --pupil")
    # To be run again for the same pupil, in the same folder.
    again = ["fingerlead", "calibrate", port]
    again += [] if pupil is None else ["--pupil", name]
    again += [] if folder is None else ["--folder", str(folder)]
    command = shlex.join(again)
    folder = folder or calibrations_folder()
    if page:
        _serve(port, folder, name, browser, address, web_port)
        return
    try:
        opened, clock = open_port(port)
        with opened, told_to_end() as told:
            workbench = Workbench(opened, clock, folder, name, told)
            if port == SPEC:
                say("A simulated chanter, and hands that do what is asked: just watch. It is gone afterwards.")
            if skew:
                _skew(workbench)
                if folder != calibrations_folder():
                    typer.echo("Analyses look for it in your own data folder, not here: give them --skew-us instead.")
            elif seal:
                _seal(workbench)
            elif undo:
                _say_given(workbench.undo(), command)
            elif kept:
                _say_given(workbench.give_kept(), command)
            elif use is not None:
                _say_given(workbench.use(use, anyway), command)
            else:
                _calibrate(workbench, anyway, command)
    except BadHoles as error:
        raise Problem(f"{error}, or add --anyway") from None
    except NeverCalibrated as error:
        raise Problem(f"{error}: {command}") from None
    except FAILURES as error:
        raise Problem(words_of(error)) from None


def _calibrate(workbench: Workbench, anyway: bool, command: str) -> None:
    from fingerlead.faces.cli.calibrate_screen import Screen, report_table, say
    from fingerlead.workbench.guidance import ask_words
    from fingerlead.workbench.measurement import Calibrating
    from fingerlead.workbench.samples import PLAN

    say(HOW_WORDS)
    talk = Calibrating(workbench.carrier)
    with Screen(talk) as screen:
        workbench.run(talk, screen.show)
    for number in talk.steps.missed if talk.steps is not None else ():
        say(f"Waited for in vain: step {number + 1}. {ask_words(*PLAN[number])}")
    if talk.reports:
        report_table(talk.reports)
        say("Levels: open from the first down, covered from the second up.")
        if all(report.verdict == "good" for report in talk.reports):
            say("All eight holes are good.")
    for report in talk.reports:
        if report.fault is not None:
            say(report.words)
    made = workbench.made(talk, anyway)
    if not _wanted():
        say("Nothing was changed.")
        return
    _say_given(workbench.give(made), command)


def _wanted() -> bool:
    """Whether the levels are to be given; in a pipe nobody can be asked: to run it is to want it."""
    import signal

    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return True
    # Else Ctrl-C would be noted, and the question would wait on.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        return typer.confirm("Give the chanter these levels?", default=True)
    except (typer.Abort, KeyboardInterrupt):
        typer.echo("")
        return False
    finally:
        signal.signal(signal.SIGINT, before)


def _say_given(given: Given, command: str) -> None:
    from fingerlead.faces.cli.calibrate_screen import say

    say(given.words)
    typer.echo(f"To go back: {command} --undo")


def _skew(workbench: Workbench) -> None:
    from fingering.holes import FINGERS
    from fingerlead.faces.cli.calibrate_screen import Counter, say, skew_table
    from fingerlead.workbench.measurement import BAR_WORDS, BarTest
    from fingerlead.workbench.skew import FRONT, WANTED, skew_words

    say(f"{BAR_WORDS} Ctrl-C: that is enough.")
    talk = BarTest(workbench.carrier)
    with Counter() as counter:
        workbench.run(
            talk, lambda: counter.show(f"Lifted {talk.counts[0]}, laid on {talk.counts[1]} of {WANTED} times.")
        )
    skew, path = workbench.skew_of(talk)
    skew_table([FINGERS[hole] for hole in FRONT], skew)
    say(f"{skew_words(skew)} Written down in {path}.")


def _seal(workbench: Workbench) -> None:
    from fingerlead.faces.cli.calibrate_screen import Counter, say
    from fingerlead.workbench.measurement import SEAL_WORDS

    talk = workbench.seal_check()
    say(SEAL_WORDS)
    with Counter() as counter:
        workbench.run(talk, lambda: counter.show(f"{sum(talk.moved)} of {len(talk.moved)} fingers have moved."))
    if not talk.done:
        raise Problem("the check was broken off")
    for words in talk.words:
        say(words)


def _serve(port: str, folder: Path, pupil: str, browser: bool, address: str, web_port: int | None) -> None:
    """The page, until Ctrl-C. Raises Problem."""
    from fingerlead.faces.cli.running import serve_until, told_to_end
    from fingerlead.faces.pages.kit.server import NoPlaceError
    from fingerlead.faces.pages.workbench.page import opened
    from fingerlead.workbench.workbench import FAILURES, words_of

    try:
        with told_to_end() as told, opened(port, folder, pupil, address, web_port) as page:
            words = f"Calibration is at {page.url}\nCtrl-C ends it; what the chanter was given it has."
            serve_until(told, lambda: page.running, page.url, words, browser)
    except NoPlaceError as error:
        raise Problem(str(error)) from None
    except FAILURES as error:
        raise Problem(words_of(error)) from None
