"""Whatever a line does to a lesson: in the end it is the same at both ends, frame for frame and verdict for verdict."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.lesson.end import Turned
from tests.lesson.faulty_line import FIVE_PERCENT, LONG_BURSTS, Weather
from tests.lesson.lessons import Lesson, met

DAY_US = 86_400_000_000


@pytest.mark.parametrize("weather", [Weather(), FIVE_PERCENT, LONG_BURSTS, replace(FIVE_PERCENT, flipped=0.02)])
def test_a_lesson_is_the_same_at_both_ends(weather, tmp_path):
    lesson = Lesson(met(weather, seed=3), tmp_path)
    lesson.play()
    lesson.finish()
    lesson.check()
    assert (lesson.net.ways[0].lost > 0) == (weather.p > 0)


def test_after_a_cut_of_twenty_seconds_it_catches_up_in_less_than_three(tmp_path):
    weather = replace(FIVE_PERCENT, cuts_us=((5_000_000, 25_000_000),))
    net = met(weather, seed=5)
    lesson = Lesson(net, tmp_path, for_us=27_000_000)
    while net.now_us < 25_000_000:
        lesson.step()
    behind = net.ends[0].outgoing.made
    assert net.ends[1].incoming.have < behind - 100
    while net.ends[1].incoming.have < behind:
        lesson.step()
    assert net.now_us - 25_000_000 < 3_000_000
    lesson.play()
    lesson.finish()
    lesson.check()
    for told in net.events:
        phases = [event.phase for _, event in told if isinstance(event, Turned)]
        assert phases == ["agreed", "open", "away", "open", "over"]


def test_the_whole_of_a_bad_line(tmp_path):
    lesson = Lesson(met(replace(LONG_BURSTS, flipped=0.05, doubled=0.3), seed=8), tmp_path)
    lesson.play()
    lesson.finish()
    lesson.check()


@pytest.mark.parametrize("ahead_us", [DAY_US, -DAY_US + 100_000_000_000])
def test_clocks_may_be_a_day_apart(ahead_us):
    lesson = Lesson(met(FIVE_PERCENT, ahead_us=ahead_us), for_us=8_000_000)
    lesson.play()
    lesson.finish()
    lesson.check()
    assert 300_000 < lesson.net.ends[0].outgoing.round_us < 800_000
    assert 60_000 <= lesson.net.ends[1].delay.delay_us <= 150_000


@settings(max_examples=10)
@given(
    st.builds(
        Weather,
        p=st.floats(0, 0.2),
        r=st.floats(0.1, 1),
        delay_us=st.integers(0, 300_000),
        wander_us=st.integers(0, 300_000),
        doubled=st.floats(0, 0.5),
        flipped=st.floats(0, 0.1),
        cuts_us=st.lists(
            st.tuples(st.integers(0, 8_000_000), st.integers(0, 6_000_000)).map(lambda cut: (cut[0], sum(cut))),
            max_size=3,
        ).map(tuple),
    ),
    st.integers(0, 1_000),
)
def test_no_fault_changes_a_verdict(weather, seed):
    lesson = Lesson(met(weather, seed=seed), for_us=5_000_000)
    lesson.play()
    lesson.finish()
    lesson.check()


def test_what_lies_beyond_a_hole_is_seen_at_once_and_told_again_in_its_place():
    net = met(Weather(delay_us=20_000))
    lesson = Lesson(net, for_us=6_000_000)
    while net.now_us - lesson.begun_us < 2_000_000:
        lesson.step()
    lost = list(range(net.ends[0].outgoing.made, net.ends[0].outgoing.made + 12))
    take = net.ends[1].incoming.take

    def with_a_hole(first, blocks, made, now_us):
        """As long as it lasts, these blocks come in no packet."""
        came = []
        for number, block in enumerate(blocks, first):
            if number not in lost:
                came += take(number, (block,), made, now_us)
        return came

    net.ends[1].incoming.take = with_a_hole
    while net.now_us - lesson.begun_us < 4_500_000:
        lesson.step()
    assert net.ends[1].incoming.have == lost[0]
    assert lesson.ahead_told
    assert lesson.forgotten == 0
    told = len(lesson.teacher_told)
    net.ends[1].incoming.take = take
    lesson.play()
    lesson.finish()
    lesson.check()
    # Once, or once more where the hole was filled in parts.
    assert 1 <= lesson.forgotten <= 3
    assert len(lesson.teacher_told) > told


def test_the_players_side_never_waits_and_what_waits_is_bounded():
    net = met(replace(Weather(), cuts_us=((3_000_000, 10**9),)))
    net.ends[0].outgoing._most_held = 20_000
    lesson = Lesson(net, for_us=60_000_000)
    lesson.play()
    assert net.ends[0].phase == "over"
    assert net.ends[0].outgoing.full
    assert net.ends[0].outgoing._held <= 20_000
    # The player's own recording has all of it.
    assert lesson.pupil.intake.frames == len(lesson.frames)
    # While nothing is heard from the other end, little is sent.
    sent = [packet for at, _, packet in net.wire if at == 0]
    assert len(sent) < 1_500
