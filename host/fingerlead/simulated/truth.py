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
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fingering.holes import FINGERS, from_text, to_text
from fingering.notes import HIGH_G, NOTES, note_index
from fingerlead.simulated.chanter import Setup
from fingerlead.simulated.performance import Edge, Performance, PerformedNote, PlantedFault, PlayedGrace

SCHEMA = "fingerlead-truth-1"


@dataclass(frozen=True, slots=True)
class Truth:
    """A truth file, read: the performance (its trembles only as faults) and the chanter's clock."""

    performance: Performance
    scan_us: int
    zero_ticks32: int
    first_stamp_us: int


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
    entries = [_note(n) for n in performance.notes] + [_edge(e) for e in performance.edges]
    entries += [_grace(g) for g in performance.graces] + [_fault(f) for f in performance.faults]
    for _, entry in sorted(entries, key=lambda entry: entry[0]):
        yield json.dumps(entry)


def _note(note: PerformedNote) -> tuple[int, dict[str, Any]]:
    body: dict[str, Any] = {"number": note.number, "note": NOTES[note.note], "holes": to_text(note.covered_mask)}
    body |= {"t_us": note.t_us} | _given(place=note.place)
    return note.t_us, {"note": body}


def _edge(edge: Edge) -> tuple[int, dict[str, Any]]:
    body = {"t_us": edge.t_us, "finger": FINGERS[edge.finger], "motion": edge.motion, "change": edge.change}
    return edge.t_us, {"edge": body}


def _grace(grace: PlayedGrace) -> tuple[int, dict[str, Any]]:
    body: dict[str, Any] = {"t_us": grace.t_us, "duration_us": grace.duration_us, "on": NOTES[grace.on]}
    body |= {"change": grace.change} | _given(note=None if grace.note == HIGH_G else NOTES[grace.note])
    return grace.t_us, {"grace": body}


def _fault(fault: PlantedFault) -> tuple[int, dict[str, Any]]:
    body = {
        "kind": fault.kind,
        "finger": None if fault.finger is None else FINGERS[fault.finger],
        "from": NOTES[fault.from_note],
        "to": NOTES[fault.to_note],
        "t_us": fault.t_us,
        "by_us": fault.by_us,
        "change": fault.change,
    }
    written = None if fault.written is None else NOTES[fault.written]
    return fault.t_us, {"fault": body | _given(place=fault.place, written=written, stopped_at=fault.stopped_at)}


def _given(**values: Any) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def write_truth(path: Path, performance: Performance, setup: Setup) -> None:
    """Write the truth file; OSError where it cannot be written."""
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(line + "\n" for line in truth_lines(performance, setup))


def read_truth(path: Path) -> Truth:
    """Read a truth file that this program wrote; ValueError for another."""
    with path.open(encoding="utf-8") as file:
        header = json.loads(file.readline())
        if not isinstance(header, dict) or header.get("schema") != SCHEMA:
            raise ValueError(f"{path}: expected a truth file, whose first line names the schema {SCHEMA}")
        found: dict[str, list[dict[str, Any]]] = {"note": [], "edge": [], "grace": [], "fault": []}
        for line in file:
            ((kind, body),) = json.loads(line).items()
            found[kind].append(body)
    performance = Performance(
        pupil=header["pupil"],
        seed=header["seed"],
        start_mask=from_text(header["start_holes"]),
        edges=tuple(Edge(e["t_us"], FINGERS.index(e["finger"]), e["motion"], e["change"]) for e in found["edge"]),
        notes=tuple(
            PerformedNote(n["number"], n["t_us"], note_index(n["note"]), from_text(n["holes"]), n.get("place"))
            for n in found["note"]
        ),
        faults=tuple(_read_fault(fault) for fault in found["fault"]),
        graces=tuple(
            PlayedGrace(
                g["t_us"], g["duration_us"], note_index(g["on"]), g["change"], note_index(g.get("note", "high G"))
            )
            for g in found["grace"]
        ),
        trembles=(),
        end_us=header["end_us"],
    )
    return Truth(performance, header["scan_us"], header["zero_ticks32"], header["first_stamp_us"])


def _read_fault(body: dict[str, Any]) -> PlantedFault:
    return PlantedFault(
        body["kind"],
        None if body["finger"] is None else FINGERS.index(body["finger"]),
        note_index(body["from"]),
        note_index(body["to"]),
        body["t_us"],
        body["by_us"],
        body["change"],
        body.get("place"),
        note_index(body["written"]) if "written" in body else None,
        body.get("stopped_at"),
    )
