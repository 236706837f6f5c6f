"""The sentences: they say what happened, and obeying them mends it."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import pytest

from fingering.holes import FINGERS
from fingering.moves import move
from fingering.notes import NOTES
from fingering.table import standard_table
from fingerlead.faces import words
from fingerlead.phrases import capital, listed
from fingerlead.timing.measured_words import ms, whole_ms
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.results import Slip, Timing
from fingerlead.timing.summary import passing_notes
from fingerlead.wire.events import Doubt
from tests.faces.playing import (
    PAIRS,
    STANDARD,
    SURE,
    analysed,
    moved,
    one_change,
    random_playing,
    random_times,
    session,
)
from tests.timing.plain_judge import third_note_us

COARSE = Timing("host", 12_000, 2_000, 3_000, "assumed")
FINGER = f"the ({'|'.join(FINGERS)})"


def told(change, timing=SURE):
    return words.what_happened(change, timing)


def test_the_sentence_of_a_fault_of_two_fingers():
    change = one_change(5, {2: 0, 1: 14_000})
    assert words.change_sentence(change, SURE) == (
        "E to high G: The top middle lifted 14 ms before the top index, so an F sounded for 14 ms. "
        "Together, the top index a hair ahead."
    )


def test_a_crossing_names_both_motions():
    change = one_change(1, {7: 0, 6: 15_000, 5: 15_000})
    assert told(change) == (
        "The bottom little came down 15 ms before the bottom middle lifted, so a low G sounded for 15 ms. "
        "Together, the bottom middle a hair ahead."
    )


def obeyed(advice, times):
    """The finger times of one who does what the advice says, and nothing else."""
    match = re.fullmatch(rf"Together, {FINGER} a hair (ahead|behind)\.", advice)
    assert match, advice
    ahead = match[2] == "ahead"
    return {**times, FINGERS.index(match[1]): min(times.values()) - 1_000 if ahead else max(times.values()) + 1_000}


@pytest.mark.parametrize(("from_note", "to_note"), PAIRS)
def test_following_the_advice_mends_the_stray(from_note, to_note):
    chance = random.Random(from_note * 9 + to_note)
    for _ in range(25):
        times = random_times(from_note, to_note, chance)
        change = one_change(from_note, times)
        heard = [stray for stray in change.strays if stray.heard]
        sentence = told(change)
        if not heard:
            assert ("a hair" in sentence) == (change.verdict == "apart" and bool(move(from_note, to_note).before))
            continue
        assert ("a hair" in sentence) == (diagnose_change(change) is not None)
        for stray in heard:
            assert NOTES[stray.note] in sentence
            assert ms(stray.duration_us) in sentence
        exact = {f.finger: f.after_start_us for f in change.fingers}
        astray_us = third_note_us(change.from_mask, change.to_mask, exact)
        advice = re.search(r"Together, .*?(?=$| The fingers were not together| The .* moved too)", sentence)[0]
        assert third_note_us(change.from_mask, change.to_mask, obeyed(advice, exact)) == 0 < astray_us


def test_the_order_told_is_the_order_played():
    order = re.compile(rf"The {FINGER[4:]} (lifted|came down) (\d+) ms before {FINGER}( lifted| came down)?,")
    matches = [(change, order.match(told(change))) for change in random_playing(1_500).changes]
    assert sum(match is not None for _, match in matches) > 300
    for change, match in matches:
        if match is None:
            assert diagnose_change(change) is None or change.verdict != "stray"
            continue
        at = {f.finger: f for f in change.fingers}
        early, late = at[FINGERS.index(match[1])], at[FINGERS.index(match[4])]
        assert int(match[3]) == round((late.after_start_us - early.after_start_us) / 1_000)
        verbs = {"lift": "lifted", "lower": "came down"}
        assert match[2] == verbs[early.motion]
        assert (match[5] or f" {match[2]}") == f" {verbs[late.motion]}"


def test_a_lead_nearer_than_the_uncertainty_is_too_close_to_call():
    near, far = {6: 0, 7: 999}, {6: 0, 7: 1_000}
    assert told(one_change(0, near)) == "clean. Which finger led is too close to call."
    assert told(one_change(0, far)) == "clean. The bottom ring led by 1 ms."


def test_a_single_finger_leads_no_other():
    assert told(one_change(0, {7: 0})) == "clean."


def test_a_stray_too_short_to_hear_is_owned_up_to_without_advice():
    assert told(one_change(0, {7: 0, 6: 9_000})) == (
        "clean; a low A in between was too short to be heard. The bottom little led by 9 ms."
    )


def test_fingers_apart_are_named_even_where_nothing_sounded():
    assert told(one_change(0, {6: 0, 7: 60_000})) == (
        "nothing else sounded. The fingers were not together: the bottom little came 60 ms after the first. "
        "Together, the bottom ring a hair ahead."
    )


def test_a_stray_is_told_by_its_advice_alone():
    assert told(one_change(0, {7: 0, 6: 38_000})) == (
        "The bottom little lifted 38 ms before the bottom ring, so a low A sounded for 38 ms. "
        "Together, the bottom ring a hair ahead."
    )


def test_slips_are_named_once_each():
    change = one_change(0, {6: 0, 7: 5_000})
    one = change._replace(slips=(Slip(2, 0, 6_000), Slip(2, 8_000, 6_000)))
    two = change._replace(slips=(Slip(2, 0, 6_000), Slip(0, 8_000, 6_000)))
    assert told(one).endswith("The top middle moved too, though it has no part in this change.")
    assert told(two).endswith("The top middle and the thumb moved too, though they have no part in this change.")


def test_a_very_short_note_makes_both_changes_doubtful():
    # From low G by low A, 60 ms long, to B: a slow stray, or meant.
    analysis = analysed([(0, STANDARD[0]), *moved(0, {7: 0, 6: 60_000})])
    first, second = analysis.changes
    assert first.verdict == second.verdict == "perhaps"
    assert "may be a slow stray, or may be meant" in told(first)
    ((before, short_us, after),) = passing_notes([first, second])
    assert (before, short_us, after) == (first, 60_000, second)
    assert words.passing_words(before, short_us) == (
        "a low A of 60 ms sounded in between; it may be a slow stray, or may be meant, and is not counted as clean."
    )


def test_of_two_doubtful_changes_only_a_stray_of_the_direct_change_is_told():
    # There and back over a low A: the B between two doubtful changes is no short note.
    states = [(0, STANDARD[0]), *moved(0, {7: 0, 6: 60_000}), *moved(2, {6: 0, 7: 60_000}, 1_500_000)]
    changes = analysed(states).changes
    assert [change.verdict for change in changes] == ["perhaps"] * 4
    assert [(before.from_note, before.to_note, after.to_note) for before, _, after in passing_notes(changes)] == [
        (0, 1, 2),
        (2, 1, 0),
    ]


def test_uncertain_and_embellished_changes_are_told_as_such():
    change = one_change(0, {7: 0, 6: 20_000})
    assert told(change._replace(verdict="uncertain")).startswith("uncertain")
    grace = [(0, STANDARD[1]), (500_000, 0b01111101), (530_000, 0b00111101), (540_000, 0b00111111)]
    (embellished,) = analysed(grace).changes
    assert embellished.verdict == "embellished"
    assert "grace note" in told(embellished)


def test_false_fingerings_name_the_fingers_and_the_way():
    table = standard_table()
    for mask in range(1, 256):
        verdict = table.verdict(mask)
        if verdict.fingering != "false":
            continue
        sentence = words.false_fingering(verdict.note, verdict.wrong_fingers, mask)
        assert sentence.startswith(f"{capital(NOTES[verdict.note])}: ")
        should = mask
        for group, state in re.findall(r"((?:the [a-z ]+?(?:, | and )?)+) should be (up|down)", sentence):
            for finger in re.findall(FINGER, group):
                bit = 1 << FINGERS.index(finger)
                should = should & ~bit if state == "up" else should | bit
        assert should == STANDARD[verdict.note]


def test_no_more_digits_than_the_uncertainty_allows():
    for us in range(0, 90_000, 700):
        assert whole_ms(us) == round(us / 1_000)
        assert abs(whole_ms(us, 10_000) * 1_000 - us) <= 5_000
        assert whole_ms(us, 12_345) % 10 == 0
    seen = 0
    for change in random_playing(300).changes:
        for number in re.findall(r"(\d+) ms", told(change, COARSE)):
            assert int(number) % 10 == 0
            seen += 1
    assert seen > 100


def test_a_good_teachers_tone():
    # Never praise by machine, never shame, no scores.
    for change in random_playing(300).changes:
        sentence = words.change_sentence(change, SURE)
        assert not re.search(r"(?i)!|\b(great|good|well|perfect|bad|poor|wrong|score|points|mistake)\b", sentence)
        assert sentence.endswith(".")
        assert "  " not in sentence
        assert ".." not in sentence


def test_the_timing_is_said_to_be_assumed_given_or_measured():
    assert "assumed" in words.timing_sentence(COARSE)
    assert "arrived" in words.timing_sentence(COARSE)
    assert "as you gave it" in words.timing_sentence(SURE)
    assert "as measured" in words.timing_sentence(replace(SURE, skew="measured"))


def test_what_was_lost_is_told():
    def lose(frames):
        return [frame for number, frame in enumerate(frames) if number % 97 != 5]

    analysis = session("mixed", 5, 100, damage=lose)
    lost = analysis.record.intake.lost_frames
    uncertain = sum(change.verdict == "uncertain" for change in analysis.changes)
    assert lost
    assert uncertain > 1
    assert words.intake_sentence(analysis) == f"{lost} frames were lost; {uncertain} changes are uncertain for it."
    assert words.intake_sentence(session("mixed", 5, 20)) == "Nothing was lost on the way."
    for cause in ("lost", "gap", "restart"):
        assert "not known" in words.doubt_sentence(Doubt(0, 100_000, cause, 3))


@pytest.mark.parametrize(
    ("t_us", "text"),
    [(0, "0:00.0"), (59_999_999, "0:59.9"), (60_000_000, "1:00.0"), (3_600_000_000 + 61_500_000, "61:01.5")],
)
def test_times_in_a_recording(t_us, text):
    assert words.clock_text(t_us) == text


def test_lists_as_people_say_them():
    assert [listed(list(names)) for names in ("a", "ab", "abc")] == ["a", "a and b", "a, b and c"]
