from __future__ import annotations

from binascii import crc_hqx

import pytest
from cobs import cobs as reference
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.wire.carriers import (
    MAX_STREAM_FRAME,
    Damaged,
    StreamReader,
    cobs_decode,
    cobs_encode,
    crc16,
    to_stream,
    with_check,
)
from fingerlead.wire.messages import MAX_PAYLOAD

# CRC RevEng, catalogue of parametrised CRC algorithms, entry CRC-16/IBM-3740 (check value), and the same algorithm's
# values for short inputs.
CATALOGUE = [(b"123456789", 0x29B1), (b"", 0xFFFF), (b"A", 0xB915), (b"\x00", 0xE1F0)]

# S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999: the
# encoding as published, without the delimiter.
PUBLISHED = [
    ("", "01"),
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("00 11 00", "01 02 11 01"),
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 22 33 44", "05 11 22 33 44"),
    ("11 00 00 00", "02 11 01 01 01"),
    (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
    ("00" + bytes(range(1, 255)).hex(), "01 ff" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02 ff"),
    (bytes(range(2, 256)).hex() + "00", "ff" + bytes(range(2, 256)).hex() + "01 01"),
    (bytes(range(3, 256)).hex() + "00 01", "fe" + bytes(range(3, 256)).hex() + "02 01"),
]

payloads = st.binary(min_size=1, max_size=MAX_PAYLOAD)


@pytest.mark.parametrize(("data", "check"), CATALOGUE)
def test_crc_gives_the_catalogue_values(data, check):
    assert crc16(data) == check


def test_crc_over_data_and_its_check_high_byte_first_is_zero():
    assert crc16(b"123456789" + (0x29B1).to_bytes(2, "big")) == 0


@given(st.binary(max_size=300))
def test_crc_agrees_with_the_polynomial_done_bit_by_bit_and_with_the_standard_library(data):
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    assert crc16(data) == register == crc_hqx(data, 0xFFFF)


@pytest.mark.parametrize(("data", "stuffed"), PUBLISHED)
def test_cobs_gives_the_published_encodings(data, stuffed):
    assert cobs_encode(bytes.fromhex(data)) == bytes.fromhex(stuffed)
    assert cobs_decode(bytes.fromhex(stuffed)) == bytes.fromhex(data)


def test_a_code_after_a_full_run_at_the_end_is_read_too():
    run = bytes(range(1, 255))
    assert cobs_decode(b"\xff" + run + b"\x01") == run


@given(st.binary(max_size=800))
def test_cobs_agrees_with_the_cobs_package(data):
    assert cobs_encode(data) == reference.encode(data)
    assert cobs_decode(reference.encode(data)) == data


@given(st.binary(min_size=1, max_size=300))
def test_cobs_refuses_what_the_cobs_package_refuses(chunk):
    try:
        expected = reference.decode(chunk)
    except reference.DecodeError:
        expected = None
    assert cobs_decode(chunk) == expected


@given(payloads)
def test_a_frame_is_read_back_and_holds_one_zero(payload):
    frame = to_stream(payload)
    assert frame.count(0) == 1
    assert frame[-1] == 0
    assert len(frame) <= MAX_STREAM_FRAME
    assert StreamReader().feed(frame) == [payload]


@given(st.lists(payloads, max_size=6), st.data())
def test_frames_in_any_cutting(sent, data):
    stream = b"".join(map(to_stream, sent))
    reader, got, place = StreamReader(), [], 0
    while place < len(stream):
        size = data.draw(st.integers(1, 40))
        got += reader.feed(stream[place : place + size])
        place += size
    assert got == sent
    assert reader.close() == []


def test_the_longest_payload_fits_and_one_more_does_not():
    assert len(to_stream(bytes(MAX_PAYLOAD))) == MAX_STREAM_FRAME
    too_long = b"\x00" + to_stream(bytes(MAX_PAYLOAD + 1))
    assert StreamReader().feed(too_long) == [Damaged("too long", MAX_STREAM_FRAME, True)]


@given(payloads, st.data())
def test_one_flipped_bit_is_never_a_frame(payload, data):
    frame = bytearray(to_stream(payload)[:-1])
    bit = data.draw(st.integers(0, len(frame) * 8 - 1))
    frame[bit // 8] ^= 1 << bit % 8
    assert payload not in StreamReader().feed(b"\x00" + bytes(frame) + b"\x00")
    assert not any(isinstance(item, bytes) for item in StreamReader().feed(b"\x00" + bytes(frame) + b"\x00"))


def test_joined_in_mid_frame_the_rest_is_no_bad_frame():
    frame = to_stream(b"\x02abcdefg")
    whole = to_stream(b"\x81\x07")
    assert StreamReader().feed(frame[4:] + whole) == [Damaged("not COBS", len(frame) - 5, False), b"\x81\x07"]
    assert StreamReader().feed(b"\x00" + frame[4:] + whole)[0] == Damaged("not COBS", len(frame) - 5, True)


def test_a_rest_at_the_end_is_told_once():
    reader = StreamReader()
    assert reader.feed(to_stream(b"\x81\x07")[:3]) == []
    assert reader.close() == [Damaged("unfinished at the end", 3, False)]
    assert reader.close() == []


def test_empty_frames_are_passed_over():
    assert StreamReader().feed(b"\x00\x00\x00" + to_stream(b"\x81\x07") + b"\x00") == [b"\x81\x07"]


def test_a_check_without_a_payload_is_no_frame():
    assert StreamReader().feed(b"\x00" + cobs_encode(with_check(b"")) + b"\x00") == [Damaged("wrong check", 3, True)]


def test_endless_bytes_without_a_zero_are_counted_and_not_kept():
    reader = StreamReader()
    for _ in range(1000):
        assert reader.feed(b"\x55" * 1000) == []
    assert len(reader._rest) <= MAX_STREAM_FRAME
    assert reader.feed(b"\x00") == [Damaged("too long", 1_000_000, False)]
