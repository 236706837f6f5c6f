"""Options and arguments that several commands share; and `Reading`, all the options of reading a file of playing."""

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from fingerlead.timing.pulse import OnsetOf
from fingerlead.timing.results import Settings

DEFAULTS = Settings()

PortName = Annotated[str, typer.Argument(help="A device path, socket://HOST:PORT, midi:NAME, or sim.")]
ForSeconds = Annotated[float | None, typer.Option("--for", min=0.1, max=1_000_000, help="Stop after so many seconds.")]
TextOrJson = Annotated[Literal["text", "json"], typer.Option("--format", help="How to print.")]
Strips = Annotated[
    bool, typer.Option("--strips/--no-strips", help="Draw the finger strip of each change that went astray.")
]
RungsFile = Annotated[
    Path | None, typer.Option("--rungs", metavar="FILE", help="Rungs of your own, a TOML file.", show_default=False)
]
LadderOrder = Annotated[
    Literal["taught", "derived"],
    typer.Option("--order", help="The order of the ladder: as it is often taught, or from the changes' geometry."),
]

# Of reading playing.
SkewUs = Annotated[
    int | None,
    typer.Option(
        "--skew-us",
        min=0,
        max=1_000_000,
        help="How far apart the sensors may fire, in microseconds, where it has been measured.",
    ),
]
BudgetFile = Annotated[
    Path | None,
    typer.Option(
        "--budget", metavar="FILE", help="What your chanter's errors are, a TOML file; see hardware_notes/timing.md."
    ),
]
FirstNote = Annotated[
    int,
    typer.Option("--first-note", min=0, max=120, help="Plain MIDI notes: the thumb's; the other holes follow upwards."),
]
Channel = Annotated[int, typer.Option("--channel", min=1, max=16, help="Plain MIDI notes: the channel.")]
Expect = Annotated[
    str | None,
    typer.Option(
        "--expect",
        metavar="TUNE.abc|RUNG|none",
        help="Read it against a tune or a rung, in place of the music that it carries; none reads it freely.",
    ),
]
BeatOn = Annotated[
    Literal["theme", "first-grace"],
    typer.Option("--beat-on", help="What of an embellished note is on the beat: its theme note, or its first grace."),
]
MusicName = Annotated[
    str | None,
    typer.Option("--music", metavar="RUNG|TUNE.abc", help="What is played: the session keeps it.", show_default=False),
]
ONSETS: dict[str, OnsetOf] = {"theme": "theme", "first-grace": "first grace"}
NO_MUSIC = "none"  # what --expect takes for reading freely
SteadyUs = Annotated[
    int, typer.Option("--steady-us", min=1, max=10_000_000, help="A note shorter than this is not held.")
]
HeardUs = Annotated[
    int,
    typer.Option(
        "--heard-us",
        min=1,
        max=10_000_000,
        help="A stray note (a run, or crossing noise) shorter than this is not heard.",
    ),
]
StageUs = Annotated[
    int,
    typer.Option(
        "--stage-us",
        min=1,
        max=10_000_000,
        help="Fingers of a change that move within this are together, where the music asks for no stage of its own.",
    ),
]
AskedStageUs = Annotated[
    int,
    typer.Option(
        "--stage-us",
        min=1,
        max=10_000_000,
        help="How close together the fingers are asked to move: 40000 to begin with, 15000 for a good player.",
    ),
]
MusicStageUs = Annotated[
    int | None,
    typer.Option(
        "--stage-us",
        min=1,
        max=10_000_000,
        help="How close together fingers are to move, as the session keeps it; else 25000.",
        show_default=False,
    ),
]
TableFile = Annotated[
    Path | None, typer.Option("--table", help="A fingering table of your own (TOML), instead of the standard one.")
]
OwnFile = Annotated[
    Path | None,
    typer.Option(
        "--own",
        metavar="FILE",
        help="Movements of your own (TOML) beside the table's; see fingerlead movements.",
        show_default=False,
    ),
]
Alternates = Annotated[bool, typer.Option("--alternates", help="Accept the alternate fingerings too.")]

# Of a page.
Browser = Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page by itself.")]
WebAddress = Annotated[
    str, typer.Option("--listen", metavar="ADDRESS", help="Where to serve the page; 0.0.0.0 lets in the whole house.")
]
WebPort = Annotated[
    int | None,
    typer.Option("--web-port", min=1, max=65_535, help="The page's port; else one that is free.", show_default=False),
]
TlsCert = Annotated[
    Path | None,
    typer.Option("--tls-cert", metavar="FILE", help="Encrypt the page: a certificate, PEM.", show_default=False),
]
TlsKey = Annotated[
    Path | None, typer.Option("--tls-key", metavar="FILE", help="The key of --tls-cert, PEM.", show_default=False)
]
Join = Annotated[
    bool,
    typer.Option(
        "--join",
        help="Let a phone or tablet in the same network join by a QR code, encrypted; sound then comes from the pages.",
    ),
]

# Of notes as MIDI.
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


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How files of playing are read and analysed; the fields are the options, in the order of the help."""

    skew_us: SkewUs = None
    budget: BudgetFile = None
    steady_us: SteadyUs = DEFAULTS.steady_us
    heard_us: HeardUs = DEFAULTS.heard_us
    stage_us: StageUs = DEFAULTS.stage_us
    table: TableFile = None
    alternates: Alternates = False
    own: OwnFile = None
    first_note: FirstNote = 24
    channel: Channel = 16

    @property
    def settings(self) -> Settings:
        """The settings of the analysis."""
        return Settings(steady_us=self.steady_us, heard_us=self.heard_us, stage_us=self.stage_us)


def with_reading(command: Callable[..., None]) -> Callable[..., None]:
    """A command whose last parameter, `reading`, becomes the options of `ReadOptions` on the command line."""
    options = list(inspect.signature(ReadOptions, eval_str=True).parameters.values())
    own = list(inspect.signature(command, eval_str=True).parameters.values())[:-1]

    @functools.wraps(command)
    def run(**given: Any) -> None:
        reading = ReadOptions(**{option.name: given.pop(option.name) for option in options})
        command(**given, reading=reading)

    run.__signature__ = inspect.Signature([*own, *options])  # type: ignore[attr-defined]
    run.__annotations__ = {each.name: each.annotation for each in (*own, *options)}
    return run
