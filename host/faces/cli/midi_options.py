"""How notes become MIDI: the options that `live` and `export` share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from host.faces.cli.problem import Problem

if TYPE_CHECKING:
    from host.sound.midi_tuning import MidiVoice

LOW_A_HZ = 480.0
SCALE = "harmonic"
LowA = Annotated[
    float, typer.Option("--low-a", metavar="HZ", help="MIDI notes: what low A sounds, from 220 to 490 Hz.")
]
Scale = Annotated[
    str, typer.Option("--scale", help="MIDI notes: the ratios to low A, by the name of their set.", metavar="NAME")
]
Bend = Annotated[
    bool,
    typer.Option(
        "--bend", help="MIDI notes: tune by pitch bend, for a synthesiser that does not know the MIDI Tuning Standard."
    ),
]


def midi_voice(low_a_hz: float, scale: str, bend: bool) -> MidiVoice:
    """The voice that the options name; raises Problem."""
    from host.sound.midi_tuning import MidiVoice
    from host.sound.tuning import Tuning

    try:
        note_hz = Tuning(low_a_hz, scale).note_hz()
    except ValueError as error:
        raise Problem(str(error)) from None
    return MidiVoice(note_hz, "bend" if bend else "tuning standard")
