"""Practice put together: sound, loop thread, hub and server, from the first to the last moment."""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from fingering.table import Table
from fingerlead.actor import Actor
from fingerlead.faces.pages.kit import guard
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.server import Server, listen, shown
from fingerlead.faces.pages.practice import telling as sentences
from fingerlead.faces.pages.practice.app import app
from fingerlead.faces.pages.practice.socket import PracticeLink
from fingerlead.faces.pages.practice.telling import Telling
from fingerlead.faces.words import clock_text, practised_names
from fingerlead.music.tune import Tune
from fingerlead.ports.find import Found, midi_ports, serial_ports
from fingerlead.ports.sound_port import list_outputs
from fingerlead.practice.actor import PracticeActor
from fingerlead.practice.choices import Choices
from fingerlead.practice.inbox import Engraved, Listen, SoundChanged
from fingerlead.practice.practice import Practice
from fingerlead.practice.sound_place import SoundPlace
from fingerlead.practice.sounding import Sounding
from fingerlead.practice.source import PracticeSetting
from fingerlead.store.chanters import ANYONE, calibration_of
from fingerlead.store.files import own_folder
from fingerlead.store.practice_log import open_progress
from fingerlead.studio import pupils as folders
from fingerlead.studio import studio as left
from fingerlead.studio.pupils import Pupil, StudioError
from fingerlead.studio.studio import Studio
from fingerlead.wire.plain_midi import NoteNumbers

# --- What a teacher's studio has for a pupil who practises on this machine, and the way home for what was played.

# Within the pupil's own folder: progress, and sittings until they are taken in.
PRACTICE = "practice"
MOST_REMARKS = 12


def pupil_named(studio: Studio, name: str) -> Pupil:
    """The pupil with a name, however it is written, or with a key; raises StudioError."""
    there = studio.pupils()
    found = [pupil for pupil in there if name in (pupil.key,) or pupil.name.casefold() == name.strip().casefold()]
    if len(found) == 1:
        return found[0]
    names = ", ".join(pupil.name for pupil in there[:20]) or "nobody yet"
    if found:
        raise StudioError(f"two pupils are called {name}; name one by its key: {', '.join(p.key for p in found)}")
    raise StudioError(f"expected a pupil of this studio; there is no {name}. There are: {names}")


def from_teacher(studio: Studio, key: str) -> dict[str, Any]:
    """The latest homework and the remarks, the newest first, as the practice page shows them."""
    folder = studio.of(key)
    given = next(iter(folders.homework(folder)), folders.Homework(""))
    names = practised_names()
    days = {sitting.digest: sitting.day for sitting in studio.index.sittings(key)}
    remarks = sorted(folders.remarks(folder), key=lambda remark: (remark.day, remark.at_us), reverse=True)
    return {
        "day": given.day,
        "note": given.note,
        "items": [{"key": each, "name": names[each]} for each in (*given.rungs, *given.tunes) if each in names],
        "remarks": [
            {"day": days.get(each.session, ""), "at": clock_text(each.at_us), "text": each.text}
            for each in remarks[:MOST_REMARKS]
        ],
    }


def practice_folder(studio: Studio, key: str) -> Path:
    """Where the pupil's progress is kept, and sittings until they are taken in."""
    return studio.of(key) / PRACTICE


def bring_home(studio: Studio, key: str) -> int:
    """Take in what was played, also what a sitting cut off before has left; how many sessions were new."""
    return left.bring_home(studio, key, practice_folder(studio, key) / "sessions")


# --- Staffs engraved in the background: one thread, one piece of music at a time, the latest request first.

MOST_KEPT = 100


class Staffs(Actor[tuple[str, Tune]]):
    """`made` hears (name of the music, why it was not engraved) from the engraving thread."""

    def __init__(self, made: Callable[[str, str], object]) -> None:
        super().__init__("staffs", self._engrave, MOST_KEPT)
        self._made = made
        self._kept: dict[str, str | None] = {}
        self._asked: set[str] = set()

    def staff_of(self, name: str, tune: Tune) -> str | None:
        """The staff where it is engraved already; else it will be, once, and `made` hears of it."""
        if name not in self._asked:
            if len(self._asked) >= MOST_KEPT:
                self._asked.clear()
                self._kept.clear()
            if self.ask((name, tune)):
                self._asked.add(name)
        return self._kept.get(name)

    def _engrave(self) -> None:
        from fingerlead.faces.sheet.piece import SheetError
        from fingerlead.faces.sheet.sheets import staff_svg

        wanted: list[tuple[str, Tune]] = []
        while not self.stopping:
            wanted += self.receive_all(0 if wanted else None)
            if not wanted:
                continue
            name, tune = wanted.pop()
            try:
                svg, why_not = staff_svg(tune, letters="full"), ""
            except SheetError as error:
                svg, why_not = None, str(error)
            self._kept[name] = svg
            self._made(name, why_not)


# ---

OWN_PORTS = "fingerlead"


class PracticePage:
    """A running practice, whose page is at `url`."""

    def __init__(self, url: str, practice: PracticeActor, actors: Sequence[Actor[Any]]) -> None:
        self.url, self._practice, self._actors = url, practice, actors

    @property
    def running(self) -> bool:
        """Whether all its threads are at work; raises what ended one of them."""
        running = [actor.check() for actor in self._actors]
        return all(running)

    def parting_words(self) -> list[str]:
        """What to say when it is over."""
        over = self._practice.last
        lines = [sentences.say("summary_nothing")] if over is None else sentences.summary_lines(over, practised_names())
        kept = self._practice.sessions
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
) -> Iterator[PracticePage]:
    """Practice from here to the end of the block, listening to `port` where one is given.

    `teacher` is what `from_teacher` has for the pupil; `pupil` is whose calibration of a chanter is looked for first.

    Raises NoPlaceError, one sentence, where the page cannot be served.
    """
    place = listen(address, web_port)
    number: int = place.getsockname()[1]
    folder = own_folder() if folder is None else folder
    progress = open_progress(folder)
    hub = Hub()
    staffs = Staffs(lambda name, why_not: thread.ask(Engraved(name, why_not)))
    choices = Choices(folder)
    out = Sounding(table, choices.sound(), on_change=lambda: _do(thread.ask(SoundChanged())))
    thread = PracticeActor(
        PracticeSetting(table, folder / "sessions", plays, skew_us, partial(calibration_of, pupil=pupil), look=found),
        lambda kept: Practice(table, progress, datetime.date.today(), kept),
        SoundPlace(out, list_outputs, host=sound),
        Telling(hub, table, staffs.staff_of),
        rung,
        choices,
    )
    hub.remember(remarks=list(progress.remarks), teacher=dict(teacher or {}))
    token = guard.new_token()
    names = guard.Names(address, number)
    web = app(PracticeLink(hub, thread, table), token, f"fingerlead-{number}", names.fits)
    staffs.start()
    thread.start()
    if port is not None:
        thread.ask(Listen(port))
    try:
        with Server(web, place) as server:
            url = f"http://{shown(address)}:{number}/?token={token}"
            yield PracticePage(url, thread, (thread, staffs, server))
    finally:
        thread.stop()
        # A piece of music that is being engraved is not waited for.
        staffs.stop(0)


def _do(_: object) -> None:
    """Whatever came of it."""


def found() -> tuple[Found, ...]:
    """What is plugged in and may be a chanter."""
    return (*serial_ports(), *(port for port in midi_ports()[0] if OWN_PORTS not in port.spec.lower()))
