from __future__ import annotations

import pytest

from fingerlead.wire import messages as m
from fingerlead.wire.errors import MessageError
from fingerlead.wire.events import Answered, Doubt, Doubted, RawState, Seen, State, TroubleSeen
from fingerlead.wire.link import ChanterLink, HostLink
from fingerlead.wire.messages import clock_body, rate_body, thresholds_body
from tests.wire.wire_streams import play, read

LEVELS = ((700, 500),) * 8


@pytest.fixture(params=["stream", "sysex"])
def carrier(request) -> str:
    return request.param


def test_bad_unknown_long_and_short_are_told_apart():
    record = read([("other", 0), ("other", 1), ("holes", 1), ("long", 5), ("short", 1), ("other", 2)])
    assert record.intake.frames == 5
    assert record.intake.bad_frames == 1
    assert record.covered.tolist() == [1, 5]


def test_a_doubt_comes_before_the_state_that_ends_it():
    link, events = HostLink(), []
    for frame in play([("holes", 1), ("wait", 300_000), ("lose", 0), ("holes", 2)]):
        events += link.receive(frame, 5)
    assert events == [
        State(0, 1, 5),
        Doubted(Doubt(0, 300_000, "lost", 1)),
        Doubted(Doubt(0, 300_000, "gap")),
        State(300_000, 2, 5),
    ]


def test_hello_raw_and_trouble_are_told():
    chanter, link = ChanterLink(), HostLink()
    hello = m.Hello(name="kitchen", scan_rate_hz=3000)
    assert link.receive(chanter.send(hello), 1) == [Seen(hello, 1)]
    assert link.scan_us == 333
    assert link.hello == hello
    assert link.receive(chanter.send(m.Raw(0, 9, tuple(range(8)))), 2) == [RawState(0, tuple(range(8)), 2)]
    (event,) = link.receive(chanter.send(m.Trouble(m.SENSOR_STUCK, 3, 0, 10)), 3)
    assert event == TroubleSeen(1, m.Trouble(1, 3, 0, 10), 3)
    assert event.words == "sensor stuck"
    (event,) = link.receive(chanter.send(m.Trouble(77, 255, 0, 11)), 3)
    assert event.words == "trouble number 77"


def test_the_widest_scan_that_a_hello_told_counts():
    link, chanter = HostLink(), ChanterLink()
    for rate in (0, 1000, 500, 2000, 0):
        link.receive(chanter.send(m.Hello(scan_rate_hz=rate)), 0)
    assert link.scan_us == 2000
    quiet = HostLink()
    quiet.receive(chanter.send(m.Hello(scan_rate_hz=0)), 0)
    assert quiet.scan_us is None


def test_requests_reach_the_chanter_and_answers_find_their_requests(carrier):
    link, chanter = HostLink(carrier), ChanterLink(carrier)
    asked = [
        link.who(),
        link.stream(m.STREAM_BOTH, 400),
        link.set_thresholds(LEVELS),
        link.get_thresholds(),
        link.keep(),
        link.clock(123_456),
        link.restart(),
    ]
    got = chanter.receive(b"".join(asked))
    assert got == [
        m.Who(0),
        m.Stream(1, 3, 400),
        m.SetThresholds(2, LEVELS),
        m.GetThresholds(3),
        m.Keep(4),
        m.Clock(5, 123_456),
        m.Restart(6),
    ]
    link.receive(chanter.send(m.Holes(0, 4_294_967_000, 255)), 0)
    bodies = {1: rate_body(426), 3: thresholds_body(LEVELS), 5: clock_body(123_456, 704)}
    values = {1: 426, 3: LEVELS, 5: (123_456, 704)}
    for request in reversed(got):
        answer = m.Answer(request.request, m.DONE, bodies.get(request.request, b""))
        (event,) = link.receive(chanter.send(answer), 9)
        # 704 ticks after the wrap, 296 before it: a thousand µs after the first frame.
        at_us = 1000 if request.request == 5 else None
        assert event == Answered(request, answer, values.get(request.request), at_us, 9)
        assert event.words == "done"


def test_an_unrequested_answer_is_an_event():
    link, chanter = HostLink(), ChanterLink()
    answer = m.Answer(9, m.NOT_ABLE, b"\x01")
    assert link.receive(chanter.send(answer), 1) == [Answered(None, answer, None, None, 1)]
    assert Answered(None, m.Answer(9, 200), None, None, 1).words == "status number 200"
    link.who()
    first, second = (link.receive(chanter.send(m.Answer(0, 0)), 1)[0] for _ in range(2))
    assert first.asked == m.Who(0)
    assert second.asked is None


def test_a_refusal_brings_no_value():
    link, chanter = HostLink(), ChanterLink()
    link.stream(m.STREAM_RAW, 60_000)
    (event,) = link.receive(chanter.send(m.Answer(0, m.BAD_VALUE, rate_body(1))), 1)
    assert event.words == "bad value"
    assert event.value is None


def test_request_numbers_roll_over_and_unanswered_ones_do_not_pile_up():
    link = HostLink()
    chanter = ChanterLink()
    numbers = [chanter.receive(link.who())[0].request for _ in range(600)]
    assert numbers == [i & 0xFF for i in range(600)]
    assert len(link._asked) == 256


@pytest.mark.parametrize(
    "ask",
    [
        lambda link: link.stream(4),
        lambda link: link.stream(1, 70_000),
        lambda link: link.set_thresholds(((5, 5),) * 8),
        lambda link: link.set_thresholds(((6, 5),) * 7),
        lambda link: link.clock(-1),
    ],
)
def test_a_request_that_makes_no_sense_is_not_sent_and_uses_no_number(ask):
    link = HostLink()
    with pytest.raises(MessageError):
        ask(link)
    assert ChanterLink().receive(link.who()) == [m.Who(0)]


def test_a_request_ends_whatever_the_line_left_in_the_chanters_reader():
    chanter = ChanterLink()
    chanter.receive(b"noise without end")
    assert chanter.receive(HostLink().who()) == [m.Who(0)]


def test_the_chanter_hears_types_to_come_and_nothing_else():
    chanter, other = ChanterLink(), ChanterLink()
    sent = [m.Unknown(0x99, b"\x05"), m.Unknown(0x20, b""), m.Holes(0, 0, 0), m.Unknown(m.CLOCK, b"\x05"), m.Keep(1)]
    assert chanter.receive(b"".join(map(other.send, sent))) == [m.Unknown(0x99, b"\x05"), m.Keep(1)]
    assert chanter.bad_frames == 1


def test_the_chanter_sends_a_zero_before_its_first_frame_only():
    chanter = ChanterLink()
    first, second = chanter.send(m.Keep(1)), chanter.send(m.Keep(1))
    assert first == b"\x00" + second
    assert ChanterLink("sysex").send(m.Keep(1))[0] == 0xF0
