"""How a change is done well, to see and hear: it sounds nothing but its notes, and is what the judge calls clean."""

from __future__ import annotations

import pytest

from fingering.moves import hair_finger, move
from fingering.notes import SOUNDING
from fingering.table import standard_table
from fingerlead.practice.passing import outcome_of
from fingerlead.practice.takes import HAIR_US, model
from tests.faces.playing import PAIRS, analysed

TABLE = standard_table()


def settled(edges, end_us):
    (change,) = analysed(list(edges), end_us=end_us).changes
    return change


@pytest.mark.parametrize(("from_note", "to_note"), PAIRS)
def test_every_change_is_shown_clean_with_its_one_finger_a_hair_aside(from_note, to_note):
    shown = model((from_note, to_note), TABLE)
    assert shown.edges[0][1] == TABLE.standard[from_note]
    assert shown.edges[-1][1] == TABLE.standard[to_note]
    assert {SOUNDING[mask] for _, mask in shown.edges} == {from_note, to_note}
    change = settled(shown.edges, shown.end_us)
    assert outcome_of(change, TABLE) == "clean"
    assert change.spread_us <= HAIR_US
    one = hair_finger(from_note, to_note)
    times = {finger.finger: finger.after_start_us for finger in change.fingers}
    if one is None:
        assert set(times.values()) == {0}
    else:
        others = {at for finger, at in times.items() if finger != one}
        assert others == ({HAIR_US} if to_note > from_note else {0})
        assert times[one] == (0 if to_note > from_note else HAIR_US)
    assert set(times) == set(move(from_note, to_note).fingers)


def test_a_note_alone_comes_from_hands_off_and_a_grace_note_sounds_between():
    alone = model((0,), TABLE)
    assert [mask for _, mask in alone.edges] == [0, 0xFF]
    assert alone.end_us > alone.edges[-1][0]
    graced = model((1, 7, 1), TABLE)
    assert [SOUNDING[mask] for _, mask in graced.edges] == [1, 7, 1]
    assert graced.edges[-1][1] == TABLE.standard[1]
