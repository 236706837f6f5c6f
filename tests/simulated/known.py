"""What is known of a performance: its masks, what its sensors must see of it, its truth file, its one worst habit."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from numpy.polynomial import Polynomial

from fingering.holes import FINGERS, from_text
from fingering.notes import NOTES, note_index
from fingerlead.simulated.motion import OPEN_MM, PRESS_MM, SEAL_MM, TRAVEL_US
from fingerlead.simulated.performance import Edge, Motion, Performance, PerformedNote, PlantedFault, PlayedGrace
from fingerlead.simulated.pupil import STANDARD, Habit, SimulatedPupil, troublesome
from fingerlead.simulated.sensing import SETTLE_US, Eye, Heights, Masks, Sensor, Sensors, levels_of, sensors


def masks_of(performance: Performance) -> list[tuple[int, int]]:
    """(time, covered mask from then on), the start at 0 first; edges of one instant share an entry."""
    mask = performance.start_mask
    out = [(0, mask)]
    for edge in performance.edges:
        mask ^= 1 << edge.finger
        if out[-1][0] == edge.t_us:
            out.pop()
        out.append((edge.t_us, mask))
    return out


def known_lag_us(sensor: Sensor, motion: Motion, travel_us: float = TRAVEL_US) -> float:
    """How long after the seal a quiet capacitive sensor sees it, negative where before; scans add up to `scan_us`.

    The plate capacitor solved for its height, and the minimum-jerk path for when the finger is there.
    """
    level = sensor.cover_at if motion == "lower" else sensor.uncover_at
    share = (level - sensor.open_raw) / (sensor.covered_raw - sensor.open_raw)
    height_mm = 0.8 / share - 0.8
    way_mm = OPEN_MM + PRESS_MM
    way = Polynomial((PRESS_MM / way_mm, 0, 0, -10, 15, -6))
    seal, there = (
        next(float(root.real) for root in (way + mm / way_mm).roots() if abs(root.imag) < 1e-9 and 0 <= root.real <= 1)
        for mm in (SEAL_MM, height_mm)
    )
    return (there - seal) * travel_us * (1 if motion == "lift" else -1)


def sense(
    performance: Performance,
    sensors_: Sensors | None = None,
    scan_us: int = 1_000,
    phase_us: int = 0,
    settle_us: int = SETTLE_US,
) -> Masks:
    """What the chanter would report of a performance: (start of the scan that saw it, covered mask) on the true clock.

    The first scan's mask comes first; then one entry for each change, times rising.
    """
    sensors_ = sensors() if sensors_ is None else sensors_
    heights = Heights(performance, sensors_, scan_us, phase_us)
    eye = Eye(heights, levels_of(sensors_), settle_us)
    scans = max(1, heights.scan_from(performance.end_us))
    return [mask for _, decided in eye.look(0, scans) for mask in decided]


def with_worst_habit(
    pupil: SimulatedPupil, seed: int, by_us: int = 28_000, favour: float = 6.0
) -> tuple[SimulatedPupil, Habit]:
    """The pupil with one dominating fault, on a directed change drawn by `seed`: a finger early or late by `by_us`."""
    rng = random.Random(f"worst habit {seed}")
    choices = [
        (from_note, to_note, finger, motion, sign)
        for from_note in range(len(NOTES))
        for to_note in range(len(NOTES))
        if from_note != to_note
        for finger, motion, sign in troublesome(STANDARD[from_note], STANDARD[to_note])
    ]
    from_note, to_note, finger, motion, sign = rng.choice(choices)
    habit = Habit(finger, sign * by_us, from_note, to_note, motion, 1.0, favour)
    return replace(pupil, habits=(habit, *pupil.habits)), habit


@dataclass(frozen=True, slots=True)
class Truth:
    """A truth file, read: the performance (its trembles only as faults) and the chanter's clock."""

    performance: Performance
    scan_us: int
    zero_ticks32: int
    first_stamp_us: int


def read_truth(path: Path) -> Truth:
    """Read a truth file, with nothing of the code that writes it."""
    with path.open(encoding="utf-8") as file:
        header = json.loads(file.readline())
        assert header["schema"] == "fingerlead-truth-1"
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
            PerformedNote(n["number"], note_index(n["note"]), from_text(n["holes"]), n["t_us"], n.get("place"))
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
        body.get("movement"),
        body.get("index"),
    )
