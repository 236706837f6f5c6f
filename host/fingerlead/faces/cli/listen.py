"""`fingerlead record` and `fingerlead live`: playing kept in a session file, and each change told as it happens."""

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from fingering.notes import NOTES, SOUNDING
from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import known_movements, midi_voice, table_from
from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.running import (
    StatusLine,
    UnkeptTeller,
    expect_all,
    expect_bytes,
    say,
    session_of,
    unkept_words,
    until_interrupted,
)
from fingerlead.faces.cli.tunes import music_asked
from fingerlead.faces.strip import Strip, change_strip, scale_words, shared_scale
from fingerlead.faces.strip_text import strip_text
from fingerlead.faces.words import (
    change_sentence,
    chanter_sentence,
    doubt_sentence,
    movement_sentence,
)
from fingerlead.listening.listening import Heard, Listening, MidiPlaying
from fingerlead.listening.reader import Back, Lost, Reader
from fingerlead.listening.recording import Recording
from fingerlead.listening.recording import record as keep_recording
from fingerlead.listening.sources import open_source, replayed_music
from fingerlead.phrases import path_text
from fingerlead.ports.base import PortRefused, now_us
from fingerlead.ports.midi_out import MidiOut
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.session_music import MusicAt
from fingerlead.timing.findings import work_on_first
from fingerlead.timing.live import LiveResult
from fingerlead.timing.results import Change, Timing
from fingerlead.timing.summary import summarise
from fingerlead.wire.events import Doubted, Seen, TroubleSeen
from fingerlead.wire.plain_midi import NoteNumbers


def record(
    port: options.PortName,
    output: Annotated[Path, typer.Option("--output", "-o", help="The session file to write; it must not exist yet.")],
    for_seconds: options.ForSeconds = None,
    music: options.MusicName = None,
    stage_us: options.MusicStageUs = None,
    own: options.OwnFile = None,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Record a session at the chanter; Ctrl-C ends it and keeps everything."""
    plays, asked = NoteNumbers(first_note, channel - 1), music_asked(music, stage_us)
    known = known_movements(own)
    started_us = now_us()
    with session_of(port, output, plays) as writer:
        reader = Reader(lambda: open_source(port)).start()
        with until_interrupted() as interrupted, StatusLine(f"recording {output}") as line:
            unkept = UnkeptTeller()

            def show(kept: Recording) -> None:
                unkept.look(kept)
                line.show(lambda: line_of(kept, (now_us() - started_us) // 1_000_000))

            recording = Recording(writer, plays=plays, known=known)
            _ask_for(recording, asked, port)
            kept = keep_recording(reader, recording, show, interrupted, _in_us(for_seconds))
    expect_bytes(kept, port)
    typer.echo(summary(kept, output))
    expect_all(kept)


def _ask_for(recording: Recording, music: SessionMusic | None, port: str) -> None:
    """Ask for what was named; where a session is played again, for what it carries, within the stage that was named."""
    carried = replayed_music(port)
    if music is None:
        recording.follow(carried)
    elif music.abc or not carried:
        recording.begin_music(music)
    else:
        recording.follow([MusicAt(at_us, replace(one, stage_us=music.stage_us)) for at_us, one in carried])


def _in_us(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * 1_000_000)


def summary(kept: Recording, output: Path) -> str:
    """What was kept, in a sentence or two."""
    who = f" from {kept.chanter}" if kept.chanter else ""
    name = path_text(output)
    text = f"{name}: {_amount(kept)}{who}"
    if not kept.plain:
        text += f"; {kept.intake.bad_frames} damaged, {kept.intake.lost_frames} lost"
    if kept.losses:
        text += f"; the port was lost {'once' if kept.losses == 1 else f'{kept.losses} times'}"
    return f"{text}.\nNext: fingerlead analyse {name}"


def line_of(kept: Recording, seconds: int) -> str:
    """The one line that is shown meanwhile."""
    clock = f"{seconds // 60}:{seconds % 60:02}"
    if unkept := unkept_words(kept):
        return f"{clock}  {unkept} (Ctrl-C ends)"
    if kept.away:
        return f"{clock}  the chanter is gone; waiting for it to come back (Ctrl-C ends)"
    if not kept.bytes:
        return f"{clock}  waiting for the chanter to speak (Ctrl-C ends)"
    note = "" if kept.covered_mask is None else f", {NOTES[SOUNDING[kept.covered_mask]]}"
    return f"{clock}  {_amount(kept)}{note} (Ctrl-C ends)"


def _amount(kept: Recording) -> str:
    return f"{kept.intake.frames} {'notes' if kept.plain else 'frames'}"


def live(
    port: options.PortName,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="Keep the session in this file too.")] = None,
    for_seconds: options.ForSeconds = None,
    music: options.MusicName = None,
    stage_us: options.MusicStageUs = None,
    strips: options.Strips = True,
    midi_out: Annotated[
        str | None,
        typer.Option(
            metavar="NAME|own",
            help="Play the notes on this MIDI output (part of its name will do); own makes a port called fingerlead.",
            show_default=False,
        ),
    ] = None,
    low_a: options.LowA = options.LOW_A_HZ,
    scale: options.Scale = options.SCALE,
    bend: options.Bend = False,
    skew_us: options.SkewUs = None,
    table: options.TableFile = None,
    alternates: options.Alternates = False,
    own: options.OwnFile = None,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Tell each change as it happens; Ctrl-C ends it and says what to work on first."""
    plays = NoteNumbers(first_note, channel - 1)
    chart, asked, known = table_from(table, alternates), music_asked(music, stage_us), known_movements(own)
    tell = teller(strips)

    def hear(what: Heard, timing: Timing) -> None:
        # What sounds comes first: words take longer than notes.
        if playing is not None:
            playing.hear(what)
        tell(what, timing)

    unkept = UnkeptTeller()

    def tick(listening: Listening) -> None:
        unkept.look(listening)
        if playing is not None:
            playing.tick(listening.plain)

    with (
        until_interrupted() as interrupted,
        _playing(midi_out, low_a, scale, bend) as playing,
        session_of(port, output, plays) as keep,
    ):
        listening = Listening(chart, hear, skew_us=skew_us, keep=keep, plays=plays, known=known)
        _ask_for(listening, asked, port)
        reader = Reader(lambda: open_source(port)).start()
        keep_recording(reader, listening, tick, interrupted, _in_us(for_seconds))
    if output is not None:
        expect_bytes(listening, port)
    typer.echo(work_on_first(summarise([listening.analysis()])))
    if output is not None:
        name = path_text(output)
        typer.echo(f"Kept in {name}. Next: fingerlead report {name} -o page.html")
        expect_all(listening)


@contextlib.contextmanager
def _playing(name: str | None, low_a_hz: float, scale: str, bend: bool) -> Iterator[MidiPlaying | None]:
    """Plays on a MIDI output while it lasts, if one is wanted; everything is off at its end, whichever that is."""
    if name is None:
        yield None
        return
    voice = midi_voice(low_a_hz, scale, bend)
    with problem_from(PortRefused):
        out = MidiOut(name, voice)
    with contextlib.closing(out):
        typer.echo(f"Playing on MIDI output {out.name}.")
        yield MidiPlaying(out, lambda sentence: typer.echo(sentence, err=True))


def teller(strips: bool) -> Callable[[Heard, Timing], None]:
    """A listener that says each change in words, and draws the strip of those that were not clean.

    The strips have one time scale, which grows with the first that is longer, and is then named.
    """
    seen: set[bytes] = set()
    scale_us = 0

    def draw(strip: Strip) -> None:
        nonlocal scale_us
        if (needed_us := shared_scale([strip])) > scale_us:
            scale_us = needed_us
            typer.echo(scale_words(scale_us, "Strips from here on"))
        typer.echo(strip_text(strip, scale_us) + "\n")

    def hear(what: Heard, timing: Timing) -> None:
        if isinstance(what, LiveResult):
            again = "On second look: " if what.again else ""
            if isinstance(what.result, Change):
                say(again + change_sentence(what.result, timing), indent="  ")
                if strips and what.result.verdict in ("stray", "apart"):
                    draw(change_strip(what.result, timing))
            elif not what.taken_back:
                typer.echo(again + movement_sentence(what.result))
        elif isinstance(what, Seen) and what.hello.device_id not in seen:
            seen.add(what.hello.device_id)
            typer.echo(chanter_sentence(what.hello))
        elif isinstance(what, Doubted) and what.doubt.cause != "trouble":
            typer.echo(doubt_sentence(what.doubt), err=True)
        elif isinstance(what, TroubleSeen) and not what.again:
            typer.echo(f"The chanter reports: {what.words}.", err=True)
        elif isinstance(what, Lost):
            typer.echo(f"The chanter is gone ({what.cause}); waiting for it to come back.", err=True)
        elif isinstance(what, Back):
            typer.echo("The chanter is back.", err=True)

    return hear
