"""A sitting at the page: one chanter at a time listened to, sounded at once, judged, and told.

    reader thread ─► queue ─► here: sound at once ─► analysis ─► practice ─► `tell`
    pages ─► wishes (bounded) ─┘

All that touches listening, practice and session is called from one thread, `practice_thread`; nothing here waits.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from concurrent.futures import InvalidStateError
from pathlib import Path
from typing import TYPE_CHECKING

from host.live import happenings as told
from host.live import wishes
from host.live.listening import Heard
from host.live.practice_events import Passed, Turn
from host.live.pupil_playing import first_with_strays
from host.live.reader import Back, Item, Lost, Reader
from host.live.resting import Resting
from host.live.source import Setting, Source, begin_source, origin_of
from host.ports.base import PortRefused
from host.ports.page_port import PagePort
from host.store.practised import NotKept
from host.store.session_file import SessionError
from host.wire.errors import NotAChanter
from host.wire.events import Seen, State, TroubleSeen

if TYPE_CHECKING:
    from host.live.practice import Practice
    from host.live.practice_events import Edges, Event
    from host.live.sound_place import SoundPlace
    from host.ports.find import Found
    from host.timing.results import Timing

LOOK_EVERY_US = 2_000_000
KEEP_EVERY_US = 60_000_000
# What passes a rung, of all that fills a row.
DONE = ("passed", "confirmed")


class Practising:
    """Listens, and tells everything to `tell`.

    `new_practice` begins a practice, told whether it counts as the learner's; `sounding` makes the sound. `last` is the
    sitting that ended last, `sessions` are all that were kept.
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
        self._practice = new_practice(True)
        self._rung = rung
        self._source: Source | None = None
        self.page_port: PagePort | None = None
        self._chanter = told.ChanterNow("none", None, "", "", None, False, ())
        self._resting = Resting()
        self._looked_us: int | None = None
        self._hand = "left"
        self._note: int | None = None
        self._kept_us = 0
        self._keep_failed = False
        self.last: told.Over | None = None
        self.sessions: list[Path] = []

    # -- what the thread does -------------------------------------------------------------------------------------

    @property
    def reader(self) -> Reader | None:
        """What is to be read from now."""
        return None if self._source is None else self._source.reader

    def begin(self) -> None:
        """Tell everything for the first time."""
        self._practise()
        self._tell(told.SoundNow(self._sounding.settings()))
        self._tell(told.MetronomeNow(self._sounding.beat()))
        self._nobody_plays()

    def take_in(self, item: Item | None) -> None:
        """Take in what the reader brought, or (None) that nothing came for a while."""
        source = self._source
        if source is None:
            return
        try:
            if item is None:
                source.listening.idle()
                if self._clock() - self._kept_us >= KEEP_EVERY_US:
                    self._keep_progress()
            elif not source.take(item, self._remark):
                self.finish()
                return
            source.tick(self._clock(), self._remark)
            self._sounding.listen_to_beats()
        except PortRefused as error:
            self._refused(str(error))
        except NotAChanter as error:
            self._refused(f"{source.spec}: {error}")

    def finish(self) -> None:
        """End the sitting: keep it, and sum it up."""
        over = self._leave()
        if over is not None:
            self._tell(over)
        self._nobody_plays()

    def close(self) -> None:
        """End everything."""
        try:
            self.finish()
        finally:
            self._sounding.close()

    def look(self) -> None:
        """See what is plugged in by now, while nobody is listened to."""
        now = self._clock()
        if self._looked_us is not None and now - self._looked_us < LOOK_EVERY_US:
            return
        self._looked_us = now
        found = self._setting.look()
        if found != self._chanter.found:
            self._tell_chanter(self._chanter.place, cause=self._chanter.cause, found=found)

    # -- wishes ---------------------------------------------------------------------------------------------------

    def grant(self, wish: wishes.Wish) -> None:
        """Do what somebody asks for."""
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
                self._hand = hand
                self._tell(told.HandNow(hand))
            case wishes.SetSound():
                self._set_sound(wish)
            case wishes.SetMetronome():
                self._set_metronome(wish)
            case wishes.Tap(host_us):
                self._sounding.tap(host_us)
                self._tell(told.MetronomeNow(self._sounding.beat()))
            case wishes.SoundChanged():
                self._tell(told.SoundNow(self._sounding.settings()))
            case wishes.Engraved(name, svg, why_not):
                self._tell(told.StaffNow(name, svg, why_not))
            case wishes.Replay():
                self._replay(wish)
            case wishes.Sounds(answer):
                with contextlib.suppress(InvalidStateError):
                    answer.set_result(self._sounding.settings())
            case wishes.Finish():
                self.finish()

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
            self._nobody_plays()
            return
        origin = origin_of(to)
        self._practise(origin)
        self._chanter = told.ChanterNow("none", None, "", "", None, False, self._chanter.found)
        self._sounding.follow(origin)
        try:
            self._source = self._begin_source(to)
        except SessionError as error:
            self._remark(f"{error.path}: {error}. Practice goes on, but is not kept.")
            self._source = self._begin_source(to, keep=False)
        self.page_port = self._source.page_port
        self._tell(told.SoundNow(self._sounding.settings()))
        self._tell_chanter("waiting")

    def _begin_source(self, to: str, keep: bool = True) -> Source:
        return begin_source(to, self._setting, self._practice.snapshot().tune, self._hear, keep)

    def _play_on(self) -> None:
        """Have the simulated pupil, where it plays, take up the present music."""
        if self._source is not None and self._source.pupil_port is not None:
            self._source.pupil_port.play(self._practice.snapshot().tune)

    def _leave(self) -> told.Over | None:
        """Stop listening, and keep what was played."""
        self.page_port = None
        if self._source is None:
            return None
        summary = self._practice.summary()
        practised = {
            "rungs": list(summary.played),
            "passed": list(dict.fromkeys(passed.rung_key for passed in summary.passed if passed.what in DONE)),
            "hand_on_top": self._hand,
        }
        session = self._source.close(self._remark, practised)
        played, self._source = self._source.played, None
        self._sounding.away()
        self._tell_events(self._practice.close())
        self._keep_progress()
        if not played:
            return None
        self.last = told.Over(self._practice.summary(), session, self._resting.played_us)
        if session is not None:
            self.sessions.append(session)
        return self.last

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

    def _practise(self, origin: told.Origin | None = None) -> None:
        """A practice anew, for whoever plays now."""
        self._practice = self._new_practice(origin != "simulated")
        self._resting = Resting()
        # Whoever looks on while the pupil plays wants to see what can go wrong.
        rung = self._rung or (first_with_strays().key if origin == "simulated" else "")
        if rung:
            with contextlib.suppress(ValueError):
                self._practice.start(rung)
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
        if note is not None and note != self._note and self._sounding.note(state.host_us or 0):
            self._tell(told.MetronomeNow(self._sounding.beat()))
        self._note = note
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

    def _nobody_plays(self) -> None:
        self._looked_us = self._clock()
        self._tell_chanter("none", found=self._setting.look())

    def _tell_music(self, anew: bool = False) -> None:
        self._tell(told.MusicNow(self._practice.snapshot(), anew))

    def _remark(self, sentence: str) -> None:
        self._tell(told.Remark(sentence))


def _whole_ms(timing: Timing | None) -> int:
    return -1 if timing is None else timing.uncertainty_us // 1_000
