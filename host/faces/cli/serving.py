"""What every command that serves a page does while it is up."""

from __future__ import annotations

from collections.abc import Callable

import typer

LOOK_S = 0.2


def serve_until(told: Callable[[], bool], running: Callable[[], bool], url: str, words: str, browser: bool) -> None:
    """Say `words`, open the page if the browser is to, and wait until somebody ends it or the page is gone."""
    import contextlib
    import time
    import webbrowser

    typer.echo(words)
    if browser:
        with contextlib.suppress(Exception):
            webbrowser.open(url)
    while running() and not told():
        time.sleep(LOOK_S)
