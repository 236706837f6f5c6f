"""`fingerlead record`: playing kept in a session file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from host.faces.cli import options
from host.faces.cli.sitting import expect_bytes, session_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from host.live.recording import Recording


def record(
    port: Annotated[str, typer.Argument(help="A device path, any pyserial URL, midi:NAME, or sim.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="The session file to write; it must not exist yet.")],
    for_seconds: Annotated[
        float | None, typer.Option("--for", min=0.1, max=1_000_000, help="Stop after so many seconds.")
    ] = None,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Record a sitting at the chanter; Ctrl-C ends it and keeps everything."""
    from host.faces.cli.ending import told_to_end
    from host.live.reader import Reader
    from host.live.recording import Recording
    from host.live.recording import record as keep_recording
    from host.live.sources import open_source
    from host.wire.plain_midi import NoteNumbers

    plays = NoteNumbers(first_note, channel - 1)
    for_us = None if for_seconds is None else round(for_seconds * 1_000_000)
    with session_of(port, output, plays) as writer:
        reader = Reader(lambda: open_source(port)).start()
        with told_to_end() as told, _Line(output) as line:
            kept = keep_recording(reader, Recording(writer, plays=plays), line.show, told, for_us)
    expect_bytes(kept, port)
    typer.echo(summary(kept, output))


def summary(kept: Recording, output: Path) -> str:
    """What was kept, in a sentence or two."""
    who = f" from {kept.chanter}" if kept.chanter else ""
    text = f"{output}: {_amount(kept)}{who}"
    if not kept.plain:
        text += f"; {kept.intake.bad_frames} damaged, {kept.intake.lost_frames} lost"
    if kept.losses:
        text += f"; the port was lost {'once' if kept.losses == 1 else f'{kept.losses} times'}"
    return f"{text}.\nNext: fingerlead analyse {output}"


def line_of(kept: Recording, seconds: int) -> str:
    """The one line that is shown meanwhile."""
    from fingering.notes import NOTES, SOUNDING

    clock = f"{seconds // 60}:{seconds % 60:02}"
    if kept.away:
        return f"{clock}  the chanter is gone; waiting for it to come back (Ctrl-C ends)"
    if not kept.bytes:
        return f"{clock}  waiting for the chanter to speak (Ctrl-C ends)"
    note = "" if kept.covered_mask is None else f", {NOTES[SOUNDING[kept.covered_mask]]}"
    return f"{clock}  {_amount(kept)}{note} (Ctrl-C ends)"


def _amount(kept: Recording) -> str:
    return f"{kept.intake.frames} {'notes' if kept.plain else 'frames'}"


class _Line:
    """One line on a terminal, written over again; nothing in a pipe."""

    def __init__(self, output: Path) -> None:
        from rich.console import Console
        from rich.text import Text

        from host.ports.host_clock import now_us

        self._clock: Callable[[], int] = now_us
        self._started_us = now_us()
        self._shown_us = 0
        console = Console(stderr=True, highlight=False)
        self._status = console.status(Text(f"recording {output}")) if console.is_terminal else None

    def show(self, kept: Recording) -> None:
        now = self._clock()
        if self._status is not None and now - self._shown_us >= 100_000:
            self._shown_us = now
            self._status.update(line_of(kept, (now - self._started_us) // 1_000_000))

    def __enter__(self) -> _Line:
        if self._status is not None:
            self._status.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._status is not None:
            self._status.stop()
