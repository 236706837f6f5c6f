"""Practice put together: sound, loop thread, hub and server, from the first to the last moment."""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.bench.calibration_file import ANYONE, calibration_of
from host.faces.web import guard, sentences
from host.faces.web.app import app
from host.faces.web.server import Server, listen, shown
from host.faces.web.sitting import Sitting
from host.faces.web.staffs import Staffs
from host.faces.web.telling import Telling
from host.faces.words import practised_names
from host.live.choices import Choices
from host.live.hub import Hub
from host.live.practice import Practice
from host.live.practice_thread import PracticeThread
from host.live.practising import Practising
from host.live.sound_place import SoundPlace
from host.live.sounding import Sounding
from host.live.source import Setting
from host.live.wishes import Engraved, Listen, SoundChanged
from host.ports.find import midi_ports, serial_ports
from host.ports.sound_port import list_outputs
from host.store.own_folder import own_folder
from host.store.practised import open_progress
from host.wire.plain_midi import NoteNumbers

if TYPE_CHECKING:
    from fingering.table import Table
    from host.ports.find import Found

OWN_PORTS = "fingerlead"


class Opened:
    """A running practice, whose page is at `url`."""

    def __init__(self, url: str, practising: Practising, thread: PracticeThread, server: Server) -> None:
        self.url, self._practising, self._thread, self._server = url, practising, thread, server

    @property
    def running(self) -> bool:
        """Whether both threads are at work; raises what ended one of them."""
        for failed in (self._thread.failed, self._server.failed):
            if failed is not None:
                raise failed
        return self._thread.running and self._server.running

    def parting_words(self) -> list[str]:
        """What to say when it is over."""
        over = self._practising.last
        lines = [sentences.say("summary_nothing")] if over is None else sentences.summary_lines(over, practised_names())
        kept = self._practising.sessions
        lines += [sentences.say("kept", file=session) for session in kept]
        if kept:
            lines.append(sentences.say("kept_next", file=kept[-1]))
        return lines


@contextlib.contextmanager
def opened(
    port: str | None,
    table: Table,
    *,
    address: str = "127.0.0.1",
    web_port: int | None = None,
    folder: Path | None = None,
    rung: str = "",
    sound: bool = True,
    skew_us: int | None = None,
    plays: NoteNumbers = NoteNumbers(),
    teacher: Mapping[str, Any] | None = None,
    pupil: str = ANYONE,
) -> Iterator[Opened]:
    """Practice from here to the end of the block, listening to `port` where one is given.

    `teacher` is what `from_teacher` has for the pupil; `pupil` is whose calibration of a chanter is looked for first.

    Raises NoPlaceError, one sentence, where the page cannot be served.
    """
    place = listen(address, web_port)
    number: int = place.getsockname()[1]
    folder = own_folder() if folder is None else folder
    progress = open_progress(folder)
    hub = Hub()
    staffs = Staffs(lambda name, svg, why_not: thread.ask(Engraved(name, svg, why_not)))
    choices = Choices(folder)
    out = Sounding(table, choices.sound(), on_change=lambda: _do(thread.ask(SoundChanged())))
    practising = Practising(
        Setting(table, folder / "sessions", plays, skew_us, partial(calibration_of, pupil=pupil), look=found),
        lambda kept: Practice(table, progress, datetime.date.today(), kept),
        SoundPlace(out, list_outputs, host=sound),
        Telling(hub, table, staffs.staff_of),
        rung,
        choices,
    )
    thread = PracticeThread(practising)
    hub.remember(remarks=list(progress.remarks), teacher=dict(teacher or {}))
    token = guard.new_token()
    names = guard.Names(address, number)
    web = app(Sitting(hub, thread, table), token, f"fingerlead-{number}", names.fits)
    thread.start()
    if port is not None:
        thread.ask(Listen(port))
    try:
        with Server(web, place) as server:
            yield Opened(f"http://{shown(address)}:{number}/?token={token}", practising, thread, server)
    finally:
        thread.stop()


def _do(_: object) -> None:
    """Whatever came of it."""


def found() -> tuple[Found, ...]:
    """What is plugged in and may be a chanter."""
    return (*serial_ports(), *(port for port in midi_ports()[0] if OWN_PORTS not in port.spec.lower()))
