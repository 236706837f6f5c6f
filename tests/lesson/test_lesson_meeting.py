"""How two ends meet, and who is not let in."""

from __future__ import annotations

import os
import sys

import pytest

from fingerlead.lesson.code import GOOD_FOR_US, TRIES, LessonCode, draw_code, read_code
from fingerlead.lesson.end import MOST_A_SECOND, LessonEnd, Took, Turned
from fingerlead.lesson.entries import ActDone, Consent, PageTold, Read, SayWord, SetRung, decode_entry, encode_entry
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.keys import NotInstalled
from fingerlead.lesson.meeting import LATEST_ATTEMPTS, MOST_GREETS, Meeting
from fingerlead.lesson.packets import Greet, Refuse, decode_packet
from tests.lesson.faulty_line import FIVE_PERCENT, Net, Weather
from tests.lesson.lessons import SECRET, met


def meet(pupil: Meeting, teacher: Meeting, now_us: int = 0) -> None:
    """All that they say to each other until both are silent."""
    waiting = [(teacher, packet) for packet in pupil.poll(now_us)]
    while waiting:
        to, packet = waiting.pop(0)
        back = pupil if to is teacher else teacher
        waiting += [(back, answer) for answer in to.receive(decode_packet(packet), now_us)]


def test_who_knows_the_code_gets_the_keys():
    pupil, teacher = Meeting("pupil", SECRET, 0), Meeting("teacher", SECRET, 0)
    meet(pupil, teacher)
    assert pupil.keys.of("pupil now") == teacher.keys.of("pupil now")
    assert pupil.keys.proof() != teacher.keys.proof()


def test_a_wrong_code_is_refused_three_times_and_then_the_right_one_too():
    teacher = Meeting("teacher", SECRET, 0)
    said = []
    for _ in range(TRIES):
        pupil = Meeting("pupil", b"amber-oyster", 0)
        meet(pupil, teacher)
        assert pupil.keys is None
        said.append(pupil.refused)
    assert said == [
        "the code is wrong; 2 tries are left, so type it again",
        "the code is wrong; one try is left, so type it again",
        "the code was wrong three times; ask the teacher for a new one",
    ]
    pupil = Meeting("pupil", SECRET, 0)
    meet(pupil, teacher)
    assert pupil.keys is teacher.keys is None
    assert "ask the teacher for a new one" in pupil.refused
    assert teacher.refused == "the code was wrong three times; ask the teacher for a new one"


def test_a_wrong_code_before_the_right_one_does_no_harm():
    teacher = Meeting("teacher", SECRET, 0)
    meet(Meeting("pupil", b"amber-oyster", 0), teacher)
    pupil = Meeting("pupil", SECRET, 0)
    meet(pupil, teacher)
    assert pupil.keys is not None
    assert teacher.keys is not None


@pytest.mark.parametrize(("late_us", "let_in"), [(GOOD_FOR_US, True), (GOOD_FOR_US + 1, False)])
def test_a_code_is_good_for_ten_minutes(late_us, let_in):
    teacher, pupil = Meeting("teacher", SECRET, 0), Meeting("pupil", SECRET, late_us)
    meet(pupil, teacher, late_us)
    assert (pupil.keys is not None) == let_in
    assert ("ten minutes" in pupil.refused) != let_in


def test_a_code_is_good_for_one_pupil():
    teacher, first, second = Meeting("teacher", SECRET, 0), Meeting("pupil", SECRET, 0), Meeting("pupil", SECRET, 0)
    meet(first, teacher)
    keys = teacher.keys
    meet(second, teacher)
    assert second.keys is None
    assert "serves one pupil" in second.refused
    assert teacher.keys is keys


def test_neither_end_waits_for_ever():
    pupil, teacher = Meeting("pupil", SECRET, 0), Meeting("teacher", SECRET, 0)
    assert pupil.poll(GOOD_FOR_US + 1) == teacher.poll(GOOD_FOR_US + 1) == []
    assert pupil.refused.startswith("no answer in ten minutes")
    assert "ten minutes" in teacher.refused


@pytest.mark.parametrize(
    ("ours", "theirs", "where"), [((1, 1), (2, 3), "this program"), ((2, 3), (1, 1), "the other one")]
)
def test_versions_that_differ_say_which_and_where_to_update(ours, theirs, where):
    pupil = Meeting("pupil", SECRET, 0, versions=ours)
    teacher = Meeting("teacher", SECRET, 0, versions=theirs)
    meet(pupil, teacher)
    assert pupil.keys is teacher.keys is None
    assert where in pupil.refused
    assert "update fingerlead" in pupil.refused
    assert teacher.tries == TRIES


def test_versions_cannot_be_talked_down():
    """Who alters the versions in a greeting on its way spoils the keys."""
    pupil, teacher = Meeting("pupil", SECRET, 0), Meeting("teacher", SECRET, 0)
    (greeting,) = pupil.poll(0)
    greet = decode_packet(greeting)
    (answer,) = teacher.receive(Greet(greet.attempt, 0, greet.highest, greet.message), 0)
    (proof,) = pupil.receive(decode_packet(answer), 0)
    (refusal,) = teacher.receive(decode_packet(proof), 0)
    assert isinstance(decode_packet(refusal), Refuse)
    assert teacher.keys is None


def test_what_comes_twice_costs_no_try():
    pupil, teacher = Meeting("pupil", SECRET, 0), Meeting("teacher", SECRET, 0)
    (greeting,) = pupil.poll(0)
    answers = {teacher.receive(decode_packet(greeting), at)[0] for at in range(50)}
    assert len(answers) == 1
    (proof,) = pupil.receive(decode_packet(answers.pop()), 0)
    confirmed = {teacher.receive(decode_packet(proof), at)[0] for at in range(50)}
    assert len(confirmed) == 1
    pupil.receive(decode_packet(confirmed.pop()), 0)
    assert pupil.keys is not None
    assert teacher.tries == TRIES


def test_a_stranger_who_greets_over_and_over_costs_a_bounded_time():
    teacher = Meeting("teacher", SECRET, 0)
    (greeting,) = Meeting("pupil", b"amber-oyster", 0).poll(0)
    message = decode_packet(greeting).message
    answers = [decode_packet(teacher.receive(Greet(os.urandom(8), 1, 1, message), 0)[0]) for _ in range(100)]
    assert sum(isinstance(answer, Greet) for answer in answers) == MOST_GREETS
    assert len(teacher._attempts) == LATEST_ATTEMPTS


def test_a_message_that_is_none_is_refused():
    teacher = Meeting("teacher", SECRET, 0)
    (answer,) = teacher.receive(Greet(bytes(8), 1, 1, b"A" + b"\xff" * 32), 0)
    assert isinstance(decode_packet(answer), Refuse)
    (answer,) = teacher.receive(Greet(bytes(8), 1, 1, bytes(33)), 0)
    assert isinstance(decode_packet(answer), Refuse)


@pytest.mark.parametrize("package", ["spake2", "nacl"])
@pytest.mark.parametrize("role", ["pupil", "teacher"])
def test_a_missing_package_is_named_with_the_line_that_installs_it(monkeypatch, package, role):
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(NotInstalled, match=rf"{package} is missing; pip install 'fingerlead\[lesson\]'"):
        LessonEnd(role, SECRET, 0)


@pytest.mark.parametrize("weather", [Weather(), FIVE_PERCENT])
def test_nothing_of_a_player_leaves_before_the_click(weather):
    ends = LessonEnd("pupil", SECRET, 0), LessonEnd("teacher", SECRET, 0)
    net = Net(*ends, weather)
    net.until(lambda: all(end.phase == "agreed" for end in ends))
    assert ends[0].add(Read(1, "stream", b"frames"), net.now_us) is None
    assert ends[0].add(PageTold("hello"), net.now_us) is None
    ends[1].consent(Consent("Mr Bell"), net.now_us)
    for _ in range(300):
        net.step()
    assert ends[0].phase == ends[1].phase == "agreed"
    assert ends[1].incoming.made == 0
    assert not any(isinstance(event, Took) for _, event in net.events[1])
    # The pupil sees who would listen before agreeing.
    assert ends[0].theirs == Consent("Mr Bell")
    ends[0].consent(Consent("Ann"), net.now_us)
    net.until(lambda: all(end.phase == "open" for end in ends))
    assert ends[1].theirs == Consent("Ann")
    with pytest.raises(LessonError, match="waits for consent"):
        ends[0].consent(Consent("Ann"), net.now_us)


def test_an_act_comes_once_and_is_answered():
    net = met(FIVE_PERCENT, seed=4)
    acts = [SetRung("b-c"), SayWord("slowly"), SayWord("slowly"), SetRung("c-d")]
    numbers = [net.ends[1].add(act, net.now_us) for act in acts]
    assert numbers == [1, 2, 3, 4]

    def took(at):
        return [event for _, event in net.events[at] if isinstance(event, Took)]

    net.until(lambda: len(took(0)) == 5)
    assert [one.entry for one in took(0)][1:] == acts
    for one in took(0)[1:]:
        net.ends[0].add(ActDone(one.number), net.now_us)
    net.until(lambda: len(took(1)) == 5)
    assert [one.entry.act for one in took(1)[1:]] == numbers


def test_forged_repeated_and_broken_packets_change_nothing():
    net = met()
    pupil, teacher = net.ends
    net.until(lambda: teacher.phase == "open")
    pupil.add(Read(1, "stream", b"abc"), net.now_us)
    net.step()
    sealed = [packet for at, _, packet in net.wire if at == 0][-1]
    for _ in range(10):
        net.step()
    before = (teacher.incoming.have, teacher.refused)
    forged = [
        sealed[:20] + bytes([sealed[20] ^ 1]) + sealed[21:],
        sealed[:2] + (9**9).to_bytes(8, "little") + sealed[10:],
    ]
    for packet in (sealed, *forged, sealed[:2] + bytes(8) + sealed[10:]):
        assert teacher.receive(packet, net.now_us) == []
    assert (teacher.incoming.have, teacher.refused) == (before[0], before[1] + 4)
    ignored = teacher.ignored
    # One's own packets come back: they are sealed by another key.
    own = [packet for at, _, packet in net.wire if at == 1][-1]
    assert teacher.receive(own, net.now_us) == []
    for packet in (b"", b"\1", b"\1\4", b"\2\4" + sealed[2:], bytes(2_000), os.urandom(80)):
        teacher.receive(packet, net.now_us)
    assert teacher.ignored >= ignored + 5
    assert teacher.incoming.have == before[0]
    assert teacher.phase == "open"


def test_a_flood_is_not_looked_at():
    net = met()
    teacher = net.ends[1]
    net.until(lambda: teacher.phase == "open")
    now_us = net.now_us + 1_000_001
    junk = b"\1\4" + os.urandom(100)
    for _ in range(MOST_A_SECOND + 500):
        teacher.receive(junk, now_us)
    assert teacher.ignored >= 500
    assert teacher.phase == "open"


def test_the_teacher_vanishes_and_the_pupil_is_told():
    net = met()
    net.until(lambda: net.ends[0].phase == "open")
    net.ways[1].weather = Weather(cuts_us=((0, 10**12),))
    net.until(lambda: net.ends[0].phase == "away", 4_000_000)
    assert net.ends[0].add(Read(1, "stream", b"abc"), net.now_us) is not None
    assert [event for _, event in net.events[0] if isinstance(event, Turned)][-1] == Turned("away")


def test_codes_are_typed_in_many_ways_and_what_is_no_code_is_said():
    code = draw_code()
    assert len(code.words) == 4
    assert read_code(str(code)) == code
    assert read_code(" " + "-".join(code.words).upper() + ".\n") == code
    assert code.subject == "-".join(code.words[:2])
    assert code.secret.decode() not in code.subject
    with pytest.raises(LessonError, match="expected 4 words; got 3"):
        read_code(" ".join(code.words[:3]))
    with pytest.raises(LessonError, match=r"'xyzzy' is none"):
        read_code("xyzzy " + " ".join(code.words[:3]))
    with pytest.raises(LessonError, match="expected 4 words"):
        read_code("\x00" * 10_000)
    assert len({str(draw_code()) for _ in range(50)}) == 50
    assert LessonCode(("a", "b", "c", "d")).secret == b"c-d"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x01",
        b"\x01" + bytes(8) + b"\x07abc",
        b"\x01" + b"\xff" * 8 + b"\x00abc",
        b"\x02{",
        b"\x02[]",
        b"\x02" + b"[" * 100_000,
        b'\x02{"name": 5}',
        b'\x02{"name": "' + b"x" * 1_501 + b'"}',
        b'\x05{"at_us": -1}',
        b'\x05{"at_us": true}',
        b'\x05{"at_us": 1e400}',
        b"\x05{}",
        b'\x06{"beat_us": 1, "host_us": [1, "2"]}',
        b'\x08{"text": "\xff"}',
    ],
)
def test_an_entry_that_is_none_is_refused_in_a_sentence(data):
    with pytest.raises(LessonError, match=r"expected .*, got "):
        decode_entry(data)


def test_a_newer_programs_entries_are_passed_over():
    assert decode_entry(b"\xc8anything") is None
    assert decode_entry(b'\x12{"word": "slowly", "louder": [1, {}]}') == SayWord("slowly")
    assert encode_entry(SayWord("slowly"))[0] == 18
