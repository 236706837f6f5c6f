"""The practice actor: one chanter at a time is listened to, sounded at once, judged, and told.

    reader thread ─► queue ─► here: sound at once ─► analysis ─► practice ─► `tell`
    pages ─► requests (bounded) ─┘

All that touches listening, practice and session runs in this thread, and nothing in it waits for a page.
"""

import contextlib
from collections.abc import Callable, Sequence
from concurrent.futures import InvalidStateError
from dataclasses import replace

from fingerlead.actor import Actor
from fingerlead.listening.listening import Heard
from fingerlead.listening.reader import Back, Item, Lost, Reader
from fingerlead.ports.base import SIMULATED, PortRefused
from fingerlead.ports.page_port import PagePort
from fingerlead.practice import events, inbox
from fingerlead.practice.choices import Choices
from fingerlead.practice.course import bar_beats
from fingerlead.practice.events import Event
from fingerlead.practice.keeping import Keeping
from fingerlead.practice.own_tunes import MOST_TUNES, named_apart
from fingerlead.practice.practice import Practice
from fingerlead.practice.pupil_port import first_with_strays
from fingerlead.practice.sound_place import SoundPlace
from fingerlead.practice.source import PAGE, PracticeSetting, Source, Whereabouts, begin_source, origin_of
from fingerlead.practice.sums import Resting
from fingerlead.practice.tonight import OnStaff, music_names
from fingerlead.timing.results import Timing
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.events import Seen, State, TroubleSeen

# Often enough that no byte is unsaved for longer than 250 ms.
TICK_S = 0.05
IDLE_S = 0.25
MOST_REQUESTS = 256
KEEP_EVERY_US = 20_000_000  # a program that is killed loses no more of the practice log


class PracticeActor(Actor[inbox.Request]):
    """Runs a practice; `stop` ends the session, which is kept even where the practice fails. `tell` gets every event.

    `new_practice` begins a practice; its argument is whether the playing counts as the learner's. `choices` are kept
    from one session to the next, `own` the player's own tunes to begin with; `keep_own` gets all of them when there is
    another. `last` is the session that ended last, `keeping` knows what of all is on the disk.
    """

    def __init__(
        self,
        setting: PracticeSetting,
        new_practice: Callable[[bool], Practice],
        sounding: SoundPlace,
        tell: Callable[[Event], None],
        rung: str = "",
        own: Sequence[OnStaff] = (),
        choices: Choices | None = None,
        keep_own: Callable[[Sequence[OnStaff]], None] = lambda tunes: None,
    ) -> None:
        super().__init__("practice", self._run_practice, MOST_REQUESTS)
        self._setting, self._new_practice, self._sounding, self._tell = setting, new_practice, sounding, tell
        self._clock = setting.clock
        self._own, self._keep_own = {str(music.key): music for music in own}, keep_own
        self._taken_off: dict[str, OnStaff] = {}  # own tunes, until the program ends
        self._practice = self._new(True)
        self._rung = rung
        self._source: Source | None = None
        self._listened_to = ""  # last
        self._whereabouts = Whereabouts(setting, lambda event: self._tell(event))
        self._named = {"", PAGE, SIMULATED}  # what a page may choose beside the ports that are found
        self._resting = Resting()
        self._choices = Choices(None) if choices is None else choices
        self._keyboard_holds: int | None = None
        self._note: int | None = None
        self._kept_us = 0
        # A session that goes elsewhere too: the next one, and that of now.
        self._to_copy: inbox.CopySession | None = None
        self._copied: inbox.CopySession | None = None
        self._behind = False  # the analysis has more to do, as soon as nothing else comes
        self._asked_more = False  # more may be asked for already
        self.keeping = Keeping(self._clock, lambda event: self._tell(event))
        self.last: events.Over | None = None

    def cover(self, covered_mask: int) -> None:
        """Holes as a page covers them, from any thread; passed over while another chanter is listened to."""
        port = self.page_port
        if port is not None:
            port.feed(covered_mask)

    @property
    def page_port(self) -> PagePort | None:
        """The port of a page whose fingers are listened to."""
        source = self._source
        return None if source is None else source.page_port

    @property
    def reader(self) -> Reader | None:
        """What is read from now."""
        return None if self._source is None else self._source.reader

    # --- what the thread does ---

    def _run_practice(self) -> None:
        try:
            self.begin()
            while not self.stopping:
                self._work_once()
            for request in self.receive_all(0):
                self.carry_out(request)
        finally:
            self.close()

    def _work_once(self) -> None:
        reader = self.reader
        if reader is not None:
            self.take_in(reader.get(0 if self._behind or self._asked_more else self._patience_s))
        # One at a time: what the chanter brings never waits for all that pages ask for.
        request = self.receive(IDLE_S if reader is None else 0)
        self._asked_more = request is not None
        if request is not None:
            self.carry_out(request)
        self.look()

    def begin(self) -> None:
        """Tell everything for the first time."""
        self._tell(events.HandNow(self._choices.hand_on_top))
        self._tell(events.OrderNow(self._choices.order))
        self._practise()
        self._tell(events.SoundNow(self._sounding.settings()))
        self._tell(events.MetronomeNow(self._sounding.beat()))
        self._whereabouts.end()

    def look(self) -> None:
        """See what is plugged in while nothing is listened to, whether it is another day, and whether all is kept."""
        # Crossing midnight starts a new confirmation day; a page may be open for longer.
        came = self._practice.new_day(self._setting.wall_clock().date())
        if came:
            self._tell_all(came)
            self._tell_music()
        if self._source is None:
            self._whereabouts.look()
        self.keeping.look()
        if self._practice.due_in_us is None and self._sounding.give_back():
            self._tell_all(self._practice.beat(self._sounding.bpm))
            self._tell(events.MetronomeNow(self._sounding.beat()))

    def take_in(self, item: Item | None) -> None:
        """Take in what the reader brought, or (None) that nothing came for a while."""
        source = self._source
        if source is None:
            return
        try:
            self._behind = item is None and source.listening.idle()
            if item is None:
                if self._clock() - self._kept_us >= KEEP_EVERY_US:
                    self._keep_progress()
            elif not source.take(item):
                self._finish()
                return
            source.tick(self._clock())
            source.see_to_raw(self._practice.one_note)
            clicks, bpm = self._sounding.clicks(), self._sounding.bpm
            if bpm is not None:
                source.listening.clicked(clicks, round(60_000_000 / bpm))
            self._go_by(source, clicks)
        except PortRefused as error:
            self._refuse(str(error))
        except NotAChanter as error:
            self._refuse(f"{source.spec}: {error}")

    def close(self) -> None:
        """End everything."""
        try:
            self._finish()
        finally:
            self.keeping.close()
            self._sounding.close()

    # --- requests ---

    def carry_out(self, request: inbox.Request) -> None:
        """Do what is asked."""
        match request:
            case inbox.Listen(to):
                self._named.add(to)
                self._listen(to)
            case inbox.Choose(to):
                self._choose_source(to)
            case inbox.ChooseRung(key):
                self._choose(key)
            case inbox.PlayOwn(music, answer):
                with contextlib.suppress(InvalidStateError):
                    answer.set_result(self._play_own(music))
            case inbox.TakeOff(key):
                self._take_off(key)
            case inbox.PutBack(key):
                self._put_back(key)
            case inbox.Shown(answer):
                with contextlib.suppress(InvalidStateError):
                    answer.set_result((self._practice.tune, self._sounding.bpm))
            case inbox.GoNext(key):
                self._tell_all(self._practice.go_next(key))
            case inbox.GoOn(key):
                self._tell_all(self._practice.go_on(key))
            case inbox.PlayOn():
                self._play_on()
            case inbox.BeginTonight():
                self._practice.tonight()
                self._put_on_staff()
            case inbox.BeginAgain():
                self._practice.restart()
                self._tell_music()
            case inbox.PlayInTime(on):
                self._play_in_time(on)
            case inbox.HandOnTop(hand):
                self._choices.choose_hand(hand)
                self._tell(events.HandNow(hand))
            case inbox.OrderRungs(order):
                self._choices.choose_order(order)
                self._tell(events.OrderNow(order))
                self._tell_all(self._practice.climb(order))
                self._tell_music()
            case inbox.KeyboardHolds(count):
                self._keyboard_holds = count
            case inbox.SetSound():
                self._set_sound(request)
            case inbox.SetMetronome():
                self._set_metronome(request)
            case inbox.Tap(host_us):
                self._sounding.tap(host_us)
                self._tell(events.MetronomeNow(self._sounding.beat()))
            case inbox.PageBeat(host_us):
                self._sounding.click(host_us)
            case inbox.SoundChanged():
                self._tell(events.SoundNow(self._sounding.settings()))
            case inbox.Engraved(name, why_not):
                self._tell(events.StaffNow(name, why_not))
            case inbox.Replay():
                self._replay(request)
            case inbox.Sounds(answer):
                with contextlib.suppress(InvalidStateError):
                    answer.set_result(self._sounding.settings())
            case inbox.Finish():
                self._finish()
            case inbox.CopySession():
                self._to_copy = request
                if self._source is not None:
                    self._listen(self._listened_to)
            case inbox.EndCopy():
                waiting, self._to_copy = self._to_copy, None
                if waiting is not None:
                    waiting.over()
                if self._copied is not None:
                    self._listen(self._listened_to)

    def _play_own(self, music: OnStaff) -> str:
        """Its key; an own tune with the same music is that one, the oldest gives way where there are too many."""
        known = next((one for one in self._own.values() if one.abc == music.abc), None)
        if known is None:
            names = {*music_names(), *(one.name for one in self._own.values())}
            known = named_apart(music, names)
            while len(self._own) >= MOST_TUNES:
                del self._own[next(iter(self._own))]
            self._own[str(known.key)] = known
            self._keep_own(tuple(self._own.values()))
        self._choose(str(known.key))
        return str(known.key)

    def _take_off(self, key: str) -> None:
        music = self._own.pop(key, None)
        if music is not None:
            self._taken_off[key] = music
            self._own_changed()

    def _put_back(self, key: str) -> None:
        if key not in self._taken_off or key in self._own:
            return
        if len(self._own) >= MOST_TUNES:
            self._notify(f"Expected at most {MOST_TUNES} tunes of your own; take another one off first.")
            return
        self._own[key] = self._taken_off.pop(key)
        self._own_changed()

    def _own_changed(self) -> None:
        self._keep_own(tuple(self._own.values()))
        self._tell_music()

    def _choose(self, key: str) -> None:
        try:
            self._practice.start(key)
        except ValueError as error:
            self._notify(f"{error}.")
            return
        self._rung = key
        self._put_on_staff()

    @property
    def _patience_s(self) -> float:
        """How long the chanter is waited for: a note that is due in time is lit in time."""
        due_in_us = self._practice.due_in_us
        return TICK_S if due_in_us is None else min(TICK_S, due_in_us(self._clock()) / 1_000_000)

    def _play_in_time(self, on: bool) -> None:
        beats = bar_beats(self._practice.tune)
        if not on:
            self._tell_all(self._practice.stop_course())
        elif self._source is None or self._practice.doing != "tune" or beats is None:
            self._notify("Expected a tune with a meter and two bars, and a chanter, to play in time; choose a tune.")
        else:
            asked_us = self._clock()
            self._sounding.begin_anew(beats)
            self._tell_all(self._practice.beat(self._sounding.bpm))
            self._tell(events.MetronomeNow(self._sounding.beat()))
            self._tell_all(self._practice.begin_course(asked_us))

    def _go_by(self, source: Source, clicks: Sequence[int]) -> None:
        """A tune that goes by in time: what is due by now."""
        for host_us in clicks:
            self._practice.beat_heard(host_us, source.listening.chanter_us)
        came = self._practice.go_by(self._clock(), source.listening.played_in_time)
        self._tell_all(came)
        if any(isinstance(event, events.InTime) and event.silent for event in came):
            self._notify("No beat is heard, so the tune waits for you. Turn the sound on, and play it in time again.")

    def _replay(self, request: inbox.Replay) -> None:
        take = self._practice.phrase() if request.number is None else self._practice.take(request.number)
        edges = None if take is None else take.mended_edges if request.mended else take.edges
        # The page that asked may be gone.
        with contextlib.suppress(InvalidStateError):
            request.answer.set_result(None if take is None or edges is None else (edges, take.end_us))

    def _set_sound(self, request: inbox.SetSound) -> None:
        try:
            self._sounding.set(request)
            self._choices.choose_sound(self._sounding.chosen)
        except ValueError as error:
            self._notify(f"{error}.")
        self._tell(events.SoundNow(self._sounding.settings()))

    def _set_metronome(self, request: inbox.SetMetronome) -> None:
        try:
            self._sounding.set_metronome(request)
        except ValueError as error:
            self._notify(f"{error}.")
        self._tell_all(self._practice.beat(self._sounding.bpm))
        self._tell(events.MetronomeNow(self._sounding.beat()))

    # --- the chanter that is listened to ---

    def _choose_source(self, to: str) -> None:
        """Listen to what a page asks for; anything that is not offered may come from a stranger, and is refused."""
        if to in self._named or self._whereabouts.offers(to):
            self._listen(to)
        else:
            self._notify("Expected one of the chanters on offer; got another. Choose one that is shown.")

    def _play_on(self) -> None:
        """Listen again after the end; where nothing was listened to, the page offers what there is."""
        if self._source is None and self._listened_to:
            self._listen(self._listened_to)

    def _listen(self, to: str) -> None:
        self._leave()
        self._listened_to = to
        if not to:
            self._whereabouts.end()
            return
        origin = origin_of(to)
        self._practise(origin)
        self._sounding.follow(origin)
        self._sounding.clicks()  # those before are of no session
        self._source = begin_source(to, self._setting, self._practice.tune, self._hear)
        self._copied, self._to_copy = self._to_copy, None
        if self._copied is not None:
            self._copied.begin(self._source.listening)
        self.keeping.begin(self._source.listening.writer)
        self._practice.loosened = self._source.sealing.loosened
        self._practice.ask_through(self._source.begin_music)
        self._practice.off_beat_us = self._off_beat_us
        self._tell(events.SoundNow(self._sounding.settings()))
        self._tell(events.UprightNow(False))
        self._whereabouts.begin(self._source)

    def _finish(self) -> None:
        """End the session: keep it, and sum it up."""
        over = self._leave()
        if over is not None:
            self._tell(over)
        self._whereabouts.end()

    def _refuse(self, sentence: str) -> None:
        self._leave()
        self._whereabouts.end(refused=sentence)

    def _leave(self) -> events.Over | None:
        """Stop listening, and keep what was played; None where nothing was."""
        source = self._source
        if source is None:
            return None
        summary = self._practice.summary()
        practised: dict[str, object] = {
            "rungs": list(summary.played),
            "passed": list(dict.fromkeys(passed.rung_key for passed in summary.passed)),
            "hand_on_top": self._choices.hand_on_top,
            "order": self._choices.order,
        }
        if source.origin == "page" and self._keyboard_holds is not None:
            practised["keyboard_holds"] = self._keyboard_holds
        source.close(practised)
        self._source = None
        if self._copied is not None:
            self._copied.over()
            self._copied = None
        self._sounding.away()
        self._tell_all(self._practice.close())
        self._keep_progress()
        if not source.played:
            self.keeping.forget()
            return None
        session = self.keeping.end()
        over = events.Over(self._practice.summary(), None, self._resting.played_us, log_us=self.keeping.log_lost_us)
        if session is not None:
            path = session.path if session.begun else None
            over = replace(over, session=path, lost_us=session.lost_us, held_us=session.held_us)
        self.last = over
        return over

    def _keep_progress(self) -> None:
        """Write down what was passed."""
        self._kept_us = self._clock()
        self.keeping.keep_log(self._practice.progress)

    def _new(self, kept: bool) -> Practice:
        practice = self._new_practice(kept)
        practice.own = self._own
        return practice

    def _practise(self, origin: events.Origin | None = None) -> None:
        """A practice anew, for another chanter."""
        self._practice = self._new(origin != "simulated")
        self._resting = Resting()
        # A simulated pupil shows what can go wrong.
        rung = self._rung or (first_with_strays().key if origin == "simulated" else "")
        if rung:
            with contextlib.suppress(ValueError):
                self._practice.start(rung)
        self._practice.beat(self._sounding.bpm)
        self._tell_music(anew=True)

    # --- what is heard ---

    def _hear(self, what: Heard, timing: Timing) -> None:
        if isinstance(what, State):
            self._sounding.cover(what.covered_mask, what.host_us)
        elif isinstance(what, Lost):
            self._sounding.away()
        if self._source is not None:
            self._show(self._source, what, timing)
        self._tell_all(self._practice.hear(what, timing))

    def _off_beat_us(self, t_us: int) -> int | None:
        """How far after the beat a note began that is known by the chanter's clock."""
        arrives_us = None if self._source is None else self._source.arrives_us
        return None if arrives_us is None else self._sounding.off_us(t_us + arrives_us)

    def _show(self, source: Source, what: Heard, timing: Timing) -> None:
        """What is to be seen of it, whatever the practice makes of it."""
        proposal = source.sealing.hear(what)
        if proposal is not None:
            self._notify(proposal)
        if isinstance(what, State):
            self._whereabouts.hear(source, timing)
            source.played = source.played or what.covered_mask != 0
            if what.host_us is not None:
                source.arrivals_us.append(what.host_us - what.t_us)
            upright = source.upright
            if upright is not None and upright.state(what.t_us, what.covered_mask, self._practice.lit_note):
                self._tell(events.UprightNow(upright.seems_turned))
            if what.covered_mask != source.covered_mask:
                source.covered_mask = what.covered_mask
                self._show_holes(what)
        elif isinstance(what, Lost):
            self._whereabouts.lose(what.cause)
        elif isinstance(what, Back):
            self._whereabouts.find()
        elif isinstance(what, Seen):
            self._whereabouts.name(what.hello.name, timing)
        elif isinstance(what, TroubleSeen) and not what.again:
            self._notify(f"The chanter reports: {what.words}.")

    def _show_holes(self, state: State) -> None:
        verdict = self._setting.table.verdict(state.covered_mask)
        note = verdict.note if state.covered_mask else None
        self._tell(events.HolesNow(state.covered_mask, note, verdict.fingering, state.t_us))
        host_us = self._clock() if state.host_us is None else state.host_us
        if note is not None and note != self._note and self._sounding.note(host_us):
            self._tell(events.MetronomeNow(self._sounding.beat()))
        self._note = note
        if self._resting.moved(host_us):
            self._tell(events.RestDue(self._resting.played_us))

    # --- what is published ---

    def _tell_all(self, came: list[Event]) -> None:
        for event in came:
            self._tell(event)
            if isinstance(event, events.Passed):
                self._keep_progress()
                self._tell_music()
            elif isinstance(event, events.WentOn):
                self._rung = event.rung_key
                self._keep_progress()
                self._put_on_staff()
            elif isinstance(event, events.TonightTurn):
                self._put_on_staff()

    def _put_on_staff(self) -> None:
        """Tell the new music; the simulated pupil, where it plays, takes it up."""
        self._tell_music()
        if self._source is not None and self._source.pupil_port is not None:
            self._source.pupil_port.play(self._practice.tune)

    def _tell_music(self, anew: bool = False) -> None:
        self._tell(events.MusicNow(self._practice.snapshot(), anew))

    def _notify(self, sentence: str) -> None:
        self._tell(events.Notice(sentence))
