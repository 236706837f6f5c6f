"""`fingerlead report`: the page for the teacher, on screen or paper, or the numbers."""

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import analysed, table_from
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.cli.running import StatusLine
from fingerlead.faces.pages.desk.first_page import printed_glance
from fingerlead.faces.report.comparison import progress_dicts, since_day
from fingerlead.faces.report.numbers import Player, numbers
from fingerlead.faces.report.page import played, render
from fingerlead.faces.report.paper import PdfError, to_pdf
from fingerlead.phrases import path_text
from fingerlead.store.files import write_output
from fingerlead.studio.overview import between, span_of
from fingerlead.studio.pupils import StudioError, day_text
from fingerlead.studio.studio import Studio
from fingerlead.timing.evenings import evening
from fingerlead.timing.movement_sums import movement_sums, movements_together
from fingerlead.timing.progress import tally, together
from fingerlead.timing.pulse import OnsetOf
from fingerlead.timing.summary import playing_us

NUMBERS = (".csv", ".json")


@options.with_reading
def report(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="One or more files of playing, or a studio's folder.")
    ],
    output: Annotated[
        Path, typer.Option("--output", "-o", help="What to write: a page (.html, .pdf) or the numbers (.csv, .json).")
    ] = Path("report.html"),
    expect: options.Expect = None,
    since: Annotated[
        str, typer.Option("--since", metavar="DAY", help="Compare what was played before this day with the rest.")
    ] = "",
    beat_on: options.BeatOn = "theme",
    *,
    reading: options.ReadOptions,
) -> None:
    """Make one page of some sessions: what to work on first, and every change with its fingers."""
    ending = output.suffix.lower()
    if any(output.exists() and file.exists() and output.samefile(file) for file in files):
        raise Problem(f"the page would be written over the playing in {output}; name another file with -o")
    if len({file.resolve() for file in files}) < len(files):
        raise Problem("a file is named twice, and would be counted twice; name each once")
    with problem_from(StudioError):
        since = day_text(since)
        if since and ending == ".csv":
            raise Problem("--since compares on a page (.html, .pdf) or in .json; a .csv is of everything: leave it out")
        if len(files) == 1 and (files[0] / "pupils").is_dir():
            text = _of_studio(files[0], ending, since)
        else:
            text = _of_files(files, ending, since, expect, options.ONSETS[beat_on], reading)
    with writing("the page", output), StatusLine(f"writing {output}"), problem_from(PdfError):
        write_output(output, to_pdf(text) if ending == ".pdf" else text)
    what = "ready" if ending in (*NUMBERS, ".pdf") else "open it in a browser, or print it"
    typer.echo(f"{path_text(output)}: {what}.")


def _of_files(
    files: list[Path], ending: str, since: str, expect: str | None, onset: OnsetOf, reading: options.ReadOptions
) -> str:
    chart = table_from(reading.table, reading.alternates)
    analyses = [(file, analysed(file, chart, reading, expect)[1]) for file in files]
    if ending not in NUMBERS:
        return render(played(analyses), date.today(), since, onset)
    players = [
        Player(path_text(file.name), playing_us(each), tuple(tally(each)), tuple(movement_sums(each)))
        for file, each in analyses
    ]
    days = [each.day for each in played(analyses)] if since else []
    evenings = [(evening(each.tallies, each.movements), day) for each, day in zip(players, days, strict=bool(since))]
    return numbers(players, ending, progress_dicts(since_day(evenings, since)))


def _of_studio(folder: Path, ending: str, since: str) -> str:
    """All pupils of a studio: at a glance on a page, since a day or each one's last lesson, or their numbers."""
    with Studio(folder) as studio:
        if ending not in NUMBERS:
            return printed_glance(studio, date.today(), since)
        players, progress = [], []
        for pupil in studio.pupils():
            playing = sum(session.playing_us for session in studio.index.sessions(pupil.key))
            tallies = together(tally for *_, tally in studio.index.tallies(pupil.key))
            movements = movements_together(one for *_, one in studio.index.movements(pupil.key))
            players.append(Player(pupil.name, playing, tuple(tallies.values()), tuple(movements.values())))
            if since:
                progress += progress_dicts(between(studio.index, pupil.key, span_of(since, date.today())), pupil.name)
        return numbers(players, ending, progress)
