"""`fingerlead`: every command in one place. What a command needs is imported when it runs: help comes at once."""

from __future__ import annotations

import os
import sys

import typer

from fingerlead.faces.cli.analyse import analyse, export
from fingerlead.faces.cli.calibrate import calibrate
from fingerlead.faces.cli.devices import check, devices
from fingerlead.faces.cli.fingering import fingering, moves
from fingerlead.faces.cli.heard import heard
from fingerlead.faces.cli.ladder import ladder
from fingerlead.faces.cli.listen import live, record
from fingerlead.faces.cli.options import Problem
from fingerlead.faces.cli.pages import practice, studio
from fingerlead.faces.cli.passages import open, send
from fingerlead.faces.cli.report import report
from fingerlead.faces.cli.sheet import sheet
from fingerlead.faces.cli.simulated import demo, simulate

app = typer.Typer(
    name="fingerlead",
    help="Which finger led? Finger timing for the Highland practice chanter.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
# In the order in which people need them: learner, teacher, what is written down, the table, the maker.
COMMANDS = (
    practice, live, record, analyse, studio, report, send, open, export,
    ladder, sheet, moves, fingering, heard, devices, calibrate, check, simulate, demo,
)  # fmt: skip
for command in COMMANDS:
    app.command()(command)


def run() -> None:
    """Run the command line: exit code 0 done, 1 a problem with the input, 2 wrong usage."""
    try:
        app()
    except Problem as problem:
        typer.echo(f"fingerlead: {problem}", err=True)
        sys.exit(1)
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        typer.echo(f"fingerlead: {name}{error.strerror or error}", err=True)
        sys.exit(1)


if __name__ == "__main__":
    run()
