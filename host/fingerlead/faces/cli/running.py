"""What a command does while it lasts: it notices Ctrl-C, shows how far it is, keeps a session, serves a page."""

import contextlib
import shutil
import signal
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

import typer
from rich.text import Text

from fingerlead.faces.cli.console import PlainConsole
from fingerlead.faces.cli.problem import Problem
from fingerlead.listening.recording import Recording
from fingerlead.plain_text import plain_line
from fingerlead.ports.base import PortRefused
from fingerlead.store.session_file import SessionError, SessionWriter
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.plain_midi import NoteNumbers

SHOWN_EVERY_S = 0.1
LOOK_S = 0.2


@contextlib.contextmanager
def until_interrupted() -> Iterator[Callable[[], bool]]:
    """A function that says whether Ctrl-C has come (or SIGTERM, or the terminal is gone); a second one ends at once.

    A request and not an exception: what is being kept is never torn apart in the middle of a step. Main thread only.
    """
    interrupted = threading.Event()
    numbers = [signal.SIGINT, signal.SIGTERM]
    # Where it is ignored (nohup), the command goes on without a terminal; Windows has no such signal.
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        numbers.append(signal.SIGHUP)
    before = {number: signal.getsignal(number) for number in numbers}

    def note(number: int, frame: object) -> None:
        interrupted.set()
        signal.signal(number, before[signal.Signals(number)])

    for number in before:
        signal.signal(number, note)
    try:
        yield interrupted.is_set
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def while_asked() -> Iterator[None]:
    """In the block a line is waited for: the first Ctrl-C (or SIGTERM) ends it at once, as KeyboardInterrupt."""
    before = {number: signal.signal(number, signal.default_int_handler) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class StatusLine:
    """One line on a terminal, written over again; nothing in a pipe. Used with `with`."""

    def __init__(self, words: str = "") -> None:
        console = PlainConsole(stderr=True)
        self._status = console.status(Text(plain_line(words))) if console.is_terminal else None
        self._shown_s = 0.0

    def __enter__(self) -> Self:
        if self._status is not None:
            self._status.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._status is not None:
            self._status.stop()

    def show(self, words: Callable[[], str]) -> None:
        """Show other words, not more often than the eye can follow."""
        if self._status is not None and time.monotonic() - self._shown_s >= SHOWN_EVERY_S:
            self._shown_s = time.monotonic()
            self._status.update(Text(plain_line(words())))


def say(text: str, indent: str = "") -> None:
    """Print a text, broken at words where a terminal is narrower than it; as it is in a pipe."""
    if sys.stdout.isatty():
        text = textwrap.fill(text, shutil.get_terminal_size().columns - 1, subsequent_indent=indent)
    typer.echo(text)


@contextlib.contextmanager
def session_of(port: str, output: Path | None, plays: NoteNumbers) -> Iterator[SessionWriter | None]:
    """A new session in `output`, if one is wanted. Failures become Problems; a port that is refused leaves no file."""
    writer = None
    try:
        writer = None if output is None else SessionWriter(output, "stream", port, plays._asdict())
        yield writer
    except (PortRefused, NotAChanter) as error:
        if writer is not None:
            writer.discard()
        # A refusal names its port itself.
        raise Problem(str(error) if isinstance(error, PortRefused) else f"{port}: {error}") from None
    except SessionError as error:
        raise Problem(f"{output}: {error}") from None


class UnkeptTeller:
    """Says on stderr that a session cannot be saved just now, what becomes of it meanwhile, and when it is again."""

    def __init__(self) -> None:
        self._told = ""

    def look(self, recording: Recording) -> None:
        """Say what is new of it."""
        now = unkept_words(recording)
        if now != self._told:
            self._told = now
            typer.echo(f"{now}." if now else "There is room again: what was held is saved.", err=True)


def unkept_words(recording: Recording) -> str:
    """That what is played cannot be saved just now; nothing where it can."""
    writer = recording.writer
    if writer is None or not writer.trouble:
        return ""
    meanwhile = "no more can be held: what is played now is lost" if writer.losing else "it is held, and tried again"
    return f"Not saved: {writer.trouble}; {meanwhile}. Make room on the disk"


def expect_all(recording: Recording) -> None:
    """Raise Problem where some of the playing could not be kept, with how much."""
    if recording.writer is not None and recording.writer.loss:
        raise Problem(f"{recording.writer.path}: {recording.writer.loss}")


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
