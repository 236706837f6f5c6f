"""Which finger went out of turn: from times, mask and note alike, over every order of every change.

The judge is plain: masks as eight letters, moved one finger at a time, and the sounding rule said again.
"""

from __future__ import annotations

import random
from itertools import permutations

import pytest

from fingering.diagnosis import diagnose_mask, diagnose_note, diagnose_times
from fingering.holes import FINGERS, from_text, to_text
from fingering.moves import moves
from fingering.notes import NOTES, note_index
from fingering.table import standard_table

STANDARD = standard_table().standard
CHANGES = [(m.from_note, m.to_note) for m in moves()]
each_change = pytest.mark.parametrize(("a", "b"), CHANGES, ids=[f"{NOTES[a]} to {NOTES[b]}" for a, b in CHANGES])


def sounds(letters):
    names = ("high A", "high G", "F", "E", "D", "C", "B", "low A")
    return note_index(names[letters.index("o")] if "o" in letters else "low G")


def moved(letters, *fingers):
    return "".join({"x": "o", "o": "x"}[letter] if i in fingers else letter for i, letter in enumerate(letters))


def stray_texts(a, b, times):
    """The masks that sound a third note for some time, in order, as letters."""
    letters, found, since_us = to_text(STANDARD[a]), [], None
    for at_us, finger in sorted((at_us, finger) for finger, at_us in times.items()):
        if at_us != since_us and sounds(letters) not in (a, b):
            found.append(letters)
        letters, since_us = moved(letters, finger), at_us
    assert letters == to_text(STANDARD[b])
    return found


def mended(times, diagnosis):
    """The times with the finger that is named put at the instant of the one it went before or after."""
    (other,) = diagnosis.others
    by_us = times[other] - times[diagnosis.finger]
    assert diagnosis.apart_us == abs(by_us) > 0
    assert (diagnosis.how == "early") == (by_us > 0)
    return {**times, diagnosis.finger: times[other]}


def told(diagnosis):
    return diagnosis.finger, diagnosis.how


def orders(a, b):
    fingers = [finger for finger in range(8) if to_text(STANDARD[a])[finger] != to_text(STANDARD[b])[finger]]
    return permutations(fingers)


def spread(order, chance=None):
    """The fingers of an order 10 ms apart, or at random distances from 1 µs to 100 ms."""
    at_us, times = 0, {}
    for finger in order:
        times[finger] = at_us
        at_us += round(10 ** chance.uniform(0, 5)) if chance else 10_000
    return times


def test_the_orders_that_sound_one_stray_mask_are_not_few():
    counts = [len(stray_texts(a, b, spread(order))) for a, b in CHANGES for order in orders(a, b)]
    assert (counts.count(1), sum(count > 1 for count in counts)) == (3_824, 15_008)


@each_change
def test_times_mask_and_note_agree_on_every_order_with_one_stray_mask_however_spaced(a, b):
    chance = random.Random(9 * a + b)
    for order in orders(a, b):
        strays = stray_texts(a, b, spread(order))
        if len(strays) != 1:
            continue
        from_mask = diagnose_mask(a, b, from_text(strays[0]))
        for times in (spread(order), spread(order, chance)):
            from_times = diagnose_times(STANDARD[a], STANDARD[b], times)
            assert told(from_times) == told(from_mask)
            assert set(from_times.others) <= set(from_mask.others)
            assert not stray_texts(a, b, mended(times, from_times))
        assert told(from_times) in {told(answer) for answer in diagnose_note(a, b, sounds(strays[0]))}


@each_change
def test_of_several_stray_masks_the_times_end_all_and_answer_for_one(a, b):
    chance = random.Random(9 * a + b)
    found = list(orders(a, b))
    # Of seven fingers there are 5 040 orders: some of them stand for all.
    for order in found if len(found) <= 120 else chance.sample(found, 120):
        times = spread(order, chance)
        strays = stray_texts(a, b, times)
        from_times = diagnose_times(STANDARD[a], STANDARD[b], times)
        if not strays:
            assert from_times is None
            continue
        assert not stray_texts(a, b, mended(times, from_times))
        assert told(from_times) in {told(diagnose_mask(a, b, from_text(stray))) for stray in strays}
        for stray in strays:
            assert told(from_times) in {told(answer) for answer in diagnose_note(a, b, sounds(stray))}


@each_change
def test_every_stray_mask_has_a_finger_that_would_mend_it_and_fingers_on_its_other_side(a, b):
    before, after = to_text(STANDARD[a]), to_text(STANDARD[b])
    moving = [finger for finger in range(8) if before[finger] != after[finger]]
    for bits in range(1 << len(moving)):
        gone = [finger for place, finger in enumerate(moving) if bits >> place & 1]
        stray = moved(before, *gone)
        if sounds(stray) in (a, b):
            continue
        found = diagnose_mask(a, b, from_text(stray))
        assert sounds(moved(stray, found.finger)) in (a, b)
        assert (found.how == "early") == (found.finger in gone)
        assert found.others
        assert all((other in gone) != (found.finger in gone) for other in found.others)
        # The smaller lot is out of turn, if it holds a finger that mends; of equal lots, the early one.
        smaller = [f for f in moving if (f in gone) == (2 * len(gone) <= len(moving))]
        if any(sounds(moved(stray, finger)) in (a, b) for finger in smaller):
            assert found.finger in smaller


@each_change
def test_each_answer_of_a_note_ends_that_note_on_the_other_side_of_the_rest(a, b):
    for note in range(9):
        answers = diagnose_note(a, b, note)
        assert answers == () or {answer.how for answer in answers} == {"early", "late"}
        for order in list(orders(a, b))[::7]:
            if note not in {sounds(stray) for stray in stray_texts(a, b, spread(order))}:
                continue
            for answer in answers:
                rest = [finger for finger in order if finger != answer.finger]
                places = [rest.index(other) for other in answer.others]
                place = min(places) + 1 if answer.how == "early" else max(places)
                rest.insert(place, answer.finger)
                assert note not in {sounds(stray) for stray in stray_texts(a, b, spread(rest))}


@each_change
def test_a_finger_that_takes_no_part_comes_first_where_it_alone_is_out_of_place(a, b):
    before, after = to_text(STANDARD[a]), to_text(STANDARD[b])
    for finger in range(8):
        if before[finger] != after[finger]:
            continue
        for letters in (before, after):
            stray = moved(letters, finger)
            if sounds(stray) not in (a, b):
                assert told(diagnose_mask(a, b, from_text(stray))) == (finger, "idle")


def test_an_idle_finger_below_the_note_that_sounds_leaves_the_diagnosis_to_the_others():
    # F to high A with the top index early: a high G sounds. The bottom middle is off its hole, and that is not heard.
    assert told(diagnose_mask(6, 8, from_text("xoooxxxo"))) == (1, "early")
    assert told(diagnose_mask(6, 8, from_text("xoooxoxo"))) == (1, "early")


def test_fingers_of_the_change_have_no_part_in_it_while_none_of_them_has_moved():
    # C to high A with the top ring and the bottom index off their holes: an E, and no single finger is the reason.
    stray = moved(to_text(STANDARD[3]), 3, 4)
    assert (sounds(stray), stray[:5]) == (5, "xxxoo")
    assert diagnose_mask(3, 8, from_text(stray)) is None


def test_where_a_stray_stands_in_several_masks_spacing_decides():
    # B to D: a C sounds from the bottom middle's lift to the bottom index's, the bottom little moves meanwhile.
    soon_after_the_first, just_before_the_last = {5: 0, 7: 2_000, 4: 30_000}, {5: 0, 7: 30_000, 4: 32_000}
    assert told(diagnose_times(STANDARD[2], STANDARD[4], soon_after_the_first)) == (4, "late")
    assert told(diagnose_times(STANDARD[2], STANDARD[4], just_before_the_last)) == (5, "early")
    # The masks say the same, each for its part of the time.
    first, second = map(from_text, stray_texts(2, 4, just_before_the_last))
    assert (told(diagnose_mask(2, 4, first)), told(diagnose_mask(2, 4, second))) == ((5, "early"), (4, "late"))


def named(from_name, to_name, moved_names):
    """The diagnosis of a mask in which some fingers have moved and the rest have not."""
    a, b = note_index(from_name), note_index(to_name)
    stray = moved(to_text(STANDARD[a]), *(FINGERS.index(name) for name in moved_names))
    found = diagnose_mask(a, b, from_text(stray))
    return NOTES[sounds(stray)], FINGERS[found.finger], found.how, tuple(FINGERS[other] for other in found.others)


def test_what_teachers_report():
    # Common practice, no source.
    assert named("low G", "E", ["bottom little"]) == ("low A", "bottom little", "early", ("top ring",))
    assert named("low G", "B", ["bottom little"]) == ("low A", "bottom little", "early", ("bottom ring",))
    assert named("C", "low G", ["bottom middle"])[:3] == ("B", "bottom middle", "early")


def test_a_single_late_finger_is_late():
    assert named("low A", "high G", ["top middle", "top ring"])[1:3] == ("top index", "late")
    all_but_the_thumb = ["top index", "top middle", "bottom index", "bottom middle", "bottom ring"]
    assert named("D", "high A", all_but_the_thumb)[1:3] == ("thumb", "late")


@each_change
def test_one_finger_far_from_the_others_is_the_one_that_is_named(a, b):
    fingers = list(next(orders(a, b)))
    for culprit in fingers if len(fingers) > 2 else ():
        for by_us in (-25_000, 25_000):
            times = dict.fromkeys(fingers, 30_000) | {culprit: 30_000 + by_us}
            found = diagnose_times(STANDARD[a], STANDARD[b], times)
            assert (found is None) == (not stray_texts(a, b, times))
            assert found is None or told(found) == (culprit, "early" if by_us < 0 else "late")


def test_two_fingers_cannot_be_told_apart_so_the_early_one_is_named():
    found = diagnose_times(STANDARD[0], STANDARD[2], {7: 0, 6: 20_000})
    assert (*told(found), found.first, found.second, found.apart_us) == (7, "early", 6, 7, 20_000)


def test_fingers_that_go_together_sound_nothing_between():
    assert diagnose_times(STANDARD[0], STANDARD[2], {6: 0, 7: 0}) is None
    assert diagnose_times(STANDARD[0], STANDARD[2], {6: 0, 7: 20_000}) is None


def test_settled_masks_need_not_be_the_charts():
    # Low A with the bottom index off its hole; to E the top ring has to go first all the same.
    false_low_a = from_text("xxxxxxxo")
    found = diagnose_times(false_low_a, from_text("xxxoxxoo"), {6: 0, 3: 15_000})
    assert (*told(found), found.first) == (6, "early", 3)


def test_notes_outside_the_nine_are_refused():
    with pytest.raises(ValueError, match="two different notes"):
        diagnose_note(3, 3, 1)
    with pytest.raises(ValueError, match="two different notes"):
        diagnose_mask(3, 3, 0)
