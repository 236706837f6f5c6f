"""Options that several commands share, and the files and tables they name."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fingerlead.timing.results import Settings

if TYPE_CHECKING:
    from fingering.rungs import Rung
    from fingering.table import Table
    from fingerlead.music.tune import Tune
    from fingerlead.sound.tuning import MidiVoice
    from fingerlead.store.intake import Loaded
    from fingerlead.timing.analysis import Analysis
    from fingerlead.timing.results import KnownSkew


# --- A problem that the user can do something about.


class Problem(Exception):
    """One plain sentence: what was expected, what came, what to try. Printed on stderr; the exit code is 1."""


# ---

DEFAULTS = Settings()
SkewUs = Annotated[
    int | None,
    typer.Option(
        "--skew-us",
        min=0,
        max=1_000_000,
        help="How far apart the sensors may fire, in microseconds, where it has been measured.",
    ),
]
FirstNote = Annotated[
    int,
    typer.Option("--first-note", min=0, max=120, help="Plain MIDI notes: the thumb's; the other holes follow upwards."),
]
Channel = Annotated[int, typer.Option("--channel", min=1, max=16, help="Plain MIDI notes: the channel.")]
Expect = Annotated[
    str | None,
    typer.Option("--expect", metavar="TUNE.abc|RUNG", help="Compare with what was to be played: a tune or a rung."),
]
SteadyUs = Annotated[
    int, typer.Option("--steady-us", min=1, max=10_000_000, help="A note shorter than this is not held.")
]
HeardUs = Annotated[
    int, typer.Option("--heard-us", min=1, max=10_000_000, help="A stray note shorter than this is not heard.")
]
LooseUs = Annotated[
    int, typer.Option("--loose-us", min=1, max=10_000_000, help="Fingers farther apart than this are loose.")
]
Browser = Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page by itself.")]
WebAddress = Annotated[
    str, typer.Option("--listen", metavar="ADDRESS", help="Where to serve the page; 0.0.0.0 lets in the whole house.")
]
WebPort = Annotated[
    int | None,
    typer.Option("--web-port", min=1, max=65_535, help="The page's port; else one that is free.", show_default=False),
]
TableFile = Annotated[
    Path | None, typer.Option("--table", help="A fingering table of your own (TOML), instead of the standard one.")
]
Alternates = Annotated[bool, typer.Option("--alternates", help="Accept the alternate fingerings too.")]


def table_from(table: Path | None, alternates: bool) -> Table:
    """The fingering table that the options name; raises Problem."""
    from fingering.table import TableError, load_table, standard_table

    if table is None:
        return standard_table(alternates=alternates)
    try:
        return load_table(table)
    except TableError as error:
        raise Problem(str(error)) from None


def settings_from(steady_us: int, heard_us: int, loose_us: int) -> Settings:
    """The settings that the options name."""
    return Settings(steady_us=steady_us, heard_us=heard_us, loose_us=loose_us)


def _skew(loaded: Loaded, given_us: int | None) -> KnownSkew | None:
    """As the user says; else as the playing itself tells; else as it was measured with that chanter on this machine."""
    from fingerlead.store.chanters import measured_skew_us
    from fingerlead.timing.results import KnownSkew

    if given_us is not None:
        return KnownSkew(given_us)
    if loaded.skew is not None or loaded.record.hello is None:
        return loaded.skew
    measured_us = measured_skew_us(loaded.record.hello.device_id)
    return None if measured_us is None else KnownSkew(measured_us, "measured")


@contextlib.contextmanager
def working(what: str) -> Iterator[None]:
    """Show what is being done while it lasts; nothing where nobody watches."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    with Console(stderr=True).status(what):
        yield


def analysed(
    file: Path,
    table: Table,
    settings: Settings | None = None,
    skew_us: int | None = None,
    first_note: int = 24,
    channel: int = 16,
) -> tuple[Loaded, Analysis]:
    """A file of playing, read and analysed; raises Problem."""
    from fingerlead.store.intake import IntakeError, load
    from fingerlead.timing.analysis import analyse
    from fingerlead.timing.timeline import timing_of
    from fingerlead.wire.plain_midi import NoteNumbers

    try:
        with working(f"reading {file}"):
            loaded = load(file, NoteNumbers(first_note, channel - 1))
            timing = timing_of(loaded.record, loaded.kind, _skew(loaded, skew_us))
            return loaded, analyse(loaded.record, table, timing, settings or DEFAULTS)
    except IntakeError as error:
        raise Problem(str(error)) from None


# --- How notes become MIDI: the options that `live` and `export` share.

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
    from fingerlead.sound.tuning import MidiVoice, Tuning

    try:
        note_hz = Tuning(low_a_hz, scale).note_hz()
    except ValueError as error:
        raise Problem(str(error)) from None
    return MidiVoice(note_hz, "bend" if bend else "tuning standard")


# --- What was meant, as users name it: a rung of the ladder, an easy tune of the program's own, or a file of ABC.


def is_abc_file(what: str) -> bool:
    """Whether a name is meant as a file of ABC."""
    return Path(what).suffix.lower() == ".abc" or Path(what).is_file()


def read_tunes(path: Path) -> list[Tune]:
    """The tunes in a file of ABC; what is passed over is said on stderr. Raises Problem."""
    from fingerlead.music.abc import SIZE_LIMIT, parse_abc
    from fingerlead.music.abc_text import AbcError

    try:
        with path.open("rb") as file:
            text = file.read(SIZE_LIMIT + 1)
    except OSError as error:
        raise Problem(f"{path}: expected a file of ABC; {error.strerror}") from None
    try:
        tunes, warnings = parse_abc(text, str(path))
    except AbcError as error:
        raise Problem(str(error)) from None
    for warning in warnings:
        typer.echo(f"{path}, {warning}", err=True)
    return tunes


def easy_tune_of(what: str) -> Tune | None:
    """One of the program's own easy tunes by its key or title, or None."""
    from fingering.tunes import easy_tunes
    from fingerlead.music.abc import parse_abc

    for easy in easy_tunes():
        if what.strip().lower() in (easy.key, easy.title.lower()):
            return parse_abc(easy.abc, easy.key)[0][0]
    return None


def rung_of(what: str, rungs: tuple[Rung, ...]) -> Rung:
    """A rung by its key or number; raises Problem."""
    from fingering.ladder import find_rung

    try:
        return find_rung(rungs, what)
    except ValueError as error:
        raise Problem(f"{error}; or name a file of ABC (`fingerlead ladder` lists the rungs)") from None


def tune_of(what: str, rungs: Path | None = None) -> Tune:
    """The music of a rung or an easy tune, or the first tune of a file of ABC; raises Problem."""
    if is_abc_file(what):
        return read_tunes(Path(what))[0]
    easy = easy_tune_of(what)
    if easy is not None:
        return easy
    from fingerlead.faces.cli.ladder import rungs_from
    from fingerlead.music.abc import parse_abc

    rung = rung_of(what, rungs_from(rungs))
    return parse_abc(rung.abc, rung.key)[0][0]
