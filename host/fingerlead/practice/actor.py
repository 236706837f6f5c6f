"""The thread in which practice lives, and the one way to it from other threads: a bounded box of wishes."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from concurrent.futures import InvalidStateError
from pathlib import Path

from fingerlead.actor import Actor
from fingerlead.listening.listening import Heard
from fingerlead.listening.reader import Back, Item, Lost, Reader
from fingerlead.ports.base import PortRefused
from fingerlead.ports.page_port import PagePort
from fingerlead.practice import events as told
from fingerlead.practice import inbox as wishes
from fingerlead.practice.choices import Choices
from fingerlead.practice.events import Edges, Event, Passed, TonightTurn
from fingerlead.practice.inbox import Request
from fingerlead.practice.sound_place import SoundPlace
from fingerlead.practice.source import PracticeSetting, Source, Whereabouts, begin_source, first_with_strays, origin_of
from fingerlead.practice.state import Practice
from fingerlead.practice.sums import Resting
from fingerlead.store.practice_log import NotKept
from fingerlead.store.session_file import SessionError
from fingerlead.timing.results import Timing
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.events import Seen, State, TroubleSeen

# --- A sitting at the page: one chanter at a time listened to, sounded at once, judged, and told.
#
#     reader thread ─► queue ─► here: sound at once ─► analysis ─► practice ─► `tell`
#     pages ─► wishes (bounded) ─┘
#
# All that touches listening, practice and session is called from one thread, `practice_thread`; nothing here waits.

KEEP_EVERY_US = 60_000_000
# What passes a rung, of all that fills a row.
DONE = ("passed", "confirmed")


class Practising:
    """Listens, and tells everything to `tell`.

    `new_practice` begins a practice, told whether it counts as the learner's; `sounding` makes the sound, `choices`
    are kept from one sitting to the next. `last` is the sitting that ended last, `sessions` are all that were kept.
    """

    def __init__(
        self,
        setting: PracticeSetting,
        new_practice: Callable[[bool], Practice],
        sounding: SoundPlace,
        tell: Callable[[told.Happening], None],
        rung: str = "",
        choices: Choices | None = None,
    ) -> None:
        self._setting, self._new_practice, self._sounding, self._tell = setting, new_practice, sounding, tell
        self._clock = setting.clock
        self._practice = new_practice(True)
        self._rung = rung
        self._source: Source | None = None
        self.page_port: PagePort | None = None
        self.whereabouts = Whereabouts(setting, self._pass_on)
        self._resting = Resting()
        self._choices = Choices(None) if choices is None else choices
        self._keyboard_holds: int | None = None
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
        self._tell(told.HandNow(self._choices.hand_on_top))
        self._practise()
        self._tell(told.SoundNow(self._sounding.settings()))
        self._tell(told.MetronomeNow(self._sounding.beat()))
        self.whereabouts.nobody()

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
                    # Whoever practises past midnight has another day to confirm on.
                    self._tell_events(self._practice.new_day(self._setting.wall_clock().date()))
            elif not source.take(item, self._remark):
                self.finish()
                return
            source.tick(self._clock(), self._remark)
            source.see_to_raw(self._practice.one_note)
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
        self.whereabouts.nobody()

    def close(self) -> None:
        """End everything."""
        try:
            self.finish()
        finally:
            self._sounding.close()

    # -- wishes ---------------------------------------------------------------------------------------------------

    def grant(self, wish: wishes.Request) -> None:
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
                self._choices.choose_hand(hand)
                self._tell(told.HandNow(hand))
            case wishes.KeyboardHolds(count):
                self._keyboard_holds = count
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
            self._choices.choose_sound(self._sounding.chosen)
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
            self.whereabouts.nobody()
            return
        origin = origin_of(to)
        self._practise(origin)
        self._sounding.follow(origin)
        try:
            self._source = self._begin_source(to)
        except SessionError as error:
            self._remark(f"{error.path}: {error}. Practice goes on, but is not kept.")
            self._source = self._begin_source(to, keep=False)
        self.page_port = self._source.page_port
        self._practice.loosened = self._source.sealing.loosened
        self._tell(told.SoundNow(self._sounding.settings()))
        self.whereabouts.begun(self._source)

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
        practised: dict[str, object] = {
            "rungs": list(summary.played),
            "passed": list(dict.fromkeys(passed.rung_key for passed in summary.passed if passed.what in DONE)),
            "hand_on_top": self._choices.hand_on_top,
        }
        if self._source.origin == "page" and self._keyboard_holds is not None:
            practised["keyboard_holds"] = self._keyboard_holds
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
        self.whereabouts.nobody(refused=sentence)

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
        elif isinstance(what, Lost):
            self._sounding.away()
        if self._source is not None:
            self._show(self._source, what, timing)
        self._tell_events(self._practice.hear(what, timing))

    def _show(self, source: Source, what: Heard, timing: Timing) -> None:
        """What is to be seen of it, whatever the practice makes of it."""
        proposal = source.sealing.hear(what)
        if proposal is not None:
            self._remark(proposal)
        if isinstance(what, State):
            self.whereabouts.here(source, timing)
            source.played = source.played or what.covered_mask != 0
            if what.covered_mask != source.covered_mask:
                source.covered_mask = what.covered_mask
                self._holes(what)
        elif isinstance(what, Lost):
            self.whereabouts.moved(source, "away", what.cause)
        elif isinstance(what, Back):
            self.whereabouts.moved(source, "waiting")
        elif isinstance(what, Seen):
            self.whereabouts.named(source, what.hello.name, timing)
        elif isinstance(what, TroubleSeen):
            self._remark(f"The chanter reports: {what.words}.")

    def _holes(self, state: State) -> None:
        verdict = self._setting.table.verdict(state.covered_mask)
        note = verdict.note if state.covered_mask else None
        self._tell(told.HolesNow(state.covered_mask, note, verdict.fingering, state.t_us))
        host_us = self._clock() if state.host_us is None else state.host_us
        if note is not None and note != self._note and self._sounding.note(host_us):
            self._tell(told.MetronomeNow(self._sounding.beat()))
        self._note = note
        if self._resting.moved(host_us):
            self._tell(told.RestDue(self._resting.played_us))

    # -- what is told ---------------------------------------------------------------------------------------------

    def _pass_on(self, what: told.Happening) -> None:
        self._tell(what)

    def _tell_events(self, events: list[Event]) -> None:
        for event in events:
            self._tell(told.Practised(event))
            if isinstance(event, Passed):
                self._keep_progress()
                self._tell_music()
            elif isinstance(event, TonightTurn):
                self._tell_music()
                self._play_on()

    def _tell_music(self, anew: bool = False) -> None:
        self._tell(told.MusicNow(self._practice.snapshot(), anew))

    def _remark(self, sentence: str) -> None:
        self._tell(told.Notice(sentence))


# ---

# Often enough that no byte is unsaved for longer than 250 ms.
TICK_S = 0.05
IDLE_S = 0.25
MOST_REQUESTS = 256


class PracticeActor(Actor[Request]):
    """Runs a practice; `stop` ends the session, which is kept even where the practice fails."""

    def __init__(self, practising: Practising) -> None:
        super().__init__("practice", self._practise, MOST_REQUESTS)
        self._practising = practising

    def cover(self, covered_mask: int) -> None:
        """Holes as a page covers them; passed over while another chanter is listened to."""
        port = self._practising.page_port
        if port is not None:
            port.feed(covered_mask)

    def _practise(self) -> None:
        try:
            self._practising.begin()
            while not self.stopping:
                self._step()
        finally:
            self._practising.close()

    def _step(self) -> None:
        practising, reader = self._practising, self._practising.reader
        if reader is not None:
            practising.take_in(reader.get(TICK_S))
        for request in self.receive_all(IDLE_S if reader is None else 0):
            practising.grant(request)
        if reader is None:
            practising.whereabouts.look()
