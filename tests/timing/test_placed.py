"""Where the player stands, live: each note is placed as soon as it is steady, as batch reads the playing so far."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.table import standard_table
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.timing.analysis import analyse
from fingerlead.timing.live import PLACED, TOLD_US, LiveAnalysis, Placed
from fingerlead.timing.results import Settings
from fingerlead.timing.timeline import timing_for
from fingerlead.wire.events import Record

TABLE = standard_table()
SETTINGS = Settings()
STEADY_US = SETTINGS.steady_us
NOTES = st.integers(0, 8)
SONG = (0, 2, 4, 6, 4, 2)


class Standing:
    """One who plays notes at once one after the other; `placed` is what live told, each with its time."""

    def __init__(self, notes=()):
        self.now_us, self.placed = 0, []
        self.states = []
        self.live = LiveAnalysis(TABLE, SETTINGS, self._tell)
        self.live.scan(1_000)
        self.live.begin_music([WrittenNote(note) for note in notes])

    def _tell(self, what):
        if isinstance(what, Placed):
            self.placed.append((self.now_us, what))

    def play(self, notes, for_us=300_000, every_us=20_000, idle=lambda: True):
        for note in notes:
            self.states.append((self.now_us, TABLE.standard[note]))
            end_us = self.now_us + for_us
            while self.now_us < end_us:
                self.live.state(self.now_us, TABLE.standard[note])
                if idle():
                    self.live.idle()
                self.now_us += every_us
            self.now_us = end_us
        return self

    def done(self):
        return [what.done for _, what in self.placed]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(NOTES, min_size=2, max_size=8),
    st.lists(st.tuples(NOTES, st.sampled_from([60_000, 120_000, 300_000, 900_000])), min_size=1, max_size=14),
    st.booleans(),
)
def test_a_note_is_placed_once_and_as_batch_reads_the_playing_so_far(written, played, works_ahead):
    standing = Standing(written)
    for note, us in played:
        standing.play([note], us, idle=lambda: works_ahead)
    begins = [
        at_us
        for place, (at_us, mask) in enumerate(standing.states)
        if not place or standing.states[place - 1][1] != mask
    ]
    # As soon as it has stood for so long.
    assert [at_us for at_us, _ in standing.placed] == [begin_us + STEADY_US for begin_us in begins]
    for begin_us, (_, placed) in zip(begins, standing.placed, strict=True):
        so_far = [state for state in standing.states if state[0] <= begin_us]
        t_us, masks = (np.array(column) for column in zip(*so_far, strict=True))
        record = Record(t_us.astype(np.int64), masks.astype(np.uint8), begin_us + TOLD_US)
        music = Music(tuple(map(WrittenNote, written)))
        batch = analyse(record, TABLE, timing_for("chanter", 1_000), SETTINGS, (music,))
        rows = batch.arrays.place.tolist()[-PLACED:]
        assert placed.done == (rows[-1][1] if rows else 0)
        assert [(one.note, one.start_us, one.done, one.is_written) for one in placed.notes] == [
            (held.note, held.start_us, done, is_written)
            for held, (_, done, is_written) in zip(batch.held[-PLACED:], rows, strict=True)
        ]


def test_without_music_nothing_is_placed():
    assert Standing().play(SONG).placed == []


def test_what_is_asked_for_anew_begins_anew_with_the_note_that_sounds_or_after_it():
    standing = Standing(SONG).play([0, 2, 4])
    standing.live.begin_music([WrittenNote(note) for note in SONG], at_us=standing.now_us)
    # D sounds; it is not the first note. Whatever is played next is the first, if it is.
    assert standing.play([0, 2]).done() == [1, 2, 3, 1, 2]
    standing = Standing(SONG).play([0, 2, 4, 2, 0])
    standing.live.begin_music([WrittenNote(note) for note in SONG], at_us=standing.now_us)
    # Low G sounds as it begins, and is the first note.
    assert standing.play([2, 4]).done()[-2:] == [2, 3]


def test_the_same_notes_at_another_tempo_go_on_where_they_were():
    standing = Standing(SONG).play([0, 2, 4])
    faster = SessionMusic(beat_us=500_000)
    standing.live.begin_music([WrittenNote(note) for note in SONG], faster, at_us=standing.now_us)
    assert standing.play([6, 4]).done() == [1, 2, 3, 4, 5]


def test_a_note_that_sounded_as_the_music_began_is_its_first():
    standing = Standing()
    standing.play([0], STEADY_US + 20_000)
    standing.live.begin_music([WrittenNote(note) for note in SONG], at_us=standing.now_us)
    standing.states.pop()
    standing.play([0], 200_000)
    assert standing.done() == []  # it was steady before there was music
    assert standing.play([2, 4]).done() == [2, 3]
