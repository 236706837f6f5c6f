"""The simulated pupil at the page's music: plays what is written, again and again, and errs in one change."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.ladder import ladder
from fingering.moves import possible_strays
from fingering.notes import SOUNDING
from fingerlead.practice.pupil_port import FAULT_CHANCE, PLAYS_FOR_US, PupilPort, first_with_strays, pupil_performance
from fingerlead.practice.tonight import music_of
from fingerlead.wire.events import Seen, State
from fingerlead.wire.link import HostLink

RUNGS = ladder()


def states(port: PupilPort, link: HostLink) -> list[State | Seen]:
    return [
        event
        for chunk in port.read(0)
        for event in link.receive(chunk.data, chunk.host_us)
        if isinstance(event, State | Seen)
    ]


@given(st.sampled_from(RUNGS), st.integers(0, 2**31))
@settings(max_examples=15, deadline=None)
def test_the_music_is_played_over_and_over_for_some_ten_minutes(rung, seed):
    tune = music_of(rung.key, RUNGS).tune
    performance = pupil_performance(tune, seed)
    written = [note.note for note in tune.played()]
    played = [note.note for note in performance.notes]
    once = [
        note for place, note in enumerate(written) if place == 0 or note != written[place - 1] or len(rung.notes) == 1
    ]
    assert played[: len(once)] == once
    assert PLAYS_FOR_US <= performance.end_us <= 1.3 * PLAYS_FOR_US


@given(st.sampled_from([rung for rung in RUNGS if any(possible_strays(a, b) for a, b in rung.out)]), st.integers(0, 99))
@settings(max_examples=15, deadline=None)
def test_one_finger_errs_in_one_change_now_and_then(rung, seed):
    performance = pupil_performance(music_of(rung.key, RUNGS).tune, seed)
    faults = {(fault.kind, fault.finger, fault.from_note, fault.to_note) for fault in performance.faults}
    ((kind, _, from_note, to_note),) = faults
    assert kind in ("early", "late")
    notes = [note.note for note in performance.notes]
    met = sum(pair == (from_note, to_note) for pair in pairwise(notes))
    if met >= 40:
        assert len(performance.faults) / met == pytest.approx(FAULT_CHANCE, abs=0.3)


def test_the_lowest_rung_with_a_stray_has_one():
    rung = first_with_strays()
    assert any(possible_strays(a, b) for a, b in (*rung.out, *rung.back))
    for below in RUNGS[: RUNGS.index(rung)]:
        assert not any(possible_strays(a, b) for a, b in (*below.out, *below.back))


def test_another_tune_is_taken_up_at_once_and_time_goes_on():
    now = 1_000_000
    port = PupilPort(music_of("low-g-b", RUNGS).tune, seed=1, clock=lambda: now, sleep=lambda _: None)
    link = HostLink()
    events: list[State | Seen] = []
    for _ in range(400):
        now += 10_000
        events += states(port, link)
    port.play(music_of("c-d", RUNGS).tune)
    before = len(events)
    for _ in range(400):
        now += 10_000
        events += states(port, link)
    heard = [event for event in events if isinstance(event, State)]
    assert [a.t_us for a in heard] == sorted(a.t_us for a in heard)
    later = {SOUNDING[event.covered_mask] for event in events[before:] if isinstance(event, State)}
    assert {3, 4} <= later
    greeted = [event.hello for event in events if isinstance(event, Seen)]
    assert len({hello.device_id for hello in greeted}) == 1
    assert len({hello.boot for hello in greeted}) == 2


def test_when_the_music_is_over_it_begins_again():
    now = 0
    port = PupilPort(music_of("low-g-b", RUNGS).tune, seed=1, clock=lambda: now, sleep=lambda _: None)
    link = HostLink()
    states(port, link)
    now = 2 * PLAYS_FOR_US
    states(port, link)
    masks = set()
    for _ in range(400):
        now += 10_000
        masks |= {event.covered_mask for event in states(port, link) if isinstance(event, State)}
    assert len(masks) > 1
