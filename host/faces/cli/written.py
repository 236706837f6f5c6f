"""What was meant, as users name it: a rung of the ladder, an easy tune of the program's own, or a file of ABC."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from host.faces.cli.problem import Problem

if TYPE_CHECKING:
    from fingering.rungs import Rung
    from host.music.tune import Tune


def is_abc_file(what: str) -> bool:
    """Whether a name is meant as a file of ABC."""
    return Path(what).suffix.lower() == ".abc" or Path(what).is_file()


def read_tunes(path: Path) -> list[Tune]:
    """The tunes in a file of ABC; what is passed over is said on stderr. Raises Problem."""
    from host.music.abc import SIZE_LIMIT, AbcError, parse_abc

    try:
        with path.open("rb") as file:
            text = file.read(SIZE_LIMIT + 1)
    except OSError as error:
        raise Problem(f"{path}: expected a file of ABC; {error.strerror}") from None
    try:
        tunes, warnings = parse_abc(text, str(path))
    except AbcError as error:
        raise Problem(str(error)) from None
    for warning in warnings:
        typer.echo(f"{path}, {warning}", err=True)
    return tunes


def easy_tune_of(what: str) -> Tune | None:
    """One of the program's own easy tunes by its key or title, or None."""
    from fingering.tunes import easy_tunes
    from host.music.abc import parse_abc

    for easy in easy_tunes():
        if what.strip().lower() in (easy.key, easy.title.lower()):
            return parse_abc(easy.abc, easy.key)[0][0]
    return None


def rung_of(what: str, rungs: tuple[Rung, ...]) -> Rung:
    """A rung by its key or number; raises Problem."""
    from fingering.ladder import find_rung

    try:
        return find_rung(rungs, what)
    except ValueError as error:
        raise Problem(f"{error}; or name a file of ABC (`fingerlead ladder` lists the rungs)") from None


def tune_of(what: str, rungs: Path | None = None) -> Tune:
    """The music of a rung or an easy tune, or the first tune of a file of ABC; raises Problem."""
    if is_abc_file(what):
        return read_tunes(Path(what))[0]
    easy = easy_tune_of(what)
    if easy is not None:
        return easy
    from host.faces.cli.ladder_command import rungs_from
    from host.music.abc import parse_abc

    rung = rung_of(what, rungs_from(rungs))
    return parse_abc(rung.abc, rung.key)[0][0]
