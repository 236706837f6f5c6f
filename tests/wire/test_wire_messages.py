from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.wire import messages as m
from fingerlead.wire.errors import MessageError, WireError
from fingerlead.wire.messages import clock_body, rate_body, read_answer_body, thresholds_body

u8, u16, u32, u64 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32, 64))
levels = st.tuples(*[st.tuples(u16, u16)] * 8)
names = st.text(max_size=24).filter(lambda name: name.isprintable() and len(name.encode(errors="replace")) <= 24)

everything = st.one_of(
    st.builds(
        m.Hello,
        protocol=u8,
        device_id=st.binary(min_size=8, max_size=8),
        firmware=st.tuples(u8, u8, u8),
        holes=u8,
        abilities=u8,
        scan_rate_hz=u16,
        raw_bits=u8,
        name=names,
        boot=st.none() | u16,
    ),
    st.builds(m.Holes, u16, u32, u8),
    st.builds(m.Raw, u16, u32, st.tuples(*[u16] * 8)),
    st.builds(m.Answer, u8, u8, st.binary(max_size=197)),
    st.builds(m.Trouble, u8, u8, u16, u32),
    st.builds(m.Slope, u16, u32, u8, u16, u16),
    st.builds(m.Who, u8),
    st.builds(m.Stream, u8, u8, u16),
    st.builds(m.SetThresholds, u8, levels),
    st.builds(m.GetThresholds, u8),
    st.builds(m.Keep, u8),
    st.builds(m.Clock, u8, u64),
    st.builds(m.Restart, u8),
    st.builds(m.Unknown, u8.filter(lambda type_: type_ not in m.LAYOUTS), st.binary(max_size=199)),
)


@given(everything)
def test_decoding_undoes_encoding(message):
    payload = m.encode(message)
    assert len(payload) <= m.MAX_PAYLOAD
    assert m.decode(payload) == message


@given(
    everything.filter(lambda message: not isinstance(message, m.Answer | m.Hello | m.Unknown)), st.binary(max_size=9)
)
def test_bytes_after_the_known_body_are_passed_over(message, more):
    assert m.decode(m.encode(message) + more) == message


@given(everything.filter(lambda message: not isinstance(message, m.Unknown)), st.data())
def test_a_body_too_short_is_refused_with_what_was_expected_and_what_came(message, data):
    shortest = m.LAYOUTS[m.encode(message)[0]].shortest
    size = data.draw(st.integers(0, shortest - 1))
    with pytest.raises(MessageError) as caught:
        m.decode(m.encode(message)[: 1 + size])
    assert str(shortest) in caught.value.expected
    assert caught.value.got == str(size)
    assert caught.value.offset == 1 + size
    assert isinstance(caught.value, WireError)


@given(st.binary(max_size=m.MAX_PAYLOAD))
def test_any_payload_is_a_message_or_a_message_error(payload):
    with suppress(MessageError):
        m.decode(payload)


def test_a_hello_tells_its_boot_number_only_after_a_zero():
    hello = m.encode(m.Hello(name="kitchen"))
    assert m.decode(hello) == m.Hello(name="kitchen", boot=None)
    assert m.decode(hello + b"\x00").boot is None
    assert m.decode(hello + b"\x00\x01").boot is None
    assert m.decode(hello + b"\x00\x01\x02").boot == 0x201
    assert m.decode(hello + b"\x00\x01\x02from later on").boot == 0x201


def test_a_name_cannot_carry_a_control_sequence_to_the_screen():
    payload = m.encode(m.Hello(name="kitchen")).replace(b"kitchen", b"\x1b[2J\xff\nx")
    name = m.decode(payload).name
    assert name.isprintable()
    assert len(name) == 7
    assert name.endswith("x")


def test_a_name_longer_than_allowed_is_cut():
    payload = m.encode(m.Hello(name="a" * 24)) + b"bcd\x00\x07\x00"
    assert m.decode(payload) == m.Hello(name="a" * 24, boot=7)


@pytest.mark.parametrize(
    "message",
    [
        m.Holes(65536, 0, 0),
        m.Holes(0, 2**32, 0),
        m.Holes(0, -1, 0),
        m.Holes(0, 0, 256),
        m.Raw(0, 0, (1, 2, 3)),
        m.Slope(0, 0, 0, 65_536, 0),
        m.Clock(0, 2**64),
        m.Who(256),
        m.SetThresholds(0, ((2, 1),) * 7),
        m.SetThresholds(0, ((2, -1),) * 8),
        m.Hello(name="é" * 13),
        m.Hello(name="a\x00b"),
        m.Hello(name="\ud800"),
        m.Hello(device_id=b"short"),
        m.Hello(firmware=(1, 2)),
        m.Answer(0, 0, bytes(198)),
        m.Unknown(300, b""),
    ],
)
def test_what_does_not_fit_the_wire_is_refused(message):
    with pytest.raises(MessageError, match=r"^expected .*, got "):
        m.encode(message)


@given(u16, levels, u64, u32)
def test_answers_bring_back_what_was_asked(rate, pairs, host_us, ticks32):
    assert read_answer_body(m.Stream(1, 2, 0), rate_body(rate)) == rate
    assert read_answer_body(m.GetThresholds(1), thresholds_body(pairs)) == pairs
    assert read_answer_body(m.Clock(1, 0), clock_body(host_us, ticks32)) == (host_us, ticks32)


@pytest.mark.parametrize("request_", [m.Stream(1, 2), m.GetThresholds(1), m.Clock(1, 2), m.Keep(1)])
def test_an_answer_too_short_brings_nothing(request_):
    assert read_answer_body(request_, b"\x01") is None


def test_no_two_types_share_a_number():
    assert len(m.LAYOUTS) == 13
    assert {type_ for type_ in m.LAYOUTS if type_ >= 0x80} == set(range(0x81, 0x88))
