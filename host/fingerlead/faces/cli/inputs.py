"""What options name, made ready: a fingering table, a file of playing analysed, the tuning of MIDI notes."""

from pathlib import Path

from fingering.movements import MovementError, Repertoire, own_repertoire, standard_repertoire
from fingering.table import Table, TableError, load_table, standard_table
from fingering.toml_file import SIZE_LIMIT, FileError, read_bytes
from fingerlead import library
from fingerlead.faces.cli.options import NO_MUSIC, ReadOptions
from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.running import StatusLine
from fingerlead.faces.cli.tunes import session_music
from fingerlead.reading.asked import SessionMusic
from fingerlead.sound.tuning import MidiVoice, Tuning
from fingerlead.store.intake import IntakeError, Loaded
from fingerlead.store.session_file import SessionError
from fingerlead.store.session_reading import movements_meta
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.budget import Budget, BudgetError, read_budget


def table_from(table: Path | None, alternates: bool) -> Table:
    """The fingering table that the options name; raises Problem."""
    if table is None:
        return standard_table(alternates=alternates)
    with problem_from(TableError):
        return load_table(table)


def analysed(
    file: Path, table: Table, reading: ReadOptions = ReadOptions(), expect: str | None = None
) -> tuple[Loaded, Analysis]:
    """A file of playing, read and analysed; raises Problem. `expect` names what it is read against, or is "none"."""
    asked = None if expect is None else SessionMusic() if expect == NO_MUSIC else session_music(expect)
    with problem_from(IntakeError, MovementError), StatusLine(f"reading {file}"):
        loaded = library.read(file, first_note=reading.first_note, channel=reading.channel)
        analysis = library.analyse(
            loaded,
            table=table,
            settings=reading.settings,
            skew_us=reading.skew_us,
            asked=asked,
            budget=budget_from(reading.budget),
            own=reading.own,
        )
        return loaded, analysis


def known_movements(own: Path | None) -> Repertoire:
    """The movements that there are, with those of the file that the options name; raises Problem."""
    if own is None:
        return standard_repertoire()
    with problem_from(MovementError, SessionError):
        known = own_repertoire(own)
        movements_meta(known)  # what is kept of it must fit
        return known


def budget_from(path: Path | None) -> Budget | None:
    """The budget that the options name; raises Problem."""
    if path is None:
        return None
    with problem_from(BudgetError, FileError):
        return read_budget(read_bytes(path, FileError)[:SIZE_LIMIT].decode("utf-8", "replace"), path.name)


def midi_voice(low_a_hz: float, scale: str, bend: bool) -> MidiVoice:
    """The voice that the options name; raises Problem."""
    with problem_from(ValueError):
        return MidiVoice(Tuning(low_a_hz, scale).note_hz(), "bend" if bend else "tuning standard")
