"""Practice put together: sound, loop thread, hub and server, from the first to the last moment."""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from host.faces.web import guard, sentences
from host.faces.web.app import app
from host.faces.web.server import Server, listen
from host.faces.web.sitting import Sitting
from host.faces.web.staffs import Staffs
from host.faces.web.telling import Telling
from host.live.hub import Hub
from host.live.practice import Practice
from host.live.practising import Practising, Setting
from host.live.sitting_file import data_folder
from host.live.sound_place import SoundPlace
from host.live.sounding import Sounding
from host.live.wishes import Engraved, Listen
from host.ports.find import midi_ports, serial_ports
from host.ports.sound_port import list_outputs
from host.store.practised import open_progress

if TYPE_CHECKING:
    from fingering.table import Table
    from host.live.happenings import Over
    from host.ports.find import Found
    from host.wire.plain_midi import NoteNumbers

OWN_PORTS = "fingerlead"


class Opened:
    """A running practice."""

    def __init__(self, url: str, practising: Practising, server: Server) -> None:
        self.url, self._practising, self._server = url, practising, server

    @property
    def running(self) -> bool:
        """Whether both threads are at work; raises what ended one of them."""
        for failed in (self._practising.failed, self._server.failed):
            if failed is not None:
                raise failed
        return self._practising.running and self._server.running

    def show(self) -> None:
        """Open the page in the browser, where there is one."""
        import webbrowser

        with contextlib.suppress(Exception):
            webbrowser.open(self.url)

    def parting_words(self) -> list[str]:
        """What to say of the sitting when it is over."""
        over: Over | None = self._practising.last
        if over is None:
            return [sentences.say("summary_nothing")]
        lines = sentences.summary_lines(over, {})
        if over.session is not None:
            lines.append(f"Kept in {over.session}. Next: fingerlead report {over.session} -o page.html")
        return lines


@contextlib.contextmanager
def opened(
    port: str | None,
    table: Table,
    *,
    address: str,
    web_port: int | None,
    folder: Path | None,
    rung: str | None,
    sound: bool,
    skew_us: int | None,
    plays: NoteNumbers,
) -> Iterator[Opened]:
    """Practice from here to the end of the block. Raises NoPlaceError, and ValueError for a rung that is none."""
    place = listen(address, web_port)
    number: int = place.getsockname()[1]
    folder = data_folder() if folder is None else folder
    progress = open_progress(folder)
    hub = Hub()
    staffs = Staffs(lambda name, svg, why: practising.ask(Engraved(name, svg, why)))
    telling = Telling(hub, table, staffs.staff_of)
    setting = Setting(table, folder / "sessions", plays, skew_us, look=found)

    def new_practice(kept: bool) -> Practice:
        return Practice(table, progress, datetime.date.today(), kept)

    place_of_sound = SoundPlace(Sounding(table), list_outputs, host=sound)
    practising = Practising(setting, new_practice, place_of_sound, telling, rung or "")
    hub.remember(remarks=list(progress.remarks))
    token = guard.new_token()
    names = guard.Names(address, number)
    web = app(Sitting(hub, practising, table), token, f"fingerlead-{number}", names.fits)
    practising.start()
    if port is not None:
        practising.ask(Listen(port))
    try:
        with Server(web, place) as server:
            yield Opened(f"http://{shown(address)}:{number}/?token={token}", practising, server)
    finally:
        practising.stop()


def shown(address: str) -> str:
    """An address as a browser takes it; of one that stands for all, this computer's own name on the network."""
    import socket

    if address in ("0.0.0.0", "::", ""):
        return socket.gethostname().split(".")[0]
    return f"[{address}]" if ":" in address else address


def found() -> tuple[Found, ...]:
    """What is plugged in and may be a chanter."""
    return (*serial_ports(), *(port for port in midi_ports()[0] if OWN_PORTS not in port.spec.lower()))
