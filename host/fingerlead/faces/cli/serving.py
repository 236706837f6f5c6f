"""A page served until Ctrl-C: the practice page, the desk and the workbench alike."""

import contextlib
import time
import webbrowser
from contextlib import AbstractContextManager
from typing import TypeVar

import typer

from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.running import until_interrupted
from fingerlead.faces.pages.kit.page import ServedPage
from fingerlead.faces.pages.kit.server import NoPlaceError

LOOK_S = 0.2
Opened = TypeVar("Opened", bound=ServedPage)


def serve(opened: AbstractContextManager[Opened], name: str, ending: str, browser: bool) -> Opened:
    """Say where a page is, open it if the browser is to, and wait for Ctrl-C or the page's own end. Raises Problem."""
    with until_interrupted() as interrupted, problem_from(NoPlaceError), opened as page:
        typer.echo(f"{name} is at {page.url}\nCtrl-C ends it{ending}")
        if browser:
            with contextlib.suppress(Exception):
                webbrowser.open(page.url)
        while page.running and not interrupted():
            time.sleep(LOOK_S)
    return page
