"""`fingerlead studio`: the teacher's desk, as a page on this machine."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.options import Problem

# --- `fingerlead practice`: the page on which one practises.


def practice(
    port: Annotated[
        str | None,
        typer.Argument(
            help="A device path, any pyserial URL, midi:NAME, or sim; without one the page offers what there is.",
            show_default=False,
        ),
    ] = None,
    rung: Annotated[str, typer.Option("--rung", help="Begin with this rung or easy tune.", show_default=False)] = "",
    browser: options.Browser = True,
    address: options.WebAddress = "127.0.0.1",
    web_port: options.WebPort = None,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--folder", help="Where sittings and progress are kept; else your own data folder.", show_default=False
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
    skew_us: options.SkewUs = None,
    table: options.TableFile = None,
    alternates: options.Alternates = False,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Practise: sound, the ladder, and after each change which finger led. Ctrl-C ends it and keeps the sitting."""
    import contextlib

    from fingerlead.faces.cli.running import serve_until, told_to_end
    from fingerlead.faces.pages.kit.server import NoPlaceError
    from fingerlead.faces.pages.practice.opening import opened
    from fingerlead.store.chanters import ANYONE
    from fingerlead.wire.plain_midi import NoteNumbers

    chart = options.table_from(table, alternates)
    _check_rung(rung)
    if (studio is None) != (not pupil):
        raise typer.BadParameter("to practise for a teacher, name both: --studio FOLDER --pupil NAME")
    if studio is not None and folder is not None:
        raise typer.BadParameter("a pupil's sittings go into the studio; leave --folder out")
    try:
        with told_to_end() as told, contextlib.ExitStack() as stack:
            teacher = None
            if studio is not None:
                folder, teacher = stack.enter_context(_for_teacher(studio, pupil))
            practice = stack.enter_context(
                opened(
                    port,
                    chart,
                    address=address,
                    web_port=web_port,
                    folder=folder,
                    rung=rung,
                    sound=sound,
                    skew_us=skew_us,
                    plays=NoteNumbers(first_note, channel - 1),
                    teacher=teacher,
                    pupil=pupil or ANYONE,
                )
            )
            words = f"Practice is at {practice.url}\nCtrl-C ends it and keeps the sitting."
            serve_until(told, lambda: practice.running, practice.url, words, browser)
    except NoPlaceError as error:
        raise Problem(str(error)) from None
    if studio is None:
        for line in practice.parting_words():
            typer.echo(line)


@contextmanager
def _for_teacher(folder: Path, name: str) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Where a pupil of a studio practises, and what the teacher gave; what was played goes home at the end."""
    from fingerlead.faces.pages.practice.opening import bring_home, from_teacher, practice_folder, pupil_named
    from fingerlead.studio.pupils import StudioError
    from fingerlead.studio.studio import Studio

    try:
        with Studio(folder) as studio:
            key = pupil_named(studio, name).key
            bring_home(studio, key)
            given = practice_folder(studio, key), from_teacher(studio, key)
        yield given
        with Studio(folder) as studio:
            count = bring_home(studio, key)
            typer.echo(f"{count or 'No'} new session{'' if count == 1 else 's'} went into the studio.")
    except StudioError as error:
        raise Problem(str(error)) from None


def _check_rung(rung: str) -> None:
    from fingering.ladder import ladder
    from fingerlead.practice.tonight import music_of

    try:
        if rung:
            music_of(rung, ladder())
    except ValueError as error:
        raise Problem(str(error)) from None


# ---


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
    rebuild: Annotated[bool, typer.Option("--rebuild", help="Make the index anew from the sessions first.")] = False,
) -> None:
    """All pupils at a glance, each one's progress, sessions to replay, homework. Everything stays on this machine."""
    from fingerlead.store.files import own_folder

    if folder is None:
        folder = own_folder() / "studio"
    if rebuild:
        from fingerlead.studio.pupils import StudioError
        from fingerlead.studio.studio import Studio, forget_index

        try:
            # Before the studio opens: the index may be too damaged for that.
            forget_index(folder)
            with Studio(folder) as there:
                typer.echo(f"{len(there.index.sittings())} sessions are in the index.")
        except StudioError as error:
            raise Problem(str(error)) from None
    serve_studio(folder, port, browser, address, web_port)


def serve_studio(folder: Path, port: str | None, browser: bool, address: str, web_port: int | None) -> None:
    """Serve the desk until Ctrl-C. Raises Problem."""
    from fingerlead.faces.cli.running import serve_until, told_to_end
    from fingerlead.faces.pages.desk.opening import opened
    from fingerlead.faces.pages.kit.server import NoPlaceError
    from fingerlead.studio.pupils import StudioError

    try:
        with told_to_end() as told, opened(folder, port, address, web_port) as (url, running):
            words = f"The studio is at {url}\nCtrl-C ends it; everything is kept in {folder}"
            serve_until(told, running, url, words, browser)
    except (NoPlaceError, StudioError) as error:
        raise Problem(str(error)) from None
