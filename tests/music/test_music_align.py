"""Alignment: each kind of departure, the cost against an edit distance by other hands, live as batch, speed."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.music.abc import parse_abc
from fingerlead.music.align import WINDOW, Aligner, Costs, align
from fingerlead.music.tune import ExpectationError, expect
from tests.music.music_playing import held

SCALE = list(range(9))
NOTES = st.lists(st.integers(0, 8), min_size=1, max_size=30)
# An edit distance alone: no jumps, no cheaper extra notes.
PLAIN = Costs(
    wrong=3, missed=2, extra=2, slow_stray=2, grace=2, repeated=2,
    back_to_bar=9_000, back=9_000, on_to_bar=9_000, again=9_000,
)  # fmt: skip


def departures(expected, notes, short=None):
    """All steps but the right ones, as (kind, expected index, held index)."""
    alignment = align(expected, held(notes, short))
    return [(item.kind, item.expected, item.held) for item in alignment.items if item.kind != "right"]


def test_each_kind_of_departure():
    assert departures(SCALE, SCALE) == []
    assert departures(SCALE, [0, 1, 8, 3, 4]) == [("wrong", 2, 2)]
    assert departures(SCALE, [0, 1, 3, 4]) == [("missed", 2, None)]
    assert departures(SCALE, [0, 1, 7, 2, 3]) == [("extra", None, 2)]
    assert departures(SCALE, [0, 1, 2, 2, 3]) == [("repeated", None, 3)]
    assert departures([0, 2, 0, 2], [0, 1, 2, 0, 2], {1: 90_000}) == [("slow stray", None, 1)]
    assert departures([0, 2, 0, 2], [0, 1, 2, 0, 2], {1: 400_000}) == [("extra", None, 1)]


def test_a_learner_who_goes_back_is_followed():
    assert departures(SCALE, [0, 1, 2, 3, 0, 1, 2, 3, 4]) == [("restart", 0, 4)]
    assert departures(SCALE, [0, 1, 2, 3, 4, 5, 3, 4, 5, 6]) == [("restart", 3, 6)]
    assert departures(SCALE, [0, 1, 8, 0, 1, 2, 3, 4]) == [("wrong", 2, 2), ("restart", 0, 3)]
    (tune,), _ = parse_abc("X:1\nM:4/4\nL:1/4\nK:HP\nABcd|efga|gfed|cBAG|]\n")
    twice_bar_two = [1, 2, 3, 4, 5, 6, 7, 8, 5, 6, 7, 8, 7]
    assert departures(tune, twice_bar_two) == [("restart", 4, 8)]


def test_playing_over_and_over_is_no_fault():
    assert departures(SCALE, SCALE * 3) == [("again", 0, 9), ("again", 0, 18)]
    # Where the end is also the beginning, the first note is sounding already.
    assert departures([0, 4, 2, 0], [0, 4, 2, 0, 4, 2, 0]) == [("again", 1, 4)]


def test_what_was_not_reached_is_not_missed():
    alignment = align(SCALE, held([0, 1, 2]))
    assert alignment.reached == 3
    assert len(alignment.items) == 3


def test_going_on_at_a_later_bar():
    (tune,), _ = parse_abc("X:1\nM:4/4\nL:1/4\nK:HP\nABcd|efga|BdBd|GBGB|]\n")
    assert departures(tune, [1, 2, 3, 4, 2, 4, 2, 4, 0, 2, 0, 2]) == [("left out", 8, 4)]
    assert departures(tune, [2, 4, 2, 4, 0, 2, 0, 2]) == [("left out", 8, 0)]


def test_grace_notes_played_slowly_are_no_extra_notes():
    (tune,), _ = parse_abc("X:1\nL:1/4\nK:HP\nA{GdG}e A{g}A|]\n")
    assert [want.note for want in expect(tune).notes] == [1, 5, 1, 1]
    slowly = {1: 90_000, 2: 90_000, 3: 90_000, 6: 90_000}
    kinds = [kind for kind, _, _ in departures(tune, [1, 0, 4, 0, 5, 1, 7, 1], slowly)]
    assert kinds == ["grace"] * 4


def test_equal_notes_with_nothing_between_are_one():
    (tune,), _ = parse_abc("X:1\nL:1/4\nK:HP\nAA B-|B z B {g}B|]\n")
    assert [want.note for want in expect(tune).notes] == [1, 2, 2, 2]
    assert [want.bar for want in expect(tune).notes] == [0 + 1, 1, 2, 2]


@pytest.mark.parametrize("nothing", [[], parse_abc("X:1\nT:Silence\nK:HP\nz4|\n")[0][0]])
def test_an_exercise_with_no_notes_is_refused(nothing):
    with pytest.raises(ExpectationError, match="expected an exercise with notes to play"):
        Aligner(nothing)


def test_notes_that_are_none_are_refused():
    with pytest.raises(ExpectationError, match="from 0 to 8"):
        expect([0, 9])
    with pytest.raises(ValueError, match="from 0 to 8"):
        Aligner([0]).feed(held([0])[0]._replace(note=9))


@given(NOTES, NOTES)
@settings(deadline=None)
def test_without_jumps_the_cost_is_an_edit_distance(wanted, played):
    # Outside judge: rapidfuzz's weighted Levenshtein distance.
    distance = pytest.importorskip("rapidfuzz.distance", reason="the package rapidfuzz is missing").Levenshtein.distance
    wanted = [note.note for note in expect(wanted).notes]
    # rapidfuzz weighs (insertion, deletion, substitution) from the first sequence to the second.
    weights = (PLAIN.extra, PLAIN.missed, PLAIN.wrong)
    # What was not reached is not missed: the playing ends wherever it is cheapest.
    least = distance([], played, weights=weights)
    for end in range(1, len(wanted) + 1):
        least = min(least, distance(wanted[:end], played, weights=weights))
        assert align(wanted[:end], held(played), PLAIN).cost == least


@given(NOTES, NOTES, st.lists(st.sampled_from([60_000, 150_000, 400_000]), min_size=30, max_size=30))
@settings(max_examples=200, deadline=None)
def test_the_walk_accounts_for_every_note_once_and_costs_what_it_says(wanted, played, lengths):
    wanted = [note.note for note in expect(wanted).notes]
    playing = held(played, dict(enumerate(lengths)))
    costs = Costs()
    alignment = align(wanted, playing, costs)
    steps = [item for item in alignment.items if item.kind not in ("restart", "again", "left out")]
    assert [item.held for item in steps if item.held is not None] == list(range(len(played)))
    price = {
        "right": 0, "wrong": costs.wrong, "missed": costs.missed, "extra": costs.extra, "slow stray": costs.slow_stray,
        "repeated": costs.repeated, "again": costs.again,
    }  # fmt: skip
    done, total = 0, 0
    for item in alignment.items:
        if item.kind in ("restart", "again", "left out"):
            assert item.kind != "again" or done == len(wanted)
            assert (item.expected < done) == (item.kind in ("restart", "again"))
            if item.kind == "restart":
                total += costs.back if item.expected else costs.back_to_bar
                total += costs.far if item.expected and done - item.expected > costs.near else 0
            else:
                total += price[item.kind]
            done = item.expected
            continue
        total += price[item.kind]
        if item.expected is not None:
            assert item.expected == done
            done += 1
        if item.kind in ("right", "wrong"):
            assert (wanted[item.expected] == played[item.held]) == (item.kind == "right")
    assert done == alignment.reached
    assert total == alignment.cost


@given(NOTES, NOTES, st.data())
@settings(deadline=None)
def test_live_is_batch(wanted, played, data):
    aligner = Aligner(wanted)
    for note in held(played):
        item = aligner.feed(note)
        assert item.held is not None
        if data.draw(st.booleans()):
            aligner.recent(data.draw(st.integers(1, 5)))
    assert aligner.alignment() == align(wanted, held(played))


def walk(seed, length):
    chance = random.Random(seed)
    notes = [chance.randrange(9)]
    while len(notes) < length:
        note = chance.randrange(9)
        if note != notes[-1]:
            notes.append(note)
    return notes


@pytest.mark.parametrize("length", [40, 700, WINDOW - 1, 20_000])
def test_an_hour_is_followed_also_through_a_window(length):
    chance = random.Random(length)
    wanted = walk(length, length)
    playing, faults = [], 0
    while len(playing) < 20_000:
        for note in wanted:
            if chance.random() < 0.02:
                faults += 1
                playing.append((note + chance.randrange(1, 9)) % 9)
            else:
                playing.append(note)
    playing = held(playing[:20_000])
    alignment = align(wanted, playing)
    right = sum(item.kind == "right" for item in alignment.items)
    assert right >= 20_000 - 1.2 * faults
    assert sum(item.kind == "restart" for item in alignment.items) < 0.1 * faults


def test_a_restart_far_back_is_followed_through_the_window():
    wanted = walk(5, 3 * WINDOW)
    back_to = WINDOW + 500
    playing = wanted[: WINDOW + 800] + wanted[back_to:]
    alignment = align(wanted, held(playing))
    assert [(item.kind, item.expected) for item in alignment.items if item.kind != "right"] == [("restart", back_to)]
