"""The orders of the ladder: what a key means, that each holds every change, and what an embellishment stands on."""

from __future__ import annotations

from itertools import pairwise, permutations

import pytest

from fingering.families import FAMILIES, family_rungs
from fingering.ladder import ladder
from fingering.movements import forms_between
from fingering.moves import move
from fingering.notes import ABC_LETTERS, NOTES
from fingering.orders import ORDERS, changes_of, comes_first, every_rung, number_of, rung_named, rungs_in
from fingering.steps import finger_steps, steps_words
from fingering.tunes import embellished
from fingerlead.music.abc import parse_abc
from fingerlead.music.tune import expect

PAIRS = set(permutations(range(9), 2))
PLAIN = {order: [rung for rung in rungs_in(order) if not rung.movements] for order in ORDERS}


def written(abc):
    """Each note with its grace notes and the note before it, by the reader of ABC."""
    (tune,), warnings = parse_abc(abc)
    assert not warnings
    notes = expect(tune).notes
    return [(before.note, after.graces, after.note) for before, after in pairwise(notes)]


@pytest.mark.parametrize("order", ORDERS)
def test_every_order_holds_every_change_and_all_embellishments(order):
    assert set().union(*map(changes_of, PLAIN[order])) == PAIRS
    assert [rung for rung in rungs_in(order) if rung.movements] == [rung for rung in rungs_in() if rung.movements]
    keys = [rung.key for rung in rungs_in(order)]
    assert len(keys) == len(set(keys))


def test_the_derived_order_is_that_of_the_ladder_at_each_scatter():
    for scatter_us in (6_000, 12_000, 25_000):
        assert rungs_in("derived", scatter_us)[:37] == ladder(scatter_us)


def test_the_taught_order_is_one_way_first_and_goes_by_hands():
    ways = [{move(*change).way for change in changes_of(rung)} for rung in PLAIN["taught"]]
    assert ways == [set(), *[{"one-way"}] * 5, *[{"crossing"}] * 5]
    used = [sorted({NOTES[note] for note in rung.notes}, key=NOTES.index) for rung in PLAIN["taught"]]
    # As it is asked for: low G, low A and B; C and D from low G; the top hand from low A, from low G; then crossings.
    assert used[1:4] == [["low G", "low A", "B"], ["low G", "C", "D"], ["low A", "E", "F", "high G", "high A"]]
    assert used[5] == ["low G", "E", "F", "high G", "high A"]
    assert all(len(rung.out) > 2 for rung in PLAIN["taught"][1:])


def test_the_music_of_a_step_has_each_change_often_enough_to_pass_it():
    below = set()
    for rung in PLAIN["taught"][1:]:
        found = [(a, b) for a, _, b in written(rung.abc)]
        assert all(found.count(change) >= 9 for change in changes_of(rung))
        assert set(found) <= changes_of(rung) | below
        below |= changes_of(rung)


def test_a_key_means_the_same_in_every_order():
    for order in ORDERS:
        for number, rung in enumerate(rungs_in(order), 1):
            assert every_rung()[rung.key] == rung_named(rung.key) == rung or rung.key == "low-g"
            assert rung_named(str(number), rungs_in(order)) == rung
    assert rung_named("low-g-c-d").name == "low G, C and D"
    for text in ("", "999", "low-a-b-c"):
        with pytest.raises(ValueError, match="expected the key of a rung"):
            rung_named(text)


# --- embellishments


@pytest.mark.parametrize("rung", [rung for rung in rungs_in() if rung.movements], ids=lambda rung: rung.key)
def test_every_embellishment_in_a_rung_is_played_as_it_is_named_from_the_note_before(rung):
    names = set()
    for before, graces, note in written(rung.abc):
        if not graces:
            continue
        form = forms_between(before, note).get(graces)
        assert form is None or not form.left_out
        names.add(form.movement.name if form else None)
        # Every grace note sounds: none is the note before or after it.
        assert all(a != b for a, b in pairwise((*graces, note) if graces[-1] != note else graces))
    steps = {"high G grace note", "D grace note", "strike", "half strike", "grip", None}
    assert set(rung.movements) <= names
    assert names <= {*rung.movements, *(steps if rung.key.endswith("-slow") else ())}


@pytest.mark.parametrize("rung", family_rungs(), ids=lambda rung: rung.key)
def test_what_an_embellishment_stands_on_comes_first_and_is_enough(rung):
    for order in ORDERS:
        passed: list[str] = []

        def climb(one, order=order, passed=passed):
            for first in comes_first(one, rungs_in(order), set(passed)):
                if first.key not in passed:
                    climb(first)
            assert comes_first(one, rungs_in(order), set(passed)) == ()
            passed.append(one.key)

        climb(rung)
        clean = set().union(*(changes_of(every_rung()[key]) for key in passed if not every_rung()[key].movements))
        assert {(a, b) for a, _, b in written(rung.abc) if a != b} <= clean
        assert set(rung.needs) <= set(passed)
    assert comes_first(rung_named("d-e"), rungs_in(), set()) == ()


def test_a_slow_rung_is_plain_then_grows_note_by_note_to_the_whole():
    for family in FAMILIES:
        rows = [graces for _, graces, _ in written(rung_named(f"{family.key}-slow").abc) if graces]
        whole = rows[-1]
        grown = list(dict.fromkeys(rows))
        assert grown[-1] == whole
        assert all(row == whole[: len(row)] for row in grown)
        assert rows.count(whole) >= 10


@pytest.mark.parametrize(
    ("from_note", "graces", "note", "holes"),
    [
        # Facts of the trade: light lifts on the note after (common practice), the thumb first.
        ("A", "gAd", "A", ["xoxxxxxo", "xxxxxxxo", "xxxxoxxo", "xxxxxxxo"]),
        ("A", "gBd", "B", ["xoxxxxoo", "xxxxxxoo", "xxxxoxoo", "xxxxxxoo"]),
        ("B", "GdGe", "A", ["xxxxxxxx", "xxxxoxxx", "xxxxxxxx", "xxxoxxxo", "xxxxxxxo"]),
        ("c", "Gdc", "d", ["xxxxxxxx", "xxxxooox", "xxxxxoox", "xxxxooox"]),
    ],
)
def test_the_fingers_of_a_movement(from_note, graces, note, holes):
    before, after = ABC_LETTERS.index(from_note), ABC_LETTERS.index(note)
    row = tuple(map(ABC_LETTERS.index, graces))
    steps = finger_steps(before, row, after)
    masks = [sum(1 << hole for hole, letter in enumerate(text) if letter == "x") for text in holes]
    assert [step.covered_mask for step in steps] == masks
    assert [step.note for step in steps] == [*row, after]
    assert steps_words(before, row, after).count(";") == len(steps) - 1


def test_embellished_music_names_each_once():
    found = embellished(rung_named("doublings").abc, ("doubling",))
    assert {one.to_note for one in found} == {0, 1, 2, 3, 4, 5, 6}
    assert len({(one.graces, one.to_note) for one in found}) == len(found) == 7


def test_a_rung_has_one_number_whichever_way_the_ladder_is_climbed():
    for order in ORDERS:
        for rung in rungs_in(order):
            number = number_of(rung.key)
            assert number is None or rungs_in()[number - 1].key == rung.key
    assert [number_of(rung.key) for rung in rungs_in()] == list(range(1, len(rungs_in()) + 1))
    assert number_of("low-g-b") is None
