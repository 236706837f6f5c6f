"""The table of movements, and the naming of what was played."""

from __future__ import annotations

import itertools
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.movements import movements, name_movement
from fingering.moves import move, possible_strays
from fingering.notes import ABC_LETTERS, NOTES, SOUNDING
from fingering.table import standard_table

ALL = movements()
NOTE = st.integers(0, 8)


def spelled(letters):
    return tuple(map(ABC_LETTERS.index, letters))


def named(letters, before, after):
    found = name_movement(spelled(letters), *spelled(before + after))
    return None if found is None else (found.name, found.opening)


def test_every_form_is_one_a_chanter_can_sound():
    for movement in ALL:
        assert movement.source
        assert movement.opening in ("high G", "high A", "none")
        notes = movement.notes + (() if movement.on is None else (movement.on,))
        assert all(a != b for a, b in itertools.pairwise(notes))
        assert movement.opening == "none" or NOTES[movement.notes[0]] == movement.opening


def test_forms_that_sound_alike_are_known_and_settled_by_order():
    alike = [
        ("".join(ABC_LETTERS[note] for note in a.notes), a.name, b.name)
        for a, b in itertools.combinations(ALL, 2)
        if a.notes == b.notes
        and (a.on == b.on or None in (a.on, b.on))
        and (a.after == b.after or None in (a.after, b.after))
    ]
    assert sorted(alike) == [
        ("GAG", "birl", "double strike"),
        ("GBG", "grip", "double strike"),
        ("GdG", "grip", "double strike"),
        ("agf", "thumb strike", "thumb doubling"),
        ("dc", "throw", "half strike"),
        ("gf", "doubling", "half strike"),
    ]


@pytest.mark.parametrize("from_note", range(9))
def test_every_form_is_named_as_itself_unless_another_sounds_alike(from_note):
    for movement in ALL:
        if movement.after not in (None, from_note):
            continue
        for to_note in range(9) if movement.on is None else [movement.on]:
            if movement.notes[0] == from_note or movement.notes[-1] == to_note:
                continue  # not heard like that: the note goes on
            found = name_movement(movement.notes, from_note, to_note)
            if found is None:
                # The direct change can sound it by itself.
                assert set(movement.notes) <= possible_strays(from_note, to_note)
                continue
            assert found.notes == movement.notes
            assert ALL.index(found) <= ALL.index(movement)


# Sounding notes of the movements as three public tables of pipe embellishments agree on them, one of them LilyPond's
# bagpipe.ly; ABC 2.1's own example of a taorluath is {GdGe}.
@pytest.mark.parametrize(
    ("letters", "before", "after", "name", "opening"),
    [
        ("gAd", "B", "A", "doubling", "high G"),
        ("gBd", "A", "B", "doubling", "high G"),
        ("gcd", "A", "c", "doubling", "high G"),
        ("gde", "A", "d", "doubling", "high G"),
        ("gef", "A", "e", "doubling", "high G"),
        ("gfg", "A", "f", "doubling", "high G"),
        ("gf", "A", "g", "doubling", "none"),
        ("ag", "e", "a", "doubling", "high A"),
        ("Bd", "g", "B", "half doubling", "none"),
        ("aBd", "g", "B", "thumb doubling", "high A"),
        ("G", "B", "B", "strike", "none"),
        ("gBG", "A", "B", "high G strike", "high G"),
        ("gBeBG", "A", "B", "shake", "high G"),
        ("GdG", "A", "e", "grip", "none"),
        ("GBG", "d", "e", "grip", "none"),
        ("GdGe", "e", "A", "taorluath", "none"),
        ("GdGe", "A", "A", "taorluath", "none"),
        ("GBGe", "d", "A", "taorluath", "none"),
        ("Gdc", "A", "d", "throw", "none"),
        ("GdGc", "A", "d", "heavy throw", "none"),
        ("GdGeAfA", "A", "e", "crunluath", "none"),
        ("GAG", "A", "A", "birl", "none"),
        ("gAGAG", "e", "A", "high G birl", "high G"),
        ("GdGcG", "A", "B", "darodo", "none"),
        ("ged", "A", "B", "cadence", "high G"),
    ],
)
def test_the_movements_of_the_trade(letters, before, after, name, opening):
    assert named(letters, before, after) == (name, opening)


@pytest.mark.parametrize(
    ("letters", "after", "name"),
    [("dG", "e", "grip"), ("dGe", "A", "taorluath"), ("dc", "d", "throw"), ("dGc", "d", "heavy throw"),
     ("dGeAfA", "e", "crunluath"), ("dGcG", "B", "darodo"), ("AGAG", "A", "birl")],
)  # fmt: skip
def test_from_low_g_only_the_second_half_is_heard(letters, after, name):
    assert named(letters, "G", after)[0] == name


def test_single_graces_lead_to_lower_notes():
    for letter, on in [("g", "GABcdef"), ("a", "GABcdefg"), ("d", "GABc"), ("e", "GABcd"), ("f", "GABcde")]:
        grace = ABC_LETTERS.index(letter)
        assert {m.on for m in ALL if m.family == "grace note" and m.notes == (grace,)} == set(spelled(on))
    assert named("g", "A", "e") == ("high G grace note", "high G")
    assert named("d", "B", "A") == ("D grace note", "none")


def test_the_melody_note_inside_may_be_too_short_to_be_heard():
    assert named("gd", "A", "B") == ("doubling", "high G")
    assert named("gBdB", "A", "B") == ("doubling", "high G")


def test_crossing_noise_is_no_strike():
    # Low A to C with the little finger early sounds low G: a stray, though a strike on C sounds the same.
    assert named("G", "A", "c") is None
    assert named("G", "c", "c") == ("strike", "none")
    for from_note, to_note in itertools.permutations(range(9), 2):
        for stray in move(from_note, to_note).possible_strays:
            assert name_movement((stray,), from_note, to_note) is None


@given(NOTE, NOTE, st.data())
def test_no_order_of_a_direct_change_is_taken_for_a_movement(from_note, to_note, data):
    standard = standard_table().standard
    mask, heard = standard[from_note], [from_note]
    differ = mask ^ standard[to_note]
    for finger in data.draw(st.permutations([f for f in range(8) if differ >> f & 1])):
        mask ^= 1 << finger
        if SOUNDING[mask] != heard[-1]:
            heard.append(SOUNDING[mask])
    between = heard[1:-1]
    if len(set(between)) == len(between) and from_note not in between and to_note not in between:
        assert name_movement(tuple(between), from_note, to_note) is None


@given(st.lists(NOTE, max_size=15).map(tuple), NOTE, NOTE)
def test_any_notes_get_a_fitting_movement_or_none(sounded, from_note, to_note):
    found = name_movement(sounded, from_note, to_note)
    if found is not None:
        assert found.on in (None, to_note)
        assert found.after in (None, from_note)
        held = {from_note, to_note}
        assert [n for n in sounded if n not in held] == [n for n in found.notes if n not in held]


def test_every_family_of_the_trade_is_there():
    families = Counter(movement.family for movement in ALL)
    trade = [
        "grace note",
        "strike",
        "doubling",
        "shake",
        "grip",
        "throw",
        "taorluath",
        "crunluath",
        "birl",
        "darodo",
        "cadence",
    ]
    assert set(families) == set(trade)
