"""The truth file: what the pupil did, written before any sensing, so that the whole chain can be checked against it.

JSON, one object a line. Times are integer µs on the true clock, 0 at the chanter's power-up; notes, fingers and masks
are spelled as in the analysis (`low G`, `bottom little`, `xxxxxxxo`).

The first line is the header:

    {"schema": "fingerlead-truth-1", "pupil", "seed", "scan_us", "zero_ticks32", "first_stamp_us", "start_holes",
     "end_us"}

`zero_ticks32` is what the chanter's own clock shows at 0. `first_stamp_us` is the stamp of its first holes frame on
the true clock: where that frame was received, a time t of the analysis is t + `first_stamp_us` here. Then, in order of
time:

    {"note":  {"number", "note", "holes", "t_us"}}         what was played, from when, and the mask for it
    {"edge":  {"t_us", "finger", "motion", "change"}}      `change` is the number of the note that it leads to
    {"grace": {"t_us", "duration_us", "on", "change"}}     a high G grace note (others add "note"); its edges are there
    {"fault": {"kind", "finger", "from", "to", "t_us", "by_us", "change"}}

Kinds of fault and their `by_us`: early, late, slow (by how much), slip, false, tremble (for how long). Scatter is none.
Where a tune is played, a note has "place", the place in the tune that it belongs to, counted from 0 with repeats
written out, and so has a fault. Then there are two kinds more, whose finger is null:

    wrong     note number `change` was to be "written", but "to" was played, for `by_us`
    restart   the pupil stopped after the note at "stopped_at", paused for `by_us`, and went on from "place"

A fault in a movement has "movement", its number in the tune from 1, and "index", the written note that goes wrong, from
0 (left out where it is no single one). Its kinds, and its finger or null, stand in `planted_movements`; its time is
where the movement begins, or should have; `by_us` is how far a length is outside its range, or how long the note in
question sounds.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import fields
from typing import Any

from fingering.holes import FINGERS, to_text
from fingering.notes import NOTES
from fingerlead.simulated.chanter import Setup
from fingerlead.simulated.performance import Edge, Performance, PerformedNote, PlantedFault, PlayedGrace

SCHEMA = "fingerlead-truth-1"

# An attribute's key in the file, where it differs, and how its value is spelled, where it is not written as it is.
KEYS = {"covered_mask": "holes", "from_note": "from", "to_note": "to"}
SPELLED: dict[str, Callable[[int], str]] = {
    "covered_mask": to_text,
    "finger": FINGERS.__getitem__,
    **dict.fromkeys(("note", "on", "from_note", "to_note", "written"), NOTES.__getitem__),
}


def truth_lines(performance: Performance, setup: Setup) -> Iterator[str]:
    """The lines of the truth file, without line ends."""
    header = {
        "schema": SCHEMA,
        "pupil": performance.pupil,
        "seed": performance.seed,
        "scan_us": setup.scan_us,
        "zero_ticks32": setup.ticks_start,
        "first_stamp_us": setup.phase_us,
        "start_holes": to_text(performance.start_mask),
        "end_us": performance.end_us,
    }
    yield json.dumps(header)
    entries: list[tuple[str, PerformedNote | Edge | PlayedGrace | PlantedFault]] = [
        *(("note", note) for note in performance.notes),
        *(("edge", edge) for edge in performance.edges),
        *(("grace", grace) for grace in performance.graces),
        *(("fault", fault) for fault in performance.faults),
    ]
    for kind, entry in sorted(entries, key=lambda pair: pair[1].t_us):
        yield json.dumps({kind: _body(entry)})


def _body(entry: PerformedNote | Edge | PlayedGrace | PlantedFault) -> dict[str, Any]:
    """The attributes of an entry by key; one that has its default is left out."""
    values = ((field, getattr(entry, field.name)) for field in fields(entry))
    told = {field.name: value for field, value in values if value != field.default}
    return {
        KEYS.get(name, name): SPELLED[name](value) if name in SPELLED and value is not None else value
        for name, value in told.items()
    }


def truth_text(performance: Performance, setup: Setup) -> str:
    """The truth file as text."""
    return "".join(line + "\n" for line in truth_lines(performance, setup))
