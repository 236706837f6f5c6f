"""`fingerlead report`: the page for the teacher."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from host.faces.cli import options
from host.faces.cli.written import tune_of


def report(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="One or more files of playing.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="The page to write.")] = Path("report.html"),
    expect: options.Expect = None,
    skew_us: options.SkewUs = None,
    steady_us: options.SteadyUs = options.DEFAULTS.steady_us,
    heard_us: options.HeardUs = options.DEFAULTS.heard_us,
    loose_us: options.LooseUs = options.DEFAULTS.loose_us,
    table: options.TableFile = None,
    alternates: options.Alternates = False,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Make one page of some sessions: what to work on first, and every change with its fingers."""
    from host.faces.cli.problem import Problem
    from host.faces.report.page import write_report

    if any(output.exists() and file.exists() and output.samefile(file) for file in files):
        raise Problem(f"the page would be written over the playing in {output}; name another file with -o")
    if len({file.resolve() for file in files}) < len(files):
        raise Problem("a file is named twice, and would be counted twice; name each once")
    tune = None if expect is None else tune_of(expect)
    chart = options.table_from(table, alternates)
    settings = options.settings_from(steady_us, heard_us, loose_us)
    analyses = [(file, options.analysed(file, chart, settings, skew_us, first_note, channel)[1]) for file in files]
    try:
        with options.working(f"writing {output}"):
            write_report(analyses, output, tune)
    except OSError as error:
        raise Problem(f"the page could not be written to {output}: {error.strerror}; name another file") from None
    typer.echo(f"{os.fsencode(output).decode(errors='replace')}: open it in a browser, or print it.")
