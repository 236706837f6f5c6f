"""What `record` and `live` share: the session a sitting goes into, and what is said when the port lets it down."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from host.faces.cli.problem import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from host.live.recording import Recording
    from host.store.session_file import SessionWriter
    from host.wire.plain_midi import NoteNumbers


@contextlib.contextmanager
def session_of(port: str, output: Path | None, plays: NoteNumbers) -> Iterator[SessionWriter | None]:
    """A new session in `output`, if one is wanted. Failures become Problems; a port that is refused leaves no file."""
    from host.ports.base import PortRefused
    from host.store.session_file import SessionError, SessionWriter
    from host.wire.errors import NotAChanter

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
