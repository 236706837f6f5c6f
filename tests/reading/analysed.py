"""What the program says of an invented player's performance, found again beside the truth of it."""

from __future__ import annotations

import numpy as np

from fingering.notes import ABC_LETTERS
from fingering.table import standard_table
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import Settings, Timing
from fingerlead.wire.events import Record

TABLE = standard_table()
SETTINGS = Settings()
TIMING = Timing("chanter", 5_000, 1_000, 3_000, "assumed")
# How far from the truth a change is looked for: what sensors shift, and fingers that are no part of it.
NEAR_US = 20_000


def spelled(letters):
    return tuple(map(ABC_LETTERS.index, letters))


def music_of(performance):
    """The written notes as the program takes them; two of one pitch with nothing between are one."""
    notes = []
    for one in performance.music:
        graces = spelled(one.movement.written) if one.movement else ()
        if not notes or graces or notes[-1].note != one.note:
            notes.append(WrittenNote(one.note, graces))
    return Music(tuple(notes))


def analysed(performance, music=None):
    """The analysis of a performance, freely or against music."""
    t_us = np.array([at_us for at_us, _ in performance.edges], dtype=np.int64)
    covered = np.array([mask for _, mask in performance.edges], dtype=np.uint8)
    record = Record(t_us, covered, performance.end_us, [])
    return analyse(record, TABLE, TIMING, SETTINGS, () if music is None else (music,))


def within(rows, start_us, end_us):
    """Those of the changes or movements that lie in a span, or touch it."""
    return [one for one in rows if one.end_us >= start_us - NEAR_US and one.start_us <= end_us + NEAR_US]


def beside(performance, analysis):
    """Each true change with the change that the analysis has there between the same notes, None where it has none."""
    first = 0
    for change in performance.changes:
        pair = performance.notes[change.before].note, performance.notes[change.after].note
        while first < len(analysis.changes) and analysis.changes[first].end_us < change.start_us - NEAR_US:
            first += 1
        near = within(analysis.changes[first : first + 20], change.start_us, change.end_us)
        yield change, next((one for one in near if (one.from_note, one.to_note) == pair), None)
