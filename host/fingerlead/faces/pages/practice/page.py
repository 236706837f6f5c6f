"""The practice page put together: sound, practice, staffs and server, from the first to the last moment."""

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from fingering.movements import Repertoire
from fingering.orders import Order, order_of
from fingering.rungs import STAGE_US
from fingering.table import Table
from fingerlead.actor import Actor
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.kit.page import ServedPage, served
from fingerlead.faces.pages.kit.place import WebPlace
from fingerlead.faces.pages.practice.apart_routes import BODIES, TeacherRoutes
from fingerlead.faces.pages.practice.lesson_routes import LessonRoutes
from fingerlead.faces.pages.practice.messages import Publisher, join_lines, loss_lines, say, summary_lines
from fingerlead.faces.pages.practice.pupil_lesson import PupilLesson
from fingerlead.faces.pages.practice.routes import PracticeRoutes
from fingerlead.faces.pages.practice.teacher import from_bundles
from fingerlead.faces.words import practised_names
from fingerlead.lesson.entries import Consent
from fingerlead.music.tune import Tune
from fingerlead.ports.base import Found
from fingerlead.ports.catalogue import midi_ports, serial_ports
from fingerlead.ports.sound_port import list_outputs
from fingerlead.practice.actor import PracticeActor
from fingerlead.practice.choices import Choices
from fingerlead.practice.inbox import Engraved, Listen, SoundChanged
from fingerlead.practice.offers import Offers
from fingerlead.practice.passing import ON_BEAT_US
from fingerlead.practice.practice import Practice
from fingerlead.practice.sound_place import SoundPlace
from fingerlead.practice.sounding import Sounding
from fingerlead.practice.source import PracticeSetting
from fingerlead.practice.tonight import OnStaff, music_names
from fingerlead.practice.tune_shelf import TuneShelf
from fingerlead.reading.between import STANDARD
from fingerlead.store.chanters import ANYONE, calibration_of
from fingerlead.store.files import own_folder
from fingerlead.store.practice_log import open_progress
from fingerlead.version import __version__
from fingerlead.wire.plain_midi import NoteNumbers

OWN_PORTS = "fingerlead"
MOST_KEPT = 100


class Staffs(Actor[tuple[str, Tune]]):
    """Engraves staffs, one piece of music at a time, the latest that was asked for first.

    `made` is called from its thread with the name of the music, and why it could not be engraved.
    """

    def __init__(self, made: Callable[[str, str], object]) -> None:
        super().__init__("staffs", self._engrave, MOST_KEPT)
        self._made = made
        self._kept: dict[str, tuple[Tune, str | None]] = {}

    def stop(self, timeout_s: float | None = 0) -> bool:
        """A piece of music that is being engraved is not waited for."""
        return super().stop(timeout_s)

    def staff_of(self, name: str, tune: Tune) -> str | None:
        """The staff where it is engraved already; else it will be, once, and `made` is called."""
        kept = self._kept.get(name)
        # A player's own tune may have the name that another one had.
        if kept is not None and kept[0] == tune:
            return kept[1]
        if len(self._kept) >= MOST_KEPT:
            self._kept.clear()
        if self.ask((name, tune)):
            self._kept[name] = tune, None
        return None

    def _engrave(self) -> None:
        from fingerlead.faces.sheet.piece import SheetError
        from fingerlead.faces.sheet.sheets import staff_svg

        wanted: dict[str, Tune] = {}
        while not self.stopping:
            for name, tune in self.receive_all(0 if wanted else None):
                wanted.pop(name, None)
                wanted[name] = tune
            while len(wanted) > MOST_KEPT:
                del wanted[next(iter(wanted))]
            if not wanted:
                continue
            name, tune = wanted.popitem()
            try:
                svg, why_not = staff_svg(tune, letters="full"), ""
            except SheetError as error:
                svg, why_not = None, str(error)
            self._kept[name] = tune, svg
            self._made(name, why_not)


@dataclass(frozen=True, slots=True)
class PracticePage(ServedPage):
    """A practice page that is being served."""

    practice: PracticeActor = field(kw_only=True)

    def losses(self) -> list[str]:
        """What of all that was played is lost, when it is over."""
        return loss_lines(self.practice.keeping.lost_us, 0, self.practice.keeping.log_lost_us)

    def parting_words(self) -> list[str]:
        """What to say when it is over."""
        over, kept = self.practice.last, self.practice.keeping.sessions
        losses = self.losses()
        lines = [say("summary_nothing"), *losses] if over is None else summary_lines(over, practised_names(), losses)
        lines += [say("kept", file=session) for session in kept]
        return [*lines, say("kept_next", file=kept[-1])] if kept else lines


@contextlib.contextmanager
def opened(
    port: str | None,
    table: Table,
    *,
    at: WebPlace = WebPlace(),
    join: WebPlace | None = None,
    folder: Path | None = None,
    rung: str = "",
    tunes: Sequence[OnStaff] = (),
    order: Order | None = None,
    stage_us: int = STAGE_US,
    beat_us: int = ON_BEAT_US,
    sound: bool = True,
    skew_us: int | None = None,
    plays: NoteNumbers = NoteNumbers(),
    teacher: Mapping[str, Any] | None = None,
    pupil: str = ANYONE,
    known: Repertoire = STANDARD,
    wall_clock: Callable[[], datetime] = datetime.now,
) -> Iterator[PracticePage]:
    """Practice from here to the end of the block, listening to `port` where one is given.

    `tunes` are the player's own, beside those that the folder keeps. `order` is that of the ladder, kept for the next
    time; None is the one chosen last, else that of what is passed. `teacher` is what `from_teacher` has for the pupil;
    `pupil` is whose calibration of a chanter is looked for first. `known` are the movements that there are, a teacher's
    own among them. `wall_clock` gives the day, and the date that a session is kept under.

    `join`: where a phone joins it by the network, if one may.

    Raises NoPlaceError, one sentence, where the page cannot be served.
    """
    folder = own_folder() if folder is None else folder
    progress = open_progress(folder)
    hub = Hub()
    offers = Offers(found, [] if port is None else [port])
    staffs = Staffs(lambda name, why_not: actor.ask(Engraved(name, why_not)))
    choices = Choices(folder)
    if order is None and not choices.has_order and order_of(progress.passed()) == "derived":
        order = "derived"  # a ladder that is half climbed goes on
    if order is not None:
        choices.choose_order(order)
    shelf = TuneShelf(folder)
    own = shelf.tunes(tunes, music_names())
    if tunes:
        shelf.keep(own)

    def given(told: Mapping[str, Any]) -> None:
        hub.remember(teacher=dict(told))

    def on_change() -> None:
        actor.ask(SoundChanged())

    actor = PracticeActor(
        PracticeSetting(
            table,
            folder / "sessions",
            plays,
            skew_us,
            partial(calibration_of, pupil=pupil),
            look=offers,
            known=known,
            wall_clock=wall_clock,
        ),
        lambda kept: Practice(table, progress, wall_clock().date(), kept, stage_us, beat_us, choices.order),
        SoundPlace(Sounding(table, choices.sound(), on_change), list_outputs, host=sound),
        Publisher(hub, table, staffs.staff_of),
        rung,
        own,
        choices,
        shelf.keep,
    )
    # Who practises in a studio's folder has the teacher on this machine.
    apart = None if teacher is not None else TeacherRoutes(folder, table, lambda: wall_clock().date(), given)
    at_first = from_bundles(folder, wall_clock().date()) if apart else dict(teacher or {})
    hub.remember(remarks=list(progress.remarks), teacher=at_first)
    if port is not None:
        actor.ask(Listen(port))
    program = f"fingerlead {__version__}"
    lesson = PupilLesson(
        actor.ask, hub.publish, lambda name: Consent(name, program, plays.base_note, plays.channel, known.text)
    )
    also = [*(apart.routes() if apart else ()), *LessonRoutes(folder, lesson).routes()]
    routes = PracticeRoutes(hub, actor, table, also)
    with (
        contextlib.closing(lesson),
        served(routes.app(), at, staffs, offers, actor, join=join, most_bytes=BODIES) as page,
    ):
        joining = page.joining and replace(page.joining, sentences=join_lines(page.joining.fingerprint))
        if joining is not None:
            hub.remember(join=joining.message())
        yield PracticePage(
            page.url, page.address_once, page.server, page.actors, page.in_clear, joining, practice=actor
        )


def found() -> tuple[Found, ...]:
    """What the system knows of that may be a chanter."""
    return (*serial_ports(), *(port for port in midi_ports()[0] if OWN_PORTS not in port.spec.lower()))
