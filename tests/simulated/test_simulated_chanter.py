from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import HOLES
from fingerlead.simulated.chanter import BOOT_US, OUTBOX_BYTES, Chanter, Setup, setup_for
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import CHUNK, Heights, levels_of, sensors
from fingerlead.simulated.serve import wire_bytes, wire_frames
from fingerlead.wire import messages as wire
from fingerlead.wire.carriers import StreamReader, to_stream
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Answered, Doubted, Event, RawState, Seen, State, TroubleSeen
from fingerlead.wire.link import HostLink
from fingerlead.wire.messages import read_answer_body
from tests.simulated.known import sense


def playing(changes: int = 20, seed: int = 3) -> Performance:
    pupil = SimulatedPupil(scatter_us=(5_000,) * 8)
    return perform(pupil, write_script(pupil, seed, changes=changes), seed)


class Conversation:
    """A host and a chanter with nothing lost between them."""

    def __init__(self, setup: Setup | None = None, changes: int = 20) -> None:
        self.performance = playing(changes)
        self.chanter = Chanter(self.performance, setup)
        self.host = HostLink()
        self.events: list[Event] = []
        self.now_us = 0

    def run(self, until_us: int) -> list[Event]:
        return self._take(self.chanter.due(until_us), until_us)

    def ask(self, data: bytes) -> list[Event]:
        return self._take(self.chanter.receive(data, self.now_us), self.now_us)

    def answer(self, data: bytes) -> Answered:
        (answered,) = [event for event in self.ask(data) if isinstance(event, Answered)]
        return answered

    def _take(self, data: bytes, now_us: int) -> list[Event]:
        self.now_us = now_us
        events = self.host.receive(data, now_us)
        self.events += events
        return events


def of_kind(events: list[Event], kind: type) -> list[Event]:
    return [event for event in events if isinstance(event, kind)]


def test_hello_comes_first_and_again_every_five_seconds() -> None:
    talk = Conversation()
    events = talk.run(11_000_000)
    assert isinstance(events[0], Seen)
    hello = events[0].hello
    assert (hello.protocol, hello.holes, hello.scan_rate_hz, hello.raw_bits) == (1, 8, 1_000, 10)
    assert hello.name == "simulated chanter"
    assert len(of_kind(events, Seen)) == 3


def test_frames_on_the_wire_open_with_a_zero() -> None:
    data = wire_bytes(playing(1))
    assert data[0] == 0
    assert data[1] != 0


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_what_the_host_reads_is_what_the_sensors_saw(seed: int) -> None:
    performance = playing(15, seed)
    setup = setup_for(seed)
    host = HostLink()
    states = of_kind(host.receive(wire_bytes(performance, setup), None), State)
    edges = [(states[0].t_us, states[0].covered_mask)]
    for state in states[1:]:
        if state.covered_mask != edges[-1][1]:
            edges.append((state.t_us, state.covered_mask))
    expected = sense(performance, sensors(), setup.scan_us, setup.phase_us)
    assert edges == [(t_us - setup.phase_us, mask) for t_us, mask in expected]
    intake = host.close()
    assert (intake.bad_frames, intake.lost_frames, intake.restarts, intake.skipped_bytes) == (0, 0, 0, 0)


def test_a_holes_frame_comes_at_least_every_100_ms_and_times_never_go_back() -> None:
    performance = playing(30)
    reader = StreamReader()
    stamps = []
    for at_us, frame in wire_frames(performance):
        for payload in reader.feed(frame):
            message = wire.decode(payload) if isinstance(payload, bytes) else None
            if isinstance(message, wire.Holes):
                stamps.append(message.ticks32)
                assert message.ticks32 <= at_us <= message.ticks32 + 2_000
                assert message.sequence == len(stamps) - 1
    gaps = [after - before for before, after in pairwise(stamps)]
    assert all(0 < gap <= 100_000 for gap in gaps)
    assert performance.end_us - stamps[-1] <= 100_000


def test_the_chanter_clock_wraps_where_it_is_told_to_start_before_the_wrap() -> None:
    performance = playing(10)
    plain, wrapped = (
        HostLink().receive(wire_bytes(performance, Setup(ticks_start=ticks)), None) for ticks in (0, 2**32 - 2_000_000)
    )
    assert of_kind(wrapped, State) == of_kind(plain, State)
    assert not of_kind(wrapped, Doubted)


def test_who_is_answered_and_a_hello_follows() -> None:
    talk = Conversation()
    talk.run(700_000)
    events = talk.ask(talk.host.who())
    answered, seen = events[-2:]
    assert isinstance(answered, Answered)
    assert answered.answer.status == wire.DONE
    assert isinstance(seen, Seen)


def test_the_clock_answer_echoes_the_host_and_tells_the_chanter() -> None:
    talk = Conversation(Setup(ticks_start=2**32 - 400_000))
    talk.run(700_000)
    answered = talk.answer(talk.host.clock(123_456_789_012))
    assert answered.value == (123_456_789_012, 300_000)
    assert answered.t_us == 700_000


def test_streams_can_be_switched_and_raw_samples_are_those_of_the_holes() -> None:
    talk = Conversation()
    talk.run(500_000)
    assert talk.answer(talk.host.stream(wire.STREAM_NOTHING)).answer.status == wire.DONE
    assert not of_kind(talk.run(1_500_000), State)
    assert talk.answer(talk.host.stream(wire.STREAM_BOTH, 250)).value == 250
    events = talk.run(3_500_000)
    raws, states = of_kind(events, RawState), of_kind(events, State)
    assert len(raws) == 500
    assert {after.t_us - before.t_us for before, after in pairwise(raws)} == {4_000}
    assert states
    # Away from any edge the samples lie clearly on the side that the holes frames tell.
    beats = [s for s in states if all(abs(s.t_us - e.t_us) > 20_000 for e in talk.performance.edges)]
    assert beats
    for beat in beats:
        near = min(raws, key=lambda raw: abs(raw.t_us - beat.t_us))
        assert sum(1 << hole for hole, sample in enumerate(near.samples) if sample > 500) == beat.covered_mask
    assert talk.answer(talk.host.stream(wire.STREAM_HOLES)).value == 0
    assert not of_kind(talk.run(5_000_000), RawState)


@pytest.mark.parametrize(
    ("asked_hz", "status", "actual_hz"),
    [
        (0, wire.DONE, 333),
        (400, wire.DONE, 333),
        (2, wire.DONE, 10),
        (500, wire.BAD_VALUE, None),
        (1_000, wire.BAD_VALUE, None),
    ],
)
def test_a_raw_rate_that_115200_baud_cannot_carry_is_refused(asked_hz: int, status: int, actual_hz: int | None) -> None:
    # 27 bytes a frame: 115 200 baud carries 426 a second, and 1 kHz divides to 1 000, 500, 333 …
    talk = Conversation()
    answered = talk.answer(talk.host.stream(wire.STREAM_RAW, asked_hz))
    assert answered.answer.status == status
    assert answered.value == actual_hz


def test_a_fast_link_carries_a_kilohertz() -> None:
    talk = Conversation(Setup(link_bytes_per_s=100_000))
    assert talk.answer(talk.host.stream(wire.STREAM_RAW)).value == 1_000


def test_thresholds_are_given_back_used_and_kept_over_a_restart() -> None:
    talk = Conversation()
    talk.run(200_000)
    own = levels_of(sensors())
    assert talk.answer(talk.host.get_thresholds()).value == own
    # With the levels out of reach every hole reads as open.
    blind = ((60_000, 50_000),) * 8
    assert talk.answer(talk.host.set_thresholds(blind)).answer.status == wire.DONE
    assert of_kind(talk.run(500_000), State)[-1].covered_mask == 0
    assert talk.answer(talk.host.get_thresholds()).value == blind
    talk.answer(talk.host.restart())
    talk.run(1_000_000)
    assert talk.answer(talk.host.get_thresholds()).value == own
    talk.answer(talk.host.set_thresholds(blind))
    assert talk.answer(talk.host.keep()).answer.status == wire.DONE
    talk.answer(talk.host.restart())
    talk.run(2_000_000)
    assert talk.answer(talk.host.get_thresholds()).value == blind


def raw_answers(chanter: Chanter, data: bytes) -> list[wire.Answer]:
    payloads = StreamReader().feed(chanter.receive(data, 0))
    messages = [wire.decode(payload) for payload in payloads if isinstance(payload, bytes)]
    return [message for message in messages if isinstance(message, wire.Answer)]


def test_bad_requests_are_answered_with_their_status_and_damage_with_silence() -> None:
    chanter = Chanter(playing(1))
    wrong_way = wire.SetThresholds(9, ((400, 400),) * 8)
    assert raw_answers(chanter, to_stream(wire.encode(wrong_way))) == [wire.Answer(9, wire.BAD_VALUE)]
    assert raw_answers(chanter, to_stream(wire.encode(wire.Stream(10, 7)))) == [wire.Answer(10, wire.BAD_VALUE)]
    assert raw_answers(chanter, to_stream(b"\xee\x0b123")) == [wire.Answer(11, wire.UNKNOWN_REQUEST)]
    assert raw_answers(chanter, b"\x05nonsense\x00" + b"\xff" * 1_000 + b"\x00") == []
    answers = raw_answers(chanter, to_stream(wire.encode(wire.GetThresholds(12))))
    assert read_answer_body(wire.GetThresholds(12), answers[0].body) == levels_of(sensors())


def test_a_restart_brings_a_new_boot_number_and_everything_from_the_start() -> None:
    talk = Conversation(replace(setup_for(4), boot=65_535, ticks_start=3_000_000_000))
    talk.run(3_000_000)
    assert talk.answer(talk.host.restart()).answer.status == wire.DONE
    assert talk.host.hello is not None
    assert talk.host.hello.boot == 65_535
    assert not talk.run(3_000_000 + BOOT_US - 1_000)
    assert talk.ask(talk.host.who()) == []  # still starting up
    events = talk.run(6_000_000)
    assert talk.host.hello.boot == 0
    assert talk.host.intake.restarts == 1
    assert talk.host.intake.lost_frames == 0
    assert [event.doubt.cause for event in events if isinstance(event, Doubted)] == ["restart"]


def test_without_a_reader_the_oldest_frames_go_and_are_counted() -> None:
    chanter = Chanter(playing(100))
    host = HostLink()
    host.receive(chanter.due(5_000_000), 5_000_000)
    for now_us in range(5_000_000, 40_000_000, 1_000_000):
        chanter.hear(b"", now_us)
        assert chanter.waiting_bytes <= OUTBOX_BYTES
    dropped = chanter.dropped
    events = host.receive(chanter.due(40_000_000), 40_000_000)
    (trouble,) = [event.trouble for event in events if isinstance(event, TroubleSeen)]
    assert (trouble.code, trouble.hole, trouble.detail) == (wire.SEND_BUFFER_FULL, 255, dropped)
    # Of what was dropped, the host misses all but the hellos, which carry no sequence number.
    assert dropped - 8 <= host.intake.lost_frames <= dropped
    assert host.intake.lost_frames > 50
    assert isinstance(events[0], Doubted)


def test_trouble_can_be_reported() -> None:
    talk = Conversation()
    talk.run(50_000)
    talk.chanter.report(wire.SENSOR_STUCK, hole=3)
    (seen,) = of_kind(talk.run(60_000), TroubleSeen)
    assert (seen.trouble.code, seen.trouble.hole, seen.t_us) == (wire.SENSOR_STUCK, 3, 50_000)


@given(st.lists(st.integers(1, 5_000_000), max_size=12))
@settings(max_examples=20, deadline=None)
def test_how_often_the_chanter_is_served_changes_nothing(times: list[int]) -> None:
    performance = playing(8)
    chanter = Chanter(performance)
    pieces = [
        chanter.due(now_us) for now_us in sorted({*(t for t in times if t < performance.end_us), performance.end_us})
    ]
    assert b"".join(pieces) == wire_bytes(performance)


def test_taking_in_mouthfuls_gives_whole_frames() -> None:
    performance = playing(8)
    chanter = Chanter(performance)
    got = []
    for now_us in range(0, performance.end_us + 100_000, 100_000):
        chanter.hear(b"", min(now_us, performance.end_us))
        while piece := chanter.take(30):
            assert piece.endswith(b"\0")
            assert len(piece) <= 60
            got.append(piece)
    assert b"".join(got) == wire_bytes(performance)


def test_over_midi_the_same_states_arrive() -> None:
    performance = playing(10)
    over_stream = HostLink().receive(wire_bytes(performance), None)
    over_midi = HostLink("sysex").receive(wire_bytes(performance, carrier="sysex"), None)
    assert over_midi == over_stream


def test_plain_notes_tell_the_same_masks() -> None:
    performance = playing(10)
    data = wire_bytes(performance, carrier="plain")
    assert len(data) % 3 == 0
    mask, masks = 0, []
    for status, note, velocity in zip(data[::3], data[1::3], data[2::3], strict=True):
        assert status in (0x9F, 0x8F)
        assert (velocity > 0) == (status == 0x9F)
        bit = 1 << note - 24
        mask = mask | bit if velocity else mask & ~bit
        masks.append(mask)
    # After the first eight notes all holes are known; from then on every reported mask is reached in order.
    reached = iter(masks[7:])
    assert all(any(mask == seen for seen in reached) for _, mask in sense(performance))


def test_damage_works_on_whole_frames() -> None:
    performance = playing(4)
    host = HostLink()
    host.receive(wire_bytes(performance, damage=lambda frames: frames[:20] + frames[22:]), None)
    assert host.close().lost_frames == 2


@given(st.integers(0, 2**32 - 1), st.sampled_from([500, 700, 1_000, 2_000]))
@settings(max_examples=8, deadline=None)
def test_each_edge_has_the_slope_of_its_own_samples(seed: int, scan_us: int) -> None:
    pupil = SimulatedPupil(travel_us=30_000)
    performance = perform(pupil, write_script(pupil, seed, changes=20), seed)
    setup = Setup(scan_us=scan_us, phase_us=seed % scan_us)
    record = read_record(wire_bytes(performance, setup))
    slopes = record.slopes
    assert record.intake.lost_frames == record.intake.bad_frames == 0
    heights = Heights(performance, sensors(), scan_us, setup.phase_us)
    scans = heights.scan_from(performance.end_us)
    samples = np.concatenate([heights.samples(at, min(at + CHUNK, scans)) for at in range(0, scans, CHUNK)])
    span = min(4_000 // scan_us, 8)
    moved = {
        (t_us, hole): bool(after >> hole & 1)
        for before, after, t_us in zip(record.covered, record.covered[1:], record.t_us[1:].tolist(), strict=False)
        for hole in range(HOLES)
        if (before ^ after) >> hole & 1
    }
    told = list(zip(*(column.tolist() for column in slopes), strict=True))
    assert len(told) >= 0.98 * len(performance.edges)
    for t_us, hole, rise_raw, level_raw in told:
        at = t_us // scan_us
        around = samples[at - span : at + span + 1, hole]
        line = np.polyfit(np.arange(-span, span + 1) * scan_us / 1_000, around, 1)[0]
        assert rise_raw == pytest.approx(max(line if moved[t_us, hole] else -line, 0), abs=0.51)
        assert level_raw == around[span]


def test_bit_2_promises_nothing_and_a_host_takes_no_notice_of_it() -> None:
    conversation = Conversation()
    (seen, *_) = of_kind(conversation.run(50_000), Seen)
    assert isinstance(seen, Seen)
    assert not seen.hello.abilities & wire.CAN_STORE_TABLE
    host = HostLink()
    events = host.receive(to_stream(wire.encode(replace(seen.hello, abilities=0xFF))), 0)
    assert [type(event) for event in events] == [Seen]


def test_a_request_too_short_gets_no_answer() -> None:
    conversation = Conversation()
    conversation.run(50_000)
    short = wire.encode(wire.SetThresholds(1, ((2, 1),) * 8))[:-1]
    assert of_kind(conversation.ask(to_stream(short)), Answered) == []
    assert conversation.answer(conversation.host.who()).answer.status == wire.DONE


def test_after_a_refused_stream_everything_streams_as_before() -> None:
    conversation = Conversation()
    conversation.run(50_000)
    assert conversation.answer(conversation.host.stream(wire.STREAM_BOTH, 100)).answer.status == wire.DONE
    before = len(of_kind(conversation.run(1_050_000), RawState))
    refused = conversation.answer(conversation.host.stream(wire.STREAM_RAW, 60_000)).answer
    assert (refused.status, refused.body) == (wire.BAD_VALUE, wire.rate_body(426))
    assert abs(len(of_kind(conversation.run(2_050_000), RawState)) - before) <= 1


def test_with_both_kinds_a_quarter_of_the_link_is_kept_for_edges() -> None:
    conversation = Conversation()
    conversation.run(50_000)
    refused = conversation.answer(conversation.host.stream(wire.STREAM_BOTH, 60_000)).answer
    assert (refused.status, refused.body) == (wire.BAD_VALUE, wire.rate_body(320))


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_raw_frames_wait_for_all_others(carrier: str) -> None:
    chanter = Chanter(playing(20), carrier=carrier)
    host = HostLink("sysex" if carrier == "sysex" else "stream")
    host.receive(chanter.due(50_000), 0)
    chanter.hear(host.stream(wire.STREAM_BOTH, 60), 50_000)
    chanter.hear(b"", 400_000)
    first: list[type[Event]] = []
    while chanter.waiting_bytes:
        first += [type(event) for event in host.receive(chanter.take(1), 0)]
    assert {State, RawState} <= set(first)
    assert RawState not in first[: -first.count(RawState)]
    assert host.intake.lost_frames == host.intake.restarts == 0


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_where_nobody_reads_raw_frames_go_first(carrier: str) -> None:
    chanter = Chanter(playing(20), carrier=carrier)
    host = HostLink("sysex" if carrier == "sysex" else "stream")
    host.receive(chanter.due(50_000), 0)
    chanter.hear(host.stream(wire.STREAM_BOTH, 60), 50_000)
    for now_us in range(100_000, 6_000_000, 50_000):
        chanter.hear(b"", now_us)
    events = host.receive(chanter.take(100_000), 0)
    (trouble,) = of_kind(events, TroubleSeen)
    assert isinstance(trouble, TroubleSeen)
    # Not one holes frame is lost.
    assert trouble.trouble.detail > 100
    assert of_kind(events, Doubted) == []
    assert len(of_kind(events, State)) > 60
