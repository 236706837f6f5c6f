"""Playing to cut passages from, and what both sides of a message say of it."""

from __future__ import annotations

import random
from fractions import Fraction
from functools import lru_cache

import numpy as np

from fingering.movements import movements
from fingering.table import standard_table
from fingerlead.simulated import chanter, play, script, sensing
from fingerlead.simulated import scenario as pupil_file
from fingerlead.simulated import serve as whole
from fingerlead.simulated.script import Written, tune_script
from fingerlead.timing.analysis import Analysis, analyse
from fingerlead.timing.published import as_dict
from fingerlead.timing.results import Settings, Timing
from fingerlead.timing.timeline import timing_of
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Doubt, Record

SURE = Timing("chanter", 5_000, 1_000, 3_000, "assumed")


@lru_cache(maxsize=64)
def played(name: str, seed: int, changes: int, lost: int = 0) -> Analysis:
    """What a simulated pupil plays over usual sensors; of the frames every `lost`-th is lost."""
    pupil = pupil_file.load_scenario(name).pupil
    performance = play.perform(pupil, script.write_script(pupil, seed, changes=changes), seed)
    damage = (lambda frames: [f for i, f in enumerate(frames) if i % lost != lost - 1]) if lost else None
    data = whole.wire_bytes(performance, chanter.setup_for(seed), sensing.sensors("usual"), damage=damage)
    record = read_record(data)
    return analyse(record, standard_table(), timing_of(record, "wire"))


def anyhow(seed: int, edges: int = 300, settings: Settings = Settings(), table=None, timing: Timing = SURE) -> Analysis:
    """Fingers moved anyhow: short notes and long ones, hands off, graces, several at once, losses, equal times."""
    chance = random.Random(seed)
    standard = standard_table().standard
    t_us, mask = 0, standard[chance.randrange(9)]
    states = []
    for _ in range(edges):
        states.append((t_us, mask))
        t_us += chance.choice((0, 1, 999, 4_000, 12_000, 30_001, 45_000, 60_000, 79_999, 80_000, 120_000, 300_000))
        kind = chance.random()
        if kind < 0.6:
            mask ^= 1 << chance.randrange(8)
        elif kind < 0.95:
            mask = standard[chance.randrange(9)]
        else:
            mask = chance.choice((0, chance.randrange(256)))
    doubts = []
    for _ in range(chance.randrange(6)):
        start_us = chance.randrange(t_us + 1)
        doubts.append(
            Doubt(
                start_us, min(t_us, start_us + chance.randrange(400_000)), chance.choice(("lost", "gap", "restart")), 1
            )
        )
    record = Record(
        np.array([t for t, _ in states], dtype=np.int64), np.array([m for _, m in states], dtype=np.uint8), t_us, doubts
    )
    return analyse(record, table or standard_table(), timing, settings)


def told(analysis: Analysis) -> dict:
    """All that is published of it, as of a passage: that does not say how its edges came to be where they are."""
    return as_dict(analysis, "passage", "")


def shifted(of: dict | list, by_us: int) -> dict | list:
    """The same with every time in it earlier."""
    if isinstance(of, list):
        return [shifted(each, by_us) for each in of]
    return {
        key: shifted(value, by_us)
        if isinstance(value, list) and value and isinstance(value[0], dict)
        else value - by_us
        if key in ("start_us", "end_us")
        else value
        for key, value in of.items()
    }


@lru_cache(maxsize=64)
def embellished(name: str, seed: int, notes: int) -> Analysis:
    """A tune with a movement of the table before each note, as a simulated pupil plays it."""
    chance = random.Random(seed)
    written = [Written(chance.randrange(9), Fraction(1, 4))]
    while len(written) < notes:
        before = written[-1].note
        form = chance.choice([form for form in movements() if form.after in (None, before)])
        note = form.on if form.on is not None else chance.choice([other for other in range(9) if other != before])
        if note != before:
            written.append(Written(note, Fraction(1, 4), form.notes))
    pupil = pupil_file.load_scenario(name).pupil
    performance = play.perform(pupil, tune_script(written, 2_400_000), seed)
    record = read_record(whole.wire_bytes(performance, chanter.setup_for(seed), sensing.sensors("usual")))
    return analyse(record, standard_table(), timing_of(record, "wire"))
