"""`fingerlead keep`: any file of playing as a session, with its music."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import known_movements
from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.running import StatusLine
from fingerlead.faces.cli.tunes import music_asked
from fingerlead.phrases import path_text
from fingerlead.store.intake import IntakeError
from fingerlead.store.keeping import KeepError, Kept
from fingerlead.store.keeping import keep as keep_session
from fingerlead.store.session_file import SessionError
from fingerlead.wire.plain_midi import NoteNumbers


def keep(
    file: Annotated[Path, typer.Argument(help="CSV (time_us,holes), a MIDI file, bytes from the wire, or a session.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="The session file to write; it must not exist yet.")],
    when: Annotated[
        datetime | None,
        typer.Option(
            "--when",
            formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d"],
            metavar="2026-11-01T18:00",
            help="When it was played, by this machine's clock.",
            show_default=False,
        ),
    ] = None,
    music: options.MusicName = None,
    stage_us: options.MusicStageUs = None,
    own: options.OwnFile = None,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Keep any file of playing as a session: CSV, MIDI, wire bytes, an old session; and say what was played."""
    asked, known = music_asked(music, stage_us), known_movements(own)
    plays = NoteNumbers(first_note, channel - 1)
    with problem_from(IntakeError, KeepError, SessionError), StatusLine(f"writing {output}"):
        kept = keep_session(file, output, None if when is None else when.astimezone(), asked, plays, known)
    typer.echo(summary(kept, output))


def summary(kept: Kept, output: Path) -> str:
    """What was kept, in a few sentences."""
    seconds = kept.loaded.record.end_us // 1_000_000
    names = list(dict.fromkeys(music.name for _, music in kept.asked if music.name))
    name = path_text(output)
    said = [
        f"{name}: {seconds // 60}:{seconds % 60:02} of playing"
        + (f", read against {', '.join(names[:3])}{' and others' if len(names) > 3 else ''}." if names else "."),
        *kept.remarks,
    ]
    if kept.begun is None:
        said.append("Nothing says when it was played; --when does.")
    return "\n".join([*said, f"Next: fingerlead analyse {name}"])
