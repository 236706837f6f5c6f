"""`fingerlead demo`: an invented session that plays by itself, from the chanter's bytes to the report.

The simulated chanter runs in a process of its own and is recorded through its port like any other: on a pseudo-terminal
where the system has them, on a TCP port elsewhere.
"""

import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

import typer

from fingering.rungs import notes_abc
from fingering.table import standard_table
from fingerlead.faces.cli import options
from fingerlead.faces.cli.analyse import text_lines
from fingerlead.faces.cli.inputs import analysed
from fingerlead.faces.cli.pages import serve_studio
from fingerlead.faces.cli.problem import Problem, problem_from
from fingerlead.faces.cli.running import expect_all
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.faces.report.learner import learner_of_files
from fingerlead.faces.report.page import render
from fingerlead.listening.reader import Reader
from fingerlead.listening.recording import Recording, record
from fingerlead.listening.sources import open_source
from fingerlead.phrases import path_text
from fingerlead.reading.asked import SessionMusic
from fingerlead.simulated.scenario import load_scenario
from fingerlead.store.files import demo_folder, write_output
from fingerlead.store.session_file import SessionWriter
from fingerlead.studio.invented import make_studio
from fingerlead.studio.pupils import StudioError


def demo(
    what: Annotated[
        Literal["evening", "studio"],
        typer.Argument(help="One session and its report, or a teacher's studio of a dozen over three months."),
    ] = "evening",
    folder: Annotated[
        Path, typer.Option("--folder", help="Where the session, the truth and the report are put.")
    ] = Path("out"),
    speed: Annotated[float, typer.Option(min=1, max=100, help="Times as fast as real time.")] = 8.0,
    browser: options.Browser = True,
) -> None:
    """Play an invented session on a simulated chanter, record it, and write its report; or open an invented studio."""
    if what == "studio":
        open_studio(folder / "studio", browser)
    else:
        play_session(folder, speed)


def open_studio(folder: Path, browser: bool) -> None:
    """Make the invented studio, where it is not there yet, and open its page. Raises Problem."""
    if not (folder / "pupils").is_dir():
        # Made beside, then put in place: one that was cut off would be taken for the whole.
        begun = folder.with_name(f".{folder.name}-begun")
        try:
            if folder.exists() and any(folder.iterdir()):
                raise Problem(f"{folder}: expected a new or an empty folder for the invented studio. Name another")
            shutil.rmtree(begun, ignore_errors=True)
            with problem_from(StudioError):
                make_studio(begun, date.today(), typer.echo)
            begun.replace(folder)
        except OSError as error:
            raise Problem(f"{folder}: the invented studio cannot be made there: {error.strerror or error}") from None
    serve_studio(folder, None, browser, WebPlace())


def play_session(folder: Path, speed: float) -> None:
    """Play, record, analyse and report. Raises Problem."""
    file = demo_folder() / "evening.toml"
    scenario = load_scenario(str(file))
    typer.echo(" ".join(scenario.about.split()))
    folder.mkdir(parents=True, exist_ok=True)
    session, truth, page = (folder / name for name in ("evening.session", "evening.truth", "evening.html"))
    for old in (session, truth, page):
        old.unlink(missing_ok=True)
    place = "pty" if sys.platform != "win32" else "tcp:0"
    command = [
        sys.executable, "-m", "fingerlead.faces.cli.main", "simulate", "--on", place, "--pupil", str(file),
        "--truth", str(truth), "--speed", str(speed),
    ]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as simulator:
        try:
            assert simulator.stdout is not None
            port = simulator.stdout.readline().removeprefix("listening on ").strip()
            if not port:
                raise Problem("the simulated chanter did not start; try: fingerlead simulate --on pty")
            typer.echo(
                f"\nA simulated chanter plays on {port}, {speed:g} times as fast as life; "
                f"recording {path_text(session)} ..."
            )
            reader = Reader(lambda: open_source(port)).start()
            kept = Recording(SessionWriter(session, "stream", port))
            kept.begin_music(SessionMusic("tune", "Ishbel's round", notes_abc(scenario.pupil.tune, "Ishbel's round")))
            record(reader, kept, lambda _: None, lambda: simulator.poll() is not None)
        finally:
            simulator.terminate()
    expect_all(kept)
    loaded, analysis = analysed(session, standard_table())
    typer.echo("")
    for line in text_lines(loaded, analysis):
        typer.echo(line)
    write_output(page, render(learner_of_files([(session, analysis)], date.today()), date.today()))
    typer.echo(f"\nThe report for the teacher: {path_text(page.resolve())}")
    typer.echo(f"What the simulated fingers truly did: {path_text(truth)}")
