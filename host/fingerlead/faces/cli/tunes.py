"""What was meant, as users name it: a rung of the ladder, an easy tune of the program's own, or a file of ABC."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import typer

from fingering.ladder import LEVELS, LadderError, find_rung, load_ladder
from fingering.orders import Order, every_rung, rungs_in
from fingering.rungs import Rung
from fingering.tunes import EasyTune, easy_tunes
from fingerlead.faces.cli.problem import Problem, problem_from
from fingerlead.music.abc import SIZE_LIMIT, first_tune_text, parse_abc
from fingerlead.music.abc_text import AbcError
from fingerlead.music.tune import Tune
from fingerlead.phrases import path_text
from fingerlead.reading.asked import NOTHING_ASKED, SessionMusic
from fingerlead.store.session_music import LONGEST_NAME, MusicError, row_of, written_notes


def tune_of(what: str) -> Tune:
    """The music of a rung or an easy tune, or the first tune of a file of ABC; raises Problem."""
    if is_abc_file(what):
        return read_tunes(Path(what))[0]
    return music_of(easy_tune_of(what) or rung_of(what))


def session_music(what: str) -> SessionMusic:
    """What a session keeps of a rung, an easy tune, or the first tune of a file of ABC; raises Problem."""
    if is_abc_file(what):
        tune, text = read_tunes(Path(what))[0], first_tune_text(abc_text(Path(what)))
        name = " ".join(tune.title.split())[:LONGEST_NAME] or path_text(Path(what).name)
        music = SessionMusic("tune", "".join(letter for letter in name if letter.isprintable()), text)
    elif (easy := easy_tune_of(what)) is not None:
        music = SessionMusic("tune", easy.key, easy.abc)
    else:
        rung = rung_of(what)
        music = SessionMusic("rung", rung.key, rung.abc)
    with problem_from(MusicError, words=lambda error: f"{what}: {error}"):
        row_of(1, 0, music)
        written_notes(music)
    return music


def music_asked(what: str | None, stage_us: int | None) -> SessionMusic | None:
    """What a session is to keep of a music and a stage, either of which may be given; None for neither."""
    music = NOTHING_ASKED if what is None else session_music(what)
    return None if what is None and stage_us is None else replace(music, stage_us=stage_us)


def is_abc_file(what: str) -> bool:
    """Whether a name is meant as a file of ABC."""
    return Path(what).suffix.lower() == ".abc" or Path(what).is_file()


def read_tunes(path: Path) -> list[Tune]:
    """The tunes in a file of ABC; what is passed over is said on stderr. Raises Problem."""
    text = abc_text(path)
    with problem_from(AbcError):
        tunes, warnings = parse_abc(text, str(path))
    for warning in warnings:
        typer.echo(f"{path_text(path)}, {warning}", err=True)
    return tunes


def abc_text(path: Path) -> bytes:
    """The bytes of a file of ABC, one more than are read where it is longer. Raises Problem."""
    # A pipe would keep its reader waiting for ever.
    if path.is_fifo():
        raise Problem(f"{path}: expected a file of ABC; this is a pipe. Save it to a file, and name that")
    try:
        with path.open("rb") as file:
            return file.read(SIZE_LIMIT + 1)
    except OSError as error:
        raise Problem(f"{path}: expected a file of ABC; {error.strerror}") from None


def music_of(one: Rung | EasyTune) -> Tune:
    """The music of one of the program's own pieces."""
    return parse_abc(one.abc, one.key)[0][0]


def easy_tune_of(what: str, among: Iterable[EasyTune] = easy_tunes()) -> EasyTune | None:
    """One of the program's own easy tunes by its key or title, or None."""
    wanted = what.strip().lower()
    return next((easy for easy in among if wanted in (easy.key, easy.title.lower())), None)


def rung_of(what: str, rungs: Sequence[Rung] | None = None, own: bool = False) -> Rung:
    """A rung by its key or number among `rungs`, or by its key in any order, unless these are a teacher's `own`.

    Raises Problem.
    """
    try:
        return find_rung(rungs or rungs_in(), what, () if own else every_rung().values())
    except ValueError as error:
        raise Problem(f"{error}; or name a file of ABC (`fingerlead ladder` lists the rungs)") from None


def rungs_from(path: Path | None, scatter: str = "usual", order: Order = "taught") -> tuple[Rung, ...]:
    """The program's ladder in an order, at a level of scatter, or a teacher's own from a file; raises Problem."""
    if path is None:
        return rungs_in(order, LEVELS[scatter])
    with problem_from(LadderError):
        rungs = load_ladder(path)
    for rung in rungs:
        if rung.own:
            _check_music(rung, path)
    return rungs


def _check_music(rung: Rung, path: Path) -> None:
    try:
        tunes, _ = parse_abc(rung.abc, rung.key)
    except AbcError as error:
        raise Problem(f"{path}, the music of {rung.key}: {error}") from None
    if not any(tune.played() for tune in tunes):
        raise Problem(f"{path}, the music of {rung.key}: expected at least one note; got none")
