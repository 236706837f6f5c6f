"""`fingerlead practice`: the page on which one practises."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from host.faces.cli import options
from host.faces.cli.problem import Problem


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

    from host.bench.calibration_file import ANYONE
    from host.faces.cli.ending import told_to_end
    from host.faces.cli.serving import serve_until
    from host.faces.web.opening import opened
    from host.faces.web.server import NoPlaceError
    from host.wire.plain_midi import NoteNumbers

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
    from host.faces.web.from_teacher import bring_home, from_teacher, practice_folder, pupil_named
    from host.store.studio.pupils import StudioError
    from host.store.studio.studio import Studio

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
    from host.live.practice_music import music_of

    try:
        if rung:
            music_of(rung, ladder())
    except ValueError as error:
        raise Problem(str(error)) from None
