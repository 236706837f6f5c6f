"""Whoever is listened to at the moment: a reader, its listening, and the session that it is kept in."""

from __future__ import annotations

import contextlib
import json
import random
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from fingering.ladder import ladder
from fingering.moves import possible_strays
from fingering.rungs import Rung
from fingering.table import Table
from fingerlead.listening.listening import Heard, Listening
from fingerlead.listening.reader import Item, Reader
from fingerlead.listening.recording import begin_session
from fingerlead.listening.sources import open_source
from fingerlead.music.tune import Tune
from fingerlead.ports.base import Carrier, Chunk, Port, now_us
from fingerlead.ports.find import Found
from fingerlead.ports.page_port import SKEW_US, PagePort
from fingerlead.ports.simulated_port import SPEC, SimulatedPort
from fingerlead.practice.events import ChanterNow, Happening, Origin, Place
from fingerlead.practice.sealing import RAW_HZ, SealWatch
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.pupil import SimulatedPupil
from fingerlead.simulated.script import Written
from fingerlead.store.chanters import Calibration
from fingerlead.store.session_file import SessionError
from fingerlead.timing.results import Timing
from fingerlead.wire.plain_midi import NoteNumbers

# --- The simulated pupil at a piece of music: plays it over and over with human faults, as a port to listen to.

TEMPO = 80  # quarter notes a minute, where a tune asks for none
PLAYS_FOR_US = 600_000_000
MOST_TIMES = 200
DEVICE = b"a-pupil\0"
# Gross enough to be heard, and not so often that nothing ever goes well.
FAULT_US = 28_000
FAULT_CHANCE = 0.4


def first_with_strays() -> Rung:
    """The lowest rung of the ladder with a change in which another note can sound."""
    return next(rung for rung in ladder() if any(possible_strays(a, b) for a, b in (*rung.out, *rung.back)))


def written_notes(tune: Tune) -> list[Written]:
    """A tune's notes and the rests between them, repeats written out, as the simulated pupil takes them."""
    from fingerlead.simulated.script import Written

    notes: list[Written] = []
    ends_at = None
    for note in tune.played():
        if ends_at is not None and note.starts_at > ends_at:
            notes.append(Written(None, note.starts_at - ends_at))
        notes.append(Written(note.note, note.length, note.graces))
        ends_at = note.starts_at + note.length
    return notes


def pupil_performance(tune: Tune, seed: int) -> Performance:
    """The tune over and over for about ten minutes. ValueError for a tune without notes."""
    from fingerlead.simulated.play import perform
    from fingerlead.simulated.script import tune_script

    notes = written_notes(tune)
    whole_us = round(4 * 60_000_000 / (tune.tempo or TEMPO))
    once_us = max(1, round(sum(note.length for note in notes) * whole_us))
    times = min(MOST_TIMES, -(-PLAYS_FOR_US // once_us))
    return perform(_pupil(notes, seed), tune_script(notes, whole_us, times), seed)


class PupilPort(Port):
    """The port of a simulated chanter with the pupil at it. Another tune is as if it were switched off and on again.

    `clock` and `sleep` can be replaced in tests. ValueError for a tune without notes.
    """

    def __init__(
        self,
        tune: Tune,
        seed: int | None = None,
        clock: Callable[[], int] = now_us,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self.name = SPEC
        self.carrier: Carrier = "stream"
        self._rng = random.Random(seed)
        self._clock, self._sleep = clock, sleep
        self._tune = self._wanted = tune
        self._chanter: SimulatedPort | None = None
        self._over_us = 0

    def play(self, tune: Tune) -> None:
        """Take up another tune, from any thread; it begins when the port is read next."""
        self._wanted = tune

    def read(self, timeout_s: float) -> list[Chunk]:
        """What the chanter has said since the last read."""
        if self._chanter is None or self._wanted is not self._tune or self._clock() >= self._over_us:
            self._chanter = self._begin(self._wanted)
        return self._chanter.read(timeout_s)

    def write(self, data: bytes) -> None:
        """Let the chanter hear a request."""
        if self._chanter is not None:
            self._chanter.write(data)

    def close(self) -> None:
        """Nothing to let go of."""

    def _begin(self, tune: Tune) -> SimulatedPort:
        from fingerlead.simulated.chanter import Chanter, setup_for

        self._tune = tune
        seed = self._rng.randrange(2**31)
        performance = pupil_performance(tune, seed)
        self._over_us = self._clock() + performance.end_us
        setup = replace(setup_for(seed), device_id=DEVICE, boot=self._rng.randrange(2**16))
        return SimulatedPort(Chanter(performance, setup), clock=self._clock, sleep=self._sleep)


def _pupil(notes: list[Written], seed: int) -> SimulatedPupil:
    """A pupil whose trouble is one finger in one of the changes of this music, if a third note can sound in any."""
    from fingerlead.simulated.pupil import STANDARD, Habit, SimulatedPupil, troublesome

    rng = random.Random(f"pupil {seed}")
    pupil = replace(SimulatedPupil("pupil"), care_us=12_000, scatter_us=(3_000,) * 8)
    held = [note.note for note in notes if note.note is not None]
    choices = [
        (finger, motion, sign, a, b)
        for a, b in sorted({(a, b) for a, b in pairwise(held) if a != b})
        for finger, motion, sign in troublesome(STANDARD[a], STANDARD[b])
    ]
    if not choices:
        return pupil
    finger, motion, sign, a, b = rng.choice(choices)
    return replace(pupil, habits=(Habit(finger, sign * FAULT_US, a, b, motion, FAULT_CHANCE),))


# ---

SIMULATED, PAGE = "sim", "page"


def _nobody() -> tuple[Found, ...]:
    return ()


def _none(device_id: bytes) -> Calibration | None:
    return None


@dataclass(frozen=True, slots=True)
class PracticeSetting:
    """What a sitting is made with. `look` lists what is plugged in; `folder` None keeps no sessions.

    `calibration_of` a device id is the calibration of whoever practises with that chanter, if one is kept.
    """

    table: Table
    folder: Path | None
    plays: NoteNumbers = field(default_factory=NoteNumbers)
    skew_us: int | None = None
    calibration_of: Callable[[bytes], Calibration | None] = _none
    look: Callable[[], tuple[Found, ...]] = _nobody
    open_port: Callable[[str], Port] = open_source
    clock: Callable[[], int] = now_us
    wall_clock: Callable[[], datetime] = datetime.now


@dataclass(slots=True)
class Source:
    """One chanter from the moment it is chosen until another is."""

    origin: Origin
    spec: str
    reader: Reader
    listening: Listening
    settings: Mapping[str, object]  # as they are kept with it
    sealing: SealWatch
    page_port: PagePort | None = None  # whose holes a page covers
    pupil_port: PupilPort | None = None  # that of the simulated pupil
    covered_mask: int | None = None  # as last told
    played: bool = False  # whether a hole was covered

    def take(self, item: Item, trouble: Callable[[str], None]) -> bool:
        """Take an item in; whether more is to come. Where it cannot be kept, `trouble` hears why, and it goes on."""
        try:
            return self.listening.take(item, self.reader.carrier)
        except SessionError as error:
            self._keep_no_more(error, trouble)
            return self.listening.take(item, self.reader.carrier)

    def tick(self, host_us: int, trouble: Callable[[str], None]) -> None:
        """Time goes by. Raises NotAChanter."""
        try:
            self.listening.tick(host_us)
        except SessionError as error:
            self._keep_no_more(error, trouble)

    def see_to_raw(self, one_note: bool) -> None:
        """Have raw samples beside the holes while a note alone is practised, where that tells anything."""
        self.sealing.watch(one_note)
        wanted = self.sealing.request()
        if wanted is not None:
            self.reader.write(self.listening.recording.stream(wanted, RAW_HZ))

    @property
    def kept(self) -> bool:
        """Whether it is kept as a session."""
        return self.listening.recording.writer is not None

    def close(self, trouble: Callable[[str], None], practised: Mapping[str, object]) -> Path | None:
        """Stop listening. Gives where it is kept; where nothing was played, nothing is.

        `practised` goes into the session's settings.
        """
        self.see_to_raw(False)
        more = True
        for item in self.reader.stop():
            # Whatever it had against the last bytes, it is over.
            with contextlib.suppress(Exception):
                more = more and self.take(item, trouble)
        recording = self.listening.recording
        writer = recording.writer
        if writer is not None and not self.played:
            writer.discard()
            recording.writer = writer = None
        try:
            if writer is not None:
                writer.tell(settings=json.dumps({**self.settings, **practised}))
            self.listening.close()
        except SessionError as error:
            trouble(f"{error.path}: {error}")
        return None if writer is None else writer.path

    def _keep_no_more(self, error: SessionError, trouble: Callable[[str], None]) -> None:
        writer, self.listening.recording.writer = self.listening.recording.writer, None
        if writer is not None:
            with contextlib.suppress(SessionError):
                writer.close()
        trouble(f"{error.path}: {error}. Practice goes on, but is not kept.")


def origin_of(to: str) -> Origin:
    """What kind of player `sim`, `page` or a port is."""
    return "simulated" if to == SIMULATED else "page" if to == PAGE else "port"


def begin_source(
    to: str, setting: PracticeSetting, tune: Tune, hear: Callable[[Heard, Timing], None], keep: bool = True
) -> Source:
    """Begin to listen to `sim`, `page` or a port; the pupil plays `tune`. SessionError where it cannot be kept."""
    origin = origin_of(to)
    page = PagePort(clock=setting.clock) if origin == "page" else None
    pupil = PupilPort(tune) if origin == "simulated" else None
    plays = setting.plays if page is None else NoteNumbers()
    # Keys and screens have no scan: how far they may be off is all in the skew.
    skew_us, scan_us = (setting.skew_us, None) if page is None else (SKEW_US, 0)
    settings = plays._asdict() if skew_us is None else {**plays._asdict(), "skew_us": skew_us}
    writer = None
    if keep and pupil is None and setting.folder is not None:
        writer = begin_session(setting.folder, to, "stream", settings, setting.wall_clock())
    listening = Listening(
        setting.table, hear, skew_us=skew_us, scan_us=scan_us, remember=False, keep=writer, plays=plays
    )
    reader = Reader(lambda: page or pupil or setting.open_port(to)).start()
    return Source(origin, to, reader, listening, settings, SealWatch(setting.calibration_of), page, pupil)


# --- Where the chanter is, as it was last told: waited for, here, away, refused; and what else is plugged in.

LOOK_EVERY_US = 2_000_000


class Whereabouts:
    """Tells of `source`, whoever that is at the moment."""

    def __init__(self, setting: PracticeSetting, tell: Callable[[Happening], None]) -> None:
        self._setting, self._tell = setting, tell
        self._looked_us = 0
        self._now = ChanterNow("none", None, "", "", None, False, ())

    def nobody(self, refused: str = "") -> None:
        """Nobody plays, or (`refused`) somebody could not: what is plugged in can be chosen."""
        self._looked_us = self._setting.clock()
        place: Place = "refused" if refused else "none"
        self._put(ChanterNow(place, None, "", refused, None, False, self._setting.look()))

    def look(self) -> None:
        """See what is plugged in by now."""
        now = self._setting.clock()
        if now - self._looked_us < LOOK_EVERY_US:
            return
        self._looked_us = now
        found = self._setting.look()
        if found != self._now.found:
            self._put(ChanterNow(self._now.place, None, "", self._now.cause, None, False, found))

    def begun(self, source: Source) -> None:
        """Somebody is listened to."""
        self._put(ChanterNow("waiting", source.origin, "", "", None, source.kept, self._now.found))

    def moved(self, source: Source, place: Place, cause: str = "") -> None:
        """The chanter is away, is waited for, or is here."""
        now = self._now
        self._put(ChanterNow(place, source.origin, now.name, cause, now.timing, source.kept, now.found))

    def here(self, source: Source, timing: Timing) -> None:
        """It has told a state, with times as good as that; says so only where that is news."""
        now = self._now
        if now.place != "here" or now.timing is None or _ms(now.timing) != _ms(timing) or now.kept != source.kept:
            self._put(ChanterNow("here", source.origin, now.name, "", timing, source.kept, now.found))

    def named(self, source: Source, name: str, timing: Timing) -> None:
        """It has told its name."""
        now = self._now
        if name != now.name:
            self._put(ChanterNow(now.place, source.origin, name, now.cause, timing, source.kept, now.found))

    def _put(self, now: ChanterNow) -> None:
        self._now = now
        self._tell(now)


def _ms(timing: Timing) -> int:
    return timing.uncertainty_us // 1_000
