"""Whether what is practised is on the disk: the session, those that are over but not written yet, and the log.

A disk that is full or fails is tried again, at a calm pace, as long as the program runs; what changes is told once.
"""

from collections.abc import Callable
from pathlib import Path

from fingerlead.practice.events import Event, KeepingNow
from fingerlead.store.practice_log import NotKept, Progress
from fingerlead.store.session_file import RETRY_US, SessionError, SessionWriter

# Sessions that are over and wait for room; each holds no more than MOST_HELD in memory.
MOST_WAITING = 3


class Keeping:
    """Keeps sessions and practice log. `sessions` are the files of all that were kept; `lost_us` is lost of them.

    `log_lost_us` is the playing of which the practice log does not know.
    """

    def __init__(self, clock: Callable[[], int], tell: Callable[[Event], None]) -> None:
        self._clock, self._tell = clock, tell
        self.sessions: list[Path] = []
        self.lost_us = 0
        self._writer: SessionWriter | None = None
        self._waiting: list[SessionWriter] = []
        self._log: Progress | None = None
        self._log_trouble, self._log_where = "", ""
        self._log_tried_us = self._log_kept_us = clock()
        self._now = KeepingNow("", "", False, 0)

    @property
    def log_lost_us(self) -> int:
        """How much playing the practice log does not know, as it cannot be written."""
        return self._clock() - self._log_kept_us if self._log_trouble else 0

    def begin(self, writer: SessionWriter | None) -> None:
        """A session begins; None where it is not to be kept."""
        self._writer = writer
        self.look()

    def end(self) -> SessionWriter | None:
        """The session is over: it is closed as soon as all of it is written. None where none was kept."""
        writer, self._writer = self._writer, None
        if writer is None:
            return None
        writer.save()
        self._waiting.append(writer)
        if writer.begun:
            self.sessions.append(writer.path)
        while len(self._waiting) > MOST_WAITING:
            self._close(self._waiting[0])
        self.look()
        return writer

    def forget(self) -> None:
        """The session came to nothing."""
        writer, self._writer = self._writer, None
        if writer is not None:
            writer.discard()
        self.look()

    def keep_log(self, log: Progress, *, now: bool = True) -> None:
        """Write the practice log; unless it is to be `now`, only where that failed and it is time again."""
        self._log = log
        due = self._log_trouble and self._clock() - self._log_tried_us >= RETRY_US
        if not (now or due):
            return
        self._log_tried_us = self._clock()
        try:
            log.keep()
        except NotKept as error:
            self._log_trouble, self._log_where = error.why, str(error.path.parent)
        else:
            self._log_trouble, self._log_kept_us = "", self._log_tried_us

    def look(self) -> None:
        """Try again what could not be written, where it is time, and tell what has changed."""
        for writer in list(self._waiting):
            writer.tick(self._clock())
            if not writer.unkept:
                self._close(writer)
        if self._log is not None:
            self.keep_log(self._log, now=False)
        unkept = [writer for writer in (self._writer, *self._waiting) if writer is not None and writer.unkept]
        why = next((writer.trouble for writer in unkept if writer.trouble), self._log_trouble)
        where = str(unkept[0].path.parent) if unkept else self._log_where
        losing = any(writer.losing for writer in unkept)
        if not why and unkept:
            # There is room again, and it is being written: it was told already why it waits.
            why, where = self._now.why, self._now.where
        lost_us = self.lost_us + sum(writer.lost_us for writer in (self._writer, *self._waiting) if writer is not None)
        now = KeepingNow(why, where if why else "", losing, 0 if why else lost_us)
        if (now.why, now.losing) != (self._now.why, self._now.losing):
            self._now = now
            self._tell(now)

    def close(self) -> None:
        """The program ends: what cannot be written now is lost."""
        if self._log is not None:
            self.keep_log(self._log)
        for writer in list(self._waiting):
            self._close(writer)

    def _close(self, writer: SessionWriter) -> None:
        self._waiting.remove(writer)
        try:
            writer.close()
        except SessionError:
            self.lost_us += writer.lost_us
        if writer.begun and writer.path not in self.sessions:
            self.sessions.append(writer.path)
