"""The ladder: the order of rungs, the order of fingers tried out in simulation, the music against its own ABC."""

from __future__ import annotations

import itertools
import re
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.holes import FINGERS, to_text
from fingering.ladder import LEVELS, find_rung, ladder, places
from fingering.moves import advice, hair, move, order
from fingering.notes import NOTES
from fingering.orders import rungs_in
from fingering.rungs import make_rung
from fingering.table import standard_table
from fingering.tunes import easy_tunes
from fingerlead.music.abc import parse_abc

STANDARD = standard_table().standard
LADDERS = {level: ladder(scatter_us) for level, scatter_us in LEVELS.items()}
PAIRS = list(itertools.permutations(range(9), 2))


def sounds(text):
    # The rule said again: the topmost open hole names the note.
    names = ("high A", "high G", "F", "E", "D", "C", "B", "low A")
    return names[text.index("o")] if "o" in text else "low G"


def strays_of(a, b, times):
    """What sounds besides the two notes where each finger moves at its time, on the written masks."""
    letters, end = list(to_text(STANDARD[a])), to_text(STANDARD[b])
    heard = set()
    for finger in sorted(times, key=times.__getitem__):
        letters[finger] = end[finger]
        heard.add(sounds("".join(letters)))
    return heard - {NOTES[a], NOTES[b]}


def stretches(tune):
    """The notes as played, cut at rests."""
    found = [[]]
    for bar in tune.bar_order():
        for note in tune.bars[bar].notes:
            if note.note is None:
                found.append([])
            else:
                found[-1].append(note.note)
    return [stretch for stretch in found if stretch]


def changes_of(abc):
    (tune,), warnings = parse_abc(abc)
    assert not warnings
    return [pair for stretch in stretches(tune) for pair in itertools.pairwise(stretch)]


def the_changes(rung):
    return {*rung.out, *rung.back}


# --- the order of rungs ---


@pytest.mark.parametrize("level", LEVELS)
def test_low_g_then_each_pair_once_by_group_and_growing_difficulty(level):
    rungs = LADDERS[level]
    assert rungs[0].notes == (0,)
    assert sorted(rung.notes for rung in rungs[1:]) == list(itertools.combinations(range(9), 2))
    groups = [rung.group for rung in rungs]
    assert [name for name, _ in itertools.groupby(groups)] == ["one note", "one hand", "both hands", "crossing"]
    for _, group in itertools.groupby(rungs, lambda rung: rung.group):
        hard = [rung.difficulty for rung in group]
        assert all(a <= b + 1e-9 for a, b in itertools.pairwise(hard))


def test_the_groups_are_what_the_chart_says():
    for rung in LADDERS["usual"][1:]:
        before, after = (to_text(STANDARD[note]) for note in rung.notes)
        moving = [i for i in range(8) if before[i] != after[i]]
        crossing = len({before[i] for i in moving}) == 2
        hands = len({i < 4 for i in moving})
        assert rung.group == ("crossing" if crossing else "one hand" if hands == 1 else "both hands")


def test_every_rung_has_both_directions():
    for rung in LADDERS["usual"][1:]:
        assert rung.out == (rung.notes,)
        assert rung.back == (rung.notes[::-1],)


def test_the_order_changes_with_the_scatter_and_low_rungs_stay():
    keys = {level: [rung.key for rung in rungs] for level, rungs in LADDERS.items()}
    assert keys["calm"] != keys["usual"] != keys["shaky"]
    assert keys["calm"][:18] == keys["usual"][:18] == keys["shaky"][:18]
    for key in keys["usual"]:
        assert places(key) == {level: keys[level].index(key) + 1 for level in LEVELS}


def test_trouble_spots_of_teachers_stand_high():
    # Common practice, no source: teachers' pages name D-E, C-E, low A-C and B-C, E-high G, low G-B.
    rungs = LADDERS["usual"]
    place = {rung.key: number for number, rung in enumerate(rungs)}
    single = [place[rung.key] for rung in rungs[1:] if len(move(*rung.notes).fingers) == 1]
    spots = ["d-e", "c-e", "low-a-c", "b-c", "e-high-g", "low-g-b"]
    assert all(place[key] > max(single) for key in spots)
    assert all(place[key] > statistics.median(place.values()) for key in spots[:4])


# --- the order of fingers ---


@given(st.sampled_from(PAIRS), st.data())
def test_the_order_obeyed_sounds_no_third_note(pair, data):
    groups = order(*pair)
    assert sorted(itertools.chain(*groups)) == list(move(*pair).fingers)
    gaps = st.floats(0, 1, exclude_max=True)
    times = {finger: stage + data.draw(gaps) for stage, group in enumerate(groups) for finger in group}
    assert strays_of(*pair, times) == set()


@given(st.sampled_from([pair for pair in PAIRS if move(*pair).before]), st.data())
def test_the_order_broken_sounds_one(pair, data):
    first, then = data.draw(st.sampled_from(move(*pair).before))
    order_ = data.draw(st.permutations(move(*pair).fingers))
    times = {finger: float(place) for place, finger in enumerate(order_)}
    if times[first] < times[then]:
        times[first], times[then] = times[then], times[first]
    assert strays_of(*pair, times)


@given(st.sampled_from(PAIRS), st.data())
def test_a_line_of_advice_obeyed_sounds_no_third_note(pair, data):
    # Read from the words alone: all that are named go within the same time, but for the one a hair ahead or behind.
    text = advice(*pair).lower()
    assert set(named(text)) == set(move(*pair).fingers)
    times = {finger: data.draw(st.floats(0, 1)) for finger in move(*pair).fingers}
    before, aside, where = text.partition(" (a hair ")
    if aside:
        times[named(before)[-1]] = {"ahead": -0.1, "behind": 1.1}[where.partition(")")[0]]
    assert strays_of(*pair, times) == set()


@pytest.mark.parametrize("pair", PAIRS)
def test_one_finger_alone_is_a_hair_ahead_or_behind(pair):
    found = {hair(*pair, *before) for before in move(*pair).before}
    assert len(found) == bool(found)
    assert ("a hair" in advice(*pair)) == bool(found)


def named(text):
    """The fingers in a text such as `the thumb, top middle, ring and bottom little`: each hand is named once."""
    words = re.findall("thumb|top|bottom|index|middle|ring|little", text)
    hands = itertools.accumulate(words, lambda hand, word: word if word in ("top", "bottom") else hand)
    fingers = [word if word == "thumb" else f"{hand} {word}" for hand, word in zip(hands, words, strict=True)]
    return [FINGERS.index(finger) for finger in fingers if finger in FINGERS]


def test_what_teachers_say_of_the_way_out_and_back():
    # Common practice, no source: up to B the ring finger leads, back it closes last; up, the top hand opens first.
    assert advice(0, 2) == "Together, lift the bottom ring (a hair ahead) and little."
    assert advice(2, 0) == "Together, put down the bottom ring (a hair behind) and little."
    assert "lift the top ring (a hair ahead)" in advice(4, 5)
    assert "put down the top ring (a hair behind)" in advice(5, 4)
    assert advice(1, 5) == "Only the top ring lifts; keep the others still."
    assert "no other note can sound" in advice(2, 3)


# --- the music ---


@pytest.mark.parametrize("level", LEVELS)
def test_the_music_trains_the_rung_both_ways_and_mixes_in_what_is_below(level):
    below = {}
    for rung in LADDERS[level]:
        found = changes_of(rung.abc)
        mixed = [below[key] for key in rung.mixes]
        assert set(found) <= the_changes(rung).union(*(the_changes(other) for other in mixed))
        for change in the_changes(rung):
            assert found.count(change) >= 10
        for other in mixed:
            if len(other.notes) > 1:
                assert set(found) & the_changes(other)
        assert bool(mixed) == (rung.key != "low-g")
        below[rung.key] = rung


PLAIN = [tune.abc for tune in easy_tunes() if not tune.movements]


@pytest.mark.parametrize("abc", [*(rung.abc for rung in (*LADDERS["usual"], *rungs_in("taught")[:11])), *PLAIN])
def test_music_is_easy(abc):
    (tune,), warnings = parse_abc(abc)
    assert not warnings
    assert tune.key == "HP"
    assert all(bar.length * tune.meter[1] == tune.meter[0] for bar in tune.bars)
    notes = [note for bar in tune.bars for note in bar.notes]
    assert not any(note.graces or note.tie or note.tuplet for note in notes)
    # A note twice in a row needs a grace note between.
    assert all(a != b for stretch in stretches(tune) for a, b in itertools.pairwise(stretch))


@given(st.lists(st.integers(0, 8), min_size=1, max_size=9), st.integers(0, 37))
def test_any_row_of_notes_makes_a_rung(row, count):
    notes = [note for place, note in enumerate(row) if place == 0 or row[place - 1] != note]
    below = LADDERS["usual"][:count]
    rung = make_rung(notes, below)
    mixed = [other for other in below if other.key in rung.mixes]
    assert set(changes_of(rung.abc)) <= the_changes(rung).union(*(the_changes(other) for other in mixed))
    assert the_changes(rung) <= set(changes_of(rung.abc))


# --- finding, words ---


def test_a_rung_is_found_by_key_name_and_number():
    rungs = LADDERS["usual"]
    for number, rung in enumerate(rungs, 1):
        for text in (rung.key, rung.name, rung.key.upper(), f" {number} "):
            assert find_rung(rungs, text) is rung
    for text in ("", "0", "38", "-1", "x" * 999, "²"):
        with pytest.raises(ValueError, match="expected the key of a rung"):
            find_rung(rungs, text)


def test_what_passes_a_rung_is_said_with_what_comes_back():
    for rung in LADDERS["usual"]:
        assert rung.passed.startswith("Ten ")
        assert rung.passed.endswith("Uncertain ones do not count. Another day it comes back once, with five in a row.")
