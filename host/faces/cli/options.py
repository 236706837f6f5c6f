"""Options that several commands share, and the files and tables they name."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from host.faces.cli.problem import Problem
from host.timing.results import Settings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fingering.table import Table
    from host.store.intake import Loaded
    from host.timing.analysis import Analysis
    from host.timing.results import KnownSkew

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
    from host.bench.skew_file import measured_skew_us
    from host.timing.results import KnownSkew

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
    from host.store.intake import IntakeError, load
    from host.timing.analysis import analyse
    from host.timing.timeline import timing_of
    from host.wire.plain_midi import NoteNumbers

    try:
        with working(f"reading {file}"):
            loaded = load(file, NoteNumbers(first_note, channel - 1))
            timing = timing_of(loaded.record, loaded.kind, _skew(loaded, skew_us))
            return loaded, analyse(loaded.record, table, timing, settings or DEFAULTS)
    except IntakeError as error:
        raise Problem(str(error)) from None
