"""`fingerlead analyse` and `fingerlead export`: a file of playing in words, as JSON or CSV, or as a MIDI file."""

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Literal

import typer

from fingering.holes import FINGERS
from fingering.moves import change_text
from fingering.notes import NOTES
from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import analysed, midi_voice, table_from
from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.running import StatusLine
from fingerlead.faces.words import (
    ALL_AS_WRITTEN,
    change_sentence,
    clock_text,
    in_time_told,
    intake_sentence,
    movement_sentence,
    music_name,
    passing_words,
    timing_sentence,
)
from fingerlead.phrases import capital, counted, harmless_cell, path_text
from fingerlead.store.intake import IntakeError, Loaded
from fingerlead.store.midi_export import Exported, ExportError
from fingerlead.store.midi_export import export as write_midi
from fingerlead.timing.against import played_musics
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.findings import work_on_first
from fingerlead.timing.movement_beats import placed_movements
from fingerlead.timing.published import as_json
from fingerlead.timing.pulse import OnsetOf
from fingerlead.timing.pulse_words import pulse_told
from fingerlead.timing.results import Change, MovementFault
from fingerlead.timing.summary import passing_notes, summarise

MOST_TOLD = 200  # more than anyone reads in a terminal
CSV_HEADER = "number,from,to,start_us,spread_us,way,lead,verdict,stage_us,fingers,strays"
MOVEMENTS_HEADER = (
    "number", "name", "written", "from", "to", "change", "start_us", "end_us", "verdict", "variant", "tempo_ratio",
    "notes", "faults",
)  # fmt: skip


@options.with_reading
def analyse(
    file: Annotated[
        Path, typer.Argument(help="A session, bytes from the wire, a Standard MIDI File, or CSV (time_us,holes).")
    ],
    form: Annotated[
        Literal["text", "json", "csv", "movements-csv"],
        typer.Option("--format", help="Words, one JSON object, or a CSV row for each change, or each embellishment."),
    ] = "text",
    expect: options.Expect = None,
    beat_on: options.BeatOn = "theme",
    *,
    reading: options.ReadOptions,
) -> None:
    """Tell of each change which finger led, by how much, and what sounded in between."""
    loaded, analysis = analysed(file, table_from(reading.table, reading.alternates), reading, expect)
    onset = options.ONSETS[beat_on]
    if form == "json":
        typer.echo(as_json(analysis, loaded.kind, str(loaded.path), onset))
    else:
        rows = {"csv": csv_rows, "movements-csv": movement_rows}
        for line in rows[form](analysis) if form in rows else text_lines(loaded, analysis, onset):
            typer.echo(line)


def csv_rows(analysis: Analysis) -> Iterator[str]:
    """A row for each change; fingers and strays as `name after_us` and `note duration_us`, parted by semicolons."""
    yield CSV_HEADER
    for change in analysis.changes:
        cells = (
            change.number + 1,
            NOTES[change.from_note],
            NOTES[change.to_note],
            change.start_us,
            change.spread_us,
            change.way,
            "" if change.lead is None else FINGERS[change.lead],
            change.verdict,
            change.stage_us,
            ";".join(f"{FINGERS[f.finger]} {f.after_start_us}" for f in change.fingers),
            ";".join(f"{NOTES[s.note]} {s.duration_us}" for s in change.strays),
        )
        yield ",".join(map(str, cells))


def movement_rows(analysis: Analysis) -> Iterator[str]:
    """A row for each embellishment; `change` is the number of the change that it stands in, empty where in none.

    Notes are `note duration_us`, faults `kind:note:finger:size_us:sounded`, parted by semicolons. A fault's note is the
    place in the variant, from 1, and its end is that of the melody note; what is not known is empty.
    """
    yield ",".join(MOVEMENTS_HEADER)
    for number, movement in enumerate(placed_movements(analysis), 1):
        cells = (
            number,
            movement.name,
            movement.written or "",
            NOTES[movement.from_note],
            NOTES[movement.to_note],
            "" if movement.change is None else movement.change + 1,
            movement.start_us,
            movement.end_us,
            movement.verdict,
            movement.variant or "",
            "" if movement.tempo_ratio is None else movement.tempo_ratio,
            ";".join(f"{NOTES[note.note]} {note.duration_us}" for note in movement.notes),
            ";".join(map(_fault_cell, movement.faults)),
        )
        row = io.StringIO()
        csv.writer(row, lineterminator="").writerow(map(harmless_cell, cells))
        yield row.getvalue()


def _fault_cell(fault: MovementFault) -> str:
    finger, sounded = fault.finger, fault.sounded
    named = "" if finger is None else FINGERS[finger], fault.size_us, "" if sounded is None else NOTES[sounded]
    return ":".join(map(str, (fault.kind, fault.note + 1, *named)))


def text_lines(loaded: Loaded, analysis: Analysis, onset: OnsetOf = "theme") -> Iterator[str]:
    """What a learner or a teacher reads: the whole in a few sentences, then each change that was not clean."""
    changes = list(analysis.changes)
    clean = sum(change.verdict == "clean" for change in changes)
    notes = counted(len(analysis.held), "note")
    yield f"{path_text(loaded.path)}: {notes} held, {counted(len(changes), 'change')} between them, {clean} clean."
    if not changes:
        yield "There is nothing to time: that takes two different notes in a row."
        return
    yield work_on_first(summarise([analysis], onset))
    yield timing_sentence(analysis.timing, analysis.moved)
    yield intake_sentence(analysis)
    for music in played_musics(analysis):
        yield ""
        yield f"Held against {music_name(music.asked.name)}, {music.right} of {music.played} notes were as written:"
        yield from (f"  {sentence}" for sentence in music.words or [ALL_AS_WRITTEN])
    for name, sentences in pulse_told(analysis, onset):
        yield ""
        yield f"The pulse of {music_name(name)}:"
        yield from (f"  {sentence}" for sentence in sentences)
    for sentence in in_time_told(analysis):
        yield ""
        yield sentence
    told = sorted(_told(analysis, changes))
    if told:
        yield ""
        yield "What was not plain and clean, by the time in the recording:"
    for start_us, sentence in told[:MOST_TOLD]:
        yield f"  {clock_text(start_us)}  {sentence}"
    if len(told) > MOST_TOLD:
        yield f"  and {len(told) - MOST_TOLD} more; --format csv has them all."


def _told(analysis: Analysis, changes: Sequence[Change]) -> Iterator[tuple[int, str]]:
    """When something was not plain and clean, and its sentence; embellishments that are as written are left out."""
    for movement in placed_movements(analysis):
        if movement.verdict != "as written":
            yield movement.start_us, movement_sentence(movement)
    passing: set[int] = set()
    for before, short_us, after in passing_notes(changes):
        passing |= {before.number, after.number}
        name = capital(change_text(before.from_note, after.to_note))
        yield before.start_us, f"{name}: {passing_words(before, short_us)}"
    for change in changes:
        if change.number not in passing and (change.verdict not in ("clean", "embellished") or change.slips):
            yield change.start_us, change_sentence(change, analysis.timing)


def export(
    file: Annotated[
        Path, typer.Argument(metavar="SESSION", help="A session, bytes from the wire, or CSV (time_us,holes).")
    ],
    output: Annotated[
        Path, typer.Option("--output", "-o", help="The MIDI file to write; a MIDI file of that name is written anew.")
    ],
    low_a: options.LowA = options.LOW_A_HZ,
    scale: options.Scale = options.SCALE,
    bend: options.Bend = False,
) -> None:
    """Write playing as a MIDI file: the notes, tuned, and the holes, so that it can be analysed again."""
    voice = midi_voice(low_a, scale, bend)
    with problem_from(ExportError, IntakeError), StatusLine(f"writing {output}"):
        exported = write_midi(file, output, voice)
    typer.echo(summary(exported, output))


def summary(exported: Exported, output: Path) -> str:
    """What was written, in a few sentences."""
    seconds = exported.lasts_us // 1_000_000
    notes = counted(exported.notes, "note")
    name = path_text(output)
    first = f"{name}: {notes} in {seconds // 60}:{seconds % 60:02}, for any player of MIDI files."
    return "\n".join([first, *exported.remarks, f"The holes are in it too. Next: fingerlead analyse {name}"])
