"""What may sound between two melody notes: strays are told from embellishments, whatever the lengths."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.movements import forms_between, movements
from fingering.moves import move, possible_strays
from fingering.notes import ABC_LETTERS, SOUNDING
from fingering.table import standard_table
from fingerlead.reading.between import DIRECT, are_silent, explanations
from fingerlead.reading.costs import FREE, WRITTEN

NOTE = st.integers(0, 8)
COSTS = st.sampled_from([FREE, WRITTEN])
SOUNDS = st.lists(NOTE, min_size=1, max_size=9).map(lambda notes: tuple(note for note, _ in itertools.groupby(notes)))


def spelled(letters):
    return tuple(map(ABC_LETTERS.index, letters))


def explained(letters, before, after, returned=True):
    """The kinds of explanation that there are, the cheapest first, movements by name."""
    found = explanations(*spelled(before + after), spelled(letters), returned, FREE)
    return [one.movement.name if one.movement else one.kind for one in found]


def test_crossing_noise_is_no_strike():
    # Low A to C with the little finger early sounds low G: a stray, though a strike on C sounds the same.
    assert explained("G", "A", "c", returned=False) == ["strays"]
    # A finger that came back has struck.
    assert explained("G", "A", "c") == ["strike", "strays"]
    assert explained("G", "c", "c") == ["strike"]


def test_where_no_finger_came_back_a_stray_is_no_movement():
    for from_note, to_note in itertools.permutations(range(9), 2):
        for stray in move(from_note, to_note).possible_strays:
            for costs in (FREE, WRITTEN):
                assert [one.kind for one in explanations(from_note, to_note, (stray,), False, costs)] == ["strays"]


@given(NOTE, NOTE, COSTS, st.data())
def test_no_order_of_a_direct_change_is_taken_for_a_movement(from_note, to_note, costs, data):
    standard = standard_table().standard
    mask, heard = standard[from_note], [from_note]
    differ = mask ^ standard[to_note]
    for finger in data.draw(st.permutations([f for f in range(8) if differ >> f & 1])):
        mask ^= 1 << finger
        if SOUNDING[mask] != heard[-1]:
            heard.append(SOUNDING[mask])
    between = tuple(heard[1:-1])
    kinds = [one.kind for one in explanations(from_note, to_note, between, False, costs)]
    # One of the notes itself may sound again in between; alone it is no stray, and no movement either.
    third = set(between) - {from_note, to_note}
    assert kinds == (["strays"] if third else [] if between else ["direct"])


@pytest.mark.parametrize("from_note", range(9))
def test_every_form_that_is_heard_explains_itself_best(from_note):
    for to_note in range(9):
        for heard, form in forms_between(from_note, to_note).items():
            if heard[0] == from_note or heard[-1] == to_note or any(a == b for a, b in itertools.pairwise(heard)):
                continue  # not heard like that: the note goes on
            first, *_ = explanations(from_note, to_note, heard, True, FREE)
            if form.left_out:
                assert first.kind in ("movement", "strays")
                continue
            assert (first.kind, first.movement, first.missing) == ("movement", form.movement, 0)
            assert first.notes == tuple(range(len(heard)))


@given(SOUNDS, NOTE, NOTE, st.booleans(), COSTS)
def test_any_notes_get_fitting_explanations_or_none(sounds, from_note, to_note, returned, costs):
    strays = possible_strays(from_note, to_note)
    found = explanations(from_note, to_note, sounds, returned, costs)
    assert [one.cost for one in found] == sorted(one.cost for one in found)
    for one in found:
        assert one.cost > 0
        if one.kind == "strays":
            assert set(sounds) <= strays | {from_note, to_note}
            assert set(sounds) & strays
            continue
        assert one.kind == "movement"
        assert returned
        assert one.movement in movements()
        assert one.movement.on in (None, to_note)
        assert one.movement.after in (None, from_note)
        assert list(one.notes) == sorted(set(one.notes))
        heard = tuple(sounds[place] for place in one.notes)
        held = {from_note, to_note}
        assert [n for n in heard if n not in held] == [n for n in one.movement.notes if n not in held]


def test_nothing_sounds_in_a_direct_change():
    for from_note, to_note in itertools.product(range(9), repeat=2):
        assert explanations(from_note, to_note, (), False, FREE) == (DIRECT,)


def test_a_grace_note_that_sounds_already_or_merges_is_no_sound_of_its_own():
    assert are_silent(*spelled("eA"), spelled("e"))
    assert are_silent(*spelled("ed"), spelled("d"))
    assert are_silent(*spelled("ed"), spelled("ed"))
    assert are_silent(*spelled("ee"), spelled("e"))
    assert not are_silent(*spelled("eA"), spelled("g"))
    assert not are_silent(*spelled("eA"), spelled("de"))
    assert not are_silent(*spelled("GA"), spelled("GdGe"))


def test_a_stray_between_the_notes_of_a_movement_stands_apart_from_them():
    # A doubling on B from low A; a finger comes down late after the high G, and an E sounds before the B.
    first, *_ = explanations(*spelled("AB"), spelled("geBd"), True, FREE)
    assert (first.movement.name, first.notes, first.missing) == ("doubling", (0, 2, 3), 0)
    # A melody note of the movement that does not sound is counted.
    first, *_ = explanations(*spelled("AB"), spelled("gd"), True, FREE)
    assert (first.movement.name, first.notes, first.missing) == ("doubling", (0, 1), 1)
