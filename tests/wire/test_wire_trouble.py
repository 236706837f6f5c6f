"""A hole whose sensor is bad: told in words with what to do, once, and what was played meanwhile is uncertain."""

from __future__ import annotations

import numpy as np
import pytest

from fingering.holes import HOLES
from fingering.table import standard_table
from fingerlead.timing.analysis import analyse
from fingerlead.timing.timeline import timing_of
from fingerlead.wire import messages as m
from fingerlead.wire.account import TROUBLE_US
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.columns import read_record
from fingerlead.wire.events import Doubt, TroubleSeen, trouble_words
from fingerlead.wire.link import HostLink

LOW_A, B = 0x7F, 0x3F


def frames(*messages: m.Message) -> bytes:
    return b"\0" + b"".join(to_stream(m.encode(message)) for message in messages)


def told(*troubles: m.Trouble) -> list[TroubleSeen]:
    events = HostLink().receive(frames(*troubles), 0)
    return [event for event in events if isinstance(event, TroubleSeen)]


def test_the_words_name_the_hole_and_what_to_do():
    assert "dry the third hole (top ring)" in trouble_words(m.SLOW_RELEASE, 3)
    assert trouble_words(m.SLOW_RELEASE, 0) == "the thumb hole is wet and lets go late; dry the thumb hole"
    assert "lamp" in trouble_words(m.FLICKER, 7)
    assert trouble_words(m.DRIFT, 7, over=True) == "the seventh hole (bottom little) is well again (drift)"


@pytest.mark.parametrize("hole", [8, 200, m.NO_HOLE])
def test_a_hole_that_is_none_is_left_out(hole):
    assert trouble_words(m.CHATTER, hole) == "chatter"


def test_troubles_of_no_hole_are_told_as_they_are():
    assert trouble_words(m.SUPPLY_LOW, m.NO_HOLE) == "supply low"
    assert trouble_words(99, 3) == "trouble number 99"


def test_what_lasts_is_told_as_news_once_and_again_after_it_was_over():
    wet, over = m.Trouble(m.SLOW_RELEASE, 3, 900, 1_000_000), m.Trouble(m.SLOW_RELEASE, 3, 0, 12_000_000)
    again = m.Trouble(m.SLOW_RELEASE, 3, 4_900, 5_000_000)
    other = m.Trouble(m.SLOW_RELEASE, 4, 100, 6_000_000)
    anew = m.Trouble(m.SLOW_RELEASE, 3, 500, 13_000_000)
    supply = [m.Trouble(m.SUPPLY_LOW, m.NO_HOLE, 0, at_us) for at_us in (14_000_000, 19_000_000)]
    seen = told(wet, again, other, over, anew, *supply)
    assert [event.again for event in seen] == [False, True, False, False, False, False, False]


def test_its_time_is_in_doubt_from_the_first_movement_that_it_affects():
    stream = frames(
        m.Holes(0, 0, LOW_A), m.Trouble(m.DRIFT, 2, 400, 1_000_000), m.Trouble(m.DRIFT, 2, 0, 2_000_000),
        m.Trouble(m.SENSOR_STUCK, 2, 0, 2_100_000), m.Trouble(m.DRIFT, 2, 60_000, 2_200_000),
    )  # fmt: skip
    doubts = [doubt for doubt in read_record(stream).doubts if doubt.cause == "trouble"]
    assert doubts == [
        Doubt(600_000, 1_000_000 + TROUBLE_US, "trouble", 0, m.DRIFT, 2),
        # No earlier than the chanter has been on.
        Doubt(0, 2_200_000 + TROUBLE_US, "trouble", 0, m.DRIFT, 2),
    ]


def test_changes_under_a_trouble_are_uncertain_and_others_are_not():
    """A change every second between low A and B; one trouble of 1 500 ms told at 5.5 s."""
    messages: list[m.Message] = [m.Hello(scan_rate_hz=2_000)]
    for sequence, at_us in enumerate(range(0, 20_000_000, 50_000)):
        if at_us == 5_500_000:
            messages.append(m.Trouble(m.SLOW_RELEASE, 6, 1_600, at_us))
        messages.append(m.Holes(sequence, at_us, LOW_A if at_us // 1_000_000 % 2 else B))
    record = read_record(frames(*messages))
    analysis = analyse(record, standard_table(), timing_of(record, "wire"))
    uncertain = [change.start_us for change in analysis.changes if change.verdict == "uncertain"]
    assert uncertain == list(range(4_000_000, 12_000_000, 1_000_000))
    assert [change.verdict for change in analysis.changes if change.start_us not in uncertain] == ["clean"] * 11


def test_the_words_of_every_lasting_trouble_are_a_sentence_of_their_own():
    sentences = [trouble_words(code, hole) for code in m.LASTING for hole in range(HOLES)]
    assert len(set(sentences)) == len(m.LASTING) * HOLES
    assert all(";" in sentence and sentence.isprintable() for sentence in sentences)
    assert np.all([len(sentence) < 120 for sentence in sentences])
