"""`fingerlead export`: playing as a Standard MIDI File."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from host.faces.cli import midi_options, options

if TYPE_CHECKING:
    from host.store.midi_export import Exported


def export(
    file: Annotated[
        Path, typer.Argument(metavar="SESSION", help="A session, bytes from the wire, or CSV (time_us,holes).")
    ],
    output: Annotated[
        Path, typer.Option("--output", "-o", help="The MIDI file to write; a MIDI file of that name is written anew.")
    ],
    low_a: midi_options.LowA = midi_options.LOW_A_HZ,
    scale: midi_options.Scale = midi_options.SCALE,
    bend: midi_options.Bend = False,
) -> None:
    """Write playing as a MIDI file: the notes, tuned, and the holes, so that it can be analysed again."""
    from host.faces.cli.problem import Problem
    from host.store.intake import IntakeError
    from host.store.midi_export import ExportError
    from host.store.midi_export import export as write

    voice = midi_options.midi_voice(low_a, scale, bend)
    try:
        with options.working(f"writing {output}"):
            exported = write(file, output, voice)
    except (ExportError, IntakeError) as error:
        raise Problem(str(error)) from None
    typer.echo(summary(exported, output))


def summary(exported: Exported, output: Path) -> str:
    """What was written, in a few sentences."""
    seconds = exported.lasts_us // 1_000_000
    notes = "1 note" if exported.notes == 1 else f"{exported.notes} notes"
    first = f"{output}: {notes} in {seconds // 60}:{seconds % 60:02}, for any player of MIDI files."
    return "\n".join([first, *exported.remarks, f"The holes are in it too. Next: fingerlead analyse {output}"])
