"""Whoever is listened to at the moment: a reader, its listening, and the session that it is kept in."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from host.live.listening import Heard, Listening
from host.live.pupil_playing import PupilPort
from host.live.reader import Item, Reader
from host.live.sealing import RAW_HZ, Sealing
from host.live.sitting_file import begin_session
from host.live.sources import open_source
from host.ports.host_clock import now_us
from host.ports.page_port import SKEW_US, PagePort
from host.store.session_file import SessionError
from host.wire.plain_midi import NoteNumbers

if TYPE_CHECKING:
    from fingering.table import Table
    from host.bench.calibration_file import Calibration
    from host.live.happenings import Origin
    from host.music.tune import Tune
    from host.ports.base import Port
    from host.ports.find import Found
    from host.timing.results import Timing

SIMULATED, PAGE = "sim", "page"


def _nobody() -> tuple[Found, ...]:
    return ()


def _none(device_id: bytes) -> Calibration | None:
    return None


@dataclass(frozen=True, slots=True)
class Setting:
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
    sealing: Sealing
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
    to: str, setting: Setting, tune: Tune, hear: Callable[[Heard, Timing], None], keep: bool = True
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
    return Source(origin, to, reader, listening, settings, Sealing(setting.calibration_of), page, pupil)
