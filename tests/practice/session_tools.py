"""A session without hardware, sound or waiting: items go in by hand, what is told comes out in a list."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

from fingering.table import standard_table
from fingerlead.ports.base import Chunk
from fingerlead.ports.sound_port import SoundHealth
from fingerlead.practice import events
from fingerlead.practice.actor import PracticeActor
from fingerlead.practice.practice import Practice
from fingerlead.practice.sound_place import SoundPlace
from fingerlead.practice.sounding import SoundSettings
from fingerlead.practice.source import PracticeSetting
from fingerlead.simulated.chanter import Chanter, setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import write_script
from fingerlead.store.practice_log import Progress

TABLE = standard_table()
TODAY = date(2026, 3, 14)


class QuietPort:
    """A port at which nothing ever comes: what is to come is given to the session by hand."""

    def __init__(self, name: str = "quiet") -> None:
        self.name, self.carrier = name, "stream"
        self.written = b""

    def read(self, timeout_s: float) -> list[Chunk]:
        import time

        time.sleep(min(timeout_s, 0.002))
        return []

    def write(self, data: bytes) -> None:
        self.written += data

    def close(self) -> None:
        pass


class Heard:
    """Stands where the sound would be made; keeps what it was told."""

    def __init__(self, health: SoundHealth = SoundHealth("silent")) -> None:
        self.calls: list[Any] = []
        self.ticks: list[Any] = []  # beats that have sounded
        self.settings = SoundSettings()
        self.there, self._health = health, SoundHealth("silent")

    def start(self) -> Heard:
        self.calls.append("start")
        self._health = self.there if self.there.state != "silent" else SoundHealth("sounding", "out")
        return self

    def close(self) -> None:
        self.calls.append("close")
        self._health = SoundHealth("silent")

    def cover(self, covered_mask: int, host_us: int) -> None:
        self.calls.append(covered_mask)

    def away(self) -> None:
        self.calls.append(None)

    def set(self, **changes: Any) -> None:
        from dataclasses import replace

        self.settings = replace(self.settings, **changes)

    def start_metronome(self, metronome: Any) -> None:
        self.calls.append(metronome)

    def stop_metronome(self) -> None:
        self.calls.append("stop beat")

    def beats(self) -> list[Any]:
        beats, self.ticks = self.ticks, []
        return beats

    def health(self) -> SoundHealth:
        return self._health

    @property
    def sounds(self) -> int | None:
        """What it was told to sound last."""
        masks = [call for call in self.calls if call is None or isinstance(call, int)]
        return masks[-1] if masks else None


class SessionByHand:
    """A practice actor without its thread, and all that it told."""

    def __init__(
        self,
        folder: Path | None = None,
        rung: str = "low-g-b",
        progress: Progress | None = None,
        keep_own: Callable[[Any], None] = lambda tunes: None,
        **setting: Any,
    ) -> None:
        self.now_us, self.wall = 1_000_000, datetime(2026, 3, 14, 19, 30, 5)
        self.told: list[events.Event] = []
        self.heard = Heard()
        self.progress = Progress() if progress is None else progress
        setting.setdefault("open_port", QuietPort)
        setting.setdefault("clock", lambda: self.now_us)
        self.setting = PracticeSetting(TABLE, folder, wall_clock=lambda: self.wall, **setting)
        self.actor = PracticeActor(
            self.setting,
            lambda kept: Practice(TABLE, self.progress, TODAY, kept),
            SoundPlace(self.heard, lambda: ([], "")),  # type: ignore[arg-type]
            self.told.append,
            rung,
            keep_own=keep_own,
        )
        self.actor.begin()

    def of(self, kind: type[Any]) -> list[Any]:
        return [what for what in self.told if isinstance(what, kind)]

    def play(self, data: bytes, seed: int = 0, arrives_us: int = 1_000) -> None:
        """Bytes of a chanter in random pieces, one a millisecond."""
        rng = random.Random(seed)
        at = 0
        while at < len(data):
            size = rng.randint(1, 40)
            self.now_us += arrives_us
            self.actor.take_in(Chunk(data[at : at + size], self.now_us))
            self.actor.take_in(None)
            self.actor.look()
            at += size

    def wait(self, seconds: float) -> None:
        """Time goes by without playing."""
        end_us = self.now_us + round(seconds * 1_000_000)
        while self.now_us < end_us:
            self.now_us += 50_000
            self.actor.take_in(None)
            self.actor.look()

    def chunks(self, port: Any, for_us: int, step_us: int = 10_000) -> None:
        """Read a port that goes by this session's clock, alone: the reader's thread would take some of it."""
        reader = self.actor.reader
        assert reader is not None
        for item in reader.drain():
            if isinstance(item, Chunk):
                self.actor.take_in(item)
        end_us = self.now_us + for_us
        while self.now_us < end_us:
            self.now_us += step_us
            for chunk in port.read(0):
                reader.carrier = port.carrier
                self.actor.take_in(chunk)
            self.actor.take_in(None)


def played(seed: int = 1, changes: int = 12, pupil: SimulatedPupil | None = None) -> tuple[bytes, Any]:
    """The bytes of a simulated chanter, and what was played on it."""
    pupil = pupil or SimulatedPupil(tune=(0, 2))
    performance = perform(pupil, write_script(pupil, seed, changes=changes), seed)
    return Chanter(performance, setup_for(seed)).due(performance.end_us + 300_000), performance


def standing(told: Iterable[events.Event]) -> dict[int, events.Judged]:
    """The changes as they stand in the end, by take."""
    found: dict[int, events.Judged] = {}
    for what in told:
        if isinstance(what, events.Judged):
            found[what.take] = what
        elif isinstance(what, events.TakenBack):
            del found[what.take]
    return found


def files(folder: Path) -> Iterator[Path]:
    """All files below a folder."""
    return (path for path in folder.rglob("*") if path.is_file())
