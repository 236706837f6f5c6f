"""Which finger led, for other programs: what `import fingerlead` offers. `fingerlead.__all__` is the public interface.

    read(path) -> Loaded -> analyse(loaded) -> Analysis -> as_dict(analysis, loaded)

Conventions
    times    whole microseconds, names end in `_us`; the first frame (or row) of a file is 0
    notes    numbers from 0 (low G) to 8 (high A); NOTES names them
    fingers  numbers from 0 (the thumb's hole) to 7 (the bottom little finger's); FINGERS names them
    masks    a bit for each hole, 1 = covered, bit 0 the thumb's
    order    held notes, changes and movements by time; the fingers of a change by time
    lead     None where the first two fingers are nearer together than `analysis.timing.uncertainty_us`

Nothing is written, and nothing is printed. The one exception is IntakeError, raised by `read`: one sentence says what
is wrong with the file.
"""

import os
from pathlib import Path
from typing import Any

from fingering.holes import FINGERS
from fingering.movements import MovementError, own_repertoire
from fingering.notes import NOTES
from fingering.table import Table, load_table, standard_table
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.intake import IntakeError, Loaded, load
from fingerlead.store.session_music import MusicAt, MusicError, musics_of
from fingerlead.store.skews import measured_skew_us, seal_of
from fingerlead.timing import analysis as whole
from fingerlead.timing import published
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.budget import Budget
from fingerlead.timing.pulse import OnsetOf
from fingerlead.timing.results import (
    Change,
    FingerTime,
    Held,
    KnownSeal,
    KnownSkew,
    MovementFault,
    MovementNote,
    PlayedMovement,
    Settings,
    Slip,
    Stray,
    Timing,
)
from fingerlead.timing.timeline import timing_of
from fingerlead.wire.plain_midi import NoteNumbers

__all__ = [
    "FINGERS",
    "NOTES",
    "Analysis",
    "Change",
    "FingerTime",
    "Held",
    "IntakeError",
    "Loaded",
    "MovementError",
    "MovementFault",
    "MovementNote",
    "MusicError",
    "PlayedMovement",
    "SessionMusic",
    "Settings",
    "Slip",
    "Stray",
    "Table",
    "Timing",
    "analyse",
    "as_dict",
    "load_table",
    "read",
    "standard_table",
]


def read(path: str | os.PathLike[str], *, first_note: int = 24, channel: int = 16) -> Loaded:
    """What a file of playing holds: a session, a Standard MIDI File, CSV (`time_us,holes`) or bytes from the wire.

    The content decides which, not the name. `first_note` and `channel` (1 to 16) are for MIDI files that hold plain
    notes, one for each hole: the thumb's number, and where to look. Raises IntakeError.
    """
    return load(Path(path), NoteNumbers(first_note, channel - 1))


def analyse(
    loaded: Loaded,
    *,
    table: Table | None = None,
    settings: Settings = Settings(),
    skew_us: int | None = None,
    asked: SessionMusic | None = None,
    budget: Budget | None = None,
    own: str | os.PathLike[str] | None = None,
) -> Analysis:
    """Every held note, change and movement of a file of playing, with the timing uncertainty.

    `table` is a fingering table, the standard one if None. `skew_us` is how far apart the chanter's sensors may fire;
    if None, what the file itself says counts, then what was measured with that chanter on this machine, then 3 ms.
    `budget` is the chanter's own, in place of the assumed one. `own` is a file of a teacher's own movements (TOML), in
    place of those that the file carries; raises MovementError where it cannot be used.
    `asked` is the music that all of it is read against; if None, what the file itself carries. Raises MusicError where
    the ABC in `asked` cannot be read.
    """
    timing = timing_of(loaded.record, loaded.timed_as or loaded.kind, _skew(loaded, skew_us), budget, _seal(loaded))
    musics = musics_of(loaded.asked if asked is None else (MusicAt(0, asked),))
    problem = loaded.music_problem if asked is None else ""
    known = loaded.known if own is None else own_repertoire(Path(own))
    chart = table or standard_table()
    return whole.analyse(loaded.record, chart, timing, settings, musics, problem, known, loaded.clicks)


def as_dict(analysis: Analysis, loaded: Loaded, *, onset: OnsetOf = "theme") -> dict[str, Any]:
    """The JSON object of `fingerlead analyse --format json`, ready for `json.dumps`: notes and fingers by name.

    `onset` is what falls on the beat: the "theme" note, or the "first grace" note before it.
    """
    return published.as_dict(analysis, loaded.kind, str(loaded.path), onset)


def _seal(loaded: Loaded) -> KnownSeal | None:
    hello = loaded.record.hello
    return loaded.seal if loaded.kind == "session" or hello is None else seal_of(hello.device_id)


def _skew(loaded: Loaded, given_us: int | None) -> KnownSkew | None:
    if given_us is not None:
        return KnownSkew(given_us)
    if loaded.skew is not None or loaded.record.hello is None:
        return loaded.skew
    measured_us = measured_skew_us(loaded.record.hello.device_id)
    return None if measured_us is None else KnownSkew(measured_us, "measured")
