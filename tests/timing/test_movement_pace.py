"""The playing around a movement says what is too short in it, where it has too few notes to say so itself."""

from __future__ import annotations

from random import Random

import pytest

from tests.timing.test_movement_faults import (
    DOUBLING,
    STANDARD,
    TAORLUATH,
    Playing,
    heard_in_pieces,
    lifted,
    spelled,
    told,
)

LOW_A, B, D, E = 1, 2, 4, 5
SLOW_MS = 2.4


def after_some(factor, before, sounds, after, graces, others=4):
    """What is told of a movement after others that are well played, so many times as slow as skilled playing."""
    playing = Playing()
    for _ in range(others):
        playing.movement(E, [(mask, factor * ms) for mask, ms in TAORLUATH], LOW_A, spelled("GdGe"))
    playing.movement(spelled(before)[0], sounds, spelled(after)[0], spelled(graces))
    return playing.analysis().movements[-1]


def grace_note(letter, length_ms):
    return [(lifted("A", {"g": "L1", "e": "L3", "d": "R1"}[letter]), length_ms)]


@pytest.mark.parametrize("letter", ["g", "e", "d"])
def test_a_grace_note_is_quicker_than_skilled_playing_only_where_the_playing_around_it_is(letter):
    def judged(factor, length_ms):
        return told(after_some(factor, "A", grace_note(letter, length_ms), "A", letter))

    finger = {"g": "L1", "e": "L3", "d": "R1"}[letter]
    assert judged(SLOW_MS, 21) == judged(4.5, 21) == [("crushed", 0, finger)]
    assert judged(0.8, 21) == []
    # What is as quick as skilled playing is right in a learner's too.
    assert judged(SLOW_MS, 30) == judged(1, 30) == []


def test_what_is_out_of_place_whatever_the_pace_says_nothing_of_it():
    """Many grace notes that no master plays as short, among taorluaths: one that is a little longer is crushed too."""
    playing = Playing()
    for _ in range(2):
        playing.movement(E, [(mask, ms) for mask, ms in TAORLUATH], LOW_A, spelled("GdGe"))
    for length_ms in (13,) * 6 + (20,):
        playing.movement(LOW_A, grace_note("g", length_ms), LOW_A, spelled("g"))
    assert told(playing.analysis().movements[-1]) == [("crushed", 0, "L1")]


@pytest.mark.parametrize(("factor", "verdict"), [(1, "as written"), (SLOW_MS, "faulty")])
def test_two_notes_of_a_movement_are_right_where_they_are_at_the_pace_around_it(factor, verdict):
    sounds = [(STANDARD[6], 32), (lifted("f", "L2"), 46)]
    assert after_some(factor, "c", sounds, "f", "fe").verdict == verdict


# A throw on D from B, its first low G as long as one likes; D and C say two tempos.
def throw(d_ms, c_ms):
    return [(255, 120), (STANDARD[D], d_ms), (STANDARD[3], c_ms)]


@pytest.mark.parametrize(("factor", "faults"), [(1, [("dragged", 2)]), (3, [("crushed", 1)])])
def test_of_two_notes_that_contradict_each_other_the_one_is_right_that_is_played_as_those_around(factor, faults):
    found = after_some(factor, "B", throw(42, 190), "d", "Gdc")
    assert [(fault.kind, fault.note) for fault in found.faults] == faults


def test_where_nothing_says_which_of_two_notes_is_right_none_is_blamed():
    alone = after_some(1, "B", throw(42, 190), "d", "Gdc", others=0)
    assert (alone.verdict, alone.faults) == ("unclear", ())


def test_a_movement_that_is_slower_as_a_whole_than_those_around_it_is_as_written():
    for before in (0.8, 1, SLOW_MS):
        for factor in (0.8, 1, SLOW_MS, 4):
            slower = [(mask, factor * ms) for mask, ms in DOUBLING]
            assert after_some(before, "A", slower, "B", "gBd").verdict == "as written"


@pytest.mark.parametrize("seed", range(3))
def test_live_knows_the_same_playing_around_however_it_is_cut(seed):
    playing, chance = Playing(), Random(seed)
    for _ in range(20):
        factor = chance.choice([0.9, 2.4])
        if chance.random() < 0.5:
            letter = chance.choice("ged")
            playing.movement(LOW_A, grace_note(letter, chance.choice([12, 17, 21, 30])), LOW_A, spelled(letter))
        else:
            playing.movement(B, throw(factor * 40, chance.choice([1, 4]) * factor * 45), D, spelled("Gdc"))
    live = heard_in_pieces(playing, chance, lambda _: None)
    batch = playing.analysis().movements
    assert {fault.kind for movement in batch for fault in movement.faults} >= {"crushed", "dragged"}
    assert live.analysis().movements == batch
