"""`fingerlead live`: each change told as it happens."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from host.faces.cli import midi_options, options
from host.faces.cli.sitting import expect_bytes, session_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from host.live.listening import Heard, Listening
    from host.live.midi_playing import MidiPlaying
    from host.timing.results import Timing


def live(
    port: Annotated[str, typer.Argument(help="A device path, any pyserial URL, midi:NAME, or sim.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Keep the sitting as a session in this file too.")
    ] = None,
    for_seconds: Annotated[
        float | None, typer.Option("--for", min=0.1, max=1_000_000, help="Stop after so many seconds.")
    ] = None,
    strips: Annotated[
        bool, typer.Option("--strips/--no-strips", help="Draw the finger strip of each change that went astray.")
    ] = True,
    midi_out: Annotated[
        str | None,
        typer.Option(
            metavar="NAME|own",
            help="Play the notes on this MIDI output (part of its name will do); own makes a port called fingerlead.",
            show_default=False,
        ),
    ] = None,
    low_a: midi_options.LowA = midi_options.LOW_A_HZ,
    scale: midi_options.Scale = midi_options.SCALE,
    bend: midi_options.Bend = False,
    skew_us: options.SkewUs = None,
    table: options.TableFile = None,
    alternates: options.Alternates = False,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Tell each change as it happens; Ctrl-C ends it and says what to work on first."""
    from host.faces.cli.ending import told_to_end
    from host.faces.words import work_on_first
    from host.live.listening import Listening
    from host.live.reader import Reader
    from host.live.recording import record
    from host.live.sources import open_source
    from host.timing.summary import summarise
    from host.wire.plain_midi import NoteNumbers

    plays = NoteNumbers(first_note, channel - 1)
    chart = options.table_from(table, alternates)
    for_us = None if for_seconds is None else round(for_seconds * 1_000_000)
    tell = teller(strips)

    def hear(what: Heard, timing: Timing) -> None:
        # What sounds comes first: words take longer than notes.
        if playing is not None:
            playing.hear(what)
        tell(what, timing)

    def tick(listening: Listening) -> None:
        if playing is not None:
            playing.tick(listening.recording.plain)

    with (
        told_to_end() as told,
        _playing(midi_out, low_a, scale, bend) as playing,
        session_of(port, output, plays) as keep,
    ):
        listening = Listening(chart, hear, skew_us=skew_us, keep=keep, plays=plays)
        reader = Reader(lambda: open_source(port)).start()
        record(reader, listening, tick, told, for_us)
    if output is not None:
        expect_bytes(listening.recording, port)
    typer.echo(work_on_first(summarise([listening.analysis()])))
    if output is not None:
        typer.echo(f"Kept in {output}. Next: fingerlead report {output} -o page.html")


@contextlib.contextmanager
def _playing(name: str | None, low_a_hz: float, scale: str, bend: bool) -> Iterator[MidiPlaying | None]:
    """Plays on a MIDI output while it lasts, if one is wanted; everything is off at its end, whichever that is."""
    if name is None:
        yield None
        return
    from host.faces.cli.problem import Problem
    from host.live.midi_playing import MidiPlaying
    from host.ports.base import PortRefused
    from host.ports.midi_out import MidiOut

    voice = midi_options.midi_voice(low_a_hz, scale, bend)
    try:
        out = MidiOut(name, voice)
    except PortRefused as error:
        raise Problem(str(error)) from None
    with out:
        typer.echo(f"Playing on MIDI output {out.name}.")
        yield MidiPlaying(out, lambda sentence: typer.echo(sentence, err=True))


def teller(strips: bool) -> Callable[[Heard, Timing], None]:
    """A listener that says each change in words, and draws the strip of those that were not clean."""
    from host.faces.strip import strip_text
    from host.faces.words import change_sentence, chanter_sentence, doubt_sentence, ornament_sentence
    from host.live.reader import Back, Lost
    from host.timing.live import Told
    from host.timing.results import Change
    from host.wire.events import Doubted, Seen, TroubleSeen

    seen: set[bytes] = set()

    def hear(what: Heard, timing: Timing) -> None:
        if isinstance(what, Told):
            if isinstance(what.result, Change):
                again = "On second look: " if what.again else ""
                typer.echo(wrapped(again + change_sentence(what.result, timing)))
                if strips and (what.result.verdict == "stray" or what.result.loose):
                    typer.echo(strip_text(what.result, timing) + "\n")
            else:
                typer.echo(ornament_sentence(what.result))
        elif isinstance(what, Seen) and what.hello.device_id not in seen:
            seen.add(what.hello.device_id)
            typer.echo(chanter_sentence(what.hello))
        elif isinstance(what, Doubted):
            typer.echo(doubt_sentence(what.doubt), err=True)
        elif isinstance(what, TroubleSeen):
            typer.echo(f"The chanter reports: {what.words}.", err=True)
        elif isinstance(what, Lost):
            typer.echo(f"The chanter is gone ({what.cause}); waiting for it to come back.", err=True)
        elif isinstance(what, Back):
            typer.echo("The chanter is back.", err=True)

    return hear


def wrapped(sentence: str) -> str:
    """A sentence broken at words where a terminal is narrower than it; as it is in a pipe."""
    if not sys.stdout.isatty():
        return sentence
    import shutil
    import textwrap

    return textwrap.fill(sentence, shutil.get_terminal_size().columns - 1, subsequent_indent="  ")
