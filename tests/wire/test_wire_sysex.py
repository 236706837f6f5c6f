from __future__ import annotations

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.wire.carriers import HEADER, MAX_SYSEX, Damaged, SysexReader, checked, pack, to_sysex, unpack
from fingerlead.wire.messages import MAX_PAYLOAD

payloads = st.binary(min_size=1, max_size=MAX_PAYLOAD)
real_time = st.sampled_from(range(0xF8, 0x100))


def sound_ones(items) -> list[bytes]:
    return [item for item in items if isinstance(item, bytes)]


def payloads_by_mido(stream: bytes) -> list[bytes]:
    """The chanter's payloads among the System Exclusive messages that mido's own parser finds."""
    parser = mido.Parser()
    parser.feed(stream)
    found = []
    for message in parser:
        if message.type == "sysex" and bytes(message.data[:3]) == HEADER[1:]:
            # The packing undone bit by bit, not by the code under test.
            packed, body, whole = message.data[3:], [], True
            for start in range(0, len(packed), 8):
                tops, *lows = packed[start : start + 8]
                whole &= bool(lows) and tops < 1 << len(lows)
                body += [low + 128 * (tops // 2**i % 2) for i, low in enumerate(lows)]
            payload = checked(bytes(body)) if len(body) > 2 and len(message.data) + 2 <= MAX_SYSEX and whole else None
            found += [] if payload is None else [payload]
    return found


@given(payloads)
def test_a_message_is_read_back_and_is_midi(payload):
    message = to_sysex(payload)
    assert len(message) <= MAX_SYSEX
    assert all(byte < 0x80 for byte in message[1:-1])
    assert SysexReader().feed(message) == [payload]
    assert mido.Message.from_bytes(message).type == "sysex"


@given(st.binary(max_size=60))
def test_packing_is_undone(data):
    assert unpack(pack(data)) == data


@pytest.mark.parametrize("packed", ["00", "04 01 02", "00 01 02 03 04 05 06 07 01", "7f 01"])
def test_a_group_of_one_byte_and_top_bits_of_no_byte_are_bad(packed):
    assert unpack(bytes.fromhex(packed)) is None


@given(st.lists(payloads, max_size=4), st.data())
def test_real_time_bytes_inside_are_nothing_and_mido_agrees(sent, data):
    stream = bytearray(b"".join(map(to_sysex, sent)))
    for _ in range(data.draw(st.integers(0, 10))):
        stream.insert(data.draw(st.integers(0, len(stream))), data.draw(real_time))
    assert SysexReader().feed(bytes(stream)) == sent == payloads_by_mido(bytes(stream))


# Bytes as they come when several things share one port: whole messages, torn ones, notes, clocks. F4 and F5 are
# undefined, and mido passes over them where the wire breaks off a message.
pieces = st.one_of(
    payloads.map(to_sysex),
    payloads.map(lambda payload: to_sysex(payload)[:-3]),
    payloads.map(lambda payload: to_sysex(payload)[5:]),
    st.binary(max_size=12).map(lambda data: bytes(byte for byte in data if byte not in (0xF4, 0xF5))),
    st.just(bytes((0x90, 60, 64))),
    st.just(bytes((0xF0, 0x43, 1, 2, 0xF7))),
    st.just(HEADER + bytes((0x04, 1, 2)) + b"\xf7"),
    st.just(b"\xf8\xfe"),
)


@given(st.lists(pieces, max_size=8).map(b"".join))
def test_any_mixture_gives_the_payloads_that_mido_finds(stream):
    assert sound_ones(SysexReader().feed(stream)) == payloads_by_mido(stream)


@given(st.lists(pieces, max_size=8).map(b"".join), st.data())
def test_any_cutting_gives_the_same_payloads_and_counts(stream, data):
    whole = SysexReader()
    expected = whole.feed(stream) + whole.close()
    reader, got, place = SysexReader(), [], 0
    while place < len(stream):
        size = data.draw(st.integers(1, 30))
        got += reader.feed(stream[place : place + size])
        place += size
    got += reader.close()

    def counts(items):
        damaged = [item for item in items if isinstance(item, Damaged)]
        return sound_ones(items), sum(item.size for item in damaged), sum(item.delimited for item in damaged)

    assert counts(got) == counts(expected)


def test_another_status_byte_breaks_the_message_off():
    message = to_sysex(b"\x81\x07")
    items = SysexReader().feed(message[:6] + b"\xf5" + message[6:])
    assert sound_ones(items) == []
    assert sum(item.size for item in items) == len(message) + 1
    assert not any(item.delimited for item in items)


def test_another_makers_message_is_no_bad_frame():
    assert SysexReader().feed(bytes.fromhex("f0 43 10 01 f7 f0 f7")) == [
        Damaged("another maker's message", 5, False),
        Damaged("another maker's message", 2, False),
    ]


def test_damage_inside_is_one_bad_frame():
    message = bytearray(to_sysex(b"\x02\x00\x00\xe8\x03\x00\x00\xff"))
    message[7] ^= 1
    assert SysexReader().feed(bytes(message)) == [Damaged("wrong check", len(message), True)]
    assert SysexReader().feed(HEADER + b"\xf7") == [Damaged("wrong check", 5, True)]


def test_a_message_that_never_ends_is_counted_and_not_kept():
    reader = SysexReader()
    reader.feed(HEADER)
    for _ in range(100):
        assert reader.feed(b"\x01" * 1000) == []
    assert len(reader._held) <= 2 * MAX_SYSEX
    assert reader.feed(b"\xf7") == [Damaged("too long", 100_005, True)]


def test_the_longest_payload_fits():
    assert len(to_sysex(bytes(MAX_PAYLOAD))) == MAX_SYSEX
    assert SysexReader().feed(to_sysex(bytes(MAX_PAYLOAD))) == [bytes(MAX_PAYLOAD)]
    assert SysexReader().feed(to_sysex(bytes(MAX_PAYLOAD + 1)))[0].reason == "too long"
