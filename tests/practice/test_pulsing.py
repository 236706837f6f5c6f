"""Playing to the beat: the loop measured by taps and taken out, notes placed, words not after every note."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from fingerlead.practice.sound_place import NOTES_BETWEEN, Pulsing

BEAT_US = 1_000_000


def beating(count: int = 32) -> Pulsing:
    pulsing = Pulsing()
    for number in range(count):
        pulsing.beat(number * BEAT_US)
    return pulsing


@given(st.integers(-100_000, 400_000), st.integers(-40, 40))
def test_what_the_taps_measure_is_taken_out_of_the_notes(delay_us, off_ms):
    pulsing = beating()
    for number in range(10):
        pulsing.tap(number * BEAT_US + delay_us)
    assert pulsing.loop is not None
    assert pulsing.loop.delay_us == delay_us
    told = [pulsing.note(number * BEAT_US + delay_us + off_ms * 1_000) for number in range(10, 10 + NOTES_BETWEEN)]
    assert told == [False] * (NOTES_BETWEEN - 1) + [True]
    side = "on the beat" if off_ms == 0 else f"{abs(off_ms)} ms {'after' if off_ms > 0 else 'before'} it"
    assert (
        pulsing.sentence == f"Your last {NOTES_BETWEEN} notes with the beat: {side}, half of them within 0 ms of that."
    )


def test_without_a_measured_loop_it_says_that_the_delay_is_still_in():
    pulsing = beating()
    for number in range(NOTES_BETWEEN):
        pulsing.note(number * BEAT_US + 30_000)
    assert "30 ms after it" in pulsing.sentence
    assert pulsing.sentence.endswith("measure it to take it out.")


def test_too_few_taps_are_said_and_measure_nothing():
    pulsing = beating()
    for number in range(3):
        pulsing.tap(number * BEAT_US)
    assert pulsing.loop is None
    assert pulsing.sentence.startswith("Expected 8 taps or more")


@given(st.lists(st.tuples(st.sampled_from(["beat", "tap", "note", "begin"]), st.integers(0, 10**8)), max_size=60))
def test_nothing_that_comes_upsets_it(steps):
    pulsing = Pulsing()
    for what, host_us in steps:
        if what == "begin":
            pulsing.begin()
        else:
            getattr(pulsing, what)(host_us)
    pulsing.begin()
    assert pulsing.sentence == ""


@given(st.integers(0, 10**9), st.integers(-60, 60), st.sampled_from([250_000, 500_000, 1_000_000]), st.integers(0, 90))
def test_how_far_a_note_lies_from_the_nearest_part_of_a_beat(begins_us, off_ms, part_us, at):
    pulsing = Pulsing()
    assert pulsing.off_us(begins_us, part_us) is None
    for number in range(20):
        pulsing.beat(begins_us + number * BEAT_US)
    # Within the beats that are known and after them.
    assert pulsing.off_us(begins_us + at * part_us + off_ms * 1_000, part_us) == off_ms * 1_000
    assert pulsing.off_us(begins_us + at * part_us + part_us // 2, part_us) == -part_us // 2
