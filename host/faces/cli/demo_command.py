"""`fingerlead demo`: an invented evening that plays by itself, from the chanter's bytes to the report.

The simulated chanter runs in a process of its own and is recorded through its port like any other: on a pseudo-terminal
where the system has them, on a TCP port elsewhere.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date
from enum import StrEnum
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from host.faces.cli import options


class Scenario(StrEnum):
    """What the demonstration plays."""

    evening = "evening"
    studio = "studio"


def demo(
    what: Annotated[
        Scenario, typer.Argument(help="One evening and its report, or a teacher's studio of a dozen over three months.")
    ] = Scenario.evening,
    folder: Annotated[
        Path, typer.Option("--folder", help="Where the session, the truth and the report are put.")
    ] = Path("out"),
    speed: Annotated[float, typer.Option(min=1, max=100, help="Times as fast as real time.")] = 8.0,
    browser: options.Browser = True,
) -> None:
    """Play an invented evening on a simulated chanter, record it, and write its report; or open an invented studio."""
    if what is Scenario.studio:
        open_studio(folder / "studio", browser, typer.echo)
    else:
        play_evening(folder, speed, typer.echo)


def open_studio(folder: Path, browser: bool, say: Callable[[str], None]) -> None:
    """Make the invented studio, where it is not there yet, and open its page. Raises Problem."""
    from demo.studio import make_studio
    from host.faces.cli.problem import Problem
    from host.faces.cli.studio_command import serve_studio
    from host.store.studio.pupils import StudioError

    if not (folder / "pupils").is_dir():
        # Made beside, then put in place: one that was cut off would be taken for the whole.
        begun = folder.with_name(f".{folder.name}-begun")
        try:
            if folder.exists() and any(folder.iterdir()):
                raise StudioError(f"{folder}: expected a new or an empty folder for the invented studio. Name another")
            shutil.rmtree(begun, ignore_errors=True)
            make_studio(begun, date.today(), say)
            begun.replace(folder)
        except StudioError as error:
            raise Problem(str(error)) from None
        except OSError as error:
            raise Problem(f"{folder}: the invented studio cannot be made there: {error.strerror or error}") from None
    serve_studio(folder, None, browser, "127.0.0.1", None)


def play_evening(folder: Path, speed: float, say: Callable[[str], None]) -> Path:
    """Play, record, analyse and report; returns the report's path. Raises Problem."""
    import subprocess
    import sys

    from fingering.table import standard_table
    from host.faces.cli.analyse_command import text_lines
    from host.faces.cli.options import analysed
    from host.faces.cli.problem import Problem
    from host.faces.report.page import played, render
    from host.live.reader import Reader
    from host.live.recording import Recording, record
    from host.live.sources import open_source
    from host.simulated.pupil_file import load_sitting
    from host.store.session_file import SessionWriter

    scenario = files("demo") / "evening.toml"
    sitting = load_sitting(str(scenario))
    say(" ".join(sitting.about.split()))
    folder.mkdir(parents=True, exist_ok=True)
    session, truth, page = (folder / name for name in ("evening.session", "evening.truth", "evening.html"))
    for old in (session, truth, page):
        old.unlink(missing_ok=True)
    place = "pty" if sys.platform != "win32" else "tcp:0"
    command = [
        sys.executable, "-m", "host.faces.cli.main", "simulate", "--on", place, "--pupil", str(scenario),
        "--truth", str(truth), "--speed", str(speed),
    ]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as simulator:
        try:
            assert simulator.stdout is not None
            port = simulator.stdout.readline().removeprefix("listening on ").strip()
            if not port:
                raise Problem("the simulated chanter did not start; try: fingerlead simulate --on pty")
            say(f"\nA simulated chanter plays on {port}, {speed:g} times as fast as life; recording {session} ...")
            reader = Reader(lambda: open_source(port)).start()
            kept = Recording(SessionWriter(session, "stream", port))
            record(reader, kept, lambda _: None, lambda: simulator.poll() is not None)
        finally:
            simulator.terminate()
    loaded, analysis = analysed(session, standard_table())
    say("")
    for line in text_lines(loaded, analysis):
        say(line)
    page.write_text(render(played([(session, analysis)]), date.today()), encoding="utf-8")
    say(f"\nThe report for the teacher: {page.resolve()}")
    say(f"What the simulated fingers truly did: {truth}")
    return page
