from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.wire import messages as m
from fingerlead.wire.account import LONGEST_PAUSE_US
from fingerlead.wire.columns import read_record
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.events import Doubt, Doubted, Intake, State
from fingerlead.wire.link import ChanterLink, HostLink
from tests.wire.wire_streams import Chanter, collect, play, playing, read


@pytest.fixture(params=["stream", "sysex"])
def carrier(request) -> str:
    return request.param


# What a host must survive (the table at the end of hardware_notes/wire.md).


def test_starting_in_mid_frame_skips_the_rest_of_it_and_counts_no_bad_frame(carrier):
    stream = b"".join(play(playing(5), carrier))
    whole = read_record(stream, None, carrier)
    first = len(play(playing(1), carrier)[0])
    for start in range(2, first):
        record = collect(HostLink(carrier), [(stream[start:], 0)])
        assert record.t_us.tolist() == [0, 10_000, 20_000, 30_000]
        assert record.covered.tolist() == whole.covered.tolist()[1:]
        assert record.intake.bad_frames == 0
        assert record.intake.lost_frames == 0
        assert record.intake.skipped_bytes == first - start - (carrier == "stream")


@pytest.mark.parametrize("bit", range(8))
def test_a_flipped_bit_costs_one_frame_and_marks_its_stretch(carrier, bit):
    frames = play(playing(5), carrier)
    for place in range(len(frames[2]) - 1):
        torn = bytearray(frames[2])
        torn[place] ^= 1 << bit
        record = collect(HostLink(carrier), [(b"".join([*frames[:2], bytes(torn), *frames[3:]]), 0)])
        assert record.t_us.tolist() == [0, 10_000, 30_000, 40_000]
        assert record.doubts == [Doubt(10_000, 30_000, "lost", 1)]
        assert record.intake.frames == 4
        assert record.intake.lost_frames == 1


@pytest.mark.parametrize("what", ["missing", "doubled", "inserted"])
def test_a_missing_doubled_or_inserted_byte_costs_at_most_two_frames(carrier, what):
    frames = play(playing(6), carrier)
    for place in range(len(frames[2])):
        frame = frames[2]
        torn = {
            "missing": frame[:place] + frame[place + 1 :],
            "doubled": frame[: place + 1] + frame[place:],
            "inserted": frame[:place] + b"\x55" + frame[place:],
        }[what]
        record = collect(HostLink(carrier), [(b"".join([*frames[:2], torn, *frames[3:]]), 0)])
        kept = dict(zip(record.t_us.tolist(), record.covered.tolist(), strict=True))
        assert kept.items() <= {i * 10_000: i for i in range(6)}.items()
        lost = 6 - len(kept)
        assert lost <= 2
        assert record.intake.lost_frames == lost
        assert [doubt.count for doubt in record.doubts] == ([lost] if lost else [])


def test_lost_frames_are_counted_and_marked_and_nothing_is_made_up():
    record = read([("holes", 1), ("wait", 1000), ("lose", 4), ("wait", 9_000), ("holes", 2)])
    assert record.t_us.tolist() == [0, 10_000]
    assert record.doubts == [Doubt(0, 10_000, "lost", 5)]
    assert record.intake.lost_frames == 5


def test_lost_raw_frames_are_counted_but_cast_no_doubt_on_the_holes():
    record = read([("holes", 1), ("raw", 0), ("wait", 1000), ("lose", 1), ("raw", 0), ("holes", 2)])
    assert record.intake.lost_frames == 2
    assert record.doubts == []


def test_the_sequence_wraps_without_loss():
    chanter = Chanter()
    chanter.sequences[0] = 65534
    for step in playing(4):
        chanter.step(*step)
    assert collect(HostLink(), [(b"".join(chanter.frames), 0)]).intake.lost_frames == 0


@pytest.mark.parametrize("again", [1, 3])
def test_a_frame_that_comes_twice_counts_once(carrier, again):
    frames = play(playing(6), carrier)
    # One frame again at once, or the last few again: a chunk that a driver handed over twice.
    doubled = [*frames[:4], *frames[4 - again : 4], *frames[4:]]
    record = collect(HostLink(carrier), [(b"".join(doubled), 0)])
    assert record.t_us.tolist() == [0, 10_000, 20_000, 30_000, 40_000, 50_000]
    assert record.doubts == []
    assert record.intake == Intake(frames=6 + again)


def test_the_time_wraps_after_71_minutes_and_goes_on():
    chanter = Chanter(ticks=2**32 - 15_000)
    for step in playing(4):
        chanter.step(*step)
    record = collect(HostLink(), [(b"".join(chanter.frames), 0)])
    assert record.t_us.tolist() == [0, 10_000, 20_000, 30_000]
    assert record.intake.restarts == 0


def test_hours_of_heartbeats_are_one_clock():
    record = read([step for _ in range(500) for step in (("holes", 1), ("wait", 60_000_000))])
    assert record.t_us[-1] == 499 * 60_000_000


def test_time_that_falls_back_is_a_restart_and_nothing_is_lost_in_it():
    record = read([*playing(5), ("restart", 52), *playing(3)])
    assert record.intake.restarts == 1
    assert record.intake.lost_frames == 0
    assert record.doubts == [Doubt(40_000, 1_040_000, "restart")]
    assert record.t_us.tolist() == [0, 10_000, 20_000, 30_000, 40_000, 1_040_000, 1_050_000, 1_060_000]


def test_after_a_restart_the_clock_goes_on_by_the_hosts_elapsed_time():
    link, states = HostLink(), []
    for i, frame in enumerate(play([*playing(3), ("restart", 0), *playing(2)])):
        states += [event.t_us for event in link.receive(frame, 7_000_000 * i) if isinstance(event, State)]
    assert states == [0, 10_000, 20_000, 7_020_000, 7_030_000]


@pytest.mark.parametrize(("host_us", "pause_us"), [(5, 1), (-9, 1), (2**62, LONGEST_PAUSE_US)])
def test_the_clock_never_falls_nor_runs_away_at_a_restart(host_us, pause_us):
    first, second = play([("wait", 100), ("holes", 1), ("restart", 0), ("holes", 1)])
    record = collect(HostLink(), [(first, 5), (second, host_us)])
    assert record.t_us.tolist() == [0, pause_us]
    arrivals = np.array([(0, 5), (len(first), host_us)])
    assert read_record(first + second, arrivals).t_us.tolist() == [0, pause_us]


def test_a_restart_that_looks_like_time_going_on_is_told_by_the_boot_number():
    record = read([("boot", 1), ("hello", 1), *playing(3), ("boot", 2), ("hello", 1), ("restart", 90_000), *playing(2)])
    assert record.intake.restarts == 1
    assert record.doubts == [Doubt(20_000, 1_020_000, "restart")]
    assert record.intake.lost_frames == 0


def test_a_restart_seen_in_the_times_is_not_counted_again_when_the_hello_comes():
    start = [
        ("boot", 1),
        ("hello", 1),
        *playing(3),
        ("boot", 2),
        ("restart", 0),
        *playing(2),
        ("hello", 1),
        *playing(2),
    ]
    assert read(start).intake.restarts == 1
    # The next new boot number is a restart of its own.
    assert read([*start, ("boot", 3), ("hello", 1), *playing(1)]).intake.restarts == 2
    # So is one that comes after a hello that said nothing new.
    again = [
        ("hello", 1),
        *playing(3),
        ("restart", 0),
        *playing(2),
        ("hello", 1),
        ("boot", 2),
        ("hello", 1),
        *playing(1),
    ]
    assert read(again).intake.restarts == 2


def test_with_the_same_boot_number_time_that_falls_back_is_a_restart_all_the_same():
    assert read([("hello", 1), *playing(3), ("restart", 0), ("hello", 1), *playing(2)]).intake.restarts == 1


def test_hellos_of_the_same_start_and_hellos_without_boot_number_are_no_restart():
    script = [("hello", 1), *playing(2), ("hello", 1), *playing(2), ("boot", 0), ("hello", 1), *playing(2)]
    assert read(script).intake.restarts == 0


def test_another_chanter_on_the_same_link_is_a_restart():
    script = [("hello", 1), *playing(2), ("swap device", 0), ("hello", 1), *playing(2)]
    assert read(script).intake.restarts == 1


def test_troubles_an_hour_apart_are_no_restart():
    heartbeats = [step for _ in range(61) for step in (("holes", 1), ("wait", 60_000_000))]
    assert read([("trouble", 0), *heartbeats, ("trouble", 0)]).intake.restarts == 0


def test_kinds_share_one_clock_and_may_overtake_each_other_a_little():
    link, events = HostLink(), []
    # The holes frame was held back by the chatter filter while a raw frame went out.
    chanter = ChanterLink()
    for message in (m.Holes(0, 0, 1), m.Raw(0, 10_000, (0,) * 8), m.Holes(1, 7_000, 2), m.Raw(1, 9_999, (0,) * 8)):
        events += link.receive(chanter.send(message), None)
    assert [event.t_us for event in events if isinstance(event, State)] == [0, 7_000]
    assert link.intake.restarts == 1  # the last raw frame lies behind the raw frame before it
    assert events[-2] == Doubted(Doubt(10_000, 1_010_000, "restart"))


def test_a_chanter_that_vanishes_in_mid_frame_and_returns_leaves_a_gap(carrier):
    frames = play([*playing(3), ("wait", 5_000_000), *playing(2)], carrier)
    pieces = [*frames[:2], frames[2][:7], b"\x00" + frames[3] if carrier == "stream" else frames[3], frames[4]]
    record = collect(HostLink(carrier), [(piece, None) for piece in pieces])
    assert record.t_us.tolist() == [0, 10_000, 5_030_000, 5_040_000]
    assert record.doubts == [Doubt(10_000, 5_030_000, "lost", 1), Doubt(10_000, 5_030_000, "gap")]
    assert record.intake.bad_frames == (carrier == "stream")
    assert record.intake.skipped_bytes == 7


@pytest.mark.parametrize(("silence_us", "is_gap"), [(249_999, False), (250_000, True)])
def test_a_gap_is_a_quarter_second_without_any_timed_frame(silence_us, is_gap):
    doubts = [Doubt(0, silence_us, "gap")] if is_gap else []
    assert read([("holes", 1), ("wait", silence_us), ("holes", 1)]).doubts == doubts
    half = silence_us // 2
    for kind in ("raw", "trouble"):
        assert read([("holes", 1), ("wait", half), (kind, 0), ("wait", silence_us - half), ("holes", 1)]).doubts == []


def test_how_long_a_gap_is_can_be_set():
    frames = play([("holes", 1), ("wait", 60_000), ("holes", 1)])
    assert collect(HostLink(gap_us=50_000), [(frame, 0) for frame in frames]).doubts == [Doubt(0, 60_000, "gap")]
    assert read_record(b"".join(frames), gap_us=50_000).doubts == [Doubt(0, 60_000, "gap")]


def test_hellos_do_not_bridge_a_gap():
    assert len(read([("holes", 1), ("wait", 200_000), ("hello", 1), ("wait", 200_000), ("holes", 1)]).doubts) == 1


def test_two_chanters_are_two_links_that_know_nothing_of_each_other():
    one, two = HostLink(), HostLink()
    first, second = play(playing(10)), play([("hello", 2), *playing(10)], ticks=4_000_000_000)
    got = []
    for a, b in zip(first, second[1:], strict=True):
        got += [*one.receive(a, 0)]
        two.receive(b, 0)
    assert [event.covered_mask for event in got] == list(range(10))
    assert one.hello is None


@pytest.mark.parametrize(
    "noise",
    [b"\x55" * 4096, b"login: ", bytes(range(1, 256)) * 4, random.Random(1).randbytes(4096)],
    ids=["endless", "a prompt", "no zero", "random"],
)
def test_a_device_that_is_no_chanter_is_refused_within_two_seconds_in_one_sentence(carrier, noise):
    link = HostLink(carrier)
    for ms in range(0, 1999, 100):
        assert link.receive(noise, 50_000_000 + ms * 1000) == []
    with pytest.raises(NotAChanter) as caught:
        link.receive(noise, 52_000_000)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert "expected" in sentence
    assert f"{21 * len(noise)} bytes" in sentence
    assert "check that this is the chanter's port" in sentence
    assert caught.value.expected
    assert caught.value.got
    # Also where the bytes stop: a read that times out asks again.
    quiet = HostLink(carrier)
    quiet.receive(noise, 0)
    with pytest.raises(NotAChanter):
        quiet.receive(b"", 2_000_000)


def test_a_device_that_sends_our_own_words_back_is_no_chanter():
    link = HostLink()
    link.receive(link.who(), 0)
    with pytest.raises(NotAChanter):
        link.receive(b"", 2_000_000)


def test_a_silent_port_is_waited_for():
    link = HostLink()
    for seconds in range(3600):
        assert link.receive(b"", seconds * 1_000_000) == []
    assert link.receive(play([("holes", 9)])[0], 3600_000_000) == [State(0, 9, 3600_000_000)]


def test_a_late_first_frame_within_the_two_seconds_is_enough():
    link = HostLink()
    link.receive(b"boot loader, version 3\r\n", 0)
    link.receive(play([("hello", 1)])[0], 1_999_999)
    assert link.receive(b"", 60_000_000) == []


def test_memory_stays_bounded_with_endless_bytes(carrier):
    link = HostLink(carrier, patience_us=None)
    for _ in range(2000):
        link.receive(b"\xf0\x7d\x46\x4c" + b"\x33" * 1000, 0)
    assert link.close().skipped_bytes == 2000 * 1004


def test_a_replay_may_run_at_any_speed():
    frames = play([("hello", 1), *playing(20)])
    slow = collect(HostLink(), [(frame, i * 3_600_000_000) for i, frame in enumerate(frames)])
    fast = collect(HostLink(), [(frame, 0) for frame in frames])
    assert slow.t_us.tolist() == fast.t_us.tolist()
    assert slow.doubts == fast.doubts == []


@given(st.lists(st.binary(max_size=50), max_size=20))
def test_no_bytes_raise_anything_from_a_link_that_waits(pieces):
    for carrier in ("stream", "sysex"):
        link, chanter = HostLink(carrier, patience_us=None), ChanterLink(carrier)
        for i, piece in enumerate(pieces):
            link.receive(piece, i)
            chanter.receive(piece)
        assert link.close().skipped_bytes <= sum(map(len, pieces))


def test_every_cut_of_a_small_recording_is_read(carrier):
    stream = b"".join(play([("hello", 1), *playing(4), ("trouble", 0)], carrier))
    for size in range(len(stream) + 1):
        record = read_record(stream[:size], None, carrier)
        assert record.t_us.tolist() == [0, 10_000, 20_000, 30_000][: len(record.t_us)]
        assert record.intake.bad_frames == record.intake.lost_frames == 0
        assert record.doubts == []
