"""The 72 changes: against plain permutations, and against what teachers report."""

from __future__ import annotations

import itertools
import math
import random
import statistics
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.holes import ALL_COVERED, FINGERS, to_text
from fingering.moves import SCATTER_US, _expected_time, _expected_times, difficulty, move, moves, possible_strays
from fingering.notes import NOTES, SOUNDING
from fingering.table import Table, standard_table

STANDARD = standard_table().standard
MOVES = moves()


def between(a, b):
    return move(NOTES.index(a), NOTES.index(b))


def named(finger):
    return None if finger is None else FINGERS[finger]


def sounds(text):
    # The rule said again: the topmost open hole names the note.
    names = ("high A", "high G", "F", "E", "D", "C", "B", "low A")
    return names[text.index("o")] if "o" in text else "low G"


def orders_by_brute_force(a, b):
    """All orders as lists of fingers, each with the third notes it sounds, on the written masks."""
    start, end = to_text(STANDARD[a]), to_text(STANDARD[b])
    fingers = [f for f in range(8) if start[f] != end[f]]
    for order in itertools.permutations(fingers):
        letters, strays = list(start), set()
        for finger in order[:-1]:
            letters[finger] = end[finger]
            strays.add(sounds("".join(letters)))
        yield order, strays - {NOTES[a], NOTES[b]}


def test_plain_permutations_agree_on_all_72_changes():
    assert [(m.from_note, m.to_note) for m in MOVES] == list(itertools.permutations(range(9), 2))
    for m in MOVES:
        orders = list(orders_by_brute_force(m.from_note, m.to_note))
        free = [order for order, strays in orders if not strays]
        assert (m.orders, m.stray_free_orders) == (len(orders), len(free))
        assert {NOTES[n] for n in m.possible_strays} == set().union(*(strays for _, strays in orders))
        fingers = orders[0][0]
        pairs = [p for p in itertools.permutations(fingers, 2) if all(o.index(p[0]) < o.index(p[1]) for o in free)]
        assert sorted(m.before) == sorted(pairs)
        firsts, lasts = {order[0] for order in free}, {order[-1] for order in free}
        several = len(fingers) > 1
        assert m.must_lead == (firsts.pop() if several and len(firsts) == 1 else None)
        assert m.must_follow == (lasts.pop() if several and len(lasts) == 1 else None)
        assert m.fingers == fingers


def test_the_way_back_is_the_way_out_reversed():
    for m in MOVES:
        back = move(m.to_note, m.from_note)
        assert sorted(back.before) == sorted((b, a) for a, b in m.before)
        assert (back.must_lead, back.must_follow) == (m.must_follow, m.must_lead)
        assert (back.stray_free_orders, back.possible_strays) == (m.stray_free_orders, m.possible_strays)
        assert (back.lifts, back.lowers) == (m.lowers, m.lifts)
        assert back.difficulty == pytest.approx(m.difficulty)


# What teachers report: common practice, no source. Each out and back.
def test_an_early_little_finger_sounds_low_a_between_low_g_and_e():
    out, back = between("low G", "E"), between("E", "low G")
    assert [NOTES[n] for n in out.possible_strays] == ["low A"]
    assert SOUNDING[STANDARD[0] & ~(1 << FINGERS.index("bottom little"))] == NOTES.index("low A")
    assert (named(out.must_lead), named(out.must_follow)) == ("top ring", "bottom little")
    assert (named(back.must_lead), named(back.must_follow)) == ("bottom little", "top ring")


def test_from_c_to_low_g_an_early_middle_finger_sounds_b():
    m, back = between("C", "low G"), between("low G", "C")
    assert SOUNDING[STANDARD[3] | 1 << FINGERS.index("bottom middle")] == NOTES.index("B")
    assert (named(m.must_lead), named(m.must_follow)) == ("bottom ring", "bottom middle")
    assert (named(back.must_lead), named(back.must_follow)) == ("bottom middle", "bottom ring")


def test_up_to_b_the_ring_finger_goes_first_and_on_the_way_back_the_little_finger():
    assert named(between("low G", "B").must_lead) == "bottom ring"
    assert named(between("B", "low G").must_lead) == "bottom little"


@pytest.mark.parametrize(("note", "finger"), [("F", "top middle"), ("high G", "top index"), ("high A", "thumb")])
def test_the_finger_of_the_high_notes_own_hole_goes_first_from_low_a_and_last_on_the_way_back(note, finger):
    assert named(between("low A", note).must_lead) == finger
    assert named(between(note, "low A").must_follow) == finger


@pytest.mark.parametrize("note", NOTES[:-1])
def test_a_late_thumb_to_high_a_sounds_a_note_below_it(note):
    m = between(note, "high A")
    thumb = FINGERS.index("thumb")
    late = STANDARD[m.from_note] ^ sum(1 << f for f in m.fingers if f != thumb)
    assert SOUNDING[late] < NOTES.index("high A")
    if note != "high G":  # from high G the note below is high G itself
        assert SOUNDING[late] in m.possible_strays


def test_all_lifts_at_one_instant_then_all_lowerings_never_sound_a_third_note():
    for m in MOVES:
        between_them = STANDARD[m.from_note] & ~sum(1 << f for f in m.lifts)
        assert SOUNDING[between_them] in (m.from_note, m.to_note)


def test_lowering_first_sounds_low_g_or_low_a():
    # The known places of low G and low A crossing noises (common practice), worked out from the chart by hand.
    third = {}
    for m in MOVES:
        sound = SOUNDING[STANDARD[m.from_note] | sum(1 << f for f in m.lowers)]
        if m.way == "crossing" and sound not in (m.from_note, m.to_note):
            third[NOTES[m.from_note], NOTES[m.to_note]] = NOTES[sound]
    high = ("E", "F", "high G", "high A")
    wanted = {("low A", "C"): "low G", ("low A", "D"): "low G", ("E", "high A"): "low A"}
    wanted |= {(low, up): "low G" for low in ("C", "D") for up in high} | {("B", up): "low A" for up in high}
    wanted |= {(b, a): stray for (a, b), stray in wanted.items()}
    assert third == wanted


def test_sixteen_of_the_72_changes_can_sound_no_stray_in_any_order():
    assert sum(not m.possible_strays for m in MOVES) == 16
    assert all((not m.possible_strays) == (m.stray_free_orders == m.orders) for m in MOVES)


def test_six_pairs_change_by_one_finger():
    pairs = {frozenset((NOTES[m.from_note], NOTES[m.to_note])) for m in MOVES if len(m.fingers) == 1}
    wanted = ["low G,low A", "low A,B", "low A,E", "C,D", "E,F", "F,high G"]
    assert pairs == {frozenset(pair.split(",")) for pair in wanted}


@given(st.lists(st.integers(1, 255), min_size=9, max_size=9))
def test_in_any_table_some_order_is_stray_free(masks):
    # Whatever the standard masks, lifting from the top down and then lowering from the bottom up sounds no third note.
    standard = tuple(_sounding_like(mask, note) for note, mask in enumerate(masks))
    table = Table("any", standard, {}, ())
    for m in moves(table):
        assert 0 < m.stray_free_orders <= m.orders
        assert m.before or m.stray_free_orders > 1 or len(m.fingers) == 1
        mask = standard[m.from_note]
        for finger in (*m.lifts, *reversed(m.lowers)):
            mask ^= 1 << finger
            assert SOUNDING[mask] in (m.from_note, m.to_note)


def _sounding_like(mask, note):
    if note == 0:
        return ALL_COVERED
    hole = 8 - note
    return mask & ~(1 << hole) | (1 << hole) - 1


def test_a_note_has_no_change_to_itself():
    assert possible_strays(3, 3) == frozenset()
    for a, b in ((3, 3), (-1, 2), (2, 9)):
        with pytest.raises(ValueError, match="two different notes"):
            move(a, b)


# --- difficulty ---


def test_the_expected_times_make_up_the_published_range_of_normal_samples():
    # d2, the expected range of n normal values in standard deviations: Tippett 1925, and every table of control charts
    # (ASTM manual on presentation of data): 1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847.
    d2 = [1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847]
    ranges = [sum(math.comb(n, k) * _expected_time(n, k) for k in range(1, n)) for n in range(2, 9)]
    assert [round(r, 3) for r in ranges] == d2
    assert _expected_time(2, 1) == pytest.approx(1 / math.sqrt(math.pi), rel=1e-12)


@pytest.mark.parametrize(("a", "b"), [("low G", "B"), ("low A", "C"), ("D", "E"), ("high G", "D")])
def test_played_at_random_a_change_takes_the_expected_stray_time(a, b):
    m, chance, samples = between(a, b), random.Random(5), []
    for _ in range(4_000):
        times = sorted((chance.gauss(0, SCATTER_US), finger) for finger in m.fingers)
        mask, stray_us = STANDARD[m.from_note], 0.0
        for (start, finger), (end, _) in itertools.pairwise(times):
            mask ^= 1 << finger
            stray_us += (end - start) * (SOUNDING[mask] in m.possible_strays)
        samples.append(stray_us / 1_000)
    stray_time, _ = _expected_times(m.from_note, m.to_note, standard_table())
    error = statistics.stdev(samples) / math.sqrt(len(samples))
    assert abs(statistics.fmean(samples) - stray_time * SCATTER_US / 1_000) < 4 * error


def test_difficulty_grows_with_the_scatter_and_never_falls_below_what_does_not_depend_on_it():
    for m in MOVES:
        levels = [difficulty(m.from_note, m.to_note, scatter_us) for scatter_us in (0, 5_000, 12_000, 30_000)]
        assert levels == sorted(levels)
        assert levels[2] == m.difficulty
        assert levels[0] >= len(m.fingers) - 1


def test_trouble_spots_of_teachers_are_harder_than_what_one_finger_does():
    # Common practice: bagpipelessons.net, thebagpipeplace.com and other teachers' pages name these.
    easy = max(m.difficulty for m in MOVES if len(m.fingers) == 1)
    middle = statistics.median(m.difficulty for m in MOVES)
    spots = [("D", "E"), ("C", "E"), ("low A", "C"), ("B", "C"), ("E", "high G"), ("low G", "B")]
    hard = [between(a, b).difficulty for a, b in spots]
    assert min(hard) > easy
    assert all(difficulty > middle for difficulty in hard[:3])
    # Among changes of two fingers, B to C can sound nothing and is still harder than the lifts of two hands.
    assert between("B", "C").difficulty > between("low G", "E").difficulty


def test_importing_moves_counts_nothing():
    code = (
        "import sys, fingering.moves as m\n"
        "print(m.moves.cache_info().currsize, 'tomllib' in sys.modules, 'numpy' in sys.modules)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split() == ["0", "False", "False"]
