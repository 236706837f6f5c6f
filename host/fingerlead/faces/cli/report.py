"""`fingerlead report`: the page for the teacher, on screen or paper, or the numbers."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.options import Problem, tune_of

if TYPE_CHECKING:
    from fingerlead.faces.report.numbers import Player
    from fingerlead.timing.analysis import Analysis


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
    from fingerlead.studio.pupils import StudioError, day_text

    ending = output.suffix.lower()
    if any(output.exists() and file.exists() and output.samefile(file) for file in files):
        raise Problem(f"the page would be written over the playing in {output}; name another file with -o")
    if len({file.resolve() for file in files}) < len(files):
        raise Problem("a file is named twice, and would be counted twice; name each once")
    try:
        since = day_text(since)
        if since and ending in (".csv", ".json"):
            raise Problem("--since compares on a page (.html, .pdf); the numbers are of everything: leave it out")
        if len(files) == 1 and (files[0] / "pupils").is_dir():
            text = _studio(files[0], ending, since)
        else:
            tune = None if expect is None else tune_of(expect)
            chart = options.table_from(table, alternates)
            settings = options.settings_from(steady_us, heard_us, loose_us)
            analyses = [
                (file, options.analysed(file, chart, settings, skew_us, first_note, channel)[1]) for file in files
            ]
            if ending in (".csv", ".json"):
                text = _numbers([_player(path, analysis) for path, analysis in analyses], ending)
            else:
                from datetime import date

                from fingerlead.faces.report.page import played, render

                text = render(played(analyses), date.today(), tune, since)
    except StudioError as error:
        raise Problem(str(error)) from None
    try:
        with options.working(f"writing {output}"):
            if ending == ".pdf":
                from fingerlead.faces.report.page import PdfError, to_pdf

                try:
                    output.write_bytes(to_pdf(text))
                except PdfError as error:
                    raise Problem(str(error)) from None
            else:
                output.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise Problem(f"the page could not be written to {output}: {error.strerror}; name another file") from None
    what = "open it in a browser, or print it" if ending not in (".csv", ".json", ".pdf") else "ready"
    typer.echo(f"{os.fsencode(output).decode(errors='replace')}: {what}.")


def _numbers(players: list[Player], ending: str) -> str:
    from fingerlead.faces.report.numbers import as_csv, as_json, rows

    return (as_csv if ending == ".csv" else as_json)(rows(players))


def _player(path: Path, analysis: Analysis) -> Player:
    from fingerlead.faces.report.numbers import Player
    from fingerlead.timing.progress import tally
    from fingerlead.timing.summary import playing_us

    name = os.fsencode(path.name).decode(errors="replace")
    return Player(name, playing_us(analysis), tuple(tally(analysis)))


def _studio(folder: Path, ending: str, since: str) -> str:
    """All pupils of a studio: at a glance on a page, since a day or each one's last lesson, or their numbers."""
    from datetime import date

    from fingerlead.faces.pages.desk.pages import printed_glance
    from fingerlead.faces.report.numbers import Player
    from fingerlead.studio.studio import Studio
    from fingerlead.timing.progress import together

    with Studio(folder) as studio:
        if ending not in (".csv", ".json"):
            return printed_glance(studio, date.today(), since)
        players = []
        for pupil in studio.pupils():
            playing = sum(sitting.playing_us for sitting in studio.index.sittings(pupil.key))
            tallies = together(tally for *_, tally in studio.index.tallies(pupil.key))
            players.append(Player(pupil.name, playing, tuple(tallies.values())))
        return _numbers(players, ending)
