"""The other end's playing, taken in as it comes: kept and analysed as at home, with what lies beyond a hole beside it.

What comes in order goes through a `Listening` of its own, and a session: both are, frame for frame, the player's. What
comes beyond a hole goes through a second one, which takes what is missing for lost; its results are told as `ahead`,
and are forgotten when the hole is filled, as the first one tells all of it anew.
"""

import json
import logging
from collections.abc import Callable
from typing import Literal

from fingering.movements import MovementError, Repertoire, repertoire_in
from fingering.table import Table
from fingerlead.lesson.copying import known_of, take_entry
from fingerlead.lesson.end import Glimpsed, Took
from fingerlead.lesson.entries import ChanterKnown, Consent, Entry
from fingerlead.listening.listening import Heard, Listening
from fingerlead.listening.recording import Known
from fingerlead.reading.between import STANDARD
from fingerlead.store.session_file import SessionError, SessionWriter
from fingerlead.store.session_music import MusicError
from fingerlead.timing.results import Timing
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.plain_midi import NoteNumbers

Sureness = Literal["sure", "ahead", "revised"]
_log = logging.getLogger(__name__)


class Watched:
    """One end's playing at the other. `tell` gets all that is heard; "revised" with None: what was ahead is forgotten.

    `problem` is why nothing more is taken in, in a sentence.
    """

    def __init__(
        self,
        table: Table,
        tell: Callable[[Heard | None, Timing | None, Sureness], None],
        keep: SessionWriter | None = None,
    ) -> None:
        self._table, self._tell, self._keep = table, tell, keep
        self.listening: Listening | None = None
        self.problem = ""
        self._known: dict[bytes, Known] = {}
        self._ahead: Listening | None = None

    def take(self, event: Took | Glimpsed) -> None:
        """Take in what an end took in."""
        if self.problem:
            return
        try:
            if isinstance(event, Took):
                self._take(event.entry)
            else:
                self._look(event)
        except (NotAChanter, MusicError, SessionError, ValueError) as error:
            self.problem = str(error)
            _log.warning("a lesson's playing cannot be taken in: %s", type(error).__name__)

    def idle(self) -> bool:
        """Nothing came for a while: catch up a little with the analysis; whether there is more to do."""
        return any(each.idle() for each in (self.listening, self._ahead) if each is not None)

    def close(self) -> None:
        """Nothing more will come."""
        if self.listening is not None:
            self.listening.close()

    def _take(self, entry: Entry) -> None:
        if isinstance(entry, Consent) and self.listening is None:
            plays, known = NoteNumbers(entry.first_note, entry.channel), _repertoire(entry)
            if self._keep is not None:
                self._keep.tell(settings=json.dumps(plays._asdict()))
            self.listening = Listening(
                self._table, self._sure, keep=self._keep, plays=plays, known=known, know=self._know
            )
        elif isinstance(entry, ChanterKnown):
            known_chanter = known_of(entry)
            self._known[known_chanter.device_id] = known_chanter
        elif self.listening is not None:
            take_entry(entry, self.listening)

    def _look(self, event: Glimpsed) -> None:
        if event.anew:
            if self._ahead is not None:
                self._ahead = None
                self._tell(None, None, "revised")
            if event.entries and self.listening is not None:
                self._ahead = self.listening.beyond_hole(self._beyond)
        for entry in event.entries:
            if self._ahead is not None:
                take_entry(entry, self._ahead)

    def _know(self, device_id: bytes) -> Known:
        return self._known.get(device_id, Known(device_id, None, None))

    def _sure(self, what: Heard, timing: Timing) -> None:
        self._tell(what, timing, "sure")

    def _beyond(self, what: Heard, timing: Timing) -> None:
        self._tell(what, timing, "ahead")


def _repertoire(consent: Consent) -> Repertoire:
    """The movements there are, the player's own among them; raises ValueError where they cannot be read."""
    if not consent.movements:
        return STANDARD
    try:
        return repertoire_in(consent.movements, "movements of the other end")
    except MovementError as error:
        raise ValueError(f"the other end's movements cannot be read: {error.reason}") from None
