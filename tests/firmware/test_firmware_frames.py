"""The C frames against the Python ones, on both carriers, whatever comes over the line."""

from __future__ import annotations

import ctypes

import pytest
from cobs import cobs  # type: ignore[import-untyped]
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fingerlead.wire.carriers import StreamReader, SysexReader, to_stream, to_sysex, with_check
from fingerlead.wire.messages import MAX_PAYLOAD

KEPT = 40
CARRIERS = pytest.mark.parametrize("carrier", ["stream", "sysex"])


def write_in_c(bridge: ctypes.CDLL, carrier: str, payload: bytes) -> bytes:
    out = (ctypes.c_uint8 * 64)()
    bridge.bridge_write.restype = ctypes.c_uint16
    size = bridge.bridge_write(carrier == "sysex", payload, len(payload), out)
    return bytes(out[:size])


def read_in_c(bridge: ctypes.CDLL, carrier: str, data: bytes) -> list[tuple[int, bytes]]:
    """Size and kept beginning of each payload."""
    sizes, kept = (ctypes.c_uint16 * (len(data) + 1))(), (ctypes.c_uint8 * (KEPT * (len(data) + 1)))()
    count = bridge.bridge_reader(carrier == "sysex", len(data), data, sizes, kept)
    return [(sizes[i], bytes(kept[KEPT * i : KEPT * i + min(KEPT, sizes[i])])) for i in range(count)]


def read_in_python(carrier: str, data: bytes) -> list[tuple[int, bytes]]:
    reader = StreamReader() if carrier == "stream" else SysexReader()
    return [(len(item), item[:KEPT]) for item in reader.feed(data) if isinstance(item, bytes)]


@CARRIERS
@given(payload=st.binary(min_size=1, max_size=45) | st.integers(1, 45).map(bytes))
@settings(max_examples=200, deadline=None)
def test_c_and_python_write_the_same_frames(bridge: ctypes.CDLL, carrier: str, payload: bytes) -> None:
    frame = write_in_c(bridge, carrier, payload)
    assert frame == (to_stream(payload) if carrier == "stream" else to_sysex(payload))
    if carrier == "stream":  # the COBS of another hand
        assert frame == cobs.encode(with_check(payload)) + b"\0"


def test_the_check_of_the_crc_catalogue(bridge: ctypes.CDLL) -> None:
    # CRC-16/IBM-3740 of "123456789" is 0x29B1 (CRC RevEng catalogue).
    assert write_in_c(bridge, "stream", b"123456789") == b"\x0c123456789\xb1\x29\0"


PIECE = st.one_of(
    st.binary(max_size=30),
    st.binary(min_size=1, max_size=MAX_PAYLOAD + 3).map(to_stream),
    st.binary(min_size=1, max_size=MAX_PAYLOAD + 3).map(to_sysex),
    st.sampled_from((b"\0", b"\xff", b"\xf0", b"\xf7", b"\xf0\x7d\x46\x4c", b"\xf8", b"\xf0\x7d\x46\x4c\x00\xf7")),
)
HARM = st.lists(st.tuples(st.integers(0, 5_000), st.integers(0, 255), st.sampled_from("fdi")), max_size=4)


def hurt(data: bytes, harms: list[tuple[int, int, str]]) -> bytes:
    damaged = bytearray(data)
    for place, value, how in harms:
        at = place % (len(damaged) + 1)
        if how == "i":
            damaged.insert(at, value)
        elif at < len(damaged):
            damaged[at : at + 1] = b"" if how == "d" else bytes((damaged[at] ^ (value or 1),))
    return bytes(damaged)


@CARRIERS
@given(pieces=st.lists(PIECE, max_size=12), harms=HARM)
@example(pieces=[to_stream(bytes(200)), to_sysex(bytes(200))], harms=[])
@example(pieces=[to_stream(bytes(range(1, 200)) + b"\1\1"), to_sysex(bytes(203))], harms=[])
@settings(max_examples=500, deadline=None)
def test_c_and_python_read_the_same_payloads(
    bridge: ctypes.CDLL, carrier: str, pieces: list[bytes], harms: list[tuple[int, int, str]]
) -> None:
    data = hurt(b"".join(pieces), harms)
    assert read_in_c(bridge, carrier, data) == read_in_python(carrier, data)
