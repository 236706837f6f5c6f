"""`fingerlead practice`: the page on which one practises."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from host.faces.cli import options
from host.faces.cli.problem import Problem

LOOK_S = 0.2


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
    import time
    import webbrowser

    from host.faces.cli.ending import told_to_end
    from host.faces.web.opening import opened
    from host.faces.web.server import NoPlaceError
    from host.wire.plain_midi import NoteNumbers

    chart = options.table_from(table, alternates)
    _check_rung(rung)
    try:
        with (
            told_to_end() as told,
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
            ) as practice,
        ):
            typer.echo(f"Practice is at {practice.url}\nCtrl-C ends it and keeps the sitting.")
            if browser:
                with contextlib.suppress(Exception):
                    webbrowser.open(practice.url)
            while practice.running and not told():
                time.sleep(LOOK_S)
    except NoPlaceError as error:
        raise Problem(str(error)) from None
    for line in practice.parting_words():
        typer.echo(line)


def _check_rung(rung: str) -> None:
    from fingering.ladder import ladder
    from host.live.practice_music import music_of

    try:
        if rung:
            music_of(rung, ladder())
    except ValueError as error:
        raise Problem(str(error)) from None
