"""What the page tells of the playing: nothing of what goes well or cannot be judged, of faults the one that matters."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.moves import hair_finger, move
from fingerlead.faces.pages.practice.messages import hold_sentence, movement_sentence, say
from fingerlead.faces.pages.practice.telling import NOTHING, Telling
from fingerlead.practice import events
from fingerlead.practice.passing import outcome_of
from fingerlead.timing.mended import diagnose_change
from tests.faces.playing import PAIRS, SURE, one_change
from tests.pages.page_tools import TABLE, SessionByHand

LOW_G, LOW_A, B = 0, 1, 2
EARLY_LITTLE, CLEAN = {7: 0, 6: 18_000}, {6: 0, 7: 2_000}
BACK_CLEAN = {7: 0, 6: 2_000}


def telling(rung: str = "low-g-b") -> Telling:
    told = Telling(TABLE, say, hold_sentence, movement_sentence)
    told.take_in(music(rung))
    return told


def judged(take: int, from_note: int, times: dict[int, int], again: bool = False) -> events.Judged:
    change = one_change(from_note, times)
    return events.Judged(change, SURE, diagnose_change(change), take, again, outcome_of(change, TABLE))


def music(rung: str = "low-g-b", **progressed: object) -> events.MusicNow:
    snapshot = SessionByHand(rung=rung).of(events.MusicNow)[-1].snapshot
    return events.MusicNow(replace(snapshot, progressed=replace(snapshot.progressed, **progressed)))


def music_of_pair(from_note: int, to_note: int) -> events.MusicNow:
    if not _KEPT:
        _KEPT.append(music().snapshot)
    return events.MusicNow(replace(_KEPT[0], notes=((from_note, None), (to_note, None)), graces=((), ())))


_KEPT: list[events.Snapshot] = []


def test_what_goes_well_and_who_led_in_it_is_not_told():
    told = telling()
    assert judged(1, LOW_G, CLEAN).outcome == "clean"
    assert not told.take_in(judged(1, LOW_G, CLEAN))
    assert not told.take_in(judged(2, B, BACK_CLEAN))
    assert told.now == NOTHING


def test_a_fault_is_told_with_who_should_go_a_hair_ahead_until_the_same_change_goes_well():
    told = telling()
    assert told.take_in(judged(1, LOW_G, EARLY_LITTLE))
    assert told.now["sentence"] == (
        "A low A sounded, as the bottom little moved too soon: together, the bottom ring a hair ahead."
    )
    assert (told.now["take"], told.now["notes"], told.now["lead"], told.now["hair"]) == (1, [LOW_G, B], 7, 6)
    assert told.now["mendable"]
    # The way back goes well: that mends nothing.
    assert not told.take_in(judged(2, B, BACK_CLEAN))
    assert told.take_in(judged(3, LOW_G, CLEAN))
    assert told.now == NOTHING


def test_of_a_change_that_the_music_does_not_ask_for_nothing_is_told():
    told = telling("low-g-low-a")
    assert judged(1, LOW_G, EARLY_LITTLE).outcome == "stray"
    assert not told.take_in(judged(1, LOW_G, EARLY_LITTLE))
    assert told.now == NOTHING


def test_of_several_faults_the_one_that_matters_most_stays():
    apart, stray = judged(1, B, {7: 0, 6: 60_000}), judged(2, LOW_G, EARLY_LITTLE)
    assert (apart.outcome, stray.outcome) == ("apart", "stray")
    for first, second in ((apart, stray), (stray, replace(apart, take=3))):
        told = telling()
        told.take_in(first)
        told.take_in(second)
        assert told.now["take"] == 2
    # The newest of the same change takes the place of the one before.
    told = telling()
    told.take_in(stray)
    told.take_in(judged(5, LOW_G, EARLY_LITTLE))
    assert told.now["take"] == 5


def test_a_clean_change_off_the_beat_is_told_and_gives_way_to_any_fault():
    told = telling()
    late = replace(judged(1, LOW_G, CLEAN), off_beat_us=61_000)
    assert told.take_in(late)
    assert told.now["sentence"] == "It came 61 ms after the beat."
    assert told.take_in(judged(2, B, {7: 0, 6: 60_000}))
    assert told.now["take"] == 2
    told = telling()
    told.take_in(replace(late, off_beat_us=-50_000))
    assert told.now["sentence"] == "It came 50 ms before the beat."
    assert told.take_in(judged(3, LOW_G, CLEAN))
    assert told.now == NOTHING


def test_what_is_something_else_after_all_or_none_is_told_no_more():
    told = telling()
    told.take_in(judged(1, LOW_G, EARLY_LITTLE))
    assert told.take_in(judged(1, LOW_G, CLEAN, again=True))
    assert told.now == NOTHING
    told.take_in(judged(2, LOW_G, EARLY_LITTLE))
    assert not told.take_in(events.TakenBack(1))
    assert told.take_in(events.TakenBack(2))
    assert told.now == NOTHING


def test_hands_off_when_the_note_was_held_and_a_doubtful_try_are_not_told_and_a_leak_is():
    told = telling()
    assert not told.take_in(events.HoldJudged(0, "uncertain", (), 0))
    assert told.take_in(events.HoldJudged(0, "not sealed", (3, 6), 0))
    assert told.now["fingers"] == [3, 6]
    assert told.take_in(events.HoldJudged(0, "held", (), 3_000_000))
    assert told.now == NOTHING


def test_a_full_row_is_told_before_any_fault_until_the_music_is_another():
    told = telling()
    told.take_in(judged(1, LOW_G, EARLY_LITTLE))
    told.take_in(events.Progressed(10, 10, 10, False, True, False))
    assert told.now["what"] == "passed"
    assert told.now["sentence"].startswith("Passed.")
    told.take_in(judged(2, LOW_G, EARLY_LITTLE))
    assert told.now["what"] == "passed"
    told.take_in(music(passed=True))
    assert told.now["what"] == "passed"
    told.take_in(music("low-g-c"))
    assert told.now == NOTHING


@pytest.mark.parametrize(("from_note", "to_note"), PAIRS)
@settings(max_examples=4)
@given(data=st.data())
def test_all_that_is_told_is_a_fault_and_its_advice_that_of_the_moves(from_note, to_note, data):
    fingers = move(from_note, to_note).fingers
    times = {finger: data.draw(st.integers(0, 37)) * 1_000 + finger for finger in fingers}
    change = judged(1, from_note, times)
    told = Telling(TABLE, say, hold_sentence, movement_sentence)
    snapshot = music_of_pair(from_note, to_note)
    told.take_in(snapshot)
    told.take_in(change)
    faulty = change.outcome in ("stray", "apart", "false fingering")
    assert (told.now["what"] == "fault") == faulty
    if faulty and told.now["hair"] is not None:
        assert told.now["hair"] in fingers
        if change.outcome == "apart":
            assert told.now["hair"] == hair_finger(from_note, to_note)
        assert f"a hair {'ahead' if to_note > from_note else 'behind'}" in told.now["sentence"]
