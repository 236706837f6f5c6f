"""One chanter passed round a class: which pupil holds it now, and whose session its playing goes into.

A thread of its own listens to the port. When the next pupil takes the chanter, the session so far is ended and taken
into the studio for the pupil who played it, and a new one begins. A turn in which no hole changed leaves nothing. While
it lasts a turn lies in the pupil's own folder, saved as it is played: what a crash cuts off is taken in the next time.

What is played is analysed as it comes, so that the desk can show the note that sounds and the last changes. A chanter
that is lost is looked for, one that was not there is asked for again, and both are told until it is heard.
"""

import contextlib
import secrets
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from fingering.notes import SOUNDING
from fingering.table import standard_table
from fingerlead.actor import Actor
from fingerlead.listening.listening import Heard, Listening
from fingerlead.listening.reader import QUEUE_SIZE, Ended, Item, Lost, Reader, who_are_you
from fingerlead.listening.recording import TICK_S
from fingerlead.ports.base import Chunk, Port, PortRefused, now_us
from fingerlead.store.files import own_private
from fingerlead.store.session_file import SessionWriter, remove_session
from fingerlead.studio import studio as studios
from fingerlead.studio.folder_states import FAILURES as STUDIO_FAILURES
from fingerlead.studio.studio import Studio
from fingerlead.timing.live import LiveResult
from fingerlead.timing.results import Change, Timing
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.events import State

NO_PUPIL = ""
TURNS = "turns"
MOST_REQUESTS = 64
MOST_LATE = 4  # changes that are remembered to be shown
# A chanter of frames says something ten times a second; one that was not there is asked for as often as this.
SILENT_US = AGAIN_US = 2_000_000
SILENT = "nothing comes from the chanter: look whether it is on, and in reach"
UNKEPT = "not saved yet: {}. It is remembered, and saved as soon as there is room"
# What can go wrong with one turn, and must not end the round.
FAILURES = (*STUDIO_FAILURES, NotAChanter)


class PlayedNow(NamedTuple):
    """What is played just now: the note that sounds, None where none does, and the last changes, the latest last."""

    note: int | None = None
    late: tuple[Change, ...] = ()


class Turn:
    """One pupil's turn with the chanter: a session that lies apart until it is over."""

    def __init__(self, key: str, hand_on_top: str, path: Path, port: str) -> None:
        self.key, self.path, self.port, self.hand = key, path, port, hand_on_top
        self.changes = 0
        self._mask: int | None = None
        self._late: dict[int, Change] = {}  # by their numbers
        self._recording: Listening | None = None
        self._writer: SessionWriter | None = None

    def take(self, item: Item, reader: Reader) -> None:
        """Keep what came."""
        if self._recording is None:
            settings = {"hand_on_top": self.hand}
            now = datetime.now(UTC)
            self._writer = SessionWriter(self.path, reader.carrier, self.port, settings, now, patient=True)
            self._recording = Listening(standard_table(), self._hear, remember=False, keep=self._writer)
            # A session says who the chanter is: ask again, as this one begins in the middle.
            reader.write(who_are_you(reader.carrier))
        self._recording.take(item, reader.carrier)

    def tick(self, host_us: int) -> None:
        """Time goes by."""
        if self._recording is not None:
            self._recording.tick(host_us)

    def idle(self) -> bool:
        """Nothing came for a while: catch up a little with the analysis; whether there is more to do."""
        return self._recording is not None and self._recording.idle()

    @property
    def playing(self) -> PlayedNow:
        """What is played just now."""
        away = self._recording is None or self._recording.away or not self._mask
        return PlayedNow(
            None if away or self._mask is None else SOUNDING[self._mask],
            tuple(self._late[number] for number in sorted(self._late)),
        )

    @property
    def trouble(self) -> str:
        """Why what is played cannot be saved just now; it is held in memory."""
        return "" if self._writer is None else self._writer.trouble

    def end(self) -> tuple[bool, str]:
        """Close the session; whether its file holds anything played, and what was lost."""
        if self._recording is None or self._writer is None:
            return False, ""
        self._recording.close()
        played = self.changes > 0
        return played and self._writer.begun, self._writer.loss if played else ""

    def _hear(self, what: Heard, timing: Timing) -> None:
        if isinstance(what, State):
            self.changes += self._mask not in (None, what.covered_mask)
            self._mask = what.covered_mask
        elif isinstance(what, LiveResult) and isinstance(what.result, Change):
            self._late.pop(what.result.number, None)
            if not what.taken_back:
                self._late[what.result.number] = what.result
            for number in sorted(self._late)[:-MOST_LATE]:
                del self._late[number]


class Round(Actor[str]):
    """The chanter passed round. `now` is the key of the pupil who holds it, `playing` what is played."""

    def __init__(
        self, studio: Path, port: str, open_port: Callable[[], Port], clock: Callable[[], int] = now_us
    ) -> None:
        super().__init__("round", self._listen_in_turn, MOST_REQUESTS)
        self.now, self.playing = NO_PUPIL, PlayedNow()
        self._said, self._away = "", ""  # of the turns; of the chanter, until it is heard
        self._studio, self._port, self._clock, self._open = studio, port, clock, open_port
        self._reader = Reader(open_port)
        self._trouble = ""
        self._over = self._refused = False  # the port has ended: the next turn has it opened anew
        self._behind = False  # with the analysis
        self._heard_us = clock()  # when something came, or the port was asked for

    @property
    def sentence(self) -> str:
        """What is wrong, with a turn or with the chanter; empty where nothing is."""
        return self._said or self._away

    def next(self, key: str) -> None:
        """Let the next pupil play; no pupil, where `key` is empty. From any thread."""
        before, self.now, self._said = self.now, key, ""
        if not self.ask(key):
            self.now, self._said = before, "the turns before are still being kept; ask again in a moment"

    def _listen_in_turn(self) -> None:
        self._reader.start()
        try:
            with Studio(self._studio) as studio:
                bring_home(studio)
                self._pass_round(studio)
        except FAILURES as error:
            self._fail(error)
        finally:
            self._reader.stop()

    def _pass_round(self, studio: Studio) -> None:
        turn: Turn | None = None
        while not self.stopping:
            asked = self.receive_all(0)
            if asked:
                turn = self._hand_on(studio, turn, asked[-1])
            try:
                item = self._reader.get(0 if self._behind else TICK_S)
                self._behind = item is None and turn is not None and turn.idle()
                self._take(item, turn)
            except FAILURES as error:
                self._fail(error)
                self._keep(studio, turn)
                turn = None
            self.playing = PlayedNow() if turn is None else turn.playing
        with contextlib.suppress(*FAILURES):
            for item in self._reader.drain():
                if turn is not None and not isinstance(item, Ended):
                    turn.take(item, self._reader)
        self._keep(studio, turn)

    def _hand_on(self, studio: Studio, turn: Turn | None, key: str) -> Turn | None:
        # What has come by now was played by the one who had the chanter until now.
        try:
            for _ in range(QUEUE_SIZE):
                if (item := self._reader.get(0)) is None:
                    break
                self._take(item, turn)
        except FAILURES as error:
            self._fail(error)
        self._keep(studio, turn)
        return self._begin(studio, key)

    def _begin(self, studio: Studio, key: str) -> Turn | None:
        if key == NO_PUPIL:
            return None
        try:
            turns = studio.of(key) / TURNS
            own_private(turns)
            turn = Turn(key, studio.pupil(key).hand_on_top, turns / f"{secrets.token_hex(6)}.session", self._port)
        except FAILURES as error:
            self._fail(error)
            return None
        if self._over:
            self._open_anew()
        self.now = key
        return turn

    def _open_anew(self) -> None:
        self._reader, self._over, self._away = Reader(self._open).start(), False, ""
        self._heard_us = self._clock()

    def _fail(self, error: Exception) -> None:
        self._said, self.now = str(error), NO_PUPIL

    def _take(self, item: Item | None, turn: Turn | None) -> None:
        """Take in what came, or that nothing did for a moment."""
        silent_us = self._clock() - self._heard_us
        if isinstance(item, Ended):
            self._over, self._refused = True, isinstance(item.error, PortRefused)
            self._heard_us = self._clock()
            self._away = str(item.error) if item.error is not None else "the port has ended"
        elif isinstance(item, Lost):
            self._away = f"the chanter is away ({item.cause}); it is looked for"
        elif isinstance(item, Chunk):
            self._heard_us, self._away = self._clock(), ""
        elif self._over and self._refused and silent_us >= AGAIN_US:
            self._open_anew()
        elif turn is not None and not self._away and self._reader.carrier != "plain" and silent_us >= SILENT_US:
            self._away = SILENT
        if turn is not None:
            if item is not None and not isinstance(item, Ended):
                turn.take(item, self._reader)
            turn.tick(self._clock())
            self._tell_trouble(turn.trouble)

    def _tell_trouble(self, trouble: str) -> None:
        """Say for as long as it lasts that a turn cannot be saved."""
        if trouble != self._trouble:
            self._trouble = trouble
            self._said = trouble and UNKEPT.format(trouble)

    def _keep(self, studio: Studio, turn: Turn | None) -> None:
        if turn is None:
            return
        try:
            played, loss = turn.end()
            self._tell_trouble("")
            if loss:
                self._said = loss
            if played:
                taken = studio.take_in(turn.key, turn.path)
                if taken.outcome == "refused":
                    self._said = taken.sentence
                    return
            remove_session(turn.path)
        except FAILURES as error:
            self._said = str(error)


def bring_home(studio: Studio) -> int:
    """Take in the turns of all pupils that a crash or a full disk has left; how many were new."""
    turns = sorted(studio.folder.glob(f"pupils/*/{TURNS}"))
    return sum(studios.bring_home(studio, folder.parent.name, folder) for folder in turns)
