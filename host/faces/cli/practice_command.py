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
    rung: Annotated[
        str | None,
        typer.Option("--rung", help="Begin with this rung or easy tune.", show_default=False),
    ] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page by itself.")] = True,
    address: Annotated[
        str,
        typer.Option("--listen", metavar="ADDRESS", help="Where to serve the page; 0.0.0.0 lets in the whole house."),
    ] = "127.0.0.1",
    web_port: Annotated[
        int | None,
        typer.Option(
            "--web-port", min=1, max=65_535, help="The page's port; else one that is free.", show_default=False
        ),
    ] = None,
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
    import time

    from host.faces.cli.ending import told_to_end
    from host.faces.web.opening import opened
    from host.faces.web.server import NoPlaceError
    from host.wire.plain_midi import NoteNumbers

    chart = options.table_from(table, alternates)
    with told_to_end() as told:
        try:
            with opened(
                port,
                chart,
                address=address,
                web_port=web_port,
                folder=folder,
                rung=rung,
                sound=sound,
                skew_us=skew_us,
                plays=NoteNumbers(first_note, channel - 1),
            ) as practising:
                typer.echo(f"Practice is at {practising.url}\nCtrl-C ends it and keeps the sitting.")
                if browser:
                    practising.show()
                while practising.running and not told():
                    time.sleep(LOOK_S)
        except NoPlaceError as error:
            raise Problem(str(error)) from None
    for line in practising.parting_words():
        typer.echo(line)
