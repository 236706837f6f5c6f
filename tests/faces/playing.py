"""Playing for the tests of what people read: single changes, whole sessions, and long ones made at once."""

from __future__ import annotations

import random

import numpy as np

from fingering.holes import fingers_of
from fingering.table import standard_table
from fingerlead.simulated import chanter, play, script, sensing
from fingerlead.simulated import scenario as pupil_file
from fingerlead.simulated import serve as whole
from fingerlead.timing.analysis import Analysis, analyse
from fingerlead.timing.results import Change, Timing
from fingerlead.timing.timeline import timing_of
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Record

STANDARD = standard_table().standard
PAIRS = [(a, b) for a in range(9) for b in range(9) if a != b]
SURE = Timing("chanter", 1_000, 0, 1_000, "given")


def analysed(states: list[tuple[int, int]], timing: Timing = SURE, end_us: int | None = None) -> Analysis:
    """Analyse (time, mask) states; the last one is held for a second unless told."""
    t_us = np.array([t for t, _ in states], dtype=np.int64)
    masks = np.array([mask for _, mask in states], dtype=np.uint8)
    record = Record(t_us, masks, states[-1][0] + 1_000_000 if end_us is None else end_us)
    return analyse(record, standard_table(), timing)


def moved(from_note: int, times: dict[int, int], at_us: int = 500_000) -> list[tuple[int, int]]:
    """The states as fingers leave a note at their times, counted from `at_us`."""
    mask, states = STANDARD[from_note], []
    for after_us, finger in sorted((t, f) for f, t in times.items()):
        mask ^= 1 << finger
        states.append((at_us + after_us, mask))
    return states


def one_change(from_note: int, times: dict[int, int], timing: Timing = SURE) -> Change:
    """One change from a standard note, its fingers at their times."""
    (change,) = analysed([(0, STANDARD[from_note]), *moved(from_note, times)], timing).changes
    return change


def random_times(from_note: int, to_note: int, chance: random.Random, within_us: int = 38_000) -> dict[int, int]:
    """A time for each finger of a change, no two alike; no stray can last long enough to be held."""
    fingers = fingers_of(STANDARD[from_note] ^ STANDARD[to_note])
    return dict(zip(fingers, chance.sample(range(0, within_us, 250), len(fingers)), strict=True))


def random_playing(changes: int, seed: int = 1, scatter_us: int = 38_000) -> Analysis:
    """A long walk over the notes with fingers anyhow."""
    chance = random.Random(seed)
    note, at_us = 0, 0
    states = [(0, STANDARD[0])]
    for _ in range(changes):
        to_note = chance.choice([other for other in range(9) if other != note])
        at_us += 300_000
        states += moved(note, random_times(note, to_note, chance, scatter_us), at_us)
        note = to_note
    return analysed(states)


def played_by(pupil, seed: int, changes: int, damage=None) -> Analysis:
    """What a simulated pupil plays over usual sensors."""
    performance = play.perform(pupil, script.write_script(pupil, seed, changes=changes), seed)
    data = whole.wire_bytes(performance, chanter.setup_for(seed), sensing.sensors("usual"), damage=damage)
    record = read_record(data)
    return analyse(record, standard_table(), timing_of(record, "wire"))


def session(name: str, seed: int, changes: int, damage=None) -> Analysis:
    """A session of one of the simulated pupils."""
    return played_by(pupil_file.load_scenario(name).pupil, seed, changes, damage)
