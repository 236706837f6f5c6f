"""The parts of a lesson: blocks, what waits, the delay, and what is taken in of another's playing."""

from __future__ import annotations

import random
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.table import standard_table
from fingerlead.lesson.blocks import BEGAN, GOES_ON, Joiner, cut
from fingerlead.lesson.copying import copy_into, entries_of, known_of, music_of, take_entry
from fingerlead.lesson.delay import LEAST_US, MOST_US, PlayoutDelay
from fingerlead.lesson.end import Took
from fingerlead.lesson.entries import (
    MOST_ENTRY,
    Beats,
    ChanterKnown,
    Consent,
    MusicAsked,
    PortBack,
    PortGone,
    Read,
    decode_entry,
    encode_entry,
)
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.packets import MOST_PACKET, Content, decode_content, encode_content
from fingerlead.lesson.receiving import FURTHEST, OtherLog
from fingerlead.lesson.sending import BURST, OwnLog
from fingerlead.lesson.watching import Watched
from fingerlead.listening.listening import Listening
from fingerlead.listening.reader import Back, Lost
from fingerlead.listening.recording import Clicked, Known, Recording
from fingerlead.ports.base import Chunk
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.session_file import SessionWriter
from fingerlead.store.session_music import MusicAt
from fingerlead.store.session_reading import read_session, stated_seal, stated_skew
from fingerlead.timing.results import KnownSeal
from tests.faces.command_line import ran
from tests.lesson.lessons import played

SEAL = KnownSeal((1, -2, 3, 4, 5, 6, 7, 8), (8, 7, 6, 5, 4, 3, 2, -1), "2026-01-02T03:04:05", "all holes", 0.125)
TUNE = "X:1\nT:own\nM:4/4\nL:1/4\nK:Hp\nA B c d |]"


@given(st.binary(min_size=1, max_size=5_000))
def test_an_entry_is_cut_and_joined(entry):
    joiner = Joiner()
    blocks = cut(entry)
    assert [joiner.add(block) for block in blocks] == [None] * (len(blocks) - 1) + [entry]


def test_after_a_gap_joining_begins_with_the_next_entry_that_begins():
    joiner, (first, middle, last) = Joiner(), cut(bytes(2_500))
    assert joiner.add(last, after_gap=True) is None
    assert joiner.add(first) is None
    assert joiner.add(last, after_gap=True) is None
    assert joiner.add(b"\0next") == b"next"
    with pytest.raises(LessonError, match="fit together"):
        joiner.add(middle)
    endless = (bytes([GOES_ON | (BEGAN if number else 0)]) + bytes(960) for number in range(MOST_ENTRY))
    with pytest.raises(LessonError, match="at most"):
        any(map(joiner.add, endless))


@given(st.randoms(use_true_random=False), st.integers(1, 60))
def test_a_log_comes_whole_and_once_in_any_order(rng, count):
    entries = [rng.randbytes(rng.randint(1, 3_000)) for _ in range(count)]
    blocks = [block for entry in entries for block in cut(entry)]
    incoming, came = OtherLog(), []
    order = [*range(len(blocks)), *rng.choices(range(len(blocks)), k=len(blocks))]
    rng.shuffle(order)
    for now_us, number in enumerate(order):
        came += incoming.take(number, (blocks[number],), len(blocks), now_us)
        assert all(start > incoming.have for start, _ in incoming.spans)
        beyond = incoming.beyond(now_us, 0)
        assert beyond is None or set(beyond.entries) <= set(entries)
    assert [one.entry for one in came] == entries
    assert [one.number for one in came] == list(range(count))
    assert incoming.whole
    assert incoming.spans == ()


def test_what_is_far_beyond_a_hole_is_not_kept():
    incoming = OtherLog()
    incoming.take(FURTHEST + 1, (b"\0a",), FURTHEST + 2, 0)
    assert incoming.dropped == 1
    for number in range(1, FURTHEST, 64):
        incoming.take(number, tuple(bytes(961) for _ in range(64)), FURTHEST, 0)
    assert incoming._size <= 4 << 20
    assert incoming.dropped > FURTHEST // 2


def test_what_goes_at_once_repeats_the_last_fifth_of_a_second():
    outgoing = OwnLog()
    for number in range(20):
        outgoing.add(bytes([number]), number * 50_000)
        first, blocks = outgoing.now(number * 50_000)
        assert first == max(0, number - 4)
        assert [block[1] for block in blocks] == list(range(first, number + 1))
    assert outgoing.now(950_000) is None


def test_nothing_that_goes_out_is_longer_than_a_packet_may_be():
    rng, outgoing = random.Random(5), OwnLog()
    for _ in range(200):
        outgoing.add(rng.randbytes(rng.randint(1, 4_000)), 0)
    _, at_once = outgoing.now(0)
    runs = outgoing.due(200_000, heard=True)
    assert len(runs) == BURST
    spans = tuple((2 * at + 1, 2 * at + 2) for at in range(16))
    for blocks in (at_once, *(blocks for _, blocks in runs)):
        content = Content(1, 1, 1, 1 << 31, 0, spans, 0, tuple(blocks))
        assert decode_content(encode_content(content)) == content
        assert len(encode_content(content)) + 10 + 16 <= MOST_PACKET


def test_only_what_is_missing_is_sent_again():
    outgoing = OwnLog()
    for number in range(10):
        outgoing.add(bytes([number]), 0)
    outgoing.took(100_000)
    [(first, blocks)] = outgoing.due(100_000, heard=True)
    assert (first, len(blocks)) == (0, 10)
    outgoing.acknowledged(2, ((4, 7), (8, 10)))
    assert outgoing.due(200_000, heard=True) == []
    runs = outgoing.due(1_000_000, heard=True)
    assert [(first, len(blocks)) for first, blocks in runs] == [(2, 2), (7, 1)]
    outgoing.acknowledged(99, ())
    assert outgoing.have == outgoing.made == 10


# --- the delay


def delayed(lateness_us, every_us: int = 50_000, ahead_us: int = 0) -> list[int]:
    """The delays asked for while things come so late, one after the other."""
    delay, found = PlayoutDelay(), []
    for number, late_us in enumerate(lateness_us):
        made_us = number * every_us
        delay.came(made_us, made_us + ahead_us + 30_000 + int(late_us))
        found.append(delay.delay_us)
    return found


def test_the_delay_is_least_on_a_steady_line_and_most_on_a_bad_one():
    rng = np.random.default_rng(3)
    assert set(delayed(rng.uniform(0, 5_000, 400))) == {LEAST_US}
    assert delayed(rng.uniform(0, 400_000, 400))[-1] == MOST_US


@pytest.mark.parametrize("scale_us", [15_000, 25_000, 35_000])
def test_so_many_come_in_time_as_are_meant_to(scale_us):
    lateness_us = np.minimum(np.random.default_rng(4).exponential(scale_us, 4_000), 140_000)
    found = np.array(delayed(lateness_us))
    in_time = lateness_us[1:] <= found[:-1]
    assert 0.93 <= in_time[200:].mean() <= 1
    assert found[-1] < MOST_US


def test_the_delay_grows_at_once_and_falls_slowly():
    lateness_us = [0] * 200 + [90_000] * 40 + [0] * 800
    found = np.array(delayed(lateness_us))
    assert found[199] == LEAST_US
    assert found[215] == 100_000
    falls = np.diff(found[240:])
    assert falls.min() >= -251
    assert found[-1] == LEAST_US


@pytest.mark.parametrize("ahead_us", [86_400_000_000, -86_400_000_000])
def test_it_does_not_matter_what_the_clocks_say(ahead_us):
    rng = np.random.default_rng(5)
    lateness_us = rng.uniform(0, 100_000, 300)
    assert delayed(lateness_us, ahead_us=ahead_us) == delayed(lateness_us)
    delay = PlayoutDelay()
    assert delay.sounds_at_us(5) is None
    delay.came(1_000, 1_000 + ahead_us + 20_000)
    assert delay.sounds_at_us(2_000) == 2_000 + ahead_us + 20_000 + LEAST_US


# --- what is copied, and taken in


def through(entry):
    return decode_entry(encode_entry(entry))


@given(
    st.one_of(
        st.builds(Chunk, st.binary(min_size=1, max_size=300), st.integers(0, 1 << 60)),
        st.builds(Lost, st.text(max_size=100), st.integers(0, 1 << 60)),
        st.builds(Back, st.integers(0, 1 << 60)),
        st.builds(Clicked, st.lists(st.integers(0, 1 << 60), max_size=50).map(tuple), st.integers(1, 1 << 30)),
    )
)
def test_what_is_copied_comes_out_as_it_went_in(what):
    recording = Recording(None)
    recording.carrier = "sysex"
    (entry,) = entries_of(what, recording)
    assert through(entry) == entry
    match what:
        case Chunk(data, host_us):
            assert entry == Read(host_us, "sysex", data)
        case Lost(cause, host_us):
            assert entry == PortGone(host_us, cause)
        case Back(host_us):
            assert entry == PortBack(host_us)
        case Clicked(host_us, beat_us):
            assert entry == Beats(beat_us, host_us)


def test_music_and_what_is_known_of_a_chanter_come_out_as_they_went_in():
    music = SessionMusic("tune", "own", TUNE, 3, 500_000, 30_000, False, "a pause", 4_000_000, 90_000)
    assert all(getattr(music, field.name) != field.default for field in fields(SessionMusic))
    (entry,) = entries_of(MusicAt(77, music), Recording(None))
    assert music_of(through(entry)) == music
    for known in (Known(b"12345678", 1_234, SEAL), Known(b"12345678", None, None), Known(b"x", 0, KnownSeal())):
        (entry,) = entries_of(known, Recording(None))
        assert known_of(through(entry)) == known


def test_a_copy_has_the_sessions_music_clicks_losses_and_chanter(tmp_path):
    """All that a session keeps, and that its reading depends on, is in the copy's session too."""
    frames = played(4_000_000)
    ours = SessionWriter(tmp_path / "ours.session", "stream", "a")
    theirs = SessionWriter(tmp_path / "theirs.session", "stream", "b")
    entries: list = [Consent("Ann")]
    told: list = []
    pupil = Listening(
        standard_table(), lambda what, timing: None, keep=ours, know=lambda device_id: Known(device_id, 700, SEAL)
    )
    copy_into(pupil, entries.append)
    half = len(frames) // 2
    for t_us, data in frames[:half]:
        pupil.take(Chunk(data, 9_000_000 + t_us), "stream")
    pupil.begin_music(SessionMusic("tune", "own", TUNE, 1, 500_000))
    pupil.take(Lost("unplugged", 12_000_000), "stream")
    pupil.take(Back(12_500_000), "stream")
    for t_us, data in frames[half:]:
        pupil.take(Chunk(data, 9_000_000 + t_us), "stream")
        pupil.clicked([9_000_000 + t_us], 500_000)
    pupil.close()
    watched = Watched(standard_table(), lambda *what: told.append(what), keep=theirs)
    for number, entry in enumerate(entries):
        watched.take(Took(number, through(entry)))
    watched.close()
    assert watched.problem == ""
    one, other = read_session(tmp_path / "ours.session"), read_session(tmp_path / "theirs.session")
    assert one.data == other.data
    assert one.arrivals.tolist() == other.arrivals.tolist()
    assert one.marks == other.marks
    assert len(one.marks) >= 2
    assert one.asked == other.asked
    assert one.asked
    assert one.clicks == other.clicks
    assert one.clicks
    assert stated_skew(one) == stated_skew(other) is not None
    assert stated_seal(one) == stated_seal(other) is not None


@pytest.mark.parametrize(
    "entry",
    [
        ChanterKnown("no hexadecimal"),
        MusicAsked(0, "opera"),
        MusicAsked(0, "tune", "x", "no ABC at all"),
        Consent(movements="not = [toml"),
    ],
)
def test_what_cannot_be_taken_in_is_said_and_ends_nothing_else(entry):
    watched = Watched(standard_table(), lambda *what: None)
    if not isinstance(entry, Consent):
        watched.take(Took(0, Consent()))
    watched.take(Took(1, entry))
    assert watched.problem
    watched.take(Took(2, Read(5, "stream", b"\0")))
    watched.close()


def test_music_that_is_asked_for_before_its_state_waits_for_it():
    recording = Recording(None)
    asked: list = []
    recording.copy = asked.append
    take_entry(MusicAsked(500_000, "tune", "own", TUNE), recording)
    assert asked == []
    for t_us, data in played(2_000_000):
        take_entry(Read(t_us, "stream", data), recording)
    (music,) = (what for what in asked if isinstance(what, MusicAt))
    assert music.at_us >= 500_000


def test_a_code_without_a_ticket_is_refused_and_no_session_is_begun(tmp_path):
    done = ran("lesson", "join", "sim", "-o", tmp_path / "a.session", "--code", "apple robin tiger swan")
    assert (done.returncode, done.stdout) == (1, "")
    assert "expected a relay's ticket beside the code" in done.stderr
    assert not list(tmp_path.iterdir())
