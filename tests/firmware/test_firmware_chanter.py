"""The whole chanter on the host build, under AddressSanitizer and UBSan: what it says, and what it answers."""

from __future__ import annotations

import struct
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fingering.holes import HOLES
from fingerlead.simulated.sensing import ChatterFilter
from fingerlead.wire import messages as m
from fingerlead.wire.carriers import to_stream, to_sysex
from fingerlead.wire.link import HostLink
from fingerlead.wire.messages import read_answer_body
from hardware_notes.firmware import scripts
from hardware_notes.firmware.scripts import Script
from tests.firmware.firmware_tools import Played

Player = Callable[..., Played]
SCAN_US = 500
LEVELS = tuple((500 + hole, 400 - hole) for hole in range(HOLES))


def only(kind: type[m.Message], messages: list[m.Message]) -> list:  # type: ignore[type-arg]
    return [message for message in messages if isinstance(message, kind)]


def asked(play: Player, *requests: m.Request | m.Unknown, carrier: str = "stream") -> list[m.Answer]:
    """The answers to requests, told one after another."""
    carry = to_stream if carrier == "stream" else to_sysex
    script = Script()
    for number, request in enumerate(requests):
        script.host_says(10_000 + 10_000 * number, carry(m.encode(request)))
    script.happens(20_000 + 10_000 * len(requests), scripts.END)
    return only(m.Answer, play(script.as_bytes(), carrier).messages(carrier))


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_hello_first_and_on_who_and_every_five_seconds(play: Player, carrier: str) -> None:
    script = Script()
    script.mask(0, 0xFF)
    carry = to_stream if carrier == "stream" else to_sysex
    script.host_says(1_000_000, carry(m.encode(m.Who(7))))
    script.happens(16_500_000, scripts.END)
    messages = play(script.as_bytes(), carrier).messages(carrier)
    hellos = only(m.Hello, messages)
    assert (
        messages[0]
        == hellos[0]
        == m.Hello(
            1,
            b"scripted",
            (1, 0, 0),
            8,
            m.CAN_RAW | m.CAN_STORE_THRESHOLDS | m.CAN_SLOPES,
            2_000 if carrier == "stream" else 1_000,
            10,
            "chanter by script",
            1,
        )
    )
    assert len(hellos) == 1 + 1 + 3
    answer = next(place for place, message in enumerate(messages) if isinstance(message, m.Answer))
    assert messages[answer : answer + 2] == [m.Answer(7, m.DONE), hellos[0]]
    times_us = [holes.ticks32 for holes in only(m.Holes, messages)]
    assert all(0 < after - before <= 100_000 for before, after in pairwise(times_us))


def test_every_start_has_another_boot_number(play: Player) -> None:
    script = Script()
    script.host_says(30_000, to_stream(m.encode(m.Restart(1))))
    script.happens(120_000, scripts.END)
    starts = [play(script.as_bytes()).messages() for _ in range(3)]
    assert [hello.boot for messages in starts for hello in only(m.Hello, messages)] == [1, 2, 3, 4, 5, 6]
    assert [only(m.Answer, messages) for messages in starts] == [[m.Answer(1, m.DONE)]] * 3


def test_requests_get_the_status_that_the_wire_gives(play: Player) -> None:
    level = tuple((500, 500) if hole == 3 else pair for hole, pair in enumerate(LEVELS))
    crossed = tuple((400, 600) if hole == 7 else pair for hole, pair in enumerate(LEVELS))
    requests = (
        m.SetThresholds(1, LEVELS),
        m.SetThresholds(2, level),
        m.GetThresholds(3),
        m.Stream(4, 4),
        m.Stream(5, m.STREAM_RAW, 1_000),
        m.Stream(6, m.STREAM_RAW, 65_535),
        m.Stream(7, m.STREAM_HOLES),
        m.Unknown(0x8A, b"\x08rest"),
        m.Unknown(0xFF, b""),
        m.Clock(10, 2**64 - 1),
        m.Keep(11),
        m.SetThresholds(12, crossed),
        m.GetThresholds(13),
    )
    answers = asked(play, *requests)
    assert [(a.request, a.status) for a in answers] == [
        (1, 0), (2, 2), (3, 0), (4, 2), (5, 0), (6, 0), (7, 0), (8, 1), (0, 1), (10, 0), (11, 0), (12, 2),
        (13, 0),
    ]  # fmt: skip
    assert read_answer_body(requests[2], answers[2].body) == read_answer_body(requests[12], answers[12].body) == LEVELS
    assert read_answer_body(requests[4], answers[4].body) == 1_000
    assert read_answer_body(requests[5], answers[5].body) == 2_000  # no faster than it scans
    echoed = read_answer_body(requests[9], answers[9].body)
    assert isinstance(echoed, tuple)
    # The request came at 100 000 µs and took a step of 5 µs for each of its bytes.
    assert echoed[0] == 2**64 - 1
    assert 100_000 < echoed[1] <= 100_200


def test_a_raw_rate_that_the_link_cannot_carry_is_refused_with_the_one_that_it_can(play: Player) -> None:
    # The System Exclusive build has a MIDI cable's 31 250 baud: 3 125 bytes/s carry 91 raw messages of 34 bytes.
    answers = asked(
        play,
        m.Stream(1, m.STREAM_RAW, 1_000),
        m.Stream(2, m.STREAM_BOTH, 100),
        m.Stream(3, m.STREAM_RAW, 91),
        m.Stream(4, m.STREAM_RAW),
        m.Stream(5, m.STREAM_RAW, 1),
        carrier="sysex",
    )
    told = [(a.status, *struct.unpack("<H", a.body)) for a in answers]
    # With both, a quarter is kept for edges.
    assert told == [(m.BAD_VALUE, 91), (m.BAD_VALUE, 68), (m.DONE, 91), (m.DONE, 91), (m.DONE, 10)]


def test_longer_bodies_are_read_and_shorter_ones_passed_over(play: Player) -> None:
    script = Script()
    script.host_says(10_000, to_stream(m.encode(m.GetThresholds(1)) + bytes(150)))
    script.host_says(30_000, to_stream(bytes((m.SET_THRESHOLDS, 2)) + bytes(31)))
    script.host_says(50_000, to_stream(m.encode(m.Holes(0, 0, 0))))
    script.happens(70_000, scripts.END)
    assert [a.request for a in only(m.Answer, play(script.as_bytes()).messages())] == [1]


def test_thresholds_count_from_the_next_scan_on(play: Player) -> None:
    script = Script()
    script.samples(0, [470] * HOLES)  # between the board's own levels, below their midpoint: open
    script.host_says(10_000, to_stream(m.encode(m.SetThresholds(1, ((470, 300),) * HOLES))))
    script.happens(50_000, scripts.END)
    assert [h.covered_mask for h in only(m.Holes, play(script.as_bytes()).messages())] == [0x00, 0xFF]


def test_raw_frames_come_at_the_asked_rate_and_show_the_samples(play: Player) -> None:
    script = Script()
    script.samples(0, range(100, 900, 100))
    script.host_says(10_000, to_stream(m.encode(m.Stream(1, m.STREAM_BOTH, 300))))
    script.happens(1_010_600, scripts.END)
    messages = play(script.as_bytes()).messages()
    raw = only(m.Raw, messages)
    # Every 7 scans of 500 µs are 285.7 Hz, 6 would be more than asked.
    assert only(m.Answer, messages)[0].body == struct.pack("<H", 286)
    assert {frame.samples for frame in raw} == {tuple(range(100, 900, 100))}
    assert [frame.sequence for frame in raw] == list(range(len(raw)))
    assert {(b.ticks32 - a.ticks32) // 100 for a, b in pairwise(raw)} == {35}


def test_stream_nothing_means_nothing_and_no_number_is_used_up(play: Player) -> None:
    script = Script()
    script.host_says(10_000, to_stream(m.encode(m.Stream(1, m.STREAM_NOTHING))))
    script.mask(20_000, 0xFF)
    script.host_says(500_000, to_stream(m.encode(m.Stream(2, m.STREAM_HOLES))))
    script.happens(700_000, scripts.END)
    holes = only(m.Holes, play(script.as_bytes()).messages())
    assert [h.sequence for h in holes] == list(range(len(holes)))
    assert (holes[0].covered_mask, {h.covered_mask for h in holes[1:]}) == (0, {0xFF})


CHANGES = st.lists(
    st.tuples(st.sampled_from((100, 600, 1_200, 2_700, 9_000, 130_000)), st.integers(0, 255)), max_size=30
)


@given(CHANGES, st.sampled_from((0, 2**32 - 100_000)))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_frames_are_those_that_the_python_filter_decides(
    play: Player, storage: Path, changes: list[tuple[int, int]], start_us: int
) -> None:
    """Raw frames of every scan tell what it saw; the Python filter makes of them what the holes frames say."""
    storage.write_bytes(b"\xff" * 96)
    script = Script(start_us=start_us)
    script.mask(0, 0xFF)
    script.host_says(0, to_stream(m.encode(m.Stream(1, m.STREAM_BOTH, 2_000))))
    at_us = 10_000
    for gap_us, covered_mask in changes:
        at_us += gap_us
        script.mask(at_us, covered_mask)
    script.happens(at_us + 10_000, scripts.END)
    link = HostLink()
    messages = play(script.as_bytes()).messages()
    chatter: ChatterFilter | None = None
    mask: int | None = None
    expected, found, beats_us = [], [], []
    for message in messages:
        if isinstance(message, m.Raw):
            seen = sum(1 << hole for hole, sample in enumerate(message.samples) if sample >= 540)
            chatter = chatter or ChatterFilter(2_000, seen)
            t_us = (message.ticks32 - start_us) & 0xFFFFFFFF
            expected += chatter.see(t_us, seen)
    for holes in only(m.Holes, messages):
        t_us = (holes.ticks32 - start_us) & 0xFFFFFFFF
        if mask is not None and holes.covered_mask != mask:
            found.append((t_us, holes.covered_mask))
        mask = holes.covered_mask
        beats_us.append(t_us)
    assert found == expected
    assert beats_us == sorted(beats_us)
    # No heartbeat while an edge waits: but never much more than 100 ms without a frame.
    assert all(after - before <= 104_000 for before, after in pairwise(beats_us))
    link.receive(b"".join(to_stream(m.encode(message)) for message in messages), 0)
    assert (link.intake.restarts, link.intake.lost_frames, link.intake.bad_frames) == (0, 0, 0)


def test_an_edge_is_told_in_the_very_scan_that_decides_it(play: Player) -> None:
    script = Script()
    script.mask(0, 0xFF)
    script.mask(20_000, 0x7F)
    # The reader leaves right behind the scan that decides: the frame is out already. 2 000 µs settle, one scan at most.
    script.happens(20_000 + 2_000 + SCAN_US + 20, scripts.AWAY)
    script.happens(60_000, scripts.END)
    assert only(m.Holes, play(script.as_bytes()).messages())[-1].covered_mask == 0x7F


def test_without_a_reader_the_oldest_go_and_are_counted(play: Player) -> None:
    script = Script()
    script.mask(0, 0xFF)
    script.mask(5_000, 0x7F)
    script.happens(12_000, scripts.AWAY)
    for number in range(300):
        script.mask(20_000 + 10_000 * number, 0x7F if number % 2 == 0 else 0xFF, covered_raw=900 + number % 2)
    script.happens(4_000_000, scripts.BACK)
    script.happens(4_500_000, scripts.END)
    data = play(script.as_bytes()).data
    link = HostLink()
    link.receive(data, 0)
    played = Played(data, "").messages()
    (trouble,) = only(m.Trouble, played)
    assert (trouble.code, trouble.hole) == (m.SEND_BUFFER_FULL, m.NO_HOLE)
    # All that was dropped were holes frames and slopes: the gaps in their numbers tell the same.
    assert trouble.detail == link.intake.lost_frames > 200
    times_us = [holes.ticks32 for holes in only(m.Holes, played)]
    assert times_us == sorted(times_us)
    assert (link.intake.restarts, link.intake.bad_frames) == (0, 0)


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_edges_push_out_raw_frames_and_never_the_other_way(play: Player, carrier: str) -> None:
    carry = to_stream if carrier == "stream" else to_sysex
    script = Script()
    script.mask(0, 0xFF)
    # Beyond what the link carries, for a reader that goes away; the System Exclusive build scans at half the rate.
    script.host_says(5_000, carry(m.encode(m.Stream(1, m.STREAM_BOTH, 2_000 if carrier == "stream" else 60))))
    script.happens(30_000, scripts.AWAY)
    for number in range(8):
        script.mask(200_000 + 20_000 * number, 0x7F if number % 2 == 0 else 0xFF)
    script.happens(400_000, scripts.BACK)
    script.happens(600_000, scripts.END)
    messages = play(script.as_bytes(), carrier).messages(carrier)
    holes, raw = only(m.Holes, messages), only(m.Raw, messages)
    assert {trouble.code for trouble in only(m.Trouble, messages)} == {m.SEND_BUFFER_FULL}
    assert [frame.sequence for frame in holes] == list(range(len(holes)))
    assert sum(before.covered_mask != after.covered_mask for before, after in pairwise(holes)) == 8
    lost = sum(after.sequence - before.sequence - 1 for before, after in pairwise(raw))
    assert sum(trouble.detail for trouble in only(m.Trouble, messages)) == lost > 5
    assert [slope.sequence for slope in only(m.Slope, messages)] == list(range(8))
    # What waited for the reader came before the raw frames that waited.
    last_edge = max(at for at, message in enumerate(messages) if isinstance(message, m.Slope))
    waited = [raw for raw in only(m.Raw, messages[last_edge:]) if raw.ticks32 < 400_000]
    assert len(waited) >= 4


def test_after_a_refused_stream_everything_streams_as_before(play: Player) -> None:
    script = Script()
    for number, request in enumerate(
        (m.Stream(1, m.STREAM_BOTH, 500), m.Stream(2, m.STREAM_RAW, 5_000), m.Stream(3, 9, 100), m.GetThresholds(4))
    ):
        script.host_says(50_000 + 50_000 * number, to_sysex(m.encode(request)))
    script.happens(400_000, scripts.END)
    messages = play(script.as_bytes(), "sysex").messages("sysex")
    assert [answer.status for answer in only(m.Answer, messages)] == [m.BAD_VALUE, m.BAD_VALUE, m.BAD_VALUE, m.DONE]
    assert [len(answer.body) for answer in only(m.Answer, messages)[:3]] == [2, 2, 0]
    assert only(m.Raw, messages) == []
    assert len(only(m.Holes, messages)) >= 4


def test_a_second_keep_while_the_first_is_stored_is_not_able(play: Player, storage: Path) -> None:
    script = Script()
    script.happens(20_000, scripts.STORAGE, 2)
    script.host_says(50_000, to_stream(m.encode(m.Keep(1))))
    script.host_says(100_000, to_stream(m.encode(m.Keep(2))))
    script.mask(150_000, 0x01)
    script.happens(600_000, scripts.END)
    messages = play(script.as_bytes()).messages()
    # The slow storage takes 300 ms; the chanter plays on meanwhile, and answers within the second.
    assert [(answer.request, answer.status) for answer in only(m.Answer, messages)] == [(2, m.NOT_ABLE), (1, m.DONE)]
    times_us = [holes.ticks32 for holes in only(m.Holes, messages)]
    assert all(after - before <= 100_000 for before, after in pairwise(times_us))
    assert storage.read_bytes().count(b"FL") == 2


def test_bit_2_promises_nothing(play: Player) -> None:
    script = Script()
    script.happens(20_000, scripts.END)
    (hello,) = only(m.Hello, play(script.as_bytes()).messages())
    assert not hello.abilities & m.CAN_STORE_TABLE


def test_trouble_is_told_sensor_stuck_supply_low_overrun(play: Player) -> None:
    script = Script()
    for number in range(500):
        samples = [100 + number % 2] * HOLES
        samples[2] = 700
        samples[7] = 900 if number % 2 else 100
        script.samples(10_000 * number, samples)
    script.happens(1_000_000, scripts.STATE, 2)
    script.happens(4_000_000, scripts.OVERSLEEP, 700)
    script.happens(5_200_000, scripts.END)
    troubles = only(m.Trouble, play(script.as_bytes()).messages())
    assert [(t.code, t.hole) for t in troubles] == [
        (m.SENSOR_STUCK, 2), (m.SCAN_OVERRUN, m.NO_HOLE), (m.SUPPLY_LOW, m.NO_HOLE),
    ]  # fmt: skip
    assert 2_000_000 <= troubles[0].ticks32 <= 2_100_000


def test_the_watchdog_restarts_a_chanter_that_hangs_and_says_so(play: Player) -> None:
    script = Script()
    script.happens(50_000, scripts.HANG)
    script.happens(100_000, scripts.END)
    messages = play(script.as_bytes()).messages()
    assert [h.boot for h in only(m.Hello, messages)] == [1, 2]
    (trouble,) = only(m.Trouble, messages)
    assert trouble.code == m.WATCHDOG
    assert messages.index(trouble) == messages.index(only(m.Hello, messages)[1]) + 1


@given(st.binary(max_size=600), st.sampled_from(("stream", "sysex")))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_garbage_on_the_request_line_costs_no_scan(play: Player, storage: Path, garbage: bytes, carrier: str) -> None:
    storage.write_bytes(b"\xff" * 96)
    script = Script()
    carry = to_stream if carrier == "stream" else to_sysex
    every_us = SCAN_US if carrier == "stream" else 11_000
    script.host_says(5_000, carry(m.encode(m.Stream(1, m.STREAM_RAW, 2_000 if carrier == "stream" else 91))))
    # 100 bytes at once every 2 ms is what 500 000 baud brings.
    for start in range(0, len(garbage), 100):
        script.host_says(10_000 + 20 * start, garbage[start : start + 100])
    script.happens(60_000, scripts.END)
    messages = play(script.as_bytes(), carrier).messages(carrier)
    times_us = [raw.ticks32 for raw in only(m.Raw, messages)]
    assert all(abs(after - before - every_us) <= 10 for before, after in pairwise(times_us))
    assert len(times_us) >= 50_000 // every_us
