"""Whoever is listened to at the moment: a reader, its listening, and the session that it is kept in."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from host.store.session_file import SessionError

if TYPE_CHECKING:
    from host.live.happenings import Origin
    from host.live.listening import Listening
    from host.live.pupil_playing import PupilPort
    from host.live.reader import Item, Reader
    from host.ports.page_port import PagePort
    from host.timing.analysis import Analysis


@dataclass(slots=True)
class Source:
    """One chanter from the moment it is chosen until another is."""

    origin: Origin
    spec: str
    reader: Reader
    listening: Listening
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

    @property
    def kept(self) -> bool:
        """Whether it is kept as a session."""
        return self.listening.recording.writer is not None

    def close(self, trouble: Callable[[str], None]) -> tuple[Analysis | None, Path | None]:
        """Stop listening. Gives what was played, and where it is kept; nothing where nothing was played."""
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
            self.listening.close()
        except SessionError as error:
            trouble(f"{error.path}: {error}")
        return (self.listening.analysis() if self.played else None), (writer.path if writer is not None else None)

    def _keep_no_more(self, error: SessionError, trouble: Callable[[str], None]) -> None:
        writer, self.listening.recording.writer = self.listening.recording.writer, None
        if writer is not None:
            with contextlib.suppress(SessionError):
                writer.close()
        trouble(f"{error.path}: {error}. Practice goes on, but is not kept.")
