"""Lessons for tests: a pupil at a simulated chanter, a teacher, and the line between them, in virtual time."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from functools import cache
from pathlib import Path

from fingering.table import standard_table
from fingerlead.lesson.copying import copy_into
from fingerlead.lesson.end import Glimpsed, LessonEnd, Took
from fingerlead.lesson.entries import Consent
from fingerlead.lesson.watching import Watched
from fingerlead.listening.listening import Listening
from fingerlead.ports.base import Chunk
from fingerlead.store.session_file import SessionWriter
from fingerlead.store.session_reading import read_session
from fingerlead.timing.live import LiveResult
from tests.lesson.faulty_line import Net, Weather
from tests.ports.port_contract import some_chanter

SECRET = b"amber-otter"
# The pupil's clock starts here: it is of no day.
STARTED_US = 5_000_000


@cache
def played(for_us: int, seed: int = 7) -> tuple[tuple[int, bytes], ...]:
    """What a simulated pupil's chanter sends: (when, bytes)."""
    chanter = some_chanter(seed=seed)
    return tuple(frame for now_us in range(20_000, for_us, 20_000) for frame in chanter.due_frames(now_us))


def met(weather: Weather = Weather(), seed: int = 1, ahead_us: int = 0) -> Net:
    """Two ends that have agreed on their keys and consented; no greeting of theirs was damaged."""
    gentle = replace(weather, flipped=0.0)
    net = Net(LessonEnd("pupil", SECRET, 0), LessonEnd("teacher", SECRET, ahead_us), gentle, seed, ahead_us)
    net.until(lambda: all(end.phase == "agreed" for end in net.ends))
    for way in net.ways:
        way.weather = weather
    for end, clock_us, name in zip(net.ends, net.clocks_us, ("Ann", "Mr Bell"), strict=True):
        end.consent(Consent(name), net.now_us + clock_us)
    return net


class Lesson:
    """A pupil who plays, and what the teacher has of it."""

    def __init__(self, net: Net, folder: Path | None = None, frames=None, for_us: int = 8_000_000) -> None:
        self.net, self.folder = net, folder
        self.frames = list(played(for_us) if frames is None else frames)
        self.pupil_told: list[LiveResult] = []
        self.teacher_told: list[LiveResult] = []
        self.ahead_told: list = []
        self.forgotten = 0
        writers = [None, None]
        if folder is not None:
            writers = [SessionWriter(folder / f"{name}.session", "stream", name) for name in ("pupil", "teacher")]
        self.pupil = Listening(standard_table(), self._pupil_heard, keep=writers[0])
        self.teacher = Watched(standard_table(), self._teacher_heard, keep=writers[1])
        copy_into(self.pupil, lambda entry: net.ends[0].add(entry, net.now_us))
        self.begun_us = net.now_us
        self._taken = 0
        self._read = 0

    def _pupil_heard(self, what, timing) -> None:
        if isinstance(what, LiveResult):
            self.pupil_told.append(what)

    def _teacher_heard(self, what, timing, sureness) -> None:
        if sureness == "revised":
            self.forgotten += 1
        elif sureness == "ahead":
            self.ahead_told.append(what)
        elif isinstance(what, LiveResult):
            self.teacher_told.append(what)

    def step(self) -> None:
        self.net.step()
        while self._taken < len(self.frames) and self.frames[self._taken][0] <= self.net.now_us - self.begun_us:
            t_us, data = self.frames[self._taken]
            self.pupil.take(Chunk(data, STARTED_US + t_us), "stream")
            self._taken += 1
        told = self.net.events[1]
        while self._read < len(told):
            event = told[self._read][1]
            if isinstance(event, Took | Glimpsed):
                self.teacher.take(event)
            self._read += 1

    @property
    def over(self) -> bool:
        return all(end.phase == "over" for end in self.net.ends)

    def play(self) -> None:
        """All that there is to play."""
        while self._taken < len(self.frames):
            self.step()

    def finish(self, at_most_us: int = 60_000_000) -> int:
        """The pupil ends the lesson; how long it took until both ends had all."""
        self.net.ends[0].finish(self.net.now_us)
        start_us = self.net.now_us
        while not self.over:
            assert self.net.now_us - start_us < at_most_us, [end.phase for end in self.net.ends]
            self.step()
        self.step()
        self.pupil.close()
        self.teacher.close()
        return self.net.now_us - start_us

    def check(self) -> None:
        """The lesson is the same at both ends: each frame, each time, each verdict."""
        assert self.teacher.problem == ""
        assert [end.whole for end in self.net.ends] == [True, True]
        ours, theirs = self.pupil.analysis(), self.teacher.listening.analysis()
        assert ours.edge_us.tolist() == theirs.edge_us.tolist()
        assert ours.covered.tolist() == theirs.covered.tolist()
        assert list(ours.changes) == list(theirs.changes)
        assert len(list(ours.changes)) > 10
        assert self.pupil_told == self.teacher_told
        if self.folder is not None:
            assert digest(self.folder / "pupil.session") == digest(self.folder / "teacher.session")


def digest(path: Path) -> str:
    """SHA-256 over a session's frames, and the times at which they came."""
    session = read_session(path)
    assert session.data
    return hashlib.sha256(session.data + session.arrivals.tobytes() + repr(session.marks).encode()).hexdigest()
