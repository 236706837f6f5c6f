"""`fingerlead report`: one page for a parent, two for the teacher, on screen or paper; or the numbers."""

import contextlib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import analysed, table_from
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.cli.running import StatusLine
from fingerlead.faces.pages.desk.first_page import printed_glance
from fingerlead.faces.pages.practice.teacher import pupil_named
from fingerlead.faces.report.comparison import progress_dicts, since_day
from fingerlead.faces.report.learner import Learner, learner_in, learner_of_files, sessions_in
from fingerlead.faces.report.numbers import Player, numbers
from fingerlead.faces.report.page import Reader, Whole, render
from fingerlead.faces.report.paper import Paper, PdfError, to_pdf
from fingerlead.phrases import path_text
from fingerlead.store.files import write_output
from fingerlead.studio.names import signs
from fingerlead.studio.overview import between, span_of
from fingerlead.studio.pupils import StudioError, day_text
from fingerlead.studio.studio import Studio
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.evenings import evening
from fingerlead.timing.movement_sums import movement_sums, movements_together
from fingerlead.timing.progress import tally, together
from fingerlead.timing.summary import playing_us

NUMBERS = (".csv", ".json")


@options.with_reading
def report(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...", help="Files of playing, or one folder: a learner's sessions, a pupil's, or a studio."
        ),
    ],
    output: Annotated[
        Path, typer.Option("--output", "-o", help="What to write: a page (.html, .pdf) or the numbers (.csv, .json).")
    ] = Path("report.html"),
    reader: Annotated[
        Reader, typer.Option("--for", help="Whom the page is for: one sheet for a parent, two for the teacher.")
    ] = "teacher",
    whole: Annotated[
        bool, typer.Option("--whole", help="Print every change with its fingers too; on screen it is there, folded.")
    ] = False,
    pupil: Annotated[
        str,
        typer.Option("--pupil", help="Whose playing it is; of a studio, the pupil to report on.", show_default=False),
    ] = "",
    paper: Annotated[Paper, typer.Option("--paper", help="The size of the paper of a .pdf.")] = "a4",
    expect: options.Expect = None,
    since: Annotated[
        str,
        typer.Option(
            "--since",
            metavar="DAY",
            help="Compare what was played before this day with the rest; else the last lesson before today.",
        ),
    ] = "",
    beat_on: options.BeatOn = "theme",
    *,
    reading: options.ReadOptions,
) -> None:
    """Make a report of some sessions: what is cleaner, what to work on, and every change with its fingers."""
    ending = output.suffix.lower()
    if any(output.exists() and file.exists() and output.samefile(file) for file in files):
        raise Problem(f"the page would be written over the playing in {output}; name another file with -o")
    if len({file.resolve() for file in files}) < len(files):
        raise Problem("a file is named twice, and would be counted twice; name each once")
    chart, today = table_from(reading.table, reading.alternates), date.today()

    def read(file: Path) -> Analysis:
        return analysed(file, chart, reading, expect)[1]

    with problem_from(StudioError):
        since = day_text(since)
        if since and ending == ".csv":
            raise Problem("--since compares on a page (.html, .pdf) or in .json; a .csv is of everything: leave it out")
        folder = _folder_in(files)
        if folder and (folder / "pupils").is_dir() and not pupil:
            if reader == "parent" and ending not in NUMBERS:
                raise Problem(f"a parent's page is of one pupil, and {path_text(folder)} is a studio; name --pupil")
            text = _of_studio(folder, ending, since)
        else:
            learner = _learner(folder, files, today, since, pupil, read, everything=ending in NUMBERS)
            printed: Whole = "open" if whole else "none" if ending == ".pdf" else "folded"
            onset = options.ONSETS[beat_on]
            text = _numbers(learner, ending) if ending in NUMBERS else render(learner, today, reader, printed, onset)
    with writing("the page", output), StatusLine(f"writing {output}"), problem_from(PdfError):
        write_output(output, to_pdf(text, paper) if ending == ".pdf" else text)
    what = "ready" if ending in (*NUMBERS, ".pdf") else "open it in a browser, or print it"
    typer.echo(f"{path_text(output)}: {what}.")


def _folder_in(files: list[Path]) -> Path | None:
    """The folder that is named, alone."""
    folders = [file for file in files if file.is_dir()]
    if folders and len(files) > 1:
        raise Problem(f"expected files of playing, or one folder alone; {path_text(folders[0])} is a folder")
    return folders[0] if folders else None


def _learner(
    folder: Path | None,
    files: list[Path],
    today: date,
    since: str,
    pupil: str,
    read: Callable[[Path], Analysis],
    everything: bool,
) -> Learner:
    """Whose playing it is; of a folder the span around a day, or `everything` where no day is given."""
    if folder is None:
        return learner_of_files([(file, read(file)) for file in files], today, since, pupil)
    if (folder / "pupils").is_dir():
        with Studio(folder) as studio:
            folder, pupil = studio.of(pupil_named(studio, pupil).key), ""
    if since or not everything:
        return learner_in(folder, today, since, _or_none(read), pupil)
    found = ((file, _or_none(read)(file)) for file in sessions_in(folder))
    return learner_of_files([(file, each) for file, each in found if each], today, since, pupil)


def _or_none(read: Callable[[Path], Analysis]) -> Callable[[Path], Analysis | None]:
    """Of a folder, what cannot be read does not keep the rest away."""

    def read_or_none(file: Path) -> Analysis | None:
        with contextlib.suppress(Problem):
            return read(file)
        return None

    return read_or_none


def _numbers(learner: Learner, ending: str) -> str:
    players = [
        Player(each.name, playing_us(each.analysis), tuple(tally(each.analysis)), tuple(movement_sums(each.analysis)))
        for each in learner.played
    ]
    if not learner.since:
        return numbers(players, ending)
    evenings = [
        (evening(player.tallies, player.movements), each.day)
        for player, each in zip(players, learner.played, strict=True)
    ]
    return numbers(players, ending, progress_dicts(since_day(evenings, learner.since)))


def _of_studio(folder: Path, ending: str, since: str) -> str:
    """All pupils of a studio: at a glance on a page, since a day or each one's last lesson, or their numbers."""
    with Studio(folder) as studio:
        if ending not in NUMBERS:
            return printed_glance(studio, date.today(), since)
        players, progress, apart = [], [], signs(studio.pupils(), studio.index.played_days())
        for pupil in studio.pupils():
            playing = sum(session.playing_us for session in studio.index.sessions(pupil.key))
            tallies = together(tally for *_, tally in studio.index.tallies(pupil.key))
            movements = movements_together(one for *_, one in studio.index.movements(pupil.key))
            name = f"{pupil.name} ({apart[pupil.key]})" if pupil.key in apart else pupil.name
            players.append(Player(name, playing, tuple(tallies.values()), tuple(movements.values())))
            if since:
                progress += progress_dicts(between(studio.index, pupil.key, span_of(since, date.today())), name)
        return numbers(players, ending, progress)
