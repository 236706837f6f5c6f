"""Playing for the tests of practice: fingers moved one by one, or a whole simulated session over the wire."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

from fingering.holes import HANDS_OFF, fingers_of
from fingering.moves import order
from fingering.table import standard_table
from fingerlead.listening.listening import Listening
from fingerlead.ports.base import Chunk
from fingerlead.practice.practice import Practice
from fingerlead.reading.asked import SessionMusic
from fingerlead.simulated import chanter, sensing
from fingerlead.simulated import serve as whole
from fingerlead.simulated.planting import CLEAN
from fingerlead.simulated.play import perform
from fingerlead.store.practice_log import Progress
from fingerlead.store.session_music import written_notes
from fingerlead.timing.live import LiveAnalysis
from fingerlead.timing.results import KnownSkew, Settings
from fingerlead.wire.events import Doubt, Doubted, State

TABLE = standard_table()
STANDARD = TABLE.standard
SETTINGS = Settings()
TODAY = date(2026, 11, 25)
TOMORROW = date(2026, 11, 26)
HEARTBEAT_US = 100_000
HOLD_US = 500_000


def a_practice(progress: Progress | None = None, key: str | None = None, today: date = TODAY, **how) -> Practice:
    """A practice whose playing counts."""
    practice = Practice(TABLE, Progress() if progress is None else progress, today, **{"kept": True, **how})
    if key is not None:
        practice.start(key)
    return practice


class Page:
    """What a page was told last of each kind, in place of a hub."""

    def __init__(self) -> None:
        self.told: dict[str, dict] = {}

    def publish(self, message: dict) -> None:
        self.told[message["kind"]] = message

    def remember(self, **parts: dict) -> None:
        self.told |= parts

    def forget_changes(self) -> None:
        pass


class Player:
    """Moves fingers, and lets a practice hear of it as `Listening` does.

    `events` are all that it told, `asked` all that was asked.
    """

    def __init__(self, practice: Practice, mask: int = HANDS_OFF, doubt_skew_us: int = 1_000) -> None:
        self.practice, self.events, self.asked = practice, [], []
        self.live = LiveAnalysis(TABLE, SETTINGS, self._pass_on, skew=KnownSkew(doubt_skew_us))
        self.live.scan(1_000)
        self.now_us, self.mask = 0, mask
        practice.ask_through(self._begin_music)
        self._state(mask)

    def _begin_music(self, music: SessionMusic) -> None:
        self.asked.append(music)
        self.live.begin_music(written_notes(music), music, at_us=self.now_us)

    def _pass_on(self, what) -> None:
        self.events += self.practice.hear(what, self.live.timing)

    def _state(self, mask: int) -> None:
        self._pass_on(State(self.now_us, mask, None))
        self.live.state(self.now_us, mask)
        self.mask = mask

    def wait(self, for_us: int) -> None:
        """Time goes by, with heartbeats."""
        end_us = self.now_us + for_us
        while self.now_us + HEARTBEAT_US < end_us:
            self.now_us += HEARTBEAT_US
            self._state(self.mask)
            self.live.idle()
        self.now_us = end_us

    def mask_for(self, mask: int, for_us: int = HOLD_US) -> None:
        """These holes are covered from now on, for a time."""
        self._state(mask)
        self.wait(for_us)

    def note(self, note: int, for_us: int = HOLD_US) -> None:
        """To a note in the order that sounds clean, its groups of fingers 4 ms apart; all at once from hands off."""
        sounding = next((n for n in range(9) if STANDARD[n] == self.mask), None)
        if sounding is None or sounding == note:
            return self.mask_for(STANDARD[note], for_us)
        groups = order(sounding, note)
        for place, group in enumerate(groups):
            moved = sum(1 << finger for finger in group)
            self._state(self.mask ^ moved)
            if place < len(groups) - 1:
                self.wait(4_000)
        assert self.mask == STANDARD[note]
        return self.wait(for_us)

    def dirty(self, note: int, by_us: int = 25_000, for_us: int = HOLD_US) -> None:
        """To a note with its groups of fingers in the wrong order, so far apart."""
        sounding = next(n for n in range(9) if STANDARD[n] == self.mask)
        groups = order(sounding, note)
        if len(groups) == 1:
            groups = [[finger] for finger in fingers_of(STANDARD[sounding] ^ STANDARD[note])]
        for place, group in enumerate(reversed(list(groups))):
            self._state(self.mask ^ sum(1 << finger for finger in group))
            if place < len(groups) - 1:
                self.wait(by_us)
        self.wait(for_us)

    def lose(self, for_us: int = 30_000) -> None:
        """Frames are lost from now until then."""
        doubt = Doubt(self.now_us, self.now_us + for_us, "lost", 3)
        self._pass_on(Doubted(doubt))
        self.live.doubt(doubt)

    def of(self, kind) -> list:
        """The events of one kind."""
        return [event for event in self.events if isinstance(event, kind)]


def wire_of(script, seed: int = 1, pupil=CLEAN, sensors: str = "usual", damage=None) -> bytes:
    """What a simulated chanter sends while a script is played."""
    return played(perform(pupil, script, seed), seed, sensors, damage)


def played(performance, seed: int = 1, sensors: str = "usual", damage=None) -> bytes:
    """What a simulated chanter sends of a performance."""
    return whole.wire_bytes(performance, chanter.setup_for(seed), sensing.sensors(sensors), damage=damage)


def heard(practice: Practice, data: bytes, cuts: list[int] | None = None, idle=lambda number: True) -> list:
    """All events as a practice hears bytes that come in pieces, with idle moments between some of them."""
    events: list = []
    listening = Listening(TABLE, lambda what, timing: events.extend(practice.hear(what, timing)))
    practice.ask_through(listening.begin_music)
    bounds = [0, *sorted(set(cuts if cuts is not None else range(256, len(data), 256))), len(data)]
    for number, (begin, end) in enumerate(pairwise(bounds)):
        if data[begin:end]:
            listening.take(Chunk(data[begin:end], number), "stream")
        if idle(number):
            listening.idle()
    listening.close()
    events.extend(practice.close())
    return events
