"""The loop thread of practice: one chanter at a time listened to, sounded at once, judged, and told.

    reader thread ─► queue ─► here: sound at once ─► analysis ─► practice ─► `tell`
    pages and timers ─► wishes (bounded) ─┘

All that touches listening, practice and session runs in this thread. Others put wishes into a bounded box, or feed
holes that a page covers; neither ever waits.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable
from concurrent.futures import InvalidStateError
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from host.live import happenings as told
from host.live import wishes
from host.live.listening import Heard, Listening
from host.live.practice_events import Passed, Turn
from host.live.pupil_playing import PupilPort
from host.live.reader import Back, Lost, Reader
from host.live.resting import Resting
from host.live.sitting_file import begin_session
from host.live.source import Source
from host.live.sources import open_source
from host.ports.base import PortRefused
from host.ports.host_clock import now_us
from host.ports.page_port import SKEW_US, PagePort
from host.store.practised import NotKept
from host.store.session_file import SessionError
from host.wire.errors import NotAChanter
from host.wire.events import Seen, State, TroubleSeen
from host.wire.plain_midi import NoteNumbers

if TYPE_CHECKING:
    from fingering.table import Table
    from host.live.practice import Practice
    from host.live.practice_events import Edges, Event
    from host.live.sound_place import SoundPlace
    from host.ports.base import Port
    from host.ports.find import Found
    from host.timing.results import Timing

# Often enough that no byte is unsaved for longer than 250 ms.
TICK_S = 0.05
IDLE_S = 0.25
LOOK_EVERY_US = 2_000_000
KEEP_EVERY_US = 60_000_000
MOST_WISHES = 256
SIMULATED, PAGE = "sim", "page"


def _nobody() -> tuple[Found, ...]:
    return ()


@dataclass(frozen=True, slots=True)
class Setting:
    """What a sitting is made with. `look` lists what is plugged in; `folder` None keeps no sessions."""

    table: Table
    folder: Path | None
    plays: NoteNumbers = field(default_factory=NoteNumbers)
    skew_us: int | None = None
    look: Callable[[], tuple[Found, ...]] = _nobody
    open_port: Callable[[str], Port] = open_source
    clock: Callable[[], int] = now_us
    wall_clock: Callable[[], datetime] = datetime.now


class Practising:
    """Listens, and tells everything to `tell`, in its own thread from `start` to `stop`.

    `new_practice` begins a practice, told whether it counts as the learner's; `sounding` makes the sound.
    """

    def __init__(
        self,
        setting: Setting,
        new_practice: Callable[[bool], Practice],
        sounding: SoundPlace,
        tell: Callable[[told.Happening], None],
        rung: str = "",
    ) -> None:
        self._setting, self._new_practice, self._sounding, self._tell = setting, new_practice, sounding, tell
        self._clock = setting.clock
        self._practice = new_practice(False)
        self._rung = rung
        self._wishes: queue.Queue[wishes.Wish] = queue.Queue(MOST_WISHES)
        self._source: Source | None = None
        self._page_port: PagePort | None = None
        self._chanter = told.ChanterNow("none", None, "", "", None, False, ())
        self._resting = Resting()
        self._looked_us: int | None = None
        self._kept_us = 0
        self._keep_failed = False
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="practice", daemon=True)
        self.failed: BaseException | None = None
        self.last: told.Over | None = None

    # -- from other threads ---------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End the sitting, keep it, and wait until that is done."""
        self._stopping.set()
        self._thread.join()

    @property
    def running(self) -> bool:
        """Whether the thread is at work."""
        return self._thread.is_alive()

    def ask(self, wish: wishes.Wish) -> bool:
        """Ask for something; False where too much is asked at once. Never waits."""
        try:
            self._wishes.put_nowait(wish)
        except queue.Full:
            return False
        return True

    def cover(self, covered_mask: int) -> None:
        """Holes as a page covers them; passed over while another chanter is listened to."""
        port = self._page_port
        if port is not None:
            port.feed(covered_mask)

    # -- the loop -------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._begin()
            while not self._stopping.is_set():
                self._step()
            self._finish()
        except BaseException as error:
            self.failed = error
            raise
        finally:
            self._leave()
            self._sounding.close()

    def _begin(self) -> None:
        self._practise()
        self._tell(told.SoundNow(self._sounding.settings()))
        self._tell(told.MetronomeNow(self._sounding.beat()))
        self._tell_chanter("none", found=self._setting.look())
        self._looked_us = self._clock()

    def _step(self) -> None:
        source = self._source
        if source is None:
            self._grant(IDLE_S)
            self._look()
            return
        item = source.reader.get(TICK_S)
        try:
            if item is None:
                source.listening.idle()
                if self._clock() - self._kept_us >= KEEP_EVERY_US:
                    self._keep_progress()
            elif not source.take(item, self._remark):
                self._leave()
                self._tell_chanter("none", found=self._setting.look())
                return
            source.tick(self._clock(), self._remark)
        except PortRefused as error:
            self._refused(str(error))
        except NotAChanter as error:
            self._refused(f"{source.spec}: {error}")
        while not self._wishes.empty():
            self._grant(0)

    def _look(self) -> None:
        """See what is plugged in by now, while nobody is listened to."""
        now = self._clock()
        if self._looked_us is not None and now - self._looked_us < LOOK_EVERY_US:
            return
        self._looked_us = now
        found = self._setting.look()
        if found != self._chanter.found:
            self._tell_chanter(self._chanter.place, cause=self._chanter.cause, found=found)

    # -- wishes ---------------------------------------------------------------------------------------------------

    def _grant(self, timeout_s: float) -> None:
        try:
            wish = self._wishes.get(timeout=timeout_s) if timeout_s else self._wishes.get_nowait()
        except queue.Empty:
            return
        match wish:
            case wishes.Listen(to):
                self._listen(to)
            case wishes.ChooseRung(key):
                self._choose(key)
            case wishes.BeginTonight():
                self._practice.tonight()
                self._tell_music()
                self._play_on()
            case wishes.BeginAgain():
                self._practice.restart()
                self._tell_music()
            case wishes.HandOnTop(hand):
                self._tell(told.HandNow(hand))
            case wishes.SetSound():
                self._set_sound(wish)
            case wishes.SetMetronome():
                self._set_metronome(wish)
            case wishes.Engraved(name, svg, why_not):
                self._tell(told.StaffNow(name, svg, why_not))
            case wishes.Replay():
                self._replay(wish)
            case wishes.Sounds(answer):
                with contextlib.suppress(InvalidStateError):
                    answer.set_result(self._sounding.settings())
            case wishes.Finish():
                self._finish()
                self._tell_chanter("none", found=self._setting.look())

    def _choose(self, key: str) -> None:
        try:
            self._practice.start(key)
        except ValueError as error:
            self._remark(f"{error}.")
            return
        self._rung = key
        self._tell_music()
        self._play_on()

    def _replay(self, wish: wishes.Replay) -> None:
        found: tuple[Edges, int] | None = None
        if wish.number is None:
            phrase = self._practice.phrase()
            found = None if phrase is None else (phrase.edges, phrase.end_us)
        else:
            take = self._practice.take(wish.number)
            edges = None if take is None else take.mended_edges if wish.mended else take.edges
            found = None if take is None or edges is None else (edges, take.end_us)
        # Whoever asked may have gone.
        with contextlib.suppress(InvalidStateError):
            wish.answer.set_result(found)

    def _set_sound(self, wish: wishes.SetSound) -> None:
        try:
            self._sounding.set(wish)
        except ValueError as error:
            self._remark(f"{error}.")
        self._tell(told.SoundNow(self._sounding.settings()))

    def _set_metronome(self, wish: wishes.SetMetronome) -> None:
        try:
            self._sounding.set_metronome(wish)
        except ValueError as error:
            self._remark(f"{error}.")
        self._tell_events(self._practice.beat(self._sounding.bpm))
        self._tell(told.MetronomeNow(self._sounding.beat()))

    # -- who is listened to ---------------------------------------------------------------------------------------

    def _listen(self, to: str) -> None:
        self._leave()
        if not to:
            self._tell_chanter("none", found=self._setting.look())
            return
        try:
            self._source = self._open(to)
        except SessionError as error:
            self._remark(f"{error.path}: {error}. Practice goes on, but is not kept.")
            self._source = self._open(to, keep=False)
        self._practise()
        self._sounding.follow(self._source.origin)
        self._tell(told.SoundNow(self._sounding.settings()))
        self._tell_chanter("waiting")

    def _play_on(self) -> None:
        """Have the simulated pupil, where it plays, take up the present music."""
        if self._source is not None and self._source.pupil_port is not None:
            self._source.pupil_port.play(self._practice.snapshot().tune)

    def _open(self, to: str, keep: bool = True) -> Source:
        setting = self._setting
        origin: told.Origin = "simulated" if to == SIMULATED else "page" if to == PAGE else "port"
        page = PagePort(clock=self._clock) if origin == "page" else None
        pupil = PupilPort(self._practice.snapshot().tune) if origin == "simulated" else None
        plays = setting.plays if page is None else NoteNumbers()
        writer = None
        if keep and pupil is None and setting.folder is not None:
            writer = begin_session(setting.folder, to, "stream", plays, setting.wall_clock())
        # Keys and screens have no scan: how far they may be off is all in the skew.
        skew_us, scan_us = (setting.skew_us, None) if page is None else (SKEW_US, 0)
        listening = Listening(setting.table, self._hear, skew_us=skew_us, scan_us=scan_us, keep=writer, plays=plays)
        reader = Reader(lambda: page or pupil or setting.open_port(to)).start()
        self._page_port = page
        return Source(origin, to, reader, listening, page, pupil)

    def _leave(self) -> told.Over | None:
        """Stop listening, and keep what was played."""
        self._page_port = None
        if self._source is None:
            return None
        analysis, session = self._source.close(self._remark)
        self._source = None
        self._sounding.away()
        self._tell_events(self._practice.close())
        self._keep_progress()
        if analysis is None:
            return None
        return told.Over(self._practice.summary(), analysis, session, self._resting.played_us)

    def _finish(self) -> None:
        over = self._leave()
        if over is not None:
            self.last = over
            self._tell(over)

    def _keep_progress(self) -> None:
        """Write down what was passed; where that fails it is said, and tried again later."""
        self._kept_us = self._clock()
        try:
            self._practice.progress.keep()
        except NotKept as error:
            if not self._keep_failed:
                self._remark(f"{error}.")
            self._keep_failed = True

    def _refused(self, sentence: str) -> None:
        self._leave()
        self._tell_chanter("refused", cause=sentence, found=self._setting.look())

    def _practise(self) -> None:
        """A practice anew, for whoever plays now."""
        self._practice = self._new_practice(self._source is not None and self._source.origin != "simulated")
        self._resting = Resting()
        if self._rung:
            with contextlib.suppress(ValueError):
                self._practice.start(self._rung)
        self._practice.beat(self._sounding.bpm)
        self._tell_music(anew=True)

    # -- what is heard --------------------------------------------------------------------------------------------

    def _hear(self, what: Heard, timing: Timing) -> None:
        if isinstance(what, State):
            self._sounding.cover(what.covered_mask, what.host_us)
            self._state(what, timing)
        elif isinstance(what, Lost):
            self._sounding.away()
            self._tell_chanter("away", cause=what.cause)
        elif isinstance(what, Back):
            self._tell_chanter("waiting")
        elif isinstance(what, Seen):
            if what.hello.name != self._chanter.name:
                self._tell_chanter(self._chanter.place, name=what.hello.name, timing=timing)
        elif isinstance(what, TroubleSeen):
            self._remark(f"The chanter reports: {what.words}.")
        self._tell_events(self._practice.hear(what, timing))

    def _state(self, state: State, timing: Timing) -> None:
        source = self._source
        if source is None:
            return
        covered_mask = state.covered_mask
        source.played = source.played or covered_mask != 0
        if self._chanter.place != "here" or _whole_ms(self._chanter.timing) != _whole_ms(timing):
            self._tell_chanter("here", timing=timing)
        if covered_mask == source.covered_mask:
            return
        source.covered_mask = covered_mask
        verdict = self._setting.table.verdict(covered_mask)
        note = verdict.note if covered_mask else None
        self._tell(told.HolesNow(covered_mask, note, verdict.fingering, state.t_us))
        if state.host_us is not None and self._resting.moved(state.host_us):
            self._tell(told.RestDue(self._resting.played_us))

    # -- what is told ---------------------------------------------------------------------------------------------

    def _tell_chanter(
        self,
        place: told.Place,
        cause: str = "",
        name: str | None = None,
        timing: Timing | None = None,
        found: tuple[Found, ...] | None = None,
    ) -> None:
        source, before = self._source, self._chanter
        self._chanter = told.ChanterNow(
            place,
            None if source is None else source.origin,
            (before.name if source is not None else "") if name is None else name,
            cause,
            timing or (before.timing if source is not None else None),
            source is not None and source.kept,
            before.found if found is None else found,
        )
        self._tell(self._chanter)

    def _tell_events(self, events: list[Event]) -> None:
        for event in events:
            self._tell(told.Practised(event))
            if isinstance(event, Passed):
                self._keep_progress()
                self._tell_music()
            elif isinstance(event, Turn):
                self._tell_music()
                self._play_on()

    def _tell_music(self, anew: bool = False) -> None:
        self._tell(told.MusicNow(self._practice.snapshot(), anew))

    def _remark(self, sentence: str) -> None:
        self._tell(told.Remark(sentence))


def _whole_ms(timing: Timing | None) -> int:
    return -1 if timing is None else timing.uncertainty_us // 1_000
