"""One chanter passed round a class: who holds it now, and whose session its playing goes into.

A thread of its own listens to the port. When the next pupil takes the chanter, the session so far is ended and taken
into the studio for whoever played it, and a new one begins. A turn in which no hole changed leaves nothing.
"""

from __future__ import annotations

import queue
import tempfile
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from host.live.reader import WHO, Ended, Item, Reader
from host.live.recording import TICK_S, Recording
from host.ports.host_clock import now_us
from host.store.session_file import SessionError, SessionWriter
from host.store.studio.pupils import StudioError
from host.store.studio.studio import Studio
from host.wire.errors import NotAChanter
from host.wire.events import State
from host.wire.link import carry

if TYPE_CHECKING:
    from host.live.recording import Heard
    from host.ports.base import Port

NOBODY = ""


class Turn:
    """One pupil's turn with the chanter: a session in a scratch folder until it is over."""

    def __init__(self, key: str, hand_on_top: str, path: Path, port: str) -> None:
        self.key, self.path, self.port, self.hand = key, path, port, hand_on_top
        self.changes = 0
        self._mask: int | None = None
        self._recording: Recording | None = None

    def take(self, item: Item, reader: Reader) -> None:
        """Keep what came."""
        if self._recording is None:
            settings = {"hand_on_top": self.hand}
            writer = SessionWriter(self.path, reader.carrier, self.port, settings, datetime.now(UTC))
            self._recording = Recording(writer, self._hear)
            # A session says who the chanter is: ask again, as this one begins in the middle.
            reader.write(carry(WHO, "sysex") if reader.carrier == "sysex" else carry(WHO, "stream"))
        self._recording.take(item, reader.carrier)

    def tick(self, host_us: int) -> None:
        """Time goes by."""
        if self._recording is not None:
            self._recording.tick(host_us)

    def end(self) -> bool:
        """Close the session; whether anything was played in it."""
        if self._recording is not None:
            self._recording.close()
        return self.changes > 0

    def _hear(self, what: Heard) -> None:
        if isinstance(what, State):
            self.changes += self._mask not in (None, what.covered_mask)
            self._mask = what.covered_mask


class Round:
    """The chanter passed round. `now` is the key of who holds it, `sentence` what the desk may say of it."""

    def __init__(
        self, studio: Path, port: str, open_port: Callable[[], Port], clock: Callable[[], int] = now_us
    ) -> None:
        self.now, self.sentence = NOBODY, ""
        self._studio, self._port, self._clock = studio, port, clock
        self._reader = Reader(open_port)
        self._asked: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="round", daemon=True)

    def start(self) -> Round:
        """Begin to listen."""
        self._reader.start()
        self._thread.start()
        return self

    def next(self, key: str) -> None:
        """Let the next pupil play; nobody, where `key` is empty. From any thread."""
        self.now = key
        self._asked.put(key)

    def stop(self) -> None:
        """End the turn, keep it, and let go of the port."""
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        with tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch, Studio(self._studio) as studio:
            turn: Turn | None = None
            turns = 0
            try:
                while not self._ending.is_set():
                    asked = self._asked_last()
                    if asked is not None:
                        self._keep(studio, turn)
                        turn, turns = None, turns + 1
                        if asked:
                            hand = studio.pupil(asked).hand_on_top
                            turn = Turn(asked, hand, Path(scratch) / f"{turns}.session", self._port)
                    self._listen(turn)
                self._keep(studio, turn)
            except (SessionError, StudioError) as error:
                self.sentence, self.now = str(error), NOBODY
            finally:
                self._reader.stop()

    def _asked_last(self) -> str | None:
        """Who was asked for last; None where nobody was."""
        asked = None
        while not self._asked.empty():
            asked = self._asked.get()
        return asked

    def _listen(self, turn: Turn | None) -> None:
        """Take in what comes for a moment."""
        item = self._reader.get(TICK_S)
        if isinstance(item, Ended):
            self.sentence = str(item.error) if item.error is not None else "the port has ended"
            self._ending.wait(TICK_S)
        elif turn is not None:
            try:
                if item is not None:
                    turn.take(item, self._reader)
                turn.tick(self._clock())
            except NotAChanter as error:
                self.sentence = str(error)

    def _keep(self, studio: Studio, turn: Turn | None) -> None:
        if turn is None or not turn.end():
            return
        taken = studio.take_in(turn.key, turn.path)
        if taken.outcome == "refused":
            self.sentence = taken.sentence
