"""`fingerlead studio`: the teacher's desk, as a page on this machine."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from host.faces.cli import options
from host.faces.cli.problem import Problem


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
    from host.store.own_folder import own_folder

    if folder is None:
        folder = own_folder() / "studio"
    if rebuild:
        from host.store.studio.pupils import StudioError
        from host.store.studio.studio import Studio, forget_index

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
    from host.faces.cli.ending import told_to_end
    from host.faces.cli.serving import serve_until
    from host.faces.desk.opening import opened
    from host.faces.web.server import NoPlaceError
    from host.store.studio.pupils import StudioError

    try:
        with told_to_end() as told, opened(folder, port, address, web_port) as (url, server):
            words = f"The studio is at {url}\nCtrl-C ends it; everything is kept in {folder}"
            serve_until(told, lambda: server.running, url, words, browser)
    except (NoPlaceError, StudioError) as error:
        raise Problem(str(error)) from None
