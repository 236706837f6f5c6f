"""The chanter that is listened to now: its reader, its listening, the session it is kept in, and where it is."""

import contextlib
import json
import logging
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from fingering.movements import Repertoire
from fingering.table import Table
from fingerlead.listening.listening import Heard, Listening
from fingerlead.listening.reader import Item, Reader
from fingerlead.listening.recording import begin_session
from fingerlead.listening.sources import open_source
from fingerlead.music.tune import Tune
from fingerlead.ports.base import SIMULATED, Found, Port, now_us
from fingerlead.ports.page_port import SKEW_US, PagePort
from fingerlead.practice.events import ChanterNow, Event, Origin
from fingerlead.practice.pupil_port import PupilPort
from fingerlead.practice.sealing import RAW_HZ, SealWatch
from fingerlead.practice.state import CHANTER, Sign, step
from fingerlead.practice.upright import Upright
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.between import STANDARD
from fingerlead.store.chanters import Calibration
from fingerlead.timing.results import Timing
from fingerlead.wire.plain_midi import NoteNumbers

LOOK_EVERY_US = 2_000_000
PAGE = "page"
ARRIVALS = 64  # over some seconds no two clocks drift apart by a millisecond
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class PracticeSetting:
    """What a practice is made with. `look` lists what is plugged in; `folder` None keeps no sessions.

    `calibration_of` a device id is the learner's calibration of that chanter, if one is kept. `known` are the movements
    that there are.
    """

    table: Table
    folder: Path | None
    plays: NoteNumbers = field(default_factory=NoteNumbers)
    skew_us: int | None = None
    calibration_of: Callable[[bytes], Calibration | None] = lambda device_id: None
    look: Callable[[], tuple[Found, ...]] = tuple
    open_port: Callable[[str], Port] = open_source
    clock: Callable[[], int] = now_us
    wall_clock: Callable[[], datetime] = datetime.now
    known: Repertoire = STANDARD


@dataclass(slots=True)
class Source:
    """One chanter from the moment it is chosen until another is."""

    origin: Origin
    spec: str
    reader: Reader
    listening: Listening
    settings: Mapping[str, object]  # as they are kept with it
    sealing: SealWatch
    upright: Upright | None  # of a chanter that is held
    page_port: PagePort | None = None  # whose holes a page covers
    pupil_port: PupilPort | None = None  # that of the simulated pupil
    covered_mask: int | None = None  # as last published
    played: bool = False  # whether a hole was covered
    arrivals_us: deque[int] = field(default_factory=lambda: deque(maxlen=ARRIVALS))

    @property
    def arrives_us(self) -> int | None:
        """What to add to a time of the chanter's for when it arrives, at its quickest of late; None before any did."""
        return min(self.arrivals_us, default=None)

    def take(self, item: Item) -> bool:
        """Take an item in; whether more is to come."""
        return self.listening.take(item, self.reader.carrier)

    def tick(self, host_us: int) -> None:
        """Time goes by. Raises NotAChanter."""
        self.listening.tick(host_us)

    def begin_music(self, music: SessionMusic) -> None:
        """Ask for a music from now on, in the session too."""
        self.listening.begin_music(music)

    def see_to_raw(self, one_note: bool) -> None:
        """Have raw samples beside the holes while a note alone is practised, where that tells anything."""
        self.sealing.watch(one_note)
        wanted = self.sealing.new_stream()
        if wanted is not None:
            self.reader.write(self.listening.stream(wanted, RAW_HZ))

    @property
    def kept(self) -> bool:
        """Whether it is kept as a session."""
        return self.listening.writer is not None

    def close(self, practised: Mapping[str, object]) -> None:
        """Stop listening. The session, which others close, gets `practised` into its settings."""
        self.see_to_raw(False)
        more = True
        for item in self.reader.drain():
            # Listening is over: an error in the last bytes changes nothing.
            with contextlib.suppress(Exception):
                more = more and self.take(item)
        self.listening.keep_clicks()
        writer, self.listening.writer = self.listening.writer, None
        self.listening.close()
        if writer is not None:
            writer.tell(settings=json.dumps({**self.settings, **practised}))


def origin_of(to: str) -> Origin:
    """What kind of player `sim`, `page` or a port is."""
    return "simulated" if to == SIMULATED else "page" if to == PAGE else "port"


def begin_source(
    to: str,
    setting: PracticeSetting,
    tune: Tune,
    hear: Callable[[Heard, Timing], None],
) -> Source:
    """Begin to listen to `sim`, `page` or a port; the pupil plays `tune`."""
    origin = origin_of(to)
    page = PagePort(clock=setting.clock) if origin == "page" else None
    pupil = PupilPort(tune) if origin == "simulated" else None
    plays = setting.plays if page is None else NoteNumbers()
    # Keys and screens have no scan: how far they may be off is all in the skew.
    skew_us, scan_us = (setting.skew_us, None) if page is None else (SKEW_US, 0)
    settings = plays._asdict() if skew_us is None else {**plays._asdict(), "skew_us": skew_us}
    writer = None
    if pupil is None and setting.folder is not None:
        writer = begin_session(setting.folder, to, "stream", settings, setting.wall_clock())
    listening = Listening(
        setting.table, hear, skew_us=skew_us, scan_us=scan_us, remember=False, keep=writer, plays=plays,
        known=setting.known,
    )  # fmt: skip
    reader = Reader(lambda: page or pupil or setting.open_port(to)).start()
    sealing, upright = SealWatch(setting.calibration_of), Upright(setting.table) if origin == "port" else None
    return Source(origin, to, reader, listening, settings, sealing, upright, page, pupil)


class Whereabouts:
    """Where the chanter is, by the table CHANTER in `state`, and what else is plugged in; tells what is new of that."""

    def __init__(self, setting: PracticeSetting, tell: Callable[[Event], None]) -> None:
        self._setting, self._tell = setting, tell
        self._looked_us = 0
        self._now = ChanterNow("none", None, "", "", None, False, ())

    def end(self, refused: str = "") -> None:
        """Nothing is listened to any more; `refused` is why a chanter cannot be."""
        self._looked_us = self._setting.clock()
        place = step(CHANTER, self._now.place, "refuse" if refused else "end")
        self._now = ChanterNow(place, None, "", refused, None, False, self._setting.look())
        self._tell(self._now)

    def look(self) -> None:
        """While nothing is listened to: see what is plugged in by now."""
        now_us = self._setting.clock()
        if now_us - self._looked_us >= LOOK_EVERY_US:
            self._looked_us = now_us
            self._change(found=self._setting.look())

    def offers(self, to: str) -> bool:
        """Whether a port was found, and may be chosen."""
        return any(found.spec == to for found in self._now.found)

    def begin(self, source: Source) -> None:
        """A chanter is listened to."""
        self._move("listen", origin=source.origin, name="", cause="", timing=None, kept=source.kept)

    def lose(self, cause: str) -> None:
        """The chanter is away."""
        self._move("lost", cause=cause)

    def find(self) -> None:
        """The chanter is back."""
        self._move("back", cause="")

    def hear(self, source: Source, timing: Timing) -> None:
        """The chanter has told its holes, with times as good as that; finer than a millisecond is no news."""
        before = self._now.timing
        same = before is not None and before.uncertainty_us // 1_000 == timing.uncertainty_us // 1_000
        self._move("state", cause="", timing=before if same else timing, kept=source.kept)

    def name(self, name: str, timing: Timing) -> None:
        """The chanter has told its name."""
        if name != self._now.name:
            self._change(name=name, timing=timing)

    def _move(self, sign: Sign, **news: Any) -> None:
        self._change(place=step(CHANTER, self._now.place, sign), **news)

    def _change(self, **news: Any) -> None:
        after = replace(self._now, **news)
        if after != self._now:
            self._now = after
            _log.info("chanter: %s, %s; found: %s", after.place, after.origin, [each.spec for each in after.found])
            self._tell(after)
