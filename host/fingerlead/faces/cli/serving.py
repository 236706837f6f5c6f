"""A page served until Ctrl-C: the practice page, the desk and the workbench alike."""

import contextlib
import time
import webbrowser
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import typer

from fingerlead.faces.cli.console import PlainConsole
from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.running import until_interrupted
from fingerlead.faces.pages.kit.joining import Joining
from fingerlead.faces.pages.kit.page import ServedPage
from fingerlead.faces.pages.kit.place import (
    NoPlaceError,
    WebPlace,
    fingerprint_of,
    is_loopback,
    network_address,
    tls_of,
)
from fingerlead.store.certificates import CertificateError, page_certificate
from fingerlead.store.files import own_folder

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
        return WebPlace(address, port, tls_of(certificate, key), fingerprint_of(certificate))


def web_places(
    address: str, port: int | None, certificate: Path | None, key: Path | None, join: bool
) -> tuple[WebPlace, WebPlace | None]:
    """Where a page is to be served, and where a phone is to join it by the network, if one is to. Raises Problem.

    What is named is then said of the network; this computer's own browser comes in at an address that is here alone.
    """
    if not join:
        return web_place(address, port, certificate, key), None
    here = WebPlace(address) if is_loopback(address) else WebPlace()
    with problem_from(NoPlaceError, CertificateError):
        there = network_address(address)
        if certificate is None and key is None:
            certificate = key = page_certificate(own_folder(), there, datetime.now(UTC))
    return here, web_place(there, port, certificate, key)


def serve(opened: AbstractContextManager[Opened], name: str, ending: str, browser: bool) -> Opened:
    """Say where a page is, open it if the browser is to, and wait for Ctrl-C or the page's own end. Raises Problem."""
    with until_interrupted() as interrupted, problem_from(NoPlaceError), opened as page:
        typer.echo(f"{name} is at {page.url}\nCtrl-C ends it{ending}")
        if page.in_clear:
            typer.echo(IN_CLEAR)
        if page.joining is not None:
            say_joining(page.joining)
        if browser:
            with contextlib.suppress(Exception):
                # Every user of a computer can see the arguments of the program that opens the browser.
                webbrowser.open(page.address_once())
        while page.running and not interrupted():
            time.sleep(LOOK_S)
    return page


def say_joining(joining: Joining) -> None:
    """Say how a phone joins; the picture goes to a terminal that can show it, and into no file."""
    typer.echo(f"A phone or tablet joins at {joining.url}")
    scan, *others = joining.sentences
    console = PlainConsole()
    if console.is_terminal and console.encoding.startswith("utf"):
        for line in joining.text_lines():
            console.print(line, style="bright_white on black", soft_wrap=True)
        typer.echo(scan)
    for sentence in others:
        typer.echo(sentence)
