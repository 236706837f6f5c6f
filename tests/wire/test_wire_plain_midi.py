from __future__ import annotations

import mido
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.wire.events import State
from fingerlead.wire.plain_midi import PlainNotes, reads_of

ALL_ON = [(0x9F, 24 + hole, 100) for hole in range(8)]


def test_nothing_is_told_before_all_eight_holes_are_known():
    notes = PlainNotes()
    for i, message in enumerate(ALL_ON[:-1]):
        assert notes.receive(*message, 1_000 + i) == []
    assert notes.receive(*ALL_ON[-1], 2_000) == [State(1_000, 0xFF, 2_000)]
    assert notes.receive(0x8F, 31, 64, 3_000) == [State(2_000, 0x7F, 3_000)]
    assert notes.receive(0x9F, 31, 0, 3_500) == [State(2_500, 0x7F, 3_500)]
    assert notes.receive(0x9F, 31, 1, 4_000) == [State(3_000, 0xFF, 4_000)]
    assert notes.end_us == 3_000


@pytest.mark.parametrize("message", [(0x9E, 24, 1), (0x9F, 23, 1), (0x9F, 32, 1), (0xBF, 24, 1), (0xAF, 24, 1)])
def test_other_channels_notes_and_kinds_are_passed_over(message):
    notes = PlainNotes()
    for each in ALL_ON:
        notes.receive(*each, 0)
    assert notes.receive(*message, 5) == []
    assert notes.intake.frames == 8


def test_base_note_and_channel_are_settings():
    notes = PlainNotes(base_note=60, channel=0)
    states = [state for hole in range(8) for state in notes.receive(0x90, 60 + hole, 9, hole)]
    assert states == [State(7, 0xFF, 7)]


@pytest.mark.parametrize("settings", [{"base_note": 121}, {"base_note": -1}, {"channel": 16}, {"channel": -1}])
def test_settings_that_cannot_be_are_refused(settings):
    with pytest.raises(ValueError, match=r"^expected "):
        PlainNotes(**settings)


@given(st.lists(st.integers(0, 10**9), min_size=8, max_size=30))
def test_times_never_fall(times):
    notes = PlainNotes()
    states = [state for i, us in enumerate(times) for state in notes.receive(0x9F, 24 + i % 8, 1, us)]
    assert [state.t_us for state in states] == sorted(state.t_us for state in states)


def notes_by_mido(data: bytes) -> list[tuple[int, int, int]]:
    parser = mido.Parser()
    parser.feed(data)
    return [
        tuple(message.bytes())
        for message in parser
        if message.type in {"note_on", "note_off"} and message.channel == 15
    ]


# Whole messages, with real-time bytes between them and inside System Exclusive: mido's parser ends a message that a
# real-time byte interrupts and knows no running status, so those two have tests of their own below.
pieces = st.one_of(
    st.tuples(st.sampled_from((0x80, 0x90, 0x8F, 0x9F, 0xBF, 0xEF)), st.integers(20, 35), st.integers(0, 127)).map(
        bytes
    ),
    st.tuples(st.sampled_from((0xC0, 0xDF)), st.integers(0, 127)).map(bytes),
    st.sampled_from((b"\xf8", b"\xfe", b"\xf6", b"\xf1\x05", b"\xf2\x05\x06", b"\xf3\x07")),
    st.binary(max_size=9).map(lambda data: b"\xf0" + bytes(byte & 0x7F for byte in data) + b"\xf8\xf7"),
    st.just(b"\x9f\x18"),
)


@given(st.lists(pieces, max_size=30).map(b"".join), st.integers(1, 7))
def test_bytes_in_any_cutting_give_the_notes_that_mido_finds(data, size):
    notes = PlainNotes()
    for message in ALL_ON:
        notes.receive(*message, 0)
    got = [state for i in range(0, len(data), size) for state in notes.receive_bytes(data[i : i + size], 0)]
    expected = []
    judge = PlainNotes()
    for message in ALL_ON:
        judge.receive(*message, 0)
    for message in notes_by_mido(data):
        expected += judge.receive(*message, 0)
    assert got == expected


def test_running_status_holds_through_real_time_bytes_and_ends_at_system_messages():
    # Running status: cancelled by System Exclusive and System Common, not by System Real Time (MIDI 1.0 specification).
    notes = PlainNotes()
    for message in ALL_ON:
        notes.receive(*message, 0)
    masks = [state.covered_mask for state in notes.receive_bytes(bytes.fromhex("9f 1f 00 1e f8 00 fa 1d 00"), 1)]
    assert masks == [0x7F, 0x3F, 0x1F]
    assert notes.receive_bytes(bytes.fromhex("f6 1c 00"), 1) == []
    assert notes.intake.skipped_bytes == 2


@given(st.binary(max_size=300))
def test_any_bytes_are_survived(data):
    notes = PlainNotes()
    notes.receive_bytes(data, 0)
    assert notes.intake.skipped_bytes <= len(data)


def test_a_recording_of_plain_notes_takes_the_arrivals_for_its_clock():
    stream = bytes(byte for message in ALL_ON for byte in message) + bytes.fromhex("8f 1f 40 8f 1e 40")
    arrivals = np.array([(0, 500), (24, 41_000), (27, 90_000)])
    record = PlainNotes().read_record(reads_of(stream, arrivals))
    assert record.clock == "host"
    assert record.t_us.tolist() == [0, 40_500, 89_500]
    assert record.covered.tolist() == [0xFF, 0x7F, 0x3F]
    assert record.end_us == 89_500
    assert record.doubts == []
    assert PlainNotes().read_record(reads_of(stream, np.empty((0, 2), np.int64))).t_us.tolist() == []
    assert PlainNotes().read_record(reads_of(b"", np.empty((0, 2), np.int64))).t_us.tolist() == []
