"""One chanter passed round a class: which pupil holds it now, and whose session its playing goes into.

A thread of its own listens to the port. When the next pupil takes the chanter, the session so far is ended and taken
into the studio for the pupil who played it, and a new one begins. A turn in which no hole changed leaves nothing. While
it lasts a turn lies in the pupil's own folder, saved as it is played: what a crash cuts off is taken in the next time.
"""

import contextlib
import secrets
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from fingerlead.actor import Actor
from fingerlead.listening.reader import Back, Ended, Item, Lost, Reader, who_are_you
from fingerlead.listening.recording import TICK_S, Heard, Recording
from fingerlead.ports.base import Port, now_us
from fingerlead.store.files import own_private
from fingerlead.store.session_file import SessionWriter, remove_session
from fingerlead.studio import studio as studios
from fingerlead.studio.studio import Studio
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.events import State

NO_PUPIL = ""
TURNS = "turns"
MOST_REQUESTS = 64
UNKEPT = "not saved yet: {}. It is remembered, and saved as soon as there is room"
# What can go wrong with one turn, and must not end the round.
FAILURES = (*studios.FAILURES, NotAChanter)


class Turn:
    """One pupil's turn with the chanter: a session that lies apart until it is over."""

    def __init__(self, key: str, hand_on_top: str, path: Path, port: str) -> None:
        self.key, self.path, self.port, self.hand = key, path, port, hand_on_top
        self.changes = 0
        self._mask: int | None = None
        self._recording: Recording | None = None
        self._writer: SessionWriter | None = None

    def take(self, item: Item, reader: Reader) -> None:
        """Keep what came."""
        if self._recording is None:
            settings = {"hand_on_top": self.hand}
            now = datetime.now(UTC)
            self._writer = SessionWriter(self.path, reader.carrier, self.port, settings, now, patient=True)
            self._recording = Recording(self._writer, self._hear)
            # A session says who the chanter is: ask again, as this one begins in the middle.
            reader.write(who_are_you(reader.carrier))
        self._recording.take(item, reader.carrier)

    def tick(self, host_us: int) -> None:
        """Time goes by."""
        if self._recording is not None:
            self._recording.tick(host_us)

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

    def _hear(self, what: Heard) -> None:
        if isinstance(what, State):
            self.changes += self._mask not in (None, what.covered_mask)
            self._mask = what.covered_mask


class Round(Actor[str]):
    """The chanter passed round. `now` is the key of the pupil who holds it, `sentence` what the desk may say of it."""

    def __init__(
        self, studio: Path, port: str, open_port: Callable[[], Port], clock: Callable[[], int] = now_us
    ) -> None:
        super().__init__("round", self._listen_in_turn, MOST_REQUESTS)
        self.now, self.sentence = NO_PUPIL, ""
        self._studio, self._port, self._clock, self._open = studio, port, clock, open_port
        self._reader = Reader(open_port)
        self._trouble = ""
        self._over = False  # the port was refused: the next turn has it opened anew

    def next(self, key: str) -> None:
        """Let the next pupil play; no pupil, where `key` is empty. From any thread."""
        before, self.now, self.sentence = self.now, key, ""
        if not self.ask(key):
            self.now, self.sentence = before, "the turns before are still being kept; ask again in a moment"

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
                self._keep(studio, turn)
                turn = self._begin(studio, asked[-1])
            try:
                self._listen(turn)
            except FAILURES as error:
                self._fail(error)
                self._keep(studio, turn)
                turn = None
        with contextlib.suppress(*FAILURES):
            for item in self._reader.drain():
                if turn is not None and not isinstance(item, Ended):
                    turn.take(item, self._reader)
        self._keep(studio, turn)

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
            self._reader, self._over = Reader(self._open).start(), False
        self.now = key
        return turn

    def _fail(self, error: Exception) -> None:
        self.sentence, self.now = str(error), NO_PUPIL

    def _listen(self, turn: Turn | None) -> None:
        """Take in what comes for a moment."""
        item = self._reader.get(TICK_S)
        if isinstance(item, Ended):
            self._over = True
            self.sentence = str(item.error) if item.error is not None else "the port has ended"
        elif isinstance(item, Lost):
            self.sentence = f"the chanter is away ({item.cause}); it is looked for"
        elif isinstance(item, Back):
            self.sentence = ""
        if turn is not None:
            if item is not None and not isinstance(item, Ended):
                turn.take(item, self._reader)
            turn.tick(self._clock())
            self._tell_trouble(turn.trouble)

    def _tell_trouble(self, trouble: str) -> None:
        """Say for as long as it lasts that a turn cannot be saved."""
        if trouble != self._trouble:
            self._trouble = trouble
            self.sentence = trouble and UNKEPT.format(trouble)

    def _keep(self, studio: Studio, turn: Turn | None) -> None:
        if turn is None:
            return
        try:
            played, loss = turn.end()
            self._tell_trouble("")
            if loss:
                self.sentence = loss
            if played:
                taken = studio.take_in(turn.key, turn.path)
                if taken.outcome == "refused":
                    self.sentence = taken.sentence
                    return
            remove_session(turn.path)
        except FAILURES as error:
            self.sentence = str(error)


def bring_home(studio: Studio) -> int:
    """Take in the turns of all pupils that a crash or a full disk has left; how many were new."""
    turns = sorted(studio.folder.glob(f"pupils/*/{TURNS}"))
    return sum(studios.bring_home(studio, folder.parent.name, folder) for folder in turns)
