"""`fingerlead practice` and `fingerlead studio`: the learner's page and the teacher's desk, served on this machine."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from fingering.orders import rungs_in
from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import known_movements, table_from
from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.serving import serve, web_place, web_places
from fingerlead.faces.cli.tunes import abc_text, is_abc_file
from fingerlead.faces.pages.desk import routes as desk
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.faces.pages.practice import page
from fingerlead.faces.pages.practice.page import PracticePage
from fingerlead.faces.pages.practice.teacher import bring_home, from_teacher, practice_folder, pupil_named
from fingerlead.phrases import path_text
from fingerlead.practice.own_tunes import own_tune
from fingerlead.practice.passing import ON_BEAT_US
from fingerlead.practice.tonight import OnStaff, music_names, music_of
from fingerlead.store.chanters import ANYONE
from fingerlead.store.files import own_folder
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.studio import Studio, forget_index
from fingerlead.wire.plain_midi import NoteNumbers

# So many sessions take some seconds.
MANY_READ = 500


def practice(
    port: Annotated[
        str | None,
        typer.Argument(
            help="A device path, socket://HOST:PORT, midi:NAME, or sim; without one the page offers what there is.",
            show_default=False,
        ),
    ] = None,
    rung: Annotated[
        str, typer.Option("--rung", help="Begin with this rung, easy tune or file of ABC.", show_default=False)
    ] = "",
    order: Annotated[
        Literal["taught", "derived"] | None,
        typer.Option("--order", help="The order of the ladder, kept for the next time.", show_default=False),
    ] = None,
    browser: options.Browser = True,
    address: options.WebAddress = "127.0.0.1",
    web_port: options.WebPort = None,
    tls_cert: options.TlsCert = None,
    tls_key: options.TlsKey = None,
    join: options.Join = False,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--folder", help="Where sessions and progress are kept; else your own data folder.", show_default=False
        ),
    ] = None,
    studio: Annotated[
        Path | None,
        typer.Option("--studio", help="A teacher's studio to practise for, with --pupil.", show_default=False),
    ] = None,
    pupil: Annotated[
        str, typer.Option("--pupil", help="Who practises, by the name in the studio.", show_default=False)
    ] = "",
    sound: Annotated[
        bool, typer.Option("--sound/--no-sound", help="Sound from this computer, where it can; else from the page.")
    ] = True,
    stage_us: options.AskedStageUs = options.DEFAULTS.stage_us,
    beat_us: Annotated[
        int,
        typer.Option(
            "--beat-us",
            min=1,
            max=1_000_000,
            help="How many microseconds from a beat that sounds a note may begin and count.",
        ),
    ] = ON_BEAT_US,
    skew_us: options.SkewUs = None,
    table: options.TableFile = None,
    alternates: options.Alternates = False,
    own: options.OwnFile = None,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Practise: sound, the ladder, and after each change which finger led. Ctrl-C ends it and keeps the session."""
    chart, known = table_from(table, alternates), known_movements(own)
    tune: OnStaff | None = None
    if rung:
        with problem_from(ValueError):
            if is_abc_file(rung):
                tune = own_tune(abc_text(Path(rung)), rung, music_names())
                rung = str(tune.key)
            else:
                music_of(rung, rungs_in(order or "taught"))
    if (studio is None) != (not pupil):
        raise typer.BadParameter("to practise for a teacher, name both: --studio FOLDER --pupil NAME")
    if studio is not None and folder is not None:
        raise typer.BadParameter("a pupil's sessions go into the studio; leave --folder out")

    at, joined = web_places(address, web_port, tls_cert, tls_key, join)

    @contextmanager
    def opened() -> Iterator[PracticePage]:
        with ExitStack() as stack:
            kept_in, teacher = (folder, None) if studio is None else stack.enter_context(_for_teacher(studio, pupil))
            yield stack.enter_context(
                page.opened(
                    port,
                    chart,
                    at=at,
                    join=joined,
                    folder=kept_in,
                    rung=rung,
                    tunes=() if tune is None else (tune,),
                    order=order,
                    stage_us=stage_us,
                    beat_us=beat_us,
                    sound=sound and not join,
                    skew_us=skew_us,
                    plays=NoteNumbers(first_note, channel - 1),
                    teacher=teacher,
                    pupil=pupil or ANYONE,
                    known=known,
                )
            )

    served = serve(opened(), "Practice", " and keeps the session.", browser)
    for line in served.parting_words() if studio is None else served.losses():
        typer.echo(line)


@contextmanager
def _for_teacher(folder: Path, name: str) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Where a pupil of a studio practises, and what the teacher gave; what was played goes home at the end."""
    with problem_from(StudioError):
        with Studio(folder) as studio:
            key = pupil_named(studio, name).key
            bring_home(studio, key)
            given = practice_folder(studio, key), from_teacher(studio, key, date.today())
        yield given
        with Studio(folder) as studio:
            count = bring_home(studio, key)
            typer.echo(f"{count or 'No'} new session{'' if count == 1 else 's'} went into the studio.")


def studio(
    folder: Annotated[
        Path | None,
        typer.Argument(help="The studio's folder; else one in your own data folder.", show_default=False),
    ] = None,
    port: Annotated[
        str | None,
        typer.Argument(help="A chanter to pass round: who plays next is one click.", show_default=False),
    ] = None,
    browser: options.Browser = True,
    address: options.WebAddress = "127.0.0.1",
    web_port: options.WebPort = None,
    tls_cert: options.TlsCert = None,
    tls_key: options.TlsKey = None,
    rebuild: Annotated[bool, typer.Option("--rebuild", help="Make the index anew from the sessions first.")] = False,
) -> None:
    """Who needs you first and why, progress, lessons, sessions to replay, homework. All stays on this machine."""
    if folder is None:
        folder = own_folder() / "studio"
    if rebuild:
        with problem_from(StudioError):
            # Before the studio opens: the index may be too damaged for that.
            forget_index(folder)
            with Studio(folder, _say_read) as there:
                typer.echo(f"{len(there.index.sessions())} sessions are in the index.")
    serve_studio(folder, port, browser, web_place(address, web_port, tls_cert, tls_key))


def serve_studio(folder: Path, port: str | None, browser: bool, at: WebPlace) -> None:
    """Serve the desk until Ctrl-C. Raises Problem."""
    with problem_from(StudioError):
        there = desk.opened(folder, port, at, say_read=_say_read)
        serve(there, "The studio", f"; everything is kept in {path_text(folder)}", browser)


def _say_read(done: int, of: int) -> None:
    """Say how far the sessions are read into the index, where there are so many that one waits."""
    if of >= MANY_READ and not done:
        again = "Ctrl-C twice ends this; the next start goes on from there"
        typer.echo(f"{of} sessions are read into the index, which takes a while. {again}.")
    elif of >= MANY_READ and done % MANY_READ == 0:
        typer.echo(f"{done} of {of} sessions are read.")
