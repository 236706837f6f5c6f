"""What options name, made ready: a fingering table, a file of playing analysed, the tuning of MIDI notes."""

from __future__ import annotations

from pathlib import Path

from fingering.table import Table, TableError, load_table, standard_table
from fingerlead.faces.cli.options import Reading
from fingerlead.faces.cli.problem import problem_from
from fingerlead.faces.cli.running import StatusLine
from fingerlead.sound.tuning import MidiVoice, Tuning
from fingerlead.store.chanters import measured_skew_us
from fingerlead.store.intake import IntakeError, Loaded, load
from fingerlead.timing.analysis import Analysis, analyse
from fingerlead.timing.results import KnownSkew
from fingerlead.timing.timeline import timing_of
from fingerlead.wire.plain_midi import NoteNumbers


def table_from(table: Path | None, alternates: bool) -> Table:
    """The fingering table that the options name; raises Problem."""
    if table is None:
        return standard_table(alternates=alternates)
    with problem_from(TableError):
        return load_table(table)


def analysed(file: Path, table: Table, reading: Reading = Reading()) -> tuple[Loaded, Analysis]:
    """A file of playing, read and analysed; raises Problem."""
    with problem_from(IntakeError), StatusLine(f"reading {file}"):
        loaded = load(file, NoteNumbers(reading.first_note, reading.channel - 1))
        timing = timing_of(loaded.record, loaded.kind, _skew(loaded, reading.skew_us))
        return loaded, analyse(loaded.record, table, timing, reading.settings)


def _skew(loaded: Loaded, given_us: int | None) -> KnownSkew | None:
    """As the user says; else as the playing itself tells; else as it was measured with that chanter on this machine."""
    if given_us is not None:
        return KnownSkew(given_us)
    if loaded.skew is not None or loaded.record.hello is None:
        return loaded.skew
    measured_us = measured_skew_us(loaded.record.hello.device_id)
    return None if measured_us is None else KnownSkew(measured_us, "measured")


def midi_voice(low_a_hz: float, scale: str, bend: bool) -> MidiVoice:
    """The voice that the options name; raises Problem."""
    with problem_from(ValueError):
        return MidiVoice(Tuning(low_a_hz, scale).note_hz(), "bend" if bend else "tuning standard")
