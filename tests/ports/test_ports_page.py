"""The page's holes as a port: what is fed comes out as notes that mean the same, with its own time of arrival."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.ports.page_port import BEAT_US, WAITING, PagePort
from fingerlead.wire.plain_midi import NoteNumbers, PlainNotes

plays = st.builds(NoteNumbers, st.integers(0, 120), st.integers(0, 15))
fed = st.lists(st.tuples(st.integers(0, 255), st.integers(0, 1_000_000)), max_size=40)


def states(port: PagePort, notes: PlainNotes) -> list[tuple[int, int]]:
    return [
        (state.host_us or 0, state.covered_mask)
        for chunk in port.read(0)
        for state in notes.receive_bytes(chunk.data, chunk.host_us)
    ]


@given(plays, fed, st.integers(1, 5))
def test_what_is_fed_is_what_is_heard_with_its_own_time(numbers, steps, every):
    now = 0
    port, notes = PagePort(plays=numbers, clock=lambda: now), PlainNotes(*numbers)
    heard: list[tuple[int, int]] = []
    expected: list[tuple[int, int]] = []
    for place, (mask, after_us) in enumerate(steps):
        now += after_us
        port.feed(mask, now)
        if not expected or expected[-1][1] != mask:
            expected.append((now, mask))
        if place % every == 0:
            heard += states(port, notes)
    heard += states(port, notes)
    # The holes of one mask move at one instant: the last of its states is the mask.
    last = dict(heard)
    wanted = dict(expected)
    for host_us, mask in wanted.items():
        assert last[host_us] == mask
    assert (heard[-1][1] if heard else None) == (expected[-1][1] if expected else None)


def test_a_note_that_is_held_is_said_again_ten_times_a_second():
    now = 0
    port, notes = PagePort(clock=lambda: now), PlainNotes()
    port.feed(0b0111_1111)
    assert states(port, notes)[-1] == (0, 0b0111_1111)
    beats = []
    for later in range(10_000, 1_010_000, 10_000):
        now = later
        beats += states(port, notes)
    assert beats == [(at_us, 0b0111_1111) for at_us in range(BEAT_US, 1_010_000, BEAT_US)]


def test_with_the_hands_off_there_is_silence():
    now = 0
    port, notes = PagePort(clock=lambda: now), PlainNotes()
    assert port.read(0) == []
    for mask in (255, 0):
        port.feed(mask)
        states(port, notes)
    now = 10_000_000
    assert port.read(0) == []


def test_what_waits_is_bounded_and_the_newest_stays():
    port, notes = PagePort(clock=lambda: 0), PlainNotes()
    for number in range(3 * WAITING):
        port.feed(number % 2, number)
    port.feed(0xA5, 10**7)
    assert len(port._fed) == WAITING
    assert states(port, notes)[-1] == (10**7, 0xA5)


def test_feeding_wakes_the_reader():
    port = PagePort()
    read = []
    reader = threading.Thread(target=lambda: read.extend(port.read(30.0)))
    reader.start()
    port.feed(255)
    reader.join(10.0)
    assert not reader.is_alive()
    assert len(read) == 1


def test_closing_wakes_the_reader_and_may_be_done_twice():
    port = PagePort()
    reader = threading.Thread(target=lambda: port.read(30.0))
    reader.start()
    port.close()
    port.close()
    reader.join(10.0)
    assert not reader.is_alive()


@pytest.mark.parametrize("mask", [-1, 256, 10**9])
def test_a_mask_of_more_holes_than_eight_is_refused(mask):
    with pytest.raises(ValueError, match="expected a mask from 0 to 255"):
        PagePort().feed(mask)
