"""What every command that serves a page does while it is up."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from fingerlead.faces.cli.options import Problem

if TYPE_CHECKING:
    from fingerlead.listening.recording import Recording
    from fingerlead.store.session_file import SessionWriter
    from fingerlead.wire.plain_midi import NoteNumbers


# --- Ctrl-C as a wish, not as an exception: what is being kept is never torn apart in the middle of a step.


@contextlib.contextmanager
def told_to_end() -> Iterator[Callable[[], bool]]:
    """A function that says whether Ctrl-C has come (or SIGTERM, or the terminal is gone); a second one ends at once.

    Main thread only.
    """
    told = threading.Event()
    numbers = [signal.SIGINT, signal.SIGTERM]
    # Whoever had it ignored (nohup) wants to go on without a terminal; Windows knows none.
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        numbers.append(signal.SIGHUP)
    before = {number: signal.getsignal(number) for number in numbers}

    def tell(number: int, frame: object) -> None:
        told.set()
        signal.signal(number, before[signal.Signals(number)])

    for number in before:
        signal.signal(number, tell)
    try:
        yield told.is_set
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


# --- What `record` and `live` share: the session a sitting goes into, and what is said when the port lets it down.


@contextlib.contextmanager
def session_of(port: str, output: Path | None, plays: NoteNumbers) -> Iterator[SessionWriter | None]:
    """A new session in `output`, if one is wanted. Failures become Problems; a port that is refused leaves no file."""
    from fingerlead.ports.base import PortRefused
    from fingerlead.store.session_file import SessionError, SessionWriter
    from fingerlead.wire.errors import NotAChanter

    try:
        writer = None if output is None else SessionWriter(output, "stream", port, plays._asdict())
    except SessionError as error:
        raise Problem(f"{output}: {error}") from None
    try:
        yield writer
    except (PortRefused, NotAChanter) as error:
        if writer is not None:
            writer.discard()
        # A refusal names its port itself.
        raise Problem(str(error) if isinstance(error, PortRefused) else f"{port}: {error}") from None
    except SessionError as error:
        raise Problem(f"{output}: {error}") from None


def expect_bytes(recording: Recording, port: str) -> None:
    """Raise Problem where nothing came at all, and keep no empty session of it."""
    if recording.bytes:
        return
    if recording.writer is not None:
        recording.writer.discard()
    raise Problem(
        f"{port}: expected a chanter to speak, but nothing came, so no session was kept; "
        "check that it is switched on, and see: fingerlead devices"
    )


# ---

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
