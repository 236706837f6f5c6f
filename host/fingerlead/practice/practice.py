"""A learner's practice: takes in what `Listening` hears, gives the events that a page shows.

Pure: the day is an argument, times are those of the states. What is practised follows the table MUSIC in `state`. What
is to be kept goes into `progress`, in memory; the caller keeps it with `progress.keep()`.

    practice = Practice(standard_table(), open_progress(), today, kept=True)
    listening = Listening(table, lambda what, timing: publish(practice.hear(what, timing)))
    practice.ask_through(listening.begin_music)
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta

from fingering.families import family_turns
from fingering.notes import LOW_A
from fingering.orders import (
    Order,
    changes_of,
    comes_first,
    every_rung,
    number_of,
    opened_by,
    rung_named,
    rungs_in,
    tunes_opened,
)
from fingering.rungs import STAGE_US, Rung, passed_words
from fingering.table import Table
from fingering.tunes import easy_tunes
from fingerlead.listening.listening import Heard
from fingerlead.listening.reader import Lost
from fingerlead.music.tune import Tune
from fingerlead.practice import events
from fingerlead.practice.course import CourseNow, TuneCourse, bar_beats
from fingerlead.practice.events import Event, SessionSummary, Snapshot, Take
from fingerlead.practice.onward import Onward
from fingerlead.practice.passing import ON_BEAT_US, Toward
from fingerlead.practice.place import Following, Playing
from fingerlead.practice.state import MUSIC, Doing, Step, step
from fingerlead.practice.sums import Sums
from fingerlead.practice.takes import Takes, last_phrase
from fingerlead.practice.tonight import OnStaff, Tonight, TonightTurns, music_of, music_of_item
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.practice_log import Progress
from fingerlead.store.session_music import LONGEST_ABC, LONGEST_NAME
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.live import LiveResult, Placed
from fingerlead.timing.movement_beats import aside_within
from fingerlead.timing.playthrough import Playthrough, playthroughs
from fingerlead.timing.results import Change, Held, PlayedMovement, Settings, Timing
from fingerlead.wire.events import Doubted, State


class Practice:
    """One learner at one chanter. `kept` False (simulated playing) leaves `progress` alone and uses one of its own.

    It begins on the lowest rung that comes back, else the lowest that is neither passed nor left and can count.
    `stage_us` is how close together the fingers are asked to move, `beat_us` how close to a beat that sounds a note is
    asked to begin, `order` that of the ladder.
    """

    def __init__(
        self,
        table: Table,
        progress: Progress,
        today: date,
        kept: bool,
        stage_us: int = STAGE_US,
        beat_us: int = ON_BEAT_US,
        order: Order = "taught",
    ) -> None:
        self.table, self.settings, self.today, self.kept = table, Settings(stage_us=stage_us), today, kept
        self.progress = progress if kept else Progress()
        self.rungs, self._beat_us = rungs_in(order), beat_us
        self._playing = Playing(self.settings)
        self._takes = Takes(table, self.settings)
        self._sums = Sums(self.progress)
        self._left: dict[str, None] = {}  # rungs from which the learner went on
        self._bpm: float | None = None
        self.doing: Doing = "rung"
        self._turns = TonightTurns(Tonight((), ()), self.progress)
        self.own: dict[str, OnStaff] = {}  # the player's own tunes, by their keys
        self._begin_music: Callable[[SessionMusic], object] = lambda music: None
        self._asked_last: SessionMusic | None = None
        self._course: TuneCourse | None = None  # of a tune that goes by in time
        self._course_now: CourseNow | None = None  # as told last
        self._begins_us: int | None = None  # when it begins, on the chanter's clock
        self._on_the_way = False  # to the first note of the music, from whatever was played before
        self._asked: int | None = None  # the lit note, until it is tried
        self._trying: tuple[int, Held] | None = None  # what was lit when the last note began, and that note
        self._lit: events.Lit  # from the first music on
        self._onward = Onward(table.standard[LOW_A], self.settings)
        self._held_us = self._onward_us = 0  # as told last
        self._home = self._next_key() or self.rungs[-1].key  # the rung to come back to
        # Which holes loosened in a stretch in which they counted as covered: raw samples show it.
        self.loosened: Callable[[int, int], tuple[int, ...]] = lambda since_us, until_us: ()
        # How far after the beat a note began, negative before it; None where no beat is heard.
        self.off_beat_us: Callable[[int], int | None] = lambda t_us: None
        self._play(music_of(self._home, self.rungs))

    @property
    def tune(self) -> Tune:
        """The music on the staff."""
        return self._on_staff.tune

    @property
    def one_note(self) -> bool:
        """Whether a note alone is practised."""
        return self._toward.holds is not None

    @property
    def lit_note(self) -> int:
        """The note to play next."""
        return self._lit.note

    @property
    def together_us(self) -> int | None:
        """How close together the fingers are to move; None where no change passes: a rest, one note, embellishments."""
        rung, no_change = self._toward.rung, self.doing == "rest" or self.one_note
        return None if no_change or (rung is not None and rung.movements) else self.settings.stage_us

    @property
    def asked(self) -> SessionMusic:
        """What is asked for now, by which the playing is to be read."""
        why = self._why_not_judged()
        on_staff, again = self._on_staff, self._toward.progressed(self.today).again
        # A teacher's own may be more than a session keeps: any note may follow any then.
        if self.doing == "rest" or self._on_the_way or len(on_staff.abc) > LONGEST_ABC:
            return SessionMusic(judged=not why, why=why)
        return SessionMusic(
            "tune" if on_staff.rung is None else "rung",
            "".join(filter(str.isprintable, on_staff.name))[:LONGEST_NAME],
            on_staff.abc,
            2 if again else 1,
            None if self._bpm is None else round(60_000_000 / self._bpm),
            self.settings.stage_us,
            not why,
            why,
            self._begins_us,
            None if self._begins_us is None else self._beat_us,
        )

    def ask_through(self, begin_music: Callable[[SessionMusic], object]) -> None:
        """Say by `begin_music` what is asked for: now, and whenever something else is, or the same from its start."""
        self._begin_music = begin_music
        self._ask(anew=True)

    # --- what the learner asks for ---

    def start(self, key: str) -> list[Event]:
        """Go to a rung (key, name or number) or a tune (key), from its first note; ValueError in one sentence."""
        music = self.own.get(key) or music_of(key, self.rungs)
        if music.rung is None:
            self._step("tune")
        else:
            self._step("rung")
            self._home = music.rung.key
        return self._play(music)

    def go_next(self, key: str) -> list[Event]:
        """From the rung that is practised, where it has this key and is passed, to the next; else nothing changes."""
        now = self._progressed()
        asked = self.doing == "rung" and key == self._on_staff.key and now.passed
        return self._to_next(now.next.key) if asked and now.next is not None else []

    def go_on(self, key: str) -> list[Event]:
        """From the rung that is practised, where it has this key, to the next; one that is open is not yet clean."""
        now = self._progressed()
        if self.doing != "rung" or key != self._on_staff.key or now.next is None:
            return []
        if self.progress.state(key, self.today) == "open":
            self.progress.rung_left(self.today, key)
            self._left.setdefault(key)
        return self._to_next(now.next.key)

    def climb(self, order: Order) -> list[Event]:
        """Climb the ladder in an order from now on; the music on the staff stays."""
        self.rungs = rungs_in(order)
        self._toward.rungs = self.rungs
        return [self._progressed()]

    def restart(self) -> list[Event]:
        """The music from its first note; what was counted stays."""
        ended = self.stop_course()
        self._follow()
        self._ask(anew=True)
        return [*ended, *self._light(always=True)]

    def begin_course(self, host_us: int) -> list[Event]:
        """Let the tune on the staff go by in time from the next beat that is heard. ValueError: it cannot."""
        if self.doing != "tune" or self._bpm is None:
            raise ValueError("expected a tune and a beat, to go by in time")
        course = TuneCourse(self.tune, self._on_staff.wanted, round(60_000_000 / self._bpm), host_us)
        self.stop_course()
        self._course = course
        self._on_the_way, self._asked, self._trying = False, None, None
        first = self._on_staff.wanted.notes[0]
        self._lit = events.Lit(0, first.place, first.note)
        self._course_now = course.now(host_us)
        return [self._lit, events.InTime(self._course_now)]

    def beat_heard(self, host_us: int, chanter_us: Callable[[int], int | None]) -> None:
        """A beat is heard at a time; `chanter_us` gives the chanter's time for one of the host's."""
        course = self._course
        if course is None:
            return
        course.click(host_us)
        begins_us = course.begins_us
        if self._begins_us is None and begins_us is not None and (at_us := chanter_us(begins_us)) is not None:
            self._begins_us = max(at_us, 1)
            self._ask(anew=True)

    def go_by(self, host_us: int, analysed: Callable[[], Analysis]) -> list[Event]:
        """Time goes by: which note is due; at the end how the tune was played, by what `analysed` gives."""
        course, before = self._course, self._course_now
        if course is None or before is None or (now := course.now(host_us)) == before:
            return []
        if now.state == "silent" or (now.state == "over" and self._begins_us is None):
            return [*self.stop_course(silent=True), *self._light(always=True)]
        if now.state == "over":
            analysis = analysed()
            ended = [*self.stop_course(), *self._light(always=True)]
            return [*ended, *(self._played_in_time(one, analysis) for one in playthroughs(analysis)[-1:])]
        self._course_now = now
        wanted = self._on_staff.wanted.notes[now.index]
        self._lit = lit = events.Lit(now.index, wanted.place, wanted.note)
        return [*([lit] if now.index != before.index else []), events.InTime(now)]

    def stop_course(self, *, silent: bool = False) -> list[Event]:
        """The tune waits for the player again."""
        if self._course is None:
            return []
        self._course = self._course_now = self._begins_us = None
        self._follow()
        self._ask(anew=True)
        return [events.InTime(None, silent)]

    @property
    def due_in_us(self) -> Callable[[int], int] | None:
        """How long from a time until another note is due; None where the music waits for the player."""
        return None if self._course is None else self._course.wait_us

    def tonight(self) -> list[Event]:
        """Ten minutes of the learner's own weakest changes, beginning with the next state."""
        unclean = [rung.notes for rung in self.rungs if self.progress.state(rung.key, self.today) == "unclean"]
        known, families = self._known(), family_turns(self.progress.passed())
        self._turns = TonightTurns(Tonight(self.progress.weakest(), known, unclean, families), self.progress)
        return self._next_turn()

    def beat(self, bpm: float | None) -> list[Event]:
        """The metronome sounds at so many beats a minute from now on, or not any more."""
        ended = self.stop_course() if bpm != self._bpm else []
        self._bpm = bpm
        self._toward.beat(bpm)
        self._onward.beat(bpm)
        self._ask()
        return [*ended, self._progressed()]

    def new_day(self, today: date) -> list[Event]:
        """It is another day: what was passed is due."""
        if today == self.today:
            return []
        self.today = today
        self._ask()
        return [events.Due(self.progress.due(today)), self._progressed()]

    # --- what is heard ---

    def hear(self, what: Heard, timing: Timing) -> list[Event]:
        """Take in what `Listening` hears; what came of it, in order."""
        if isinstance(what, State):
            return self._state(what.t_us, what.covered_mask)
        if isinstance(what, Placed):
            return self._placed(what)
        if isinstance(what, LiveResult):
            if isinstance(what.result, PlayedMovement):
                self._sums.movement(what.result, self.today, what.taken_back)
                return self._noted(self._toward.movement(what.result, self.today, what.taken_back))
            return self._told(what.result, timing, what.taken_back)
        if isinstance(what, (Doubted, Lost)):
            self._onward.doubt()
            if isinstance(what, Lost) and self._course is not None:
                return [*self.stop_course(), *self._light(always=True)]
            if self._toward.holds is not None:
                self._toward.holds.doubt()
        return []

    def close(self) -> list[Event]:
        """Nothing more will be heard: the last changes stand as they were told."""
        self._sums.settle()
        return []

    # --- what can be asked ---

    def take(self, number: int) -> Take | None:
        """One of the last changes, to see and hear again; None where it is not known any more."""
        return self._takes.get(number)

    def phrase(self) -> Take | None:
        """The last few notes; None before the first."""
        return last_phrase(self._playing)

    def summary(self) -> SessionSummary:
        """What the session brought so far."""
        summary = self._sums.summary(self._playing.sounding_us, self.kept)
        left = tuple(rung_named(key).name for key in self._left if key not in self.progress.passed())
        key = self._for_tomorrow()
        again = key is not None and key in self.progress.passed()
        return replace(summary, left=left, tomorrow=None if key is None else (rung_named(key).name, again))

    def snapshot(self) -> Snapshot:
        """All that a page needs that joins now."""
        on_staff, rung, opened = self._on_staff, self._on_staff.rung, tunes_opened(self.rungs)
        return Snapshot(
            key=on_staff.key,
            name=on_staff.name,
            number=None if rung is None else number_of(rung.key),
            of=len(rungs_in()),
            trains="" if rung is None else rung.trains,
            passed_text="" if rung is None else self._passed_text(rung),
            tune=on_staff.tune,
            is_tune=self.doing == "tune",
            notes=tuple((wanted.note, wanted.place) for wanted in on_staff.wanted.notes),
            graces=tuple(wanted.graces for wanted in on_staff.wanted.notes),
            lit=self._lit,
            progressed=self._progressed(),
            help=tuple(self.progress.help_for(note) for note in range(9)),
            ladder=tuple(
                events.LadderRung(
                    one.key,
                    one.name,
                    one.group,
                    self.progress.state(one.key, self.today),
                    opened.get(one.key, ()),
                    number_of(one.key),
                )
                for one in self.rungs
            ),
            due=self.progress.due(self.today),
            turn=self._turns.turn(self._playing.now_us) if self.doing in ("turn", "rest") else None,
            tunes=self._tunes(),
            week=self.progress.week(self.today),
            next_key=self._next_key(),
            together_us=self.together_us,
            can_go_by=self.doing == "tune" and bar_beats(on_staff.tune) is not None,
        )

    # --- within ---

    def _step(self, cause: Step) -> None:
        self.doing = step(MUSIC, self.doing, cause)

    def _ask(self, *, anew: bool = False) -> None:
        """Say what is asked for, where that has changed, or it is to be played from its start."""
        asked, before = self.asked, self._asked_last
        self._asked_last = asked
        if anew or asked != before:
            self._begin_music(asked)

    def _why_not_judged(self) -> str:
        """Why no change that is played now is judged; empty where each is."""
        if self.doing == "rest":
            return "a rest"
        if self.one_note:
            return "a note alone"
        return "on the way to the first note" if self._on_the_way else ""

    def _play(self, music: OnStaff, shown: tuple[str, ...] = ()) -> list[Event]:
        """Put music on the staff; `shown` are embellishments in it that are judged, and not counted."""
        ended = self.stop_course()
        self._on_staff = music
        notes = {wanted.note for wanted in music.wanted.notes}
        alone = notes.pop() if len(notes) == 1 else None
        self._toward = Toward(music.rung, alone, self.progress, self.table, self.settings, self.rungs, shown)
        self._toward.beat(self._bpm)
        self._onward.end()
        self._held_us = self._onward_us = 0
        self._follow()
        self._ask(anew=True)
        return [*ended, *self._light(always=True), self._progressed()]

    def _played_in_time(self, played: Playthrough, analysis: Analysis) -> events.PlayedInTime:
        """How a tune was played in time, with the rung of the change that goes wrong first in its worst bar."""
        fault, notes = played.fault, self._on_staff.wanted.notes
        pair = None if fault is None or not fault.place else (notes[fault.place - 1].note, fault.note)
        rungs = (*self.rungs, *every_rung().values())
        rung = next((rung for rung in rungs if not rung.movements and pair in changes_of(rung)), None)
        return events.PlayedInTime(
            played,
            None if rung is None else events.NextRung(rung.key, rung.name, number_of(rung.key)),
            tuple(aside_within(analysis, played.music)),
        )

    def _follow(self) -> None:
        self._following = Following(self._on_staff.wanted, self._playing.steady)
        self._on_the_way = not self._following.is_under_way
        self._asked = self._trying = None

    def _light(self, *, always: bool = False) -> list[Event]:
        lit = self._following.lit()
        if not always and lit == self._lit:
            return []
        self._lit, self._asked = lit, lit.index
        return [lit]

    def _progressed(self) -> events.Progressed:
        return replace(self._toward.progressed(self.today), next=self._next_rung())

    def _tunes(self) -> tuple[events.TuneOffer, ...]:
        passed = self.progress.passed()
        own = (events.TuneOffer(key, music.name, True, True) for key, music in self.own.items())
        easy = (
            events.TuneOffer(tune.key, tune.title, bool(opening) and {rung.key for rung in opening} <= passed)
            for tune, opening in ((tune, opened_by(tune, self.rungs)) for tune in easy_tunes())
        )
        return (*own, *easy)

    def _to_next(self, key: str) -> list[Event]:
        return [events.WentOn(key), *self.start(key)]

    def _next_rung(self) -> events.NextRung | None:
        """Where it goes on from the rung that is practised; None from anything else, and where all is passed."""
        key = self._next_key(self._on_staff.key) if self.doing == "rung" else None
        if key is None:
            return None
        rung = rung_named(key, self.rungs)
        return events.NextRung(key, rung.name, number_of(key))

    def _passed_text(self, rung: Rung) -> str:
        return rung.passed if rung.movements else passed_words(rung.notes, self.settings.stage_us)

    def _next_key(self, after: str | None = None, on: date | None = None) -> str | None:
        """What comes back that day, or today; else the lowest rung from there on that is open and can count, else one
        below; else the lowest that was left unclean. Embellishments come last. Another one than `after`.
        """
        keys = [rung.key for rung in self.rungs]
        at = keys.index(after) + 1 if after in keys else 0
        state = {key: self.progress.state(key, on or self.today) for key in keys if key != after}
        passed = self.progress.passed()

        def found() -> Iterator[str]:
            yield from (key for key in keys if state.get(key) == "due")
            for embellished in (False, True):
                rungs = [rung for rung in (*self.rungs[at:], *self.rungs[:at]) if bool(rung.movements) == embellished]
                for rung in rungs:
                    if state.get(rung.key) == "open" and not comes_first(rung, self.rungs, passed):
                        yield rung.key
                yield from (rung.key for rung in self.rungs if rung in rungs and state.get(rung.key) == "unclean")

        return next(found(), None)

    def _for_tomorrow(self) -> str | None:
        """What comes back tomorrow, else the rung to come back to while it can count, else what follows it."""
        day, home = self.today + timedelta(days=1), self._home
        if any(self.progress.state(rung.key, day) == "due" for rung in self.rungs):
            return self._next_key(on=day)
        first = comes_first(rung_named(home), self.rungs, self.progress.passed())
        return self._next_key(home, day) if first or home in self.progress.passed() else home

    def _known(self) -> list[tuple[int, ...]]:
        """The rows of notes that the learner is at or has passed, the present one first; two at least."""
        home = rung_named(self._home)
        begun = [rung for rung in self.rungs if self.progress.state(rung.key, self.today) != "open"]
        rows = list(dict.fromkeys(rung.notes for rung in (home, *begun[::-1]) if not rung.movements))
        # A learner at the very beginning has one rung alone: its neighbour, so that turns can change.
        at = self.rungs.index(home) if home in self.rungs else 0
        beside = [self.rungs[place].notes for place in (at + 1, at - 1, 0, 1) if 0 <= place < len(self.rungs)]
        return rows if len(rows) > 1 else list(dict.fromkeys([*rows, *beside]))[:2]

    def _state(self, t_us: int, covered_mask: int) -> list[Event]:
        begun, over = self._playing.state(t_us, covered_mask)
        came: list[Event] = []
        if begun is not None:
            self._following.is_under_way = True
            if self._on_the_way:
                self._on_the_way = False
                self._ask()
            if self._on_staff.key is not None:
                self._sums.played.setdefault(self._on_staff.key)
        if over is not None:
            self._following.over()
            self.progress.note_played(self.today, over.end_us - over.start_us)
        if self._toward.holds is not None:
            judged = self._toward.holds.state(t_us, covered_mask)
            if judged is not None:
                judged = self._sealed(judged, t_us, covered_mask)
                came += [judged, *self._noted(self._toward.hold(judged, self.today))]
            held_us, needed_us = self._toward.holds.held_us(t_us), self._toward.holds.needed_us
            came += [events.Holding(held_us, needed_us)] if held_us or self._held_us else []
            self._held_us = held_us
        came += self._go_onward(t_us, covered_mask)
        resting = self.doing == "rest" and self._turns.rested(self._playing)
        if resting or (self.doing == "turn" and self._turns.played(self._playing, self._following)):
            came += self._next_turn()
        return came

    def _go_onward(self, t_us: int, covered_mask: int) -> list[Event]:
        """A low A that is held goes on from a rung that is passed."""
        before_us, self._onward_us = self._onward_us, self._onward.state(t_us, covered_mask)
        if not before_us and not self._onward_us:
            return []
        needed_us, key = self._onward.needed_us, self._on_staff.key
        going: list[Event] = [events.GoingOn(min(self._onward_us, needed_us), needed_us)]
        if self._onward_us < needed_us or key is None:
            return going
        return [*going, *self.go_next(key), events.GoingOn(0, needed_us)]

    def _sealed(self, judged: events.HoldJudged, t_us: int, covered_mask: int) -> events.HoldJudged:
        """A try that was held, unless a finger loosened meanwhile."""
        if judged.end != "held":
            return judged
        fingers = tuple(hole for hole in self.loosened(t_us - judged.held_us, t_us) if covered_mask >> hole & 1)
        return replace(judged, end="loosened", fingers=fingers) if fingers else judged

    def _placed(self, placed: Placed) -> list[Event]:
        """A note is steady, and its place in the music is known."""
        if self._course is not None:
            return []  # the beat lights the notes
        self._read(placed)
        self._following.place(placed)
        steady, asked = self._playing.steady, self._asked
        self._trying = None if steady is None or asked is None else (asked, steady)
        return self._light()

    def _read(self, placed: Placed) -> None:
        """Was the lit note read right at the first try? That is known when the next note is steady."""
        if self._trying is None:
            return
        index, tried = self._trying
        note = self._on_staff.wanted.notes[index].note
        begun = [one for one in placed.notes if one.start_us <= tried.start_us]
        # What is no melody note after all, but a stray or a grace note, was no try.
        if not begun or begun[-1].note != tried.note:
            return
        if tried.note != note:
            self.progress.note_read(self.today, note, right=False)
            if self._asked == index:
                self._asked = None  # a second try says nothing about reading
        elif begun[-1].is_written and begun[-1].done == index + 1:
            self.progress.note_read(self.today, note, right=True)

    def _told(self, change: Change, timing: Timing, taken_back: bool) -> list[Event]:
        """A change, or what it is after all; only what is asked for is judged."""
        take = change.number + 1
        if taken_back or not change.judged:
            return self._take_back(take)
        judged = self._takes.take_in(take, change, timing, self._playing)
        pair = change.from_note, change.to_note
        self._sums.change(take, self.today, pair, judged.outcome, change.verdict)
        off_us = None if self._bpm is None else self.off_beat_us(change.edges[-1][0])
        if off_us is not None and abs(off_us) > self._beat_us:
            judged = replace(judged, off_beat_us=off_us)
        return [judged, *self._noted(self._toward.judge(judged, self.today))]

    def _take_back(self, take: int) -> list[Event]:
        if not self._takes.forget(take):
            return []
        self._sums.take_back(take)
        return [events.TakenBack(take), *self._noted(self._toward.take_back(take, self.today))]

    def _noted(self, came: list[Event]) -> list[Event]:
        passed = [event for event in came if isinstance(event, events.Passed)]
        self._sums.passed += passed
        if not came:
            return []
        if passed:
            self._onward.begin()
        onward = self._next_rung()
        return [replace(event, next=onward) if isinstance(event, events.Progressed) else event for event in came]

    def _next_turn(self) -> list[Event]:
        """The next turn of Tonight, the rest before it, or home when the time is up."""
        turn = self._turns.next(self._playing.now_us)
        if turn.item is None:
            self._step("time up")
            return [turn, *self._play(music_of(self._home, self.rungs))]
        if turn.item.rest:
            self._step("rest")
            self._ask()
            return [turn]
        self._step("turn")
        shown = () if not turn.item.rung else rung_named(turn.item.rung).movements
        return [turn, *self._play(music_of_item(turn.item), shown)]
