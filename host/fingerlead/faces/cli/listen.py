"""`fingerlead live`: each change told as it happens."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli import options as midi_options
from fingerlead.faces.cli.running import expect_bytes, session_of

if TYPE_CHECKING:
    from fingerlead.listening.listening import Heard, Listening, MidiPlaying
    from fingerlead.listening.recording import Recording
    from fingerlead.timing.results import Timing


# --- `fingerlead record`: playing kept in a session file.


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
    from fingerlead.faces.cli.running import told_to_end
    from fingerlead.listening.reader import Reader
    from fingerlead.listening.recording import Recording
    from fingerlead.listening.recording import record as keep_recording
    from fingerlead.listening.sources import open_source
    from fingerlead.wire.plain_midi import NoteNumbers

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

        from fingerlead.ports.base import now_us

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


# ---


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
    from fingerlead.faces.cli.running import told_to_end
    from fingerlead.faces.words import work_on_first
    from fingerlead.listening.listening import Listening
    from fingerlead.listening.reader import Reader
    from fingerlead.listening.recording import record
    from fingerlead.listening.sources import open_source
    from fingerlead.timing.summary import summarise
    from fingerlead.wire.plain_midi import NoteNumbers

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
    from fingerlead.faces.cli.options import Problem
    from fingerlead.listening.listening import MidiPlaying
    from fingerlead.ports.base import PortRefused
    from fingerlead.ports.midi_out import MidiOut

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
    from fingerlead.faces.strip import strip_text
    from fingerlead.faces.words import change_sentence, chanter_sentence, doubt_sentence, ornament_sentence
    from fingerlead.listening.reader import Back, Lost
    from fingerlead.timing.live import Told
    from fingerlead.timing.results import Change
    from fingerlead.wire.events import Doubted, Seen, TroubleSeen

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
