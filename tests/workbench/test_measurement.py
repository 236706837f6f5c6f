"""A calibration led on a simulated chanter under simulated hands, in simulated time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fingerlead.simulated.chanter import Setup
from fingerlead.simulated.hands import SEEN_US, HandHeights, Hands
from fingerlead.simulated.sensing import sensors
from fingerlead.store.chanters import CalibrationError
from fingerlead.wire import messages as wire
from fingerlead.wire.messages import thresholds_body
from fingerlead.workbench.guidance import Guidance
from fingerlead.workbench.levels import holes_of
from fingerlead.workbench.measurement import BarTest, Calibrating, SealCheck
from fingerlead.workbench.samples import PLAN
from fingerlead.workbench.skew import WANTED, fit
from fingerlead.workbench.talk import Giving, Refused
from tests.workbench.workbench_chanters import Sulking, answer_all, hands_port


def run(talk, port, clock, first=None, longest_us=200_000_000):
    began_us, number = clock.us, -1
    port.write(talk.begin(clock.us))
    if first:
        port.asked(first)
    while not talk.done:
        assert clock.us - began_us < longest_us, "it does not come to an end"
        chunks = port.read(0.03)
        for chunk in chunks:
            port.write(talk.hear(chunk.data, chunk.host_us))
        if not chunks:
            talk.hear(b"", clock.us)
        steps = getattr(talk, "steps", None)
        if steps is not None and not steps.done and steps.number != number:
            number = steps.number
            port.asked(*PLAN[number])
    return clock.us - began_us


@pytest.mark.parametrize("kind", ["usual", "noisy"])
def test_a_newcomer_is_led_through_in_two_minutes(kind):
    for seed in range(2):
        port, clock = hands_port(seed, sensors_=sensors(kind))
        talk = Calibrating("stream")
        took_us = run(talk, port, clock)
        assert took_us < 120_000_000
        # The noisy ones lie about ten to one, where good begins.
        told = {report.verdict for report in talk.reports}
        assert told == {"good"} if kind == "usual" else told <= {"good", "doubtful"}
        assert talk.steps is not None
        assert talk.steps.left_out == []
        for report in talk.reports:
            assert report.open_raw < report.uncover_at < report.cover_at < report.covered_raw
        assert len(talk.before) == 8


def test_levels_are_given_read_back_compared_and_kept():
    port, clock = hands_port()
    levels = tuple((600 + hole, 300 + hole) for hole in range(8))
    giving = Giving("stream", levels, Setup().device_id.hex())
    run(giving, port, clock)
    assert giving.kept
    assert giving.before == tuple((sensor.cover_at, sensor.uncover_at) for sensor in sensors())
    again = Giving("stream", levels, Setup().device_id.hex())
    run(again, port, clock)
    assert again.before == levels


def test_another_chanter_gets_nothing():
    port, clock = hands_port()
    with pytest.raises(CalibrationError, match="plug in the other one"):
        run(Giving("stream", tuple((600, 300) for _ in range(8)), "00" * 8), port, clock)
    told = Giving("stream", tuple((600, 300) for _ in range(8)), Setup().device_id.hex())
    run(told, port, clock)
    assert told.before == tuple((sensor.cover_at, sensor.uncover_at) for sensor in sensors())


def give(answer, **how):
    chanter = Sulking(answer, **how)
    giving = Giving("stream", tuple((700, 200) for _ in range(8)), "00" * 8)
    run(giving, chanter, chanter.clock)
    return giving, chanter


def test_a_chanter_that_tells_other_levels_gets_the_old_ones_back():
    def liar(request, chanter):
        status, body = answer_all(request, chanter)
        if isinstance(request, wire.SetThresholds):
            chanter.levels = tuple((cover + 1, uncover) for cover, uncover in request.levels)
        return status, body

    with pytest.raises(Refused, match="the old are back"):
        give(liar)


@pytest.mark.parametrize("told", [(0, 0), (300, 600)])
def test_levels_that_no_chanter_can_have_are_one_sentence_and_nothing_is_given(told):
    def liar(request, chanter):
        body = thresholds_body((told,) * 8) if isinstance(request, wire.GetThresholds) else b""
        asked.append(type(request))
        return wire.DONE, body

    asked = []
    with pytest.raises(Refused, match=f"of the thumb it told {told[0]} and {told[1]}; its firmware"):
        give(liar)
    assert wire.SetThresholds not in asked


def test_what_a_chanter_refuses_is_one_sentence():
    def refuser(request, chanter):
        return (wire.BAD_VALUE, b"") if isinstance(request, wire.SetThresholds) else answer_all(request, chanter)

    with pytest.raises(Refused, match="take its thresholds, but it answered: bad value"):
        give(refuser)


def test_a_chanter_that_cannot_keep_has_them_until_it_is_switched_off():
    def forgetful(request, chanter):
        return (wire.STORAGE_FAILED, b"") if isinstance(request, wire.Keep) else answer_all(request, chanter)

    giving, chanter = give(forgetful)
    assert not giving.kept
    assert chanter.levels == tuple((700, 200) for _ in range(8))


def test_an_answer_to_who_that_comes_after_a_hello_is_taken_for_no_other():
    def slow(request, chanter):
        if isinstance(request, wire.Who):
            return None
        if isinstance(request, wire.GetThresholds) and request.request == 1:
            chanter.out += chanter.link.send(wire.Answer(0, wire.DONE, b""))
        return answer_all(request, chanter)

    giving, _ = give(slow)
    assert giving.before == ((600, 300),) * 8
    assert giving.kept


TALKS = {"levels": lambda: Calibrating("stream"), "seal": lambda: SealCheck("stream", (0.0,) * 8, (9.0,) * 8)}
# What comes in each read of 30 ms, by the count of the reads: raw samples at these times.
TOO_FEW = {
    "none": lambda read: [],
    "stands still": lambda read: [77] * 30,
    "creeps": lambda read: range(30 * read, 30 * read + 30),
    "33 a second": lambda read: [30_000 * read],
}


class Streaming(Sulking):
    """Raw samples at the `times` that come in each read, beside holes."""

    reads = sequence = 0

    def __init__(self, times):
        super().__init__(answer_all)
        self.times = times

    def read(self, timeout_s):
        self.reads += 1
        self.out += self.link.send(wire.Holes(self.reads, 30_000 * self.reads, 0))
        for t_us in self.times(self.reads):
            self.sequence += 1
            self.out += self.link.send(wire.Raw(self.sequence & 0xFFFF, t_us, (5,) * 8))
        return super().read(timeout_s)


@pytest.mark.parametrize("talk", TALKS)
def test_a_time_that_jumps_ends_no_step(talk):
    chanter = Streaming(lambda read: [60_000_000 * read])
    with pytest.raises(Refused, match="the chanter's time jumped by 60 s; begin again"):
        run(TALKS[talk](), chanter, chanter.clock, longest_us=10_000_000)


@pytest.mark.parametrize("talk", TALKS)
@pytest.mark.parametrize("times", TOO_FEW)
def test_raw_samples_that_do_not_go_on_are_one_sentence(talk, times):
    chanter = Streaming(TOO_FEW[times])
    with pytest.raises(Refused, match=r"with times that go on, but in 5 s only \d+ came, .*; check its cable"):
        run(TALKS[talk](), chanter, chanter.clock, longest_us=10_000_000)


@pytest.mark.parametrize("talk", TALKS)
def test_a_chanter_that_cannot_send_enough_raw_samples_is_told_so(talk):
    def slow(request, chanter):
        return (wire.DONE, b"\x05\x00") if isinstance(request, wire.Stream) else answer_all(request, chanter)

    chanter = Sulking(slow)
    with pytest.raises(Refused, match="the chanter sends only 5; use a quicker link"):
        run(TALKS[talk](), chanter, chanter.clock)


@pytest.mark.parametrize("talk", [BarTest, Calibrating])
def test_another_chanter_in_the_middle_is_one_sentence(talk):
    def answer(request, chanter):
        if isinstance(request, wire.Stream):
            chanter.out += chanter.link.send(wire.Hello(device_id=b"stranger", abilities=255, raw_bits=10))
        return answer_all(request, chanter)

    chanter = Sulking(answer)
    with pytest.raises(Refused, match=f"expected chanter {'00' * 8} to stay on, but chanter {b'stranger'.hex()} spoke"):
        run(talk("stream"), chanter, chanter.clock)


def test_levels_go_to_no_chanter_that_came_in_between():
    def answer(request, chanter):
        if isinstance(request, wire.GetThresholds):
            chanter.out += chanter.link.send(wire.Hello(device_id=b"stranger", abilities=255, raw_bits=10))
        return answer_all(request, chanter)

    chanter = Sulking(answer)
    with pytest.raises(Refused, match="to stay on"):
        run(Giving("stream", ((700, 200),) * 8, "00" * 8), chanter, chanter.clock)
    assert chanter.levels == ((600, 300),) * 8


def test_silence_is_one_sentence():
    with pytest.raises(Refused, match=r"fell silent|did not answer"):
        give(lambda request, chanter: (wire.DONE, b"") if isinstance(request, wire.Who) else None)


def test_a_port_without_a_chanter_is_one_sentence():
    chanter = Sulking(answer_all)
    chanter.write = lambda data: None
    with pytest.raises(Refused, match="no hello came"):
        run(Giving("stream", ((700, 200),) * 8, "00" * 8), chanter, chanter.clock)


@pytest.mark.parametrize("talk", [lambda: Calibrating("stream"), lambda: SealCheck("stream", (0.0,) * 8, (9.0,) * 8)])
def test_a_chanter_without_raw_samples_is_told_so(talk):
    chanter = Sulking(answer_all, abilities=0)
    with pytest.raises(Refused, match="cannot; its maker"):
        run(talk(), chanter, chanter.clock)


def test_the_bar_test_ends_at_forty_of_each():
    port, clock = hands_port(3)
    talk = BarTest("stream")
    run(talk, port, clock, first="bar")
    assert min(talk.counts) >= 38
    # Slopes come after their edges, when other holes have changed; the thumb stayed.
    assert np.isnan(talk.events.rise_raw[:-1]).all(axis=0).tolist() == [True, *[False] * 7]
    assert not np.isnan(talk.events.rise_raw[:-1, 1:]).any()
    found = fit(talk.events)
    # A bar takes SEEN_US past a sensor: what its levels do to that, less its even part.
    shares = [(s.cover_at - s.open_raw, s.uncover_at - s.open_raw, s.covered_raw - s.open_raw) for s in sensors()[1:]]
    lag = [SEEN_US * (1 - (cover + uncover) / swing) for cover, uncover, swing in shares]
    place = np.arange(1.0, 8)
    wanted = np.array(lag) - np.polyval(np.polyfit(place, lag, 1), place)
    assert np.abs(np.array(found.bias_us) - wanted).max() <= 500


def test_the_bar_test_ends_where_the_fingers_lay_on_the_holes_before():
    port, clock = hands_port(3)
    run(SealCheck("stream", (100.0,) * 8, (890.0,) * 8), port, clock, first="seal")
    talk = BarTest("stream")
    run(talk, port, clock, first="bar", longest_us=60_000_000)
    assert talk.counts == (WANTED, WANTED)


def test_a_hole_that_flickers_without_end_is_one_sentence():
    class Flickering(Sulking):
        sequence = 0

        def read(self, timeout_s):
            for _ in range(30):
                self.sequence += 1
                self.out += self.link.send(wire.Holes(self.sequence & 0xFFFF, 1_000 * self.sequence, self.sequence & 1))
            return super().read(timeout_s)

    chanter = Flickering(answer_all)
    with pytest.raises(Refused, match=r"changed 20000 times and it was seen 0 times; look for a hole that flickers"):
        run(BarTest("stream"), chanter, chanter.clock, longest_us=30_000_000)


def test_a_seal_that_holds_is_told_as_one():
    port, clock = hands_port(4)
    talk = SealCheck("stream", (100.0,) * 8, (890.0,) * 8)
    run(talk, port, clock, first="seal")
    assert talk.found == []
    assert all(talk.moved)


def test_low_g_that_never_comes_is_one_sentence():
    port, clock = hands_port(4)
    with pytest.raises(Refused, match="low G"):
        run(SealCheck("stream", (100.0,) * 8, (890.0,) * 8), port, clock)


FAULTY = {
    "dead": lambda column, rng: column * 0,
    "reversed": lambda column, rng: 1_000 - column,
    "noisy": lambda column, rng: np.clip(column + rng.normal(0, 70, len(column)), 0, 1_023),
    "saturated": lambda column, rng: np.minimum(column * 1.4, 1_023),
}


@pytest.mark.parametrize("fault", sorted(FAULTY))
def test_a_faulty_sensor_holds_nothing_up(fault):
    """Fed sample by sample as the samples come; the hands do what is asked of them."""
    hands, steps, number = Hands(7), Guidance(1_023), -1
    heights = HandHeights(hands, sensors(), 3_000, seed=7)
    rng = np.random.default_rng(7)
    scan = 0
    while not steps.done:
        if steps.number != number:
            number = steps.number
            hands.ask(*PLAN[number], heights.time_us(scan))
        row = heights.samples(scan, scan + 1)[0].astype(float)
        row[3] = FAULTY[fault](row[3:4], rng)[0]
        steps.hear(heights.time_us(scan), tuple(int(value) for value in row))
        scan += 1
        assert heights.time_us(scan) < 150_000_000
    reports = holes_of(steps.taken())
    assert reports[3].fault == fault
    assert [report.verdict for report in reports if report.hole != 3] == ["good"] * 7


def test_samples_that_go_back_in_time_are_passed_over():
    steps = Guidance(1_023)
    for t_us in (1_000, 4_000, 2_000, 5_000):
        steps.hear(t_us, (100,) * 8)
    assert not steps.done


def test_nothing_moves_and_it_ends_all_the_same_and_nothing_is_called_faulty():
    steps, t_us = Guidance(1_023), 0
    while not steps.done:
        steps.hear(t_us, (100,) * 8)
        t_us += 5_000
    assert {report.verdict for report in holes_of(steps.taken())} == {"not judged"}
    assert {number for number, (kind, _) in enumerate(PLAN) if kind != "open"} == set(steps.left_out)


def test_the_setup_of_the_hands_is_the_chanters():
    port, _ = hands_port(setup=replace(Setup(), device_id=b"abcdefgh"))
    assert port._chanter.setup.device_id == b"abcdefgh"
