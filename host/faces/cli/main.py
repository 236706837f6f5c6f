"""`fingerlead`: every command in one place. What a command needs is imported when it runs: help comes at once."""

from __future__ import annotations

import os
import sys

import typer

from host.faces.cli.analyse_command import analyse
from host.faces.cli.calibrate_command import calibrate
from host.faces.cli.check_command import check
from host.faces.cli.demo_command import demo
from host.faces.cli.devices_command import devices
from host.faces.cli.export_command import export
from host.faces.cli.fingering_command import fingering
from host.faces.cli.heard_command import heard
from host.faces.cli.ladder_command import ladder
from host.faces.cli.live_command import live
from host.faces.cli.moves_command import moves
from host.faces.cli.open_command import open
from host.faces.cli.practice_command import practice
from host.faces.cli.problem import Problem
from host.faces.cli.record_command import record
from host.faces.cli.report_command import report
from host.faces.cli.send_command import send
from host.faces.cli.sheet_command import sheet
from host.faces.cli.simulate_command import simulate
from host.faces.cli.studio_command import studio

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
