"""`fingerlead sheet`: a rung, a tune, the fingering chart or a pupil's homework, engraved for printing."""

from datetime import date
from pathlib import Path
from typing import Annotated, Literal, cast

import typer

from fingering.orders import Order
from fingering.table import standard_table
from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import analysed
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.cli.tunes import easy_tune_of, is_abc_file, music_of, read_tunes, rung_of, rungs_from
from fingerlead.faces.sheet.lilypond import Format, engrave
from fingerlead.faces.sheet.piece import Sheet, SheetError, Style, rung_piece, tune_piece
from fingerlead.faces.sheet.sheets import chart_source, homework, weakest
from fingerlead.faces.sheet.source import sheet_source
from fingerlead.phrases import date_text, path_text
from fingerlead.store.files import write_output
from fingerlead.timing.findings import work_on_first
from fingerlead.timing.summary import summarise

FORMATS = (".pdf", ".svg", ".png")


def sheet(
    what: Annotated[
        str | None,
        typer.Argument(
            metavar="[RUNG|TUNE.abc|chart]",
            help="A rung (its key or number), an easy tune, a file of ABC, or the chart of the nine notes.",
            show_default=False,
        ),
    ] = None,
    output: Annotated[
        Path, typer.Option("--output", "-o", help="The sheet to write: its name ends in .pdf, .svg or .png.")
    ] = Path("sheet.pdf"),
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="The size of the paper.")] = "a4",
    letters: Annotated[
        Literal["full", "short", "none"],
        typer.Option("--letters", help="Letters under the notes: with low and high, without, or none."),
    ] = "full",
    pictures: Annotated[
        Literal["first", "all", "none"],
        typer.Option("--pictures", help="Fingering pictures: where a note first appears, at all notes, or none."),
    ] = "first",
    fade: Annotated[
        bool | None,
        typer.Option(
            "--fade/--no-fade",
            help="Let letters and pictures fade: rungs do, the more the higher they stand; tunes do not.",
            show_default=False,
        ),
    ] = None,
    number: Annotated[
        int | None, typer.Option("--number", help="Only the tune with this number (X:) of a file.", show_default=False)
    ] = None,
    order: options.LadderOrder = "taught",
    rungs: options.RungsFile = None,
    homework: Annotated[
        list[Path] | None,
        typer.Option(
            "--homework",
            metavar="FILE",
            help="A file of playing (may be repeated): a rung for each of the three things to work on.",
            show_default=False,
        ),
    ] = None,
    pupil: Annotated[str, typer.Option("--pupil", help="Whom the homework is for.", show_default=False)] = "",
) -> None:
    """Engrave a sheet for the music stand: staff, letters, fingering, and the order in which the fingers move."""
    format = output.suffix.lower()
    if format not in FORMATS:
        raise Problem(f"expected a sheet whose name ends in {', '.join(FORMATS[:-1])} or {FORMATS[-1]}; got {output}")
    if (what is None) == (not homework):
        raise typer.BadParameter("name one thing to print: a rung, a tune, a file of ABC, chart, or --homework FILE")
    style = Style(paper, letters, pictures)
    with problem_from(SheetError):
        source = _source(what, homework or [], pupil, style, fade, number, rungs, order)
        pages = engrave(source, cast("Format", format[1:]))
    for path, page in zip(_paths(output, len(pages)), pages, strict=True):
        with writing("the sheet", path):
            write_output(path, page)
        typer.echo(f"{path_text(path)}: ready to print.")


def _source(
    what: str | None,
    homework: list[Path],
    pupil: str,
    style: Style,
    fade: bool | None,
    number: int | None,
    rungs: Path | None,
    order: Order,
) -> str:
    if what == "chart":
        return chart_source(style)
    if what is None:
        return sheet_source(_homework(homework, pupil), style)
    if is_abc_file(what):
        return sheet_source(_tunes(Path(what), bool(fade), number), style)
    return sheet_source(_rung(what, rungs, order, fade is not False, bool(fade)), style)


def _tunes(path: Path, fade: bool, number: int | None) -> Sheet:
    tunes = read_tunes(path)
    chosen = [tune for tune in tunes if number is None or tune.number == number]
    if not chosen:
        there = ", ".join(str(tune.number) for tune in tunes[:20])
        raise Problem(f"{path}: expected a tune with the number {number}; there are {there}")
    return Sheet(tuple(tune_piece(tune, fade) for tune in chosen))


def _rung(text: str, path: Path | None, order: Order, fade_rungs: bool, fade_tunes: bool) -> Sheet:
    easy = easy_tune_of(text)
    if easy is not None:
        return Sheet((tune_piece(music_of(easy), fade_tunes),))
    found = rungs_from(path, order=order)
    rung = rung_of(text, found, own=path is not None)
    return Sheet((rung_piece(rung, found.index(rung) + 1 if rung in found else 1, len(found), fade_rungs),))


def _homework(files: list[Path], pupil: str) -> Sheet:
    summary = summarise(analysed(file, standard_table())[1] for file in files)
    found = weakest(summary)
    if not found:
        raise Problem(f"no homework was found in the playing. {work_on_first(summary)} Name a rung to print it")
    return homework(list(found), pupil, date_text(date.today()), found)


def _paths(output: Path, count: int) -> list[Path]:
    """One name for each page: of several, `sheet-1.svg` and so on."""
    if count == 1:
        return [output]
    return [output.with_name(f"{output.stem}-{number}{output.suffix}") for number in range(1, count + 1)]
