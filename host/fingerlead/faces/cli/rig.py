"""`fingerlead rig`: what a logic analyser logged beside a chanter, as a table, as JSON, or as a page with plots."""

import json
from pathlib import Path
from typing import Annotated, Literal

import typer

from fingering.holes import FINGERS
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.cli.running import StatusLine
from fingerlead.faces.report.rig_page import figure_text, render
from fingerlead.phrases import path_text
from fingerlead.store.files import write_output
from fingerlead.workbench.rig import RigResult, as_dict, class_words, measure
from fingerlead.workbench.rig_log import Log, RigLogError, read_log


def rig(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Logs of a logic analyser: CSV, VCD or a sigrok session.")
    ],
    form: Annotated[Literal["text", "json"], typer.Option("--format", help="A table, or one JSON object.")] = "text",
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PAGE", help="Write a page with plots here too (.html).")
    ] = None,
) -> None:
    """Tell how early or late a chanter sees a finger, against a contact at the rim: bias, spread and drift."""
    if output is not None and any(output.exists() and file.exists() and output.samefile(file) for file in files):
        raise Problem(f"the page would be written over the log in {output}; name another file with -o")
    if len({file.resolve() for file in files}) < len(files):
        raise Problem("a file is named twice, and would be counted twice; name each once")
    with problem_from(RigLogError):
        result = measure([_log(file) for file in files])
    if output is not None:
        with writing("the page", output):
            write_output(output, render(result, [path_text(file.name) for file in files]))
    typer.echo(json.dumps(as_dict(result)) if form == "json" else "\n".join(table(result)))


def table(result: RigResult) -> list[str]:
    """A line for each hole, motion and class of travel, with what is to be known beside it."""
    head = f"{'finger':<14} {'motion':<7} {'travel':<17} {'moves':>5} {'missed':>6} {'extra':>5}"
    lines = [f"{head}  {'bias, ms':>22} {'spread, ms':>22} {'drift, ms a minute':>22}"]
    for row in result.rows:
        figures = (row.bias_us, row.spread_us, row.drift_us_per_minute)
        lines.append(
            f"{FINGERS[row.hole]:<14} {row.motion:<7} {class_words(row.class_us):<17} {row.moves:>5} {row.missed:>6} "
            f"{row.extra:>5}  " + " ".join(f"{figure_text(figure):>22}" for figure in figures)
        )
    return [*lines, "In brackets the 95 % interval. Above 0 the chanter is late.", *result.notes]


def _log(file: Path) -> Log:
    try:
        with StatusLine(f"reading {file}"), file.open("rb") as log:
            return read_log(log)
    except RigLogError as error:
        raise Problem(f"{path_text(file)}: {error}") from None
    except OSError as error:
        raise Problem(f"{path_text(file)} could not be read: {error.strerror}; name a log that is there") from None
