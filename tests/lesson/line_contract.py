"""What every line of a lesson promises. A test class for a line inherits `LineContract`, and opens both its ends."""

from __future__ import annotations

import time

import pytest

from fingerlead.lesson.copying import copy_into
from fingerlead.lesson.end import Glimpsed, LessonEnd, Took, Turned
from fingerlead.lesson.entries import Consent, Ending
from fingerlead.lesson.packets import MOST_PACKET, Lane
from fingerlead.lesson.running import LessonRun
from fingerlead.lesson.watching import Watched
from fingerlead.listening.listening import Listening
from fingerlead.ports.base import Chunk, now_us
from tests.lesson.lessons import SECRET, STARTED_US, played
from tests.waiting import PATIENCE_S, wait_for


class Lines:
    """Both ends of a line: `pupil` and `teacher`."""

    pupil = teacher = None

    def close(self) -> None:
        for line in (self.pupil, self.teacher):
            if line is not None:
                line.close()


def take_until(line, count: int) -> list[bytes]:
    """So many packets; fails rather than waits for ever."""
    got: list[bytes] = []
    give_up_s = time.monotonic() + PATIENCE_S
    while len(got) < count:
        assert time.monotonic() < give_up_s, f"the line gave {len(got)} of {count} packets"
        got += line.receive(0.1)
    return got


class LineContract:
    """`lines` is the class that opens both ends."""

    lines: type[Lines]

    @pytest.fixture
    def ends(self, tmp_path):
        ends = self.lines(tmp_path)
        yield ends
        ends.close()

    @pytest.mark.parametrize("lane", list(Lane))
    def test_packets_go_both_ways_whole(self, ends, lane):
        packets = [bytes([number]) * size for number, size in enumerate((2, 3, 500, MOST_PACKET))]
        for one, other in ((ends.pupil, ends.teacher), (ends.teacher, ends.pupil)):
            for packet in packets:
                one.send(lane, packet)
            assert sorted(take_until(other, len(packets))) == packets
        assert ends.pupil.trouble == ends.teacher.trouble == ""

    def test_a_look_that_may_not_wait_returns_at_once(self, ends):
        begun_us = now_us()
        assert ends.pupil.receive(0) == []
        assert now_us() - begun_us < 500_000

    def test_sending_never_waits_and_never_fails(self, ends):
        begun_us = now_us()
        for _ in range(20_000):
            ends.pupil.send(Lane.NOW, bytes(300))
        assert now_us() - begun_us < 5_000_000
        ends.teacher.close()
        for lane in Lane:
            ends.pupil.send(lane, b"to no one")
        assert isinstance(ends.pupil.receive(0), list)

    def test_it_can_be_closed_twice_and_used_no_more(self, ends):
        ends.pupil.close()
        ends.pupil.close()
        ends.pupil.send(Lane.LOG, b"too late")
        assert ends.pupil.receive(0) == []

    def test_a_lesson_over_it_is_the_same_at_both_ends(self, ends):
        lesson = LiveLesson(ends)
        lesson.play(played(4_000_000))
        lesson.finish()
        lesson.check()


class LiveLesson:
    """A lesson in real time over two lines; what is played is there at once."""

    def __init__(self, ends: Lines) -> None:
        from fingering.table import standard_table

        self.events = ([], [])
        self.came_us: list[tuple[int, int]] = []
        self.runs = [
            LessonRun(LessonEnd(role, SECRET, now_us()), line, self._teller(at))
            for at, (role, line) in enumerate((("pupil", ends.pupil), ("teacher", ends.teacher)))
        ]
        self.teacher = Watched(standard_table(), lambda *what: None)
        self.pupil = Listening(standard_table(), lambda what, timing: None)
        copy_into(self.pupil, self.runs[0].ask)
        for run in reversed(self.runs):
            run.start()
        self.until("agreed")
        for run, name in zip(self.runs, ("Ann", "Mr Bell"), strict=True):
            run.ask(Consent(name))
        self.until("open")

    def _teller(self, at: int):
        def tell(event, at_us) -> None:
            if at == 1 and isinstance(event, Took | Glimpsed):
                self.teacher.take(event)
            if isinstance(event, Took):
                self.came_us.append((event.number, at_us))
            self.events[at].append(event)

        return tell

    def until(self, phase: str) -> None:
        wait_for(lambda: all(Turned(phase) in events for events in self.events), f"a lesson that is {phase}")

    def play(self, frames) -> None:
        for t_us, data in frames:
            self.pupil.take(Chunk(data, STARTED_US + t_us), "stream")

    def finish(self) -> None:
        self.runs[0].ask(Ending("done"))
        self.until("over")
        for run in self.runs:
            run.stop()
            run.check()
        self.pupil.close()
        self.teacher.close()

    def check(self) -> None:
        assert self.teacher.problem == ""
        assert [run.end.whole for run in self.runs] == [True, True]
        ours, theirs = self.pupil.analysis(), self.teacher.listening.analysis()
        assert ours.edge_us.tolist() == theirs.edge_us.tolist()
        assert list(ours.changes) == list(theirs.changes)
        assert list(ours.changes)
