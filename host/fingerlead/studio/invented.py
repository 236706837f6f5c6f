"""An invented studio: a dozen pupils over three months, played by simulated fingers into a folder of sessions.

Everything is drawn by lot from the names, so that the same day gives the same studio.
"""

import random
import tempfile
import tomllib
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from fingering.holes import FINGERS, HOLES
from fingering.notes import note_index
from fingering.orders import rung_named
from fingering.rungs import notes_abc
from fingerlead.music.abc import parse_abc
from fingerlead.reading.asked import NOTHING_ASKED, SessionMusic
from fingerlead.simulated import chanter, play, sensing
from fingerlead.simulated import serve as whole
from fingerlead.simulated.performance import MovementKind, Performance
from fingerlead.simulated.planted_movements import MovementPlant, plant_movements
from fingerlead.simulated.pupil import Habit, SimulatedPupil
from fingerlead.simulated.script import Written, tune_script, write_script
from fingerlead.store.files import demo_folder
from fingerlead.store.session_file import SessionWriter
from fingerlead.studio import pupils as folders
from fingerlead.studio.homework import give
from fingerlead.studio.studio import Studio

WEEKS = 12
# The last lesson was before this week.
LESSON = WEEKS - 2
CHANGES_A_SESSION = 70
WHOLE_US = 4_000_000  # a whole note of a rung, at 60 beats a minute
ROW = "A row of notes"  # the title of what a session is played from
# A serial port brings a few frames at a time.
BYTES_A_READ, READ_US = 64, 10_000


class Sitting(NamedTuple):
    """One session as it was played: when it began, the bytes of its playing, and the notes it was played from."""

    start: datetime
    data: bytes
    music: SessionMusic = NOTHING_ASKED


class SpoiltMovement(NamedTuple):
    """A rung of embellishments, and how many of ten have which fault on which written note, as `weeks_us` goes."""

    rung: str
    kind: MovementKind
    note: int
    of_ten: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Invented:
    """One invented pupil: who they are, and how their worst finger goes from week to week.

    `weeks_us` is how far out of turn it goes, from the first week to the last lesson in even steps, then since; in the
    weeks of `rests` nothing is played. From evening to evening every finger wanders by `wander_us`, the standard
    deviation of its place.
    """

    name: str
    hand_on_top: folders.Hand
    note: str
    sessions_a_week: int
    scatter_us: int
    wander_us: int
    weeks_us: tuple[int, ...]
    worst: tuple[int, int, int] | None  # from note, to note, finger
    rungs: tuple[str, ...]
    movement: SpoiltMovement | None = None
    rests: tuple[int, ...] = ()

    def player(self, week: int, seed: int) -> SimulatedPupil:
        """The pupil as they play on an evening of one of the weeks."""
        lot = random.Random(f"{self.name} {seed}")
        habits = [Habit(finger, round(lot.gauss(0, self.wander_us))) for finger in range(HOLES)]
        if self.worst is not None:
            from_note, to_note, finger = self.worst
            by_us = _in_week(self.weeks_us, week)
            habits.append(Habit(finger, by_us, from_note, to_note, chance=0.9, favour=6.0))
        return SimulatedPupil(
            self.name, scatter_us=(self.scatter_us,) * 8, care_us=2 * self.scatter_us, habits=tuple(habits)
        )


def invented() -> list[Invented]:
    """The pupils of `demo/studio.toml`."""
    content = tomllib.loads((demo_folder() / "studio.toml").read_text(encoding="utf-8"))
    return [_invented(row) for row in content["pupil"]]


def make_studio(folder: Path, today: date, say: Callable[[str], None] = lambda _: None) -> Path:
    """Make the studio in a new folder, its last lessons two weeks before `today`; raises StudioError."""
    if folder.exists() and any(folder.iterdir()):
        raise folders.StudioError(f"{folder}: expected a new or an empty folder for the invented studio. Name another")
    with Studio(folder) as studio, tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch:
        for person in invented():
            say(f"{person.name} practises for {WEEKS} weeks ...")
            pupil = studio.add(person.name, person.hand_on_top, "the studio's practice chanter", person.note)
            for sitting in play_sessions(person, today):
                session = write_session(Path(scratch) / "one.session", sitting, person.rungs)
                taken = studio.take_in(pupil.key, session)
                if taken.outcome == "refused":
                    raise folders.StudioError(taken.sentence)
                session.unlink()
            lesson = today - timedelta(days=7 * (WEEKS - LESSON))
            studio.change(pupil.key, lesson=lesson.isoformat())
            give(studio.of(pupil.key), person.rungs, lesson, note="Ten minutes, slowly; stop when it hurts.")
    return folder


def play_sessions(person: Invented, today: date) -> list[Sitting]:
    """All sessions of a pupil, each played from a row of notes drawn for it."""
    lot = random.Random(f"{person.name} {WEEKS}")
    found = []
    for week in range(WEEKS):
        for day in sorted(lot.sample(range(7), person.sessions_a_week)):
            if week in person.rests:
                continue
            on = today - timedelta(days=7 * (WEEKS - week) - day)
            seed = zlib.crc32(f"{person.name} {week} {day}".encode())
            performance, music = _play(person, week, seed)
            data = whole.wire_bytes(performance, chanter.setup_for(seed), sensing.sensors("usual"))
            start = datetime.combine(on, time(17 + lot.randrange(4), lot.randrange(60)), UTC)
            found.append(Sitting(start, data, music))
    return found


def _play(person: Invented, week: int, seed: int) -> tuple[Performance, SessionMusic]:
    """One session of a pupil: a row of notes drawn for it, or the music of their rung of embellishments."""
    player, spoilt = person.player(week, seed), person.movement
    if spoilt is None:
        script = write_script(player, seed, changes=CHANGES_A_SESSION)
        return play.perform(player, script, seed), SessionMusic(
            "tune", ROW, notes_abc([step.note for step in script], ROW)
        )
    rung = rung_named(spoilt.rung)
    tune = parse_abc(rung.abc)[0][0]
    script = tune_script([Written(note.note, note.length, note.graces) for note in tune.played()], WHOLE_US)
    lot, faulty = random.Random(seed), _in_week(spoilt.of_ten, week)
    numbers = range(1, 1 + sum(bool(step.graces) for step in script))
    plants = [MovementPlant(spoilt.kind, number, spoilt.note) for number in numbers if lot.randrange(10) < faulty]
    return plant_movements(plants, script, seed, player), SessionMusic("rung", rung.key, rung.abc)


def _in_week(known: tuple[int, ...], week: int) -> int:
    """A number in a week; known are those from the first to the last lesson in even steps, and the one since."""
    *steps, since = known
    if week >= LESSON:
        return since
    step, part = divmod(week * (len(steps) - 1), LESSON)
    return steps[step] + (steps[step + 1] - steps[step]) * part // LESSON


def write_session(path: Path, sitting: Sitting, rungs: tuple[str, ...] = ()) -> Path:
    """A session file."""
    start, data, music = sitting
    with SessionWriter(path, "stream", "simulated", {"rungs": list(rungs)}, start) as writer, writer.at_once():
        writer.begin_music(0, music)
        for number, at in enumerate(range(0, len(data), BYTES_A_READ)):
            writer.append(data[at : at + BYTES_A_READ], number * READ_US)
    return path


def _invented(row: dict[str, Any]) -> Invented:
    worst = row.get("worst")
    return Invented(
        row["name"],
        row.get("hand_on_top", "left"),
        row.get("note", ""),
        row["sessions_a_week"],
        row["scatter_ms"] * 1_000,
        row["wander_ms"] * 1_000,
        tuple(ms * 1_000 for ms in row["weeks_ms"]),
        worst and (note_index(worst["from"]), note_index(worst["to"]), FINGERS.index(worst["finger"])),
        tuple(row["rungs"]),
        _spoilt_movement(row["movement"]) if "movement" in row else None,
        tuple(row.get("rests", ())),
    )


def _spoilt_movement(row: dict[str, Any]) -> SpoiltMovement:
    return SpoiltMovement(row["rung"], row["fault"], row["note"], tuple(row["of_ten"]))
