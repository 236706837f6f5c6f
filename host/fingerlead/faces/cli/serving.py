"""A page served until Ctrl-C: the practice page, the desk and the workbench alike."""

import contextlib
import time
import webbrowser
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TypeVar

import typer

from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.running import until_interrupted
from fingerlead.faces.pages.kit.page import ServedPage
from fingerlead.faces.pages.kit.place import NoPlaceError, WebPlace, tls_of

IN_CLEAR = (
    "What is played, and the token in this address, can be read by others in the same network. Do this only at home, "
    "or encrypt it with --tls-cert and --tls-key."
)
LOOK_S = 0.2
Opened = TypeVar("Opened", bound=ServedPage)


def web_place(address: str, port: int | None, certificate: Path | None, key: Path | None) -> WebPlace:
    """Where a page is to be served. Raises Problem."""
    if certificate is None and key is None:
        return WebPlace(address, port)
    if certificate is None or key is None:
        raise typer.BadParameter("to encrypt the page, name both: --tls-cert FILE --tls-key FILE")
    with problem_from(NoPlaceError):
        return WebPlace(address, port, tls_of(certificate, key))


def serve(opened: AbstractContextManager[Opened], name: str, ending: str, browser: bool) -> Opened:
    """Say where a page is, open it if the browser is to, and wait for Ctrl-C or the page's own end. Raises Problem."""
    with until_interrupted() as interrupted, problem_from(NoPlaceError), opened as page:
        typer.echo(f"{name} is at {page.url}\nCtrl-C ends it{ending}")
        if page.in_clear:
            typer.echo(IN_CLEAR)
        if browser:
            with contextlib.suppress(Exception):
                # Every user of a computer can see the arguments of the program that opens the browser.
                webbrowser.open(page.address_once())
        while page.running and not interrupted():
            time.sleep(LOOK_S)
    return page
