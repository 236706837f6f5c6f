"""`fingerlead relay`: a relay for lessons apart, for as long as it runs."""

import time
from pathlib import Path
from typing import Annotated

import typer

from fingerlead.faces.cli.problem import Problem, problem_from
from fingerlead.faces.cli.running import LOOK_S, until_interrupted
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.relay import PORT, Relay
from fingerlead.phrases import path_text
from fingerlead.store.certificates import CertificateError


def relay(
    folder: Annotated[Path, typer.Argument(help="Where the relay keeps its configuration, logs and tickets.")],
    address: Annotated[
        str, typer.Option("--address", metavar="IP", help="The address of this machine at which it listens.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=1, max=65_535, help="The port at which it listens.")] = PORT,
) -> None:
    """Run a relay for lessons apart until Ctrl-C: it carries sealed packets and can read none."""
    with (
        until_interrupted() as interrupted,
        problem_from(LessonError, CertificateError, OSError, ValueError),
        Relay(folder, address, port) as running,
    ):
        teachers, pupils = running.tickets["teacher"], running.tickets["pupil"]
        typer.echo(f"The relay listens at {running.address}. Ctrl-C ends it.")
        typer.echo(f"For teachers: {path_text(teachers)}. For pupils: {path_text(pupils)}.")
        typer.echo("A ticket lets its owner in: send it to those whom you teach, and to no one else.")
        while running.running and not interrupted():
            time.sleep(LOOK_S)
        if not running.running:
            raise Problem(f"the relay has ended by itself; {path_text(folder / 'relay.log')} may say why")
    typer.echo("The relay has ended.")
