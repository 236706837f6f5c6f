"""`fingerlead calibrate`: levels for each hole, led step by step; the skew of the sensors; whether the fingers seal."""

import contextlib
import shlex
import signal
import sys
from pathlib import Path
from typing import Annotated

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.calibrate_screen import Screen, report_table, skew_table
from fingerlead.faces.cli.problem import Problem, problem_from
from fingerlead.faces.cli.running import StatusLine, say, until_interrupted
from fingerlead.faces.cli.serving import serve, web_place
from fingerlead.faces.pages.workbench.page import opened
from fingerlead.phrases import path_text
from fingerlead.ports.base import SIMULATED
from fingerlead.store.chanters import ANYONE, LONGEST_NAME, calibrations_folder
from fingerlead.workbench.measurement import BAR_WORDS, SEAL_WORDS, BarTest
from fingerlead.workbench.skew import WANTED, skew_words
from fingerlead.workbench.workbench import (
    FAILURES,
    BadHoles,
    Given,
    NeverCalibrated,
    WayBack,
    Workbench,
    open_port,
    words_of,
)

HOW_WORDS = (
    "Rest the foot of the chanter on your knee or a table; do not blow. One thing is asked for at a time: hold still "
    "until the next. What was not seen is asked for again. It takes about two minutes; Ctrl-C ends it, and nothing is "
    "changed."
)


def calibrate(
    port: options.PortName,
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
    tls_cert: options.TlsCert = None,
    tls_key: options.TlsKey = None,
) -> None:
    """Find out from where on each hole counts as covered, say which sensor is faulty, and tell the chanter."""
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
    with problem_from(*FAILURES, words=lambda error: _why(error, command)):
        if page:
            serving = opened(port, folder, name, web_place(address, web_port, tls_cert, tls_key))
            serve(serving, "Calibration", "; what the chanter was given it has.", browser)
            return
        chanter, clock = open_port(port)
        with (
            until_interrupted() as interrupted,
            contextlib.closing(Workbench(chanter, clock, folder, name, interrupted, WayBack(port))) as workbench,
        ):
            if port == SIMULATED:
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


def _why(error: Exception, command: str) -> str:
    """One of the workbench's failures in a sentence, with what to type."""
    if isinstance(error, BadHoles):
        return f"{error}, or add --anyway"
    if isinstance(error, NeverCalibrated):
        return f"{error}: {command}"
    return words_of(error)


def _calibrate(workbench: Workbench, anyway: bool, command: str) -> None:
    say(HOW_WORDS)
    with Screen() as screen:
        talk = workbench.lead(screen.show, screen.show_away)
    for sentence in talk.missing if talk.done else ():
        say(sentence)
    if talk.reports:
        report_table(talk.reports)
        say("Levels: open from the first down, covered from the second up.")
        if all(report.verdict == "good" for report in talk.reports):
            say("All eight holes are good.")
    for report in talk.reports:
        if report.verdict != "good":
            say(report.words)
    made = workbench.made(talk, anyway)
    if not _wanted():
        say("Nothing was changed.")
        return
    _say_given(workbench.give(made), command)


def _wanted() -> bool:
    """Whether the levels are to be given; in a pipe, where no question is answered, they are."""
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
    say(given.words)
    typer.echo(f"To go back: {command} --undo")


def _skew(workbench: Workbench) -> None:
    say(f"{BAR_WORDS} Ctrl-C: that is enough.")
    talk = BarTest(workbench.carrier)
    with StatusLine() as line:
        workbench.run(
            talk, lambda: line.show(lambda: f"Lifted {talk.counts[0]}, laid on {talk.counts[1]} of {WANTED} times.")
        )
    skew, path = workbench.skew_of(talk)
    skew_table(skew)
    say(f"{skew_words(skew)} Written down in {path_text(path)}.")


def _seal(workbench: Workbench) -> None:
    talk = workbench.seal_check()
    say(SEAL_WORDS)
    with StatusLine() as line:
        workbench.run(talk, lambda: line.show(lambda: f"{sum(talk.moved)} of {len(talk.moved)} fingers have moved."))
    if not talk.done:
        raise Problem("the check was broken off")
    for words in talk.words:
        say(words)
